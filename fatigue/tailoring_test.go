package fatigue

import (
	"math"
	"slices"
	"strings"
	"testing"
)

func TestTailoringReference(t *testing.T) {
	// White up to where the rest is below the digits compared: 1e-7 of the crossing rate lies beyond 20 MHz.
	freq, density := []float64{0, 2e7}, []float64{4, 4}
	for _, r := range sourcedRows(t, "test-tailoring.csv") {
		want, o := number(t, r["value"]), Oscillators{Freq: []float64{50}, Q: 10, Slope: 4}
		switch topic := r["topic"]; {
		case strings.HasPrefix(topic, "damage of white noise"):
			o.Slope = number(t, r["parameter"])
			got, err := o.DamageOfDensity(freq, density, 3600)
			if err != nil {
				t.Fatal(err)
			}
			near(t, topic+", slope "+r["parameter"], got[0], want, 2e-7)
		case strings.HasPrefix(topic, "mean square of z"):
			near(t, topic, o.response(0, freq, density)[0], want, 1e-9)
		case strings.HasPrefix(topic, "mean square of the stretch as"):
			got, err := o.LargestOfDensity(freq, density, 3600)
			if err != nil {
				t.Fatal(err)
			}
			near(t, topic, got[0]*got[0]/(2*math.Log(50*3600)), want, 2e-6)
		case topic == "time compression":
			level, slope, _ := strings.Cut(r["parameter"], " ")
			near(t, topic, TimeCompression(number(t, level), number(t, slope)), want, 1e-7)
		default:
			t.Fatalf("row %q is not compared", topic)
		}
	}
}

// Reference library: scipy 1.10.1, signal.lsim, which is exact for straight lines between samples.
func TestRampFilterAgainstScipy(t *testing.T) {
	sets := map[[2]string][2][]float64{}
	for _, r := range sourcedRows(t, "scipy/oscillator.csv") {
		key := [2]string{r["freq"], r["q"]}
		s := sets[key]
		sets[key] = [2][]float64{append(s[0], number(t, r["x"])), append(s[1], number(t, r["z"]))}
	}
	if len(sets) != 5 {
		t.Fatalf("%d sets", len(sets))
	}
	for key, s := range sets {
		z := make([]float64, len(s[0]))
		newRampFilter(number(t, key[0]), number(t, key[1]), 1000).stretch(z, s[0])
		largest := max(slices.Max(s[1]), -slices.Min(s[1]))
		for i := range z {
			if math.Abs(z[i]-s[1][i]) > 1e-9*largest {
				t.Errorf("%s Hz, quality %s: value %d = %.12g, want %.12g", key[0], key[1], i, z[i], s[1][i])
				break
			}
		}
	}
}

// A sine stretches the spring by a/ω₀²/sqrt((1-r²)²+(r/Q)²) with r the ratio of frequencies, once the start has died away (closed form).
func TestDamageOfSine(t *testing.T) {
	const rate, f, a, seconds = 4000., 40., 3., 60.
	x := make([]float64, rate*seconds)
	for i := range x {
		x[i] = 100 + a*math.Sin(2*math.Pi*f*float64(i)/rate)
	}
	o := Oscillators{Freq: []float64{20, 40, 80, 200}, Q: 5, Slope: 6}
	damage, err := o.DamageOfSignal(x, rate)
	if err != nil {
		t.Fatal(err)
	}
	largest, err := o.LargestOfSignal(x, rate)
	if err != nil {
		t.Fatal(err)
	}
	for i, f0 := range o.Freq {
		r, w := f/f0, 2*math.Pi*f0
		z := a / (w * w) / math.Hypot(1-r*r, r/o.Q)
		near(t, "damage: a cycle each period", damage[i], f*seconds*math.Pow(z, 6), 0.04) // the start is another
		// The start adds a free swing of at most max(1, r) times the steady one.
		if got := largest[i] / (w * w * z); got < 0.998 || got > 1+max(1, r) {
			t.Errorf("%g Hz: largest response is %.3f of the steady one", f0, got)
		}
	}
}

