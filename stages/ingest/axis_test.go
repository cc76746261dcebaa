package ingest

import (
	"bytes"
	gocmp "cmp"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// sheet is a recording of 2000 rows at 1000 Hz from 5 s on, written by rows: a cell is
// empty where a column's function says so.
func sheet(stamp func(row int) float64, empty map[string]func(row int) bool, columns ...string) []byte {
	rng := rand.New(rand.NewPCG(2, 12))
	var b bytes.Buffer
	b.WriteString("TIME," + strings.Join(columns, ",") + "\n")
	for row := range 2000 {
		b.WriteString(strconv.FormatFloat(stamp(row), 'g', -1, 64))
		for _, c := range columns {
			cell := fmt.Sprintf(",%.4f", rng.NormFloat64())
			if f := empty[c]; f != nil && f(row) {
				cell = ","
			}
			b.WriteString(cell)
		}
		b.WriteString("\n")
	}
	return b.Bytes()
}

func evenRows(row int) float64 { return math.Round(5000+float64(row)) / 1000 }

// wanted reads columns in channels of the same names.
func wanted(columns ...string) Params {
	p := Params{Time: Time{Column: "TIME", Scale: 1}, StartS: nan, EndS: nan}
	for _, c := range columns {
		p.Channels = append(p.Channels, Channel{c, c, "g"})
	}
	return p
}

// figuresOf are the numbers and texts of a channel's quality.
func figuresOf(t *testing.T, outs []stages.Output, channel int) map[string]any {
	t.Helper()
	f := outs[len(outs)-1].Frame
	all := map[string]any{}
	for _, c := range f.Columns() {
		if v, err := frame.Get[[]float64](f, c.Name); err == nil {
			all[c.Name] = v[channel]
		} else if v, err := frame.Get[[]int64](f, c.Name); err == nil {
			all[c.Name] = float64(v[channel])
		} else if v, err := frame.Get[[]string](f, c.Name); err == nil {
			all[c.Name] = v[channel]
		}
	}
	return all
}

// Law: whatever cells a channel lacks, the other channels' signals and quality are those
// of a reading without it.
func TestEmptyCellsConcernTheirChannelAlone(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 7))
	jitter := func(row int) float64 { return evenRows(row) + float64(row*row%7)*4e-5 }
	faults := map[string]func(row int) bool{
		"one":             func(row int) bool { return row == 700 },
		"the first":       func(row int) bool { return row == 0 },
		"the last":        func(row int) bool { return row == 1999 },
		"some":            func(int) bool { return rng.IntN(30) == 0 },
		"a slow channel":  func(row int) bool { return row%20 != 3 },
		"one that starts": func(row int) bool { return row < 900 },
	}
	for what, fault := range faults {
		for at, stamp := range map[string]func(int) float64{"even": evenRows, "jitter": jitter} {
			content := sheet(stamp, map[string]func(int) bool{"B": fault}, "A", "B", "C")
			got, err := run(t, wanted("A", "B", "C"), "a.csv", content)
			if err != nil {
				t.Fatalf("%s, %s: %v", what, at, err)
			}
			want, err := run(t, wanted("A", "C"), "a.csv", content)
			if err != nil {
				t.Fatal(err)
			}
			for k, pair := range [][2]int{{0, 0}, {2, 1}} {
				if !bytes.Equal(got[pair[0]].Frame.AppendEncoded(nil), want[pair[1]].Frame.AppendEncoded(nil)) {
					t.Errorf("%s, %s: the other channel %d is another signal", what, at, k)
				}
				if diff := cmp.Diff(figuresOf(t, want, pair[1]), figuresOf(t, got, pair[0]), near12); diff != "" {
					t.Errorf("%s, %s: the other channel %d: %s", what, at, k, diff)
				}
			}
		}
	}
}

