package fatigue

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mathext"
)

var unity = Transfer{Gain: 1, Factor: 1}

// bracket is the material of the hand-worked cases: 2^-7 for twice the stress.
var bracket = Material{
	Name: "bracket", Ultimate: 310, Scatter: 0.15, Mean: MeanStress{Rule: MeanGoodman},
	Curve: Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 7, Knee: 5e6, Beyond: Beyond{Form: BeyondSame}},
}

func TestDamageByHand(t *testing.T) {
	morrow := bracket
	morrow.Ultimate, morrow.Mean = 0, MeanStress{Rule: MeanMorrow, FatigueStrength: 300}
	lowerBound := bracket
	lowerBound.Survival = 0.9772498680518208
	handbook := Material{Curve: EquivalentStress{A1: 10, A2: -4, A3: 0.5, MPaPerUnit: 1}, Ultimate: 500}
	onlyMax := Material{Curve: EquivalentStress{A1: 10, A2: -4, MPaPerUnit: 1}}
	const twoSigma = 0.9772498680518208 // Φ(2), any table of the normal distribution
	for _, test := range []struct {
		reason   string
		m        Material
		survival float64
		min, max float64
		want     float64
	}{
		{"the reference amplitude", bracket, 0.5, -90, 90, 1e-6},
		{"twice the reference amplitude", bracket, 0.5, -180, 180, 128e-6},
		{"mean at half the ultimate doubles it", bracket, 0.5, 65, 245, 128e-6},
		{"survival of two standard deviations: 10^(2·0.15)", bracket, twoSigma, -90, 90, 1e-6 * math.Pow(10, 0.3)},
		{"survival of minus two", bracket, 1 - twoSigma, -90, 90, 1e-6 / math.Pow(10, 0.3)},
		{"a curve that stands for that survival already", lowerBound, twoSigma, -90, 90, 1e-6},
		{"and is asked for 50 %", lowerBound, 0.5, -90, 90, 1e-6 / math.Pow(10, 0.3)},
		{"the maximum at the ultimate", bracket, 0.5, 309, 310, 1},
		{"no cycle, but at the ultimate", bracket, 0.5, 310, 310, 1},
		{"the ultimate whatever the survival", bracket, twoSigma, 0, 400, 1},
		{"compression beyond the ultimate is no fracture", bracket, 0.5, -400, -220, 1e-6},
		{"the mean at the fatigue strength", morrow, 0.5, 299, 301, 1},
		{"handbook, R = 0: Seq = Smax", handbook, 0.5, 0, 100, 1e-2},
		{"handbook, R = -3: Seq = 2·Smax", handbook, 0.5, -150, 50, 1e-2},
		{"handbook, no range", handbook, 0.5, 100, 100, 0},
		{"handbook, compression", handbook, 0.5, -100, 0, 0},
		{"handbook, at the ultimate", handbook, 0.5, 0, 500, 1},
		{"handbook, A3 = 0: the maximum alone", onlyMax, 0.5, 99, 100, 1e-2},
		{"handbook, A3 = 0, no range", onlyMax, 0.5, 100, 100, 0},
	} {
		law := mustLaw(t, test.m, test.survival)
		near(t, test.reason, law.Damage(test.min, test.max), test.want, 1e-12)
		near(t, test.reason+", falling", law.Damage(test.max, test.min), test.want, 1e-12)
	}
	for _, m := range []Material{bracket, morrow, handbook, mustLookup(t, "weld-71")} {
		law := mustLaw(t, m, 0.5)
		if a, b := law.Damage(math.NaN(), 10), law.Damage(-10, math.NaN()); !math.IsNaN(a) || !math.IsNaN(b) {
			t.Errorf("%s: damage of NaN = %g, %g, want NaN", m.Name, a, b)
		}
	}
}

