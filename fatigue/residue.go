package fatigue

import (
	"fmt"
	"math"
	"slices"
)

// HalfCycles returns the ranges between consecutive points of a residue. Counted
// as a half each, they complete the closed cycles to the rainflow count of
// ASTM E1049-85, 5.4.4.
func HalfCycles(r Points) Cycles {
	n := r.Len()
	if n < 2 {
		return Cycles{}
	}
	return Cycles{
		From:  slices.Clone(r.Value[:n-1]),
		To:    slices.Clone(r.Value[1:]),
		Start: slices.Clone(r.Index[:n-1]),
		End:   slices.Clone(r.Index[1:]),
	}
}

// RepeatCycles returns the cycles that close in a residue when its signal repeats
// for ever, per repetition. All of it closes, so that these and the closed cycles
// are the count of ASTM E1049-85, 5.4.5 for a repeating history.
//
// The residue is read as a ring, on which the ends are points only if they are
// extremes there too, from the first of its absolutely largest values. A cycle
// across the seam has a Start after its End.
//
// The points must come from a count: RepeatCycles panics if one is not finite.
func RepeatCycles(r Points) Cycles {
	n := r.Len()
	if n < 2 {
		return Cycles{}
	}
	top := 0
	for k, v := range r.Value {
		if math.Abs(v) > math.Abs(r.Value[top]) {
			top = k
		}
	}
	ring := countFinite(slices.Concat(r.Value[top:], r.Value[:top], r.Value[top:top+1]))
	c := ring.Closed
	if ring.Residue.Len() > 1 { // largest, its opposite, largest again
		last := HalfCycles(ring.Residue)
		c.From, c.To = append(c.From, last.From[0]), append(c.To, last.To[0])
		c.Start, c.End = append(c.Start, last.Start[0]), append(c.End, last.End[0])
	}
	for k := range c.Start {
		c.Start[k] = r.Index[(int(c.Start[k])+top)%n]
		c.End[k] = r.Index[(int(c.End[k])+top)%n]
	}
	return c
}

// Joined are cycles across laps: FromLap and ToLap are the laps of From and To,
// as positions in the laps joined, Start and End sample numbers within them.
type Joined struct {
	Cycles
	FromLap, ToLap []int32
}

// Join counts on across laps from their residues in driven order: what closes
// only across laps, and what stays open at the end as half cycles. At a seam the
// ends of the laps are points only if they are extremes of the whole; equal ones
// are one point, which belongs to the earlier lap.
//
// Without a gate, the closed cycles of the laps, closed and half together are the
// rainflow count of all the laps laid end to end. Where ranges are equal, which
// of the equal cycles close, and from which end, may differ. With a gate, a lap's
// extremes nearest to a seam may be missing by less than the gate.
//
// The points must come from counts: Join panics if one is not finite.
func Join(laps []Points) (closed, half Joined) {
	var value []float64
	var lap, index []int32
	for k, p := range laps {
		value = append(value, p.Value...)
		index = append(index, p.Index...)
		lap = append(lap, slices.Repeat([]int32{int32(k)}, p.Len())...)
	}
	locate := func(c Cycles) Joined {
		j := Joined{Cycles: c, FromLap: make([]int32, c.Len()), ToLap: make([]int32, c.Len())}
		for k := range c.Start {
			from, to := c.Start[k], c.End[k]
			j.FromLap[k], j.ToLap[k] = lap[from], lap[to]
			j.Start[k], j.End[k] = index[from], index[to]
		}
		return j
	}
	c := countFinite(value)
	return locate(c.Closed), locate(HalfCycles(c.Residue))
}

// countFinite counts values that are known to be finite.
func countFinite(x []float64) Count {
	c, err := CountCycles(x, 0)
	if err != nil {
		panic(fmt.Errorf("fatigue: points are not those of a count: %w", err))
	}
	return c
}
