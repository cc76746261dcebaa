package aggregate

import (
	"cmp"
	"math"
	"math/bits"
	"slices"
	"strconv"
	"strings"
)

// findDuplicates looks for laps, witnesses among them, that hold the same samples of a
// channel, or samples that differ by how they were written. The finding is the later
// lap's.
func (c *court) findDuplicates() {
	var laps []*readLap
	for _, all := range [][]readLap{c.laps, c.witnesses} {
		for i := range all {
			laps = append(laps, &all[i])
		}
	}
	slices.SortFunc(laps, func(a, b *readLap) int { return cmp.Compare(a.place, b.place) })
	c.findSame(laps)
	c.findAlike(laps)
}

// findSame looks for samples that are the same to the last bit. The finding is the
// channel's, unless all of the lap's are the same as another's.
func (c *court) findSame(laps []*readLap) {
	type content struct {
		channel int
		digest  string
	}
	seen := make(map[content]twins, len(laps)*len(c.Channels))
	for _, l := range laps {
		same, all := make([]twins, len(l.rows)), true
		for i := range l.rows {
			r := &l.rows[i]
			if r.digest == "" {
				continue
			}
			k := content{r.number, r.digest}
			if same[i] = seen[k]; same[i].n == 0 {
				all = false
			}
			seen[k] = twins{cmp.Or(same[i].first, l.ID), same[i].n + 1}
		}
		c.tellTwins(l, same, all)
	}
}

// twins are laps that hold the same samples: how many, and the first of them.
type twins struct {
	first string
	n     int
}

// tellTwins adds the findings of a lap whose channels have the same samples as those of
// other laps: one for the lap where that is so of all, else one a channel.
func (c *court) tellTwins(l *readLap, same []twins, all bool) {
	for i, others := range same {
		if others.n == 0 {
			continue
		}
		channel := l.rows[i].channel
		if all {
			channel = ""
		}
		if c.find(l, Duplicate, channel, float64(others.n+1)) {
			l.say("%s holds the same samples as lap %s", l.rows[i].channel, others.first)
		}
		if all {
			return
		}
	}
}

// Sketches are alike whose figures differ by no more than alikeWithin, of laps whose
// durations differ by no more than the share alikeLasting. Common practice, no source:
// a lap's blocks differ from another lap's by some per cent of the level each.
const (
	alikeWithin  = 20 // thousandths of the level
	alikeLasting = 0.01
)

// drawn is a channel's sketch in a lap.
type drawn struct {
	lap      string
	digest   string
	duration float64
	text     string
	marks    [cellFigures]float64 // some of them
	figures  []float64            // all of them; nil until they are compared
}

// alike tells whether two sketches are of one lap that was written in two ways.
func (d *drawn) alike(o *drawn) bool {
	if !nearly(d.marks[:], o.marks[:]) || d.digest == o.digest || !(factor(d.duration, o.duration) <= 1+alikeLasting) {
		return false
	}
	d.read()
	o.read()
	return len(d.figures) == len(o.figures) && nearly(d.figures, o.figures)
}

// nearly tells whether no figure differs by more than alikeWithin.
func nearly(a, b []float64) bool {
	for i, v := range a {
		if !(math.Abs(v-b[i]) <= alikeWithin) {
			return false
		}
	}
	return true
}

// cellFigures is how many of a sketch's figures, its marks, say in which cell it is. What is alike is in the same cell or in the next
// in one direction of each mark; so wide, cells are few enough to look at all of these, and many enough for few sketches each.
const (
	cellFigures = 8
	cellWidth   = 5 * alikeWithin
)

// cells returns the keys of the cells in which marks may be that differ from these by no more than within, in the memory of
// room. Cells that share a key by chance cost a comparison.
func cells(room []uint64, marks *[cellFigures]float64, within float64) []uint64 {
	keys := append(room[:0], 0)
	for _, v := range marks {
		low, high := math.Floor((v-within)/cellWidth), math.Floor((v+within)/cellWidth)
		for k, key := range keys {
			keys[k] = mixed(key, low)
			if high != low {
				keys = append(keys, mixed(key, high))
			}
		}
	}
	return keys
}

