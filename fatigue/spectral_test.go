package fatigue

import (
	"math"
	"math/big"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/integrate/quad"
)

// perRange is the law N = S^-k with S the range: the unit of published spectral formulas.
func perRange(tb testing.TB, slope float64) *Law {
	tb.Helper()
	return mustLaw(tb, Material{Curve: Power{RefAmplitude: 0.5, RefCycles: 1, Slope: slope}}, 0.5)
}

func TestSpectralReference(t *testing.T) {
	for _, r := range sourcedRows(t, "spectral-reference.csv") {
		v := func(column string) float64 { return number(t, r[column]) }
		what := r["from_hz"] + " to " + r["to_hz"] + " Hz, slope " + r["slope"]
		m, err := SpectralMoments([]float64{v("from_hz"), v("to_hz")}, []float64{v("density"), v("density")})
		if err != nil {
			t.Fatal(err)
		}
		want := Moments{v("m0"), v("m1"), v("m2"), v("m3"), v("m4")}
		if diff := cmp.Diff(want, m, cmpopts.EquateApprox(1e-8, 0)); diff != "" {
			t.Errorf("%s: moments (-want +got):\n%s", what, diff)
		}
		near(t, what+": irregularity", m.Irregularity(), v("irregularity"), 1e-7)
		got, err := perRange(t, v("slope")).Spectral(m)
		if err != nil {
			t.Fatal(err)
		}
		near(t, what+": narrow band", got.NarrowBand, v("narrow_band"), 1e-6)
		near(t, what+": Dirlik", got.Dirlik, v("dirlik"), 1e-5)
	}
}

// Rainflow of a simulated Gaussian signal does what the simulation of the reference did, and Dirlik is near it.
func TestDirlikAgainstRainflow(t *testing.T) {
	for _, r := range sourcedRows(t, "spectral-reference.csv") {
		v := func(column string) float64 { return number(t, r[column]) }
		if v("from_hz") != 1 || v("slope") > 5 {
			continue // steep slopes hang on few large cycles
		}
		const rate, n = 640., 1 << 20
		x := gaussian(3, n, rate, v("from_hz"), v("to_hz"), v("density"))
		c, err := CountCycles(x, 0)
		if err != nil {
			t.Fatal(err)
		}
		law := perRange(t, v("slope"))
		time := law.Sum(c.Closed, 1, unity).Damage + law.Sum(HalfCycles(c.Residue), 0.5, unity).Damage
		near(t, "damage per second, slope "+r["slope"], time*rate/n, v("time_domain"), 0.03)
		freq, density, err := Welch{Window: Hann, Length: 4096, Overlap: 2048}.Density(x, rate)
		if err != nil {
			t.Fatal(err)
		}
		m, err := SpectralMoments(freq, density)
		if err != nil {
			t.Fatal(err)
		}
		got, err := law.Spectral(m)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "Dirlik of the measured spectrum, slope "+r["slope"], got.Dirlik, v("dirlik"), 0.03)
		near(t, "maxima per second", float64(c.Closed.Len())*rate/n, m.PeakRate(), 0.02)
	}
}

// gaussian is a signal of flat density within a band: transforms of random phase and Rayleigh amplitude.
func gaussian(seed uint64, n int, rate, from, to, density float64) []float64 {
	random := rand.New(rand.NewPCG(seed, 1))
	c := make([]complex128, n/2+1)
	step := rate / float64(n)
	sd := math.Sqrt(density * step / 4) // of each part: the line's mean square is density·step
	for i := range c {
		if f := float64(i) * step; f >= from && f < to {
			c[i] = complex(sd*random.NormFloat64(), sd*random.NormFloat64())
		}
	}
	return fourier.NewFFT(n).Sequence(nil, c)
}

