package rig

import (
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"

	"lapwear/stages"
)

// band is a range of frequencies in Hz; high may be infinite.
type band struct{ low, high float64 }

// gain is how much of a frequency a band passes: all within it; below half of low and
// above high nothing; between half of low and low, and over the last tenth below high, it
// changes as a raised cosine. What does not move, at 0 Hz, is no motion: see wave.level.
func (b band) gain(f float64) float64 {
	g := 1.0
	if b.low > 0 && f < b.low {
		g = raised((f - b.low/2) / (b.low / 2))
	}
	if f > 0.9*b.high {
		g *= raised((b.high - f) / (0.1 * b.high))
	}
	return g
}

func raised(t float64) float64 {
	t = min(max(t, 0), 1)
	return (1 - math.Cos(math.Pi*t)) / 2
}

// wave is a signal that repeats, as its spectrum: filtering, integrating and another
// rate are then exact, without edges.
type wave struct {
	n     int     // samples at the drive's rate
	step  float64 // Hz between the coefficients
	coef  []complex128
	level float64 // its mean, which no filter takes away
}

// newWave transforms a signal of one rate for another. Its duration must be a whole
// number of samples of both.
func newWave(x []float64, from, to float64) (*wave, error) {
	n := int(math.Round(float64(len(x)) * to / from))
	if math.Abs(float64(n)-float64(len(x))*to/from) > 1e-6 || n < 2 {
		return nil, stages.Refuse("make drive: %d samples at %g Hz are not a whole number of samples at %g Hz; "+
			"give rig: rate a simple ratio to the signal's rate", len(x), from, to)
	}
	c := fourier.NewFFT(len(x)).Coefficients(nil, x)
	w := &wave{n: n, step: from / float64(len(x)), level: real(c[0]) / float64(len(x))}
	w.coef = make([]complex128, n/2+1)
	for k := 1; k < min(len(c), len(w.coef)); k++ {
		w.coef[k] = c[k] / complex(float64(len(x)), 0)
		switch { // of the coefficient at half the rate, half is the mirror's
		case len(x)%2 == 0 && k == len(x)/2 && n > len(x):
			w.coef[k] /= 2
		case n%2 == 0 && k == n/2 && n < len(x):
			w.coef[k] = 0
		}
	}
	return w, nil
}

// part returns the samples of the wave within a band, without its level, each
// coefficient times factor of its angular frequency.
func (w *wave) part(b band, factor func(omega float64) complex128) []float64 {
	c := make([]complex128, len(w.coef))
	for k := 1; k < len(c); k++ {
		f := float64(k) * w.step
		if g := b.gain(f); g > 0 {
			c[k] = w.coef[k] * complex(g, 0) * factor(2*math.Pi*f)
		}
	}
	if w.n%2 == 0 {
		c[len(c)-1] = complex(real(c[len(c)-1]), 0)
	}
	return fourier.NewFFT(w.n).Sequence(nil, c)
}

// signal is the wave within a band, its motion times a factor, on its level.
func (w *wave) signal(b band, factor float64) []float64 {
	x := w.part(b, func(float64) complex128 { return complex(factor, 0) })
	for i := range x {
		x[i] += w.level
	}
	return x
}

// motion integrates an acceleration of scale m/s² per unit: velocity is a/(iω) and
// displacement -a/ω², both without drift since nothing below the band is left. scale 0 is
// no acceleration: it has no motion.
func (w *wave) motion(b band, factor, scale float64) motion {
	m := motion{signal: w.signal(b, factor)}
	if scale == 0 {
		return m
	}
	k := complex(factor*scale, 0)
	m.acceleration = w.part(b, func(float64) complex128 { return k })
	m.velocity = w.part(b, func(o float64) complex128 { return k / complex(0, o) })
	m.displacement = w.part(b, func(o float64) complex128 { return -k / complex(o*o, 0) })
	return m
}

// reach is the frequency below which all but a share of the wave's power lies.
func (w *wave) reach(rest float64) float64 {
	total, sum := 0.0, 0.0
	for _, c := range w.coef {
		total += cmplx.Abs(c) * cmplx.Abs(c)
	}
	for k := len(w.coef) - 1; k > 0; k-- {
		if sum += cmplx.Abs(w.coef[k]) * cmplx.Abs(w.coef[k]); sum > rest*total {
			return float64(k) * w.step
		}
	}
	return 0
}

// Multiple is of what a cut's number of samples must be a multiple for its duration to
// be a whole number of samples at the drive's rate, too.
func Multiple(from, to float64) (int, error) {
	if to == 0 || to == from {
		return 1, nil
	}
	for q := 1; q <= 4096; q++ {
		if p := float64(q) * to / from; math.Abs(p-math.Round(p)) < 1e-9*p {
			return q, nil
		}
	}
	return 0, fmt.Errorf("make drive: %g Hz is no simple ratio to the signal's rate of %g Hz; give rig: rate another value", to, from)
}
