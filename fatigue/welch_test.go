package fatigue

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"gonum.org/v1/gonum/floats"
)

func TestWindows(t *testing.T) {
	names := map[string]Window{"rectangular": Rectangular, "hann": Hann, "hamming": Hamming, "blackman-harris": BlackmanHarris, "flat-top": FlatTop}
	for _, r := range sourcedRows(t, "windows.csv") {
		w, want := names[r["window"]], number(t, r["value"])
		weights := w.Weights(64)
		sum, n := floats.Sum(weights), float64(len(weights))
		what := r["window"] + " " + r["quantity"]
		switch r["quantity"] {
		case "noise_bandwidth":
			near(t, what, w.NoiseBandwidth(), want, 1e-6)
			near(t, what+" of the weights", n*floats.Dot(weights, weights)/(sum*sum), want, 1e-6)
		case "coherent_gain":
			near(t, what, w.CoherentGain(), want, 1e-6)
			near(t, what+" of the weights", sum/n, want, 1e-6)
		}
	}
}

func scipyRows(tb testing.TB, window string, length, overlap int) Spectra {
	tb.Helper()
	var s Spectra
	for _, r := range sourcedRows(tb, "scipy/spectra.csv") {
		if r["window"] != window || r["length"] != strconv.Itoa(length) || r["overlap"] != strconv.Itoa(overlap) {
			continue
		}
		s.Freq = append(s.Freq, number(tb, r["freq"]))
		s.Pxx = append(s.Pxx, number(tb, r["pxx"]))
		s.Pyy = append(s.Pyy, number(tb, r["pyy"]))
		s.Pxy = append(s.Pxy, complex(number(tb, r["pxy_re"]), number(tb, r["pxy_im"])))
	}
	return s
}

func scipySignals(tb testing.TB) (x, y []float64) {
	tb.Helper()
	for _, r := range sourcedRows(tb, "scipy/spectra-signals.csv") {
		x = append(x, number(tb, r["x"]))
		y = append(y, number(tb, r["y"]))
	}
	return x, y
}

// Reference library: scipy.signal 1.10.1, welch and csd, on the signals of testdata/scipy.
func TestSpectraAgainstScipy(t *testing.T) {
	x, y := scipySignals(t)
	names := map[string]Window{"boxcar": Rectangular, "hann": Hann, "hamming": Hamming, "blackmanharris": BlackmanHarris, "flattop": FlatTop}
	for name, window := range names {
		for _, size := range [][2]int{{64, 32}, {75, 50}, {128, 0}} {
			w := Welch{Window: window, Length: size[0], Overlap: size[1]}
			got := mustSpectra(t, w, 500, [][2][]float64{{x, y}})
			want := scipyRows(t, name, w.Length, w.Overlap)
			loss := cmpopts.EquateApprox(1e-9, 1e-15)
			complexLoss := cmp.Comparer(func(a, b complex128) bool { return cmplx.Abs(a-b) <= 1e-15+1e-9*cmplx.Abs(b) })
			counts := cmpopts.IgnoreFields(Spectra{}, "Segments", "EffectiveSegments")
			if diff := cmp.Diff(want, got, loss, complexLoss, counts); diff != "" {
				t.Errorf("%+v (-scipy +got):\n%s", w, diff)
			}
		}
	}
}

// Reference library: scipy.signal 1.10.1, coherence.
func TestCoherenceAgainstScipy(t *testing.T) {
	x, y := scipySignals(t)
	got := mustSpectra(t, Welch{Window: Hann, Length: 64, Overlap: 32}, 500, [][2][]float64{{x, y}}).Coherence()
	i := 0
	for _, r := range sourcedRows(t, "scipy/spectra.csv") {
		if r["window"] == "hann" && r["length"] == "64" {
			near(t, "coherence at "+r["freq"]+" Hz", got[i], number(t, r["coherence"]), 1e-9)
			i++
		}
	}
	if i != len(got) {
		t.Fatalf("%d bins compared of %d", i, len(got))
	}
}