// A channel with samples in every k-th row is slower than its file.
func TestSlowChannels(t *testing.T) {
	type want struct {
		rate, start float64
		samples     int
		uniform     bool
		missing     float64
		missingAt   string
		lost        float64
	}
	every := func(k, phase int, holes ...int) func(int) bool {
		return func(row int) bool { return row%k != phase || slices.Contains(holes, row) }
	}
	dropped := func(row int) float64 { // a second is lost after row 1000
		if row > 1000 {
			row += 1000
		}
		return evenRows(row)
	}
	tests := []struct {
		reason string
		stamp  func(int) float64
		empty  func(int) bool
		want   want
	}{
		{"every 20th row", evenRows, every(20, 0), want{50, 5, 100, true, 0, "", 0}},
		{"another phase: it starts later", evenRows, every(20, 7), want{50, 5.007, 100, true, 0, "", 0}},
		{"every 3rd row: a rate that is no whole number", evenRows, every(3, 1), want{1000.0 / 3, 5.001, 667, true, 0, "", 0}},
		{"every second row", evenRows, every(2, 1), want{500, 5.001, 1000, true, 0, "", 0}},
		{"two holes", evenRows, every(20, 0, 400, 1000), want{50, 5, 98, false, 2, `line 402, column "B"`, 0.02}},
		{"a hole at the beginning shows by the phase", evenRows, every(20, 3, 3), want{50, 5.023, 99, true, 1, `line 5, column "B"`, 0.01}},
		{"one at the end", evenRows, every(20, 3, 1983), want{50, 5.003, 99, true, 1, `line 1985, column "B"`, 0.01}},
		{"a sample off the grid is a rare exception", evenRows, func(row int) bool { return row%20 != 0 && row != 505 },
			want{50, 5, 101, false, 0, "", 0}},
		{"a third is lost", evenRows, func(row int) bool { return row%20 != 0 || row/20%3 == 1 }, want{50, 5, 67, false, 33, `line 22, column "B"`, 0.33}},
		{"rows that are lost are lost to it too", dropped, every(20, 0), want{50, 5, 100, false, 0, "", 50.0 / 150}},
		{"irregular empty cells are missing", evenRows, func(row int) bool { return row*row%1009 > 600 }, want{1000, 5, 1180, false, 820, `line 27, column "B"`, 0.41}},
		{"a tenth, though regular, is missing: nine in ten rows are no grid", evenRows, func(row int) bool { return row%10 == 4 },
			want{1000, 5, 1800, false, 200, `line 6, column "B"`, 0.1}},
	}
	for _, tt := range tests {
		outs, err := run(t, wanted("A", "B"), "a.csv", sheet(tt.stamp, map[string]func(int) bool{"B": tt.empty}, "A", "B"))
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		f, q := outs[1].Frame, figuresOf(t, outs, 1)
		got := want{samples: f.Rows(), missing: q["missing"].(float64), missingAt: q["missing_at"].(string), lost: q["lost_share"].(float64)}
		got.rate, _ = f.Number("rate_hz")
		got.start, _ = f.Number("start_s")
		_, stamped := f.Column("time_s")
		got.uniform = !stamped
		if diff := cmp.Diff(tt.want, got, cmp.AllowUnexported(want{}), near12); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}

// A slow channel's samples are those of its rows, whatever the others do.
func TestSlowChannelIsThatOfAFileOfItsOwn(t *testing.T) {
	content := sheet(evenRows, map[string]func(int) bool{"B": func(row int) bool { return row%20 != 7 }}, "A", "B")
	got, err := run(t, wanted("A", "B"), "a.csv", content)
	if err != nil {
		t.Fatal(err)
	}
	own := "TIME,B\n"
	for line := range strings.Lines(string(content)) {
		if cells := strings.Split(strings.TrimSpace(line), ","); cells[0] != "TIME" && cells[2] != "" {
			own += cells[0] + "," + cells[2] + "\n"
		}
	}
	want, err := run(t, wanted("B"), "own.csv", []byte(own))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got[1].Frame.AppendEncoded(nil), want[0].Frame.AppendEncoded(nil)) {
		t.Errorf("%v, in a file of its own %v", got[1].Frame.Attrs(), want[0].Frame.Attrs())
	}
}