// MIL-HDBK-5J, each row names its figure.
func TestHandbookPoints(t *testing.T) {
	byFigure := map[string]*Law{}
	for _, m := range Published() {
		byFigure[m.Source] = mustLaw(t, m, 0.5)
	}
	for _, r := range sourcedRows(t, "mil-hdbk-5j-points.csv") {
		law := byFigure["MIL-HDBK-5J (31 Jan 2003) Figure "+r["figure"]]
		if law == nil {
			t.Fatalf("no built-in curve of figure %s", r["figure"])
		}
		smax := r.number("Smax_ksi") * KSI
		damage := law.Damage(r.number("R")*smax, smax)
		near(t, r["source"]+": N", 1/damage, r.number("N_cycles"), 5e-6)
		if damage > 0 {
			near(t, r["source"]+": log10 N", -math.Log10(damage), r.number("log10N"), 1e-6)
		}
	}
}

// The levels are stress ranges; the note's lives at R = 0.1 and 0.2 are those of Smax = range/(1-R).
func TestMinerPerFlight(t *testing.T) {
	law := mustLaw(t, mustLookup(t, "al-7050-t7451-plate-kt3"), 0.5)
	for _, r := range sourcedRows(t, "miner-flight.csv") {
		var c Cycles
		for _, b := range []struct {
			n   int
			ksi float64
		}{{1, 10.49}, {10, 5.25}, {100, 1.75}} {
			for range b.n {
				smax := b.ksi / (1 - r.number("ratio"))
				c.From, c.To = append(c.From, smax-b.ksi), append(c.To, smax)
			}
		}
		sum := law.Sum(c, 1, Transfer{Gain: KSI, Factor: 1})
		near(t, r["source"]+": flights", 1/sum.Damage, r.number("flights"), r.number("tolerance"))
		if r.number("ratio") == 0 {
			near(t, "damage per flight, AF-DT-1000 F27", sum.Damage, 1.904876e-06, 3e-7)
		}
	}
}

func TestWeldExample(t *testing.T) {
	total := 0.0
	for _, r := range sourcedRows(t, "en-1993-1-9-example.csv") {
		law := mustLaw(t, mustLookup(t, r["curve"]), 0.5)
		d := r.number("cycles") * law.Damage(0, r.number("range_mpa"))
		if math.Abs(d-r.number("damage")) > 5e-7 {
			t.Errorf("range %s: damage %.7f, want %s", r["range_mpa"], d, r["damage"])
		}
		total += d
	}
	if math.Abs(total-0.168517) > 5e-7 {
		t.Errorf("sum = %.7f, want 0.168517", total)
	}
}

