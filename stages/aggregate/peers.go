package aggregate

import (
	"fmt"
	"math"
	"slices"
)

// peers are a figure of laps that are compared with one another, sorted.
type peers []float64

// fewestPeers is how many other laps a comparison needs: of two, one may be wrong.
const fewestPeers = 3

// others returns the median of all figures but one that is v, and their number; NaN
// with too few.
func (p peers) others(v float64) (median float64, n int) {
	n = len(p)
	without, found := slices.BinarySearch(p, v)
	if found {
		n--
	} else {
		without = len(p)
	}
	if n < fewestPeers || math.IsNaN(v) {
		return math.NaN(), n
	}
	at := func(i int) float64 {
		if i >= without {
			i++
		}
		return p[i]
	}
	if n%2 == 0 {
		return at(n/2-1)/2 + at(n/2)/2, n
	}
	return at(n / 2), n
}

// within counts the figures but one that is v which differ from v by less than a share
// of it.
func (p peers) within(v, share float64) int {
	from, _ := slices.BinarySearch(p, v-share*v)
	to, _ := slices.BinarySearch(p, v+share*v)
	return max(to-from-1, 0)
}

// peerKey says which laps and which figure: of two channels the ratio of their levels,
// of one its level, of none the lap's duration.
type peerKey struct {
	circuit string // "" = all
	a, b    string // channels
}

// rateKey says whose rates of a channel are compared: those of one bike, which has one
// logger.
type rateKey struct{ bike, channel string }

// comparisons are the figures of all laps that can be compared.
type comparisons struct {
	figures map[peerKey]peers
	rates   map[rateKey]peers
}

// gather collects the figures of the laps and the witnesses.
func (c *court) gather() comparisons {
	all := comparisons{map[peerKey]peers{}, map[rateKey]peers{}}
	for i := range c.laps {
		all.add(&c.laps[i])
	}
	for i := range c.witnesses {
		all.add(&c.witnesses[i])
	}
	for _, p := range all.figures {
		slices.Sort(p)
	}
	for _, p := range all.rates {
		slices.Sort(p)
	}
	return all
}

func (a *comparisons) add(l *judged) {
	put := func(v float64, one, two string) {
		if !(v > 0) || math.IsInf(v, 1) {
			return
		}
		for _, circuit := range []string{l.Circuit, ""} {
			k := peerKey{circuit, one, two}
			a.figures[k] = append(a.figures[k], v)
		}
	}
	for k := range l.rows {
		r := &l.rows[k]
		if k == 0 {
			put(r.duration, "", "")
		}
		if r.rate > 0 {
			rk := rateKey{l.Bike, r.channel}
			a.rates[rk] = append(a.rates[rk], r.rate)
		}
		put(r.level, r.channel, "")
		for i := range l.rows[:k] {
			if o := &l.rows[i]; o.level > 0 {
				put(r.level/o.level, o.channel, r.channel)
			}
		}
	}
}

// comparison is what a figure is compared with.
type comparison struct {
	usual      float64 // NaN with too few other laps
	n          int     // of other laps
	everywhere bool    // laps of all circuits, since the circuit has too few
}

// with compares a figure of a lap at a circuit.
func (a *comparisons) with(circuit, one, two string, v float64) comparison {
	usual, n := a.figures[peerKey{circuit, one, two}].others(v)
	if n >= fewestPeers {
		return comparison{usual, n, false}
	}
	usual, n = a.figures[peerKey{"", one, two}].others(v)
	return comparison{usual, n, true}
}

// factor is by how much the figure differs, as a factor of 1 or more that a limit
// bounds. Circuits differ too: among the laps of all, the limit counts twice.
func (c comparison) factor(v float64) float64 {
	f := factor(v, c.usual)
	if c.everywhere {
		return math.Sqrt(f)
	}
	return f
}

