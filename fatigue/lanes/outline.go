package lanes

import "math"

// Extent is what Outline finds out about samples as a whole. Lo and Hi hold where Finite is true.
type Extent[T Sample] struct {
	Lo, Hi T
	Finite bool // none is NaN or infinite
}

// Words is how many words Outline writes for n samples.
func Words(n int) int { return (n + 63) / 64 }

// Outline compares each sample with the one before it: bit i%64 of down[i/64] is set where sample i is less, that of same where
// it is equal. Sample 0 counts as equal; bits beyond the samples are those of equal ones. The bits mean nothing
// unless all samples are finite. down and same are Words(len(x)) long.
func Outline[T Sample](down, same []uint64, x []T) Extent[T] {
	n := Words(len(x))
	mustFit(len(down) == n && len(same) == n)
	if n == 0 {
		return Extent[T]{Finite: true}
	}
	e := Extent[T]{Lo: x[0], Hi: x[0], Finite: x[0]-x[0] == 0}
	down[0], same[0] = e.word(x[0], x[:min(64, len(x))])
	w := 1
	if wide && len(x) >= 128 {
		w = len(x) / 64
		switch x := any(x).(type) {
		case []float32:
			var ends [3][8]float32
			outlineAVX2(&down[1], &same[1], &x[64], w-1, &ends)
			widen(&e, ends[0][:], ends[1][:], ends[2][:])
		case []float64:
			var ends [3][4]float64
			outline64AVX2(&down[1], &same[1], &x[64], w-1, &ends)
			widen(&e, ends[0][:], ends[1][:], ends[2][:])
		}
	}
	for ; w < n; w++ {
		down[w], same[w] = e.word(x[64*w-1], x[64*w:min(64*w+64, len(x))])
	}
	e.Lo, e.Hi = e.Lo+0, e.Hi+0 // one zero for both
	return e
}

// widen takes in the least and the greatest of lanes, and what their numbers less themselves come to: 0 bits for finite ones.
func widen[T, U Sample](e *Extent[T], lo, hi, rest []U) {
	for k := range lo {
		e.Lo, e.Hi = min(e.Lo, T(lo[k])), max(e.Hi, T(hi[k]))
		e.Finite = e.Finite && rest[k] == 0
	}
}

// word is Outline for up to 64 samples and the one before them. It has no branch for the outcome of a comparison, which noise makes
// unpredictable: bits are those of the difference, which is 0 for equal numbers alone.
func (e *Extent[T]) word(prev T, x []T) (down, same uint64) {
	const infinite = 0x7ff << 53
	lo, hi, before := e.Lo, e.Hi, float64(prev)
	var worst uint64
	for _, v := range x {
		d := math.Float64bits(float64(v) - before)
		down = down>>1 | d>>63<<63
		same = same>>1 | (d<<1-1)&^(d<<1)>>63<<63
		worst = max(worst, d<<1)
		before = float64(v)
		if v < lo {
			lo = v
		}
		if v > hi {
			hi = v
		}
	}
	e.Lo, e.Hi = lo, hi
	e.Finite = e.Finite && (worst < infinite || finite(x)) // a difference may be infinite where no number is
	rest := 64 - len(x)
	return down >> rest &^ (same >> rest), same>>rest | ^(math.MaxUint64 >> rest)
}

// finite says whether no number is NaN or infinite.
func finite[T Sample](x []T) bool {
	for _, v := range x {
		if v-v != 0 {
			return false
		}
	}
	return true
}
