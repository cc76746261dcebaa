package fatigue

import (
	"math"
	"strings"
	"testing"
)

func e739Data(tb testing.TB) (levels, cycles []float64) {
	tb.Helper()
	for _, r := range sourcedRows(tb, "e739-data.csv") {
		levels = append(levels, number(tb, r["plastic_strain_amplitude"]))
		cycles = append(cycles, number(tb, r["cycles"]))
	}
	return levels, cycles
}

// ASTM E739-10, section 9: the worked example, expected from memory, confirmed by arithmetic.
func TestFitSNWorkedExample(t *testing.T) {
	f, err := FitSN(e739Data(t))
	if err != nil {
		t.Fatal(err)
	}
	a, b := f.Intervals(0.95)
	values := map[string]float64{
		"A": f.A, "B": f.B, "variance": f.SD * f.SD, "sd": f.SD, "t": studentQuantile(0.975, f.freedom()),
		"F": fisher2Quantile(0.95, f.freedom()), "mean log level": f.MeanLog, "sum of squares": f.SumSquares,
	}
	intervals := map[string]Interval{"A interval": a, "B interval": b}
	for _, r := range sourcedRows(t, "e739-results.csv") {
		name := r["quantity"]
		level, isLife := strings.CutPrefix(name, "life at ")
		switch _, isInterval := intervals[name]; {
		case isLife:
			in := f.Band(number(t, level), 0.95)
			near(t, name, f.Life(number(t, level)), number(t, r["value"]), 1e-4)
			near(t, name+" lower", in.Lower, number(t, r["lower"]), 1e-4)
			near(t, name+" upper", in.Upper, number(t, r["upper"]), 1e-4)
		case isInterval:
			if d := math.Abs(intervals[name].Lower-number(t, r["lower"])) + math.Abs(intervals[name].Upper-number(t, r["upper"])); d > 1e-4 {
				t.Errorf("%s = %+v, want %s to %s", name, intervals[name], r["lower"], r["upper"])
			}
		default:
			near(t, name, values[name], number(t, r["value"]), 5e-5)
		}
	}
	near(t, "slope", f.Slope(), -f.B, 0)
	if f.Specimens != 9 || f.Smallest != 0.00053 || f.Largest != 0.01636 {
		t.Errorf("%d specimens from %g to %g", f.Specimens, f.Smallest, f.Largest)
	}
}

// By hand, lives as powers of ten: means 6, 5.5, 3 at levels 1, 10, 100 and pairs 0.2 apart. About the line 4.8333 - 1.5·(x-1) the means
// lie -1/3, 2/3, -1/3: misfit 2·(1+4+1)/9 = 4/3 with 1 degree of freedom, scatter 3·2·0.1² = 0.06 with 3: F = 66.67, of which the tables
// give 34.12 for 1 % and 167.0 for 0.1 %. Without the bend F is 0.
func TestStraight(t *testing.T) {
	levels := []float64{1, 1, 10, 10, 100, 100}
	lives := func(means ...float64) (n []float64) {
		for _, m := range means {
			n = append(n, math.Pow(10, m-0.1), math.Pow(10, m+0.1))
		}
		return n
	}
	for _, test := range []struct {
		reason     string
		levels     []float64
		cycles     []float64
		lo, hi     float64
		ok         bool
		levelCount int
	}{
		{"bent", levels, lives(6, 5.5, 3), 0.001, 0.01, true, 3},
		{"straight", levels, lives(6, 5, 4), 0.999, 1, true, 3},
		{"two levels", levels[:4], lives(6, 5), 0, 0, false, 2},
		{"no level repeated", []float64{1, 2, 3}, []float64{3, 2, 1}, 0, 0, false, 3},
	} {
		f, err := FitSN(test.levels, test.cycles)
		if err != nil {
			t.Fatal(err)
		}
		chance, ok := f.Straight()
		if ok != test.ok || chance < test.lo || chance > test.hi || f.Levels != test.levelCount {
			t.Errorf("%s: chance %g, %v, of %d levels", test.reason, chance, ok, f.Levels)
		}
		near(t, test.reason+": replication", f.Replication(), 1-float64(test.levelCount)/float64(len(test.levels)), 1e-15)
	}
	// F = 66.67 with 1 and 3 degrees of freedom is t = 8.165 with 3, both sides.
	f, err := FitSN(levels, lives(6, 5.5, 3))
	if err != nil {
		t.Fatal(err)
	}
	chance, _ := f.Straight()
	near(t, "F of 1 and n is the square of t", studentQuantile(1-chance/2, 3), math.Sqrt(4./3/0.02), 1e-6)
}

// F with 2 and n degrees of freedom, 95 %: 199.5, 19.00, 5.786, 4.103, 3.150 for n = 1, 2, 5, 10, 60 (any table).
func TestFisher2Quantile(t *testing.T) {
	for n, want := range map[float64]float64{1: 199.5, 2: 19.00, 5: 5.786, 10: 4.103, 60: 3.150} {
		near(t, "F", fisher2Quantile(0.95, n), want, 2e-4)
	}
}

// At the middle of many specimens the line is known, and the lower life is that of the specimens' own scatter: z·SD below.
func TestLowerLife(t *testing.T) {
	f, err := FitSN(e739Data(t))
	if err != nil {
		t.Fatal(err)
	}
	at := math.Pow(10, f.MeanLog)
	got, err := f.LowerLife(at, 0.9, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	k := (math.Log10(f.Life(at)) - math.Log10(got)) / f.SD
	nine, err := ToleranceFactor(9, 0.9, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if !(k > nine && k < 1.1*nine) {
		t.Errorf("k = %g at the mean level: want a little above %g, that of nine values, for one degree of freedom less", k, nine)
	}
	far, err := f.LowerLife(0.0005, 0.9, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	if !((math.Log10(f.Life(0.0005))-math.Log10(far))/f.SD > k) {
		t.Error("far from the mean level the bound is no wider")
	}
	if _, err := f.LowerLife(at, 1, 0.95); err == nil {
		t.Error("a share of 1 is not refused")
	}
}

func TestFitSNRefuses(t *testing.T) {
	for _, test := range []struct {
		reason         string
		levels, cycles []float64
		want           string
	}{
		{"two specimens", []float64{1, 2}, []float64{1, 2}, "more rows than columns"},
		{"one level", []float64{2, 2, 2}, []float64{1, 2, 3}, "two levels"},
		{"not pairwise", []float64{1, 2, 3}, []float64{1, 2}, "one each"},
		{"a level of 0", []float64{0, 2, 3}, []float64{1, 2, 3}, "specimen 0"},
		{"an endless life", []float64{1, 2, 3}, []float64{1, 2, math.Inf(1)}, "specimen 2"},
	} {
		if _, err := FitSN(test.levels, test.cycles); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: error %v, want one with %q", test.reason, err, test.want)
		}
	}
}
