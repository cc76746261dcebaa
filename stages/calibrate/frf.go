package calibrate

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/dsp/fourier"
)

// longest is how long a segment may be, in s. Half a percent of critical damping, as little
// as a bolted or welded bracket has, makes a resonance at 10 Hz 0.1 Hz wide; 1.5 lines of
// 32 s are 0.05 Hz.
const longest = 32.0

// mostLines bounds the lines of a spectrum where the band is wide.
const mostLines = 1 << 14

// leastParts is into how many parts the laps are cut at least, to see how well each
// resolution predicts parts that it was not fitted on.
const leastParts = 4

// part is the spectra of a part of a lap: all of it where there are laps enough.
type part struct {
	lap      string
	lines    []line
	segments float64 // independent ones
}

// rung is the spectra of all laps at one resolution.
type rung struct {
	plan  plan
	parts []part
}

// ladder is the rungs from the coarsest on, each twice as fine as the one before, and
// which of them serves at each frequency. Long segments part narrow resonances; short
// ones average more. What serves is what predicts best the parts not fitted.
type ladder struct {
	rungs []rung
	rate  float64
	slope float64
	use   [][]float64 // by rung, the weight at each line of the finest, from no frequency to half the rate
}

// finer is the plan with segments twice as long.
func (p plan) finer() plan { return plan{seconds: 2 * p.seconds, low: 2 * p.low, top: 2 * p.top} }

// samples is the length of a segment at a rate.
func (p plan) samples(rate float64) int {
	n := max(8, int(math.Round(p.seconds*rate)))
	return n + n%2
}

// climb takes the spectra at all resolutions that the laps allow, from p on.
func climb(laps []prepared, p plan) []rung {
	out := []rung{newRung(laps, p)}
	for p = p.finer(); p.seconds <= longest && p.lines() <= mostLines; p = p.finer() {
		r := newRung(laps, p)
		for _, one := range r.parts {
			if one.segments == 0 {
				return out
			}
		}
		out = append(out, r)
	}
	return out
}

func newRung(laps []prepared, p plan) rung {
	each := (leastParts + len(laps) - 1) / len(laps)
	r := rung{plan: p, parts: make([]part, each*len(laps))}
	for i := range r.parts {
		r.parts[i] = part{lap: laps[i/each].lap, lines: make([]line, p.lines())}
	}
	for i, l := range laps {
		n := l.segments(p)
		j := 0
		for a, b := range l.transforms(p) {
			one := &r.parts[i*each+j*each/n]
			addLines(one.lines, a, b, p)
			one.segments += 1 / overlapped
			j++
		}
	}
	return r
}

// sum adds up the parts that are kept.
func (r rung) sum(keep func(i int, p part) bool) (lines []line, segments float64) {
	lines = make([]line, r.plan.lines())
	for i, p := range r.parts {
		if !keep(i, p) {
			continue
		}
		segments += p.segments
		for k, l := range p.lines {
			lines[k] = lines[k].plus(l)
		}
	}
	return lines, segments
}

func everyPart(int, part) bool { return true }

func (l ladder) finest() rung { return l.rungs[len(l.rungs)-1] }

func (l ladder) size() int { return l.finest().plan.samples(l.rate) }

// newLadder takes the laps' spectra and settles which resolution serves where.
func (f Fitting) newLadder(laps []prepared, p plan) ladder {
	l := ladder{rungs: climb(laps, p), rate: laps[0].rate, slope: f.Slope}
	l.settle()
	return l
}

// Where one resolution is taken: over so many lines of the coarsest at a time; a finer one
// is taken where it leaves less than this share of what a coarser one leaves.
const (
	stretch   = 2
	worthFine = 0.97
)