// Two slopes and a cut-off: against the integral of damage times density, by quadrature, and the closed form of the Korean Register
// (GA-03-E 2025) for a knee with the second slope two steeper: 1 - [γ(k/2+1,t) - γ(k/2+2,t)/t]/Γ(k/2+1), t = knee range²/(8·m0).
func TestSpectralWithKnees(t *testing.T) {
	m, err := SpectralMoments([]float64{5, 50}, []float64{20, 20})
	if err != nil {
		t.Fatal(err)
	}
	rms := m.RMS()
	knee := Power{RefAmplitude: 60, RefCycles: 1e6, Slope: 3, Knee: 1e6, Beyond: Beyond{Form: BeyondSlope, Slope: 5}}
	flat, cut := knee, knee
	flat.Beyond = Beyond{Form: BeyondFlat}
	cut.Cutoff = 1e8
	for _, test := range []struct {
		reason string
		curve  Curve
	}{
		{"a knee", knee}, {"a flat knee", flat}, {"a cut-off", cut},
		{"a table", Table{Amplitudes: []float64{150, 60, 30, 20}, Lives: []float64{1e4, 1e6, 1e8, 1e10}}},
	} {
		law := mustLaw(t, Material{Curve: test.curve, Scatter: 0.2}, 0.9)
		got, err := law.Spectral(m)
		if err != nil {
			t.Fatal(err)
		}
		d, err := newDirlik(m)
		if err != nil {
			t.Fatal(err)
		}
		narrow := integrate(func(x float64) float64 { return law.Damage(-x*rms, x*rms) * x * math.Exp(-x*x/2) })
		broad := integrate(func(x float64) float64 {
			return law.Damage(-x*rms, x*rms) * (d.w1/d.q*math.Exp(-x/d.q) + d.w2*x/d.r/d.r*math.Exp(-x*x/2/d.r/d.r) + d.w3*x*math.Exp(-x*x/2))
		})
		near(t, test.reason+": narrow band", got.NarrowBand, m.ZeroRate()*narrow, 1e-4)
		near(t, test.reason+": Dirlik", got.Dirlik, m.PeakRate()*broad, 1e-4)
	}
	two, one := mustSpectral(t, knee, m), mustSpectral(t, Power{RefAmplitude: 60, RefCycles: 1e6, Slope: 3}, m)
	at := 120 * 120 / (8 * m[0])
	lower := func(a, t float64) float64 { return gammaBelow(a, t) * math.Gamma(a) }
	near(t, "factor of the knee", two.NarrowBand/one.NarrowBand, 1-(lower(2.5, at)-lower(3.5, at)/at)/math.Gamma(2.5), 1e-9)
}

func integrate(f func(float64) float64) float64 {
	var sum float64
	for i := range 2000 { // small pieces: the damage has corners
		sum += quad.Fixed(f, float64(i)*0.01, float64(i+1)*0.01, 4, nil, 0)
	}
	return sum
}

func mustSpectral(tb testing.TB, c Curve, m Moments) SpectralDamage {
	tb.Helper()
	d, err := mustLaw(tb, Material{Curve: c}, 0.5).Spectral(m)
	if err != nil {
		tb.Fatal(err)
	}
	return d
}

func TestSpectralLimits(t *testing.T) {
	line := func(width float64) Moments {
		m, err := SpectralMoments([]float64{10 - width, 10 + width}, []float64{50 / width, 50 / width})
		if err != nil {
			t.Fatal(err)
		}
		return m
	}
	for _, width := range []float64{0.1, 1e-3, 1e-6} {
		m := line(width)
		got := mustSpectral(t, Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 5}, m)
		near(t, "a narrow band: both models agree", got.Dirlik, got.NarrowBand, 0.3*width)
		near(t, "zero rate", m.ZeroRate(), 10, width)
		near(t, "peak rate", m.PeakRate(), 10, 2*width)
		near(t, "rms", m.RMS(), 10, 1e-9) // the width itself is rounded
	}
	silent, err := SpectralMoments([]float64{0, 10}, []float64{0, 0})
	if err != nil {
		t.Fatal(err)
	}
	if got := mustSpectral(t, bracket.Curve, silent); got != (SpectralDamage{}) {
		t.Errorf("no signal does damage %+v", got)
	}
	if silent.ZeroRate() != 0 || silent.PeakRate() != 0 || silent.Irregularity() != 0 {
		t.Errorf("no signal: rates %g and %g, irregularity %g", silent.ZeroRate(), silent.PeakRate(), silent.Irregularity())
	}
}

