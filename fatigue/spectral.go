package fatigue

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
)

// Moments are the spectral moments of a stationary signal: Moments[k] = ∫ f^k·G(f) df, k from 0 to 4, with G the one-sided density
// over the frequency in Hz; the unit is the signal's squared times Hz^k. Moments[0] is its mean square.
type Moments [5]float64

// SpectralMoments integrates a density given at rising frequencies in Hz, straight between them and 0 outside. The fourth moment
// weighs what lies high: cut a measured spectrum off where noise begins. It is an error if lengths differ, if there are less than
// two points, if frequencies are negative or do not rise, or if a density is negative or not finite.
func SpectralMoments(freq, density []float64) (Moments, error) {
	if err := checkDensity(freq, density); err != nil {
		return Moments{}, fmt.Errorf("find spectral moments: %w", err)
	}
	var m Moments
	for i := 1; i < len(freq); i++ {
		m.addPiece(freq[i-1], freq[i], density[i-1], density[i])
	}
	for k, v := range m {
		if !finite(v) {
			return Moments{}, fmt.Errorf("find spectral moments: moment %d is %g: give the density in a larger unit", k, v)
		}
	}
	return m, nil
}

// MomentsOfBins is [SpectralMoments] of a density at the frequencies 0, step, 2·step, … in Hz: a weighted sum, since what is straight between
// bins is a sum of hats. The hat of unit width about bin i, integrated with f^k, is 1, i, i²+1/6, i³+i/2, i⁴+i²+1/15 for k from 0 to 4.
func MomentsOfBins(step float64, density []float64) (Moments, error) {
	if !(step > 0) || !finite(step) || len(density) < 2 {
		return Moments{}, fmt.Errorf("find spectral moments: %d densities every %g Hz: give at least two, and a step above 0", len(density), step)
	}
	var s0, s1, s2, s3, s4 float64 // sums of density·i^k
	for i, g := range density {
		if !(g >= 0 && g <= math.MaxFloat64) {
			return Moments{}, fmt.Errorf("find spectral moments: density %d, at %g Hz, is %g: give finite ones from 0", i, float64(i)*step, g)
		}
		at := float64(i)
		square := at * at
		s0 += g
		s1 += g * at
		s2 += g * square
		s3 += g * (square * at)
		s4 += g * (square * square)
	}
	n, g := float64(len(density)-1), density[len(density)-1]
	m := Moments{s0, s1, s2 + s0/6, s3 + s1/2, s4 + s2 + s0/15}
	for k, beyond := range [...]float64{ // what the last hat has beyond the last bin, integrated from there
		1. / 2,
		n/2 + 1./6,
		n*n/2 + n/3 + 1./12,
		n*n*n/2 + n*n/2 + n/4 + 1./20,
		n*n*n*n/2 + 2*n*n*n/3 + n*n/2 + n/5 + 1./30,
	} {
		before := [...]float64{1. / 2, -1. / 6, 1. / 12, -1. / 20, 1. / 30}[k] // and the first one before 0
		m[k] -= beyond*g + before*density[0]
	}
	width := step
	for k := range m {
		m[k] *= width
		width *= step
		if !finite(m[k]) {
			return Moments{}, fmt.Errorf("find spectral moments: moment %d is %g: give the density in a larger unit", k, m[k])
		}
	}
	return m, nil
}

func checkDensity(freq, density []float64) error {
	if len(freq) != len(density) || len(freq) < 2 {
		return fmt.Errorf("%d frequencies and %d densities: give at least two of each, pairwise", len(freq), len(density))
	}
	for i, f := range freq {
		switch g := density[i]; {
		case !(f >= 0) || !finite(f):
			return fmt.Errorf("frequency %d is %g Hz: give finite ones from 0", i, f)
		case i > 0 && f <= freq[i-1]:
			return fmt.Errorf("frequency %d, %g Hz, does not rise above %g Hz: sort them", i, f, freq[i-1])
		case !(g >= 0) || !finite(g):
			return fmt.Errorf("density %d, at %g Hz, is %g: give finite ones from 0", i, f, g)
		}
	}
	return nil
}

