package aggregate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/calibrate"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// bookOf is an account of laps whose damage is given, by circuit, each lap counting once.
func bookOf(t *testing.T, scatter, calibrationSD float64, damages map[string][]float64, order ...string) *book {
	t.Helper()
	b := &book{gainSD: calibrationSD, gainSlope: 1}
	b.Strength = damage.Strength{Survival: 0.5, Material: fatigue.Material{Scatter: scatter}}
	b.TargetSeasons, b.TargetLifeFactor = 1, 1
	for _, c := range order {
		for i, d := range damages[c] {
			b.laps = append(b.laps, entry{Lap: Lap{ID: fmt.Sprint(c, i), Circuit: c, Km: 4}, damage: d})
		}
	}
	if err := b.weigh(); err != nil {
		t.Fatal(err)
	}
	return b
}

// Independent lognormal factors multiply to a lognormal whose variance of the logarithm is the sum of theirs
// (textbook; from memory). Laps that are all alike leave only material and calibration: the
// probability is Φ(log10(D)/s), and nothing is drawn by chance.
func TestProbabilityWithoutLapScatterIsClosedForm(t *testing.T) {
	for _, tt := range []struct {
		name                       string
		material, calibration, lap float64
	}{
		{"material alone, its calibration not known", 0.2, math.NaN(), 0.2},
		{"material and calibration", 0.12, 0.09, 0.16},
		{"a life that is far longer", 0.2, 0.15, 0.004},
		{"a life that is too short", 0.2, 0.15, 0.6},
	} {
		b := bookOf(t, tt.material, tt.calibration, map[string][]float64{"X": {tt.lap, tt.lap, tt.lap, tt.lap}}, "X")
		m := b.margin()
		s := tt.material
		if tt.calibration > 0 {
			s = math.Sqrt(tt.material*tt.material + tt.calibration*tt.calibration)
		}
		want := math.Erfc(-math.Log10(4*tt.lap)/s/math.Sqrt2) / 2
		if math.Abs(m.probability-want) > 1e-12 || m.samplingSD > 1e-12 || m.laps > 1e-12 {
			t.Errorf("%s: %v ± %v, laps %v; want %v ± 0", tt.name, m.probability, m.samplingSD, m.laps, want)
		}
	}
}

// With many laps Student's t is normal, and a lognormal season, material and calibration multiply to a lognormal: the Monte Carlo
// then has to meet Φ(log10(D)/√(sum of the variances)) within its own error (textbook; from memory).
func TestProbabilityAgreesWithTheLognormalClosedForm(t *testing.T) {
	const material, calibration, n, driven = 0.1, 0.06, 400, 3
	next := gaussian(5)
	damages := make([]float64, n)
	for i := range damages {
		damages[i] = math.Exp(0.3 * next())
	}
	for _, level := range []float64{0.35, 0.25, 0.15} {
		scaled := make([]float64, n)
		for i, d := range damages {
			scaled[i] = level * d / 1.05
		}
		b := bookOf(t, material, calibration, map[string][]float64{"X": scaled}, "X")
		b.circuits, b.total, b.Calendar, b.Planned = nil, 0, true, []Planned{{Circuit: "X", Laps: driven, Km: 12}}
		if err := b.weigh(); err != nil {
			t.Fatal(err)
		}
		laps := math.Sqrt(0.3*0.3*(1+0.3*0.3/2)*(1.0/n+1.0/driven)) / math.Ln10
		want := math.Erfc(-math.Log10(b.total)/math.Sqrt(material*material+calibration*calibration+laps*laps)/math.Sqrt2) / 2
		m := b.margin()
		if math.Abs(m.probability-want) > 4*m.samplingSD+0.03*want { // the sample's own scatter is not quite 0.3
			t.Errorf("total %v: probability %v ± %v, closed form %v", b.total, m.probability, m.samplingSD, want)
		}
		if math.Abs(m.laps/laps-1) > 0.1 || !(m.samplingSD > 0 && m.samplingSD < 0.01) {
			t.Errorf("total %v: scatter of laps %v, want %v; sampling error %v", b.total, m.laps, laps, m.samplingSD)
		}
	}
}

// The mean of n laps with a coefficient of variation v has a log10 of standard
// deviation v/(√n ln 10), to first order (delta method; textbook, from memory); without a calendar the season is driven anew by
// as many laps, which scatter as much again.
func TestLapScatterFollowsTheDeltaMethod(t *testing.T) {
	damages := make([]float64, 50)
	var sum, squares float64
	for i := range damages {
		damages[i] = 1 + 0.3*math.Sin(float64(7*i))
		sum += damages[i]
	}
	mean := sum / 50
	for _, d := range damages {
		squares += (d - mean) * (d - mean)
	}
	want := math.Sqrt(squares/49*2) / mean / math.Sqrt(50) / math.Ln10
	b := bookOf(t, 0.1, 0, map[string][]float64{"X": damages}, "X")
	if m := b.margin(); math.Abs(m.laps/want-1) > 0.1 { // the logarithms scatter a little more
		t.Errorf("scatter of laps %v, want %v", m.laps, want)
	}
}