// Twice the stress does 2^k the damage, whatever the density.
func FuzzSpectralScale(f *testing.F) {
	f.Add(uint64(1), 5.0)
	f.Add(uint64(2), 3.3)
	f.Fuzz(func(t *testing.T, seed uint64, slope float64) {
		if !(slope > 0.5 && slope < 15) {
			t.Skip("beyond reason")
		}
		random := rand.New(rand.NewPCG(seed, 0))
		freq, density := make([]float64, 20), make([]float64, 20)
		for i := range freq {
			freq[i], density[i] = float64(i)+random.Float64(), math.Exp(4*random.NormFloat64())
		}
		m, err := SpectralMoments(freq, density)
		if err != nil {
			t.Fatal(err)
		}
		curve := Power{RefAmplitude: 90, RefCycles: 1e6, Slope: slope}
		one, two := mustSpectral(t, curve, m), mustSpectral(t, curve, m.Scaled(2))
		near(t, "narrow band", two.NarrowBand, math.Pow(2, slope)*one.NarrowBand, 1e-9)
		near(t, "Dirlik", two.Dirlik, math.Pow(2, slope)*one.Dirlik, 1e-9)
	})
}

func TestSpectralRefuses(t *testing.T) {
	for _, test := range []struct {
		reason        string
		freq, density []float64
		want          string
	}{
		{"one point", []float64{1}, []float64{1}, "at least two"},
		{"lengths differ", []float64{1, 2}, []float64{1, 2, 3}, "at least two"},
		{"frequencies fall", []float64{1, 3, 2}, []float64{1, 1, 1}, "does not rise"},
		{"the same twice", []float64{1, 1}, []float64{1, 1}, "does not rise"},
		{"a negative frequency", []float64{-1, 1}, []float64{1, 1}, "frequency 0"},
		{"a negative density", []float64{1, 2}, []float64{1, -1}, "density 1"},
		{"a density of NaN", []float64{1, 2}, []float64{math.NaN(), 1}, "density 0"},
		{"an overflow", []float64{1, 1e300}, []float64{1, 1}, "larger unit"},
	} {
		_, err := SpectralMoments(test.freq, test.density)
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: error %v, want one with %q", test.reason, err, test.want)
		}
	}
	law := perRange(t, 5)
	for _, m := range []Moments{{1, 5, 1, 1, 1}, {1, 1, 0, 1, 1}, {1, 2, 3, 4, math.NaN()}, {-1, 1, 1, 1, 1}} {
		if _, err := law.Spectral(m); err == nil || !strings.Contains(err.Error(), "of no density") {
			t.Errorf("moments %g: error %v", m, err)
		}
	}
	if _, err := law.Spectral(Moments{1e200, 1e200, 1e200, 1e200, 1e200}); err == nil || !strings.Contains(err.Error(), "+Inf") {
		t.Errorf("damage beyond all numbers: error %v", err)
	}
	handbook := mustLaw(t, Material{Curve: EquivalentStress{A1: 10, A2: -4, A3: 0.5, MPaPerUnit: 1}}, 0.5)
	if _, err := handbook.Spectral(Moments{1, 1, 1, 1, 1}); err == nil {
		t.Error("an equivalent-stress curve is not refused")
	}
}