// addPiece integrates f^k times a line by Gauss's rule of three points, exact up to the fifth power and without the cancellation
// of differences of powers.
func (m *Moments) addPiece(f0, f1, g0, g1 float64) {
	const node = 0.7745966692414834 // sqrt(3/5)
	mid, half := (f0+f1)/2, (f1-f0)/2
	for _, p := range [...]struct{ at, weight float64 }{{-node, 5. / 9}, {0, 8. / 9}, {node, 5. / 9}} {
		term := p.weight * half * ((g0+g1)/2 + p.at*(g1-g0)/2)
		for k := range m {
			m[k] += term
			term *= mid + p.at*half
		}
	}
}

// Scaled returns the moments of the signal times a gain.
func (m Moments) Scaled(gain float64) Moments {
	for k := range m {
		m[k] *= gain * gain
	}
	return m
}

// RMS is the root mean square, in the unit of the signal.
func (m Moments) RMS() float64 { return math.Sqrt(m[0]) }

// ZeroRate is the expected number of upward crossings of the mean per second, sqrt(m2/m0); 0 for no signal.
// (S. O. Rice, Bell System Technical Journal 23-24, 1944-45, for a Gaussian signal.)
func (m Moments) ZeroRate() float64 { return rootRatio(m[2], m[0]) }

// PeakRate is the expected number of maxima per second, sqrt(m4/m2); 0 for no signal. (Rice, for a Gaussian signal.)
func (m Moments) PeakRate() float64 { return rootRatio(m[4], m[2]) }

// Irregularity is ZeroRate over PeakRate, m2/sqrt(m0·m4): 1 for a narrow band, toward 0 for a broad one; 0 for no signal.
func (m Moments) Irregularity() float64 { return rootRatio(m[2], m[0]) * rootRatio(m[2], m[4]) }

func rootRatio(a, b float64) float64 {
	if b == 0 {
		return 0
	}
	return math.Sqrt(a / b)
}

// SpectralDamage is the expected damage per second of a stationary Gaussian stress, by two models of its cycles.
type SpectralDamage struct {
	NarrowBand float64 // a cycle for each upward crossing, with Rayleigh's amplitudes: above the truth for broad bands
	Dirlik     float64 // Dirlik's fit to the rainflow cycles of simulated signals
}

// Spectral is the damage per second of a Gaussian stress with these moments, in MPa²·Hz^k. A real lap is neither stationary nor
// Gaussian: its rainflow damage over this one says how far. The mean stress rule and the ultimate stress play no part. The curve's
// knees and cut-off do, exactly: with x the amplitude over RMS,
//
//	narrow band: ZeroRate cycles per second, density x·exp(-x²/2)
//	Dirlik: PeakRate cycles per second, density D1/Q·exp(-x/Q) + D2·x/R²·exp(-x²/2R²) + D3·x·exp(-x²/2)
//
// For one slope k with N = C·(amplitude)^-k they come to ZeroRate/C·(√2·RMS)^k·Γ(1+k/2), and
// PeakRate/C·RMS^k·[D1·Q^k·Γ(1+k) + 2^(k/2)·Γ(1+k/2)·(D2·|R|^k + D3)].
//
// It is an error if the curve is an EquivalentStress, if moments are not those of a density, or if they leave Dirlik's parameters
// undefined. (J. S. Bendat, NASA CR-33, 1964; T. Dirlik, thesis, University of Warwick, 1985.)
func (l *Law) Spectral(m Moments) (SpectralDamage, error) {
	if l.own {
		return SpectralDamage{}, errors.New("find spectral damage: an equivalent-stress curve has no zero-mean amplitudes: take a power or table curve")
	}
	if m[0] == 0 {
		return SpectralDamage{}, nil
	}
	d, err := newDirlik(m)
	if err != nil {
		return SpectralDamage{}, fmt.Errorf("find spectral damage: %w", err)
	}
	rms := m.RMS()
	perCycle := d.w2*l.lines.rayleigh(rms*math.Abs(d.r)) + d.w3*l.lines.rayleigh(rms)
	if d.w1 > 0 {
		perCycle += d.w1 * l.lines.exponential(rms*d.q)
	}
	out := SpectralDamage{NarrowBand: m.ZeroRate() * l.lines.rayleigh(rms), Dirlik: m.PeakRate() * perCycle}
	if !(out.Dirlik >= 0) || !finite(out.Dirlik) || !finite(out.NarrowBand) {
		return SpectralDamage{}, fmt.Errorf("find spectral damage: %g and %g per second from moments %g: check the spectrum", out.NarrowBand, out.Dirlik, m)
	}
	return out, nil
}

