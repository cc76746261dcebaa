package fatigue

import (
	"math"
	"math/rand/v2"
	"testing"
)

func TestReserve(t *testing.T) {
	inf := math.Inf(1)
	power := func(d, k float64) func(float64) float64 {
		return func(f float64) float64 { return d * math.Pow(f, k) }
	}
	jump := func(at, d float64) func(float64) float64 {
		return func(f float64) float64 {
			if f < at {
				return 0
			}
			return d
		}
	}
	// The results are hand arithmetic; the evaluations are what the search is said to need.
	for _, test := range []struct {
		reason      string
		total       func(float64) float64
		limit       float64
		want        float64
		evaluations int
		tolerance   float64
	}{
		{"damage 2^-7 of the limit, slope 7", power(1.0/128, 7), 1, 2, 8, 1e-10},
		{"damage far above the limit", power(1e6, 3), 1, 0.01, 10, 1e-10},
		{"damage far below the limit", power(1e-12, 3), 1, 1e4, 10, 1e-10},
		{"just met", power(1, 5), 1, 1, 8, 1e-10},
		{"a life factor of 1.5", power(1, 5), 1 / 1.5, math.Pow(1.5, -0.2), 8, 1e-10},
		{"a steep slope", power(1e-10, 40), 1, math.Pow(10, 0.25), 10, 1e-10},
		{"two slopes", func(f float64) float64 { return 1e-3*math.Pow(f, 3) + 1e-3*math.Pow(f, 9) }, 2e-3, 1, 5, 1e-10},
		{"a handbook limit: 0, then (1.05f - 1)^4", func(f float64) float64 { return math.Pow(max(0, 1.05*f-1), 4) }, 1e-4, 1.1 / 1.05, 10, 1e-10},
		{"a curve of many slopes", func(f float64) float64 { return math.Pow(f, 2) / 1000 * math.Exp(f) }, 16e-3 * math.Exp(4), 4, 12, 1e-10},
		{"a jump over the limit", jump(3.7, 5), 1, 3.7, 45, 1e-10},
		{"a jump to infinity", jump(3.7, inf), 1, 3.7, 45, 1e-10},
		{"a jump far away", jump(9e5, 5), 1, 9e5, 45, 1e-10},
		{"limit 0, a flat knee", jump(0.02, 1e-9), 0, 0.02, 45, 1e-10},
		{"never any damage", func(float64) float64 { return 0 }, 1, inf, 10, 0},
		{"damage from 1e7 on is out of reach", jump(1e7, 5), 1, inf, 10, 0},
		{"nor with limit 0", jump(1e7, 5), 0, inf, 10, 0},
		{"within the limit at any scale", power(1e-30, 1), 1, inf, 10, 0},
		{"above the limit at any scale", func(float64) float64 { return 2 }, 1, 0, 10, 0},
		{"limit 0 without end of damage", power(1e-9, 5), 0, 0, 10, 0},
		{"no limit", power(1, 5), inf, inf, 10, 0},
		{"a plateau at the limit, then a jump", func(f float64) float64 {
			if f < 1.25 {
				return 1
			}
			return 2
		}, 1, 1.25, 45, 1e-10},
	} {
		n := 0
		got, err := Reserve(func(f float64) float64 { n++; return test.total(f) }, test.limit)
		if err != nil {
			t.Errorf("%s: %v", test.reason, err)
		}
		near(t, test.reason, got, test.want, test.tolerance)
		if n > test.evaluations {
			t.Errorf("%s: %d evaluations, want %d at most", test.reason, n, test.evaluations)
		}
		if finite(got) && got > 0 && !(test.total(got) <= test.limit && test.total(got*(1+1e-9)) > test.limit) {
			t.Errorf("%s: %g is not the edge: %g, then %g", test.reason, got, test.total(got), test.total(got*(1+1e-9)))
		}
	}
}

func TestReserveRefuses(t *testing.T) {
	one := func(float64) float64 { return 1 }
	for _, test := range []struct {
		reason string
		total  func(float64) float64
		limit  float64
	}{
		{"a negative limit", one, -1},
		{"a limit of NaN", one, math.NaN()},
		{"damage of NaN", func(float64) float64 { return math.NaN() }, 1},
		{"damage of NaN later", func(f float64) float64 { return f / (3 - f) * math.Sqrt(2-f) }, 1e9},
		{"negative damage", func(float64) float64 { return -1 }, 1},
	} {
		if got, err := Reserve(test.total, test.limit); err == nil {
			t.Errorf("%s: reserve %g, want an error", test.reason, got)
		}
	}
}

