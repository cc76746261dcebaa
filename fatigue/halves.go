package fatigue

import (
	"fmt"
	"math"
	"math/bits"
	"sync"
)

// DensityOfHalves is Density of a signal that is cut in the middle: the mean over the segments of both halves, so that none spans the
// middle, and two segments are transformed as one complex signal, which takes less than a third of Density's time. Length must be a power of two
// from 4, and Overlap 0. What is left over at
// the end of each half is not taken in. A sample that is not finite makes the densities NaN.
//
// With Z = X + iY, |Z(f)|² + |Z(-f)|² = 2·(|X(f)|² + |Y(f)|²) for real x and y.
func (w Welch) DensityOfHalves(x []float64, rate float64) (freq, density []float64, err error) {
	if err := w.Check(); err != nil {
		return nil, nil, err
	}
	half := len(x) / 2
	n := w.Length
	switch segments := half / n; {
	case n < 4 || n&(n-1) != 0 || w.Overlap != 0:
		return nil, nil, fmt.Errorf("transform halves: segments of %d samples that share %d: give a power of two from 4 that share none", n, w.Overlap)
	case !(rate > 0) || !finite(rate):
		return nil, nil, fmt.Errorf("check rate: %g is not a positive number: give it in Hz", rate)
	case segments == 0:
		return nil, nil, fmt.Errorf("average spectra: halves of %d samples are shorter than a segment of %d: shorten the segments", half, n)
	}
	t, weights := newTransform(n), weightsOf(w.Window, n)
	defer transforms.Put(t)
	sum := t.sum
	for from := 0; from+n <= half; from += n {
		weigh(t.re, x[from:from+n], weights)
		weigh(t.im, x[half+from:half+from+n], weights)
		t.run()
		for i, a := range t.re {
			b := t.im[i]
			sum[i] += a*a + b*b
		}
	}
	var power float64
	for _, v := range weights {
		power += v * v
	}
	freq, density = make([]float64, n/2+1), make([]float64, n/2+1)
	scale := 1 / (2 * rate * power * float64(half/n))
	for k := range freq {
		freq[k] = float64(k) * rate / float64(n)
		density[k] = scale * (sum[t.place(k)] + sum[t.place((n-k)%n)])
	}
	density[0] /= 2 // these two have no mirror image
	density[n/2] /= 2
	return freq, density, nil
}

// weigh writes a segment less its mean, weighted.
func weigh(dst, x, weights []float64) {
	var sum float64
	for _, v := range x {
		sum += v
	}
	mean := sum / float64(len(x))
	x, weights = x[:len(dst)], weights[:len(dst)]
	for i := range dst {
		dst[i] = (x[i] - mean) * weights[i]
	}
}

// transform is a discrete Fourier transform in place of n = 2^k complex numbers, by decimation in frequency in steps of four parts, and of
// two at first where k is odd. (Cooley and Tukey 1965, doi:10.1090/S0025-5718-1965-0178586-1; the form from memory, checked against
// gonum's in the tests.) Results are left where the steps put them.
type transform struct {
	re, im []float64
	sum    []float64 // of the squares, segment by segment
	*turns
}

// transforms are those that are not in use.
var transforms sync.Pool

// turns are the cosine and the sine of -2πk/n.
type turns struct{ cos, sin []float64 }

// made holds what depends on a length alone, and is made once: turns by length, weights by window and length.
var made sync.Map

type weightsKey struct {
	window Window
	length int
}

func weightsOf(w Window, n int) []float64 {
	if v, ok := made.Load(weightsKey{w, n}); ok {
		return v.([]float64)
	}
	v := w.Weights(n)
	made.Store(weightsKey{w, n}, v)
	return v
}

func turnsOf(n int) *turns {
	if v, ok := made.Load(n); ok {
		return v.(*turns)
	}
	t := &turns{make([]float64, n), make([]float64, n)}
	for k := range n {
		t.sin[k], t.cos[k] = math.Sincos(-2 * math.Pi * float64(k) / float64(n))
	}
	made.Store(n, t)
	return t
}

