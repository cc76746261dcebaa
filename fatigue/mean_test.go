package fatigue

import (
	"math"
	"testing"
)

func TestMeanStressValues(t *testing.T) {
	for _, r := range sourcedRows(t, "mean-stress.csv") {
		m := MeanStress{r["rule"], r.number("ultimate_mpa"), r.number("fatigue_strength_mpa"), r.number("gamma"), 0}
		near(t, m.Rule, m.Equivalent(r.number("amplitude_mpa"), r.number("mean_mpa")), r.number("equivalent_mpa"), 1e-8)
	}
}

// The factor of safety against an endurance limit is the reserve of a flat knee.
func TestFactorOfSafety(t *testing.T) {
	for _, r := range sourcedRows(t, "factor-of-safety.csv") {
		endurance := Power{RefAmplitude: r.number("endurance_mpa"), RefCycles: 1e6, Slope: 5, Knee: 1e6, Beyond: Beyond{Form: BeyondFlat}}
		law := mustLaw(t, Material{Curve: endurance, Mean: MeanStress{Rule: r["rule"], Ultimate: r.number("ultimate_mpa")}}, 0.5)
		got, err := Reserve(func(f float64) float64 { return law.Damage(f*r.number("min_mpa"), f*r.number("max_mpa")) }, 0)
		if err != nil {
			t.Fatal(err)
		}
		near(t, r["rule"]+", "+r["source"], got, r.number("factor"), r.number("digits_tolerance"))
	}
}

func TestMeanStressEnds(t *testing.T) {
	goodman, gerber := MeanStress{Rule: MeanGoodman, Ultimate: 300}, MeanStress{Rule: MeanGerber, Ultimate: 300}
	morrow := MeanStress{Rule: MeanMorrow, FatigueStrength: 300}
	swt, walker := MeanStress{Rule: MeanSWT}, MeanStress{Rule: MeanWalker, Gamma: 0.6}
	sensitivity := MeanStress{Rule: MeanSensitivity, M: 0.3}
	inf, nan := math.Inf(1), math.NaN()
	// By hand from the formulas that MeanStress states.
	for _, test := range []struct {
		reason          string
		m               MeanStress
		amplitude, mean float64
		want            float64
	}{
		{"the zero value is none", MeanStress{}, 100, 250, 100},
		{"none", MeanStress{Rule: MeanNone}, 100, -250, 100},
		{"goodman, half the ultimate", goodman, 100, 150, 200},
		{"goodman, no credit", goodman, 100, -150, 100},
		{"goodman, no credit for little", goodman, 100, -0.5, 100},
		{"goodman, mean at the ultimate", goodman, 1, 300, inf},
		{"gerber, half the ultimate", gerber, 75, 150, 100},
		{"gerber, no credit: its parabola would take compression for tension", gerber, 75, -150, 75},
		{"gerber, mean above the ultimate", gerber, 1, 301, inf},
		{"morrow, a third", morrow, 100, 100, 150},
		{"morrow, no credit", morrow, 100, -1, 100},
		{"morrow, mean at the strength", morrow, 1, 300, inf},
		{"swt at zero mean", swt, 100, 0, 100},
		{"swt, R = 0", swt, 50, 50, 50 * math.Sqrt2},
		{"swt, maximum 0", swt, 100, -100, 0},
		{"walker, maximum below 0", walker, 100, -120, 0},
		{"walker, R = 0: (2S)^0.4·S^0.6", walker, 50, 50, 50 * math.Exp2(0.4)},
		{"walker, no amplitude", walker, 0, 100, 0},
		{"sensitivity, R = -1", sensitivity, 100, 0, 100},
		{"sensitivity, R = 0", sensitivity, 100, 100, 130},
		{"sensitivity, R = 1/3: Sm = 2 Sa", sensitivity, 100, 200, 1.3 * 120 / 1.1},
		{"sensitivity, just below R = 0.5", sensitivity, 100, 295, 1.3 * 129.5 / 1.1},
		{"sensitivity, just above R = 0.5", sensitivity, 100, 305, 1.3 * 1.3 / 1.1 * 100},
		{"sensitivity, R = 0.5", sensitivity, 100, 300, 1.3 * 1.3 / 1.1 * 100},
		{"sensitivity, R = 0.8", sensitivity, 100, 900, 1.3 * 1.3 / 1.1 * 100},
		{"sensitivity, maximum 0", sensitivity, 100, -100, 70},
		{"sensitivity, all compressive", sensitivity, 100, -500, 70},
		{"sensitivity, NaN", sensitivity, 100, nan, nan},
		{"swt, NaN", swt, 100, nan, nan},
		{"goodman, NaN", goodman, 100, nan, nan},
		{"a rule nobody knows", MeanStress{Rule: "godman"}, 100, 0, nan},
	} {
		got := test.m.Equivalent(test.amplitude, test.mean)
		if math.IsNaN(got) != math.IsNaN(test.want) {
			t.Errorf("%s: %g, want %g", test.reason, got, test.want)
		} else if !math.IsNaN(got) {
			near(t, test.reason, got, test.want, 1e-14)
		}
	}
}

