package fatigue

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Agreement with the spectra that gonum's transform gives for the two halves, and so with the functions that the other tests of spectra are
// about: rounding aside they are the same sums.
func TestHalvesAgreeWithTheirSpectra(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	var density []float64 // in whose memory the next one is
	for _, length := range []int{16, 32, 64, 128, 512, 4096, 8192} {
		x := make([]float64, 7*length+5)
		for i := range x {
			x[i] = 3 + rng.NormFloat64() + 20*math.Sin(0.3*float64(i))
		}
		half := len(x) / 2
		w := Welch{Window: Hann, Length: length}
		c, err := w.CrossSpectrum(1000)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := c.Add(x[:half], x[half:2*half]); err != nil {
			t.Fatal(err)
		}
		s, err := c.Spectra()
		if err != nil {
			t.Fatal(err)
		}
		if density, err = DensityOfHalves(w, x, 1000, density); err != nil {
			t.Fatal(err)
		}
		if len(density) != len(s.Freq) {
			t.Fatalf("segments of %d: %d densities, want %d", length, len(density), len(s.Freq))
		}
		var most float64
		for i := range density {
			most = max(most, (s.Pxx[i]+s.Pyy[i])/2)
		}
		for i, got := range density {
			want := (s.Pxx[i] + s.Pyy[i]) / 2
			if math.Abs(got-want) > 1e-12*want+1e-15*most {
				t.Fatalf("segments of %d: %v at %v Hz, want %v", length, got, s.Freq[i], want)
			}
		}
	}
}

func TestHalvesThatCannotBeTransformed(t *testing.T) {
	x := make([]float64, 100)
	for _, c := range []struct {
		reason string
		w      Welch
		x      []float64
		rate   float64
	}{
		{"no power of two", Welch{Window: Hann, Length: 12}, x[:64], 1},
		{"too short a segment", Welch{Window: Hann, Length: 8}, x[:64], 1},
		{"segments overlap", Welch{Window: Hann, Length: 16, Overlap: 8}, x[:64], 1},
		{"halves shorter than a segment", Welch{Window: Hann, Length: 64}, x[:64], 1},
		{"no rate", Welch{Window: Hann, Length: 16}, x[:64], 0},
	} {
		if _, err := DensityOfHalves(c.w, c.x, c.rate, nil); err == nil {
			t.Errorf("%s: no error", c.reason)
		}
	}
}

func BenchmarkDensityOfHalves(b *testing.B) {
	x := make([]float64, 200_000)
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	w := Welch{Window: Hann, Length: 8192}
	b.SetBytes(int64(8 * len(x)))
	b.ReportAllocs()
	var room []float64
	for b.Loop() {
		var err error
		if room, err = DensityOfHalves(w, x, 2000, room); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDensity(b *testing.B) {
	x := make([]float64, 200_000)
	rng := rand.New(rand.NewPCG(1, 2))
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	w := Welch{Window: Hann, Length: 8192}
	b.SetBytes(int64(8 * len(x)))
	b.ReportAllocs()
	for b.Loop() {
		if _, _, err := w.Density(x, 2000); err != nil {
			b.Fatal(err)
		}
	}
}
