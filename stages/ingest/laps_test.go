package ingest

import (
	"context"
	"encoding/binary"
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
)

// stays builds a column at 10 Hz from values and how many samples each stays.
func stays(pairs ...float64) (times, x []float64) {
	for i := 0; i < len(pairs); i += 2 {
		for range int(pairs[i+1]) {
			times = append(times, float64(len(times))/10)
			x = append(x, pairs[i])
		}
	}
	return times, x
}

func TestFindLaps(t *testing.T) {
	rows := []struct {
		reason string
		pairs  []float64
		as     Marks
		want   LapMarks
		fault  string
	}{
		{"a counter: each value is a lap, the first and the last are cut off", []float64{0, 20, 1, 30, 2, 40, 3, 10}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 20, 0, true}, {20, 50, 1, false}, {50, 90, 2, false}, {90, 100, 3, true}}, nil}, ""},
		{"a counter may begin anywhere", []float64{17, 20, 18, 30, 19, 40}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 20, 17, true}, {20, 50, 18, false}, {50, 90, 19, true}}, nil}, ""},
		{"a counter that goes back to 0 begins a lap there", []float64{1, 20, 2, 30, 0, 40, 1, 50, 2, 10}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 20, 1, true}, {20, 50, 2, false}, {50, 90, 0, false}, {90, 140, 1, false}, {140, 150, 2, true}},
				[]string{"the counter goes back from 2 to 0 at 5 s: look whether the laps before and after are whole"}}, ""},
		{"a value that stays for under 0.5 s is flicker within a lap", []float64{1, 20, 2, 10, 255, 4, 2, 16, 3, 40}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 20, 1, true}, {20, 50, 2, false}, {50, 90, 3, true}},
				[]string{"the counter is 255 for 0.4 s at 3 s, which is ignored as flicker"}}, ""},
		{"and where the value changes; the lap begins with the value that stays", []float64{1, 20, 2, 28, 0, 2, 3, 40}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 20, 1, true}, {20, 50, 2, false}, {50, 90, 3, true}},
				[]string{"the counter is 0 for 0.2 s at 4.8 s, which is ignored as flicker"}}, ""},
		{"0.5 s is no flicker any more", []float64{1, 20, 2, 5, 3, 40}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 20, 1, true}, {20, 25, 2, false}, {25, 65, 3, true}}, nil}, ""},
		{"a recording may begin just before a mark and end just after one", []float64{1, 2, 2, 30, 3, 40, 4, 3}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 2, 1, true}, {2, 32, 2, false}, {32, 72, 3, false}, {72, 75, 4, true}}, nil}, ""},
		{"but other values at its ends are flicker, and no lap is whole for them", []float64{9, 2, 2, 30, 3, 40, 0, 3}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 32, 2, true}, {32, 75, 3, true}},
				[]string{"the counter is 9 for 0.2 s at 0 s, which is ignored as flicker", "the counter is 0 for 0.2 s at 7.2 s, which is ignored as flicker"}}, ""},
		{"a jump is told of", []float64{1, 20, 2, 30, 5, 40, 6, 20}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 20, 1, true}, {20, 50, 2, false}, {50, 90, 5, false}, {90, 110, 6, true}},
				[]string{"the counter jumps from 2 to 5 at 5 s: look at the laps before and after"}}, ""},
		{"a fall to another value than 0 is told of", []float64{3, 20, 4, 30, 5, 30, 1, 40, 2, 20}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 20, 3, true}, {20, 50, 4, false}, {50, 80, 5, false}, {80, 120, 1, false}, {120, 140, 2, true}},
				[]string{"the counter falls from 5 to 1 at 8 s: look at the laps before and after"}}, ""},
		{"missing samples are like the one before", []float64{nan, 5, 1, 15, nan, 10, 2, 20, nan, 5, 3, 9}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 30, 1, true}, {30, 55, 2, false}, {55, 64, 3, true}},
				[]string{"20 of 64 samples are missing; the value before them is taken to last",
					"samples are missing from 1.9 to 3 s, where the column goes from 1 to 2: a mark there is taken to be at the end; look at the laps before and after",
					"samples are missing from 4.9 to 5.5 s, where the column goes from 2 to 3: a mark there is taken to be at the end; look at the laps before and after"}}, ""},
		{"a counter in every fourth row lacks none", slices.Concat(slices.Repeat([]float64{1, 1, nan, 3}, 8), slices.Repeat([]float64{2, 1, nan, 3}, 8)), AnyMarks,
			LapMarks{Counter, []Stretch{{0, 32, 1, true}, {32, 64, 2, true}}, nil}, ""},
		{"a counter that is missing where a lap begins", []float64{1, 20, 2, 20, nan, 8, 3, 30, 4, 9}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 20, 1, true}, {20, 48, 2, false}, {48, 78, 3, false}, {78, 87, 4, true}},
				[]string{"8 of 87 samples are missing; the value before them is taken to last",
					"samples are missing from 3.9 to 4.8 s, where the column goes from 2 to 3: a mark there is taken to be at the end; look at the laps before and after"}}, ""},
		{"a counter that is missing where two laps begin", []float64{1, 20, 2, 20, nan, 80, 4, 30, 5, 9}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 20, 1, true}, {20, 120, 2, false}, {120, 150, 4, false}, {150, 159, 5, true}},
				[]string{"80 of 159 samples are missing; the value before them is taken to last",
					"samples are missing from 3.9 to 12 s, where the column goes from 2 to 4: a mark there is taken to be at the end; look at the laps before and after",
					"the counter jumps from 2 to 4 at 12 s: look at the laps before and after"}}, ""},
		{"a counter that is reset to 1 and goes on", []float64{7, 20, 8, 30, 9, 30, 1, 30, 2, 30, 3, 9}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 20, 7, true}, {20, 50, 8, false}, {50, 80, 9, false}, {80, 110, 1, false}, {110, 140, 2, false}, {140, 149, 3, true}},
				[]string{"the counter falls from 9 to 1 at 8 s: look at the laps before and after"}}, ""},
		{"a counter that is reset in its first lap", []float64{1, 20, 0, 30, 1, 30, 2, 30, 3, 9}, AnyMarks,
			LapMarks{Counter, []Stretch{{0, 20, 1, true}, {20, 50, 0, false}, {50, 80, 1, false}, {80, 110, 2, false}, {110, 119, 3, true}},
				[]string{"the counter goes back from 1 to 0 at 2 s: look whether the laps before and after are whole"}}, ""},
		{"a pulse that bounces is one mark, at its first rise", []float64{0, 200, 5, 1, 0, 1, 5, 1, 0, 2, 5, 2, 0, 300, 5, 2, 0, 100}, AnyMarks,
			LapMarks{Trigger, []Stretch{{0, 200, 0, true}, {200, 507, 1, false}, {507, 609, 2, true}},
				[]string{"the trigger rests for 0.1 s beside its rise at 20.2 s, which is ignored as flicker",
					"the trigger rests for 0.2 s beside its rise at 20.5 s, which is ignored as flicker"}}, ""},
		{"a pulse seconds after another is a mark to look at", []float64{0, 200, 5, 2, 0, 18, 5, 2, 0, 300, 5, 2, 0, 100}, AnyMarks,
			LapMarks{Trigger, []Stretch{{0, 200, 0, true}, {200, 220, 1, false}, {220, 522, 2, false}, {522, 624, 3, true}},
				[]string{"the trigger rises at 22 s and 2 s before that: if it bounces, the lap began at the first rise"}}, ""},
		{"a counter that stands still has no mark", []float64{4, 30}, AnyMarks, LapMarks{Counter, []Stretch{{0, 30, 4, true}}, nil}, ""},
		{"a counter that goes to and fro is none unless it is said to be", []float64{0, 300, 1, 300, 0, 300}, AnyMarks, LapMarks{}, "neither a lap counter"},
		{"a counter that is said to be one", []float64{0, 300, 1, 300, 0, 300}, Counter,
			LapMarks{Counter, []Stretch{{0, 300, 0, true}, {300, 600, 1, false}, {600, 900, 0, true}},
				[]string{"the counter goes back from 1 to 0 at 60 s: look whether the laps before and after are whole"}}, ""},

		{"a trigger: each rise begins a lap", []float64{0, 20, 5, 2, 0, 30, 5, 1, 0, 40, 5, 2, 0, 10}, AnyMarks,
			LapMarks{Trigger, []Stretch{{0, 20, 0, true}, {20, 52, 1, false}, {52, 93, 2, false}, {93, 105, 3, true}}, nil}, ""},
		{"of 0 and 1, with pulses that outlast flicker", []float64{0, 30, 1, 8, 0, 92, 1, 8, 0, 50}, AnyMarks,
			LapMarks{Trigger, []Stretch{{0, 30, 0, true}, {30, 130, 1, false}, {130, 188, 2, true}}, nil}, ""},
		{"pulses down mark by the rise at their end", []float64{5, 30, 0, 2, 5, 90, 0, 2, 5, 50}, AnyMarks,
			LapMarks{Trigger, []Stretch{{0, 32, 0, true}, {32, 124, 1, false}, {124, 174, 2, true}}, nil}, ""},
		{"a rise just after a pulse is the pulse's", []float64{0, 20, 5, 2, 0, 1, 5, 3, 0, 40, 5, 2, 0, 20}, AnyMarks,
			LapMarks{Trigger, []Stretch{{0, 20, 0, true}, {20, 66, 1, false}, {66, 88, 2, true}},
				[]string{"the trigger rests for 0.1 s beside its rise at 2.3 s, which is ignored as flicker"}}, ""},
		{"and so it is where pulses go down: the last rise of a pulse marks", []float64{5, 20, 0, 2, 5, 1, 0, 3, 5, 40, 0, 2, 5, 2}, AnyMarks,
			LapMarks{Trigger, []Stretch{{0, 26, 0, true}, {26, 68, 1, false}, {68, 70, 2, true}},
				[]string{"the trigger rests for 0.1 s beside its rise at 2.2 s, which is ignored as flicker"}}, ""},
		{"the middle of the range is the mark, at the sample that reaches it", []float64{1, 20, 2, 1, 3, 1, 5, 2, 1, 40, 2.9, 1, 5, 1, 1, 20}, AnyMarks,
			LapMarks{Trigger, []Stretch{{0, 21, 0, true}, {21, 65, 1, false}, {65, 86, 2, true}}, nil}, ""},
		{"a recording that begins in a pulse begins with no mark", []float64{5, 2, 0, 30, 5, 2, 0, 30}, AnyMarks,
			LapMarks{Trigger, []Stretch{{0, 32, 0, true}, {32, 64, 1, true}}, nil}, ""},

		{"no samples", []float64{nan, 30}, AnyMarks, LapMarks{}, "no samples"},
		{"no trigger and no counter stands still between whole numbers", []float64{0.5, 30}, AnyMarks, LapMarks{}, "0.5 throughout"},
		{"a trigger has pulses", []float64{3, 30}, Trigger, LapMarks{}, "has pulses"},
		{"a counter has whole numbers", []float64{3, 30, 3.5, 10}, Counter, LapMarks{}, "3.5 at 3 s"},
		{"a counter has numbers that can be told apart", []float64{1e300, 30}, Counter, LapMarks{}, "1e+300 at 0 s"},
		{"a pulse is short", []float64{0, 1000, 5, 150, 0, 1000}, AnyMarks, LapMarks{}, "nor a lap trigger"},
	}
	for _, row := range rows {
		t.Run(row.reason, func(t *testing.T) {
			times, x := stays(row.pairs...)
			got, err := FindLaps(times, x, row.as)
			if row.fault != "" {
				var r *stages.Refusal
				if !errors.As(err, &r) || !strings.Contains(err.Error(), row.fault) {
					t.Fatalf("error %v, want a refusal with %q", err, row.fault)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(&row.want, got); diff != "" {
				t.Errorf("marks (-want +got):\n%s", diff)
			}
		})
	}
}

// Signals of a motorcycle that mark no laps are not taken for marks.
func TestFindLapsRefusesSignals(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	signals := []struct {
		reason string
		at     func(s float64) float64
	}{
		{"a sine", func(s float64) float64 { return math.Sin(s) }},
		{"noise", func(float64) float64 { return r.NormFloat64() }},
		{"noise in whole numbers", func(float64) float64 { return math.Round(10 * r.NormFloat64()) }},
		{"a speed", func(s float64) float64 { return 120 + 80*math.Sin(s/7)*math.Cos(s/3) }},
		{"a gear", func(s float64) float64 { return math.Round(3.5 + 2.5*math.Sin(s/4)) }},
		{"a distance that begins anew each lap", func(s float64) float64 { return math.Mod(45*s, 4200) }},
	}
	for _, row := range signals {
		times, x := make([]float64, 40_000), make([]float64, 40_000)
		for i := range x {
			times[i] = float64(i) / 100
			x[i] = row.at(times[i])
		}
		var refusal *stages.Refusal
		if m, err := FindLaps(times, x, AnyMarks); !errors.As(err, &refusal) {
			t.Errorf("%s: read as a %v, error %v", row.reason, m, err)
		}
	}
}

func TestFindLapsMisuse(t *testing.T) {
	var r *stages.Refusal
	if _, err := FindLaps([]float64{0}, []float64{0, 1}, Counter); err == nil || errors.As(err, &r) {
		t.Errorf("a time too few: %v", err)
	}
	if _, err := FindLaps([]float64{0}, []float64{0}, "beacon"); err == nil || errors.As(err, &r) {
		t.Errorf("unknown marks: %v", err)
	}
	if _, err := FindLaps(nil, nil, AnyMarks); !errors.As(err, &r) {
		t.Errorf("nothing: %v", err)
	}
}

// Of notes of one kind only the first few are kept.
func TestFindLapsNotes(t *testing.T) {
	pairs := []float64{1, 20, 2, 30, 3, 30}
	for range 50 {
		pairs = append(pairs, 9, 1, 3, 10)
	}
	times, x := stays(pairs...)
	m, err := FindLaps(times, x, Counter)
	if err != nil {
		t.Fatal(err)
	}
	if len(m.Notes) != shownNotes+1 || !strings.Contains(m.Notes[shownNotes], "more of the kind") {
		t.Errorf("notes: %q", m.Notes)
	}
}

func TestReadTrack(t *testing.T) {
	rows := []struct {
		reason   string
		axis     Time
		channels []Channel
		text     string
		want     Track
		fault    string
	}{
		{"a time column in ms, and samples that are missing", Time{Column: "TIME", Scale: 1e-3}, []Channel{{"a", "LAP", ""}, {"b", "D", "m"}},
			"TIME,LAP,D [m]\n5,1,\n10,,2\n86,2,3\n", Track{Times: []float64{0.005, 0.01, 0.086}, Columns: [][]float64{{1, nan, 2}, {nan, 2, 3}}}, ""},
		{"no time column: the first sample is at 0", Time{Rate: 3}, []Channel{{"a", "LAP", ""}},
			"LAP\n1\n2\n", Track{Times: []float64{0, 1.0 / 3}, Columns: [][]float64{{1, 2}}}, ""},
		{"two channels of one column", Time{Rate: 1}, []Channel{{"a", "LAP", ""}, {"b", "LAP", "m"}},
			"LAP\n1\n2\n", Track{Times: []float64{0, 1}, Columns: [][]float64{{1, 2}, {1, 2}}}, ""},
		{"a channel without a unit takes any", Time{Rate: 1}, []Channel{{"a", "LAP", ""}}, "LAP [V]\n1\n2\n", Track{Times: []float64{0, 1}, Columns: [][]float64{{1, 2}}}, ""},
		{"a unit that contradicts", Time{Rate: 1}, []Channel{{"a", "D", "km"}}, "D [m]\n1\n2\n", Track{}, `says "m"`},
		{"no such column", Time{Rate: 1}, []Channel{{"a", "LAP", ""}}, "LAB\n1\n2\n", Track{}, `"LAB"`},
		{"times that are missing or do not advance beyond all before", Time{Column: "TIME", Scale: 1}, []Channel{{"a", "LAP", ""}},
			"TIME,LAP\n0,1\n0,2\n,3\n4,4\n3,5\n4,6\n5,7\n", Track{[]float64{0, 3, 4, 5}, [][]float64{{1, 5, 6, 7}}, 3, "line 3"}, ""},
		{"a single time far ahead", Time{Column: "TIME", Scale: 1}, []Channel{{"a", "LAP", ""}},
			"TIME,LAP\n0,1\n9,2\n1,3\n2,4\n3,5\n", Track{[]float64{0, 1, 2, 3}, [][]float64{{1, 3, 4, 5}}, 1, "line 3"}, ""},
		{"no time at all", Time{Column: "TIME", Scale: 1}, []Channel{{"a", "LAP", ""}}, "TIME,LAP\n,1\n,1\n", Track{}, "every time is missing"},
		{"no samples", Time{Rate: 1}, []Channel{{"a", "LAP", ""}}, "LAP\n", Track{}, "no samples"},
	}
	for _, row := range rows {
		t.Run(row.reason, func(t *testing.T) {
			got, err := ReadTrack(context.Background(), write(t, "a.csv", []byte(row.text)), row.axis, row.channels)
			if row.fault != "" {
				var r *stages.Refusal
				if !errors.As(err, &r) || !strings.Contains(err.Error(), row.fault) {
					t.Fatalf("error %v, want a refusal with %q", err, row.fault)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			equal := cmp.Comparer(func(a, b float64) bool { return a == b || a != a && b != b })
			if diff := cmp.Diff(&row.want, got, equal); diff != "" {
				t.Errorf("track (-want +got):\n%s", diff)
			}
		})
	}
}

// Cutting a recording at the times of its marks, as a manifest writes them, gives the
// samples of each stretch.
func TestTimesCutAtMarks(t *testing.T) {
	var text strings.Builder
	text.WriteString("TIME,AZ,SG,LAP\n")
	for i := range 3000 {
		fmt.Fprintf(&text, "%v,%d,1,%d\n", 86399900+1000*float64(i)/187.3, i, i/700)
	}
	p := cradle
	p.Time.Scale = 1e-3
	content := []byte(text.String())
	track, err := ReadTrack(context.Background(), write(t, "a.csv", content), p.Time, []Channel{{"laps", "LAP", ""}})
	if err != nil {
		t.Fatal(err)
	}
	m, err := FindLaps(track.Times, track.Columns[0], AnyMarks)
	if err != nil {
		t.Fatal(err)
	}
	if len(m.Stretches) != 5 {
		t.Fatalf("stretches %+v", m.Stretches)
	}
	for _, s := range m.Stretches[1:4] {
		p.StartS, p.EndS = reread(t, track.Times[s.From]), reread(t, track.Times[s.To])
		outs, err := run(t, p, "a.csv", content)
		if err != nil {
			t.Fatal(err)
		}
		x := column(t, outs[0].Frame, "value")
		if len(x) != 700 || x[0] != float64(s.From) {
			t.Errorf("%+v: %d samples from %v", s, len(x), x[0])
		}
	}
}

// reread returns a number as it comes back from a text.
func reread(t *testing.T, v float64) float64 {
	t.Helper()
	out, err := strconv.ParseFloat(strconv.FormatFloat(v, 'f', -1, 64), 64)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// FuzzFindLaps states what holds for any column: it is divided or refused; the
// stretches follow each other from the first sample to the last; only the first and
// the last are partial; every mark is a change of the column; and a counter without its
// flicker is divided in the same way.
func FuzzFindLaps(f *testing.F) {
	for _, pairs := range [][]float64{
		{0, 20, 1, 30, 2, 40}, {0, 20, 5, 2, 0, 30, 5, 1, 0, 40}, {nan, 3, 1, 2, 9, 1, 2, 2},
		{math.MaxFloat64, 3, -math.MaxFloat64, 3}, {0, 1, math.SmallestNonzeroFloat64, 1, 0, 1}, {math.Inf(1), 2, 1 << 53, 3, 1<<53 + 2, 7},
	} {
		var b []byte
		for i := 0; i < len(pairs); i += 2 {
			b = append(binary.LittleEndian.AppendUint64(b, math.Float64bits(pairs[i])), byte(pairs[i+1]))
		}
		for as := range 3 {
			f.Add(b, uint8(as), 0.1)
		}
	}
	f.Fuzz(func(t *testing.T, b []byte, way uint8, step float64) {
		as := []Marks{AnyMarks, Counter, Trigger}[way%3]
		var times, x []float64
		if !(step > 1e-6 && step < 1e6) {
			step = 0.1
		}
		for ; len(b) >= 9 && len(x) < 5000; b = b[9:] {
			for range b[8] {
				times, x = append(times, float64(len(x))*step), append(x, math.Float64frombits(binary.LittleEndian.Uint64(b)))
			}
		}
		m, err := FindLaps(times, x, as)
		if err != nil {
			var r *stages.Refusal
			if !errors.As(err, &r) {
				t.Fatalf("%v is no refusal", err)
			}
			return
		}
		checkLapMarks(t, times, x, m)
		again, err := FindLaps(times, x, m.As)
		if diff := cmp.Diff(m, again); err != nil || diff != "" {
			t.Fatalf("read as a %s again: %v\n%s", m.As, err, diff)
		}
	})
}

func checkLapMarks(t *testing.T, times, column []float64, m *LapMarks) {
	t.Helper()
	x, _ := held(column)
	at := 0
	clean := make([]float64, len(x))
	for i, s := range m.Stretches {
		if s.From != at || s.To <= s.From || s.To > len(x) {
			t.Fatalf("stretch %d is %+v, want from %d", i, s, at)
		}
		if s.Partial != (i == 0 || i == len(m.Stretches)-1) {
			t.Fatalf("stretch %d of %d: partial is %v", i, len(m.Stretches), s.Partial)
		}
		if i > 0 && x[s.From] == x[s.From-1] {
			t.Fatalf("stretch %d begins at %d, where nothing changes", i, s.From)
		}
		at = s.To
		for k := s.From; k < s.To; k++ {
			clean[k] = float64(s.Number)
		}
	}
	if at != len(x) {
		t.Fatalf("the stretches end at %d of %d", at, len(x))
	}
	if m.As != Counter {
		return
	}
	again, err := FindLaps(times, clean, Counter)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(m.Stretches, again.Stretches); diff != "" {
		t.Fatalf("a counter without its flicker:\n%s", diff)
	}
}