func mustSpectra(tb testing.TB, w Welch, rate float64, laps [][2][]float64) Spectra {
	tb.Helper()
	c, err := w.CrossSpectrum(rate)
	if err != nil {
		tb.Fatal(err)
	}
	for _, lap := range laps {
		if _, err := c.Add(lap[0], lap[1]); err != nil {
			tb.Fatal(err)
		}
	}
	s, err := c.Spectra()
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

// Parseval: Σ P·Δf is the mean square about the mean; a sine of amplitude A has A²/2.
func TestDensityKeepsPower(t *testing.T) {
	const rate, n = 1000., 4096
	x := make([]float64, n)
	for i := range x {
		x[i] = 7 + 3*math.Sin(2*math.Pi*125*float64(i)/rate)
	}
	for _, window := range []Window{Rectangular, Hann, Hamming, BlackmanHarris, FlatTop} {
		freq, density, err := Welch{Window: window, Length: 256, Overlap: 128}.Density(x, rate)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "mean square of a sine", floats.Sum(density)*freq[1], 4.5, 1e-12)
		peak := floats.MaxIdx(density)
		near(t, "frequency of the line", freq[peak], 125, 0)
		near(t, "height of the line", density[peak], 4.5/(window.NoiseBandwidth()*freq[1]), 1e-12)
	}
}

// A lap more is a mean with it: spectra of two laps are those of each, weighed by their segments; no segment spans the two.
func TestSpectraAddUp(t *testing.T) {
	w := Welch{Window: Hann, Length: 64, Overlap: 32}
	random := rand.New(rand.NewPCG(4, 0))
	lap := func(n int) [2][]float64 {
		x, y := make([]float64, n), make([]float64, n)
		for i := range n {
			x[i] = random.NormFloat64()
			y[i] = x[i] + random.NormFloat64()
		}
		return [2][]float64{x, y}
	}
	a, b, tooShort := lap(64*5), lap(64*2+31), lap(63)
	one, two := mustSpectra(t, w, 100, [][2][]float64{a}), mustSpectra(t, w, 100, [][2][]float64{b})
	both := mustSpectra(t, w, 100, [][2][]float64{a, tooShort, b})
	if one.Segments != 9 || two.Segments != 3 || both.Segments != 12 {
		t.Fatalf("segments: %d, %d and %d, want 9, 3 and 12", one.Segments, two.Segments, both.Segments)
	}
	for i := range both.Pxx {
		near(t, "Pxx", both.Pxx[i], (9*one.Pxx[i]+3*two.Pxx[i])/12, 1e-12)
		near(t, "Pyy", both.Pyy[i], (9*one.Pyy[i]+3*two.Pyy[i])/12, 1e-12)
		mean := (9*one.Pxy[i] + 3*two.Pxy[i]) / 12
		if cmplx.Abs(both.Pxy[i]-mean) > 1e-12*cmplx.Abs(mean) {
			t.Errorf("Pxy[%d] = %v, want %v", i, both.Pxy[i], mean)
		}
	}
	near(t, "effective segments of separate laps: their likenesses add",
		144/both.EffectiveSegments, 81/one.EffectiveSegments+9/two.EffectiveSegments, 1e-12)
}

func TestEffectiveSegments(t *testing.T) {
	x := noise(64 * 16)
	for _, test := range []struct {
		reason string
		welch  Welch
		want   float64
		share  float64
	}{
		{"without overlap each counts", Welch{Window: Hann, Length: 64}, 16, 1e-12},
		{"rectangular, half: ρ = 1/2; K²/(K+2(K-1)/4), K = 31", Welch{Window: Rectangular, Length: 64, Overlap: 32}, 31. * 31 / (31 + 15), 1e-12},
		{"Hann, half: ρ = 1/6 (Harris 1978, table 1: 16.7 %)", Welch{Window: Hann, Length: 64, Overlap: 32}, 31. * 31 / (31 + 60./36), 1e-9},
	} {
		near(t, test.reason, mustSpectra(t, test.welch, 1, [][2][]float64{{x, x}}).EffectiveSegments, test.want, test.share)
	}
}