// A lap that lacks many samples shows it, whatever the way in which it lacks them; one
// that lacks more than half is refused.
func TestLostShare(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	random := func(odds float64) func(int) float64 {
		at, last := 0, -1
		return func(row int) float64 {
			for ; last < row; last++ {
				for at++; rng.Float64() < odds; at++ {
				}
			}
			return evenRows(at)
		}
	}
	tests := []struct {
		reason             string
		stamp              func(int) float64
		lost, within, rate float64 // lost 1 = refused
		unsteady           float64 // at least
	}{
		{"nothing", evenRows, 0, 0, 1000, 0},
		{"1000 Hz, then 500 Hz for good", func(row int) float64 { return evenRows(row + max(0, row-1000)) }, 1.0 / 3, 1e-3, 1000, 0.5},
		{"every third sample at random", random(1.0 / 3), 1.0 / 3, 0.03, 1000, 0.2},
		{"bit under half at random", random(0.45), 0.45, 0.03, 1000, 0.3},
		{"six in ten at random", random(0.6), 1, 0, 0, 0},
		{"in runs of 300, no gap longer than the one before", func(row int) float64 { return evenRows(row + row/500*300) }, 900.0 / 2900, 1e-9, 1000, 0},
		{"in runs of 9", func(row int) float64 { return evenRows(row + row/7*9) }, 1, 0, 0, 0},
		{"700 Hz in whole milliseconds and a gap: rounding loses none", func(row int) float64 {
			return math.Round(5000+float64(row+20*(row/1500))/0.7) / 1000
		}, 20.0 / 2020, 1e-3, 700, 0},
	}
	for _, tt := range tests {
		outs, err := run(t, wanted("A"), "a.csv", sheet(tt.stamp, nil, "A"))
		var r *stages.Refusal
		if tt.lost == 1 {
			if !errors.As(err, &r) || !strings.Contains(r.Reason, "samples are not there, over half, from line ") {
				t.Errorf("%s: error %v, want a refusal that says how many samples are not there", tt.reason, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		q := figuresOf(t, outs, 0)
		rate, lost, unsteady := q["rate_hz"].(float64), q["lost_share"].(float64), q["unsteady"].(float64)
		if math.Abs(rate/tt.rate-1) > 1e-3 || math.Abs(lost-tt.lost) > tt.within || unsteady < tt.unsteady {
			t.Errorf("%s: rate %v, lost %v, unsteady %v; want %v, %v within %v, %v or more", tt.reason, rate, lost, unsteady, tt.rate, tt.lost, tt.within, tt.unsteady)
		}
		if present, duration := q["present_rate_hz"].(float64), q["duration_s"].(float64); math.Abs(present*duration-2000) > 1e-6 {
			t.Errorf("%s: %v Hz are there over %v s, want 2000 samples", tt.reason, present, duration)
		}
	}
}

// Places name the row with its time.
func TestPlaces(t *testing.T) {
	empty := map[string]func(int) bool{"A": func(row int) bool { return row == 50 }}
	content := strings.Split(string(sheet(evenRows, empty, "A")), "\n")
	set := func(row int, cell string) {
		stamp, _, _ := strings.Cut(content[1+row], ",")
		content[1+row] = stamp + "," + cell
	}
	set(300, "99")
	for i := range 200 {
		set(600+i, "0.5")
	}
	for row := 1200; row < 2000; row++ {
		_, cell, _ := strings.Cut(content[1+row], ",")
		v, _ := strconv.ParseFloat(cell, 64)
		set(row, fmt.Sprint(v+20))
	}
	content[1+1500] = "6.4" + content[1+1500][strings.IndexByte(content[1+1500], ','):]
	for row := range 3 { // the sensor's range
		set(1900+row, "-60")
	}
	p := wanted("A")
	p.Ranges = []float64{60}
	outs, err := run(t, p, "a.csv", []byte(strings.Join(content, "\n")))
	if err != nil {
		t.Fatal(err)
	}
	q := figuresOf(t, outs, 0)
	want := map[string]any{
		"missing_at": `line 52, column "A"`, "missing_at_s": 5.05,
		"backward_at": `line 1502, column "TIME"`, "backward_at_s": 6.4,
		"gap_at": `line 53, column "A"`, "gap_at_s": 5.051, // that after line 1502 is as long
		"spikes_at": `line 302, column "A"`, "spikes_at_s": 5.3,
		"flat_at": `line 602, column "A"`, "flat_at_s": 5.6,
		"clipped_at": `line 302, column "A"`, "clipped_at_s": 5.3,
	}
	got := map[string]any{}
	for name := range want {
		got[name] = q[name]
	}
	if diff := cmp.Diff(want, got, near12); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if at := q["steps_at_s"].(float64); math.Abs(at-6.2) > 2000.0/64/1000 || q["steps_at"] == "" {
		t.Errorf("the shift is at %v, %v s, want within a block of 6.2 s", q["steps_at"], at)
	}
}

// message is a row that holds a sample of one channel.
type message struct {
	at      float64
	channel string
}

// logOf writes messages in the order of their stamps, one a row, with the channels'
// columns and other empty cells.
func logOf(messages []message, columns ...string) []byte {
	rng := rand.New(rand.NewPCG(8, 30))
	slices.SortStableFunc(messages, func(a, b message) int { return gocmp.Compare(a.at, b.at) })
	var b bytes.Buffer
	b.WriteString("TIME," + strings.Join(columns, ",") + "\n")
	for _, m := range messages {
		b.WriteString(strconv.FormatFloat(m.at, 'g', -1, 64))
		for _, c := range columns {
			b.WriteString(",")
			if c == m.channel {
				fmt.Fprintf(&b, "%.4f", rng.NormFloat64())
			}
		}
		b.WriteString("\n")
	}
	return b.Bytes()
}

// clock is the messages of a channel from a time on, so many at a rate, each stamp off
// by up to jitter steps; some are lost.
func clock(channel string, start, rate float64, n int, jitter float64, lost ...int) (out []message) {
	rng := rand.New(rand.NewPCG(uint64(n), 5))
	for i := range n {
		if off := jitter * (rng.Float64() - 0.5) * 2; !slices.Contains(lost, i) {
			out = append(out, message{math.Round(1e6*(start+(float64(i)+off)/rate)) / 1e6, channel})
		}
	}
	return out
}

// Channels that are not sampled together have rows of their own: the rows of the others
// are neither gaps of a channel nor samples that it lacks.
func TestRowsOfOtherChannels(t *testing.T) {
	type want struct {
		rate             float64
		samples, missing int
		gaps             float64
		uniform          bool
		lost             float64
	}
	const fast, slow = "A", "G"
	tests := []struct {
		reason     string
		messages   [][]message
		a, g       want
		rateWithin float64
	}{
		{"between the others' rows",
			[][]message{clock(fast, 5, 1000, 4000, 0), clock(slow, 5.0303, 10, 40, 0)},
			want{1000, 4000, 0, 0, true, 0}, want{10, 40, 0, 0, true, 0}, 1e-9},
		{"with the same stamps, in rows of their own",
			[][]message{clock(fast, 5, 1000, 4000, 0), clock(slow, 5.03, 10, 40, 0)},
			want{1000, 4000, 0, 0, true, 0}, want{10, 40, 0, 0, true, 0}, 1e-9},
		{"three rates that have no common one",
			[][]message{clock(fast, 5, 1000, 4000, 0), clock(slow, 5.0004, 7, 28, 0), clock("C", 5.0001, 33, 130, 0)},
			want{1000, 4000, 0, 0, true, 0}, want{7, 28, 0, 0, true, 0}, 1e-6},
		{"with jitter", [][]message{clock(fast, 5, 1000, 4000, 0.1), clock(slow, 5.0303, 10, 40, 0.1)},
			want{1000, 4000, 0, 0, false, 0}, want{10, 40, 0, 0, false, 0}, 5e-3},
		{"each has lost some: the rows of the other stand in for the fast one's",
			[][]message{clock(fast, 5, 1000, 4000, 0, 100, 2000, 2001), clock(slow, 5.0303, 10, 40, 0, 7)},
			want{1000, 3997, 0, 2, false, 3.0 / 4000}, want{10, 39, 1, 1, false, 1.0 / 40}, 1e-6},
	}
	for _, tt := range tests {
		columns := []string{fast, slow, "C"}
		outs, err := run(t, wanted(columns[:len(tt.messages)]...), "a.csv", logOf(slices.Concat(tt.messages...), columns...))
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		for i, w := range []want{tt.a, tt.g} {
			q := figuresOf(t, outs, i)
			_, stamped := outs[i].Frame.Column("time_s")
			got := want{q["rate_hz"].(float64), outs[i].Frame.Rows(), int(q["missing"].(float64)), q["gaps"].(float64), !stamped, q["lost_share"].(float64)}
			if math.Abs(got.rate/w.rate-1) <= tt.rateWithin {
				got.rate = w.rate
			}
			if diff := cmp.Diff(w, got, cmp.AllowUnexported(want{}), near12); diff != "" {
				t.Errorf("%s, channel %d (-want +got):\n%s", tt.reason, i, diff)
			}
		}
	}
}

// Law: a channel that is read beside others that have rows of their own is that of a
// file of its own.
func TestRowsOfItsOwnAreAFileOfItsOwn(t *testing.T) {
	for reason, start := range map[string]float64{"at its own instants": 5.0303, "at others' instants": 5.03} {
		fast, slow := clock("A", 5, 1000, 4000, 0), clock("G", start, 10, 38, 0)
		content := logOf(slices.Concat(fast, slow), "A", "G")
		for from, to := range map[float64]float64{nan: nan, 5.5: 7.25} {
			p := wanted("A", "G")
			p.StartS, p.EndS = from, to
			got, err := run(t, p, "a.csv", content)
			if err != nil {
				t.Fatalf("%s: %v", reason, err)
			}
			for i, c := range []string{"A", "G"} {
				own := "TIME," + c + "\n"
				for line := range strings.Lines(string(content)) {
					if cells := strings.Split(strings.TrimSpace(line), ","); cells[0] != "TIME" && cells[1+i] != "" {
						own += cells[0] + "," + cells[1+i] + "\n"
					}
				}
				q := wanted(c)
				q.StartS, q.EndS = from, to
				want, err := run(t, q, "own.csv", []byte(own))
				if err != nil {
					t.Fatal(err)
				}
				if !bytes.Equal(got[i].Frame.AppendEncoded(nil), want[0].Frame.AppendEncoded(nil)) {
					t.Errorf("%s, channel %s: %v, %d samples; in a file of its own %v, %d", reason, c,
						got[i].Frame.Attrs(), got[i].Frame.Rows(), want[0].Frame.Attrs(), want[0].Frame.Rows())
				}
			}
		}
	}
}

// Rows of one stamp are one row if no channel has two samples in them, and are named by
// the first of them; if one has, time stands still.
func TestSplitRows(t *testing.T) {
	content := "TIME,A,B\n0,1,\n0,,2\n1,,4\n1,3,\n2,5,6\n2,,\n3,7,\n3,,8\n4,9,10\n4,,11\n5,12,\n"
	outs, err := run(t, wanted("A", "B"), "a.csv", []byte(content))
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range [][]float64{{1, 3, 5, 7, 9, 12}, {2, 4, 6, 8, 10}} {
		if got, _ := frame.Numbers(outs[i].Frame, "value", nil); !slices.Equal(got, want) {
			t.Errorf("channel %d: %v, want %v", i, got, want)
		}
	}
	q := figuresOf(t, outs, 1)
	want := map[string]any{"missing": 1.0, "missing_at": `line 12, column "B"`, "backward": 1.0, "backward_at": `line 11, column "TIME"`}
	for name, v := range want {
		if q[name] != v {
			t.Errorf("%s is %v, want %v", name, q[name], v)
		}
	}
}

// A slow channel of a lap whose rows are not even is told by its own stamps, whatever
// it lacks.
func TestSlowChannelsOfUnevenRows(t *testing.T) {
	jitter := func(row int) float64 { return evenRows(row) + float64(row*row%7)*4e-5 }
	tests := []struct {
		reason  string
		empty   func(row int) bool
		rate    float64
		missing float64
		at      string
	}{
		{"every 20th row", func(row int) bool { return row%20 != 7 }, 50, 0, ""},
		{"the last phase", func(row int) bool { return row%20 != 19 }, 50, 0, ""},
		{"a hole", func(row int) bool { return row%20 != 7 || row == 407 }, 50, 1, `line 409, column "B"`},
		{"holes at both ends", func(row int) bool { return row%20 != 7 || row == 7 || row > 1950 }, 50, 3, `line 9, column "B"`},
		{"every row but the first", func(row int) bool { return row == 0 }, 1000, 1, `line 2, column "B"`},
		{"every row but the last two", func(row int) bool { return row > 1997 }, 1000, 2, `line 2000, column "B"`},
		{"one in three at random lacks", func(row int) bool { return row*row*row%1009 < 336 }, 1000, 614, `line 2, column "B"`},
	}
	for _, tt := range tests {
		outs, err := run(t, wanted("A", "B"), "a.csv", sheet(jitter, map[string]func(int) bool{"B": tt.empty}, "A", "B"))
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		q := figuresOf(t, outs, 1)
		if rate := q["rate_hz"].(float64); math.Abs(rate/tt.rate-1) > 2e-3 {
			t.Errorf("%s: rate %v, want %v", tt.reason, rate, tt.rate)
		}
		if q["missing"] != tt.missing || q["missing_at"] != tt.at {
			t.Errorf("%s: %v missing, the first on %v; want %v, %s", tt.reason, q["missing"], q["missing_at"], tt.missing, tt.at)
		}
	}
}

// What is missing follows from how the rows were made.
func TestHolesAtTheEndsOfALap(t *testing.T) {
	tests := []struct {
		reason      string
		empty       func(row int) bool
		rate        float64
		gaps, steps float64
	}{
		{"the second half is blank", func(row int) bool { return row >= 1000 }, 0, 1, 1000},
		{"the first rows are blank", func(row int) bool { return row < 300 }, 0, 1, 300},
		{"the second half, without a time column", func(row int) bool { return row >= 1000 }, 1000, 1, 1000},
		{"the last row alone is no gap", func(row int) bool { return row == 1999 }, 0, 0, 0},
		{"a slower channel has none", func(row int) bool { return row%10 != 7 }, 0, 0, 0},
		{"a slower channel that stops", func(row int) bool { return row%10 != 7 || row >= 1500 }, 0, 1, 50.2},
	}
	for _, tt := range tests {
		p := wanted("A", "B")
		if tt.rate > 0 {
			p.Time = Time{Rate: tt.rate}
		}
		outs, err := run(t, p, "a.csv", sheet(evenRows, map[string]func(int) bool{"B": tt.empty}, "A", "B"))
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		whole, q := figuresOf(t, outs, 0), figuresOf(t, outs, 1)
		if q["gaps"] != tt.gaps || math.Abs(q["gap_steps"].(float64)-tt.steps) > 1e-6 || whole["gaps"] != 0.0 {
			t.Errorf("%s: %v gaps, the longest %v steps, and %v of the other channel; want %v, %v and none",
				tt.reason, q["gaps"], q["gap_steps"], whole["gaps"], tt.gaps, tt.steps)
		}
	}
}

// A clock that falls does so where the rows were made to.
func TestFallOfTheClock(t *testing.T) {
	fell := func(at int, by float64) []byte {
		return paced(2000, func(i int) string {
			if i >= at {
				return fmt.Sprintf("%.3f", 5000+float64(i)/1000-by)
			}
			return fmt.Sprintf("%.3f", 5000+float64(i)/1000)
		})
	}
	tests := []struct {
		reason  string
		content []byte
		want    string
	}{
		{"an hour, before the longer part", fell(700, 3600), `line 2, column "TIME"; the clock falls by 3600 s on line 702 (change of summer time?); what is left out are rows before it`},
		{"an hour, after the longer part", fell(1300, 3600), `line 1302, column "TIME"; the clock falls by 3600 s on line 1302 (change of summer time?); what is left out are rows from it on`},
		{"a fifth of a second", fell(1000, 0.2), `line 1002, column "TIME"; the clock falls by 0.199 s on line 1002; what is left out are rows from it on`},
		{"a wrong stamp is no fall", paced(2000, func(i int) string { return fmt.Sprintf("%.3f", float64(i-1000*(i/1500)*(1-i/1501))/1000) }), `line 1502, column "TIME"`},
	}
	for _, tt := range tests {
		outs, err := run(t, cradle, "a.csv", tt.content)
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		if got := figuresOf(t, outs, 0)["backward_at"]; got != tt.want {
			t.Errorf("%s:\n%s\nwant\n%s", tt.reason, got, tt.want)
		}
	}
}

// A channel far slower than its file, whose rate it does not divide, has its samples
// in the rows nearest to them; a channel that lacks as many at random does lack them.
func TestSlowChannelInTheNearestRows(t *testing.T) {
	const rows, rate = 20480, 1024.0
	for _, hz := range []float64{90, 300, 400} {
		var b strings.Builder
		b.WriteString("TIME,AZ,SG\n")
		due := 0
		for i := range rows {
			fmt.Fprintf(&b, "%.6f,%d,", float64(i)/rate, i%7)
			if i == int(math.Round(float64(due)*rate/hz)) {
				fmt.Fprint(&b, (i*i)%11)
				due++
			}
			b.WriteByte('\n')
		}
		p := Params{Time: Time{Column: "TIME", Scale: 1}, StartS: nan, EndS: nan, Channels: []Channel{{"toe", "SG", "ustrain"}}}
		out, err := run(t, p, "a.csv", []byte(b.String()))
		if err != nil {
			t.Errorf("%v Hz: %v", hz, err)
			continue
		}
		q := figuresOf(t, out, 0)
		if got := q["rate_hz"].(float64); math.Abs(got/hz-1) > 1e-3 || q["missing"] != 0.0 || q["gaps"] != 0.0 || q["lost_share"].(float64) > 0.001 {
			t.Errorf("%v Hz: %v", hz, q)
		}
	}
}

func TestChannelThatLacksSamplesAtRandom(t *testing.T) {
	for _, lost := range []float64{0.3, 0.45, 0.6} {
		rng := rand.New(rand.NewPCG(5, 6))
		var b strings.Builder
		b.WriteString("TIME,SG\n")
		n := 0
		for i := range 20000 {
			if rng.Float64() < lost {
				fmt.Fprintf(&b, "%.3f,\n", float64(i)/1000)
				n++
			} else {
				fmt.Fprintf(&b, "%.3f,%d\n", float64(i)/1000, rng.IntN(100))
			}
		}
		p := Params{Time: Time{Column: "TIME", Scale: 1}, StartS: nan, EndS: nan, Channels: []Channel{{"toe", "SG", "ustrain"}}}
		out, err := run(t, p, "a.csv", []byte(b.String()))
		if lost > mostLost {
			var r *stages.Refusal
			if !errors.As(err, &r) {
				t.Errorf("%v lost: error %v, want a refusal", lost, err)
			}
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if q := figuresOf(t, out, 0); q["rate_hz"] != 1000.0 || q["missing"] != float64(n) {
			t.Errorf("%v lost: %v Hz, %v missing; want 1000 Hz, %d", lost, q["rate_hz"], q["missing"], n)
		}
	}
}