func TestSum(t *testing.T) {
	law := mustLaw(t, bracket, 0.5)
	handbook := mustLaw(t, Material{Curve: EquivalentStress{A1: 10, A2: -4, A3: 0.5, MPaPerUnit: 1}}, 0.5)
	// stress = 2·(3x + 15): -90 and 90 MPa at x = -20 and 10; -180 at -35, 180 at 25, 330 at 50.
	transfer := Transfer{Gain: 3, Offset: 15, Factor: 2}
	exact := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) <= 1e-12*math.Abs(b) })
	for _, test := range []struct {
		reason   string
		law      *Law
		from, to []float64
		weight   float64
		t        Transfer
		want     Sum
	}{
		{"no cycles", law, nil, nil, 1, transfer, Sum{LargestIndex: -1}},
		{"cycles both ways", law, []float64{-20, 25, 10}, []float64{10, -35, -20}, 1, transfer,
			Sum{Cycles: 3, Damage: 130e-6, MaxAmplitude: 180, MaxStress: 180, Largest: 128e-6, LargestIndex: 1}},
		{"half cycles", law, []float64{-20, 25, 10}, []float64{10, -35, -20}, 0.5, transfer,
			Sum{Cycles: 1.5, Damage: 65e-6, MaxAmplitude: 180, MaxStress: 180, Largest: 64e-6, LargestIndex: 1}},
		{"the first of equals is the largest", law, []float64{-20, 10}, []float64{10, -20}, 1, transfer,
			Sum{Cycles: 2, Damage: 2e-6, MaxAmplitude: 90, MaxStress: 90, Largest: 1e-6, LargestIndex: 0}},
		{"over the ultimate", law, []float64{-20, 50}, []float64{10, -20}, 0.5, transfer,
			Sum{Cycles: 1, Damage: 0.5000005, MaxAmplitude: 210, MaxStress: 330, Largest: 0.5, LargestIndex: 1, OverUltimate: 0.5}},
		{"a falling gain turns cycles over", law, []float64{-90}, []float64{90}, 1, Transfer{Gain: -1, Factor: 1},
			Sum{Cycles: 1, Damage: 1e-6, MaxAmplitude: 90, MaxStress: 90, Largest: 1e-6}},
		{"all compressive: the greatest stress is below 0", law, []float64{-290}, []float64{-110}, 1, unity,
			Sum{Cycles: 1, Damage: 1e-6, MaxAmplitude: 90, MaxStress: -110, Largest: 1e-6}},
		{"no damage has no largest", handbook, []float64{-50}, []float64{-10}, 1, unity,
			Sum{Cycles: 1, MaxAmplitude: 20, MaxStress: -10, LargestIndex: -1}},
		{"outside R = -1: only the second", handbook, []float64{-50, -150}, []float64{50, 50}, 0.5, unity,
			Sum{Cycles: 1, Damage: 0.5 * (1e-10*2500*2500*4 + 1e-2), MaxAmplitude: 100, MaxStress: 50, Largest: 0.5e-2, LargestIndex: 1, OutsideR: 0.5e-2}},
		{"the zero transfer is no stress", law, []float64{-20}, []float64{10}, 1, Transfer{}, Sum{Cycles: 1, LargestIndex: -1}},
	} {
		got := test.law.Sum(Cycles{From: test.from, To: test.to}, test.weight, test.t)
		if diff := cmp.Diff(test.want, got, exact); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.reason, diff)
		}
	}
	if got := law.Sum(Cycles{From: []float64{-20, math.NaN()}, To: []float64{10, 10}}, 1, transfer); !math.IsNaN(got.Damage) {
		t.Errorf("damage with a NaN = %g, want NaN", got.Damage)
	}
}

func TestEquivalentAmplitude(t *testing.T) {
	const twoSigma = 0.9772498680518208
	flat := bracket
	flat.Curve = Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 7, Knee: 5e6, Beyond: Beyond{Form: BeyondFlat}}
	for _, test := range []struct {
		reason         string
		m              Material
		survival       float64
		damage, cycles float64
		want           float64
	}{
		{"damage 1 in the reference cycles", bracket, 0.5, 1, 1e6, 90},
		{"2^7 of it", bracket, 0.5, 128, 1e6, 180},
		{"no damage", bracket, 0.5, 0, 1e6, 0},
		{"survival is part of it", bracket, twoSigma, math.Pow(10, 0.3), 1e6, 90},
		{"less than a flat knee's", flat, 0.5, 1e-3, 1e6, math.NaN()},
		{"negative damage", bracket, 0.5, -1, 1e6, math.NaN()},
		{"NaN", bracket, 0.5, math.NaN(), 1e6, math.NaN()},
	} {
		got := mustLaw(t, test.m, test.survival).EquivalentAmplitude(test.damage, test.cycles)
		if math.IsNaN(got) != math.IsNaN(test.want) {
			t.Errorf("%s: %g, want %g", test.reason, got, test.want)
		} else if !math.IsNaN(got) {
			near(t, test.reason, got, test.want, 1e-12)
		}
	}
	for _, m := range Published() { // it undoes Damage at R = -1, at any survival
		law := mustLaw(t, m, 0.9)
		s := m.Curve.Amplitude(2e5)
		near(t, m.Name, law.EquivalentAmplitude(3e5*law.Damage(-s, s), 3e5), s, 1e-9)
	}
}

