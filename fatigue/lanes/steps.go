package lanes

import "math"

// Stride is how many samples a block of Steps and Small has.
const Stride = 32

// Span is what Steps finds out about samples as a whole.
type Span struct {
	Lo, Hi float64
	Least  float64 // the smallest step that is not 0; infinite where there is none
	Equal  bool    // some sample is as the one before it
}

// Steps writes the largest step to a sample of each whole block, of which most has len(x)/Stride. A step is the size of the difference
// of a sample and the one before it; to sample 0 there is none. Samples are finite, and there is one at least.
func Steps[T Sample](most []float64, x []T) Span {
	mustFit(len(most) == len(x)/Stride)
	s := span[T]{x[0], x[0], infinity, 0}
	done := 0
	if wide && len(most) > 1 {
		most[0] = s.block(x[0], x[1:Stride])
		switch x := any(x).(type) {
		case []float32:
			var ends stepEnds
			stepsAVX2(&most[1], &x[Stride], len(most)-1, &ends)
			takeIn(&s, ends.lo[:], ends.hi[:], &ends.sizes)
		case []float64:
			var ends stepEnds64
			steps64AVX2(&most[1], &x[Stride], len(most)-1, &ends)
			takeIn(&s, ends.lo[:], ends.hi[:], &ends.sizes)
		}
		done = len(most)
	}
	for b := done; b < len(most); b++ {
		most[b] = s.block(x[max(1, b*Stride)-1], x[max(1, b*Stride):(b+1)*Stride])
	}
	rest := max(1, len(most)*Stride)
	s.block(x[rest-1], x[rest:])
	return Span{float64(s.lo) + 0, float64(s.hi) + 0, math.Float64frombits(s.least), s.equal > 0} // one zero for both
}

const infinity = 0x7ff << 52

// span is a Span in the making: least by its bits, and how many samples are as the one before.
type span[T Sample] struct {
	lo, hi T
	least  uint64
	equal  uint64
}

// block takes in samples, given the one before them, and returns the largest step. Positive numbers are in the order of their bits: their
// least and greatest ask for no branches, which noise makes unpredictable. Those of 0, less 1, come last.
func (s *span[T]) block(prev T, x []T) float64 {
	last, lo, hi, least, equal, most := float64(prev), s.lo, s.hi, s.least-1, s.equal, uint64(0)
	for _, v := range x {
		d := math.Float64bits(math.Abs(float64(v) - last))
		most, least = max(most, d), min(least, d-1)
		equal += (d - 1) >> 63
		if v < lo {
			lo = v
		}
		if v > hi {
			hi = v
		}
		last = float64(v)
	}
	s.lo, s.hi, s.least, s.equal = lo, hi, least+1, equal
	return math.Float64frombits(most)
}

// stepEnds are the extremes of lanes, and those of double precision.
type stepEnds struct {
	lo, hi [8]float32
	sizes
}

type stepEnds64 struct {
	lo, hi [4]float64
	sizes
}

// sizes are the least steps of lanes, and bits that are set where some step was 0.
type sizes struct {
	least [4]float64
	equal [4]uint64
}

// takeIn takes in the extremes of lanes.
func takeIn[T, E Sample](s *span[T], lo, hi []E, e *sizes) {
	for k := range lo {
		s.lo, s.hi = min(s.lo, T(lo[k])), max(s.hi, T(hi[k]))
	}
	for k := range e.least {
		s.least = min(s.least, math.Float64bits(e.least[k]))
		s.equal |= e.equal[k] & 1
	}
}

// Small counts the steps to samples of each whole block that are smaller than the block's limit. The step to sample 0 is 0.
// Samples are finite; a limit is a number from +0 on, or infinite: bits are compared, of which -0 and NaN have others.
func Small[T Sample](small []uint8, x []T, limit []float64) {
	mustFit(len(small) == len(x)/Stride && len(limit) == len(small))
	done := 0
	if wide && len(small) > 1 {
		small[0] = below(x[0], x[:Stride], limit[0])
		switch x := any(x).(type) {
		case []float32:
			smallAVX2(&small[1], &x[Stride], &limit[1], len(small)-1)
		case []float64:
			small64AVX2(&small[1], &x[Stride], &limit[1], len(small)-1)
		}
		done = len(small)
	}
	for b := done; b < len(small); b++ {
		small[b] = below(x[max(1, b*Stride)-1], x[b*Stride:(b+1)*Stride], limit[b])
	}
}