// What a Gaussian signal does in time is what its density leads to expect, within the scatter of a few minutes.
func TestSignalAgreesWithItsDensity(t *testing.T) {
	const rate, n = 2000., 1 << 19
	x := gaussian(9, n, rate, 5, 200, 4)
	o := Oscillators{Freq: []float64{20, 50, 100, 150}, Q: 10, Slope: 4}
	seconds := n / rate
	inTime, err := o.DamageOfSignal(x, rate)
	if err != nil {
		t.Fatal(err)
	}
	expected, err := o.DamageOfDensity([]float64{5, 200}, []float64{4, 4}, seconds)
	if err != nil {
		t.Fatal(err)
	}
	largest, err := o.LargestOfSignal(x, rate)
	if err != nil {
		t.Fatal(err)
	}
	extreme, err := o.LargestOfDensity([]float64{5, 200}, []float64{4, 4}, seconds)
	if err != nil {
		t.Fatal(err)
	}
	for i := range o.Freq {
		near(t, "damage", inTime[i], expected[i], 0.15)
		near(t, "largest", largest[i], extreme[i], 0.2)
	}
}

// A spectrum shaped to a damage spectrum does that damage, whatever made it: here noise that is not white, in a quarter of the time.
func TestEquivalentDensity(t *testing.T) {
	o := Oscillators{Q: 10, Slope: 5}
	var density []float64
	for f := 10.; f < 300; f *= 1.06 {
		o.Freq = append(o.Freq, f)
		density = append(density, 1/(1+f*f/900)+3*math.Exp(-(f-90)*(f-90)/500))
	}
	want, err := o.DamageOfDensity(o.Freq, density, 3600)
	if err != nil {
		t.Fatal(err)
	}
	got, reached, err := o.EquivalentDensity(want, 900)
	if err != nil {
		t.Fatal(err)
	}
	again, err := o.DamageOfDensity(o.Freq, got, 900)
	if err != nil {
		t.Fatal(err)
	}
	rise := math.Pow(4, 2/o.Slope) // a quarter of the time takes densities 4^(2/slope) times as high
	for i := range want {
		near(t, "damage reached", again[i], want[i], 1.1e-3)
		near(t, "what it says of it", reached[i], again[i]/want[i], 1e-12)
		near(t, "density", got[i], rise*density[i], 0.1)
	}
}

// A notch that the skirts of its neighbours' resonances fill: the density there goes towards none, and what is too much is said.
func TestEquivalentDensityOutOfReach(t *testing.T) {
	o := Oscillators{Freq: []float64{20, 40, 60, 80, 100}, Q: 10, Slope: 5}
	want, err := o.DamageOfDensity([]float64{10, 200}, []float64{1, 1}, 60)
	if err != nil {
		t.Fatal(err)
	}
	want[2] *= 1e-12
	density, reached, err := o.EquivalentDensity(want, 60)
	if err != nil {
		t.Fatal(err)
	}
	if !(density[2] >= 0 && density[2] < 1e-9 && reached[2] > 10) {
		t.Errorf("density %g in the notch, %g times its damage", density[2], reached[2])
	}
	for _, i := range []int{0, 4} {
		near(t, "the others", reached[i], 1, 0.05)
	}
}

// Scaling a signal by f scales its damage by f^slope and its largest response by f; twice the time does twice the damage.
func FuzzOscillatorScale(f *testing.F) {
	f.Add(uint64(1), 2.0)
	f.Add(uint64(5), 1e-3)
	f.Fuzz(func(t *testing.T, seed uint64, factor float64) {
		if !(factor > 1e-6 && factor < 1e6) {
			t.Skip("no factor")
		}
		x := gaussian(seed, 2048, 1000, 5, 200, 1)
		o := Oscillators{Freq: []float64{20, 100}, Q: 10, Slope: 5}
		one, err := o.DamageOfSignal(x, 1000)
		if err != nil {
			t.Fatal(err)
		}
		two, err := o.DamageOfSignal(affine(x, factor, 0), 1000)
		if err != nil {
			t.Fatal(err)
		}
		white, err := o.DamageOfDensity([]float64{1, 200}, []float64{1, 2}, 10)
		if err != nil {
			t.Fatal(err)
		}
		more, err := o.DamageOfDensity([]float64{1, 200}, []float64{factor * factor, 2 * factor * factor}, 20)
		if err != nil {
			t.Fatal(err)
		}
		for i := range one {
			near(t, "damage of the signal", two[i], math.Pow(factor, 5)*one[i], 1e-9)
			near(t, "damage of the density", more[i], 2*math.Pow(factor, 5)*white[i], 1e-9)
		}
	})
}

