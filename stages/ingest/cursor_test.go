package ingest

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// stint is a recording at 10 Hz of 60 s, whose sample is the number of its row.
func stint() (stamps, x []float64) {
	for i := range 600 {
		stamps, x = append(stamps, float64(i)/10), append(x, float64(i))
	}
	return stamps, x
}

// Only stamps at the lap matter: a lap from 20 s to 40 s, rows 200 to 399, is cut out of
// recordings in which some stamps are wrong.
func TestCutWithWrongStamps(t *testing.T) {
	from := func(first, last int) (rows []float64) {
		for i := first; i <= last; i++ {
			rows = append(rows, float64(i))
		}
		return rows
	}
	whole := from(200, 399)
	without := func(rows ...float64) []float64 {
		return slices.DeleteFunc(slices.Clone(whole), func(r float64) bool { return slices.Contains(rows, r) })
	}
	tests := []struct {
		reason string
		change map[int]float64
		want   []float64
	}{
		{"none", nil, whole},
		{"a stamp beyond the end does not end the lap", map[int]float64{250: 999999}, without(250)},
		{"nor do several", map[int]float64{250: 999999, 251: 50, 252: 999998, 300: 45}, without(250, 251, 252, 300)},
		{"a stamp of 0 does not begin it anew", map[int]float64{250: 0}, without(250)},
		{"a missing one", map[int]float64{250: nan}, without(250)},
		{"a stamp far ahead within the lap is the only one lost", map[int]float64{250: 35}, without(250)},
		{"what is before the lap need not be in order", map[int]float64{5: nan, 50: 0, 51: 3, 100: math.Inf(1), 101: -4}, whole},
		{"a stamp within the lap before it is none of its rows", map[int]float64{50: 30}, whole},
		{"nor are a few just before it", map[int]float64{197: 30, 198: 31}, whole},
		{"nor is one beyond its end", map[int]float64{50: 999999}, whole},
		{"what is behind the lap does not matter", map[int]float64{480: nan, 481: 0, 482: 30}, whole},
		{"wrong where the lap begins: by its place not known to be the lap's", map[int]float64{200: 0}, without(200)},
		{"wrong where the lap ends: by its place the lap's", map[int]float64{399: 999999}, without(399)},
		{"wrong just beyond the end: by its place not the lap's", map[int]float64{400: 999999}, whole},
		{"missing on both sides of the end", map[int]float64{398: nan, 399: nan, 400: nan, 401: nan}, without(398, 399)},
		{"the recording's first stamp is wrong", map[int]float64{0: 999999}, whole},
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			stamps, x := stint()
			for row, v := range tt.change {
				stamps[row] = v
			}
			p := Params{Time: Time{Column: "t", Scale: 1}, Channels: []Channel{{"x", "x", ""}}, StartS: 20, EndS: 40}
			for kind, content := range everyFormat(t, stamps, x) {
				got, err := run(t, p, "a."+kind, content)
				if err != nil {
					t.Fatalf("%s: %v", kind, err)
				}
				if diff := cmp.Diff(tt.want, column(t, got[0].Frame, "value")); diff != "" {
					t.Errorf("%s (-want +got):\n%s", kind, diff)
				}
			}
		})
	}
}

func asText(stamps, x []float64) []byte {
	text := []byte("t,x\n")
	for i := range x {
		text = fmt.Appendf(text, "%v,%v\n", stamps[i], x[i])
	}
	return text
}

// everyFormat is a recording in every format.
func everyFormat(t *testing.T, stamps, x []float64) map[string][]byte {
	var quoted strings.Builder
	quoted.WriteString("t,x\n")
	for i := range x {
		fmt.Fprintf(&quoted, "\"%v\",\"%v\"\n", stamps[i], x[i])
	}
	var b bytes.Buffer
	if err := frame.Must(nil, frame.Col("t", "s", stamps), frame.Col("x", "", x)).WriteParquet(&b); err != nil {
		t.Fatal(err)
	}
	g := group{values: 16, puts: []put{
		{name: "t", kind: master, sync: 1, data: 4, bits: 64, rows: stamps},
		{name: "x", data: 4, at: 8, bits: 64, rows: x},
	}}
	return map[string][]byte{"csv": asText(stamps, x), "quoted.csv": []byte(quoted.String()), "parquet": b.Bytes(),
		"mf4": mdfOf(place{kind: "DT"}, g)}
}