// Narrow-band Gaussian stress: the damage per cycle is the mean of D over a Rayleigh distribution of amplitudes.
// Closed forms: Korean Register, Guidance GA-03-E 2025, spectral section (KR): (2√(2 m0))^k/C·Γ(1+k/2) with ranges, which is
// (√(2 m0))^k/C·Γ(1+k/2) with amplitudes; and for a knee at the range s7 with slope m+2 beyond it that times
// 1 - [γ(m/2+1,t) - γ((m+2)/2+1,t)/t]/Γ(m/2+1), t = s7²/(8 m0).
func TestRayleighDamage(t *testing.T) {
	const m0 = 100.0
	for _, k := range []float64{3, 5, 6.5} {
		simple := Power{RefAmplitude: 40, RefCycles: 1e6, Slope: k}
		closed := math.Pow(math.Sqrt(2*m0)/40, k) / 1e6 * math.Gamma(1+k/2)
		near(t, "one slope", rayleighMean(t, simple, m0), closed, 1e-9)

		kneed := simple
		kneed.Knee, kneed.Beyond = 3e7, Beyond{Form: BeyondSlope, Slope: k + 2}
		s7 := 2 * kneed.Amplitude(3e7)
		x := s7 * s7 / (8 * m0)
		// GammaIncReg is γ over Γ, and Γ(k/2+2) = (k/2+1)·Γ(k/2+1)
		mu := 1 - (mathext.GammaIncReg(k/2+1, x) - mathext.GammaIncReg(k/2+2, x)*(k/2+1)/x)
		near(t, "knee", rayleighMean(t, kneed, m0), mu*closed, 1e-9)
	}
}

func rayleighMean(t *testing.T, p Power, m0 float64) float64 {
	law := mustLaw(t, Material{Curve: p}, 0.5)
	density := func(s float64) float64 { return law.Damage(-s, s) * s / m0 * math.Exp(-s*s/(2*m0)) }
	middle := p.RefAmplitude
	if p.Knee > 0 {
		middle = p.Amplitude(p.Knee)
	}
	return quad.Fixed(density, 0, middle, 200, nil, 0) + quad.Fixed(density, middle, 20*math.Sqrt(m0), 200, nil, 0)
}

// The same closed form against signals: 9.5 to 10.5 Hz at 100 MPa²/Hz, so m0 = 100 MPa² (KR as above).
func TestNarrowBandSignal(t *testing.T) {
	const rate, n, m0, signals = 320.0, 1 << 21, 100.0, 2
	for _, k := range []float64{3, 5} {
		law := mustLaw(t, Material{Curve: Power{RefAmplitude: 40, RefCycles: 1e6, Slope: k}}, 0.5)
		damage := 0.0
		for seed := range uint64(signals) {
			count, err := CountCycles(narrowBand(n, rate, m0, seed), 0)
			if err != nil {
				t.Fatal(err)
			}
			damage += law.Sum(count.Closed, 1, unity).Damage + law.Sum(HalfCycles(count.Residue), 0.5, unity).Damage
		}
		frequency := math.Sqrt((10.5*10.5*10.5 - 9.5*9.5*9.5) / 3) // of upward crossings, √(m2/m0)
		closed := signals * n / rate * frequency * math.Pow(math.Sqrt(2*m0)/40, k) / 1e6 * math.Gamma(1+k/2)
		near(t, fmt.Sprintf("damage of the signals, slope %g", k), damage, closed, 0.05)
	}
}

// narrowBand is a signal of variance m0: equal lines from 9.5 to 10.5 Hz, so many that their random phases make it Gaussian.
func narrowBand(n int, rate, m0 float64, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 11))
	spectrum := make([]complex128, n/2+1)
	first, end := int(math.Ceil(9.5*float64(n)/rate)), int(math.Ceil(10.5*float64(n)/rate))
	size := math.Sqrt(m0 / (2 * float64(end-first))) // a line c gives 2c·cos, of mean square 2c²
	for i := first; i < end; i++ {
		spectrum[i] = cmplx.Rect(size, 2*math.Pi*rng.Float64())
	}
	return fourier.NewFFT(n).Sequence(nil, spectrum)
}

