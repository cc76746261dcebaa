package fatigue

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The cases are hand arithmetic on the formula of each curve: powers of 2 and 10.
func TestCurveLife(t *testing.T) {
	base := Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 5}
	knee := func(b Beyond) Power {
		p := base
		p.Knee, p.Beyond = 32e6, b // at 50 MPa
		return p
	}
	cut := base
	cut.Cutoff = 32e6
	inf := math.Inf(1)
	for _, test := range []struct {
		reason          string
		curve           Curve
		amplitude, life float64
	}{
		{"the reference point", base, 100, 1e6},
		{"twice the stress, 2^-5 of the life", base, 200, 31250},
		{"no end without a knee", base, 1, 1e16},
		{"no stress", base, 0, inf},
		{"a negative amplitude does nothing", base, -5, inf},
		{"same slope", knee(Beyond{Form: BeyondSame}), 25, 32e6 * 32},
		{"flat, above the knee", knee(Beyond{Form: BeyondFlat}), 100, 1e6},
		{"flat, below the knee", knee(Beyond{Form: BeyondFlat}), 49.999999, inf},
		{"Haibach, 2k-1 = 9", knee(Beyond{Form: BeyondHaibach}), 25, 32e6 * 512},
		{"a slope of its own", knee(Beyond{Form: BeyondSlope, Slope: 6}), 25, 32e6 * 64},
		{"a cut-off without knee, above", cut, 51, 1e6 * math.Pow(100.0/51, 5)},
		{"a cut-off without knee, below", cut, 49.999999, inf},
		{"a slope that is not whole", Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 2.5}, 400, 31250},
		{"table, at a point", Table{[]float64{100, 50}, []float64{1e4, 32e4}}, 50, 32e4},
		{"table, slope 5 between", Table{[]float64{100, 25}, []float64{1e4, 1024e4}}, 50, 32e4},
		{"table, first slope above", Table{[]float64{100, 50, 25}, []float64{1e4, 32e4, 64e4}}, 200, 312.5},
		{"table, last slope below", Table{[]float64{100, 50, 25}, []float64{1e4, 32e4, 64e4}}, 12.5, 128e4},
		{"table, points in the other order", Table{[]float64{25, 50, 100}, []float64{64e4, 32e4, 1e4}}, 12.5, 128e4},
		{"equivalent stress, R = -1: Seq = 2^A3·S", EquivalentStress{A1: 10, A2: -4, A3: 0.5, MPaPerUnit: 1}, 10 / math.Sqrt2, 1e6},
		{"equivalent stress, bracket 0", EquivalentStress{A1: 10, A2: -4, A3: 1, A4: 20, MPaPerUnit: 1}, 10, inf},
		{"equivalent stress, bracket 10", EquivalentStress{A1: 10, A2: -4, A3: 1, A4: 20, MPaPerUnit: 1}, 15, 1e6},
		{"equivalent stress, in ksi", EquivalentStress{A1: 10, A2: -4, A3: 1, A4: 20, MPaPerUnit: KSI}, 15 * KSI, 1e6},
	} {
		near(t, test.reason+": life", test.curve.Life(test.amplitude), test.life, 1e-12)
		if !math.IsInf(test.life, 1) {
			near(t, test.reason+": amplitude", test.curve.Amplitude(test.life), test.amplitude, 1e-12)
		}
		if got := test.curve.Life(math.NaN()); !math.IsNaN(got) {
			t.Errorf("%s: life of NaN = %g, want NaN", test.reason, got)
		}
	}
}

func TestCurveAmplitudeEnds(t *testing.T) {
	flat := Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 5, Knee: 32e6, Beyond: Beyond{Form: BeyondFlat}}
	odd := flat
	odd.Slope, odd.Knee = 3.7, 2.3e6
	weld := mustLookup(t, "weld-71").Curve
	limit := EquivalentStress{A1: 10, A2: -4, A3: 1, A4: 20, MPaPerUnit: 1}
	negative := EquivalentStress{A1: 10, A2: -4, A3: 1, A4: -5, MPaPerUnit: 1}
	nan, inf := math.NaN(), math.Inf(1)
	for _, test := range []struct {
		reason          string
		curve           Curve
		life, amplitude float64
	}{
		{"the flat knee itself", flat, 32e6, 50},
		{"beyond a flat knee", flat, 33e6, nan},
		{"for ever, a flat knee", flat, inf, nan},
		{"the cut-off, EN 1993-1-9", weld, 1e8, 28.7346 / 2},
		{"beyond the cut-off", weld, 1.001e8, nan},
		{"for ever, a slope without end", Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 5}, inf, 0},
		{"for ever, a limit: A4/2^A3", limit, inf, 10},
		{"a negative A4 gives every stress a finite life", negative, 1e8, nan},
		{"no life", flat, 0, nan},
		{"a negative life", limit, -1, nan},
		{"NaN", flat, nan, nan},
	} {
		got := test.curve.Amplitude(test.life)
		if math.IsNaN(test.amplitude) != math.IsNaN(got) {
			t.Errorf("%s: amplitude = %g, want %g", test.reason, got, test.amplitude)
		} else if !math.IsNaN(got) {
			near(t, test.reason, got, test.amplitude, 2e-6)
		}
	}
	for _, c := range []Power{flat, odd} {
		if got := c.Life(c.Amplitude(c.Knee)); math.IsInf(got, 1) {
			t.Errorf("a flat knee does no damage at its own amplitude: %+v", c)
		}
	}
}

