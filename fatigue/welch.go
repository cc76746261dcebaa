package fatigue

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"
)

// Window is a weighting of a segment's samples that keeps a strong line from leaking over the spectrum.
type Window int

// The windows: sums of cosines Σ (-1)^k a[k] cos(2πkn/N).
const (
	Rectangular    Window = iota
	Hann                  // the usual choice for noise
	Hamming               // 25/46, 21/46 rounded to 0.54, 0.46
	BlackmanHarris        // four terms, side lobes at -92 dB
	FlatTop               // five terms, reads the height of a line within 0.01 dB
)

// cosines are the coefficients of each window. Sources: F. J. Harris, Proc. IEEE 66 (1978) 51-83, doi:10.1109/PROC.1978.10837; flat
// top: G. D'Antona and A. Ferrero, Digital Signal Processing for Measurement Systems, 2006 (the terms of scipy.signal).
var cosines = [...][]float64{
	Rectangular:    {1},
	Hann:           {0.5, 0.5},
	Hamming:        {0.54, 0.46},
	BlackmanHarris: {0.35875, 0.48829, 0.14128, 0.01168},
	FlatTop:        {0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368},
}

// Weights returns the n weights of w, periodic with n, as spectra need it: the sample that would repeat the first is left out.
// It panics if n is below 1 or w is not a window.
func (w Window) Weights(n int) []float64 {
	if n < 1 || w < 0 || int(w) >= len(cosines) {
		panic(fmt.Sprintf("fatigue: weights of window %d with %d samples", w, n))
	}
	weights := make([]float64, n)
	for i := range weights {
		sign := 1.
		for k, a := range cosines[w] {
			weights[i] += sign * a * math.Cos(2*math.Pi*float64(k*i%n)/float64(n))
			sign = -sign
		}
	}
	return weights
}

// CoherentGain is the mean weight, the share of a line's height that is left: the first coefficient, for segments of at least 10
// samples.
func (w Window) CoherentGain() float64 { return cosines[w][0] }

// NoiseBandwidth is the equivalent noise bandwidth in bins of rate/length: the width of the rectangle of the same peak that passes
// as much white noise, N Σw²/(Σw)², for segments of at least 10 samples.
func (w Window) NoiseBandwidth() float64 {
	a := cosines[w]
	power := a[0] * a[0]
	for _, v := range a[1:] {
		power += v * v / 2
	}
	return power / (a[0] * a[0])
}

// Welch says how spectra are estimated: the mean of the squared transforms of weighted segments.
// (P. D. Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70-73, doi:10.1109/TAU.1967.1161901.)
type Welch struct {
	Window  Window
	Length  int // samples in a segment; the bins are rate/Length apart
	Overlap int // samples that a segment shares with the one before, below Length; half of Length is usual with Hann
}

// Check returns why w cannot be used, nil if it can.
func (w Welch) Check() error {
	switch {
	case w.Window < 0 || int(w.Window) >= len(cosines):
		return fmt.Errorf("check window: there is no number %d: use Hann", w.Window)
	case w.Length < 2:
		return fmt.Errorf("check segment length: %d samples make no spectrum: give at least 2", w.Length)
	case w.Overlap < 0 || w.Overlap >= w.Length:
		return fmt.Errorf("check overlap: %d samples are not from 0 to below the segment's %d: take half", w.Overlap, w.Length)
	}
	return nil
}

// Segments returns how many segments n samples hold; a rest is left out.
func (w Welch) Segments(n int) int {
	if n < w.Length {
		return 0
	}
	return (n-w.Length)/(w.Length-w.Overlap) + 1
}

// CrossSpectrum gathers the spectra of pairs of signals over several laps. Each segment has its mean removed; none spans two laps.
type CrossSpectrum struct {
	welch       Welch
	rate        float64
	weights     []float64
	power       float64   // Σ weights²
	likeness    []float64 // of the squared transforms of segments 1, 2, … apart: the squared overlap of their weights
	fft         *fourier.FFT
	xs, ys      []float64
	xt, yt      []complex128
	sumX, sumY  []float64
	sumXY       []complex128
	segments    int
	sumLikeness float64 // Σ over pairs of segments, each with itself too
}