// Bendat and Piersol, Random Data, 9.2: the coherence of unrelated signals is 1/n in the mean, and with n segments without overlap
// exceeds 1-0.05^(1/(n-1)) once in 20 (published limits: n = 4: 0.631597, 8: 0.348164, 16: 0.181036, 32: 0.092114).
func TestCoherenceOfUnrelatedSignals(t *testing.T) {
	for _, test := range []struct {
		welch Welch
		n     int
		limit float64 // 0: not published for overlap
	}{
		{Welch{Window: Rectangular, Length: 32}, 4, 0.631597},
		{Welch{Window: Hann, Length: 32}, 8, 0.348164},
		{Welch{Window: Hann, Length: 32}, 16, 0.181036},
		{Welch{Window: Hann, Length: 32}, 32, 0.092114},
		{Welch{Window: Hann, Length: 32, Overlap: 16}, 16, 0},
		{Welch{Window: Hann, Length: 32, Overlap: 24}, 16, 0},
		{Welch{Window: Rectangular, Length: 32, Overlap: 16}, 16, 0},
	} {
		random := rand.New(rand.NewPCG(6, uint64(test.n)))
		var sum, above, total float64
		var s Spectra
		for range 1000 {
			x, y := make([]float64, 32*test.n), make([]float64, 32*test.n)
			for i := range x {
				x[i], y[i] = random.NormFloat64(), random.NormFloat64()
			}
			s = mustSpectra(t, test.welch, 1, [][2][]float64{{x, y}})
			for _, c := range s.Coherence()[2:15] { // clear of the ends, where a bin has one dimension
				sum += c
				total++
				if c > s.CoherenceLimit(0.95) {
					above++
				}
			}
		}
		if test.limit > 0 {
			near(t, "published limit", s.CoherenceLimit(0.95), test.limit, 1e-5)
		}
		near(t, "mean coherence", sum/total, s.CoherenceBias(), 0.03)
		if share := above / total; share < 0.04 || share > 0.06 {
			t.Errorf("%+v: %.3f of the bins exceed the 95 %% limit", test.welch, share)
		}
	}
}

// y = h*x + noise: H1 finds the filter and the coherence 1/(1+Gnn/(|H|²Gxx)); with noise on x as well, H1 falls short and H2 exceeds.
func TestFrequencyResponse(t *testing.T) {
	const n = 1 << 18
	random := rand.New(rand.NewPCG(7, 0))
	x, y, noisy := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range x {
		x[i] = random.NormFloat64()
		noisy[i] = x[i] + 0.5*random.NormFloat64()
		y[i] = 2*x[i] + 2./3*random.NormFloat64() // power 4 to 4/9: 0.9
		if i > 0 {
			y[i] += x[i-1] // h = 2, 1
		}
	}
	w := Welch{Window: Hann, Length: 64, Overlap: 32}
	clean := mustSpectra(t, w, 1, [][2][]float64{{x, y}})
	dirty := mustSpectra(t, w, 1, [][2][]float64{{noisy, y}})
	for i := 2; i < 31; i++ {
		want := 2 + cmplx.Exp(complex(0, -2*math.Pi*clean.Freq[i]))
		if d := cmplx.Abs(clean.H1()[i] - want); d > 4*clean.GainError()[i]*cmplx.Abs(want)+1e-3*cmplx.Abs(want) {
			t.Errorf("H1 at %g = %v, want %v", clean.Freq[i], clean.H1()[i], want)
		}
		power := real(want)*real(want) + imag(want)*imag(want)
		near(t, "coherence", clean.Coherence()[i], 1/(1+4./9/power), 0.02)
		near(t, "H1 with noise of a quarter of x's power", cmplx.Abs(dirty.H1()[i]), cmplx.Abs(want)/1.25, 0.03)
		near(t, "H2 with noise in y", cmplx.Abs(dirty.H2()[i]), cmplx.Abs(want)*(1+4./9/power), 0.03)
		near(t, "H1/H2 is the coherence", cmplx.Abs(dirty.H1()[i]/dirty.H2()[i]), dirty.Coherence()[i], 1e-12)
	}
}

