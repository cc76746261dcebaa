package calibrate

import (
	"math"
	"math/bits"

	"gonum.org/v1/gonum/dsp/fourier"
)

// searched is how far a lag is looked for at least, in s: beyond what is plausible, so
// that an implausible one is seen and not merely missed.
const searched = 1.0

// correlogram is a lap's cross-correlation: r[k] is at k-zero samples of delay of the
// gauge behind the channel.
type correlogram struct {
	r           []float64
	zero        int
	rate        float64
	late        float64
	powerX, pow float64 // sums of squares of channel and gauge
}

// correlate returns the cross-correlation of a pair up to a delay of reach s.
func correlate(p prepared, late, reach float64) correlogram {
	zero := int(reach*p.rate) + taps
	zero = min(zero, max(len(p.x)-1, 1))
	n := 1 << bits.Len(uint(len(p.x)+zero))
	fft := fourier.NewFFT(n)
	pad := func(v []float64) []complex128 {
		w := make([]float64, n)
		copy(w, v)
		return fft.Coefficients(nil, w)
	}
	a, b := pad(p.x), pad(p.s)
	for k := range a {
		a[k] = b[k] * complex(real(a[k]), -imag(a[k])) / complex(float64(n), 0)
	}
	full := fft.Sequence(nil, a)
	c := correlogram{r: make([]float64, 2*zero+1), zero: zero, rate: p.rate, late: late}
	for k := range c.r {
		c.r[k] = full[(k-zero+n)%n]
	}
	for i := range p.x {
		c.powerX += p.x[i] * p.x[i]
		c.pow += p.s[i] * p.s[i]
	}
	return c
}

// taps is how many samples to either side interpolate a correlogram.
const taps = 24

// at returns the correlogram at a delay in s, by a Hann-windowed sinc.
func (c correlogram) at(delay float64) float64 {
	t := (delay-c.late)*c.rate + float64(c.zero)
	if k := math.Round(t); math.Abs(t-k) < 1e-9 && k >= 0 && int(k) < len(c.r) {
		return c.r[int(k)]
	}
	i := int(math.Floor(t))
	var sum float64
	for k := max(0, i-taps+1); k <= min(len(c.r)-1, i+taps); k++ {
		d := t - float64(k)
		w := 0.5 + 0.5*math.Cos(math.Pi*d/taps)
		sum += c.r[k] * w * sinc(d)
	}
	return sum
}

func sinc(d float64) float64 {
	if math.Abs(d) < 1e-9 {
		return 1
	}
	return math.Sin(math.Pi*d) / (math.Pi * d)
}

// delay is a lag and how well channel and gauge agree there: a signed correlation.
type delay struct{ lag, peak float64 }

// nearPeak is the share of the highest peak from which on a peak nearer to no lag is
// taken: the peaks of a narrow band repeat with every period.
const nearPeak = 0.97

// correlograms are those of several laps, whose sum over the signals' power is looked at.
type correlograms []correlogram

// at is the correlation of all laps together at a delay in s; NaN where nothing varies.
func (cs correlograms) at(t float64) float64 {
	var sum, xx, ss float64
	for _, c := range cs {
		sum, xx, ss = sum+c.at(t), xx+c.powerX, ss+c.pow
	}
	if !(xx > 0) || !(ss > 0) {
		return math.NaN()
	}
	return sum / math.Sqrt(xx*ss)
}

// jointLag returns the delay of the gauge behind the channel over all laps: where the
// sum of their cross-correlations is greatest, of either sign.
func jointLag(cs correlograms, reach float64) delay { return cs.peak(reach, 0, math.Abs) }

// peak returns where what size makes of the correlation is greatest, and of peaks as high
// the one nearest to a delay.
func (cs correlograms) peak(reach, near float64, size func(float64) float64) delay {
	fastest := 0.0
	for _, c := range cs {
		fastest = max(fastest, c.rate)
	}
	if math.IsNaN(cs.at(0)) {
		return delay{math.NaN(), math.NaN()}
	}
	step := 1 / fastest
	n := int(reach / step)
	v := make([]float64, 2*n+1)
	for k := range v {
		v[k] = size(cs.at(float64(k-n) * step))
	}
	best := peakNear(v, n+int(math.Round(near/step)))
	lag := sharpest(func(t float64) float64 { return size(cs.at(t)) }, float64(best-n)*step, step)
	return delay{lag, cs.at(lag)}
}

// peakNear returns the place of the largest v, or of a peak as good as it that is nearer to
// a place.
func peakNear(v []float64, near int) int {
	top := 0
	for k := range v {
		if v[k] > v[top] {
			top = k
		}
	}
	best := top
	for k := 1; k+1 < len(v); k++ {
		if v[k] >= nearPeak*v[top] && v[k] >= v[k-1] && v[k] >= v[k+1] && distance(k, near) < distance(best, near) {
			best = k
		}
	}
	return best
}

func distance(a, b int) int { return max(a-b, b-a) }

// sharpest finds the greatest f within a step of t by golden sections.
func sharpest(f func(float64) float64, t, step float64) float64 {
	const golden = 0.6180339887498949
	lo, hi := t-step, t+step
	a, b := hi-golden*(hi-lo), lo+golden*(hi-lo)
	fa, fb := f(a), f(b)
	for range 40 {
		if fa < fb {
			lo, a, fa = a, b, fb
			b = lo + golden*(hi-lo)
			fb = f(b)
		} else {
			hi, b, fb = b, a, fa
			a = hi - golden*(hi-lo)
			fa = f(a)
		}
	}
	return (lo + hi) / 2
}

// turn changes the sign.
func (c *correlogram) turn() {
	for k := range c.r {
		c.r[k] = -c.r[k]
	}
}