// whose names the laps that are compared with, as in "in the circuit's other laps".
func (c comparison) whose() string {
	if c.everywhere {
		return "the laps of all circuits"
	}
	return "the circuit's other laps"
}

// String says what a level was compared with.
func (c comparison) String() string {
	switch {
	case math.IsNaN(c.usual):
		return "not compared: " + counted{int64(c.n), "other lap"}.String()
	case c.everywhere:
		return fmt.Sprintf("%s of all circuits", counted{int64(c.n), "other lap"})
	}
	return counted{int64(c.n), "other lap"}.String()
}

// compareLaps looks at how a lap differs from the others.
func (c *court) compareLaps() {
	all := c.gather()
	for i := range c.laps {
		l := &c.laps[i]
		for k := range l.rows {
			r := &l.rows[k]
			if k == 0 {
				c.compareDuration(l, r, &all)
			}
			c.compareRate(l, r, &all)
			c.compareLevel(l, r, &all)
			for j := range l.rows[:k] {
				c.compareTwo(l, &l.rows[j], r, &all)
			}
		}
	}
}

// compareDuration compares within the circuit alone: laps of another are as long as
// that one is.
func (c *court) compareDuration(l *judged, r *figures, all *comparisons) {
	if with := all.with(l.Circuit, "", "", r.duration); !with.everywhere {
		c.find(l, Duration, "", "", factor(r.duration, with.usual), "it lasts %s s, the circuit's other laps %s s", brief(r.duration), brief(with.usual))
	}
}

// rareRate is the share of the bike's other laps from which on a rate is a habit.
const rareRate = 0.1

// compareRate looks for a rate that hardly any other lap of the bike has.
func (c *court) compareRate(l *judged, r *figures, all *comparisons) {
	i := slices.IndexFunc(c.Checks, func(k Check) bool { return k.Name == Rate })
	rates := all.rates[rateKey{l.Bike, r.channel}]
	usual, n := rates.others(r.rate)
	if i < 0 || math.IsNaN(usual) {
		return
	}
	same := rates.within(r.rate, c.Checks[i].Limit)
	if float64(same) >= rareRate*float64(n) {
		return
	}
	c.find(l, Rate, r.channel, "", math.Abs(r.rate/usual-1), "%s: it has %s Hz, as have %d of %s; theirs is %s Hz: is the time column right?",
		r.channel, brief(r.rate), same, counted{int64(n), "other lap"}, brief(usual))
}

func (c *court) compareLevel(l *judged, r *figures, all *comparisons) {
	if r.level == 0 {
		r.ratio, r.compared = 0, "one value: nothing to compare"
		c.find(l, Level, r.channel, "", math.Inf(1), "%s: it has one value throughout; is it connected?", r.channel)
		return
	}
	if math.IsNaN(r.level) {
		r.compared = "not compared: it does not vibrate, or is too short to tell"
		return
	}
	with := all.with(l.Circuit, r.channel, "", r.level)
	r.ratio, r.compared = r.level/with.usual, with.String()
	c.find(l, Level, r.channel, "", with.factor(r.level), "%s: it vibrates %s times as much as in %s; is it scaled as they are?",
		r.channel, brief(r.ratio), with.whose())
}

// compareTwo compares how two channels stand to each other.
func (c *court) compareTwo(l *judged, o, r *figures, all *comparisons) {
	if !(o.level > 0 && r.level > 0) {
		return
	}
	between := r.level / o.level
	with := all.with(l.Circuit, o.channel, r.channel, between)
	c.find(l, Swapped, r.channel, "", with.factor(between), "%s vibrates %s times as much as %s, in %s %s times; are they swapped, or is one scaled otherwise?",
		r.channel, brief(between), o.channel, with.whose(), brief(with.usual))
}

// factor is by how much two numbers differ as a factor of 1 or more; NaN unless both
// are above 0.
func factor(a, b float64) float64 {
	if !(a > 0 && b > 0) {
		return math.NaN()
	}
	return max(a/b, b/a)
}
