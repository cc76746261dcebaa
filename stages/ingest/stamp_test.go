package ingest

import (
	"bytes"
	"context"
	"errors"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"lapwear/stages"
)

// Source of the forms: ISO 8601-1:2019, 5.3.1.2, 5.3.4.1, 5.4.2.1.
func TestParseStamp(t *testing.T) {
	const h, m, s = int64(3600e9), int64(60e9), int64(1e9)
	const may = 22403 // days from 1970-01-01 to 2031-05-04: date -u -d 2031-05-04 +%s, over 86400
	tests := []struct {
		reason, cell string
		want         stamp
		ok           bool
	}{
		{"a time of day", "13:45:07", stamp{ns: 13*h + 45*m + 7*s}, true},
		{"ms", "13:45:07.125", stamp{ns: 13*h + 45*m + 7*s + 125e6}, true},
		{"a decimal comma", "13:45:07,125", stamp{ns: 13*h + 45*m + 7*s + 125e6}, true},
		{"ns", "00:00:00.000000001", stamp{ns: 1}, true},
		{"beyond ns is cut off, as time.Parse does", "00:00:00.0000000019999", stamp{ns: 1}, true},
		{"an hour of one digit, as some write it before ten", "9:05:07.5", stamp{ns: 9*h + 5*m + 7*s + 5e8}, true},
		{"the last ns of a day", "23:59:59.999999999", stamp{ns: dayNS - 1}, true},
		{"UTC", "13:45:07Z", stamp{ns: 13*h + 45*m + 7*s, zoned: true}, true},
		{"date and time", "2031-05-04T13:45:07.125Z", stamp{date: may, ns: 13*h + 45*m + 7*s + 125e6, dated: true, zoned: true}, true},
		{"with a blank", "2031-05-04 13:45:07", stamp{date: may, ns: 13*h + 45*m + 7*s, dated: true}, true},
		{"an offset", "2031-05-04T13:45:07+05:30", stamp{date: may, ns: 13*h + 45*m + 7*s, offset: 19800, dated: true, zoned: true}, true},
		{"an offset in basic form", "2031-05-04T13:45:07-0330", stamp{date: may, ns: 13*h + 45*m + 7*s, offset: -12600, dated: true, zoned: true}, true},
		{"an offset in hours", "2031-05-04T13:45:07+02", stamp{date: may, ns: 13*h + 45*m + 7*s, offset: 7200, dated: true, zoned: true}, true},
		{"before 1970", "1969-12-31T00:00:00", stamp{date: -1, dated: true}, true},
		{"a leap day", "2032-02-29T00:00:00", stamp{date: 22704, dated: true}, true},
		{"no leap day", "2031-02-29T00:00:00", stamp{}, false},
		{"no leap second", "23:59:60", stamp{}, false},
		{"a day ends before 24:00:00", "24:00:00", stamp{}, false},
		{"hours and minutes could be minutes and seconds", "13:45", stamp{}, false},
		{"minutes of one digit", "13:4:07", stamp{}, false},
		{"a mark without digits", "13:45:07.", stamp{}, false},
		{"day, month and year with points: common practice, no source", "04.05.2031 13:45:07.125", stamp{date: may, ns: 13*h + 45*m + 7*s + 125e6, dated: true}, true},
		{"year, month and day with slashes: common practice, no source", "2031/05/04 13:45:07", stamp{date: may, ns: 13*h + 45*m + 7*s, dated: true}, true},
		{"with slashes, day and month are in one order here and in another there", "04/05/2031 13:45:07", stamp{}, false},
		{"no thirteenth month", "04.13.2031 13:45:07", stamp{}, false},
		{"marks of two kinds", "2031-05/04 13:45:07", stamp{}, false},
		{"a date alone", "2031-05-04", stamp{}, false},
		{"no time after the date", "2031-05-04T", stamp{}, false},
		{"am and pm", "01:45:07 PM", stamp{}, false},
		{"a sign", "-13:45:07", stamp{}, false},
		{"an offset of no hours", "13:45:07+25:00", stamp{}, false},
		{"text after it", "13:45:07x", stamp{}, false},
		{"a number", "49507.125", stamp{}, false},
		{"nothing", "", stamp{}, false},
	}
	for _, tt := range tests {
		got, ok := parseStamp([]byte(tt.cell))
		if ok != tt.ok || got != tt.want {
			t.Errorf("%s: %q gives %+v, %v; want %+v, %v", tt.reason, tt.cell, got, ok, tt.want, tt.ok)
		}
	}
}

