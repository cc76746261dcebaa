package ingest

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// longText is base's columns in n rows at 100 Hz.
func longText(n int) string {
	var b strings.Builder
	b.WriteString("TIME,AZ,SG\n")
	for i := range n {
		fmt.Fprintf(&b, "%.2f,%d,%d\n", float64(i)/100, i%7-3, i%5)
	}
	return b.String()
}

func asParquet(t testing.TB, n int) []byte {
	t.Helper()
	stamps, az, sg := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		stamps[i], az[i] = float64(i)/100, float64(i%7)
	}
	var b bytes.Buffer
	if err := frame.Must(nil, frame.Col("TIME", "s", stamps), frame.Col("AZ", "g", az), frame.Col("SG", "ustrain", sg)).WriteParquet(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func lapOf(start, end float64) Params {
	p := cradle
	p.StartS, p.EndS = start, end
	return p
}

// TestInspect looks at recordings that a run would refuse, and at some that it would
// not. What is found has to be true: the run has to refuse the lap.
func TestInspect(t *testing.T) {
	long, whole := longText(5000), lapOf(nan, nan)
	rate := whole
	rate.Time = Time{Rate: 100}
	mf4 := mdfOf(place{kind: "DT"}, floats())
	tests := []struct {
		reason  string
		content string
		p       Params
		want    []string // the beginning of each fault, behind the file's name
	}{
		{"nothing wrong", long, whole, nil},
		{"nothing wrong, few rows", base, whole, nil},
		{"two columns are missing and one is in another unit", "TIME [ms],A,S\n0,1,2\n1,1,2\n", whole, []string{
			`column "TIME": the recording says "ms"`, `line 1: no column "AZ"; nearest: "A"`, `line 1: no column "SG"; nearest: "S"`}},
		{"two units are other ones", "TIME,AZ [MPa],SG [km]\n0,1,2\n1,1,2\n", whole, []string{`column "AZ": the recording says "MPa"`, `column "SG": the recording says "km"`}},
		{"text in two columns of the first rows", "TIME,AZ,SG\n0,off,2\n1,1,none at all\n2,1,1\n", whole, []string{
			`line 2, column "AZ": found "off"`, `line 3, column "SG": found "none at all"`}},
		{"a clock time where s are expected, and text", "TIME,AZ,SG\n10:30:01.5,1,1\n10:30:01.6,1,off\n", whole, []string{
			`line 2, column "TIME": found "10:30:01.5"`, `line 3, column "SG": found "off"`}},
		{"a cell too many", "TIME,AZ,SG\n0,1,2\n1,1,2,3\n", whole, []string{`line 3 has 4 cells where the header on line 1 has 3`}},
		{"a cell too few in the first row", strings.Replace(long, "0.00,-3,0", "0.00,-3", 1), whole, []string{`line 2 has 2 cells`}},
		{"a header only", "TIME,AZ,SG\n", whole, []string{"the lap has 0 samples"}},
		{"a header and units only", "TIME,AZ,SG\ns,g,um/m\n", whole, []string{"the lap has 0 samples"}},
		{"one sample", "TIME,AZ,SG\n0,1,2\n", whole, []string{"the lap has 1 samples"}},
		{"cut within the last row", long[:len(long)-5], whole, []string{"line 5001 has 2 cells"}},
		{"cut within the last row of a long text", strings.TrimSuffix(longText(110_000), ",4\n"), whole, []string{"the last line has"}},
		{"cut within the last row, after the lap", long[:len(long)-5], lapOf(0, 2), nil},
		{"zero bytes at the end", long + strings.Repeat("\x00", 512), whole, []string{"line 5002 holds zero bytes"}},
		{"zero bytes at the end of a long text", longText(100_000) + strings.Repeat("\x00", 512), whole, []string{"holds zero bytes in its last"}},
		{"text in a row before the lap", "TIME,AZ,SG\n0,off,2\n1,1,2\n2,1,1\n3,1,1\n", lapOf(1, nan), nil},
		{"text in a row of the lap", "TIME,AZ,SG\n0,off,2\n1,1,2\n2,what,1\n3,1,1\n", lapOf(1, nan), []string{`line 4, column "AZ"`}},
		{"a start beyond the end", long, lapOf(50, nan), []string{"start_s 50 is outside the recording, which goes from 0 s to 49.99 s"}},
		{"start and end beyond the end", long, lapOf(60, 70), []string{"start_s 60 is", "end_s 70 is"}},
		{"an end beyond the end", long, lapOf(40, 51), []string{"end_s 51 is outside the recording, which goes from 0 s to 49.99 s"}},
		{"an end one sample after the last", long, lapOf(40, 50), nil},
		{"an end before the beginning", long, lapOf(nan, -1), []string{"end_s -1 is outside"}},
		{"a start before the beginning", long, lapOf(-5, 10), []string{"start_s -5 is outside"}},
		{"stamps of packets", string(paced(5000, func(i int) string { return fmt.Sprintf("%.2f", float64(i/10)/100) })), whole, []string{`line 3, column "TIME": the stamp is that of the row before`}},
		{"ms that are taken for s", string(paced(5000, func(i int) string { return fmt.Sprint(i) })), whole, []string{`column "TIME": steps of 1 make a rate of 1 Hz`}},
		{"a cut between two samples", long, lapOf(20.001, 20.004), []string{"the lap from start_s 20.001 to end_s 20.004 is shorter"}},
		{"a start beyond the end of few rows", base, lapOf(1, nan), []string{"start_s 1 is outside the recording, which goes from 0 s to 0.03 s"}},
		{"a start beyond the end of a gzip", string(zipped(t, []byte(long))), lapOf(50, nan), []string{"start_s 50"}},
		{"where the end of a gzip is not cheap to know", string(zipped(t, []byte(longText(100_000)))), lapOf(5000, nan), nil},
		{"a start beyond the end of utf-16", string(wideText(binary.LittleEndian, long)), lapOf(50, nan), []string{"start_s 50"}},
		{"an end beyond the rows of Parquet", string(asParquet(t, 300)), lapOf(1, 4), []string{"end_s 4 is outside the recording, which goes from 0 s to 2.99 s"}},
		{"an end within the rows of Parquet", string(asParquet(t, 300)), lapOf(1, 3), nil},
		{"Parquet of one row", string(asParquet(t, 1)), whole, []string{"the recording has 1 samples"}},
		{"Parquet without its columns", string(asParquet(t, 9)), Params{Time: Time{Column: "T", Scale: 1}, Channels: []Channel{{"a", "A", "g"}, {"b", "B", "g"}}, StartS: nan, EndS: nan},
			[]string{`no column "T"`, `no column "A"`, `no column "B"`}},
		{"a start beyond the samples of a stated rate", string(asParquet(t, 300)), Params{Time: rate.Time, Channels: rate.Channels, StartS: 5, EndS: nan}, []string{"start_s 5"}},
		{"a start beyond the records of MDF", string(mf4), lapOf(9, nan), []string{"start_s 9 is outside the recording, which goes from 0 s to 0.03 s"}},
		{"MDF without two columns", string(mf4), Params{Time: cradle.Time, Channels: []Channel{{"a", "A", "g"}, {"b", "B", "g"}}, StartS: nan, EndS: nan}, []string{`no channel "A"`, `no channel "B"`}},
		{"binary", strings.Repeat("\x07\x83\xfe\n", 40), whole, []string{"no line among the first 1000"}},
	}
	for _, tt := range tests {
		path := write(t, "a.rec", []byte(tt.content))
		got := Inspect(path, []Params{tt.p})[0].Faults
		var texts []string
		for i, err := range got {
			text := strings.TrimPrefix(err.Error(), `read "a.rec": `)
			if i < len(tt.want) && strings.HasPrefix(text, tt.want[i]) {
				text = tt.want[i]
			}
			if !strings.Contains(err.Error(), "; ") {
				t.Errorf("%s: no remedy in %q", tt.reason, err)
			}
			texts = append(texts, text)
		}
		if diff := cmp.Diff(tt.want, texts); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
		if _, err := tt.p.Run(context.Background(), stages.Inputs{File: stages.File{Path: path}}); err == nil && got != nil {
			t.Errorf("%s: the lap is found at fault and can be read", tt.reason)
		}
	}
}

// A text is looked at in its first megabyte and at its end: one of 64 MiB takes hardly
// longer than one of 2 MiB. Read in full it would take 32 times as long, however often a
// busy machine has it measured.
func TestInspectReadsNoTextInFull(t *testing.T) {
	p := lapOf(nan, nan)
	p.Time = Time{Rate: 100}
	block := strings.Repeat("1.5,2.5\n", 1<<17) // 1 MiB
	small := write(t, "small.csv", []byte("AZ,SG\n"+strings.Repeat(block, 2)))
	large := write(t, "large.csv", []byte("AZ,SG\n"+strings.Repeat(block, 64)))
	best := map[string]time.Duration{small: time.Hour, large: time.Hour}
	for round := 0; round < 9 || round < 100 && best[large] > 8*best[small]; round++ {
		for _, path := range []string{small, large} {
			began := time.Now()
			if faults := Inspect(path, []Params{p})[0].Faults; faults != nil {
				t.Fatal(faults)
			}
			best[path] = min(best[path], time.Since(began))
		}
	}
	if best[large] > 8*best[small] {
		t.Errorf("%v for 64 MiB, %v for 2 MiB", best[large], best[small])
	}
}

// Laps of one recording are told apart.
func TestInspectSeveralLaps(t *testing.T) {
	path := write(t, "a.csv", []byte(longText(5000)))
	other := lapOf(nan, nan)
	other.Channels = []Channel{{"x", "X", "g"}}
	got := Inspect(path, []Params{lapOf(0, 10), lapOf(60, 70), other, lapOf(10, 20)})
	for i, n := range []int{0, 2, 1, 0} {
		if len(got[i].Faults) != n {
			t.Errorf("lap %d: faults %v, expected %d", i, got[i].Faults, n)
		}
	}
	if math.Abs(got[0].Rate-100) > 1e-9 {
		t.Errorf("rate %v, expected 100", got[0].Rate)
	}
}