func TestHomogeneous(t *testing.T) {
	type answer struct {
		Slope float64
		OK    bool
	}
	one := Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 7}
	haibach, cut, number := one, one, one
	haibach.Knee, haibach.Beyond = 5e6, Beyond{Form: BeyondHaibach}
	number.Knee, number.Beyond = 5e6, Beyond{BeyondSlope, 7}
	cut.Cutoff = 1e8
	for _, test := range []struct {
		reason string
		m      Material
		want   answer
	}{
		{"one slope", Material{Curve: one}, answer{7, true}},
		{"a knee that changes nothing", Material{Curve: number, Mean: MeanStress{Rule: MeanSWT}}, answer{7, true}},
		{"goodman compares with a fixed stress", Material{Curve: one, Ultimate: 310, Mean: MeanStress{Rule: MeanGoodman}}, answer{7, false}},
		{"a knee", Material{Curve: haibach}, answer{7, false}},
		{"a cut-off", Material{Curve: cut}, answer{7, false}},
		{"a table", Material{Curve: Table{[]float64{90, 45}, []float64{1e6, 128e6}}}, answer{0, false}},
		{"handbook without limit", mustLookup(t, "al-6061-t6"), answer{9.84, true}},
		{"handbook with a limit", mustLookup(t, "al-7075-t6"), answer{7.77, false}},
	} {
		var got answer
		got.Slope, got.OK = mustLaw(t, test.m, 0.5).Homogeneous()
		if got != test.want {
			t.Errorf("%s: %+v, want %+v", test.reason, got, test.want)
		}
	}
}

func fuzzMaterial(kind, rule uint8, a, b, c, d float64) (Material, bool) {
	m := Material{Curve: fuzzCurve(kind, a, b, c, d), Mean: soundRules[int(rule)%len(soundRules)], Scatter: c}
	if m.Curve == nil {
		return m, false
	}
	if _, own := m.Curve.(EquivalentStress); own {
		m.Mean = MeanStress{}
	}
	return m, true
}

// Damage scales where the law says so, does not fall with amplitude or mean, and moves by 10^(z·scatter) with survival.
func FuzzDamage(f *testing.F) {
	for kind := range uint8(8) {
		for rule := range uint8(len(soundRules)) {
			f.Add(kind, rule, 90.0, 7.0, 0.3, 4.0, -20.0, 130.0, 1.7, 0.9)
			f.Add(kind, rule, 90.0, 3.3, 0.1, 40.0, -200.0, -13.0, 0.1, 0.02)
		}
	}
	f.Fuzz(func(t *testing.T, kind, rule uint8, a, b, c, d, lo, hi, scale, survival float64) {
		m, ok := fuzzMaterial(kind, rule, a, b, c, d)
		if !ok || !(lo < hi && lo > -1000 && hi < 300 && hi-lo > 1e-3 && math.Abs(hi) > 1e-3) || !(scale > 0.01 && scale < 100) || !(survival > 1e-6 && survival < 1-1e-6) {
			t.Skip()
		}
		median, law := mustLaw(t, m, 0.5), mustLaw(t, m, survival)
		damage := median.Damage(lo, hi)
		if slope, ok := median.Homogeneous(); ok {
			near(t, "scaled damage", median.Damage(scale*lo, scale*hi), damage*math.Pow(scale, slope), 1e-9)
		}
		for _, more := range [][2]float64{{lo - 1, hi + 1}, {lo + 1, hi + 1}} {
			if got := median.Damage(more[0], more[1]); got < damage*(1-1e-10) && got < 1 {
				t.Errorf("%+v: damage %g of %g..%g, but %g of %g..%g", m, damage, lo, hi, got, more[0], more[1])
			}
		}
		if damage < 1 {
			near(t, "survival", law.Damage(lo, hi), damage*math.Pow(10, mathext.NormalQuantile(survival)*m.Scatter), 1e-10)
		}
	})
}

