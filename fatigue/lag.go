package fatigue

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"
)

// Interpolation between samples is by a sinc under a Kaiser window, half a side long: within 2e-5 up to 0.9 of half the rate.
// (J. F. Kaiser, Proc. IEEE Int. Symp. Circuits and Systems, 1974, 20-23.)
const (
	kernelHalf = 32
	kernelBeta = 10.0
)

// kernel weighs the samples from i-31 to i+32 so that their sum is the signal at i+fraction, 0 <= fraction < 1.
type kernel [2 * kernelHalf]float64

func newKernel(fraction float64) (k kernel) {
	var sum float64
	for j := range k {
		d := float64(j-kernelHalf+1) - fraction
		u := d / kernelHalf
		k[j] = sinc(d) * besselI0(kernelBeta*math.Sqrt(max(1-u*u, 0)))
		sum += k[j]
	}
	for j := range k {
		k[j] /= sum // a constant stays itself
	}
	return k
}

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// besselI0 is the modified Bessel function of the first kind and order 0, by its series.
func besselI0(x float64) float64 {
	sum, term := 1., 1.
	for k := 1.; term > 1e-17*sum; k++ {
		term *= x * x / (4 * k * k)
		sum += term
	}
	return sum
}

// Shift returns x delayed by a number of samples, which need not be whole: value i is x at i-samples. A negative number brings x
// forward. In between samples x is band-limited, within 2e-5 of it up to 0.9 of half the rate; near its ends it is taken to go on
// turned about its end value. Where x is asked for beyond its ends, the end value is held. A sample that is not finite spoils the
// 64 around it. It panics if samples is not finite.
func Shift(x []float64, samples float64) []float64 {
	if !finite(samples) {
		panic("fatigue: shift by a number of samples that is not finite")
	}
	n := len(x)
	out := make([]float64, n)
	if n == 0 {
		return out
	}
	at := max(min(-samples, float64(n)), -float64(n)) // from there on all is held
	whole := math.Floor(at)
	base, k := int(whole), newKernel(at-whole)
	var long []float64
	if at != whole {
		long = extendOdd(x)
	}
	for i := range out {
		switch p := float64(i) + at; {
		case p <= 0:
			out[i] = x[0]
		case p >= float64(n-1):
			out[i] = x[n-1]
		case long == nil:
			out[i] = x[i+base]
		default:
			out[i] = floats.Dot(k[:], long[i+base:i+base+len(k)])
		}
	}
	return out
}

// extendOdd returns x with what a kernel needs before and after it, by point reflection at the end values, which keeps the slope:
// value i of x is value i+kernelHalf-1.
func extendOdd(x []float64) []float64 {
	n := len(x)
	long := make([]float64, 0, n+2*kernelHalf-1)
	for j := kernelHalf - 1; j > 0; j-- {
		long = append(long, 2*x[0]-x[min(j, n-1)])
	}
	long = append(long, x...)
	for j := 1; j <= kernelHalf; j++ {
		long = append(long, 2*x[n-1]-x[max(n-1-j, 0)])
	}
	return long
}

// Lag finds by how many seconds y runs behind x, both sampled at rate in Hz, within ±maxLag seconds: where their correlation is
// largest in size. peak is that correlation, from -1 to 1; it is negative where y is x turned over. A lag at ±maxLag means that the
// peak lies beyond. Among equal peaks, as of a pure sine, the one nearest 0 is taken.
//
// The correlation is Pearson's over one stretch of x, clear of both ends by maxLag and 32 samples, with y in between samples
// band-limited: a shifted copy has a peak of 1, and no trend of the overlap pulls it. On signals with no power above 0.9 of half the
// rate the lag is right to 0.02 samples from 300 samples on, to 0.001 from some thousands; noise adds its own scatter and no bias.
// Where one signal has more samples than the other, the rest is left out.
//
// peak is 0, and with it the lag, where there is nothing to tell: a signal is constant, has a sample that is not finite, or is
// shorter than 2·(maxLag·rate + 32) + 32 samples, or rate or maxLag is not a positive number.
func Lag(x, y []float64, rate, maxLag float64) (seconds, peak float64) {
	n := min(len(x), len(y))
	limit := maxLag * rate // samples
	if !(limit > 0) || !(rate > 0) || !(limit < float64(n)) || checkFinite(x, 0, n) != nil || checkFinite(y, 0, n) != nil {
		return 0, 0
	}
	reach := int(math.Ceil(limit)) + kernelHalf
	if n-2*reach < kernelHalf {
		return 0, 0
	}
	c := newCorrelation(x[:n], y[:n], reach)
	if c == nil {
		return 0, 0
	}
	near, sign := c.search(limit)
	if sign == 0 {
		return 0, 0
	}
	lag, peak := c.refine(near, sign, limit)
	return lag / rate, peak
}

// correlation is that of x within [reach, n-reach) with y, both of unit length and about their means: for shifts of y by k from -reach
// to reach, at k+reach. Between whole shifts both are band-limited; the variation too is interpolated, not found from interpolated
// samples, since interpolation takes some power off white noise and would draw the peak to half samples.
type correlation struct {
	reach     int
	product   []float64 // Σ x[i]·y[i+k]
	variation []float64 // Σ y[i+k]², about the mean of that stretch
}

