package resample

import (
	"fmt"
	"math"

	"lapwear/fatigue/lanes"
)

const (
	// attenuation is one filter's design value in dB. The errors of up to three that
	// follow each other add, so it leaves a margin over the 80 dB promised.
	attenuation = 96
	// maxTerm bounds both terms of a rate ratio.
	maxTerm = 4096
	// ratioTolerance is the relative error allowed to a rate ratio: after an hour
	// at 1 kHz, 3.6e6 samples, the time is off by 4 thousandths of a sample.
	ratioTolerance = 1e-9
	// maxTaps bounds the memory of one filter, 8 bytes a tap.
	maxTaps = 1 << 23
)

// nearRatio is the relative error allowed to a ratio where none within the bounds is
// exact, as of a clock that is off by some parts in a million. The result then has not
// quite the rate asked for, and says so.
const nearRatio = 2.5e-4

// nearTerm bounds the terms by which a near ratio is made nearer still.
const nearTerm = 512

// ratio returns the smallest whole numbers l and m with out/in = l/m, by
// continued fractions, and whether there are any within the bounds above: exact ones,
// else such as are near.
func ratio(in, out float64) (l, m int, exact, ok bool) {
	r := out / in
	if !(r > 0.5/maxTerm && r < 2*maxTerm) {
		return 0, 0, false, false
	}
	var nearL, nearM int
	l0, m0, l, m := 0, 1, 1, 0
	for rest := r; ; {
		whole := math.Floor(rest)
		if whole > maxTerm {
			break
		}
		l0, l = l, int(whole)*l+l0
		m0, m = m, int(whole)*m+m0
		if l > maxTerm || m > maxTerm {
			break
		}
		off := math.Abs(float64(l)/float64(m) - r)
		if off <= ratioTolerance*r {
			return l, m, true, true
		}
		if off <= nearRatio*r && (nearL == 0 || max(l, m) <= nearTerm) {
			nearL, nearM = l, m
		}
		rest = 1 / (rest - whole)
	}
	return nearL, nearM, false, nearL > 0
}

// polyphase is a linear-phase low pass from an input grid to one that is l/m
// times as fine. Output k lies at input position k·m/l.
type polyphase struct {
	l, m int
	half int       // taps either side of an output's position
	taps []float64 // l phases of 2·half taps, each in the order of the input

	// pairs are, for each phase, its taps and those of the next output's, from the former's first input on and
	// filled up with zeros, so that both outputs share what is read. nil where they would take much memory.
	pairs [][]float64
}

// maxPairedTaps bounds the memory of pairs, 16 bytes a tap and more.
const maxPairedTaps = 1 << 20

// designPolyphase designs the filter between two edges in cycles per input sample:
// a Kaiser-windowed sinc, cut off half way between them, as long as the transition
// needs.
// Source: Oppenheim and Schafer, Discrete-Time Signal Processing, section on
// filter design by the Kaiser window (formulas from memory, checked against
// scipy.signal.firwin in the tests).
func designPolyphase(l, m int, pass, stop float64) (*polyphase, error) {
	half := math.Ceil((attenuation - 7.95) / (14.36 * (stop - pass)) / 2)
	if !(2*half*float64(l) <= maxTaps) {
		return nil, fmt.Errorf("design filter: a transition from %g to %g cycles per sample at ratio %d/%d takes too many taps: "+
			"choose a rate in a simpler ratio, or a higher lower end of the band", pass, stop, l, m)
	}
	f := &polyphase{l: l, m: m, half: int(half)}
	n := 2 * f.half
	f.taps = make([]float64, l*n)
	for p := range l {
		f.fillPhase(f.taps[p*n:(p+1)*n], float64(p)/float64(l)+half-1, (pass+stop)/2)
	}
	if l*(n+m/l) <= maxPairedTaps {
		f.pairUp()
	}
	return f, nil
}