// settle chooses the resolution by stretches of frequency, and gives up those that serve
// nowhere.
func (l *ladder) settle() {
	left := make([][]float64, len(l.rungs))
	for r := range l.rungs {
		left[r] = l.left(r)
	}
	top := l.finest().plan
	per := int(math.Round(stretch * top.seconds / l.rungs[0].plan.seconds))
	chosen, highest := make([]int, len(left[0])), 0
	for from := 0; from < len(chosen); from += per {
		to := min(len(chosen), from+per)
		best := leastLeft(left, from, to)
		for k := from; k < to; k++ {
			chosen[k] = best
		}
		highest = max(highest, best)
	}
	every := 1 << (len(l.rungs) - 1 - highest)
	l.rungs = l.rungs[:highest+1]
	l.share(chosen, top, per, every)
}

// leastLeft returns the rung that leaves least between two lines, in favour of coarse ones.
func leastLeft(left [][]float64, from, to int) int {
	best, least := 0, math.Inf(1)
	for r := range left {
		var sum float64
		for _, v := range left[r][from:to] {
			sum += v
		}
		if sum < worthFine*least {
			best, least = r, sum
		}
	}
	return best
}

// share turns the choice into weights that pass smoothly from one stretch to the next.
// every is how many lines of the choice fall on one of what is now the finest.
func (l *ladder) share(chosen []int, top plan, per, every int) {
	bins := l.size()/2 + 1
	l.use = make([][]float64, len(l.rungs))
	for r := range l.use {
		full := make([]float64, (bins-1)*every+1)
		for k := range full {
			if chosen[min(max(0, k-top.low), len(chosen)-1)] == r {
				full[k] = 1
			}
		}
		full = average(full, per/2)
		l.use[r] = make([]float64, bins)
		for k := range l.use[r] {
			l.use[r][k] = full[k*every]
		}
	}
}

// left returns the power that the response at a rung leaves of each part when it is fitted
// on all others, by line of the finest rung.
func (l ladder) left(r int) []float64 {
	top := l.finest()
	out := make([]float64, top.plan.lines())
	for i, held := range top.parts {
		lines, n := l.rungs[r].sum(func(j int, _ part) bool { return j != i })
		if n == 0 {
			continue
		}
		h := spread(l.rungs[r].plan.taps(lines, l.rate, 0), l.size())
		for k, o := range held.lines {
			v := h[top.plan.low+k]
			out[k] += o.ss + (real(v)*real(v)+imag(v)*imag(v))*o.xx - 2*(real(v)*real(o.xs)+imag(v)*imag(o.xs))
		}
	}
	return out
}

// spread is the frequency response of taps at a greater length.
func spread(taps []float64, size int) []complex128 {
	v := make([]float64, size)
	for i, w := range taps {
		v[(i-len(taps)/2+size)%size] += w
	}
	return fourier.NewFFT(size).Coefficients(nil, v)
}

// taps is the response fitted on the parts that are kept: Sxs over Sxx less the power of
// the channel's noise, if that is to be taken out.
func (l ladder) taps(keep func(part) bool, lessNoise bool) []float64 {
	kept := func(_ int, p part) bool { return keep(p) }
	noise := 0.0 // of the channel, in a sample
	if lessNoise {
		top := l.finest()
		lines, n := top.sum(kept)
		noise = noiseFloor(lines, n) / (n * top.plan.seconds)
	}
	one := func(r rung) []float64 {
		lines, n := r.sum(kept)
		return r.plan.taps(lines, l.rate, noise*n*r.plan.seconds)
	}
	if len(l.rungs) == 1 {
		return one(l.rungs[0])
	}
	size := l.size()
	h := make([]complex128, size/2+1)
	for i, r := range l.rungs {
		for k, v := range spread(one(r), size) {
			h[k] += v * complex(l.use[i][k]/float64(size), 0)
		}
	}
	return gathered(h, size)
}

// gathered turns a frequency response into taps, the middle one at no delay.
func gathered(h []complex128, size int) []float64 {
	v := fourier.NewFFT(size).Sequence(nil, h)
	taps := make([]float64, size-1)
	for i := range taps {
		taps[i] = v[(i-size/2+1+size)%size]
	}
	return taps
}

