package damage

import (
	"math"
	"math/rand/v2"
	"testing"

	"lapwear/fatigue"
)

// withBurst is seeded noise of n samples, some ten to a cycle, with a burst, times size, of 300 samples from a place on.
func withBurst(n, at int, size float64) []float64 {
	rng := rand.New(rand.NewPCG(3, 4))
	burst := smooth(rng, 300)
	x := smooth(rng, n)
	for i, v := range burst {
		x[at+i] = size * v
	}
	return x
}

// smooth is white noise under a bell some three samples wide.
func smooth(rng *rand.Rand, n int) []float64 {
	const reach = 8
	white := make([]float64, n+2*reach)
	for i := range white {
		white[i] = rng.NormFloat64()
	}
	x := make([]float64, n)
	for i := range x {
		for k := -reach; k <= reach; k++ {
			x[i] += white[i+reach+k] * math.Exp(-float64(k*k)/8)
		}
	}
	return x
}

var slope7 = fatigue.Material{Curve: fatigue.Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 7}}

// A stationary Gaussian load does what Dirlik's formula says (to some 15 %, its own scatter; common practice, no source); one burst makes
// the figure large, and as large wherever in the lap it lies: the load is the same.
func TestCrossCheckDoesNotHangOnWhereABurstLies(t *testing.T) {
	const n = 20000
	p := Params{Strength: Strength{slope7, 0.5, Half}, Transfer: fatigue.Transfer{Gain: 20, Factor: 1}, ReferenceCycles: 1e6}
	if r := row(t, p, inputs(t, withBurst(n, 0, 1))).Dirlik; !(r > 0.8 && r < 1.2) {
		t.Errorf("a steady load has %v times Dirlik's damage, want about 1", r)
	}
	var low, high = math.Inf(1), 0.0
	for _, at := range []int{0, 40, 2048, 3996, 4097, 7893, 9900, 12000, 16300, 18000, 19699} {
		r := row(t, p, inputs(t, withBurst(n, at, 6))).Dirlik
		low, high = min(low, r), max(high, r)
	}
	if middle := (low + high) / 2; !(low > 5) || high > 1.1*middle {
		t.Errorf("with one burst the ratio goes from %v to %v by where it lies, want them within a tenth of one far above 1", low, high)
	}
}

// The spectrum knows neither mean stress nor the ultimate stress; the figure says how far the load is from Gaussian, and that does not
// change with the rule, with a static stress, or with the strength.
func TestCrossCheckIsOfTheLoadAlone(t *testing.T) {
	x := withBurst(20000, 5000, 2)
	p := Params{Strength: Strength{slope7, 0.5, Half}, Transfer: fatigue.Transfer{Gain: 20, Factor: 1}, ReferenceCycles: 1e6}
	want := row(t, p, inputs(t, x))
	for _, tt := range []struct {
		reason, note     string
		rule             fatigue.MeanStress
		ultimate, offset float64
	}{
		{"a static stress under Goodman's rule", "the mean-stress rule is left out of both figures", fatigue.MeanStress{Rule: fatigue.MeanGoodman}, 500, 150},
		{"SWT", "the mean-stress rule is left out of both figures", fatigue.MeanStress{Rule: fatigue.MeanSWT}, 0, 80},
		{"the ultimate stress is reached", "", fatigue.MeanStress{}, 100, 0},
	} {
		q := p
		q.Strength.Material.Mean, q.Strength.Material.Ultimate, q.Transfer.Offset = tt.rule, tt.ultimate, tt.offset
		got := row(t, q, inputs(t, x))
		if got.Damage == want.Damage {
			t.Errorf("%s: the damage is the same: nothing is tested", tt.reason)
		}
		if math.Abs(got.Dirlik/want.Dirlik-1) > 1e-12 || math.Abs(got.NarrowBand/want.NarrowBand-1) > 1e-12 || got.SpectralNote != tt.note {
			t.Errorf("%s: %v and %v times the spectrum's damage, note %q; want %v, %v, %q",
				tt.reason, got.Dirlik, got.NarrowBand, got.SpectralNote, want.Dirlik, want.NarrowBand, tt.note)
		}
	}
}
