package fatigue

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// Oscillators are masses on springs that a base acceleration shakes, one for each natural frequency: what a part could be whose
// resonances are not known. Of each counts the spring's stretch z, with z̈ + ω₀/Q·ż + ω₀²·z = -acceleration and ω₀ = 2π·Freq. Two
// shakings with equal damage at all frequencies wear any such part alike; that of a fatigue damage spectrum is Σ amplitude^Slope over
// z's rainflow cycles, in m^Slope where the acceleration is in m/s², and means something only beside another.
type Oscillators struct {
	Freq  []float64 // natural frequencies, Hz
	Q     float64   // quality, 1/(2·damping ratio), above 1/2; 10 is common practice
	Slope float64   // of the S-N curve; the slope of the weakest material gives the greatest caution, from common practice
}

// Limits of a natural frequency beside the rate of a signal: above, its response has less than 10 samples a cycle and peaks are
// missed by 5 %; below, the filter's coefficients lose their digits.
const (
	mostShare  = 1. / 10
	leastShare = 1. / 5000
)

func (o Oscillators) check() error {
	if len(o.Freq) == 0 {
		return errors.New("there is no natural frequency: give at least one")
	}
	for i, f := range o.Freq {
		if !(f > 0) || !finite(f) {
			return fmt.Errorf("natural frequency %d is %g Hz: give a positive number", i, f)
		}
	}
	if !(o.Q > 0.5) || !finite(o.Q) {
		return fmt.Errorf("quality is %g: give a number above 0.5, such as 10", o.Q)
	}
	if !(o.Slope > 0) || !finite(o.Slope) {
		return fmt.Errorf("slope is %g: give a positive number, such as 5", o.Slope)
	}
	return nil
}

func (o Oscillators) checkSignal(x []float64, rate float64) error {
	if err := o.check(); err != nil {
		return err
	}
	if !(rate > 0) || !finite(rate) {
		return fmt.Errorf("rate is %g: give it in Hz", rate)
	}
	for i, f := range o.Freq {
		if !(f <= rate*mostShare*(1+1e-12) && f >= rate*leastShare) {
			return fmt.Errorf("natural frequency %d, %g Hz, is not within %g and %g Hz: leave it out or resample the signal first",
				i, f, rate*leastShare, rate*mostShare)
		}
	}
	return checkFinite(x, 0, len(x))
}

// DamageOfSignal is the fatigue damage spectrum of an acceleration sampled at rate, in Hz. Its mean is taken off, since what is
// steady makes no cycles; the masses start at rest; the residue counts as half cycles. It is an error if a frequency is not within a
// 5000th and a 10th of the rate, or if a sample is not finite.
func (o Oscillators) DamageOfSignal(x []float64, rate float64) ([]float64, error) {
	if err := o.checkSignal(x, rate); err != nil {
		return nil, fmt.Errorf("find fatigue damage spectrum: %w", err)
	}
	out := make([]float64, len(o.Freq))
	moving, z := aboutMean(x), make([]float64, len(x))
	for i, f := range o.Freq {
		newRampFilter(f, o.Q, rate).stretch(z, moving)
		c, err := CountCycles(z, 0)
		if err != nil {
			return nil, fmt.Errorf("find fatigue damage spectrum at %g Hz: %w", f, err)
		}
		out[i] = powerSum(c.Closed, o.Slope) + powerSum(HalfCycles(c.Residue), o.Slope)/2
	}
	return out, nil
}

// LargestOfSignal is the maximum response spectrum of an acceleration sampled at rate, in Hz: the greatest ω₀²·|z| within the signal,
// the steady acceleration of the same stretch. Conditions are those of DamageOfSignal.
func (o Oscillators) LargestOfSignal(x []float64, rate float64) ([]float64, error) {
	if err := o.checkSignal(x, rate); err != nil {
		return nil, fmt.Errorf("find maximum response spectrum: %w", err)
	}
	out := make([]float64, len(o.Freq))
	moving, z := aboutMean(x), make([]float64, len(x))
	for i, f := range o.Freq {
		newRampFilter(f, o.Q, rate).stretch(z, moving)
		for _, v := range z {
			out[i] = max(out[i], math.Abs(v))
		}
		w := 2 * math.Pi * f
		out[i] *= w * w
	}
	return out, nil
}

func aboutMean(x []float64) []float64 {
	moving := append([]float64(nil), x...)
	if len(x) > 0 {
		centre(moving)
	}
	return moving
}

