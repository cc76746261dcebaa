package calibrate

import (
	"iter"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"

	"lapwear/fatigue"
)

// line is a frequency line of channel and gauge: sums over segments of the squared
// magnitudes and of the cross term conj(X) S, in the channel's unit and MPa squared.
type line struct {
	xx, ss float64
	xs     complex128
}

func (l line) plus(o line) line { return line{l.xx + o.xx, l.ss + o.ss, l.xs + o.xs} }

// moments are sums over samples about each lap's mean.
type moments struct{ n, xx, xy, yy float64 }

func (m moments) plus(o moments) moments {
	return moments{m.n + o.n, m.xx + o.xx, m.xy + o.xy, m.yy + o.yy}
}

// bands is into how many parts the range of frequencies is cut where the noise floor
// is looked for.
const bands = 32

// band is the part of a hop in a range of frequencies: sums over n lines, whose number
// differs from band to band.
type band struct{ n, xx, xs, ss float64 }

// hop is a piece of a lap of half a segment: its sums of samples, and the spectrum of
// the segment that begins with it. The last hop of a lap has no segment.
type hop struct {
	m     moments
	bands []band // nil without a segment
	pull  pull
}

// pull is which way and how hard the lines of a segment pull at the lag: sums of
// ω·Im(Sxs) and of ω²·Re(Sxs), the first two derivatives of the cross-correlation, and of
// ω²·|Sxs|, which the second would be without a lag.
type pull struct{ first, second, sharp float64 }

func (p pull) plus(o pull) pull {
	return pull{p.first + o.first, p.second + o.second, p.sharp + o.sharp}
}

// lag is the delay of the gauge that is left, in s, by one step of Newton's toward the
// peak of the cross-correlation.
func (p pull) lag() float64 { return -p.first / p.second }

// plan says how spectra are taken: segments of so many s with a Hann window and half
// overlap (Welch 1967, doi:10.1109/TAU.1967.1161901), and the range of lines.
type plan struct {
	seconds  float64
	low, top int // first and last line looked at
}

// freq is the frequency of a line in Hz.
func (p plan) freq(k int) float64 { return float64(k) / p.seconds }

func (p plan) lines() int { return p.top - p.low + 1 }

// segmentSeconds is how long a segment is where the laps are long enough.
const segmentSeconds = 2.0

// newPlan chooses the segments: about two seconds, less where there would be fewer than
// 12 of them, and lines within the pass band.
func (f Fitting) newPlan(laps []prepared) plan {
	var total, slowest, shortest float64
	for i, l := range laps {
		d := float64(len(l.x)) / l.rate
		total += d
		if i == 0 || l.rate < slowest {
			slowest = l.rate
		}
		if i == 0 || d < shortest {
			shortest = d
		}
	}
	n := 32.0
	for n*2 <= laps[0].rate*segmentSeconds && 2*n/laps[0].rate <= shortest && 2*total*laps[0].rate/(2*n) >= 12 {
		n *= 2
	}
	p := plan{seconds: n / laps[0].rate}
	high := 0.45 * slowest
	if f.BandHigh > 0 {
		high = min(high, f.BandHigh)
	}
	p.low = max(1, int(math.Ceil(max(f.HighPass, f.BandLow)*p.seconds)))
	p.top = max(p.low, int(high*p.seconds))
	return p
}

// segments is how many segments of a plan a lap holds.
func (l prepared) segments(p plan) int {
	n := p.samples(l.rate)
	if len(l.x) < n {
		return 0
	}
	return (len(l.x)-n)/(n/2) + 1
}

// transforms goes over the transforms of a lap's segments, channel and gauge, which are
// overwritten by those that follow.
func (l prepared) transforms(p plan) iter.Seq2[[]complex128, []complex128] {
	return func(yield func(a, b []complex128) bool) {
		n := p.samples(l.rate)
		window := fatigue.Hann.Weights(n)
		fft := fourier.NewFFT(n)
		buf := make([]float64, n)
		spectrum := func(v []float64, dst []complex128) []complex128 {
			for i := range buf {
				buf[i] = v[i] * window[i]
			}
			return fft.Coefficients(dst, buf)
		}
		var a, b []complex128
		for i := range l.segments(p) {
			at := i * (n / 2)
			a, b = spectrum(l.x[at:at+n], a), spectrum(l.s[at:at+n], b)
			if !yield(a, b) {
				return
			}
		}
	}
}