func TestWeldFactors(t *testing.T) {
	for _, r := range sourcedRows(t, "en-1993-1-9.csv") {
		m := mustLookup(t, "weld-"+r["category_mpa"])
		near(t, m.Name+" at 5e6", 2*m.Curve.Amplitude(5e6), r.number("knee_range_mpa"), 2e-6)
		near(t, m.Name+" at 1e8", 2*m.Curve.Amplitude(1e8), r.number("cutoff_range_mpa"), 3e-6)
		near(t, m.Name+" at 2e6", 2*m.Curve.Amplitude(2e6), r.number("category_mpa"), 1e-12)
	}
}

func TestMinerOnALine(t *testing.T) {
	line := Table{[]float64{594, 280}, []float64{1e3, 1e6}}
	damage := 0.0
	for _, r := range sourcedRows(t, "miner-line.csv") {
		life := line.Life(r.number("amplitude_mpa"))
		near(t, "life at "+r["amplitude_mpa"], life, r.number("life_cycles"), 1e-7)
		damage += r.number("share") / life
	}
	near(t, "life of the mix, Bhandari Ex. 5.11", 1/damage, 62731.118105, 1e-10)
}

func TestMaterialCheck(t *testing.T) {
	good := Material{Curve: Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 7, Knee: 5e6, Beyond: Beyond{Form: BeyondSame}}, Ultimate: 310}
	power := func(change func(*Power)) Material {
		p := good.Curve.(Power)
		change(&p)
		return Material{Curve: p}
	}
	equivalent := func(e EquivalentStress, rule string) Material {
		return Material{Curve: e, Mean: MeanStress{Rule: rule}}
	}
	table := func(s, n []float64) Material { return Material{Curve: Table{s, n}} }
	nan := math.NaN()
	for _, test := range []struct {
		reason string
		m      Material
		faults []string // the start of each, in order
	}{
		{"sound", good, nil},
		{"no curve", Material{}, []string{"check curve:"}},
		{"slope 0", power(func(p *Power) { p.Slope = 0 }), []string{"check curve slope:"}},
		{"all of a power NaN", power(func(p *Power) { p.RefAmplitude, p.RefCycles, p.Slope, p.Knee, p.Cutoff = nan, nan, nan, nan, nan }),
			[]string{"check curve amplitude:", "check curve cycles:", "check curve slope:", "check curve knee:", "check curve cut-off:"}},
		{"knee without beyond", power(func(p *Power) { p.Beyond.Form = "" }), []string{"check curve knee:"}},
		{"beyond unknown", power(func(p *Power) { p.Beyond.Form = "steeper" }), []string{`check curve knee: beyond "steeper"`}},
		{"beyond without knee", power(func(p *Power) { p.Knee, p.Beyond.Form = 0, BeyondFlat }), []string{"check curve knee:"}},
		{"slope beyond negative", power(func(p *Power) { p.Beyond = Beyond{BeyondSlope, -2} }), []string{"check slope beyond the knee:"}},
		{"2k-1 not positive", power(func(p *Power) { p.Slope, p.Beyond.Form = 0.4, BeyondHaibach }), []string{"check curve knee:"}},
		{"cut-off before the knee", power(func(p *Power) { p.Cutoff = 1e6 }), []string{"check curve cut-off:"}},
		{"cut-off after a flat knee", power(func(p *Power) { p.Cutoff, p.Beyond.Form = 1e8, BeyondFlat }), []string{"check curve cut-off:"}},
		{"table of one point", table([]float64{100}, []float64{1e5}), []string{"check curve table:"}},
		{"table with a hole", table([]float64{100, 50}, []float64{1e5}), []string{"check curve table:"}},
		{"table level", table([]float64{100, 100}, []float64{1e5, 1e6}), []string{"check curve table:"}},
		{"table turning back", table([]float64{100, 80, 90}, []float64{1e5, 1e6, 1e7}), []string{"check curve table: points 2 and 3"}},
		{"table with NaN", table([]float64{100, nan}, []float64{1e5, 1e6}), []string{"check curve table point 2 amplitude:", "check curve table:"}},
		{"equivalent stress with a mean rule", equivalent(EquivalentStress{10, -4, 0.5, 0, KSI}, MeanSWT), []string{"check mean stress rule:"}},
		{"equivalent stress all wrong", equivalent(EquivalentStress{nan, 4, 1.5, nan, 0}, ""),
			[]string{"check curve a1:", "check curve a4:", "check curve a2:", "check curve a3:", "check curve unit:"}},
		{"goodman without ultimate", Material{Curve: good.Curve, Mean: MeanStress{Rule: MeanGoodman}}, []string{"check mean stress ultimate:"}},
		{"two ultimates", Material{Curve: good.Curve, Ultimate: 310, Mean: MeanStress{Rule: MeanGoodman, Ultimate: 300}}, []string{"check mean stress ultimate:"}},
		{"morrow without strength", Material{Curve: good.Curve, Mean: MeanStress{Rule: MeanMorrow}}, []string{"check mean stress fatigue strength:"}},
		{"walker without gamma", Material{Curve: good.Curve, Mean: MeanStress{Rule: MeanWalker}}, []string{"check mean stress gamma:"}},
		{"sensitivity above 1", Material{Curve: good.Curve, Mean: MeanStress{Rule: MeanSensitivity, M: 1.1}}, []string{"check mean stress m:"}},
		{"rule unknown", Material{Curve: good.Curve, Mean: MeanStress{Rule: "godman"}}, []string{`check mean stress rule: "godman"`}},
		{"numbers of the material", Material{Curve: good.Curve, Ultimate: -1, Scatter: nan, Survival: 1},
			[]string{"check ultimate:", "check scatter:", "check survival of the curve:"}},
	} {
		var got []string
		for i, err := range test.m.Check() {
			got = append(got, err.Error())
			if i < len(test.faults) && strings.HasPrefix(err.Error(), test.faults[i]) {
				got[i] = test.faults[i]
			}
		}
		if diff := cmp.Diff(test.faults, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.reason, diff)
		}
		if _, err := NewLaw(test.m, 0.5); (err == nil) != (test.faults == nil) {
			t.Errorf("%s: NewLaw error = %v", test.reason, err)
		}
	}
	for _, survival := range []float64{0, 1, nan} {
		if _, err := NewLaw(good, survival); err == nil || errors.Unwrap(err) == nil {
			t.Errorf("survival %g: error = %v, want a wrapped one", survival, err)
		}
	}
}

