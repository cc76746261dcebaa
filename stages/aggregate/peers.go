package aggregate

import (
	"fmt"
	"math"
	"slices"
	"sort"
)

// peers are a figure of laps that are compared with one another, sorted.
type peers []float64

// fewestPeers is how many other laps a comparison needs: of two, one may be wrong.
const fewestPeers = 3

// manyPeers is how many others show how much laps scatter, and leastUnusual the factor
// by which a level must depart however little they do.
const (
	manyPeers    = 6
	leastUnusual = 1.25
)

// The factors within which two figures agree so that a third can be told from them: of
// laps, and of circuits, which differ more.
const (
	lapsAgree     = 1.5
	circuitsAgree = 2
)

// remaining is the figures but one.
type remaining struct {
	peers
	without int // which; their number if it is none of them
}

// except returns the figures but one that is v.
func (p peers) except(v float64) remaining {
	without, found := slices.BinarySearch(p, v)
	if !found {
		without = len(p)
	}
	return remaining{p, without}
}

func (o remaining) len() int { return len(o.peers) - min(1, len(o.peers)-o.without) }

func (o remaining) at(i int) float64 {
	if i >= o.without {
		i++
	}
	return o.peers[i]
}

// others returns the median of all figures but one that is v, and their number; NaN
// with too few.
func (p peers) others(v float64) (median float64, n int) {
	rest := p.except(v)
	n = rest.len()
	if n < fewestPeers || math.IsNaN(v) {
		return math.NaN(), n
	}
	if n%2 == 0 {
		return rest.at(n/2-1)/2 + rest.at(n/2)/2, n
	}
	return rest.at(n / 2), n
}

// median is that of all figures.
func (p peers) median() float64 { return p[(len(p)-1)/2]/2 + p[len(p)/2]/2 }

// pair returns the mean, as of factors, of the two others that there are when they
// agree within a factor; NaN otherwise.
func (p peers) pair(v, agreeing float64) float64 {
	i, found := slices.BinarySearch(p, v)
	if !found || len(p) != 3 {
		return math.NaN()
	}
	two := slices.Delete(slices.Clone(p), i, i+1)
	if two[1] > agreeing*two[0] {
		return math.NaN()
	}
	return math.Sqrt(two[0]) * math.Sqrt(two[1])
}

// deviation is by how many median absolute deviations of the others, taken on their
// logarithms, v departs from their median: NaN with fewer than six others or where it
// departs by less than a quarter.
func (p peers) deviation(v float64) float64 {
	usual, n := p.others(v)
	if n < manyPeers || !(factor(v, usual) >= leastUnusual) {
		return math.NaN()
	}
	rest := p.except(v)
	off := func(k int) float64 { return math.Log(rest.nearest(k+1, usual)) }
	return math.Log(factor(v, usual)) / (off((n-1)/2)/2 + off(n/2)/2)
}

// nearest is the factor within which k figures are of a middle: they are neighbours, and the first of them is
// where to take the next instead would not bring them nearer.
func (o remaining) nearest(k int, middle float64) float64 {
	first := sort.Search(o.len()-k, func(i int) bool { return middle/o.at(i) <= o.at(i+k)/middle })
	return max(factor(o.at(first), middle), factor(o.at(first+k-1), middle))
}

// within counts the figures but one that is v which differ from v by less than a share
// of it.
func (p peers) within(v, share float64) int {
	from, _ := slices.BinarySearch(p, v-share*v)
	to, _ := slices.BinarySearch(p, v+share*v)
	return max(to-from-1, 0)
}

// peerTable is the figures of some laps, a cell each. By the numbers of two channels, from 1, it holds the ratios of the second one's level to
// the first one's, by one and 0 its levels, by 0 and 0 the laps' durations.
type peerTable struct {
	channels int
	laps     []*readLap
	cells    []cell
	room     peers // for a cell's figures while they are gathered
}

// cell is a figure of the laps that have it.
type cell struct {
	n         int     // laps
	low, high float64 // of all
	peers     peers   // nil until they are asked for: of most nobody asks
}

func newPeerTable(channels int) *peerTable {
	return &peerTable{channels: channels, cells: make([]cell, (channels+1)*(channels+1))}
}

func (t *peerTable) cell(one, two int) *cell { return &t.cells[two*(t.channels+1)+one] }

