package damage

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapwear/fatigue"
)

// Peak is a cycle by its greatest stress, in MPa, and its damage.
type Peak struct{ Stress, Damage float64 }

// Peaks are the closed cycles of a lap that have the greatest stresses, in the lap's order, so that the season's
// stress reserve need not read all of them. The zero value knows of none.
type Peaks struct {
	Highest []Peak
	Rest    float64 // the greatest stress of all other cycles in MPa; -Inf where there are none
}

// keptPeaks is how many cycles are kept: a few times as many as came near the ultimate stress in seasons tried.
const keptPeaks = 16

// From returns the cycles with a stress from least on; false where there may be more of them than were kept.
func (p Peaks) From(least float64) ([]Peak, bool) {
	whole := len(p.Highest) == keptPeaks || math.IsInf(p.Rest, -1)
	if !whole || p.Rest >= least {
		return nil, false
	}
	return slices.DeleteFunc(slices.Clone(p.Highest), func(k Peak) bool { return k.Stress < least }), true
}

// peaksOf finds the peaks of a lap's closed cycles.
func peaksOf(law *fatigue.Law, closed fatigue.Cycles, t fatigue.Transfer) Peaks {
	at, rest := highest(closed, t)
	p := Peaks{Rest: rest}
	for _, i := range at {
		a, b := t.Stress(closed.From[i]), t.Stress(closed.To[i])
		p.Highest = append(p.Highest, Peak{max(a, b), law.Damage(a, b)})
	}
	return p
}

// highest returns the numbers of keptPeaks cycles with the greatest stresses, in order, and the greatest stress of the others.
//
// Stress rises with the signal, or falls with it. So most cycles are seen by their values to be no greater than the greatest of the others yet.
func highest(c fatigue.Cycles, t fatigue.Transfer) (at []int, rest float64) {
	sign := 1.0
	if t.Gain*t.Factor < 0 {
		sign = -1
	}
	var top ranking
	rest = math.Inf(-1)
	passed := math.Inf(-1) // value, times sign, of the cycle with the stress rest
	to := c.To[:len(c.From)]
	for i, x := range c.From {
		a, b := sign*x, sign*to[i]
		if a <= passed && b <= passed {
			continue
		}
		if out, stress := top.add(i, max(t.Stress(x), t.Stress(to[i]))); stress > rest {
			rest, passed = stress, max(sign*c.From[out], sign*to[out])
		}
	}
	return slices.Clone(top.at[:top.n]), rest
}

// ranking is the cycles with the greatest stresses, in the lap's order.
type ranking struct {
	n      int // of cycles
	least  int // place of the first that has the least stress
	at     [keptPeaks]int
	stress [keptPeaks]float64
}

// add takes in a cycle that follows all others. Where the ranking is full it returns the cycle with the least stress that it leaves out for that, and its
// stress: the new one of equals, else the first; else the stress is -Inf.
func (r *ranking) add(i int, stress float64) (out int, of float64) {
	of = math.Inf(-1)
	if r.n == keptPeaks {
		out, of = r.at[r.least], r.stress[r.least]
		if !(of < stress) {
			return i, stress
		}
		copy(r.at[r.least:], r.at[r.least+1:])
		copy(r.stress[r.least:], r.stress[r.least+1:])
		r.n--
	}
	r.at[r.n], r.stress[r.n] = i, stress
	r.n++
	r.least = 0
	for k, s := range r.stress[:r.n] {
		if s < r.stress[r.least] {
			r.least = k
		}
	}
	return out, of
}

// text writes peaks as numbers with a blank between two: the rest, then stress and damage of each.
func (p Peaks) text() string {
	b := strconv.AppendFloat(nil, p.Rest, 'g', -1, 64)
	for _, k := range p.Highest {
		b = strconv.AppendFloat(append(b, ' '), k.Stress, 'g', -1, 64)
		b = strconv.AppendFloat(append(b, ' '), k.Damage, 'g', -1, 64)
	}
	return string(b)
}

// readPeaks reads what text wrote.
func readPeaks(text string) (Peaks, error) {
	var v []float64
	for word := range strings.FieldsSeq(text) {
		x, err := strconv.ParseFloat(word, 64)
		if err != nil {
			return Peaks{}, fmt.Errorf("read peaks: %w", err)
		}
		v = append(v, x)
	}
	if len(v)%2 == 0 {
		return Peaks{}, fmt.Errorf("read peaks: %d numbers, want an odd number", len(v))
	}
	p := Peaks{Rest: v[0]}
	for pair := range slices.Chunk(v[1:], 2) {
		p.Highest = append(p.Highest, Peak{pair[0], pair[1]})
	}
	return p, nil
}