// newCorrelation returns nil if either signal does not vary.
func newCorrelation(x, y []float64, reach int) *correlation {
	size := len(x) - 2*reach
	stretch, ok := unitVariation(x[reach : len(x)-reach])
	if !ok {
		return nil
	}
	whole, ok := unitVariation(y)
	if !ok {
		return nil
	}
	sum := slidingSum(whole, size, func(v float64) float64 { return v })
	square := slidingSum(whole, size, func(v float64) float64 { return v * v })
	for k, s := range sum {
		square[k] -= s * s / float64(size)
	}
	return &correlation{reach: reach, product: correlate(stretch, whole, reach), variation: square}
}

// unitVariation returns x less its mean, at unit length; false if it is constant but for rounding.
func unitVariation(x []float64) ([]float64, bool) {
	before := floats.Norm(x, 2)
	c := append([]float64(nil), x...)
	centre(c)
	length := floats.Norm(c, 2)
	if !(length > dependent*before) || math.IsInf(length, 1) {
		return nil, false
	}
	for i := range c {
		c[i] /= length
	}
	return c, true
}

// correlate returns Σ s[i]·y[i+k] for k from 0 to 2·reach; y is 2·reach longer than s.
func correlate(s, y []float64, reach int) []float64 {
	n := goodLength(len(y))
	fft := fourier.NewFFT(n)
	padded := make([]float64, n)
	copy(padded, s)
	a := fft.Coefficients(nil, padded)
	clear(padded)
	copy(padded, y)
	b := fft.Coefficients(nil, padded)
	for i := range a {
		a[i] = cmplx.Conj(a[i]) * b[i]
	}
	out := fft.Sequence(padded, a)[:2*reach+1]
	floats.Scale(1/float64(n), out)
	return out
}

// goodLength is the least number from n that 2, 3 and 5 make up, for which the transform is fast.
func goodLength(n int) int {
	for ; ; n++ {
		m := n
		for _, p := range [...]int{2, 3, 5} {
			for m%p == 0 {
				m /= p
			}
		}
		if m == 1 {
			return n
		}
	}
}

// slidingSum returns the sums of f over each stretch of size samples of y.
func slidingSum(y []float64, size int, f func(float64) float64) []float64 {
	prefix := make([]float64, len(y)+1)
	for i, v := range y {
		prefix[i+1] = prefix[i] + f(v)
	}
	out := make([]float64, len(y)-size+1)
	for k := range out {
		out[k] = prefix[k+size] - prefix[k]
	}
	return out
}

// at is the correlation at a whole shift and the fraction that the kernel stands for.
func (c *correlation) at(whole int, k *kernel) float64 {
	from := whole + c.reach - kernelHalf + 1
	variation := floats.Dot(k[:], c.variation[from:from+len(k)])
	if variation <= dependent {
		return 0
	}
	return floats.Dot(k[:], c.product[from:from+len(k)]) / math.Sqrt(variation)
}

// search returns the quarter sample within ±limit where the correlation is largest in size, and its sign; 0 if there is none. The
// quarters matter near half the rate, where the largest sample may be that of a side peak.
func (c *correlation) search(limit float64) (lag, sign float64) {
	var kernels [4]kernel
	for q := range kernels {
		kernels[q] = newKernel(float64(q) / 4)
	}
	best := 0.
	look := func(quarter int) {
		r := c.at(quarter>>2, &kernels[quarter&3]) // the shift rounds down
		if math.Abs(r) > best*(1+1e-9) {
			best, lag, sign = math.Abs(r), float64(quarter)/4, math.Copysign(1, r)
		}
	}
	look(0)
	for q := 1; float64(q) <= 4*limit; q++ {
		look(q)
		look(-q)
	}
	return lag, sign
}

// refine finds the maximum of sign·correlation within half a sample of a lag and within ±limit, by golden section.
func (c *correlation) refine(near, sign, limit float64) (lag, peak float64) {
	f := func(lag float64) float64 {
		whole := math.Floor(lag)
		k := newKernel(lag - whole)
		return sign * c.at(int(whole), &k)
	}
	lag = goldenSection(f, max(near-0.5, -limit), min(near+0.5, limit))
	for _, end := range [...]float64{-limit, limit} {
		if math.Abs(lag-end) < 1e-6 {
			lag = end
		}
	}
	return lag, sign * min(f(lag), 1)
}

// goldenSection returns where f, which rises and then falls, is largest, within 1e-7.
func goldenSection(f func(float64) float64, lo, hi float64) float64 {
	const golden = 0.6180339887498949
	a, b := hi-golden*(hi-lo), lo+golden*(hi-lo)
	fa, fb := f(a), f(b)
	for hi-lo > 1e-7 {
		if fa >= fb {
			hi, b, fb = b, a, fa
			a = hi - golden*(hi-lo)
			fa = f(a)
		} else {
			lo, a, fa = a, b, fb
			b = lo + golden*(hi-lo)
			fb = f(b)
		}
	}
	return (lo + hi) / 2
}