func below[T Sample](prev T, x []T, limit float64) uint8 {
	n, last, bits := uint64(0), float64(prev), math.Float64bits(limit)
	for _, v := range x {
		n += (math.Float64bits(math.Abs(float64(v)-last)) - bits) >> 63
		last = float64(v)
	}
	return uint8(n)
}

// Finite says whether no number is NaN or infinite.
func Finite[T Sample](x []T) bool {
	whole := 0
	if wide && len(x) >= 8 {
		whole = len(x) &^ 7
		worst := uint32(0)
		switch x := any(x).(type) {
		case []float32:
			worst = finiteAVX2(&x[0], whole)
		case []float64:
			worst = finite64AVX2(&x[0], whole)
		}
		if worst != 0 {
			return false
		}
	}
	return finite(x[whole:])
}

// Apart is how many samples, from the first on, differ from the one before each.
func Apart[T Sample](x []T) int {
	from := 0
	if narrow, ok := any(x).([]float32); ok && wide && len(x) > Stride {
		from = apartAVX2(&narrow[1], (len(x)-1)/Stride) * Stride
	}
	for i := from + 1; i < len(x); i++ {
		if x[i] == x[i-1] {
			return i
		}
	}
	return len(x)
}

// Running writes total and the sum of the samples up to each one, less first each. It returns the last. Four
// samples are added up among themselves first, in pairs, so that one addition in four waits for the one before.
// Samples and first are finite, and total is not -0: its sign may get lost.
func Running[T Sample](out []float64, x []T, first, total float64) float64 {
	mustFit(len(out) == len(x))
	whole := 0
	if narrow, ok := any(x).([]float32); ok && wide && len(x) >= 4 {
		whole = len(x) &^ 3
		total = runningAVX2(&out[0], &narrow[0], whole, first, total)
	}
	return running(out[whole:], x[whole:], first, total)
}

func running[T Sample](out []float64, x []T, first, total float64) float64 {
	for len(x) >= 4 && len(out) >= 4 {
		a, b, c, d := float64(x[0])-first, float64(x[1])-first, float64(x[2])-first, float64(x[3])-first
		two := a + b
		three, four := (b+c)+a, (c+d)+two
		out[0], out[1], out[2], out[3] = total+a, total+two, total+three, total+four
		total += four
		x, out = x[4:], out[4:]
	}
	part := 0.0
	for i, v := range x {
		part += float64(v) - first
		out[i] = total + part
	}
	return total + part
}

// Around is what a window's mean is made of at each of some samples: the sums of the samples, less First each, before the window
// and with its last one, of which the difference weighs Within; and the next sample to either side of it, which weigh Ends.
type Around[T Sample] struct {
	Left, Right   []T
	Before, After []float64
	First         float64
	Within, Ends  float64
}

func (a *Around[T]) mean(i int) float64 {
	ends := (float64(a.Left[i]) - a.First) + (float64(a.Right[i]) - a.First)
	return float64((a.After[i]-a.Before[i])*a.Within) + float64(ends*a.Ends)
}

// Contrast adds the squares of the differences of two windows' means, those of the samples k, k+4, k+8, … to lane k.
func Contrast[T Sample](l *[4]float64, a, b *Around[T]) {
	n := len(a.Left)
	mustFit(len(a.Right) == n && len(a.Before) == n && len(a.After) == n)
	mustFit(len(b.Left) == n && len(b.Right) == n && len(b.Before) == n && len(b.After) == n)
	whole := 0
	if wide && n >= 4 {
		whole = n &^ 3
		switch a := any(a).(type) {
		case *Around[float32]:
			contrastAVX2(l, whole, a, any(b).(*Around[float32]))
		case *Around[float64]:
			contrast64AVX2(l, whole, a, any(b).(*Around[float64]))
		}
	}
	contrast(l, whole, a, b)
}

func contrast[T Sample](l *[4]float64, i int, a, b *Around[T]) {
	n := len(a.Left)
	for ; i+4 <= n; i += 4 {
		l[0] += square(a.mean(i) - b.mean(i))
		l[1] += square(a.mean(i+1) - b.mean(i+1))
		l[2] += square(a.mean(i+2) - b.mean(i+2))
		l[3] += square(a.mean(i+3) - b.mean(i+3))
	}
	for ; i < n; i++ {
		l[i%4] += square(a.mean(i) - b.mean(i))
	}
}
