package damage

import (
	"cmp"
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

// highest returns the numbers of the keptPeaks cycles with the greatest stresses, the earlier ones of equal stresses, in order, and the
// greatest stress of the others.
//
// Stress rises with the signal, or falls with it. So most cycles are seen by their values not to be among them, and the greatest value of
// those has the greatest stress.
func highest(c fatigue.Cycles, t fatigue.Transfer) (at []int, rest float64) {
	sign := 1.0
	if t.Gain*t.Factor < 0 {
		sign = -1
	}
	stress := func(i int) float64 { return max(t.Stress(c.From[i]), t.Stress(c.To[i])) }
	lower := func(a, b int) int { return cmp.Compare(stress(a), stress(b)) }
	rest = math.Inf(-1)
	least, passed := math.Inf(-1), math.Inf(-1) // values, times sign: of the least of those kept, and of all that were passed over
	to := c.To[:len(c.From)]
	for i, x := range c.From {
		a, b := sign*x, sign*to[i]
		if a <= least && b <= least {
			if a > passed {
				passed = a
			}
			if b > passed {
				passed = b
			}
			continue
		}
		if at = append(at, i); len(at) > keptPeaks {
			at, rest = dropLeast(at, rest, stress)
		}
		if len(at) == keptPeaks {
			last := slices.MinFunc(at, lower)
			least = max(sign*c.From[last], sign*to[last])
		}
	}
	if !math.IsInf(passed, -1) {
		rest = max(rest, t.Stress(sign*passed))
	}
	return at, rest
}

// dropLeast drops the cycle of the least stress but for the last one's, or that one where none is less.
func dropLeast(at []int, rest float64, stress func(i int) float64) ([]int, float64) {
	out := len(at) - 1
	for k, i := range at[:len(at)-1] {
		if s := stress(i); s < stress(at[out]) {
			out = k
		}
	}
	rest = max(rest, stress(at[out]))
	return slices.Delete(at, out, out+1), rest
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