// On real cycles: the reserve is the edge of the limit, and the closed form where damage scales.
func FuzzReserve(f *testing.F) {
	for kind := range uint8(8) {
		for rule := range uint8(len(soundRules)) {
			f.Add(kind, rule, uint64(kind), 0.5, 310.0)
			f.Add(kind, rule, uint64(rule), 1e-4, 0.0)
		}
	}
	f.Fuzz(func(t *testing.T, kind, rule uint8, seed uint64, limit, ultimate float64) {
		m, ok := fuzzMaterial(kind, rule, 90, 3+float64(seed%9)/2, 0.4, 5)
		if !ok || !(limit > 1e-6 && limit < 10) || !(ultimate == 0 || ultimate > 50 && ultimate < 1e4) {
			t.Skip()
		}
		if m.Mean.Ultimate == 0 {
			m.Ultimate = ultimate
		}
		rng := rand.New(rand.NewPCG(seed, 1))
		var c Cycles
		for range 20 {
			c.From, c.To = append(c.From, 40*rng.NormFloat64()), append(c.To, 40*rng.NormFloat64())
		}
		law := mustLaw(t, m, 0.5)
		total := func(f float64) float64 { return law.Sum(c, 1, Transfer{Gain: 1, Factor: f}).Damage }
		got, err := Reserve(total, limit)
		if err != nil {
			t.Fatal(err)
		}
		if !finite(got) || got <= 0 {
			t.Fatalf("reserve %g of damage %g", got, total(1))
		}
		if at, after := total(got), total(got*(1+1e-9)); !(at <= limit && limit < after) {
			t.Errorf("reserve %g: damage %g, just beyond it %g, limit %g", got, at, after, limit)
		}
		if slope, ok := law.Homogeneous(); ok && m.Ultimate == 0 {
			near(t, "reserve", got, math.Pow(limit/total(1), 1/slope), 2e-10)
		}
	})
}

// A curve may give less than one cycle just below the ultimate stress; the cycle that breaks the part then counts 1, less than before.
// The reserve is the first scale at which the damage exceeds the limit, not one beyond it. Expected: arithmetic.
func TestReserveStopsAtTheFirstCrossing(t *testing.T) {
	cycle := Cycles{From: []float64{-1}, To: []float64{1}, Start: []int32{0}, End: []int32{1}}
	for _, test := range []struct {
		reason      string
		material    Material
		limit, want float64
	}{
		// N = 1e6 (S/100)^-8 is 1/2 at 100 (2e6)^(1/8) = 613.2 MPa, below the ultimate of 700 MPa.
		{"power", Material{Ultimate: 700, Curve: Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 8}}, 2, math.Pow(2e6, 1.0/8)},
		{"with a knee", Material{Ultimate: 700, Curve: Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 8, Knee: 1e7,
			Beyond: Beyond{Form: BeyondHaibach}}}, 2, math.Pow(2e6, 1.0/8)},
		// At the ultimate of 300 MPa the damage is 1e-6 3^8 = 0.0066, then 1: a limit of 0.5 is met just there.
		{"the break itself", Material{Ultimate: 300, Curve: Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 8, Knee: 1e7,
			Beyond: Beyond{Form: BeyondHaibach}}}, 0.5, 3},
	} {
		law, err := NewLaw(test.material, 0.5)
		if err != nil {
			t.Fatal(err)
		}
		law = law.Rising()
		got, err := Reserve(func(scale float64) float64 {
			return law.Sum(cycle, 1, Transfer{Gain: 100, Factor: scale}).Damage
		}, test.limit)
		if err != nil {
			t.Fatal(err)
		}
		near(t, test.reason, got, test.want, 1e-9)
	}
}

// Below a flat knee there is no damage; at the amplitude that the curve states there is, however it is rounded.
func TestKneeAtTheStatedAmplitude(t *testing.T) {
	for _, amplitude := range []float64{100, 90, 80, 75, 62.5, 33.3, 1e-3} {
		c := Power{RefAmplitude: amplitude, RefCycles: 1e6, Slope: 5, Knee: 1e6, Beyond: Beyond{Form: BeyondFlat}}
		near(t, "life at the knee", c.Life(amplitude), 1e6, 1e-12)
		if life := c.Life(math.Nextafter(amplitude, 0)); !math.IsInf(life, 1) {
			t.Errorf("life just below %g MPa: %g, want no end", amplitude, life)
		}
	}
}