// CrossSpectrum starts a sum of spectra of signals sampled at rate, in Hz.
func (w Welch) CrossSpectrum(rate float64) (*CrossSpectrum, error) {
	if err := w.Check(); err != nil {
		return nil, err
	}
	if !(rate > 0) || !finite(rate) {
		return nil, fmt.Errorf("check rate: %g is not a positive number: give it in Hz", rate)
	}
	bins := w.Length/2 + 1
	c := &CrossSpectrum{
		welch: w, rate: rate, weights: w.Window.Weights(w.Length), fft: fourier.NewFFT(w.Length),
		xs: make([]float64, w.Length), ys: make([]float64, w.Length), xt: make([]complex128, bins), yt: make([]complex128, bins),
		sumX: make([]float64, bins), sumY: make([]float64, bins), sumXY: make([]complex128, bins),
	}
	c.power = floats.Dot(c.weights, c.weights)
	for step := w.Length - w.Overlap; step < w.Length; step += w.Length - w.Overlap {
		rho := floats.Dot(c.weights[step:], c.weights[:w.Length-step]) / c.power
		c.likeness = append(c.likeness, rho*rho)
	}
	return c, nil
}

// Add takes in the segments of one lap, x and y sampled at the same times, and returns how many they were: 0 where the lap is
// shorter than a segment. It is an error if lengths differ or a sample is not finite; then nothing is taken in.
func (c *CrossSpectrum) Add(x, y []float64) (int, error) {
	if len(x) != len(y) {
		return 0, fmt.Errorf("add to spectra: x has %d samples, y has %d: align them first", len(x), len(y))
	}
	if err := errors.Join(checkFinite(x, 0, len(x)), checkFinite(y, 0, len(y))); err != nil {
		return 0, fmt.Errorf("add to spectra: %w", err)
	}
	n := c.welch.Segments(len(x))
	for s := range n {
		from := s * (c.welch.Length - c.welch.Overlap)
		c.add(x[from:from+c.welch.Length], y[from:from+c.welch.Length])
	}
	c.segments += n
	c.sumLikeness += float64(n)
	for j, l := range c.likeness {
		c.sumLikeness += 2 * l * float64(max(n-j-1, 0))
	}
	return n, nil
}

func (c *CrossSpectrum) add(x, y []float64) {
	c.transform(c.xt, c.xs, x)
	if &x[0] == &y[0] {
		copy(c.yt, c.xt)
	} else {
		c.transform(c.yt, c.ys, y)
	}
	for i, v := range c.xt {
		u := c.yt[i]
		c.sumX[i] += real(v)*real(v) + imag(v)*imag(v)
		c.sumY[i] += real(u)*real(u) + imag(u)*imag(u)
		c.sumXY[i] += complex(real(v)*real(u)+imag(v)*imag(u), real(v)*imag(u)-imag(v)*real(u)) // conj(v)·u
	}
}

func (c *CrossSpectrum) transform(dst []complex128, work, x []float64) {
	copy(work, x)
	centre(work)
	floats.Mul(work, c.weights)
	c.fft.Coefficients(dst, work)
}

// Spectra returns the mean over the segments so far. It is an error if there is none.
func (c *CrossSpectrum) Spectra() (Spectra, error) {
	if c.segments == 0 {
		return Spectra{}, fmt.Errorf("average spectra: no lap was as long as a segment of %d samples: shorten the segments", c.welch.Length)
	}
	s := Spectra{
		Freq: make([]float64, len(c.sumX)), Pxx: make([]float64, len(c.sumX)), Pyy: make([]float64, len(c.sumX)),
		Pxy: make([]complex128, len(c.sumX)), Segments: c.segments,
		EffectiveSegments: float64(c.segments) * float64(c.segments) / c.sumLikeness,
	}
	for i := range s.Freq {
		s.Freq[i] = float64(i) * c.rate / float64(c.welch.Length)
		scale := 2 / (c.rate * c.power * float64(c.segments))
		if i == 0 || 2*i == c.welch.Length {
			scale /= 2 // these two have no mirror image
		}
		s.Pxx[i] = scale * c.sumX[i]
		s.Pyy[i] = scale * c.sumY[i]
		s.Pxy[i] = complex(scale, 0) * c.sumXY[i]
	}
	return s, nil
}