// The scatter of |H1| over seeded repeats is what GainError says (Bendat and Piersol, Random Data, table 9.6).
func TestGainErrorIsTheScatter(t *testing.T) {
	const repeats, n = 1000, 32 * 32
	random := rand.New(rand.NewPCG(9, 0))
	var sum, squares, said float64
	for range repeats {
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i] = random.NormFloat64()
			y[i] = x[i] + random.NormFloat64()/3 // coherence 0.9
		}
		s := mustSpectra(t, Welch{Window: Rectangular, Length: 32}, 1, [][2][]float64{{x, y}})
		h := cmplx.Abs(s.H1()[8])
		sum, squares, said = sum+h, squares+h*h, said+s.GainError()[8]
	}
	mean := sum / repeats
	near(t, "scatter of the gain", math.Sqrt(squares/repeats-mean*mean), 0.041667, 0.08) // published for 0.9 and 32 segments
	near(t, "what it said", said/repeats, 0.041667, 0.03)
}

func TestSpectraOfNothing(t *testing.T) {
	silent, x := make([]float64, 64), noise(64)
	w := Welch{Window: Hann, Length: 16, Overlap: 8}
	for _, lap := range [][2][]float64{{silent, x}, {x, silent}, {silent, silent}} {
		s := mustSpectra(t, w, 1, [][2][]float64{lap})
		for i := range s.Freq {
			if s.Coherence()[i] != 0 || s.H1()[i] != 0 || cmplx.IsNaN(s.H2()[i]) || !math.IsInf(s.GainError()[i], 1) {
				t.Errorf("bin %d: coherence %g, H1 %v, H2 %v, error %g", i, s.Coherence()[i], s.H1()[i], s.H2()[i], s.GainError()[i])
			}
		}
	}
	if one := mustSpectra(t, w, 1, [][2][]float64{{x[:16], x[16:32]}}); one.CoherenceLimit(0.95) != 1 || one.CoherenceBias() != 1 {
		t.Errorf("one segment: limit %g, bias %g, want 1 and 1", one.CoherenceLimit(0.95), one.CoherenceBias())
	}
}

func TestWelchRefuses(t *testing.T) {
	good := Welch{Window: Hann, Length: 16, Overlap: 8}
	for _, test := range []struct {
		reason string
		welch  Welch
		rate   float64
		x, y   []float64
		want   string
	}{
		{"no such window", Welch{Window: 9, Length: 16}, 1, nil, nil, "check window"},
		{"a window below the first", Welch{Window: -1, Length: 16}, 1, nil, nil, "check window"},
		{"no length", Welch{Window: Hann}, 1, nil, nil, "check segment length"},
		{"overlap of all", Welch{Window: Hann, Length: 16, Overlap: 16}, 1, nil, nil, "check overlap"},
		{"negative overlap", Welch{Window: Hann, Length: 16, Overlap: -1}, 1, nil, nil, "check overlap"},
		{"no rate", good, 0, nil, nil, "check rate"},
		{"rate of NaN", good, math.NaN(), nil, nil, "check rate"},
		{"lengths differ", good, 1, make([]float64, 20), make([]float64, 21), "align them"},
		{"a gap", good, 1, []float64{1, math.NaN()}, []float64{1, 2}, "sample 1 is NaN"},
		{"too short", good, 1, make([]float64, 15), make([]float64, 15), "no lap was as long"},
	} {
		_, err := attempt(test.welch, test.rate, test.x, test.y)
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: error %v, want one with %q", test.reason, err, test.want)
		}
	}
}

func attempt(w Welch, rate float64, x, y []float64) (Spectra, error) {
	c, err := w.CrossSpectrum(rate)
	if err != nil {
		return Spectra{}, err
	}
	if _, err := c.Add(x, y); err != nil {
		return Spectra{}, err
	}
	return c.Spectra()
}

func BenchmarkCrossSpectrum(b *testing.B) {
	x, y := noise(1<<17), smooth(1<<17)
	for b.Loop() {
		c, err := Welch{Window: Hann, Length: 1024, Overlap: 512}.CrossSpectrum(1000)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := c.Add(x, y); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(x))*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
}
