package fatigue

import (
	"fmt"
	"math"
	"slices"
)

// Cycles are load cycles as parallel slices. From and To are the turning points
// of a cycle in the unit of the signal, From the one that occurred first; Start
// and End are their sample numbers.
type Cycles struct {
	From, To   []float64
	Start, End []int32
}

// Len returns the number of cycles.
func (c Cycles) Len() int { return len(c.From) }

// Range returns |To - From| of cycle i, which is above 0.
func (c Cycles) Range(i int) float64 { return math.Abs(c.To[i] - c.From[i]) }

// Mean returns (From + To) / 2 of cycle i.
func (c Cycles) Mean(i int) float64 { return (c.From[i] + c.To[i]) / 2 }

// Amplitude returns half the range of cycle i.
func (c Cycles) Amplitude(i int) float64 { return c.Range(i) / 2 }

// Count is a rainflow count: the cycles that closed, in the order in which they
// closed, and the turning points that no closed cycle used up.
type Count struct {
	Closed  Cycles
	Residue Points
}

// CountCycles counts the cycles of x by the four-point method on the points that
// [TurningPoints] finds with the same gate. Of four points A, B, C, D in a row
// the inner pair B, C closes and is taken out when |B-C| <= |A-B| and
// |B-C| <= |C-D|. Values are compared, not rounded ranges, so the count is exact.
//
// The closed cycles, with the residue as [HalfCycles], are the rainflow count of
// ASTM E1049-85, 5.4.4: the same sums of counts for each range and mean. Where
// ranges are equal, which of the equal cycles are halves may differ.
//
// An empty x has an empty count. The errors are those of [TurningPoints].
func CountCycles(x []float64, gate float64) (Count, error) {
	var c Counter
	return c.Count(x, gate)
}

// Counter counts one signal after another in the same memory. The zero value is ready for use.
type Counter struct{ s stack }

// Count is [CountCycles]; the closed cycles that it returns hold until the next call.
func (c *Counter) Count(x []float64, gate float64) (Count, error) {
	s := &c.s
	s.reset()
	err := scan(x, gate, func(turns []int32, done int) {
		s.push(x, turns, float64(len(x))/float64(done))
	})
	if err != nil {
		return Count{}, fmt.Errorf("count cycles: %w", err)
	}
	return s.count(x), nil
}

// stack holds the turning points that are still open. One rule serves rising and
// falling, because the keys of minima are turned upside down: with A, B, C on top
// and D next, B, C closes when D's key >= B's and A's key >= C's.
type stack struct {
	open   []open // the stack, as long as there is room for
	depth  int    // points on it, floor included
	points int    // turning points pushed so far
	flip   int64  // of the next key: 0 for a maximum, all ones for a minimum
	closed Cycles // as long as there is room for
	cycles int    // closed so far
	keys   [blockLen]int64
}

// reset empties the stack but keeps its memory.
func (s *stack) reset() {
	s.depth, s.points, s.flip, s.cycles = len(floor), 0, 0, 0
}

type open struct {
	key   int64
	index int32
}

// floor lies below the first point in place of A and B, so that nothing closes.
var floor = [2]open{{key: math.MinInt64}, {key: math.MinInt64}}

// key maps finite values to integers in the same order; -0 is 0.
func key(v float64) int64 {
	b := int64(math.Float64bits(v + 0))
	return b ^ int64(uint64(b>>63)>>1)
}

// push adds turning points of x, given by sample number, and takes out what they
// close. growth is the expected ratio of all samples to those read so far.
func (s *stack) push(x []float64, turns []int32, growth float64) {
	s.reserve(len(turns), growth)
	turns = s.begin(x, turns)
	if len(turns) == 0 {
		return
	}
	keys, flip := s.keys[:len(turns)], s.flip
	for t, i := range turns {
		keys[t] = key(x[i]) ^ flip
		flip = ^flip
	}
	s.flip = flip
	c, lo := s.closed, s.cycles
	s.match(keys, turns, c.Start, c.End)
	for k := lo; k < s.cycles; k++ {
		c.From[k], c.To[k] = x[c.Start[k]], x[c.End[k]]
	}
}

// match is the four-point rule. The keys on top stay in registers: reading them
// back from the stack takes longer than everything else here.
func (s *stack) match(keys []int64, turns, start, end []int32) {
	points, depth, n := s.open, s.depth, s.cycles
	turns, end = turns[:len(keys)], end[:len(start)]
	a, b, c := points[depth-3].key, points[depth-2].key, points[depth-1].key
	for t, d := range keys {
		for d >= b && a >= c {
			start[n], end[n] = points[depth-2].index, points[depth-1].index
			n++
			depth -= 2
			a, b, c = points[depth-3].key, points[depth-2].key, a
		}
		points[depth] = open{d, turns[t]}
		depth++
		a, b, c = b, c, d
	}
	s.depth, s.cycles = depth, n
}

// begin pushes the first point, whose kind only the second one tells, and returns
// the points that are left.
func (s *stack) begin(x []float64, turns []int32) []int32 {
	if s.depth == len(floor) && len(turns) > 0 {
		s.open[s.depth].index = turns[0]
		s.depth++
		turns = turns[1:]
	}
	if s.depth == len(floor)+1 && len(turns) > 0 {
		first := &s.open[len(floor)]
		if x[turns[0]] < x[first.index] {
			s.flip = -1
		}
		first.key = key(x[first.index]) ^ ^s.flip
	}
	return turns
}

// reserve makes room for m more points. Two points close at most one cycle.
func (s *stack) reserve(m int, growth float64) {
	if s.open == nil {
		s.open, s.depth = slices.Clone(floor[:]), len(floor)
	}
	s.points += m
	if need := s.depth + m; need > len(s.open) {
		s.open = resize(s.open, s.depth, 2*need)
	}
	need := s.points / 2
	if need <= len(s.closed.From) {
		return
	}
	size := max(need, min(int(1.02*growth*float64(need)), 8*(need+blockLen)))
	s.closed = Cycles{
		From:  resize(s.closed.From, s.cycles, size),
		To:    resize(s.closed.To, s.cycles, size),
		Start: resize(s.closed.Start, s.cycles, size),
		End:   resize(s.closed.End, s.cycles, size),
	}
}

// resize returns a slice of the given size that starts with the first n of v.
func resize[T any](v []T, n, size int) []T {
	w := make([]T, size)
	copy(w, v[:n])
	return w
}

func (s *stack) count(x []float64) Count {
	n := s.cycles
	c := Count{Closed: Cycles{
		From:  s.closed.From[:n],
		To:    s.closed.To[:n],
		Start: s.closed.Start[:n],
		End:   s.closed.End[:n],
	}}
	for k := len(floor); k < s.depth; k++ {
		i := s.open[k].index
		c.Residue.Value = append(c.Residue.Value, x[i])
		c.Residue.Index = append(c.Residue.Index, i)
	}
	return c
}