// mixed takes a number into a key; the factor is 2 to the 64 over the golden ratio.
func mixed(key uint64, v float64) uint64 {
	return bits.RotateLeft64((key^uint64(int64(v)))*0x9e3779b97f4a7c15, 29)
}

// album is a channel's sketches by their cells, so that each need not be compared with all.
type album struct {
	drawn []drawn
	last  []int32 // by the upper bits of a cell's key, the sketch that was added last; -1 = none
	shift int     // leaves these bits
	prev  []int32 // by sketch, the one of such a cell that was added before it; -1 = none
	room  []uint64
}

// newAlbum makes room for n sketches, or somewhat more.
func newAlbum(n int) *album {
	size := bits.Len(uint(2 * n)) // two to four places a sketch: few share one by chance
	last := make([]int32, 1<<size)
	for i := range last {
		last[i] = -1
	}
	return &album{drawn: make([]drawn, 0, n), last: last, shift: 64 - size, prev: make([]int32, 0, n), room: make([]uint64, 0, 1<<cellFigures)}
}

func (a *album) add(d *drawn) {
	c := cells(a.room, &d.marks, 0)[0] >> a.shift
	a.drawn, a.prev = append(a.drawn, *d), append(a.prev, a.last[c])
	a.last[c] = int32(len(a.drawn) - 1)
}

// alike lists the sketches that are like one, in the order in which they were added.
func (a *album) alike(d *drawn) []int32 {
	var found []int32
	for _, c := range cells(a.room, &d.marks, alikeWithin) {
		for k := a.last[c>>a.shift]; k >= 0; k = a.prev[k] {
			if d.alike(&a.drawn[k]) {
				found = append(found, k)
			}
		}
	}
	slices.Sort(found)
	return slices.Compact(found)
}

// findAlike looks for samples that were rounded, scaled or cut a sample or so otherwise: the more samples a lap has, the more.
func (c *court) findAlike(laps []*readLap) {
	seen := make([]*album, 1+len(c.Channels)) // by channel
	for _, l := range laps {
		told := slices.ContainsFunc(l.findings, func(f finding) bool { return f.check == Duplicate })
		for i := range l.rows {
			r := &l.rows[i]
			d := drawn{lap: l.ID, digest: r.digest, duration: r.duration, text: r.sketch}
			if !d.look() {
				continue
			}
			all := seen[r.number]
			if all == nil {
				all = newAlbum(len(laps))
				seen[r.number] = all
			}
			if twins := all.alike(&d); len(twins) > 0 && !told {
				told = true
				if c.find(l, Duplicate, "", float64(len(twins)+1)) {
					l.say("%s holds nearly the samples of lap %s; was one lap exported twice?", r.channel, all.drawn[twins[0]].lap)
				}
			}
			all.add(&d)
		}
	}
}

// look reads a sketch's marks, its last figures, which are levels: laps differ in them, and they are soon found. Where there are fewer, the first
// is taken again. It tells whether there are any.
func (d *drawn) look() bool {
	if d.text == "" {
		return false
	}
	rest := d.text
	for i := range d.marks {
		at := strings.LastIndexByte(rest, ' ')
		d.marks[i] = figure(rest[at+1:])
		if at >= 0 {
			rest = rest[:at]
		}
	}
	return true
}

// read reads all of a sketch's figures, once. Nearly no sketch is compared with any.
func (d *drawn) read() {
	if d.figures != nil {
		return
	}
	d.figures = make([]float64, 0, 1+strings.Count(d.text, " "))
	for word := range strings.SplitSeq(d.text, " ") {
		d.figures = append(d.figures, figure(word))
	}
}

// figure reads a number of a sketch; NaN, which is like no other, where it is none.
func figure(word string) float64 {
	if v, err := strconv.Atoi(word); err == nil {
		return float64(v)
	}
	v, err := strconv.ParseFloat(word, 64)
	if err != nil {
		return math.NaN()
	}
	return v
}