// A transform of the sampled line has the amplitude the density says: guards the simulation that other tests lean on.
func TestGaussianHasItsDensity(t *testing.T) {
	x := gaussian(5, 1<<16, 640, 1, 20, 50)
	near(t, "variance", variance(x), 50*19, 0.05)
	c := fourier.NewFFT(len(x)).Coefficients(nil, x)
	if at := cmplx.Abs(c[len(c)-1]); at > 1e-6 {
		t.Errorf("power %g at half the rate", at)
	}
}

func BenchmarkSpectral(b *testing.B) {
	m, err := SpectralMoments([]float64{5, 50}, []float64{20, 20})
	if err != nil {
		b.Fatal(err)
	}
	law := perRange(b, 5)
	for b.Loop() {
		if _, err := law.Spectral(m); err != nil {
			b.Fatal(err)
		}
	}
}

// The same integral as by pieces, also where all of the density is in one bin, at an end or inside.
func TestMomentsOfBins(t *testing.T) {
	const step = 0.3
	for _, n := range []int{2, 3, 17, 4097} {
		all := make([]float64, n)
		rng := rand.New(rand.NewPCG(uint64(n), 1))
		for i := range all {
			all[i] = rng.ExpFloat64()
		}
		first, last, middle := make([]float64, n), make([]float64, n), make([]float64, n)
		first[0], last[n-1], middle[n/2] = 2, 3, 5
		freq := make([]float64, n)
		for i := range freq {
			freq[i] = float64(i) * step
		}
		for _, density := range [][]float64{all, first, last, middle} {
			want, err := SpectralMoments(freq, density)
			if err != nil {
				t.Fatal(err)
			}
			got, err := MomentsOfBins(step, density)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(want, got, cmpopts.EquateApprox(1e-12, 0)); diff != "" {
				t.Errorf("%d bins (-by pieces +got):\n%s", n, diff)
			}
			exact := exactMoments(step, density)
			for k := range exact {
				if off, pieces := relative(got[k], exact[k]), relative(want[k], exact[k]); off > max(1e-14, pieces) {
					t.Errorf("%d bins: moment %d is off by %.2g, by pieces by %.2g", n, k, off, pieces)
				}
			}
		}
	}
	for reason, density := range map[string][]float64{
		"one bin": {1}, "negative": {1, -1}, "not finite": {1, math.NaN()}, "moments not finite": {1, math.MaxFloat64}} {
		if _, err := MomentsOfBins(1e9, density); err == nil {
			t.Errorf("%s: no error", reason)
		}
	}
	if _, err := MomentsOfBins(0, []float64{1, 1}); err == nil {
		t.Error("no step: no error")
	}
}

func relative(got, want float64) float64 { return math.Abs(got/want - 1) }

// exactMoments integrates each piece's polynomial with 300 bits.
func exactMoments(step float64, density []float64) Moments {
	number := func(x float64) *big.Float { return new(big.Float).SetPrec(300).SetFloat64(x) }
	var m Moments
	width := number(step)
	for k := range m {
		sum := number(0)
		for i := range len(density) - 1 {
			g, slope := number(density[i]), number(density[i+1])
			slope.Sub(slope, g)
			for j := range k + 1 { // Binomial(k, j)·i^(k-j)·t^j times g + slope·t, from 0 to 1
				c := number(float64(new(big.Int).Binomial(int64(k), int64(j)).Int64()))
				for range k - j {
					c.Mul(c, number(float64(i)))
				}
				part := new(big.Float).Quo(g, number(float64(j+1)))
				part.Add(part, new(big.Float).Quo(slope, number(float64(j+2))))
				sum.Add(sum, part.Mul(part, c))
			}
		}
		m[k], _ = sum.Mul(sum, width).Float64()
		width.Mul(width, number(step))
	}
	return m
}

func BenchmarkMomentsOfBins(b *testing.B) {
	density := make([]float64, 4097)
	for i := range density {
		density[i] = 1 / float64(i+1)
	}
	for b.Loop() {
		if _, err := MomentsOfBins(0.1, density); err != nil {
			b.Fatal(err)
		}
	}
}