// Density returns the frequencies in Hz and the one-sided power spectral density of x, in its unit squared over Hz.
func (w Welch) Density(x []float64, rate float64) (freq, density []float64, err error) {
	c, err := w.CrossSpectrum(rate)
	if err != nil {
		return nil, nil, err
	}
	if _, err := c.Add(x, x); err != nil {
		return nil, nil, err
	}
	s, err := c.Spectra()
	return s.Freq, s.Pxx, err
}

// Spectra are one-sided densities of two signals x and y, by bins of frequency from 0 to half the rate: Σ Pxx·Δf is the mean square of
// x about its mean. The bin at 0 Hz holds what the segments' means left over and says little.
type Spectra struct {
	Freq     []float64    // Hz
	Pxx, Pyy []float64    // unit of x or y squared over Hz
	Pxy      []complex128 // conj(X)·Y: a lag of y turns its phase negative
	Segments int

	// EffectiveSegments is how many segments without overlap would scatter as little: K²/Σ ρ(i-j)² over all pairs of segments of
	// a lap, with ρ the overlap of their weights (Welch 1967, for spectra that are flat within a bin).
	EffectiveSegments float64
}

// Coherence is the share of y's power that is linear in x, by bin: |Pxy|²/(Pxx·Pyy), from 0 to 1, and 0 where x or y has no power.
// From one segment alone it is 1 everywhere, from n unrelated ones 1/n in the mean: see CoherenceBias.
func (s Spectra) Coherence() []float64 {
	c := make([]float64, len(s.Pxy))
	for i, p := range s.Pxy {
		if s.Pxx[i] > 0 && s.Pyy[i] > 0 {
			r := cmplx.Abs(p) / math.Sqrt(s.Pxx[i]) / math.Sqrt(s.Pyy[i])
			c[i] = min(r*r, 1)
		}
	}
	return c
}

// CoherenceBias is the mean coherence of unrelated signals: 1/EffectiveSegments.
// (Bendat and Piersol, Random Data, 9.2; exact for segments without overlap.)
func (s Spectra) CoherenceBias() float64 { return 1 / s.EffectiveSegments }

// CoherenceLimit is the coherence that unrelated signals stay below with the given confidence, such as 0.95, in any one bin:
// 1 - (1-confidence)^(1/(n-1)) with n effective segments; 1 where n is not above 1.
// (N. R. Goodman 1957, by way of Carter, Proc. IEEE 75 (1987) 236-255, doi:10.1109/PROC.1987.13723.)
func (s Spectra) CoherenceLimit(confidence float64) float64 {
	if s.EffectiveSegments <= 1 {
		return 1
	}
	return -math.Expm1(math.Log1p(-confidence) / (s.EffectiveSegments - 1))
}

// H1 is the frequency response from x to y that least squares finds with all noise in y, by bin: Pxy/Pxx; noise in x lowers it.
// It is 0 where x has no power.
func (s Spectra) H1() []complex128 {
	h := make([]complex128, len(s.Pxy))
	for i, p := range s.Pxy {
		if s.Pxx[i] > 0 {
			h[i] = p / complex(s.Pxx[i], 0)
		}
	}
	return h
}

// H2 is the frequency response from x to y with all noise in x, by bin: Pyy/conj(Pxy); noise in y raises it. H1/H2 is the coherence.
// It is 0 where y has no power and infinite where y has some that x shares nothing of.
func (s Spectra) H2() []complex128 {
	h := make([]complex128, len(s.Pxy))
	for i, p := range s.Pxy {
		switch {
		case s.Pyy[i] == 0:
		case p == 0:
			h[i] = cmplx.Inf()
		default:
			h[i] = complex(s.Pyy[i], 0) / cmplx.Conj(p)
		}
	}
	return h
}

// GainError is the standard error of |H1| over |H1|, by bin: sqrt((1-γ²)/(2γ²n)) with γ² the coherence and n effective segments;
// +Inf where the coherence is 0. (Bendat and Piersol, Random Data, table 9.6.)
func (s Spectra) GainError() []float64 {
	e := s.Coherence()
	for i, c := range e {
		e[i] = math.Sqrt((1 - c) / (2 * c * s.EffectiveSegments))
	}
	return e
}
