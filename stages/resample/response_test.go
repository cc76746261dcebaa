package resample

import (
	"math"
	"math/rand/v2"
	"testing"
)

func tone(n int, rate, hz, phase float64) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Sin(2*math.Pi*hz*float64(i)/rate + phase)
	}
	return x
}

// inner returns the middle half, away from both edges.
func inner(y []float64) (part []float64, first int) {
	return y[len(y)/4 : len(y)*3/4], len(y) / 4
}

// fitTone returns the gain in dB, the phase in rad and the largest residual of y
// against sin(2π·hz·k/rate + phase), k counting from first, by least squares.
func fitTone(y []float64, first int, rate, hz, phase float64) (db, shift, rest float64) {
	var ss, cc, sc, ys, yc float64
	for i, v := range y {
		s, c := math.Sincos(2*math.Pi*hz*float64(first+i)/rate + phase)
		ss, cc, sc, ys, yc = ss+s*s, cc+c*c, sc+s*c, ys+v*s, yc+v*c
	}
	det := ss*cc - sc*sc
	a, b := (ys*cc-yc*sc)/det, (yc*ss-ys*sc)/det
	for i, v := range y {
		s, c := math.Sincos(2*math.Pi*hz*float64(first+i)/rate + phase)
		rest = max(rest, math.Abs(v-a*s-b*c))
	}
	return 20 * math.Log10(math.Hypot(a, b)), math.Atan2(b, a), rest
}

func largest(x []float64) float64 {
	m := 0.0
	for _, v := range x {
		m = max(m, math.Abs(v))
	}
	return m
}

// The limits are those that the package comment promises.
func TestPassBandKeepsAmplitudeAndPhase(t *testing.T) {
	for _, c := range []struct {
		in, out float64
		band    Band
		tones   []float64
		reason  string
	}{
		{2000, 512, Band{}, []float64{1, 17, 100, 200, 230, 230.4}, "down, to 0.9 of the new limit"},
		{1000, 1024, Band{}, []float64{1, 99, 300, 449, 450}, "up a little, to 0.9 of the old limit"},
		{512, 1024, Band{}, []float64{1, 100, 230}, "up by two"},
		{500, 2000, Band{}, []float64{1, 100, 225}, "up by four"},
		{4096, 128, Band{}, []float64{1, 30, 57.6}, "down by 32"},
		{2000, 512, Band{High: 50}, []float64{0.5, 25, 50}, "down, the band's end inside"},
		{500, 2000, Band{High: 50}, []float64{0.5, 25, 50}, "up, the band's end inside"},
		{1024, 1024, Band{High: 501}, []float64{20, 501}, "the highest end that is taken"},
		{1024, 1024, Band{Low: 0.5, High: 50}, []float64{0.5, 1, 20, 50}, "the contract's band"},
		{200, 200, Band{Low: 40}, []float64{40, 90, 99}, "a lower end too high for a coarse grid"},
		{2000, 512, Band{Low: 2, High: 90}, []float64{2, 2.1, 45, 90}, "rate and both ends"},
	} {
		r, err := NewResampler(c.in, c.out, c.band)
		if err != nil {
			t.Fatal(err)
		}
		for _, hz := range c.tones {
			y, first := inner(r.Apply(tone(int(100*c.in), c.in, hz, 0.3)))
			db, shift, rest := fitTone(y, first, c.out, hz, 0.3)
			if math.Abs(db) > 0.01 || math.Abs(shift) > 1e-4 || rest > 1e-4 {
				t.Errorf("%s: %g Hz: %.5f dB, %.2g rad, residual %.2g, want 0.01 dB, 1e-4, 1e-4", c.reason, hz, db, shift, rest)
			}
		}
	}
}

