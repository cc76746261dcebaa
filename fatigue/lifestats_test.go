package fatigue

import (
	"math"
	"slices"
	"strings"
	"testing"
)

// Φ(1), Φ(2), Φ(-3): any table of the normal distribution, as in NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1 (from memory).
func TestFailureProbability(t *testing.T) {
	nan := math.NaN()
	for _, test := range []struct {
		reason          string
		damage, scatter float64
		want            float64
	}{
		{"the median life", 1, 0.15, 0.5},
		{"one standard deviation beyond", math.Pow(10, 0.15), 0.15, 0.8413447460685429},
		{"two beyond", 100, 1, 0.9772498680518208},
		{"three before", 1e-3, 1, 1.3498980316300946e-3},
		{"far before, without loss of digits: Φ(-10)", 1e-10, 1, 7.61985302416e-24},
		{"no damage", 0, 0.15, 0},
		{"endless damage", math.Inf(1), 0.15, 1},
		{"no scatter", 1, 0, nan},
		{"negative damage", -1, 0.15, nan},
		{"damage of NaN", nan, 0.15, nan},
		{"scatter of NaN", 1, nan, nan},
	} {
		got := FailureProbability(test.damage, test.scatter)
		if math.IsNaN(got) != math.IsNaN(test.want) {
			t.Errorf("%s: %g, want %g", test.reason, got, test.want)
		} else if !math.IsNaN(got) {
			near(t, test.reason, got, test.want, 1e-10)
		}
	}
}

func TestToleranceFactor(t *testing.T) {
	for _, r := range sourcedRows(t, "tolerance-factors.csv") {
		got, err := ToleranceFactor(int(number(t, r["n"])), number(t, r["share"]), number(t, r["confidence"]))
		if err != nil {
			t.Fatal(err)
		}
		near(t, "k for n = "+r["n"]+", "+r["share"]+" at "+r["confidence"], got, number(t, r["k"]), 2e-6)
	}
}

// Limits that tables end at: n = 2 (D. B. Owen: 37.094 for 99 %, 20.581 for 90 %, both at 95 %, from memory), many values, and a
// confidence below one half.
func TestToleranceFactorLimits(t *testing.T) {
	for _, test := range []struct {
		reason        string
		n             int
		p, confidence float64
		want, share   float64
	}{
		{"two values, 99 %", 2, 0.99, 0.95, 37.094, 2e-5},
		{"two values, 90 %", 2, 0.90, 0.95, 20.581, 3e-5},
		// With two values s is |normal|, and a great k fails where k·s is below a normal with mean z·√2: k = E/(√π·(1 - confidence)) with
		// E the mean of its positive part, z·√2·Φ(z·√2) + φ(z·√2) = 3.29012 for 99 %.
		{"two values, 99 % at 99.9999 %: the limit of great k", 2, 0.99, 0.999999, 3.29012 / math.SqrtPi * 1e6, 1e-3},
		{"a million values: z(0.99) = 2.326348", 1_000_000, 0.99, 0.5, 2.326348, 1e-5},
		{"the median's bound is t/√n: t(0.95; 4) = 2.131847", 5, 0.5, 0.95, 2.131847 / math.Sqrt(5), 1e-6},
		{"and below it on the other side", 5, 0.5, 0.05, -2.131847 / math.Sqrt(5), 1e-6},
	} {
		got, err := ToleranceFactor(test.n, test.p, test.confidence)
		if err != nil {
			t.Fatal(err)
		}
		near(t, test.reason, got, test.want, test.share)
	}
	// A tenth of the values above mean less k·s with next to no confidence: k far below the quantile, -z(0.9).
	low, err := ToleranceFactor(2, 0.1, 1e-6)
	if err != nil || !(low < -1e3) {
		t.Errorf("k = %g, %v", low, err)
	}
	for _, bad := range [][3]float64{{1, 0.9, 0.9}, {5, 1, 0.9}, {5, 0.9, 0}, {5, math.NaN(), 0.9}, {2, 0.9, 1 - 1e-12}} {
		if _, err := ToleranceFactor(int(bad[0]), bad[1], bad[2]); err == nil {
			t.Errorf("%v is not refused", bad)
		}
	}
}