// measure fills in the spectra and sums of a lap.
func (l *prepared) measure(p plan) {
	l.lines = make([]line, p.lines())
	half := p.samples(l.rate) / 2
	for at := 0; at < len(l.x); at += half {
		end := min(at+half, len(l.x))
		h := hop{m: sums(l.x[at:end], l.s[at:end])}
		l.hops, l.m = append(l.hops, h), l.m.plus(h.m)
	}
	i := 0
	for a, b := range l.transforms(p) {
		l.hops[i].bands, l.hops[i].pull = l.add(a, b, p)
		i++
	}
}

// add adds a segment's lines and returns its bands, and how it pulls at the lag.
func (l *prepared) add(a, b []complex128, p plan) ([]band, pull) {
	out := make([]band, min(bands, p.lines()))
	var force pull
	for j := range l.lines {
		k := p.low + j
		if k >= len(a) {
			break
		}
		one := lineOf(a[k], b[k])
		l.lines[j] = l.lines[j].plus(one)
		o := &out[j*len(out)/len(l.lines)]
		o.n, o.xx, o.ss, o.xs = o.n+1, o.xx+one.xx, o.ss+one.ss, o.xs+real(one.xs)
		omega := 2 * math.Pi * p.freq(k)
		force = force.plus(pull{omega * imag(one.xs), omega * omega * real(one.xs), omega * omega * cmplx.Abs(one.xs)})
	}
	return out, force
}

// addLines adds a segment's lines to sums of them.
func addLines(sums []line, a, b []complex128, p plan) {
	for j := range sums {
		if k := p.low + j; k < len(a) {
			sums[j] = sums[j].plus(lineOf(a[k], b[k]))
		}
	}
}

func lineOf(x, s complex128) line {
	return line{real(x)*real(x) + imag(x)*imag(x), real(s)*real(s) + imag(s)*imag(s), complex(real(x), -imag(x)) * s}
}

// sums returns the moments of a piece; its lap has no mean.
func sums(x, s []float64) moments {
	m := moments{n: float64(len(x))}
	for i := range x {
		m.xx += x[i] * x[i]
		m.xy += x[i] * s[i]
		m.yy += s[i] * s[i]
	}
	return m
}

// overlapped is how many segments of half overlap say as much as one does: with a Hann
// window 1 + 2·(1/6)² (Welch 1967).
const overlapped = 1 + 2.0/36

// segments counts those that went into the laps' spectra, as independent ones.
func segments(laps []prepared) float64 {
	n := 0
	for _, l := range laps {
		for _, h := range l.hops {
			if h.bands != nil {
				n++
			}
		}
	}
	return float64(n) / overlapped
}

// allLines sums the laps' lines.
func allLines(laps []prepared) []line {
	var out []line
	for _, l := range laps {
		if out == nil {
			out = make([]line, len(l.lines))
		}
		for k := range out {
			out[k] = out[k].plus(l.lines[k])
		}
	}
	return out
}

// coherence is |Sxs|²/(Sxx Sss) less its bias: unrelated signals show 1/n over n
// segments (Carter, Knapp and Nuttall 1973, doi:10.1109/TAU.1973.1162496).
func (l line) coherence(n float64) float64 {
	if !(l.xx > 0) || !(l.ss > 0) || n <= 1 {
		return 0
	}
	c := (real(l.xs)*real(l.xs) + imag(l.xs)*imag(l.xs)) / (l.xx * l.ss)
	return min(max(0, (c-1/n)/(1-1/n)), 1)
}

// weight is what a line's stress counts for damage: S(f)·f^(2/k). Their sum to the power
// k/2 is the damage rate of the single-moment method (Larsen and Lutes 1991,
// doi:10.1016/0266-8920(91)90003-B), from memory.
func (p plan) weight(k int, l line, slope float64) float64 {
	return l.ss * math.Pow(p.freq(p.low+k), 2/slope)
}

// weighted is the coherence averaged over the lines by their weight.
func (p plan) weighted(lines []line, n, slope float64) float64 {
	var sum, total float64
	for k, l := range lines {
		w := p.weight(k, l, slope)
		sum += w * l.coherence(n)
		total += w
	}
	if total == 0 {
		return math.NaN()
	}
	return sum / total
}