// newTransform returns a transform of n numbers, with a sum of 0.
func newTransform(n int) *transform {
	if t, ok := transforms.Get().(*transform); ok && len(t.re) == n {
		clear(t.sum)
		return t
	}
	return &transform{make([]float64, n), make([]float64, n), make([]float64, n), turnsOf(n)}
}

// odd tells whether n is no power of four.
func (t *transform) odd() bool { return bits.TrailingZeros(uint(len(t.re)))%2 == 1 }

// place is where run leaves the number of frequency k.
func (t *transform) place(k int) int {
	at, size := 0, len(t.re)
	if t.odd() {
		size /= 2
		at, k = size*(k&1), k>>1
	}
	for size >= 4 {
		size /= 4
		at += size * (k & 3)
		k >>= 2
	}
	return at
}

func (t *transform) run() {
	n := len(t.re)
	size := n
	if t.odd() {
		t.half()
		size /= 2
	}
	for ; size > 4; size /= 4 {
		for from := 0; from < n; from += size {
			t.quarter(from, size, n/size)
		}
	}
	t.last()
}

// half takes the step of two parts.
func (t *transform) half() {
	h := len(t.re) / 2
	r0, r1, i0, i1, cos, sin := t.re[:h], t.re[h:][:h], t.im[:h], t.im[h:][:h], t.cos[:h], t.sin[:h]
	for j := range r0 {
		difR, difI := r0[j]-r1[j], i0[j]-i1[j]
		r0[j], i0[j] = r0[j]+r1[j], i0[j]+i1[j]
		r1[j], i1[j] = difR*cos[j]-difI*sin[j], difR*sin[j]+difI*cos[j]
	}
}

// last takes the step of four numbers each, which no turn is part of.
func (t *transform) last() {
	re, im := t.re, t.im[:len(t.re)]
	for ; len(re) >= 4 && len(im) >= 4; re, im = re[4:], im[4:] {
		sumR, difR, sumI, difI := re[0]+re[2], re[0]-re[2], im[0]+im[2], im[0]-im[2]
		crossR, turnR, crossI, turnI := re[1]+re[3], re[1]-re[3], im[1]+im[3], im[1]-im[3]
		re[0], im[0] = sumR+crossR, sumI+crossI
		re[1], im[1] = difR+turnI, difI-turnR
		re[2], im[2] = sumR-crossR, sumI-crossI
		re[3], im[3] = difR-turnI, difI+turnR
	}
}

// quarter takes one step for size numbers: four parts, each of which is transformed by itself afterwards.
func (t *transform) quarter(from, size, stride int) {
	q := size / 4
	r0, r1, r2, r3 := t.re[from:][:q], t.re[from+q:][:q], t.re[from+2*q:][:q], t.re[from+3*q:][:q]
	i0, i1, i2, i3 := t.im[from:][:q], t.im[from+q:][:q], t.im[from+2*q:][:q], t.im[from+3*q:][:q]
	for j := range q {
		a, b, c, d := r0[j], r1[j], r2[j], r3[j]
		e, f, g, h := i0[j], i1[j], i2[j], i3[j]
		sumR, difR, sumI, difI := a+c, a-c, e+g, e-g
		crossR, turnR, crossI, turnI := b+d, b-d, f+h, f-h
		r0[j], i0[j] = sumR+crossR, sumI+crossI
		oneR, oneI := difR+turnI, difI-turnR
		twoR, twoI := sumR-crossR, sumI-crossI
		triR, triI := difR-turnI, difI+turnR
		k := j * stride
		c1, s1 := t.cos[k], t.sin[k]
		c2, s2 := t.cos[2*k], t.sin[2*k]
		c3, s3 := t.cos[3*k], t.sin[3*k]
		r1[j], i1[j] = oneR*c1-oneI*s1, oneR*s1+oneI*c1
		r2[j], i2[j] = twoR*c2-twoI*s2, twoR*s2+twoI*c2
		r3[j], i3[j] = triR*c3-triI*s3, triR*s3+triI*c3
	}
}
