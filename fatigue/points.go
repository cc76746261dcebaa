package fatigue

import (
	"fmt"
	"math"
	"math/bits"

	"lapwear/fatigue/lanes"
)

// Points are turning points in the order in which they occurred, as parallel
// slices: Value in the unit of the signal, Index the sample number.
// Neighbouring values differ, and every inner point is a local extreme.
type Points struct {
	Value []float64
	Index []int32
}

// Len returns the number of points.
func (p Points) Len() int { return len(p.Value) }

// TurningPoints returns the turning points of x: its first value, its local
// extremes and its last value. Equal samples in a row are one value, and their
// point bears the number of the first of them; so a constant signal has one
// point, and the last point is where the last value was reached.
//
// A gate above 0, in the unit of x, is a hysteresis: a turning point counts once
// the signal has gone back from it by at least the gate. Ranges smaller than the
// gate vanish, ranges equal to it stay, and the points that stay keep their
// value. The ends follow the same rule: where the first or last range is
// smaller than the gate, the extreme behind it becomes the end. The rainflow
// count of what stays is that of the whole signal without the cycles and half
// cycles smaller than the gate. A signal that stays within the gate has one
// point, its first sample.
//
// An empty x has no points. It is an error if a sample is NaN or infinite, if
// the gate is negative or not finite, or if there are more than
// [math.MaxInt32] samples.
func TurningPoints(x []float64, gate float64) (Points, error) {
	var c course
	err := follow(&c, x, gate)
	if err != nil {
		return Points{}, fmt.Errorf("find turning points: %w", err)
	}
	p := Points{make([]float64, 0, c.points), make([]int32, 0, c.points)}
	scan(&c, x, gate, func(turns []int32) {
		for _, i := range turns {
			p.Value = append(p.Value, x[i])
			p.Index = append(p.Index, i)
		}
	})
	if p.Len() == 0 {
		return Points{}, nil
	}
	return p, nil
}

// course says where a signal changes its way, a bit a sample.
type course struct {
	turns  []uint64 // the sample goes the other way than those before it: the point lies right before
	same   []uint64 // the sample equals the one before; sample 0 does
	points int      // turning points without a gate
}

// follow finds the course of x, unless its samples or the gate are at fault.
func follow[T Sample](c *course, x []T, gate float64) error {
	if err := checkSize(len(x), gate); err != nil {
		return err
	}
	if e := trace(c, x); !e.Finite {
		return checkFinite(x, 0, len(x))
	}
	return nil
}

// trace is follow for any samples; of some that are not finite the course means nothing.
func trace[T Sample](c *course, x []T) lanes.Extent[T] {
	n := lanes.Words(len(x))
	if cap(c.turns) < n {
		c.turns, c.same = make([]uint64, n), make([]uint64, n)
	}
	c.turns, c.same = c.turns[:n], c.same[:n]
	e := lanes.Outline(c.turns, c.same, x)
	c.points = min(len(x), 2) + findTurns(c.turns, c.same)
	return e
}

// findTurns replaces the bits of samples less than the ones before them by those of turns and returns how many there are. Samples
// that equal the ones before go on the way of these: a sum carries the way through a row of them.
func findTurns(down, same []uint64) int {
	way, n := firstWay(down, same), 0
	for w, flat := range same {
		d := down[w]
		downhill := flat & (d<<1 | way) // the first of each row that goes on down
		d |= flat & (flat + downhill ^ flat)
		turns := d ^ (d<<1 | way)
		down[w], way = turns, d>>63
		n += bits.OnesCount64(turns)
	}
	return n
}

// firstWay is 1 if the first sample unlike those before it is less.
func firstWay(down, same []uint64) uint64 {
	for w, flat := range same {
		if flat != math.MaxUint64 {
			return down[w] >> bits.TrailingZeros64(^flat) & 1
		}
	}
	return 0
}

// blockLen is the number of samples scanned before their turning points are
// passed on: few enough for both to stay in the first-level cache.
const blockLen = 1024