// dirlik are the parameters of Dirlik's density, w1 to w3 his D1 to D3.
type dirlik struct{ w1, w2, w3, q, r float64 }

// newDirlik returns a Rayleigh density alone where the band is so narrow that rounding would decide the others.
func newDirlik(m Moments) (dirlik, error) {
	g := m.Irregularity()
	xm := m[1] / m[0] * rootRatio(m[2], m[4])
	if !(g > 0 && g <= 1+1e-9 && xm >= g*g*(1-1e-9) && xm <= g*(1+1e-9)) {
		return dirlik{}, fmt.Errorf("moments %g are those of no density: integrate them over one", m)
	}
	w1 := 2 * (xm - g*g) / (1 + g*g)
	rest := 1 - g - w1 + w1*w1
	if w1 < 1e-8 || rest < 1e-8 {
		return dirlik{w3: 1}, nil
	}
	d := dirlik{w1: w1, r: (g - xm - w1*w1) / rest}
	d.w2 = rest / (1 - d.r)
	d.w3 = 1 - d.w1 - d.w2
	d.q = 1.25 * (g - d.w3 - d.w2*d.r) / d.w1
	if !(d.q > 0) || !finite(d.w2) {
		return dirlik{}, fmt.Errorf("irregularity %g and mean frequency ratio %g leave Dirlik's parameters undefined: compare with the narrow band by hand", g, xm)
	}
	return d, nil
}

// rayleigh is the mean damage of a cycle with Rayleigh's amplitudes, x/s²·exp(-x²/2s²).
func (ls lines) rayleigh(s float64) float64 {
	return ls.mean(math.Sqrt2*s, 0.5, func(x float64) float64 { return x * x })
}

// exponential is the mean damage of a cycle with amplitudes of density exp(-x/q)/q.
func (ls lines) exponential(q float64) float64 {
	return ls.mean(q, 1, func(x float64) float64 { return x })
}

// mean is that of the damage over amplitudes whose power, power(amplitude/scale), is distributed as exp(-t): over a line of slope k
// from a to b it is exp(-offset)·scale^k·[Γ(1+k·share, ta) - Γ(1+k·share, tb)].
func (ls lines) mean(scale, share float64, power func(float64) float64) float64 {
	if scale == 0 {
		return 0
	}
	var sum float64
	top := math.Inf(1)
	for _, l := range ls {
		order := 1 + l.slope*share
		size, _ := math.Lgamma(order)
		part := gammaBetween(order, power(l.from/scale), power(top/scale))
		if part > 0 {
			sum += math.Exp(l.slope*math.Log(scale) - l.offset + size + math.Log(part))
		}
		top = l.from
	}
	return sum
}

// gammaBetween is the chance that a gamma variable of this order lies between lo and hi, by whichever tail loses less.
func gammaBetween(order, lo, hi float64) float64 {
	if lo < order {
		return gammaBelow(order, hi) - gammaBelow(order, lo)
	}
	return gammaAbove(order, lo) - gammaAbove(order, hi)
}

func gammaBelow(order, x float64) float64 {
	if math.IsInf(x, 1) {
		return 1
	}
	return mathext.GammaIncReg(order, x)
}

func gammaAbove(order, x float64) float64 {
	if math.IsInf(x, 1) {
		return 0
	}
	return mathext.GammaIncRegComp(order, x)
}
