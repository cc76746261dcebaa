package resample

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/blas/blas64"

	"lapwear/fatigue/lanes"
)

const (
	arOrder     = 32   // coefficients of the prediction: 16 tones at most
	minWindow   = 1024 // samples that the line and the prediction are fitted to, at least
	maxARWindow = 2048 // samples that the prediction is fitted to, at most
)

// extend writes x to the middle of y and continues it at both ends, for a filter that sees
// reach samples either side.
//
// At each end a straight line is fitted to the last third of what the filter sees
// (a longer one follows a drift less well, a shorter one the vibration more), and
// what is left over is continued by linear prediction (Burg's method), which
// decays to the line. A constant and a ramp so continue as they are, a vibration
// goes on vibrating whatever its phase at the cut, and noise dies out. Reflection
// about the end value, the common practice, instead pins the output to the first
// raw sample: content that the filter should remove then stays as a peak at the
// ends of a lap, and with a low cut the whole first second is shifted by it.
// Reflection without a change of sign folds a slope into a kink.
//
// Source of Burg's method: Burg, Maximum entropy spectral analysis, 1975 (from
// memory). Its reflection coefficients never exceed one, so that the prediction
// is stable.
func extend[T lanes.Sample](y []float64, x []T, reach int) {
	n, pad := len(x), (len(y)-len(x))/2
	own := y[pad : pad+n]
	for i, v := range x {
		own[i] = float64(v)
	}
	window := min(n, max(reach/3, minWindow))
	head := slices.Clone(own[:window])
	slices.Reverse(head)
	continueInto(y[:pad], head)
	slices.Reverse(y[:pad])
	continueInto(y[pad+n:], slices.Clone(own[n-window:]))
}

// continueInto fills dst with what follows s. It overwrites s.
func continueInto(dst, s []float64) {
	value, slope := endLine(s)
	for i := range s {
		s[i] -= value + slope*float64(i-len(s)+1)
	}
	s = s[max(0, len(s)-maxARWindow):]
	predict(dst, s, burg(s, min(arOrder, len(s)/3)))
	for i := range dst {
		dst[i] += value + slope*float64(i+1)
	}
}

// endLine fits a straight line by least squares and returns its value at the last
// sample and its slope per sample.
func endLine(s []float64) (value, slope float64) {
	n := float64(len(s))
	centre := (n - 1) / 2
	var mean, xy, xx float64
	for _, v := range s {
		mean += v / n
	}
	for i, v := range s {
		t := float64(i) - centre
		xy += t * (v - mean)
		xx += t * t
	}
	if xx > 0 {
		slope = xy / xx
	}
	return mean + slope*centre, slope
}

// burg returns the coefficients a of the prediction s[i] = -Σ a[j]·s[i-1-j], at
// most order of them, fewer once they predict s to the last digits.
func burg(s []float64, order int) []float64 {
	a := make([]float64, 0, order)
	if order == 0 {
		return a
	}
	f, b := slices.Clone(s[1:]), slices.Clone(s[:len(s)-1])
	total := dot(s, s)
	for len(a) < order {
		power := dot(f, f) + dot(b, b)
		if power <= 1e-14*total {
			break
		}
		k := -2 * dot(f, b) / power
		a = append(a, k)
		for i, j := 0, len(a)-2; i <= j; i, j = i+1, j-1 {
			a[i], a[j] = a[i]+k*a[j], a[j]+k*a[i]
		}
		last := len(f) - 1
		for i := range f {
			f[i], b[i] = f[i]+k*b[i], b[i]+k*f[i]
		}
		f, b = f[1:], b[:last]
	}
	return a
}

// predict fills dst with the continuation of s. It never leaves twice the range
// of s, and stops when it has died out.
func predict(dst, s, a []float64) {
	clear(dst)
	peak := 0.0
	for _, v := range s {
		peak = max(peak, math.Abs(v))
	}
	order := len(a)
	if order == 0 || peak == 0 {
		return
	}
	back := slices.Clone(a)
	slices.Reverse(back)
	run := append(slices.Clone(s[len(s)-order:]), dst...)
	quiet := 0
	for i := 0; i < len(dst) && quiet <= order; i++ {
		v := min(max(-dot(back, run[i:i+order]), -2*peak), 2*peak)
		run[order+i], dst[i] = v, v
		quiet++
		if math.Abs(v) > 1e-16*peak {
			quiet = 0
		}
	}
}

func dot(a, b []float64) float64 {
	return blas64.Dot(blas64.Vector{N: len(a), Inc: 1, Data: a}, blas64.Vector{N: len(b), Inc: 1, Data: b})
}