func powerSum(c Cycles, slope float64) float64 {
	var sum float64
	for i := range c.Len() {
		if a := c.Range(i) / 2; a > 0 {
			sum += math.Exp(slope * math.Log(a))
		}
	}
	return sum
}

// rampFilter gives an oscillator's stretch at the samples, exact where the acceleration is straight between them.
// (D. O. Smallwood, Shock and Vibration Bulletin 51 (1981) 279-287; ISO 18431-4:2007.)
type rampFilter struct{ b0, b1, b2, a1, a2 float64 }

func newRampFilter(freq, q, rate float64) rampFilter {
	w, t := 2*math.Pi*freq, 1/rate
	damped := math.Sqrt(1 - 1/(4*q*q))
	fade := math.Exp(-w * t / (2 * q))
	sin, cos := math.Sincos(w * t * damped)
	c, s := fade*cos, fade*sin*(1/(2*q*q)-1)/damped
	scale := 1 / (t * w * w * w)
	return rampFilter{
		b0: scale * ((1-c)/q - s - w*t),
		b1: scale * (2*c*w*t - (1-fade*fade)/q + 2*s),
		b2: scale * (-fade*fade*(w*t+1/q) + c/q - s),
		a1: -2 * c,
		a2: fade * fade,
	}
}

// stretch writes the response to x to z, from rest.
func (f rampFilter) stretch(z, x []float64) {
	var x1, x2, z1, z2 float64
	for i, v := range x {
		next := f.b0*v + f.b1*x1 + f.b2*x2 - f.a1*z1 - f.a2*z2
		x2, x1 = x1, v
		z2, z1 = z1, next
		z[i] = next
	}
}

// DamageOfDensity is the expected fatigue damage spectrum of a Gaussian acceleration over some seconds, with its one-sided density
// straight between rising frequencies in Hz and 0 outside: z is taken as narrow-band,
//
//	ZeroRate·seconds·(√2·RMS)^Slope·Γ(1+Slope/2)
//
// of z's moments. On white noise of density G, RMS² is Q·G/(4·ω₀³) and ZeroRate the natural frequency.
// (C. Lalanne, Mechanical Vibration and Shock Analysis 5, from memory.)
func (o Oscillators) DamageOfDensity(freq, density []float64, seconds float64) ([]float64, error) {
	if err := o.checkDensity(freq, density, seconds); err != nil {
		return nil, fmt.Errorf("find fatigue damage spectrum: %w", err)
	}
	out := make([]float64, len(o.Freq))
	for i := range o.Freq {
		z := o.response(i, freq, density)
		out[i] = z.ZeroRate() * seconds * math.Pow(math.Sqrt2*z.RMS(), o.Slope) * math.Gamma(1+o.Slope/2)
	}
	return out, nil
}

// LargestOfDensity is the maximum response spectrum to expect of a Gaussian acceleration over some seconds: ω₀²·RMS·sqrt(2·ln(n)) with
// n = ZeroRate·seconds cycles of z; RMS alone where n is below sqrt(e). It is the most likely maximum: about two in three
// such signals exceed it, few by more than a fifth. (Conditions and density as for DamageOfDensity; Lalanne, from memory.)
func (o Oscillators) LargestOfDensity(freq, density []float64, seconds float64) ([]float64, error) {
	if err := o.checkDensity(freq, density, seconds); err != nil {
		return nil, fmt.Errorf("find maximum response spectrum: %w", err)
	}
	out := make([]float64, len(o.Freq))
	for i, f := range o.Freq {
		z, w := o.response(i, freq, density), 2*math.Pi*f
		cycles := max(z.ZeroRate()*seconds, math.Sqrt(math.E))
		out[i] = w * w * z.RMS() * math.Sqrt(2*math.Log(cycles))
	}
	return out, nil
}

func (o Oscillators) checkDensity(freq, density []float64, seconds float64) error {
	if !(seconds > 0) || !finite(seconds) {
		return fmt.Errorf("duration is %g s: give a positive number", seconds)
	}
	return errors.Join(o.check(), checkDensity(freq, density))
}

// response returns the moments of z of oscillator i; the odd ones and the fourth are left at 0.
func (o Oscillators) response(i int, freq, density []float64) Moments {
	r := resonance{at: o.Freq[i], half: o.Freq[i] / (2 * o.Q)}
	for k := 1; k < len(freq); k++ {
		slope := (density[k] - density[k-1]) / (freq[k] - freq[k-1])
		r.add(freq[k-1], freq[k], density[k-1], slope)
	}
	const turn = 2 * math.Pi
	return Moments{0: r.m0 / (turn * turn * turn * turn), 2: r.m2 / (turn * turn * turn * turn)}
}

