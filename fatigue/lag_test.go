package fatigue

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"
)

// tones is a band-limited signal known at any time, in samples: the reference for delays, in closed form.
type tones struct{ amplitude, omega, phase []float64 }

// newTones draws tones between two shares of half the rate.
func newTones(seed uint64, count int, from, to float64) tones {
	random := rand.New(rand.NewPCG(seed, 3))
	var t tones
	for range count {
		t.amplitude = append(t.amplitude, 0.2+random.Float64())
		t.omega = append(t.omega, math.Pi*(from+(to-from)*random.Float64()))
		t.phase = append(t.phase, 2*math.Pi*random.Float64())
	}
	return t
}

// delayed returns n samples, delayed by a number of them.
func (t tones) delayed(n int, samples float64) []float64 {
	x := make([]float64, n)
	for i := range x {
		for k, w := range t.omega {
			x[i] += t.amplitude[k] * math.Sin(w*(float64(i)-samples)+t.phase[k])
		}
	}
	return x
}

func affine(x []float64, gain, offset float64) []float64 {
	y := slices.Clone(x)
	for i := range y {
		y[i] = gain*y[i] + offset
	}
	return y
}

func TestLag(t *testing.T) {
	wide := newTones(1, 40, 0.01, 0.9)
	for _, test := range []struct {
		reason       string
		signal       tones
		n            int
		delay        float64 // samples
		gain, offset float64
		tolerance    float64 // samples
	}{
		{"none", wide, 4000, 0, 8.37, 0, 1e-3},
		{"whole", wide, 4000, 7, 8.37, 100, 1e-3},
		{"in between", wide, 4000, 3.4, 8.37, -20, 0.01},
		{"half a sample", wide, 4000, 0.5, 1, 0, 0.01},
		{"y ahead", wide, 4000, -12.73, 1, 0, 0.01},
		{"turned over", wide, 4000, 3.4, -8.37, 3, 0.01},
		{"near the limit", wide, 4000, 19.9, 1, 0, 0.01},
		{"a short recording", wide, 160, 3.4, 1, 0, 0.01},
		{"nearly half the rate: the samples next to the peak are of the other sign", newTones(2, 40, 0.75, 0.9), 4000, 3.5, 1, 0, 0.01},
		{"slow beside the rate, few periods", newTones(3, 8, 0.002, 0.01), 4000, 3.4, 1, 0, 0.01},
		{"slow, and far off zero", newTones(3, 8, 0.002, 0.01), 4000, 3.4, 1, 1e6, 0.02},
		{"a trend under it", newTones(4, 40, 0.0001, 0.3), 2000, -5.25, 1, 0, 0.01},
	} {
		x, y := test.signal.delayed(test.n, 0), affine(test.signal.delayed(test.n, test.delay), test.gain, test.offset)
		lag, peak := Lag(x, y, 500, 20./500)
		if d := math.Abs(lag*500 - test.delay); !(d <= test.tolerance) {
			t.Errorf("%s: lag %.5f samples, want %g within %g", test.reason, lag*500, test.delay, test.tolerance)
		}
		near(t, test.reason+": peak", peak, math.Copysign(1, test.gain), 2/float64(test.n)) // the ends of the stretch
	}
}

// Noise on both sides lowers the peak to 1/(1+noise²) and leaves the lag where it is: the mean error over seeded repeats is far below
// its scatter.
func TestLagUnderNoise(t *testing.T) {
	const repeats, delay, share = 50, 3.4, 0.5
	random := rand.New(rand.NewPCG(11, 0))
	var sum, squares float64
	for i := range repeats {
		signal := newTones(uint64(i), 30, 0.01, 0.5)
		x, y := signal.delayed(2000, 0), signal.delayed(2000, delay)
		sd := math.Sqrt(variance(x)) * share
		for k := range x {
			x[k] += sd * random.NormFloat64()
			y[k] += sd * random.NormFloat64()
		}
		lag, peak := Lag(x, y, 1000, 0.02)
		near(t, "peak", peak, 1/(1+share*share), 0.06)
		e := lag*1000 - delay
		sum, squares = sum+e, squares+e*e
	}
	scatter := math.Sqrt(squares / repeats)
	if mean := math.Abs(sum / repeats); mean > 0.01 || scatter > 0.03 { // 0.01 is three standard errors
		t.Errorf("mean error %.4f samples, scatter %.4f", mean, scatter)
	}
}

func variance(x []float64) float64 {
	c := slices.Clone(x)
	centre(c)
	var sum float64
	for _, v := range c {
		sum += v * v
	}
	return sum / float64(len(x))
}

