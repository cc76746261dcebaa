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
func highest(c fatigue.Cycles, t fatigue.Transfer) (at []int, rest float64) {
	stress := func(i int) float64 { return max(t.Stress(c.From[i]), t.Stress(c.To[i])) }
	lower := func(a, b int) int { return cmp.Compare(stress(a), stress(b)) }
	least, rest := math.Inf(-1), math.Inf(-1)
	to := c.To[:len(c.From)]
	for i, x := range c.From {
		a, b := t.Stress(x), t.Stress(to[i])
		if a <= least && b <= least && len(at) == keptPeaks {
			if a > rest {
				rest = a
			}
			if b > rest {
				rest = b
			}
			continue
		}
		if at = append(at, i); len(at) > keptPeaks {
			out := slices.Index(at, slices.MinFunc(at, lower))
			rest = max(rest, stress(at[out]))
			at = slices.Delete(at, out, out+1)
		}
		least = stress(slices.MinFunc(at, lower))
	}
	return at, rest
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