func TestStopBandIsDown80Decibels(t *testing.T) {
	for _, c := range []struct {
		in, out float64
		band    Band
		tones   []float64
		reason  string
	}{
		{2000, 512, Band{}, []float64{256, 260, 282, 400, 512, 777, 999}, "from the new limit on"},
		{4096, 128, Band{}, []float64{64, 70, 128, 1000, 2047}, "down by 32"},
		{2000, 512, Band{High: 50}, []float64{62.5, 63, 100, 300, 512, 900}, "a quarter above the band"},
		{1024, 1024, Band{Low: 0.5, High: 50}, []float64{0.25, 0.2, 0.1, 62.5, 400}, "an octave below, a quarter above"},
		{200, 200, Band{Low: 40}, []float64{1, 10, 20}, "a lower end too high for a coarse grid"},
	} {
		r, err := NewResampler(c.in, c.out, c.band)
		if err != nil {
			t.Fatal(err)
		}
		for _, hz := range c.tones {
			y, _ := inner(r.Apply(tone(int(100*c.in), c.in, hz, 0.3)))
			if a := largest(y); a > 1e-4 {
				t.Errorf("%s: %g Hz comes out at %.1f dB, want below -80", c.reason, hz, 20*math.Log10(a))
			}
		}
	}
}

func TestEndsOfTheBandAreHalfWayThrough(t *testing.T) {
	// The response of a windowed sinc is antisymmetric about its cut-off, where it
	// is one half (Oppenheim and Schafer, section on windowed filters).
	r, err := NewResampler(1024, 1024, Band{Low: 2, High: 80})
	if err != nil {
		t.Fatal(err)
	}
	for _, hz := range []float64{1.5, 90} {
		y, first := inner(r.Apply(tone(100*1024, 1024, hz, 0.3)))
		if db, _, _ := fitTone(y, first, 1024, hz, 0.3); math.Abs(db+6.0206) > 0.01 {
			t.Errorf("%g Hz: %.4f dB, want -6.02", hz, db)
		}
	}
}

func TestUpwardsEverySampleStaysAndImagesAreGone(t *testing.T) {
	r, err := NewResampler(500, 2000, Band{})
	if err != nil {
		t.Fatal(err)
	}
	for _, hz := range []float64{3, 111, 225} {
		y, first := inner(r.Apply(tone(10000, 500, hz, 0.3)))
		if _, _, rest := fitTone(y, first, 2000, hz, 0.3); rest > 1e-4 {
			t.Errorf("%g Hz: images of %.1f dB, want below -80", hz, 20*math.Log10(rest))
		}
	}
}

// A sine sampled n times a cycle shows a fraction cos(π/n) of its peak when the
// peak falls half way between two samples (arithmetic; Harris 1978 for the same
// loss in spectra). Four times the rate has four times the samples a cycle.
func TestRaisingTheRateRecoversPeaks(t *testing.T) {
	for _, c := range []struct{ n, low, high float64 }{
		{2.56, 0.336890, 0.953},
		{4, 0.707107, 0.980785},
		{5, 0.809017, 0.987688},
		{10, 0.951057, 0.996917},
	} {
		hz := 500 / c.n
		worstIn, worstOut := peaks(t, hz)
		if math.Abs(worstIn-c.low) > 2e-3 {
			t.Errorf("%g samples a cycle: worst peak of the recording %.6f, want %.6f", c.n, worstIn, c.low)
		}
		if worstOut < math.Cos(math.Pi/(4*c.n))-2e-4 || worstOut < c.high-1e-3 {
			t.Errorf("%g samples a cycle: worst peak at four times the rate %.6f, want %.6f",
				c.n, worstOut, math.Cos(math.Pi/(4*c.n)))
		}
	}
}

// peaks returns the smallest largest sample in a cycle, at 500 and at 2000 Hz.
func peaks(t *testing.T, hz float64) (in, out float64) {
	t.Helper()
	r, err := NewResampler(500, 2000, Band{})
	if err != nil {
		t.Fatal(err)
	}
	in, out = 1, 1
	for i := range 200 {
		x := tone(1200, 500, hz, 2*math.Pi*float64(i)/200)
		y := r.Apply(x)
		// One cycle's worth of samples around the middle.
		n := int(math.Ceil(500 / hz))
		in = min(in, maximum(x[600:600+n]))
		out = min(out, maximum(y[2400:2400+int(math.Ceil(2000/hz))]))
	}
	return in, out
}

