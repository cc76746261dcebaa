package fatigue

import (
	"fmt"
	"math"
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
	var p Points
	err := scan(x, gate, func(turns []int32, _ int) {
		for _, i := range turns {
			p.Value = append(p.Value, x[i])
			p.Index = append(p.Index, i)
		}
	})
	if err != nil {
		return Points{}, fmt.Errorf("find turning points: %w", err)
	}
	return p, nil
}

// blockLen is the number of samples scanned before their turning points are
// passed on: few enough for both to stay in the first-level cache.
const blockLen = 1024

// scan passes the turning points of x to sink, in order and block by block, with
// the number of samples read so far. sink must not keep turns.
func scan(x []float64, gate float64, sink func(turns []int32, done int)) error {
	if err := checkSize(len(x), gate); err != nil || len(x) == 0 {
		return err
	}
	if err := checkFinite(x, 0, 1); err != nil {
		return err
	}
	var buf [blockLen]int32
	h := hysteresis{x: x, gate: gate}
	pass := func(n, done int) {
		if gate > 0 {
			n = h.filter(buf[:n])
		}
		sink(buf[:n], done)
	}
	lo := plateau(x)
	pass(1, lo) // buf[0] is sample 0
	if lo < len(x) {
		e := edge{prev: x[0]}
		if x[lo] < x[0] {
			e.down = 1
		}
		for lo < len(x) {
			hi := min(lo+blockLen, len(x))
			n, err := e.turns(x, lo, hi, &buf)
			if err != nil {
				return err
			}
			pass(n, hi)
			lo = hi
		}
		buf[0] = e.last
		pass(1, len(x))
	}
	if gate > 0 {
		buf[0] = h.pending
		sink(buf[:1], len(x))
	}
	return nil
}

// plateau returns the number of samples at the start of x that equal the first.
func plateau(x []float64) int {
	for i, v := range x {
		if v != x[0] {
			return i
		}
	}
	return len(x)
}

// edge is the state of the search for turning points between two samples.
type edge struct {
	prev float64 // value of the sample before
	last int32   // first sample with that value
	down uint64  // 1 if the signal came down to it, 0 if it came up
	flat bool    // the block before had equal samples in a row
}

// turns writes the turning points that samples lo to hi reveal to buf and
// returns how many there are. Neither way of it has a branch for the outcome,
// since the places of a noisy signal's turning points cannot be predicted.
func (e *edge) turns(x []float64, lo, hi int, buf *[blockLen]int32) (int, error) {
	if !e.flat {
		if n, ok := e.strict(x[lo:hi], lo, buf); ok {
			return n, nil
		}
	}
	if err := checkFinite(x, lo, hi); err != nil {
		return 0, err
	}
	return e.plateaus(x[lo:hi], lo, buf), nil
}

// strict is turns for samples that all differ from the one before; so must the one
// before the block, or it turned elsewhere. strict gives up, and leaves e as it
// was, if samples are equal or a difference is not finite.
func (e *edge) strict(x []float64, lo int, buf *[blockLen]int32) (n int, ok bool) {
	const irregular = 0x7ff<<53 - 1
	prev, down, i := e.prev, e.down, int32(lo)-1
	var k, worst uint64
	for _, v := range x {
		d := math.Float64bits(v - prev)
		worst = max(worst, d<<1-1) // wraps round to the largest for 0
		buf[k%blockLen] = i
		k += d>>63 ^ down
		down = d >> 63
		prev = v
		i++
	}
	if worst >= irregular {
		return 0, false
	}
	e.prev, e.last, e.down = prev, i, down
	return int(k), true
}

// plateaus is turns for any finite samples.
func (e *edge) plateaus(x []float64, lo int, buf *[blockLen]int32) int {
	prev, last, down, i := e.prev, e.last, e.down, int32(lo)
	var k, some uint64
	for _, v := range x {
		d := math.Float64bits(v - prev)
		same := (d<<1 - 1) &^ (d << 1) >> 63 // 1 if v == prev
		now := d>>63&^same | down&same
		buf[k%blockLen] = last
		k += now ^ down
		down = now
		if same == 0 {
			last = i
		}
		some |= same
		prev = v
		i++
	}
	e.prev, e.last, e.down, e.flat = prev, last, down, some != 0
	return int(k)
}

// hysteresis drops the turning points that a gate hides. pending is the extreme
// reached since the last point that stayed.
type hysteresis struct {
	x         []float64
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
func (h *hysteresis) filter(turns []int32) int {
	n := 0
	for _, i := range turns {
		if keep, ok := h.add(i); ok {
			turns[n] = keep
			n++
		}
	}
	return n
}

func (h *hysteresis) add(i int32) (keep int32, ok bool) {
	v, p := h.x[i], h.x[h.pending]
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
func (h *hysteresis) open(i int32) (keep int32, ok bool) {
	if h.x[i] > h.x[h.high] {
		h.high = i
	}
	if h.x[i] < h.x[h.low] {
		h.low = i
	}
	switch {
	case h.x[h.high]-h.x[h.low] < h.gate:
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
func checkFinite(x []float64, lo, hi int) error {
	for i, v := range x[lo:hi] {
		if v-v != 0 {
			return fmt.Errorf("sample %d is %v: cut it out or fill it from its neighbours", lo+i, v)
		}
	}
	return nil
}