// The rules are continuous where their pieces meet: at Smax = 0, R = 0 and R = 0.5 for sensitivity, at Sm = 0 for the others.
func TestMeanStressContinuous(t *testing.T) {
	const amplitude, step = 80.0, 1e-9
	for _, m := range []MeanStress{
		{Rule: MeanGoodman, Ultimate: 400}, {Rule: MeanGerber, Ultimate: 400}, {Rule: MeanMorrow, FatigueStrength: 500},
		{Rule: MeanSensitivity, M: 0.05}, {Rule: MeanSensitivity, M: 0.3}, {Rule: MeanSensitivity, M: 1},
	} {
		for _, mean := range []float64{-amplitude, 0, amplitude, 3 * amplitude} {
			before, at, after := m.Equivalent(amplitude, mean-step), m.Equivalent(amplitude, mean), m.Equivalent(amplitude, mean+step)
			if math.Abs(at-before) > 10*step || math.Abs(after-at) > 10*step {
				t.Errorf("%+v jumps at mean %g: %.12g, %.12g, %.12g", m, mean, before, at, after)
			}
		}
	}
}

var soundRules = []MeanStress{
	{Rule: MeanNone},
	{Rule: MeanGoodman, Ultimate: 310},
	{Rule: MeanGerber, Ultimate: 310},
	{Rule: MeanMorrow, FatigueStrength: 534},
	{Rule: MeanSWT},
	{Rule: MeanWalker, Gamma: 0.63},
	{Rule: MeanSensitivity, M: 0.3},
}

// More mean or more amplitude never does less damage; and rules said to scale do.
func FuzzMeanStress(f *testing.F) {
	for i := range soundRules {
		f.Add(uint8(i), 100.0, 50.0, 1.0, 1.0, 2.0)
		f.Add(uint8(i), 100.0, -150.0, 51.0, 30.0, 0.5)
		f.Add(uint8(i), 40.0, 119.0, 2.0, 0.1, 1.5)
	}
	f.Fuzz(func(t *testing.T, i uint8, amplitude, mean, moreMean, moreAmplitude, scale float64) {
		m := soundRules[int(i)%len(soundRules)]
		for _, x := range []float64{amplitude, moreMean, moreAmplitude} {
			if !(x >= 0 && x <= 1e4) {
				t.Skip()
			}
		}
		if !(math.Abs(mean) <= 1e4) || !(scale > 1e-3 && scale < 1e3) {
			t.Skip()
		}
		s := m.Equivalent(amplitude, mean)
		if got := m.Equivalent(amplitude, mean+moreMean); !(got >= s*(1-1e-12)) {
			t.Errorf("%+v: %g at mean %g, but %g at mean %g", m, s, mean, got, mean+moreMean)
		}
		if got := m.Equivalent(amplitude+moreAmplitude, mean); !(got >= s*(1-1e-12)) {
			t.Errorf("%+v: %g at amplitude %g, but %g at %g", m, s, amplitude, got, amplitude+moreAmplitude)
		}
		if m.homogeneous() && amplitude+mean > 1e-6*amplitude {
			near(t, m.Rule+" scaled", m.Equivalent(scale*amplitude, scale*mean), scale*s, 1e-9)
		}
	})
}