// fuzzCurve makes a sound curve of any numbers; nil where they are out of range.
func fuzzCurve(kind uint8, a, b, c, d float64) Curve {
	in := func(x, low, high float64) bool { return x >= low && x <= high }
	if !in(a, 1, 1000) || !in(b, 1, 20) || !in(c, 0, 1) || !in(d, 0, 100) {
		return nil
	}
	p := Power{RefAmplitude: a, RefCycles: 1e6, Slope: b}
	switch kind % 8 {
	case 0:
		return p
	case 1:
		p.Knee, p.Beyond = 1e6*(1+d), Beyond{Form: BeyondHaibach}
	case 2:
		p.Knee, p.Beyond = 1e6*(1+d), Beyond{Form: BeyondFlat}
	case 3:
		p.Knee, p.Beyond, p.Cutoff = 1e5*(1+d), Beyond{Form: BeyondSlope, Slope: b + c}, 1e8
	case 4:
		p.Slope = math.Round(b)
		p.Cutoff = 1e6 * (1 + d)
	case 5:
		return Table{[]float64{a, a / (1.01 + c), a / (2.5 + d)}, []float64{1e4, 1e4 * b * 2, 1e4 * b * (3 + d)}}
	case 6:
		return EquivalentStress{A1: 10, A2: -b, A3: c, MPaPerUnit: KSI}
	case 7:
		return EquivalentStress{A1: 10, A2: -b, A3: c, A4: d, MPaPerUnit: KSI}
	}
	return p
}

// Life and Amplitude are inverses, and more stress never lives longer.
func FuzzCurve(f *testing.F) {
	for kind := range uint8(8) {
		f.Add(kind, 90.0, 7.0, 0.3, 4.0, 2e6, 1.01)
		f.Add(kind, 310.0, 3.3, 0.0, 0.0, 1e3, 1.5)
		f.Add(kind, 55.0, 5.0, 1.0, 99.0, 1e8, 1.0000001)
	}
	f.Fuzz(func(t *testing.T, kind uint8, a, b, c, d, life, more float64) {
		curve := fuzzCurve(kind, a, b, c, d)
		if curve == nil || !(life >= 1 && life <= 1e12) || !(more >= 1 && more <= 100) {
			t.Skip()
		}
		if errs := curve.check(); errs != nil {
			t.Fatalf("%+v: %v", curve, errs)
		}
		s := curve.Amplitude(life)
		if math.IsNaN(s) {
			if l, ok := curve.(EquivalentStress); ok {
				t.Fatalf("%+v has no amplitude for life %g", l, life)
			}
			return
		}
		// Rounding s by one part in 2^53 moves the life by its slope, which grows as s nears an A4.
		tolerance := 1e-11
		if e, ok := curve.(EquivalentStress); ok {
			seq := s * math.Exp2(e.A3) / e.MPaPerUnit
			tolerance *= 1 + seq/(seq-e.A4)
		}
		near(t, "life of the amplitude", curve.Life(s), life, tolerance)
		if n := curve.Life(s * more); n > curve.Life(s)*(1+1e-12) {
			t.Errorf("%+v: life %g at %g MPa, but %g at %g MPa", curve, curve.Life(s), s, n, s*more)
		}
	})
}