func maximum(x []float64) float64 {
	m := math.Inf(-1)
	for _, v := range x {
		m = max(m, v)
	}
	return m
}

// bandLimited is noise without content above share of half the rate.
func bandLimited(n int, share float64, seed uint64) []float64 {
	r := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, n)
	const tones = 60
	for range tones {
		hz, phase, a := share/2*r.Float64(), 2*math.Pi*r.Float64(), r.NormFloat64()
		for i := range x {
			x[i] += a * math.Sin(2*math.Pi*hz*float64(i)+phase)
		}
	}
	return x
}

func TestRoundTripRestoresTheSignal(t *testing.T) {
	for _, c := range [][2]float64{{512, 1024}, {500, 2000}, {1000, 1024}, {512, 2000}} {
		up, err := NewResampler(c[0], c[1], Band{})
		if err != nil {
			t.Fatal(err)
		}
		down, err := NewResampler(c[1], c[0], Band{})
		if err != nil {
			t.Fatal(err)
		}
		x := bandLimited(3000, 0.88, 7)
		y := down.Apply(up.Apply(x))
		// Up and down leave out the last part of a step.
		if len(y) < len(x)-2 {
			t.Fatalf("%v: %d samples back from %d", c, len(y), len(x))
		}
		a, first := inner(y)
		if d := largestDifference(a, x[first:first+len(a)]); d > 2e-4*largest(x) {
			t.Errorf("%v: largest difference %.3g of %.3g", c, d, largest(x))
		}
	}
}

// An independent estimate of the slowest way: the same sum, tap by tap.
func TestPolyphaseIsTheSumOverItsTaps(t *testing.T) {
	r, err := NewResampler(1000, 1024, Band{})
	if err != nil {
		t.Fatal(err)
	}
	x := bandLimited(500, 1, 3)
	y := r.Apply(x)
	l, m := r.Ratio()
	if l != 128 || m != 125 || len(r.main) != 1 {
		t.Fatalf("ratio %d/%d in %d filters, want 128/125 in one", l, m, len(r.main))
	}
	f := r.main[0]
	for k := 100; k < 400; k++ {
		sum := 0.0
		for j, v := range x {
			phase := k * m % l
			if i := j - (k*m/l - f.half + 1); i >= 0 && i < 2*f.half {
				sum += v * f.taps[phase*2*f.half+i]
			}
		}
		if math.Abs(sum-y[k]) > 1e-12*largest(x) {
			t.Fatalf("output %d is %g, want %g", k, y[k], sum)
		}
	}
}

func TestUniformFollowsASine(t *testing.T) {
	for _, c := range []struct{ perCycle, limit float64 }{{10, 4e-3}, {20, 3e-4}, {40, 2e-5}} {
		r := rand.New(rand.NewPCG(5, 5))
		const rate, n = 100.0, 5000
		hz := rate / c.perCycle
		at, x := make([]float64, n), make([]float64, n)
		for i := range at {
			at[i] = 3 + (float64(i)+min(max(0.1*r.NormFloat64(), -0.4), 0.4))/rate
			x[i] = math.Sin(2 * math.Pi * hz * at[i])
		}
		y, err := Uniform(at, x, rate)
		if err != nil {
			t.Fatal(err)
		}
		worst, raw := 0.0, 0.0
		for k, v := range y {
			want := math.Sin(2 * math.Pi * hz * (at[0] + float64(k)/rate))
			if k > 10 && k < len(y)-10 {
				worst, raw = max(worst, math.Abs(v-want)), max(raw, math.Abs(x[k]-want))
			}
		}
		if worst > c.limit || raw < 5*worst {
			t.Errorf("%g samples a cycle: error %.2g, want at most %.2g; %.2g when the stamps are ignored", c.perCycle, worst, c.limit, raw)
		}
		t.Logf("%g samples a cycle: error %.2g, stamps ignored %.2g", c.perCycle, worst, raw)
	}
}