func TestSuccessRun(t *testing.T) {
	for _, r := range sourcedRows(t, "life-statistics.csv") {
		if r["topic"] != "success run" {
			continue
		}
		reliability, confidence, _ := strings.Cut(r["quantity"], " ")
		got, err := SuccessRun(number(t, reliability), number(t, confidence), 0)
		if err != nil || float64(got) != number(t, r["value"]) {
			t.Errorf("success run %s: %d, %v, want %s", r["quantity"], got, err, r["value"])
		}
	}
	for _, test := range []struct {
		reason                  string
		reliability, confidence float64
		failures, want          int
	}{
		{"one failure allowed, 90/90: 38 (any table of binomial demonstration tests)", 0.9, 0.9, 1, 38},
		{"two: 52", 0.9, 0.9, 2, 52},
		{"one, 95/95: 93", 0.95, 0.95, 1, 93},
		{"little to show takes one", 0.1, 0.5, 0, 1},
	} {
		got, err := SuccessRun(test.reliability, test.confidence, test.failures)
		if err != nil || got != test.want {
			t.Errorf("%s: %d, %v", test.reason, got, err)
		}
	}
	for _, bad := range [][3]float64{{1, 0.9, 0}, {0.9, 0, 0}, {0.9, 0.9, -1}, {1 - 1e-15, 0.9, 0}} {
		if n, err := SuccessRun(bad[0], bad[1], int(bad[2])); err == nil {
			t.Errorf("%v is not refused: %d", bad, n)
		}
	}
}

// The number of a success run is the test to once the target; longer tests take fewer, and passing them shows just what was asked.
func TestTestFactor(t *testing.T) {
	for _, test := range []struct {
		reason string
		model  LifeModel
		scale  float64
		n      int
		want   float64
	}{
		{"as many as the success run: once the target (21.8543 specimens)", Weibull, 0.5, 22, math.Sqrt(21.8543 / 22)},
		{"shape 2, quarter as many: about twice", Weibull, 0.5, 5, math.Sqrt(21.8543 / 5)},
		{"lognormal, one specimen: z(0.9) + z(0.9) = 2·1.281552 scales", Lognormal, 0.4, 1, math.Exp(0.4 * 2 * 1.281552)},
	} {
		got, err := TestFactor(test.model, test.scale, test.n, 0.9, 0.9)
		if err != nil {
			t.Fatal(err)
		}
		near(t, test.reason, got, test.want, 2e-6)
		// All n survive the factor with chance 1 - confidence when the reliability at the target is just what was asked.
		location := -test.scale * test.model.quantile(0.1)
		survive, _, _ := test.model.survived((math.Log(got) - location) / test.scale)
		near(t, test.reason+": chance to pass", math.Exp(float64(test.n)*survive), 0.1, 1e-9)
	}
	for _, bad := range [][2]float64{{0, 1}, {0.5, 0}, {math.NaN(), 1}} {
		if _, err := TestFactor(Weibull, bad[0], int(bad[1]), 0.9, 0.9); err == nil {
			t.Errorf("%v is not refused", bad)
		}
	}
}

func TestWeibullBound(t *testing.T) {
	for _, test := range []struct {
		reason     string
		s          []Specimen
		shape      float64
		confidence float64
		want       float64
	}{
		{"no failure, one specimen, shape 1: T/-ln 0.1", specimens(nil, []float64{1000}), 1, 0.9, 1000 / math.Log(10)},
		{"no failure, three of shape 2", specimens(nil, []float64{100, 200, 200}), 2, 0.9, math.Sqrt((1e4 + 4e4 + 4e4) / math.Log(10))},
		{"two failures of three: χ²(0.9; 6) = 10.6446 (any table)", specimens([]float64{100, 200}, []float64{300}), 1, 0.9, 2 * 600 / 10.6446},
	} {
		got, err := WeibullBound(test.s, test.shape, test.confidence)
		if err != nil {
			t.Fatal(err)
		}
		near(t, test.reason, got, test.want, 1e-5)
	}
	if _, err := WeibullBound(nil, 1, 0.9); err == nil {
		t.Error("no specimen is not refused")
	}
	if _, err := WeibullBound(specimens([]float64{-1}, nil), 1, 0.9); err == nil {
		t.Error("a negative life is not refused")
	}
}

