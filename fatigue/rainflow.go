package fatigue

import (
	"fmt"
	"math"
	"slices"

	"lapwear/fatigue/lanes"
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
type Counter struct {
	c course
	s stack
}

// Count is [CountCycles].
func (c *Counter) Count(x []float64, gate float64) (Count, error) {
	if err := follow(&c.c, x, gate); err != nil {
		return Count{}, fmt.Errorf("count cycles: %w", err)
	}
	m := marks(c, x, gate)
	m.Start, m.End = slices.Clone(m.Start), slices.Clone(m.End)
	return values(x, m), nil
}

// Marks are a count by sample numbers alone: those of the closed cycles, in the order in which they closed, and
// of the residue. Start and End of a cycle lie in the counter's memory.
type Marks struct{ Start, End, Residue []int32 }

// CountMarks is [CountCycles] with a gate that is a share of the full range, which is returned too, in the unit of x. A gate that
// comes out infinite is none. The marks hold until the counter's next count.
func CountMarks[T Sample](c *Counter, x []T, share float64) (m Marks, span float64, err error) {
	e := trace(&c.c, x)
	span = float64(e.Hi) - float64(e.Lo)
	gate := share * span
	if math.IsNaN(gate) || math.IsInf(gate, 0) {
		gate = 0
	}
	err = checkSize(len(x), gate)
	if err == nil && !e.Finite {
		err = checkFinite(x, 0, len(x))
	}
	if err != nil {
		return Marks{}, 0, fmt.Errorf("count cycles: %w", err)
	}
	return marks(c, x, gate), span, nil
}

// marks counts x, whose course is known.
func marks[T Sample](c *Counter, x []T, gate float64) Marks {
	s := &c.s
	s.reset()
	room := c.c.points / 2
	s.start, s.end = grown(s.start, room), grown(s.end, room)
	scan(&c.c, x, gate, func(turns []int32) { push(s, x, turns) })
	m := Marks{Start: s.start[:s.cycles:s.cycles], End: s.end[:s.cycles:s.cycles]}
	for _, p := range s.open[len(floor):s.depth] {
		m.Residue = append(m.Residue, p.index)
	}
	return m
}

// grown returns room for n numbers, in v where it is large enough.
func grown(v []int32, n int) []int32 {
	if cap(v) < n {
		return lanes.Uncleared[int32](n)
	}
	return v[:n]
}

// values looks up the values of a count.
func values(x []float64, m Marks) Count {
	c := Count{Closed: Cycles{At(x, m.Start), At(x, m.End), m.Start, m.End}}
	if len(m.Residue) > 0 {
		c.Residue = Points{At(x, m.Residue), m.Residue}
	}
	return c
}

// At returns the values of samples by their numbers.
func At[T Sample](x []T, samples []int32) []T {
	v := make([]T, len(samples))
	for k, i := range samples {
		v[k] = x[i]
	}
	return v
}

// stack holds the turning points that are still open. One rule serves rising and
// falling, because the keys of minima are turned upside down: with A, B, C on top
// and D next, B, C closes when D's key >= B's and A's key >= C's.
type stack struct {
	open       []open // the stack, as long as there is room for
	depth      int    // points on it, floor included
	flip       int64  // of the next key: 0 for a maximum, all ones for a minimum
	start, end []int32
	cycles     int // closed so far
	keys       [blockLen]int64
}

// reset empties the stack but keeps its memory.
func (s *stack) reset() {
	if s.open == nil {
		s.open = slices.Clone(floor[:])
	}
	s.depth, s.flip, s.cycles = len(floor), 0, 0
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
// close.
func push[T Sample](s *stack, x []T, turns []int32) {
	if need := s.depth + len(turns); need > len(s.open) {
		s.open = append(s.open[:s.depth], make([]open, 2*need-s.depth)...)
	}
	turns = begin(s, x, turns)
	if len(turns) == 0 {
		return
	}
	keys, flip := s.keys[:len(turns)], s.flip
	for t, i := range turns {
		keys[t] = key(float64(x[i])) ^ flip
		flip = ^flip
	}
	s.flip = flip
	s.match(keys, turns, s.start, s.end)
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
func begin[T Sample](s *stack, x []T, turns []int32) []int32 {
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
		first.key = key(float64(x[first.index])) ^ ^s.flip
	}
	return turns
}
