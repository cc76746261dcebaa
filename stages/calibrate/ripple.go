package calibrate

import (
	"math"
	"math/cmplx"
)

// ripple is by how much a transfer function differs from a gain, relative, and where most.
type ripple struct {
	size, hz  float64
	low, high float64 // range of the transfer function's magnitude over the lines that matter, MPa per unit
	rung      int     // resolution at which it shows
}

// flatness is the ripple of a candidate at the resolution that shows most of it: a resonance
// narrower than the lines of a spectrum hides between them. The finer spectra, which average
// less, count only where they show it for sure.
func (f Fitting) flatness(rungs []rung, gain float64) ripple {
	var most ripple
	for i, r := range rungs {
		lines, n := r.sum(everyPart)
		if i > 0 && n < tellRipple {
			break
		}
		one, z := r.plan.ripple(lines, n, f.Slope, gain)
		if i == 0 || z > sureRipple && one.size > most.size {
			if i > 0 { // over fewer segments chance widens the range
				one.low, one.high = most.low, most.high
			}
			most = one
			most.rung = i
		}
	}
	return most
}

// look takes what spectra at all resolutions show of the channel itself.
func (f Fitting) look(c *candidate) {
	laps := c.laps
	if c.base != nil {
		laps = c.base
	}
	c.rungs = climb(laps, c.plan)
	c.hums = hums(c.rungs[len(c.rungs)-1], laps[0].rate)
	c.ripple = f.flatness(c.rungs, c.estimate.tls)
	if c.base != nil { // which is there to follow it
		c.ripple = ripple{size: math.NaN(), hz: c.rungs[0].loudest(f.Slope), low: math.NaN(), high: math.NaN(), rung: len(c.ladder.rungs) - 1}
	}
}

// loudest is the frequency at which most of the stress that the channel accounts for is, by
// its weight for damage: a resonance, where there is one.
func (r rung) loudest(slope float64) float64 {
	lines, n := r.sum(everyPart)
	top, hz := 0.0, math.NaN()
	for k, l := range lines {
		if v := r.plan.weight(k, l, slope) * l.coherence(n); v > top {
			top, hz = v, r.plan.freq(r.plan.low+k)
		}
	}
	return hz
}

// matters is the share of the heaviest line's weight from which on a line enters the range
// of the transfer function.
const matters = 0.01

// swing is the range of the transfer function's magnitude over the lines that matter.
func (p plan) swing(lines []line, n, slope float64) (low, high float64) {
	heaviest := 0.0
	for k, l := range lines {
		heaviest = max(heaviest, p.weight(k, l, slope))
	}
	low, high = math.NaN(), math.NaN()
	for k, l := range lines {
		if l.coherence(n) < max(0.5, byChance(n)) || p.weight(k, l, slope) < matters*heaviest {
			continue
		}
		h := cmplx.Abs(l.xs) / l.xx
		if math.IsNaN(low) {
			low, high = h, h
		}
		low, high = min(low, h), max(high, h)
	}
	return low, high
}

// tellRipple is how many segments tell of a ripple: over fewer, the lines that seem to have
// much in common are those where chance lines them up.
const tellRipple = 5

// sureRipple is how many standard errors a ripple has to be from what chance makes of a
// flat transfer function.
const sureRipple = 5

// ripple is the root mean square over the lines by their weight, less what chance makes
// of it, and by how many standard errors it is more than that. Lines where channel and
// gauge have little in common do not enter; of the others it counts what noise in either
// does not explain. A Hann window lets neighbours share most of
// their chance, which doubles its variance.
func (p plan) ripple(lines []line, n, slope, gain float64) (out ripple, z float64) {
	var sum, total, variance, most float64
	for k, l := range lines {
		c := l.coherence(n)
		if c < max(0.5, byChance(n)) {
			continue
		}
		w := p.weight(k, l, slope)
		h := l.xs / complex(l.xx*gain, 0)
		h = h*complex(atBest(h, c), 0) - 1
		off := w * (real(h)*real(h) + imag(h)*imag(h))
		chance := w * (1 - c) / (c * n) * (real(l.xs)*real(l.xs) + imag(l.xs)*imag(l.xs)) / (l.xx * l.xx * gain * gain)
		sum, total, variance = sum+off-chance, total+w, variance+2*chance*chance
		if off > most {
			most, out.hz = off, p.freq(p.low+k)
		}
	}
	if total == 0 {
		return ripple{size: math.NaN(), hz: math.NaN(), low: math.NaN(), high: math.NaN()}, math.NaN()
	}
	out.low, out.high = p.swing(lines, n, slope)
	out.size = math.Sqrt(max(0, sum/total))
	return out, sum / math.Sqrt(variance)
}

// byChance is the coherence that one in a hundred thousand lines of unrelated signals shows
// over n segments, 1 - p^(1/(n-1)) (Carter, Knapp and Nuttall 1973,
// doi:10.1109/TAU.1973.1162496), less its bias.
func byChance(n float64) float64 {
	if n <= 1 {
		return 1
	}
	return (1 - math.Pow(1e-5, 1/(n-1)) - 1/n) / (1 - 1/n)
}

// atBest is by what a line's Sxs/Sxx may be raised to come near 1: by no more than 1/coherence,
// if what is not in common is all noise of the channel.
func atBest(h complex128, coherence float64) float64 {
	return min(max(1, real(h)/(real(h)*real(h)+imag(h)*imag(h))), 1/coherence)
}