func TestPlotPoints(t *testing.T) {
	for _, r := range sourcedRows(t, "life-statistics.csv") {
		if r["topic"] != "median rank of the first" {
			continue
		}
		n := int(number(t, r["quantity"]))
		got, err := PlotPoints(specimens([]float64{1}, repeat(2, n-1)))
		if err != nil {
			t.Fatal(err)
		}
		near(t, "median rank of the first of "+r["quantity"], got[0].Failed, number(t, r["value"]), 1.5e-5) // printed to six places
	}
	// The adjusted ranks 1, 2.25 and 3.5 of L. G. Johnson's rule by hand: with the second of five suspended, the third has rank
	// 1 + (6-1)/(1+3) = 2.25, the fourth 2.25 + 1.25; Benard's (rank-0.3)/(n+0.4) is within 0.002.
	got, err := PlotPoints([]Specimen{{Life: 50}, {Life: 10}, {Life: 20, RunOut: true}, {Life: 40}, {Life: 30}})
	if err != nil {
		t.Fatal(err)
	}
	for i, rank := range []float64{1, 2.25, 3.5, 4.75} {
		if math.Abs(got[i].Failed-(rank-0.3)/5.4) > 0.002 || got[i].Life != []float64{10, 30, 40, 50}[i] {
			t.Errorf("point %d: %+v, want rank %g", i, got[i], rank)
		}
	}
	tied, err := PlotPoints([]Specimen{{Life: 10, RunOut: true}, {Life: 10}, {Life: 10, RunOut: true}, {Life: 10}})
	if err != nil {
		t.Fatal(err)
	}
	whole, err := PlotPoints(specimens([]float64{10, 10}, []float64{20, 20}))
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(tied, whole) {
		t.Errorf("run-outs at the life of a failure: %v, want those of longer ones, %v", tied, whole)
	}
	for _, bad := range [][]Specimen{specimens(nil, []float64{1}), specimens([]float64{1, math.NaN()}, nil), nil} {
		if _, err := PlotPoints(bad); err == nil {
			t.Errorf("%v is not refused", bad)
		}
	}
}

func BenchmarkToleranceFactor(b *testing.B) {
	for b.Loop() {
		if _, err := ToleranceFactor(10, 0.9, 0.95); err != nil {
			b.Fatal(err)
		}
	}
}

// Of specimens of one life the bound is that life over the test factor, of which Weibull's is (Σ life^shape/-ln(1-C))^(1/shape) times
// (-ln R)^(1/shape) for lives that differ (textbook).
func TestUnbrokenBound(t *testing.T) {
	for _, model := range []LifeModel{Lognormal, Weibull} {
		got, err := UnbrokenBound(model, 0.4, specimens(nil, []float64{700, 700, 700}), 0.9, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		factor, err := TestFactor(model, 0.4, 3, 0.9, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		near(t, model.String(), got, 700/factor, 1e-12)
	}
	got, err := UnbrokenBound(Weibull, 0.4, specimens(nil, []float64{700, 900}), 0.9, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	characteristic, err := WeibullBound(specimens(nil, []float64{700, 900}), 2.5, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "lives that differ", got, characteristic*math.Pow(-math.Log(0.9), 0.4), 1e-9)
	for _, test := range []struct {
		reason string
		lives  []Specimen
	}{{"none", nil}, {"a failure", specimens([]float64{1}, []float64{2})}, {"no life", specimens(nil, []float64{0})}} {
		if _, err := UnbrokenBound(Lognormal, 0.4, test.lives, 0.9, 0.95); err == nil {
			t.Errorf("%s: no error", test.reason)
		}
	}
}
