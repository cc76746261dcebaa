package fatigue

import (
	"fmt"
	"math/bits"
	"slices"
	"sync"

	"lapwear/fatigue/lanes"
)

// Sample is a number of a signal.
type Sample = lanes.Sample

// DensityOfHalves is Welch's Density of a signal that is cut in the middle: the mean over the segments of both halves, so that none spans the
// middle, and two segments are transformed as one complex signal, which takes a tenth of Density's time. Length must be a power of two
// from 16, and Overlap 0. What is left over at
// the end of each half is not taken in. A sample that is not finite makes the densities NaN.
//
// Densities are those at 0, rate/Length, 2·rate/Length, … up to half the rate. They are in room, which is cut to length 0 first, where that has the
// memory for them.
//
// With Z = X + iY, |Z(f)|² + |Z(-f)|² = 2·(|X(f)|² + |Y(f)|²) for real x and y.
func DensityOfHalves[T Sample](w Welch, x []T, rate float64, room []float64) (density []float64, err error) {
	if err := w.Check(); err != nil {
		return nil, err
	}
	half := len(x) / 2
	n := w.Length
	switch segments := half / n; {
	case n < 16 || n&(n-1) != 0 || w.Overlap != 0:
		return nil, fmt.Errorf("transform halves: segments of %d samples that share %d: give a power of two from 16 that share none", n, w.Overlap)
	case !(rate > 0) || !finite(rate):
		return nil, fmt.Errorf("check rate: %g is not a positive number: give it in Hz", rate)
	case segments == 0:
		return nil, fmt.Errorf("average spectra: halves of %d samples are shorter than a segment of %d: shorten the segments", half, n)
	}
	t, weights := newTransform(n), weightsOf(w.Window, n)
	defer transforms.Put(t)
	for from := 0; from+n <= half; from += n {
		weigh(t.re, x[from:from+n], weights)
		weigh(t.im, x[half+from:half+from+n], weights)
		t.run()
	}
	var power float64
	for _, v := range weights {
		power += v * v
	}
	density = slices.Grow(room[:0], n/2+1)[:n/2+1]
	scale := 1 / (2 * rate * power * float64(half/n))
	for k := range density {
		density[k] = scale * (t.sum[t.places[k]] + t.sum[t.places[(n-k)%n]])
	}
	density[0] /= 2 // these two have no mirror image
	density[n/2] /= 2
	return density, nil
}

// weigh writes a segment less its mean, weighted.
func weigh[T Sample](dst []float64, x []T, weights []float64) {
	lanes.Weigh(dst, x, weights, lanes.Sum(x)/float64(len(x)))
}

// transform is a discrete Fourier transform in place of n = 2^k complex numbers, by decimation in frequency in steps of four parts, and of
// two at first where k is odd. (Cooley and Tukey 1965, doi:10.1090/S0025-5718-1965-0178586-1; the form from memory, checked against
// gonum's in the tests.) Results are left where the steps put them.
type transform struct {
	re, im []float64
	sum    []float64 // of the squares, segment by segment
	*plan
}

// transforms are those that are not in use.
var transforms sync.Pool

// plan is what a transform's length alone decides.
type plan struct {
	half     []float64   // turns of the step of two parts; nil where there is none
	quarters [][]float64 // turns of the steps of four parts, from the largest to the one for 16 numbers
	places   []int32     // of each frequency in the sum
}

// made holds what depends on a length alone, and is made once: plans by length, weights by window and length.
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

func planOf(n int) *plan {
	if v, ok := made.Load(n); ok {
		return v.(*plan)
	}
	p, size := &plan{places: make([]int32, n)}, n
	if bits.TrailingZeros(uint(n))%2 == 1 {
		size /= 2
		p.half = lanes.HalfTurns(size)
	}
	for ; size >= 16; size /= 4 {
		p.quarters = append(p.quarters, lanes.QuarterTurns(size/4))
	}
	for k := range p.places {
		p.places[k] = int32(p.place(n, k))
	}
	made.Store(n, p)
	return p
}

// place is where run adds the power of frequency k.
func (p *plan) place(n, k int) int {
	at, size := 0, n
	if p.half != nil {
		size /= 2
		at, k = size*(k&1), k>>1
	}
	for ; size > 16; size /= 4 {
		at += size / 4 * (k & 3)
		k >>= 2
	}
	return at + 4*(k>>2) + k&3 // lanes.Powers exchanges the last two steps
}

// apart keeps the two parts of the numbers from falling on the same places of the processor's first cache.
const apart = 40

// newTransform returns a transform of n numbers, with a sum of 0.
func newTransform(n int) *transform {
	if t, ok := transforms.Get().(*transform); ok && len(t.re) == n {
		clear(t.sum)
		return t
	}
	room := make([]float64, 2*n+apart)
	return &transform{room[:n], room[n+apart:], make([]float64, n), planOf(n)}
}

// inCache is how many numbers are transformed to the end before the next ones: both parts fit into the processor's first cache.
const inCache = 1024

// run transforms and adds up the powers.
func (t *transform) run() {
	if t.half != nil {
		lanes.Half(t.re, t.im, t.half)
	}
	t.finish(t.re, t.im, t.sum, t.quarters)
}

// finish takes the steps of four parts.
func (t *transform) finish(re, im, sum []float64, steps [][]float64) {
	for len(steps) > 0 {
		size := len(steps[0]) / 6 * 4
		if len(re) > inCache && len(re) > size {
			for from := 0; from < len(re); from += size {
				t.finish(re[from:from+size], im[from:from+size], sum[from:from+size], steps)
			}
			return
		}
		lanes.Quarter(re, im, steps[0])
		steps = steps[1:]
	}
	lanes.Powers(sum, re, im)
}