// layouts are the forms as package time, the reference library, knows them.
var layouts = []string{"15:04:05", "15:04:05Z0700", "15:04:05Z07", "15:04:05Z07:00"}

// byTime parses a cell with package time.
func byTime(cell string) (time.Time, bool) {
	for _, l := range layouts {
		for _, before := range []string{"", "2006-01-02T", "2006-01-02t", "2006-01-02 ", "02.01.2006 ", "2006/01/02 "} {
			if at, err := time.Parse(before+l, cell); err == nil {
				return at, true
			}
		}
	}
	return time.Time{}, false
}

// equalsTime states that what is read is what package time reads, to the ns, and that
// it is read at all if that reads it; but package time knows no z, no offset beyond
// another bound, and a fraction or an offset in a few more ways, and takes any number of
// spaces for one.
func equalsTime(t *testing.T, cell string) {
	s, ok := parseStamp([]byte(cell))
	plain := strings.NewReplacer("z", "Z", "t", "T").Replace(cell)
	want, known := byTime(plain)
	if !ok {
		if strict, is := byTime(plain); is && len(cell) >= 8 && !strings.ContainsAny(cell[8:], "+-") && strings.Count(cell, ":") == 2 && !strings.HasPrefix(cell, "+") && !strings.Contains(cell, "  ") {
			t.Fatalf("%q is not read; package time %v", cell, strict)
		}
		return
	}
	if !known {
		t.Fatalf("%q is read as %+v, not by package time", cell, s)
	}
	midnight := time.Date(want.Year(), want.Month(), want.Day(), 0, 0, 0, 0, want.Location())
	if got := time.Duration(s.ns); got != want.Sub(midnight) {
		t.Fatalf("%q: %v since midnight; package time %v", cell, got, want.Sub(midnight))
	}
	if _, offset := want.Zone(); int64(offset) != s.offset {
		t.Fatalf("%q: offset %d s; package time %d", cell, s.offset, offset)
	}
	if s.dated && s.date*daySeconds*1e9+s.ns-s.offset*1e9 != want.UnixNano() && math.Abs(float64(want.Year())-1970) < 200 {
		t.Fatalf("%q: %d ns since 1970; package time %d", cell, s.date*daySeconds*1e9+s.ns-s.offset*1e9, want.UnixNano())
	}
}

// Forms that loggers and spreadsheets write: common practice, no source.
func TestOtherClocksAreNamed(t *testing.T) {
	tests := []struct{ reason, cell, want string }{
		{"twelve hours", "01:45:07.125 PM", "export with hours from 0 to 23"},
		{"a colon before the fraction", "13:45:07:125", "needs a point or a comma"},
		{"minutes and seconds", "45:07.125", "export as h:mm:ss.fff"},
		{"days since 1899-12-30: 2031-05-04 13:45:07", "47972.572998", "a spreadsheet's count of days"},
		{"seconds, which may look like days", "49507.125", "state the numbers' unit"},
		{"seconds of the first hours", "1507.125", "state the numbers' unit"},
		{"another text", "noon", "; correct the cell and export again"},
	}
	for _, tt := range tests {
		p := cradle
		p.Time = Time{Column: "TIME", Scale: 1, Clock: true}
		_, err := run(t, p, "a.csv", []byte("TIME,AZ,SG\n"+tt.cell+",1,2\n13:45:08,1,2\n13:45:09,1,2\n"))
		var r *stages.Refusal
		if !errors.As(err, &r) || !strings.Contains(r.Reason, tt.want) {
			t.Errorf("%s: error %v, want one with %q", tt.reason, err, tt.want)
		}
	}
}