// scan passes the turning points of x, whose course is c, to sink, in order and block by block. sink must not keep turns.
func scan[T Sample](c *course, x []T, gate float64, sink func(turns []int32)) {
	if len(x) == 0 {
		return
	}
	var buf [blockLen]int32
	h := hysteresis[T]{x: x, gate: gate}
	pass := func(n int) {
		if gate > 0 {
			n = h.filter(buf[:n])
		}
		sink(buf[:n])
	}
	pass(1) // buf[0] is sample 0
	last := int32(0)
	for lo := 0; lo < len(c.turns); lo += blockLen / 64 {
		var n int
		n, last = c.block(lo, min(lo+blockLen/64, len(c.turns)), last, &buf)
		pass(n)
	}
	if last > 0 {
		buf[0] = last
		pass(1)
	}
	if gate > 0 {
		buf[0] = h.pending
		sink(buf[:1])
	}
}

// block writes the turning points that the words lo to hi reveal to buf and returns how many there are. last is the first
// of the equal samples that the word before ends with, and then that of the last word.
func (c *course) block(lo, hi int, last int32, buf *[blockLen]int32) (n int, after int32) {
	for w := lo; w < hi; w++ {
		fresh := ^c.same[w]
		for turns := c.turns[w]; turns != 0; turns &= turns - 1 {
			point := last
			if before := fresh & ((turns & -turns) - 1); before != 0 {
				point = int32(64*w + bits.Len64(before) - 1)
			}
			buf[n%blockLen] = point
			n++
		}
		if fresh != 0 {
			last = int32(64*w + bits.Len64(fresh) - 1)
		}
	}
	return n, last
}

// hysteresis drops the turning points that a gate hides. pending is the extreme
// reached since the last point that stayed.
type hysteresis[T Sample] struct {
	x         []T
	gate      float64
	state     int
	pending   int32
	high, low int32 // extremes before the first range of at least the gate
}

const (
	within  = iota // no range of at least the gate yet
	rising         // pending is a maximum
	falling        // pending is a minimum
)

// filter keeps in turns, from its start, the points that are now certain to
// stay and returns how many. There are never more than it was given.
func (h *hysteresis[T]) filter(turns []int32) int {
	n := 0
	for _, i := range turns {
		if keep, ok := h.add(i); ok {
			turns[n] = keep
			n++
		}
	}
	return n
}

func (h *hysteresis[T]) add(i int32) (keep int32, ok bool) {
	v, p := float64(h.x[i]), float64(h.x[h.pending])
	switch {
	case h.state == within:
		return h.open(i)
	case h.state == rising && v > p, h.state == falling && v < p:
		h.pending = i
	case h.state == rising && p-v >= h.gate:
		keep, h.pending, h.state = h.pending, i, falling
		return keep, true
	case h.state == falling && v-p >= h.gate:
		keep, h.pending, h.state = h.pending, i, rising
		return keep, true
	}
	return 0, false
}

// open waits for the first range of at least the gate; its earlier end stays.
func (h *hysteresis[T]) open(i int32) (keep int32, ok bool) {
	if h.x[i] > h.x[h.high] {
		h.high = i
	}
	if h.x[i] < h.x[h.low] {
		h.low = i
	}
	switch {
	case float64(h.x[h.high])-float64(h.x[h.low]) < h.gate:
		return 0, false
	case h.high == i:
		h.pending, h.state = i, rising
		return h.low, true
	default:
		h.pending, h.state = i, falling
		return h.high, true
	}
}

func checkSize(n int, gate float64) error {
	if n > math.MaxInt32 {
		return fmt.Errorf("%d samples are more than %d: cut the signal into parts", n, math.MaxInt32)
	}
	if !(gate >= 0) || math.IsInf(gate, 1) {
		return fmt.Errorf("gate is %v: give a finite range in the unit of the signal, or 0 for none", gate)
	}
	return nil
}

// checkFinite reports the first sample of x[lo:hi] that is NaN or infinite: v-v is
// 0 for all others.
func checkFinite[T Sample](x []T, lo, hi int) error {
	for i, v := range x[lo:hi] {
		if v-v != 0 {
			return fmt.Errorf("sample %d is %v: cut it out or fill it from its neighbours", lo+i, v)
		}
	}
	return nil
}