func TestOscillatorsRefuse(t *testing.T) {
	good := Oscillators{Freq: []float64{20, 50}, Q: 10, Slope: 5}
	with := func(change func(*Oscillators)) Oscillators {
		o := good
		change(&o)
		return o
	}
	x := make([]float64, 10)
	for _, test := range []struct {
		reason string
		o      Oscillators
		x      []float64
		rate   float64
		want   string
	}{
		{"none", with(func(o *Oscillators) { o.Freq = nil }), x, 1000, "no natural frequency"},
		{"a frequency of 0", with(func(o *Oscillators) { o.Freq = []float64{0} }), x, 1000, "natural frequency 0"},
		{"above a tenth of the rate", good, x, 499, "not within"},
		{"far below the rate", with(func(o *Oscillators) { o.Freq = []float64{0.1} }), x, 1000, "not within"},
		{"overdamped", with(func(o *Oscillators) { o.Q = 0.5 }), x, 1000, "quality"},
		{"no slope", with(func(o *Oscillators) { o.Slope = 0 }), x, 1000, "slope"},
		{"no rate", good, x, 0, "rate"},
		{"a gap", good, []float64{0, math.NaN()}, 1000, "sample 1"},
	} {
		_, damage := test.o.DamageOfSignal(test.x, test.rate)
		_, largest := test.o.LargestOfSignal(test.x, test.rate)
		for _, err := range []error{damage, largest} {
			if err == nil || !strings.Contains(err.Error(), test.want) {
				t.Errorf("%s: error %v, want one with %q", test.reason, err, test.want)
			}
		}
	}
	if _, err := good.DamageOfDensity([]float64{1, 2}, []float64{1, 1}, 0); err == nil {
		t.Error("no time is not refused")
	}
	if _, err := good.LargestOfDensity([]float64{2, 1}, []float64{1, 1}, 10); err == nil {
		t.Error("falling frequencies are not refused")
	}
	for _, damage := range [][]float64{{1}, {1, 0}, {1, math.NaN()}} {
		if _, _, err := good.EquivalentDensity(damage, 10); err == nil {
			t.Errorf("damage %g is not refused", damage)
		}
	}
	falling := with(func(o *Oscillators) { o.Freq = []float64{50, 20} })
	if _, _, err := falling.EquivalentDensity([]float64{1, 1}, 10); err == nil || !strings.Contains(err.Error(), "does not rise") {
		t.Errorf("natural frequencies that fall: error %v", err)
	}
	none, err := good.DamageOfSignal(nil, 1000)
	if err != nil || !slices.Equal(none, []float64{0, 0}) {
		t.Errorf("no signal: %g, %v", none, err)
	}
}

func BenchmarkDamageOfSignal(b *testing.B) {
	x := gaussian(1, 1<<17, 2000, 5, 200, 1)
	o := Oscillators{Freq: []float64{10, 20, 30, 50, 80, 100, 150, 200}, Q: 10, Slope: 5}
	for b.Loop() {
		if _, err := o.DamageOfSignal(x, 2000); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(x)*len(o.Freq))*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}

func BenchmarkDamageOfDensity(b *testing.B) {
	freq, density := make([]float64, 513), make([]float64, 513)
	for i := range freq {
		freq[i], density[i] = float64(i), 1
	}
	o := Oscillators{Freq: []float64{10, 20, 30, 50, 80, 100, 150, 200}, Q: 10, Slope: 5}
	for b.Loop() {
		if _, err := o.DamageOfDensity(freq, density, 3600); err != nil {
			b.Fatal(err)
		}
	}
}