func FuzzParseStampEqualsTime(f *testing.F) {
	for _, cell := range []string{
		"13:45:07", "9:05:07,5", "2031-05-04T13:45:07.125Z", "2031-05-04 13:45:07,123456789+05:30", "2000-02-29t00:00:00-0330",
		"1900-02-29T00:00:00Z", "0000-01-01T00:00:00", "9999-12-31T23:59:59.999999999+14", "23:59:60", "24:00:00", "1:2:3", "00:00:00.", "00:00:00.0000000005z",
	} {
		f.Add(cell)
	}
	f.Fuzz(equalsTime)
}

// timeless is a lap of two channels and clock times.
var timeless = Params{
	Time:     Time{Column: "TIME", Scale: 1, Clock: true},
	Channels: []Channel{{"acc_z", "AZ", "g"}, {"toe", "SG", "ustrain"}},
	StartS:   nan, EndS: nan,
}

// Clock times give what the same times give as numbers, in s since midnight of the
// first day.
func TestClockTimes(t *testing.T) {
	numbers := "TIME,AZ,SG\n86399.5,1,2\n86399.75,2,3\n86400,3,5\n86400.25,4,7\n86400.5,5,9\n"
	with := func(header string, cells ...string) string {
		rows := strings.Split(strings.TrimSpace(numbers), "\n")
		rows[0] = header
		for i, c := range cells {
			rows[i+1] = c + rows[i+1][strings.IndexByte(rows[i+1], ','):]
		}
		return strings.Join(rows, "\n") + "\n"
	}
	ofDay := []string{"23:59:59.5", "23:59:59.75", "00:00:00", "0:00:00.25", "00:00:00.500000000"}
	tests := []struct{ reason, content string }{
		{"times of day past midnight", with("TIME,AZ,SG", ofDay...)},
		{"decimal commas", strings.ReplaceAll(strings.ReplaceAll(with("TIME,AZ,SG", ofDay...), ",", ";"), ".", ",")},
		{"a decimal comma of the clock alone, quoted", strings.Replace(with("TIME,AZ,SG", ofDay...), "23:59:59.5", `"23:59:59,5"`, 1)},
		{"a units row of the clock", strings.Replace(with("TIME,AZ,SG", ofDay...), "\n", "\nhh:mm:ss.ms,g,ue\n", 1)},
		{"a units row in s", strings.Replace(with("TIME,AZ,SG", ofDay...), "\n", "\ns,g,ue\n", 1)},
		{"dates", with("TIME,AZ,SG", "2031-12-31T23:59:59.5", "2031-12-31 23:59:59.75", "2032-01-01T00:00:00", "2032-01-01T00:00:00.25", "2032-01-01T00:00:00.5")},
		{"an offset that changes, as with summer time", with("TIME,AZ,SG", "2031-10-26T23:59:59.5+02:00", "2031-10-26T21:59:59.75Z",
			"2031-10-26T23:00:00+01", "2031-10-27T00:00:00.25+0200", "2031-10-27T02:00:00.5+04:00")},
	}
	for _, cut := range []Params{timeless, {Time: timeless.Time, Channels: timeless.Channels, StartS: 86399.75, EndS: 86400.4}} {
		plain := cut
		plain.Time.Clock = false
		want, err := run(t, plain, "a.csv", []byte(numbers))
		if err != nil {
			t.Fatal(err)
		}
		for _, tt := range tests {
			got, err := run(t, cut, "a.csv", []byte(tt.content))
			if err != nil {
				t.Errorf("%s: %v", tt.reason, err)
				continue
			}
			for i := range want {
				if want[i].Name != QualityOutput && !bytes.Equal(got[i].Frame.AppendEncoded(nil), want[i].Frame.AppendEncoded(nil)) {
					t.Errorf("%s: %s: %v %v, want %v %v", tt.reason, want[i].Name, got[i].Frame.Attrs(), got[i].Frame.Columns(), want[i].Frame.Attrs(), want[i].Frame.Columns())
				}
			}
		}
	}
}