// What is wrong with lines before and behind a lap is not the lap's.
func TestFaultsOutsideTheLap(t *testing.T) {
	line := func(i int) string { return fmt.Sprintf("%v,%d", float64(i)/10, i) }
	tests := []struct {
		reason string
		change map[int]string
		fault  string
	}{
		{"a stamp that is no number, before", map[int]string{50: "off,50"}, ""},
		{"and behind", map[int]string{410: "off,410"}, ""},
		{"within", map[int]string{300: "off,300"}, `line 302, column "t": found "off"`},
		{"a short line behind", map[int]string{401: "40.1"}, ""},
		{"a short line within", map[int]string{300: "30"}, "line 302 has 1 cells"},
		{"a quote without end behind", map[int]string{405: `"40.5,405`}, ""},
		{"a blank line behind", map[int]string{405: ""}, ""},
		{"a word behind", map[int]string{405: "40.5,off"}, ""},
	}
	p := Params{Time: Time{Column: "t", Scale: 1}, Channels: []Channel{{"x", "x", ""}}, StartS: 20, EndS: 40}
	for _, tt := range tests {
		lines := []string{"t,x"}
		for i := range 600 {
			l, changed := tt.change[i]
			if !changed {
				l = line(i)
			}
			lines = append(lines, l)
		}
		got, err := run(t, p, "a.csv", []byte(strings.Join(lines, "\n")))
		var r *stages.Refusal
		switch {
		case tt.fault != "":
			if !errors.As(err, &r) || !strings.Contains(r.Reason, tt.fault) {
				t.Errorf("%s: error %v, want %s", tt.reason, err, tt.fault)
			}
		case err != nil:
			t.Errorf("%s: %v", tt.reason, err)
		case len(column(t, got[0].Frame, "value")) != 200:
			t.Errorf("%s: %d samples, want 200", tt.reason, len(column(t, got[0].Frame, "value")))
		}
	}
}

// Where a second recording follows in the same file, its clock from 0 again, the lap is
// the first one's.
func TestTwoRecordingsInAFile(t *testing.T) {
	for _, rows := range []int{401, 410, 599} { // of the first
		stamps, x := stint()
		more, y := stint()
		stamps, x = append(stamps[:rows:rows], more...), append(x[:rows:rows], y...)
		p := Params{Time: Time{Column: "t", Scale: 1}, Channels: []Channel{{"x", "x", ""}}, StartS: 20, EndS: 40}
		for kind, content := range everyFormat(t, stamps, x) {
			got, err := run(t, p, "a."+kind, content)
			if err != nil {
				t.Fatalf("%s: %v", kind, err)
			}
			if v := column(t, got[0].Frame, "value"); len(v) != 200 || v[0] != 200 {
				t.Errorf("%s, %d rows: %d samples from %v, want 200 from 200", kind, rows, len(v), v[0])
			}
		}
	}
}

// Law: whatever stamps are wrong, as long as they are few and far from the lap's ends, a
// lap has the rows whose stamps are right, and no others.
func TestFewWrongStampsLoseOnlyTheirRows(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for range 300 {
		stamps, x := stint()
		var want []float64
		wrong := map[int]bool{}
		for range rng.IntN(12) {
			row := rng.IntN(600)
			if row > 190 && row < 210 || row > 390 && row < 410 || wrong[row-1] || wrong[row+1] {
				continue
			}
			wrong[row] = true
			stamps[row] = []float64{nan, 0, -5, stamps[row] + 7.03, stamps[row] - 7.03, 61, 1e6, math.Inf(1)}[rng.IntN(8)]
		}
		for row := 200; row < 400; row++ {
			if !wrong[row] {
				want = append(want, float64(row))
			}
		}
		p := Params{Time: Time{Column: "t", Scale: 1}, Channels: []Channel{{"x", "x", ""}}, StartS: 20, EndS: 40}
		got, err := run(t, p, "a.csv", asText(stamps, x))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, column(t, got[0].Frame, "value")); diff != "" {
			t.Fatalf("wrong %v (-want +got):\n%s", wrong, diff)
		}
	}
}

