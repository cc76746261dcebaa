package condense

import (
	"context"
	"slices"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/damage"
)

// cut is a finished cut with what was found of it.
type cut struct {
	pieces  []event
	at      []int // where each piece begins in the cut
	signals [][]float64
	shares  []Share
}

// Share is what a cut keeps at a hot spot.
type Share struct {
	Hotspot  string
	Gain     float64 // MPa per unit of the followed signal
	Gate     float64 // in the signal's unit, as the lap was counted
	Lap, Cut damage.Tally
	Share    float64
	Joints   float64 // part of the cut's damage in cycles that turn within a joint
}

// jointLimit is the greatest part of a cut's damage in cycles that turn within a
// joint: what is more is of note.
const jointLimit = 0.01

func (c *cut) len() int { return len(c.signals[0]) }

// reaches tells whether every share is at least the wanted one.
func (c *cut) reaches(wanted float64) bool {
	return !slices.ContainsFunc(c.shares, func(s Share) bool { return s.Share < wanted })
}

func (c *cut) sound() bool {
	return !slices.ContainsFunc(c.shares, func(s Share) bool { return s.Joints > jointLimit })
}

// condense finds the shortest cut that keeps the wanted share at every hot spot, as
// counted anew. The greedy choice is repeated with other goals, since what an event does
// alone and what it does in the cut differ; then events are dropped one by one.
func (l *lap) condense(ctx context.Context, wanted float64) (*cut, error) {
	var best *cut
	var chosen []bool
	try := func(keep []bool) (bool, error) {
		c, err := l.assemble(keep)
		if err != nil {
			return false, err
		}
		ok := c.reaches(wanted) && c.sound()
		if ok && (best == nil || c.len() < best.len()) {
			best, chosen = c, slices.Clone(keep)
		}
		return ok, ctx.Err()
	}
	low, high := wanted/2, 1.0
	for range 10 {
		goal := (low + high) / 2
		ok, err := try(l.greedy(goal))
		if err != nil {
			return nil, err
		}
		if ok {
			high = goal
		} else {
			low = goal
		}
	}
	if best == nil {
		return l.uncut(wanted)
	}
	for _, e := range l.leastFirst(chosen) {
		keep := slices.Clone(chosen)
		keep[e] = false
		if _, err := try(keep); err != nil {
			return nil, err
		}
	}
	return best, nil
}

// uncut keeps all events, where less does not do.
func (l *lap) uncut(wanted float64) (*cut, error) {
	keep := make([]bool, len(l.events))
	for i := range keep {
		keep[i] = true
	}
	c, err := l.assemble(keep)
	if err == nil && !c.reaches(wanted) {
		return nil, stages.Refuse("condense lap: even all of it but its first and last %.3g s keeps less than the wanted share; "+
			"choose another lap, or a lower test: share", float64(l.blend)/l.rate)
	}
	return c, err
}