// counts tells whether other laps' figures are compared with one.
func counts(v float64) bool { return v > 0 && !math.IsInf(v, 1) }

// note takes down how far a figure reaches.
func (c *cell) note(v float64) {
	switch {
	case !(v > 0):
	case math.IsInf(v, 1):
		c.high = v // no other is compared with it, but it is with them
	default:
		if c.n == 0 || v < c.low {
			c.low = v
		}
		c.n, c.high = c.n+1, max(c.high, v)
	}
}

// leastExact is a number from which on halves are exact.
const leastExact = 0x1p-1000

// calm tells whether none of the figures that were noted can differ from the median of the others by a factor of limit: not even the least and the
// greatest do. It does not tell of cells with too few.
func (c *cell) calm(limit float64) bool {
	return c.n > fewestPeers && c.low >= leastExact && !(c.high/c.low >= limit)
}

// at returns the figures of the laps that can be compared, sorted.
func (t *peerTable) at(one, two int) peers {
	c := t.cell(one, two)
	if c.peers == nil {
		t.room = t.room[:0]
		for _, l := range t.laps {
			if v := l.figure(one, two); counts(v) {
				t.room = append(t.room, v)
			}
		}
		slices.Sort(t.room)
		c.peers = append(make(peers, 0, len(t.room)), t.room...)
	}
	return c.peers
}

// figure returns a lap's figure by the numbers of two channels, as peerTable has them; NaN where it has none.
func (l *readLap) figure(one, two int) float64 {
	if one == 0 && len(l.rows) > 0 {
		return l.rows[0].duration
	}
	i := l.row(one)
	if two == 0 && i >= 0 {
		return l.rows[i].level
	}
	if k := l.row(two); 0 <= i && i < k && l.rows[i].level > 0 {
		return l.rows[k].level / l.rows[i].level
	}
	return math.NaN()
}

// row returns the place of the row of a channel, -1 where there is none.
func (l *readLap) row(number int) int {
	for i := range l.rows {
		if l.rows[i].number == number {
			return i
		}
	}
	return -1
}

// comparisons are the figures of all laps that can be compared.
type comparisons struct {
	all      *peerTable
	own      map[string]*peerTable // by circuit
	bikes    map[string][]peers    // by bike and channel, the rates: a bike has one logger
	bikesAt  map[bikeAt][]peers    // by channel, the levels
	circuits []peers               // by channel: each circuit's median level
}

// bikeAt says whose levels of a channel show how much laps scatter.
type bikeAt struct{ circuit, bike string }

// gather collects the figures of the laps and the witnesses.
func (c *court) gather() comparisons {
	n := len(c.Channels)
	all := comparisons{newPeerTable(n), map[string]*peerTable{}, map[string][]peers{}, map[bikeAt][]peers{}, make([]peers, n+1)}
	for _, laps := range [][]readLap{c.laps, c.witnesses} {
		for i := range laps {
			all.add(&laps[i])
		}
	}
	all.sort()
	return all
}

// sort sorts the figures, and takes each circuit's median levels.
func (a *comparisons) sort() {
	for _, t := range a.own {
		for k := range a.circuits[1:] {
			if p := t.at(k+1, 0); len(p) >= fewestPeers {
				a.circuits[k+1] = append(a.circuits[k+1], p.median())
			}
		}
	}
	for _, p := range a.circuits {
		slices.Sort(p)
	}
	for _, all := range a.bikes {
		for _, p := range all {
			slices.Sort(p)
		}
	}
	for _, all := range a.bikesAt {
		for _, p := range all {
			slices.Sort(p)
		}
	}
}

// listOf returns what a map has of a key, a list of so many where it has none yet.
func listOf[K comparable, V any](m map[K][]V, key K, n int) []V {
	if m[key] == nil {
		m[key] = make([]V, n)
	}
	return m[key]
}

func (a *comparisons) add(l *readLap) {
	n := len(a.circuits)
	if l.own = a.own[l.Circuit]; l.own == nil {
		l.own = newPeerTable(n - 1)
		a.own[l.Circuit] = l.own
	}
	l.own.laps, a.all.laps = append(l.own.laps, l), append(a.all.laps, l)
	l.rates, l.levels = listOf(a.bikes, l.Bike, n), listOf(a.bikesAt, bikeAt{l.Circuit, l.Bike}, n)
	l.note()
	for k := range l.rows {
		r := &l.rows[k]
		if r.rate > 0 {
			l.rates[r.number] = append(l.rates[r.number], r.rate)
		}
		if r.level > 0 {
			l.levels[r.number] = append(l.levels[r.number], r.level)
		}
	}
}

