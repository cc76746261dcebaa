package resample

import (
	"math"
	"math/rand/v2"
	"testing"
)

// conversions are the rates and bands whose edges are tested.
var conversions = []struct {
	in, out float64
	band    Band
}{
	{2000, 512, Band{}},
	{2000, 512, Band{High: 50}},
	{512, 1024, Band{}},
	{1000, 1024, Band{}},
	{500, 2000, Band{High: 50}},
	{1024, 1024, Band{High: 50}},
}

func mustResampler(t testing.TB, in, out float64, b Band) *Resampler {
	t.Helper()
	r, err := NewResampler(in, out, b)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

var shortLengths = []int{1, 2, 3, 4, 5, 7, 10, 100, 257, 3000}

func TestConstantStaysConstant(t *testing.T) {
	for _, c := range conversions {
		r := mustResampler(t, c.in, c.out, c.band)
		for _, n := range shortLengths {
			x := make([]float64, n)
			for i := range x {
				x[i] = -123.4
			}
			y := r.Apply(x)
			if want := int(math.Floor(float64(n-1)*c.out/c.in+1e-9)) + 1; len(y) != want {
				t.Fatalf("%v: %d samples give %d, want %d", c, n, len(y), want)
			}
			for k, v := range y {
				if !(math.Abs(v+123.4) < 1e-12*123.4) {
					t.Fatalf("%v: %d samples: output %d is off by %g", c, n, k, v+123.4)
				}
			}
		}
	}
}

func TestLowCutTakesAwayAConstantAndARamp(t *testing.T) {
	r := mustResampler(t, 1024, 1024, Band{Low: 0.5})
	for _, n := range shortLengths {
		x := make([]float64, n)
		for i := range x {
			x[i] = 1000
		}
		if a := largest(r.Apply(x)); a > 1e-9 {
			t.Errorf("%d samples of a constant: %g is left", n, a)
		}
		const slope = 0.25 // a sample, 256 a second
		for i := range x {
			x[i] += slope * float64(i)
		}
		if a := largest(r.Apply(x)); a > 1e-9 {
			t.Errorf("%d samples of a ramp: %g is left", n, a)
		}
	}
}

func TestRampStaysARamp(t *testing.T) {
	for _, c := range conversions {
		r := mustResampler(t, c.in, c.out, c.band)
		for _, n := range shortLengths {
			x := make([]float64, n)
			for i := range x {
				x[i] = 5 - 2*float64(i)
			}
			for k, v := range r.Apply(x) {
				want := 5 - 2*float64(k)*c.in/c.out
				if !(math.Abs(v-want) < 1e-12*2*float64(max(n, 1000))) {
					t.Fatalf("%v: %d samples: output %d is %.9g, want %.9g", c, n, k, v, want)
				}
			}
		}
	}
}

func TestStepInsideLeavesTheEdgesAlone(t *testing.T) {
	for _, c := range conversions {
		r := mustResampler(t, c.in, c.out, c.band)
		x := make([]float64, 6000)
		for i := range x {
			x[i] = 7
			if i >= 3000 {
				x[i] = 9
			}
		}
		y := r.Apply(x)
		// Gibbs' 9 % of a step, more where the step falls between samples; as documented.
		if over := maximum(y) - 9; over > 0.14*2 {
			t.Errorf("%v: the step of 2 overshoots by %g", c, over)
		}
		for k := range len(y) / 5 {
			if math.Abs(y[k]-7) > 1e-11 || math.Abs(y[len(y)-1-k]-9) > 1e-11 {
				t.Fatalf("%v: output %d from the ends: %.15g and %.15g, want 7 and 9", c, k, y[k], y[len(y)-1-k])
			}
		}
	}
}

// A vibration inside the band is cut at every phase: no invented peak, and the
// same values as if the recording had gone on.
func TestCutThroughAVibrationInventsNoPeak(t *testing.T) {
	for _, c := range conversions {
		r := mustResampler(t, c.in, c.out, c.band)
		pass := passShare * min(c.in, c.out) / 2
		if c.band.High > 0 {
			pass = c.band.High
		}
		for _, share := range []float64{0.01, 0.1, 0.3, 0.6, 0.9, 1} {
			for phase := 0.0; phase < 6.2; phase += 0.37 {
				hz := share * pass
				y := r.Apply(tone(3000, c.in, hz, phase))
				want := tone(len(y), c.out, hz, phase)
				if a := largest(y); a > 1.01 {
					t.Errorf("%v: %g Hz at %.2f rad: largest output %.4f, want at most 1.01", c, hz, phase, a)
				}
				if d := largestDifference(y, want); d > 0.01 {
					t.Errorf("%v: %g Hz at %.2f rad: off by %.4f", c, hz, phase, d)
				}
			}
		}
	}
}

// What the filter removes must not stay as a peak at the ends. A lap is cut out of
// a longer recording, which tells the right values.
func TestCutThroughRemovedContentLeavesNoPeak(t *testing.T) {
	for _, c := range []struct {
		in, out float64
		band    Band
		hz      []float64 // what is there
		reason  string
		limit   float64
	}{
		{2000, 512, Band{}, []float64{20, 130, 410, 415, 700}, "a motor's whine above the new limit", 0.02},
		{2000, 512, Band{High: 50}, []float64{20, 33, 110, 410}, "resonances above the band", 0.03},
		{1024, 1024, Band{Low: 0.5}, []float64{0.03, 5, 17, 40, 90}, "drift below the band", 0.03},
	} {
		r := mustResampler(t, c.in, c.out, c.band)
		rng := rand.New(rand.NewPCG(11, 2))
		for range 10 {
			n := int(40 * c.in)
			long := make([]float64, 3*n)
			for _, hz := range c.hz {
				for i, v := range tone(len(long), c.in, hz, 6.28*rng.Float64()) {
					long[i] += 3 * v
				}
			}
			for i := range long {
				long[i] += 0.01 * rng.NormFloat64()
			}
			start := int(40 * c.in)
			want := r.Apply(long)[int(40*c.out):int(80*c.out)]
			y := r.Apply(long[start : start+n])
			if d := largestDifference(y[:len(want)-1], want[:len(want)-1]); d > c.limit*largest(want) {
				t.Errorf("%s: off by %.3g of %.3g at the ends", c.reason, d, largest(want))
			}
		}
	}
}

func TestBurgContinuesTones(t *testing.T) {
	x := make([]float64, 700)
	for i := range x {
		x[i] = 2*math.Sin(0.3*float64(i)+1) + math.Cos(0.07*float64(i))
	}
	y := make([]float64, 700)
	extend(y, x[100:600], 50)
	if d := largestDifference(y, x); d > 0.3 {
		t.Errorf("100 samples beyond the ends are off by %g of 3", d)
	}
}

// FuzzApply states laws that hold for any signal: the result is finite, its length
// is known, and a signal scaled and shifted gives a result scaled and shifted.
func FuzzApply(f *testing.F) {
	f.Add([]byte{1, 2}, uint8(0), 3.0, 5.0)
	f.Add([]byte{0, 255, 0, 255, 9, 9, 9, 9, 200}, uint8(1), -2.0, 999.0)
	f.Add([]byte("a longer run of ordinary text, to have some samples"), uint8(2), 0.5, -7.0)
	f.Fuzz(func(t *testing.T, b []byte, which uint8, scale, shift float64) {
		if len(b) == 0 || len(b) > 4000 || !(math.Abs(scale) > 1e-3 && math.Abs(scale) < 1e3) || !(math.Abs(shift) < 1e3) {
			t.Skip()
		}
		c := conversions[int(which)%len(conversions)]
		r := mustResampler(t, c.in, c.out, c.band)
		x, z := make([]float64, len(b)), make([]float64, len(b))
		for i, v := range b {
			x[i] = float64(v)
			z[i] = scale*x[i] + shift
		}
		y, yz := r.Apply(x), r.Apply(z)
		l, m := r.Ratio()
		if len(y) != (len(x)-1)*l/m+1 {
			t.Fatalf("%d samples give %d", len(x), len(y))
		}
		size := math.Abs(scale)*255 + math.Abs(shift)
		for k := range y {
			if want := scale*y[k] + shift; !(math.Abs(yz[k]-want) < 1e-6*size) {
				t.Fatalf("output %d is %g, scaled and shifted %g, want %g", k, y[k], yz[k], want)
			}
		}
	})
}

// A gap is crossed in a straight line, whatever the slopes at its ends.
func TestUniformCrossesGapsStraight(t *testing.T) {
	at, x := []float64{0, 1, 2, 3, 4, 24, 25, 26, 27}, []float64{0, 3, -2, 4, 9, 1, -6, 2, 0}
	y, err := Uniform(at, x, 1)
	if err != nil {
		t.Fatal(err)
	}
	for k := 4; k <= 24; k++ {
		want := 9 - 8*float64(k-4)/20
		if math.Abs(y[k]-want) > 1e-12 {
			t.Errorf("instant %d: %v, want %v on the line from 9 to 1", k, y[k], want)
		}
	}
}