// The longest increasing part is compared with the textbook's quadratic search.
func TestLongestIncreasing(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 14))
	for range 2000 {
		x := make([]float64, rng.IntN(20))
		best := make([]int, len(x))
		longest := 0
		for i := range x {
			x[i] = []float64{float64(rng.IntN(9)), float64(i), nan, math.Inf(-1)}[rng.IntN(4)]
			if x[i]-x[i] != 0 {
				continue
			}
			best[i] = 1
			for k := range i {
				if best[k] > 0 && x[k] < x[i] {
					best[i] = max(best[i], best[k]+1)
				}
			}
			longest = max(longest, best[i])
		}
		got := longestIncreasing(x)
		for i, at := range got {
			if i > 0 && (at <= got[i-1] || !(x[at] > x[got[i-1]])) {
				t.Fatalf("%v: places %v are not increasing", x, got)
			}
		}
		if len(got) != longest {
			t.Fatalf("%v: %d places, want %d", x, len(got), longest)
		}
	}
}

// A lap that its recording covers in part only has a gap at that end: from start_s to
// the first sample, or from the last one to end_s.
func TestGapsAtTheEndsOfALap(t *testing.T) {
	tests := []struct {
		reason      string
		from, to    int // rows that are not there
		start, end  float64
		gaps        int64
		steps, lost float64
	}{
		{"covered", 0, 0, 20, 40, 0, 0, 0},
		{"between rows", 0, 0, 19.96, 40.04, 0, 0, 0},
		{"a pause over the end", 350, 450, 20, 40, 1, 51, 50. / 200},
		{"a pause over the beginning", 150, 250, 20, 40, 1, 50, 50. / 200},
		{"a row before the end", 399, 400, 20, 40, 1, 2, 1. / 200},
		{"a pause within and one over the end", 350, 450, 20, 46, 1, 101, 100. / 260},
	}
	for _, tt := range tests {
		stamps, x := stint()
		stamps, x = slices.Delete(stamps, tt.from, tt.to), slices.Delete(x, tt.from, tt.to)
		p := Params{Time: Time{Column: "t", Scale: 1}, Channels: []Channel{{"x", "x", ""}}, StartS: tt.start, EndS: tt.end}
		got, err := run(t, p, "a.csv", asText(stamps, x))
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		q := got[1].Frame
		if gaps, err := frame.Get[[]int64](q, "gaps"); err != nil || gaps[0] != tt.gaps {
			t.Errorf("%s: %v gaps, want %v (error %v)", tt.reason, gaps, tt.gaps, err)
		}
		if steps := column(t, q, "gap_steps")[0]; math.Abs(steps-tt.steps) > 0.01 {
			t.Errorf("%s: a gap of %v steps, want %v", tt.reason, steps, tt.steps)
		}
		if lost := column(t, q, "lost_share")[0]; math.Abs(lost-tt.lost) > 1e-9 {
			t.Errorf("%s: a share of %v lost, want %v", tt.reason, lost, tt.lost)
		}
	}
	stamps, x := stint()
	stamps[290] = 1e6 // and on: the lap has 90 of its 200 rows
	for i := 290; i < 600; i++ {
		stamps[i] = 1e6 + float64(i)
	}
	p := Params{Time: Time{Column: "t", Scale: 1}, Channels: []Channel{{"x", "x", ""}}, StartS: 20, EndS: 40}
	_, err := run(t, p, "a.csv", asText(stamps, x))
	refusedWith(t, "a clock that is set forward within the lap", err,
		`110 of 200 samples are not there, over half, from line 291, column "t" on; cut the lap where it is whole or leave it out`)
}