// A circuit of one lap is not taken as one without scatter, and laps of which no circuit has
// two say nothing of it.
func TestCircuitsOfFewLapsBorrowScatter(t *testing.T) {
	one := map[string][]float64{"X": {0.1, 0.2, 0.3, 0.2}, "Y": {5}}
	if m := bookOf(t, 0.1, 0, one, "X", "Y").margin(); !(m.laps > 0.1) {
		t.Errorf("scatter of laps %v, though the lap that does nearly all of the damage may be any", m.laps)
	}
	alone := map[string][]float64{"X": {0.1}, "Y": {5}}
	if m := bookOf(t, 0.1, 0, alone, "X", "Y").margin(); !math.IsNaN(m.laps) || !math.IsNaN(m.low) || math.IsNaN(m.probability) {
		t.Errorf("scatter of laps %v from circuits of one lap; probability %v", m.laps, m.probability)
	}
}

func TestProbabilityAtTheEnds(t *testing.T) {
	for _, tt := range []struct {
		reason        string
		scatter, want float64
		laps          []float64
	}{
		{"a material that states no scatter has no probability", 0, math.NaN(), []float64{1, 2, 3}},
		{"no damage, no failure", 0.2, 0, []float64{0, 0, 0}},
		{"damage without end always fails", 0.2, 1, []float64{1, math.Inf(1), 2}},
	} {
		got := bookOf(t, tt.scatter, 0.1, map[string][]float64{"X": tt.laps}, "X").margin().probability
		if got != tt.want && !(math.IsNaN(got) && math.IsNaN(tt.want)) {
			t.Errorf("%s: %v, want %v", tt.reason, got, tt.want)
		}
	}
}

// Thickness by the strength of materials: membrane stress is F/t, bending stress of a plate 6M/t² (textbook, from memory).
func TestAllowanceKeepsStressAtTheReserve(t *testing.T) {
	const reserve, t0, force, moment = 1.3, 3.0, 900.0, 450.0
	for _, tt := range []struct {
		reason   string
		exponent float64
		stress   func(thickness float64) float64
	}{
		{"membrane", 1, func(x float64) float64 { return force / x }},
		{"plate in bending", 2, func(x float64) float64 { return 6 * moment / (x * x) }},
	} {
		thin := t0 * allowance(reserve, tt.exponent)
		if got := tt.stress(thin) / tt.stress(t0); math.Abs(got-reserve) > 1e-12 {
			t.Errorf("%s: stress grows by %v, want the reserve %v", tt.reason, got, reserve)
		}
	}
	if v := allowance(1.3, 0); !math.IsNaN(v) {
		t.Errorf("without an exponent the ratio is %v", v)
	}
	if v := allowance(math.Inf(1), 2); !math.IsNaN(v) {
		t.Errorf("a reserve without end allows %v", v)
	}
}

func TestGainScatterIsRead(t *testing.T) {
	for _, tt := range []struct {
		reason string
		attrs  []frame.Attr
		want   float64
	}{
		{"stated", []frame.Attr{frame.Num(calibrate.GainSD, "", 0.07)}, 0.07},
		{"not stated", nil, math.NaN()},
		{"not a number", []frame.Attr{frame.Num(calibrate.GainSD, "", math.NaN())}, math.NaN()},
	} {
		f := frame.Must(tt.attrs, frame.Col("x", "", []float64{}))
		got, err := readGainSD(stages.Inputs{Frames: []stages.Input{{Label: damage.TransferInput, Frame: f}}})
		if err != nil || got != tt.want && !(math.IsNaN(got) && math.IsNaN(tt.want)) {
			t.Errorf("%s: %v, %v; want %v", tt.reason, got, err, tt.want)
		}
	}
}

func TestCircuitsNameTheirLaps(t *testing.T) {
	b := bookOf(t, 0.1, 0, map[string][]float64{"Mild": {1, 2, 6, 3}, "Hard": {9, 7}}, "Mild", "Hard")
	f := b.circuitsFrame()
	texts := func(name string) []string { v, _ := frame.Get[[]string](f, name); return v }
	severity, _ := frame.Get[[]int64](f, "severity")
	got := fmt.Sprint(severity, texts("lap_nearest_mean"), texts("lap_worst"), texts("flags"))
	if want := "[2 1] [Mild3 Hard0] [Mild2 Hard0] [ few_laps]"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	low, _ := frame.Get[[]float64](f, "damage_per_lap_low")
	lowKm, _ := frame.Get[[]float64](f, "damage_per_km_low")
	if math.Abs(lowKm[0]-low[0]/4) > 1e-15 {
		t.Errorf("interval a km from %v, a lap of 4 km from %v", lowKm[0], low[0])
	}
}

func BenchmarkMargin(b *testing.B) {
	bk := &book{gainSD: 0.05, gainSlope: 1}
	bk.Strength = damage.Strength{Survival: 0.5, Material: fatigue.Material{Scatter: 0.2}}
	bk.TargetSeasons = 1
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range 500 {
		bk.laps = append(bk.laps, entry{Lap: Lap{Circuit: fmt.Sprint(i % 10), Km: 4}, damage: 1e-4 * rng.Float64()})
	}
	if err := bk.weigh(); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		bk.margin()
	}
}

// gaussian returns seeded standard normal numbers.
func gaussian(seed uint64) func() float64 { return rand.New(rand.NewPCG(seed, 1)).NormFloat64 }