// note takes down how far a lap's figures reach, in its circuit's table.
func (l *readLap) note() {
	for k := range l.rows {
		r := &l.rows[k]
		if k == 0 {
			l.own.cell(0, 0).note(r.duration)
		}
		l.own.cell(r.number, 0).note(r.level)
		for i := range l.rows[:k] {
			if o := &l.rows[i]; o.level > 0 {
				l.own.cell(o.number, r.number).note(r.level / o.level)
			}
		}
	}
}

// comparison is what a figure is compared with.
type comparison struct {
	usual      float64 // NaN with too few other laps
	n          int     // of other laps
	everywhere bool    // laps of all circuits, since the circuit has too few
	pair       bool    // two others that agree
}

// with compares a figure of a lap.
func (a *comparisons) with(l *readLap, one, two int, v float64) comparison {
	own := l.own.at(one, two)
	if usual, n := own.others(v); n >= fewestPeers {
		return comparison{usual: usual, n: n}
	}
	all := a.all.at(one, two)
	usual, n := all.others(v)
	if n >= fewestPeers {
		return comparison{usual: usual, n: n, everywhere: true}
	}
	if usual := own.pair(v, lapsAgree); usual > 0 {
		return comparison{usual: usual, n: 2, pair: true}
	}
	return comparison{all.pair(v, lapsAgree), n, true, all.pair(v, lapsAgree) > 0}
}

// withCircuits compares the level at a lap's circuit with that at the others.
func (a *comparisons) withCircuits(l *readLap, channel int) (level float64, with comparison) {
	own := l.own.at(channel, 0)
	if len(own) < fewestPeers {
		return math.NaN(), comparison{usual: math.NaN()}
	}
	level = own.median()
	usual, n := a.circuits[channel].others(level)
	if n >= fewestPeers {
		return level, comparison{usual: usual, n: n, everywhere: true}
	}
	return level, comparison{a.circuits[channel].pair(level, circuitsAgree), n, true, true}
}

// factor is by how much the figure differs, as a factor of 1 or more that a limit
// bounds. Circuits differ too: among the laps of all, the limit counts once more, and
// so it does beside two others only.
func (c comparison) factor(v float64) float64 {
	f, times := factor(v, c.usual), 1.0
	if c.everywhere {
		times++
	}
	if c.pair {
		times++
	}
	return math.Pow(f, 1/times)
}

// whose names the laps that are compared with, as in "in the circuit's other laps".
func (c comparison) whose() string {
	if c.everywhere {
		return "the laps of all circuits"
	}
	return "the circuit's other laps"
}

// notCompared begins what is said of a level that was not.
const notCompared = "not compared: "

// String says what a level was compared with.
func (c comparison) String() string {
	switch {
	case math.IsNaN(c.usual):
		return notCompared + counted{int64(c.n), "other lap"}.String()
	case c.everywhere:
		return fmt.Sprintf("%s of all circuits", counted{int64(c.n), "other lap"})
	}
	return counted{int64(c.n), "other lap"}.String()
}

// compareLaps looks at how a lap differs from the others.
func (c *court) compareLaps() {
	all, swapped := c.gather(), limits(c.Checks).of(Swapped)
	departs := make([]float64, 0, len(c.Channels)) // of the lap's channels so far
	for i := range c.laps {
		l := &c.laps[i]
		departs = departs[:0]
		for k := range l.rows {
			r := &l.rows[k]
			if k == 0 {
				c.compareDuration(l, r, &all)
			}
			c.compareRate(l, r)
			departs = append(departs, c.compareLevel(l, r, &all))
			if !(r.level > 0) {
				continue
			}
			for j := range l.rows[:k] {
				if o := &l.rows[j]; o.level > 0 && !l.own.cell(o.number, r.number).calm(swapped) {
					c.compareTwo(l, o, r, &all, departs[j] > departs[k])
				}
			}
		}
	}
}

// compareDuration compares within the circuit alone: laps of another are as long as
// that one is.
func (c *court) compareDuration(l *readLap, r *figures, all *comparisons) {
	if with := all.with(l, 0, 0, r.duration); !with.everywhere && !with.pair {
		if c.find(l, Duration, "", factor(r.duration, with.usual)) {
			l.say("it lasts %s s, the circuit's other laps %s s", brief(r.duration), brief(with.usual))
		}
	}
}