// taps turns sums of lines into a response, Sxs/(Sxx - noise). At no line is more taken out
// than what is not in common there, nor than half. Below the first line the gain is that line's real part,
// above the last it falls to none. A Hann window over a segment weighs what comes after a
// delay by its own likeness to itself at that delay, where the channel's spectrum is smooth
// over a line; that is made good as far as the taps do not fade out.
func (p plan) taps(lines []line, rate, noise float64) []float64 {
	size := p.samples(rate)
	h := make([]complex128, size/2+1)
	at := func(j int) complex128 {
		l := lines[j]
		if !(l.xx > 0) {
			return 0
		}
		apart := max(0, l.xx-(real(l.xs)*real(l.xs)+imag(l.xs)*imag(l.xs))/max(l.ss, math.SmallestNonzeroFloat64))
		return l.xs / complex(l.xx-min(noise, apart, l.xx/2), 0)
	}
	for k := range h {
		switch j := k - p.low; {
		case j < 0:
			h[k] = complex(real(at(0)), 0)
		case j < len(lines):
			h[k] = at(j)
		default:
			fade := max(0, 1-float64(j-len(lines)+1)/(0.25*float64(p.top)+1))
			h[k] = at(len(lines)-1) * complex(fade, 0)
		}
		h[k] /= complex(float64(size), 0)
	}
	h[size/2] = complex(real(h[size/2]), 0)
	taps := gathered(h, size)
	for i := range taps {
		delay := float64(i-len(taps)/2) / float64(size)
		taps[i] *= fadeOut(2*delay) / hannLikeness(delay)
	}
	return taps
}

// hannLikeness is the autocorrelation of a Hann window of length 1, 1 at no delay: the
// integral of its definition.
func hannLikeness(delay float64) float64 {
	t := math.Abs(delay)
	sin, cos := math.Sincos(2 * math.Pi * t)
	return 2. / 3 * ((1-t)*(1+cos/2) + 3*sin/(4*math.Pi))
}

// asResponse turns a candidate into its frequency response: its laps' channel becomes
// the stress that the response predicts.
func (f Fitting) asResponse(c candidate) candidate {
	for _, l := range c.laps {
		if math.Abs(l.rate-c.laps[0].rate) > sameRate*c.laps[0].rate {
			c.none = fmt.Sprintf("lap %q has %g Hz, lap %q has %g Hz: a frequency response needs one rate; set rate under signal in the season file",
				c.laps[0].lap, c.laps[0].rate, l.lap, l.rate)
			return c
		}
	}
	l := f.newLadder(c.laps, c.plan)
	t := term{c.channel, l.taps(func(part) bool { return true }, f.lessNoise())}
	out := f.transformed(c, []term{t}, t.through(c.laps))
	out.base, out.ladder, out.of = c.laps, l, c.unit
	return out
}

// lessNoise tells whether the channel's noise is taken out of its spectrum: not where
// least squares is asked for.
func (f Fitting) lessNoise() bool { return f.Gain != GainLeast }

// responseAnew fits the frequency response on the laps that are kept.
func (f Fitting) responseAnew(c *candidate) func(fitted, unseen []prepared) (kept, left []prepared, err error) {
	return func(fitted, unseen []prepared) (kept, left []prepared, err error) {
		names := namesOf(fitted)
		t := term{c.channel, c.ladder.taps(func(p part) bool { return names[p.lap] }, f.lessNoise())}
		through := func(laps []prepared) ([]prepared, error) {
			out := t.through(among(c.base, laps))
			return out, f.ready(out, c.plan)
		}
		if left, err = through(unseen); err != nil || f.Gain != GainDamage {
			return fitted, left, err // without a factor to match, the laps kept only count
		}
		kept, err = through(fitted)
		return kept, left, err
	}
}

// ready takes laps' spectra and counts them.
func (f Fitting) ready(laps []prepared, p plan) error {
	for i := range laps {
		laps[i].measure(p)
	}
	_, err := countAll(laps, f.slopes(), f.own())
	return err
}