func TestClock(t *testing.T) {
	tests := []struct {
		reason string
		cells  []string
		want   []float64
	}{
		{"a wrong stamp near midnight does not move those after it", []string{"23:59:59", "00:00:00", "23:59:59.5", "00:00:00.5"}, []float64{86399, 86400, 86399.5, 86400.5}},
		{"a wrong stamp by day is no midnight", []string{"13:45:07", "00:00:00", "13:45:08"}, []float64{49507, 0, 49508}},
		{"time that goes back is no midnight", []string{"13:45:07", "12:45:07"}, []float64{49507, 45907}},
		{"a second midnight", []string{"23:59:59", "00:00:00", "12:00:00", "23:59:59", "00:00:01"}, []float64{86399, 86400, 129600, 172799, 172801}},
		{"an empty cell", []string{"23:59:59", "", "00:00:00"}, []float64{86399, nan, 86400}},
		{"a day of 86400 s, whether or not it had a leap second", []string{"2016-12-31T23:59:59Z", "2017-01-01T00:00:00Z"}, []float64{86399, 86400}},
		{"a clock that has not been set yet", []string{"1970-01-01T00:00:05", "2031-05-04T13:45:07.5"}, []float64{5, 22403*86400 + 49507.5}},
		{"far beyond ns of int64", []string{"0000-01-01T00:00:00", "9999-12-31T23:59:59"}, []float64{0, 315569519999}},
	}
	for _, tt := range tests {
		k := clockColumn{column: "TIME"}
		var got []float64
		for i, c := range tt.cells {
			v, err := k.read([]byte(c), "line", i)
			if err != nil {
				t.Fatalf("%s: %v", tt.reason, err)
			}
			got = append(got, v)
		}
		if diff := cmp.Diff(tt.want, got, cmpopts.EquateNaNs()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}

func TestTimesOfAnotherKind(t *testing.T) {
	cut := func(p Params) Params {
		p.StartS, p.EndS = 10, 20
		return p
	}
	columns, err := os.ReadFile("testdata/moments.arrow")
	if err != nil {
		t.Fatal(err)
	}
	of := func(column string, asClock bool) Params {
		return Params{Time: Time{Column: column, Scale: 1, Clock: asClock}, Channels: []Channel{{"acc_z", "AZ", ""}}, StartS: nan, EndS: nan}
	}
	ms := timeless
	ms.Time.Clock, ms.Time.Scale = false, 1e-3
	tests := []struct {
		reason  string
		p       Params
		content string
		want    string
	}{
		{"a clock time is no number", cradle, "TIME,AZ,SG\n13:45:07.125,1,2\n13:45:07.25,1,2\n",
			`line 2, column "TIME": found "13:45:07.125", a clock time, where a number is expected; state time: {column: TIME, unit: clock}`},
		{"nor in ms, dated and quoted", ms, "TIME,AZ,SG\n\"2031-05-04 13:45:07\",1,2\n",
			`line 2, column "TIME": found "2031-05-04 13:45:07", a clock time, where a number is expected; state time: {column: TIME, unit: clock}`},
		{"nor in another form", cradle, "TIME,AZ,SG\n04.05.2031 1:45:07 PM,1,2\n",
			`line 2, column "TIME": found "04.05.2031 1:45:07 PM", a clock time, where a number is expected; state time: {column: TIME, unit: clock}`},
		{"of a lap that is cut out neither", cut(cradle), "TIME,AZ,SG\n13:45:07.125,1,2\n13:45:07.25,1,2\n",
			`line 2, column "TIME": found "13:45:07.125", a clock time, where a number is expected; state time: {column: TIME, unit: clock}`},
		{"a number is no clock time", timeless, "TIME,AZ,SG\n0.5,1,2\n",
			`line 2, column "TIME": found "0.5" where a clock time such as 13:45:07.125 or 2031-05-04T13:45:07.125Z is expected; state the numbers' unit, as in time: {column: TIME, unit: s}`},
		{"of a lap that is cut out neither", cut(timeless), "TIME,AZ,SG\n0.5,1,2\n",
			`line 2, column "TIME": found "0.5" where a clock time such as 13:45:07.125 or 2031-05-04T13:45:07.125Z is expected; state the numbers' unit, as in time: {column: TIME, unit: s}`},
		{"another form", timeless, "TIME,AZ,SG\n13:45:07,1,2\n13:45,1,2\n",
			`line 3, column "TIME": found "13:45" where a clock time such as 13:45:07.125 or 2031-05-04T13:45:07.125Z is expected; it has no hours, or no seconds: export as h:mm:ss.fff, or correct the cell and export again`},
		{"a date that comes later", timeless, "TIME,AZ,SG\n13:45:07,1,2\n2031-05-04 13:45:08,1,2\n",
			`line 3, column "TIME": found "2031-05-04 13:45:08", but not every time states a date and an offset from UTC just as the first does; correct the cell and export again`},
		{"an offset that goes", timeless, "TIME,AZ,SG\n2031-05-04T13:45:07Z,1,2\n2031-05-04T13:45:08,1,2\n",
			`line 3, column "TIME": found "2031-05-04T13:45:08", but not every time states a date and an offset from UTC just as the first does; correct the cell and export again`},
		{"a units row of another unit", timeless, "TIME,AZ,SG\nms,g,-\n13:45:07,1,2\n",
			`column "TIME": the recording says "ms", the season "clock"; correct the unit of time or the recording`},
		{"numbers in columns", of("S", true), string(columns),
			`column "S": it holds float64 where clock times are expected; state the numbers' unit, as in time: {column: S, unit: s}`},
		{"texts in columns", of("TEXT", false), string(columns),
			`column "TEXT": it holds texts (utf8) where numbers are expected; if they are clock times, state time: {column: TEXT, unit: clock}`},
		{"MDF", timeless, string(mdfOf(place{kind: "DT"}, floats())),
			`column "TIME": an MDF file holds numbers and no clock times; state their unit, as in time: {column: TIME, unit: s}`},
	}
	for _, tt := range tests {
		_, err := run(t, tt.p, "a.csv", []byte(tt.content))
		var r *stages.Refusal
		if !errors.As(err, &r) || r.Reason != tt.want {
			t.Errorf("%s: error\n%v\nwant a refusal\n%s", tt.reason, err, tt.want)
		}
	}
}

// testdata/moments.arrow was written by Arrow's Go library: four rows 0.25 s apart from
// 2031-05-05T23:59:59.75Z on, as timestamps, times of day, texts and numbers.
func TestClockTimesInColumns(t *testing.T) {
	tests := []struct {
		column, reason string
		clock          bool
		want           []float64
	}{
		{"AT", "a timestamp counts from midnight in UTC", true, []float64{86399.75, 86400, 86400.25, 86400.5}},
		{"OF_DAY", "a time of day passes midnight", true, []float64{86399.75, 86400, 86400.25, 86400.5}},
		{"TEXT", "texts as in a text recording, offsets apart", true, []float64{86399.75, 86400, 86400.25, 86400.5}},
		{"AT", "in s a timestamp counts from the first", false, []float64{0, 0.25, 0.5, 0.75}},
	}
	for _, tt := range tests {
		got, err := ReadTrack(context.Background(), "testdata/moments.arrow", Time{Column: tt.column, Scale: 1, Clock: tt.clock}, []Channel{{"a", "AZ", ""}})
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		if diff := cmp.Diff(&Track{Times: tt.want, Columns: [][]float64{{-1.5, -0.5, 2.5, 7.5}}}, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}