// leastFirst lists the chosen events by what they add in all, the least first.
func (l *lap) leastFirst(chosen []bool) []int {
	worth := func(e int) (sum float64) {
		for h := range l.parts {
			sum += l.parts[h][e]
		}
		return sum / float64(l.events[e].to-l.events[e].from)
	}
	var out []int
	for e, c := range chosen {
		if c {
			out = append(out, e)
		}
	}
	slices.SortStableFunc(out, func(a, b int) int {
		switch x, y := worth(a), worth(b); {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	return out
}

// greedy chooses, one by one, the event that adds most toward the goal for the time it
// takes, joints included, until every hot spot has it.
func (l *lap) greedy(goal float64) []bool {
	keep := make([]bool, len(l.events))
	missing := make([]float64, len(l.parts))
	for h := range missing {
		if l.whole[h].Repeated > 0 {
			missing[h] = goal
		}
	}
	for {
		next, most := -1, 0.0
		for e := range l.events {
			if keep[e] {
				continue
			}
			gain := 0.0
			for h := range missing {
				gain += min(max(missing[h], 0), l.parts[h][e])
			}
			if gain /= l.cost(keep, e); gain > most {
				next, most = e, gain
			}
		}
		if next < 0 {
			return keep
		}
		keep[next] = true
		for h := range missing {
			missing[h] -= l.parts[h][next]
		}
	}
}

// cost is by how many samples an event makes the cut longer.
func (l *lap) cost(keep []bool, e int) float64 {
	n := l.events[e].to - l.events[e].from + l.blend
	if e > 0 && keep[e-1] {
		n -= l.blend
	}
	if e+1 < len(keep) && keep[e+1] {
		n -= l.blend
	}
	return float64(max(n, 1))
}

// assemble joins the events that are kept and counts the result anew.
func (l *lap) assemble(keep []bool) (*cut, error) {
	c := &cut{pieces: l.merge(keep)}
	l.fill(c)
	for _, x := range l.signals {
		y, at := join(x, c.pieces, l.blend)
		c.signals, c.at = append(c.signals, y), at
	}
	for h := range l.meters {
		s, err := l.share(c, h)
		if err != nil {
			return nil, stages.Refuse("condense lap: %v", err)
		}
		c.shares = append(c.shares, s)
	}
	return c, nil
}

// merge makes pieces of events in a row; a gap shorter than a joint is kept too.
func (l *lap) merge(keep []bool) []event {
	var out []event
	for e, k := range keep {
		if !k {
			continue
		}
		ev := l.events[e]
		if n := len(out); n > 0 && ev.from-out[n-1].to <= l.blend {
			out[n-1].to = ev.to
			continue
		}
		out = append(out, ev)
	}
	if len(out) == 0 {
		out = l.events[:1:1]
	}
	return out
}

// fill makes the last pieces longer, at their ends or else their beginnings, until the
// cut's length is a multiple that a Fourier transform takes fast. Where there is no
// room, the last piece is made shorter instead.
func (l *lap) fill(c *cut) {
	n := len(c.pieces) * l.blend
	for _, p := range c.pieces {
		n += p.to - p.from
	}
	c.pieces = slices.Clone(c.pieces)
	more := roundLength(n, l.step, 1) - n
	for i := len(c.pieces) - 1; i >= 0 && more > 0; i-- {
		more -= l.grow(c.pieces, i, more)
	}
	if more == 0 {
		return
	}
	n = roundLength(n, l.step, 1) - more
	last := &c.pieces[len(c.pieces)-1]
	if less := n - roundLength(n, l.step, -1); last.to-less > last.from {
		last.to -= less
	}
}

// grow makes a piece longer by up to more samples and returns by how many.
func (l *lap) grow(pieces []event, i, more int) int {
	p, begin, end := &pieces[i], l.blend, len(l.signals[0])-l.blend
	if i+1 < len(pieces) {
		end = pieces[i+1].from - 2*l.blend
	}
	if i > 0 {
		begin = pieces[i-1].to + 2*l.blend
	}
	after := max(0, min(more, end-p.to))
	before := max(0, min(more-after, p.from-begin))
	p.to += after
	p.from -= before
	return after + before
}

// roundLength is the nearest multiple of step from n on, upward or downward, without
// prime factors above 7 beside those of step; n itself where there is none below.
func roundLength(n, step, direction int) int {
	k := n / step
	if direction > 0 {
		k = (n + step - 1) / step
	}
	for ; k > 0; k += direction {
		if smooth(k) {
			return k * step
		}
	}
	return n
}

func smooth(k int) bool {
	for _, p := range []int{2, 3, 5, 7} {
		for k > 1 && k%p == 0 {
			k /= p
		}
	}
	return k == 1
}

// join lays the pieces of x end to end. Between two pieces lies a joint of m samples:
// the first piece goes on as it does in the lap and fades out while the second one, as
// it comes up in the lap, fades in; the weights add up to 1. The last joint leads back
// to the first piece.
func join(x []float64, pieces []event, m int) (out []float64, at []int) {
	for i, p := range pieces {
		at = append(at, len(out))
		out = append(out, x[p.from:p.to]...)
		next := pieces[(i+1)%len(pieces)]
		for k := range m {
			w := ease((float64(k) + 0.5) / float64(m))
			out = append(out, (1-w)*x[p.to+k]+w*x[next.from-m+k])
		}
	}
	return out, at
}

// ease rises from 0 to 1 with slope and curvature 0 at both ends.
func ease(t float64) float64 { return t * t * t * (10 + t*(6*t-15)) }

// share counts the cut at a hot spot.
func (l *lap) share(c *cut, h int) (Share, error) {
	m := l.meters[h]
	counted, err := fatigue.CountCycles(c.signals[h], m.Gate)
	if err != nil {
		return Share{}, err
	}
	d := m.Sum(counted)
	s := Share{Hotspot: m.Spot.Name, Gain: m.Spot.Transfer.Gain, Gate: m.Gate, Lap: l.whole[h], Cut: d, Share: d.Over(l.whole[h])}
	if d.Repeated == 0 {
		return s, nil
	}
	joint := c.joints(l.blend)
	m.EachRepeated(counted, func(damage float64, start, end int32) {
		if joint[start] || joint[end] {
			s.Joints += damage / d.Repeated
		}
	})
	return s, nil
}

// joints marks the samples that lie within a joint.
func (c *cut) joints(blend int) []bool {
	out := make([]bool, c.len())
	for i, p := range c.pieces {
		from := c.at[i] + p.to - p.from
		for k := range blend {
			out[from+k] = true
		}
	}
	return out
}

// wantedShares are the points of the curve of share against length.
var wantedShares = []float64{0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 1}