// rareRate is the share of the bike's other laps from which on a rate is a habit.
const rareRate = 0.1

// compareRate looks for a rate that hardly any other lap of the bike has.
func (c *court) compareRate(l *readLap, r *figures) {
	limit, rates := limits(c.Checks).of(Rate), l.rates[r.number]
	usual, n := rates.others(r.rate)
	off := math.Abs(r.rate/usual - 1)
	if !(off >= limit) {
		return
	}
	same := rates.within(r.rate, limit)
	if float64(same) >= rareRate*float64(n) {
		return
	}
	if c.find(l, Rate, r.channel, off) {
		l.say("%s: it has %s Hz, as have %d of %s; theirs is %s Hz: is the time column right?",
			r.channel, brief(r.rate), same, counted{int64(n), "other lap"}, brief(usual))
	}
}

// compareLevel compares a channel's level, and returns the factor by which it departs; NaN where that is not known.
func (c *court) compareLevel(l *readLap, r *figures, all *comparisons) float64 {
	if r.level == 0 {
		r.ratio, r.compared = 0, "one value: nothing to compare"
		if c.find(l, Level, r.channel, math.Inf(1)) {
			l.say("%s: it has one value throughout; is it connected?", r.channel)
		}
		return math.NaN()
	}
	if math.IsNaN(r.level) {
		r.compared = notCompared + "it does not vibrate, or is too short to tell"
		return math.NaN()
	}
	with := all.with(l, r.number, 0, r.level)
	r.ratio, r.compared = r.level/with.usual, with.String()
	departs := with.factor(r.level)
	if c.find(l, Level, r.channel, departs) {
		l.say("%s: it vibrates %s times as much as in %s; is it scaled as they are%s?", r.channel, brief(r.ratio), with.whose(), mistaken(r.ratio))
		return departs
	}
	of := l.levels[r.number].deviation(r.level)
	if c.find(l, Unusual, r.channel, of) {
		l.say("%s: it vibrates %s times as much as in %s, which hardly differ: by %s of their median deviations",
			r.channel, brief(r.ratio), with.whose(), brief(of))
	}
	circuit, with := all.withCircuits(l, r.number)
	if c.find(l, Level, r.channel, min(with.factor(circuit), with.factor(r.level))) {
		l.say("%s: the circuit's laps vibrate %s times as much as those of the other circuits; are all of them scaled as those are?",
			r.channel, brief(circuit/with.usual))
	}
	return departs
}

// mistakes are factors by which a channel differs that is in another unit than the others.
var mistakes = []struct {
	factor float64
	what   string
}{
	{9.80665, "m/s² taken for g"},
	{1 / 9.80665, "g taken for m/s²"},
	{1000, "a unit a thousand times smaller, as mV for V"},
	{1e-3, "a unit a thousand times larger, as V for mV"},
}

// mistakenWithin is the factor within which a ratio is near one of mistakes.
const mistakenWithin = 1.2

// mistaken asks for the unit that would explain a ratio of levels; "" where none does.
func mistaken(ratio float64) string {
	for _, m := range mistakes {
		if factor(ratio, m.factor) <= mistakenWithin {
			return ", or is it " + m.what
		}
	}
	return ""
}

// compareTwo compares how two channels stand to each other. The finding is that of the
// channel that departs further from its own level in the other laps: the first, where turned.
func (c *court) compareTwo(l *readLap, o, r *figures, all *comparisons, turned bool) {
	between := r.level / o.level
	with := all.with(l, o.number, r.number, between)
	odds := with.factor(between)
	if turned {
		o, r, between, with.usual = r, o, 1/between, 1/with.usual
	}
	if c.find(l, Swapped, r.channel, odds) {
		l.say("%s vibrates %s times as much as %s, in %s %s times; are they swapped, or is one scaled otherwise?",
			r.channel, brief(between), o.channel, with.whose(), brief(with.usual))
	}
}

// factor is by how much two numbers differ as a factor of 1 or more; NaN unless both
// are above 0.
func factor(a, b float64) float64 {
	if !(a > 0 && b > 0) {
		return math.NaN()
	}
	return max(a/b, b/a)
}