func (f *polyphase) pairUp() {
	n := 2 * f.half
	for p := range f.l {
		next, later := (p+f.m)%f.l, (p+f.m)/f.l
		long := (n + later + 3) &^ 3
		both := make([]float64, 2*long)
		copy(both, f.taps[p*n:(p+1)*n])
		copy(both[long+later:], f.taps[next*n:(next+1)*n])
		f.pairs = append(f.pairs, both)
	}
}

// fillPhase fills in the taps at u, u-1, … samples from the filter's centre. A
// small straight line under the window is added, so that the phase has a gain of
// one and its centre of gravity at zero: a constant and a ramp pass exactly.
func (f *polyphase) fillPhase(phase []float64, u, cutoff float64) {
	window := make([]float64, len(phase))
	var sum, moment, w0, w1, w2 float64
	for i := range phase {
		at := u - float64(i)
		w := kaiser(at / float64(f.half))
		window[i], phase[i] = w, w*sinc(at, cutoff)
		sum += phase[i]
		moment += phase[i] * at
		w0, w1, w2 = w0+w, w1+w*at, w2+w*at*at
	}
	det := w0*w2 - w1*w1
	level := ((1-sum)*w2 + moment*w1) / det
	slope := -((1-sum)*w1 + moment*w0) / det
	for i, w := range window {
		phase[i] += w * (level + slope*(u-float64(i)))
	}
}

// kaiser is the Kaiser window between -1 and 1, zero at and beyond them.
func kaiser(v float64) float64 {
	const beta = 0.1102 * (attenuation - 8.7)
	if math.Abs(v) >= 1 {
		return 0
	}
	return bessel0(beta*math.Sqrt(1-v*v)) / bessel0(beta)
}

// sinc is the ideal low pass, cut off at fc cycles per sample, u samples from its
// centre.
func sinc(u, fc float64) float64 {
	if u == 0 {
		return 2 * fc
	}
	return math.Sin(2*math.Pi*fc*u) / (math.Pi * u)
}

// bessel0 is the modified Bessel function of the first kind and order zero, by
// its power series, whose terms are all positive.
func bessel0(x float64) float64 {
	q := x * x / 4
	sum, term := 1.0, 1.0
	for k := 1.0; term > 1e-17*sum; k++ {
		term *= q / (k * k)
		sum += term
	}
	return sum
}

// run computes the outputs first, first+1, … into dst. Input position 0 is
// x[origin]; x must reach half samples beyond every position asked for.
//
// Outputs whose phase is the same have their inputs a fixed stride apart, so they
// are a matrix-vector product over overlapping rows. It is faster than a
// dot product for each output, because a tap is loaded once for several outputs, and
// an input once for two.
func (f *polyphase) run(dst, x []float64, origin, first int) {
	const block = 16 // rows at a time, so that their inputs stay in the first-level cache
	n := 2 * f.half
	steps := (n + f.m - 1) / f.m // rows must not be longer than their stride
	steps += steps % 2 * (f.l % 2)
	stride, period := steps*f.m, steps*f.l // an even number of outputs
	for base := 0; base < len(dst); base += block * period {
		end := min(base+block*period, len(dst))
		for k := base; k < min(base+period, end); k++ {
			at := floorDiv((first+k)*f.m, f.l)
			phase := (first+k)*f.m - at*f.l
			from := x[origin+at-f.half+1:]
			if f.pairs == nil {
				lanes.Rows(dst[k:end], period, from, stride, f.taps[phase*n:(phase+1)*n])
				continue
			}
			lanes.RowPairs(dst[k:end], period, from, stride, f.pairs[phase])
			k++
		}
	}
}

// needs returns the first and the last input that the outputs first … last need.
func (f *polyphase) needs(first, last int) (int, int) {
	return floorDiv(first*f.m, f.l) - f.half + 1, floorDiv(last*f.m, f.l) + f.half
}

func floorDiv(a, b int) int {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