// Sum is Damage of each cycle in order, to the last bit, and the half of it with weight 0.5.
func FuzzSum(f *testing.F) {
	for kind := range uint8(8) {
		f.Add(kind, uint8(kind), uint64(kind), 5.0, 10.0, 1.1)
	}
	f.Fuzz(func(t *testing.T, kind, rule uint8, seed uint64, gain, offset, factor float64) {
		m, ok := fuzzMaterial(kind, rule, 90, 3+float64(seed%9)/2, 0.4, 5)
		if !ok || !(math.Abs(gain) < 100) || !(math.Abs(offset) < 100) || !(factor > 0 && factor < 10) {
			t.Skip()
		}
		m.Ultimate = 310
		law := mustLaw(t, m, 0.9)
		transfer := Transfer{gain, offset, factor}
		rng := rand.New(rand.NewPCG(seed, 0))
		var c Cycles
		want := 0.0
		for range 50 {
			a, b := 10*rng.NormFloat64(), 10*rng.NormFloat64()
			c.From, c.To = append(c.From, a), append(c.To, b)
			want += law.Damage(transfer.Stress(a), transfer.Stress(b))
		}
		full, half := law.Sum(c, 1, transfer), law.Sum(c, 0.5, transfer)
		if full.Damage != want || half.Damage != want/2 {
			t.Errorf("sums %v and %v of weight 1 and 0.5, want %v and its half", full.Damage, half.Damage, want)
		}
		if full.Largest > full.Damage || full.OutsideR > full.Damage || full.OverUltimate > full.Damage || full.MaxStress < -full.MaxAmplitude-1e4 {
			t.Errorf("parts of more than the whole: %+v", full)
		}
	})
}

// The short way to a sum has the bits of the long one.
func TestSumOfWholeSlopes(t *testing.T) {
	power := Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 7}
	knee := func(b Beyond, cutoff float64) Power {
		p := power
		p.Knee, p.Beyond, p.Cutoff = 5e6, b, cutoff
		return p
	}
	materials := []Material{
		{Curve: power}, {Curve: power, Ultimate: 150}, {Curve: Table{Amplitudes: []float64{100, 50, 25, 12.5}, Lives: []float64{1e4, 8e4, 64e4, 512e4}}},
		{Curve: knee(Beyond{Form: BeyondSame}, 0), Ultimate: 150},
		{Curve: knee(Beyond{Form: BeyondFlat}, 0)},
		{Curve: knee(Beyond{Form: BeyondHaibach}, 1e8), Ultimate: 150, Scatter: 0.2},
	}
	for slope := range maxWholeSlope {
		p := knee(Beyond{Form: BeyondSame}, float64(slope%2)*1e8)
		p.Slope = float64(slope + 1)
		materials = append(materials, Material{Curve: p, Ultimate: 200})
	}
	for _, m := range materials {
		law := mustLaw(t, m, 0.9)
		rng := rand.New(rand.NewPCG(1, 2))
		c := Cycles{From: []float64{1, 0, -3}, To: []float64{1, math.Copysign(0, -1), 300}}
		for range 2000 {
			c.From, c.To = append(c.From, 60*rng.NormFloat64()), append(c.To, 60*rng.NormFloat64())
		}
		each, want := make([]float64, c.Len()), make([]float64, c.Len())
		transfer := Transfer{1.1, 3, 0.9}
		got, ok := law.sumWhole(each, c, 0.5, transfer)
		if diff := cmp.Diff(law.sumAny(want, c, 0.5, transfer), got); diff != "" || !ok {
			t.Errorf("%+v: %t (-long way +short way):\n%s", m, ok, diff)
		}
		if diff := cmp.Diff(want, each); diff != "" {
			t.Errorf("%+v: each (-long way +short way):\n%s", m, diff)
		}
		for _, high := range []float64{1, 400} { // the other end may be beyond the ultimate stress
			c.From[7], c.To[7] = high, math.NaN()
			if _, ok := law.sumWhole(nil, c, 1, transfer); ok || !math.IsNaN(law.Sum(c, 1, transfer).Damage) {
				t.Errorf("%+v: the short way is taken with NaN", m)
			}
		}
	}
}