// resonance integrates a density times 1/((at²-f²)² + (2·half·f)²), which is the squared response of z but for (2π)^-4, and the same
// times f². half is half the bandwidth, at/2Q.
type resonance struct{ at, half, m0, m2 float64 }

// gauss are the nodes and weights of eight points on [-1, 1].
var gaussNodes, gaussWeights = func() (x, w [8]float64) {
	quad.Legendre{}.FixedLocations(x[:], w[:], -1, 1)
	return x, w
}()

// add integrates a line from f0 to f1, in pieces at most half as long as they are away from the resonance: the eight points then
// err by less than 1e-12.
func (r *resonance) add(f0, f1, g0, slope float64) {
	for from := f0; from < f1; {
		to := f1
		away := math.Hypot(max(from-r.at, 0), r.half)
		if from < r.at {
			away = max(r.half, (r.at-from)/1.5)
		}
		if from+away/2 < f1 {
			to = from + away/2
		}
		mid, half := (from+to)/2, (to-from)/2
		for i, node := range gaussNodes {
			f := mid + half*node
			d, e := r.at*r.at-f*f, 2*r.half*f
			v := gaussWeights[i] * half * (g0 + slope*(f-f0)) / (d*d + e*e)
			r.m0 += v
			r.m2 += v * f * f
		}
		from = to
	}
}

// EquivalentDensity is a shaped random spectrum: the density at the natural frequencies, which must rise, straight between them, whose
// fatigue damage spectrum over some seconds is the given one. It starts from white noise at each frequency and corrects by
// (wanted/reached)^(2/Slope) until all agree within 0.1 %, or 500 times. reached is the damage of the result over the wanted one:
// where a spectrum falls more steeply than a resonance's skirt, no density reaches it, and the result does more. It is an error if
// there are less than two frequencies or if a damage is not positive.
func (o Oscillators) EquivalentDensity(damage []float64, seconds float64) (density, reached []float64, err error) {
	density, err = o.whiteDensity(damage, seconds)
	if err != nil {
		return nil, nil, fmt.Errorf("shape a spectrum: %w", err)
	}
	reached = make([]float64, len(damage))
	for range 500 {
		now, err := o.DamageOfDensity(o.Freq, density, seconds)
		if err != nil {
			return nil, nil, fmt.Errorf("shape a spectrum: %w", err)
		}
		worst := 0.
		for i, d := range now {
			reached[i] = d / damage[i]
			worst = max(worst, math.Abs(math.Log(reached[i])))
		}
		if worst < 1e-3 {
			break
		}
		for i := range density {
			density[i] *= math.Pow(reached[i], -2/o.Slope)
		}
	}
	return density, reached, nil
}

// whiteDensity is the density that would do the damage at each frequency if it were white.
func (o Oscillators) whiteDensity(damage []float64, seconds float64) ([]float64, error) {
	if len(damage) != len(o.Freq) || len(damage) < 2 {
		return nil, fmt.Errorf("%d damages for %d frequencies: give at least two, pairwise", len(damage), len(o.Freq))
	}
	density := make([]float64, len(damage))
	if err := o.checkDensity(o.Freq, density, seconds); err != nil {
		return nil, err
	}
	for i, f := range o.Freq {
		if !(damage[i] > 0) || !finite(damage[i]) {
			return nil, fmt.Errorf("damage at %g Hz is %g: give a positive number", f, damage[i])
		}
		w := 2 * math.Pi * f
		rms := math.Pow(damage[i]/(f*seconds*math.Gamma(1+o.Slope/2)), 1/o.Slope) / math.Sqrt2
		density[i] = rms * rms * 4 * w * w * w / o.Q
	}
	return density, nil
}

// TimeCompression is the time that a test saves: the duration at level 1 over the one at a level times as high (as rms or amplitude)
// that does the same damage, level^slope. On densities the exponent is slope/2. It holds where one slope holds: a level that
// reaches yield, a knee or a rattle breaks the rule. (Common practice; MIL-STD-810 gives it with tested exponents, from memory.)
func TimeCompression(level, slope float64) float64 { return math.Pow(level, slope) }