func TestLagLimits(t *testing.T) {
	signal := newTones(1, 40, 0.01, 0.3)
	x, far := signal.delayed(1000, 0), signal.delayed(1000, 4)
	gap := slices.Clone(x)
	gap[500] = math.NaN()
	flat := affine(x, 0, 1e9)
	wave := make([]float64, 1000)
	for i := range wave {
		wave[i] = math.Sin(2 * math.Pi * float64(i) / 20)
	}
	for _, test := range []struct {
		reason       string
		x, y         []float64
		rate, maxLag float64
		lag, peak    float64 // peak NaN: any but 0
	}{
		{"the peak is beyond: the lag is the limit", x, far, 1, 3.3, 3.3, math.NaN()},
		{"and on the other side", far, x, 1, 3.3, -3.3, math.NaN()},
		{"a sine repeats: the nearest of equal peaks", wave, wave, 1, 45, 0, 1},
		{"longer y: the rest is left out", x, append(slices.Clone(x), 1, 2, 3), 1, 10, 0, 1},
		{"x constant", flat, x, 1, 10, 0, 0},
		{"y constant", x, flat, 1, 10, 0, 0},
		{"a gap", gap, x, 1, 10, 0, 0},
		{"a gap in y", x, gap, 1, 10, 0, 0},
		{"too short", x[:115], x[:115], 1, 10, 0, 0},
		{"just long enough", x[:116], x[:116], 1, 10, 0, 1},
		{"nothing", nil, nil, 1, 10, 0, 0},
		{"no rate", x, x, 0, 10, 0, 0},
		{"a limit beyond the signal", x, x, 1, 1e300, 0, 0},
		{"a limit of NaN", x, x, 1, math.NaN(), 0, 0},
	} {
		lag, peak := Lag(test.x, test.y, test.rate, test.maxLag)
		if !(math.Abs(lag-test.lag) < 5e-4) || math.IsNaN(peak) {
			t.Errorf("%s: lag %g, want %g", test.reason, lag, test.lag)
		}
		if !math.IsNaN(test.peak) {
			near(t, test.reason+": peak", peak, test.peak, 1e-6)
		} else if peak == 0 {
			t.Errorf("%s: peak 0", test.reason)
		}
	}
}

// The kernel's response to a tone is that of a delay by the fraction, within what the comment on it says.
func TestKernelResponse(t *testing.T) {
	for _, fraction := range []float64{0, 0.1, 0.25, 0.5, 0.9} {
		k := newKernel(fraction)
		for share := 0.; share <= 0.9; share += 0.01 {
			var got complex128
			for j, v := range k {
				got += complex(v, 0) * cmplx.Exp(complex(0, math.Pi*share*float64(j-kernelHalf+1)))
			}
			if d := cmplx.Abs(got - cmplx.Exp(complex(0, math.Pi*share*fraction))); d > 2e-5 {
				t.Errorf("fraction %g at %.2f of half the rate: off by %g", fraction, share, d)
			}
		}
	}
}

func TestShift(t *testing.T) {
	signal := newTones(6, 40, 0.001, 0.9)
	const n, clear = 600, 40
	x := signal.delayed(n, 0)
	for _, samples := range []float64{0, 1, -1, 0.5, -0.5, 3.4, -12.73, 1e-9, 25.999} {
		got, want := Shift(x, samples), signal.delayed(n, samples)
		for i := clear + 30; i < n-clear-30; i++ {
			if math.Abs(got[i]-want[i]) > 1e-4 { // amplitudes add to about 28: 1e-5 of each, at random
				t.Errorf("%g samples: value %d = %.8f, want %.8f", samples, i, got[i], want[i])
				break
			}
		}
	}
}

func TestShiftEnds(t *testing.T) {
	ramp := []float64{1, 2, 3, 4, 5}
	for _, test := range []struct {
		reason  string
		x       []float64
		samples float64
		want    []float64
	}{
		{"whole, later: the first value is held", ramp, 2, []float64{1, 1, 1, 2, 3}},
		{"whole, earlier: the last is held", ramp, -1, []float64{2, 3, 4, 5, 5}},
		{"a line stays one up to its ends", ramp, 0.25, []float64{1, 1.75, 2.75, 3.75, 4.75}},
		{"a line, earlier", ramp, -0.5, []float64{1.5, 2.5, 3.5, 4.5, 5}},
		{"beyond all", ramp, 1e300, []float64{1, 1, 1, 1, 1}},
		{"before all", ramp, -1e300, []float64{5, 5, 5, 5, 5}},
		{"a constant", []float64{7, 7, 7}, 0.3, []float64{7, 7, 7}},
		{"one sample", []float64{7}, 0.3, []float64{7}},
		{"none", nil, 0.3, []float64{}},
	} {
		got := Shift(test.x, test.samples)
		if !slices.EqualFunc(got, test.want, func(a, b float64) bool { return math.Abs(a-b) < 0.06 }) {
			t.Errorf("%s: %v, want %v", test.reason, got, test.want)
		}
	}
}

func TestShiftPanics(t *testing.T) {
	for _, samples := range []float64{math.NaN(), math.Inf(1)} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%g samples do not panic", samples)
				}
			}()
			Shift([]float64{1, 2}, samples)
		}()
	}
}

// Bringing y forward by its lag lays it on x.
func FuzzLagUndoesShift(f *testing.F) {
	f.Add(uint64(1), 3.4)
	f.Add(uint64(2), -9.99)
	f.Fuzz(func(t *testing.T, seed uint64, delay float64) {
		if !(math.Abs(delay) <= 10) {
			t.Skip("beyond the limit")
		}
		signal := newTones(seed, 50, 0.01, 0.8)
		x := signal.delayed(400, 0)
		y := Shift(x, delay)
		lag, _ := Lag(x, y, 1, 10)
		if math.Abs(lag-delay) > 0.01 {
			t.Errorf("lag %g, want %g", lag, delay)
		}
	})
}

func BenchmarkLag(b *testing.B) {
	x := smooth(1 << 17)
	y := Shift(x, 3.4)
	b.ReportAllocs()
	for b.Loop() {
		Lag(x, y, 1000, 0.02)
	}
	b.ReportMetric(float64(len(x))*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}

func BenchmarkShift(b *testing.B) {
	x := smooth(1 << 17)
	b.ReportAllocs()
	for b.Loop() {
		Shift(x, 3.4)
	}
	b.ReportMetric(float64(len(x))*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}
