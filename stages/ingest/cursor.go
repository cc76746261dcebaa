package ingest

import (
	"math"
	"slices"
)

// cursor follows the time of a recording row by row and tells which rows are the
// lap's: start <= time < end. It is at work only when windowed.
//
// Only what is at the lap matters. Stamps before it need not be in order. A stamp
// beyond the end ends the lap when it is no single wrong one: when as many as sure
// follow, or the recording ends. Until then rows are kept on trial. A lap that was
// entered by wrong stamps is entered anew.
type cursor struct {
	windowed   bool
	stamped    bool    // there is a time column
	clock      bool    // of clock times
	scale      float64 // s per unit of the time column
	rate       float64 // Hz, without a time column
	start, end float64 // s, -Inf and +Inf where not given

	grid          grid
	row           int
	begin, latest float64   // s, of all stamps; +Inf and -Inf before the first
	entered, last float64   // s, first and last stamp within the lap
	within        int       // stamps within the lap since it was entered; 0 outside
	before        int       // stamps before the start since the last within the lap
	trial         []float64 // s, of the rows since the last stamp within or before the lap, NaN where missing
	past          int       // rows since the first stamp beyond the end
}

// sure is how many rows beyond the end make sure that a lap has ended, and how many at
// its beginning may be wrong. Common practice, no source.
const sure = 64

// followSteps is the longest step, in mean ones, by which a recording goes on. Common
// practice, no source.
const followSteps = 10.0

func newCursor(p Params) cursor {
	c := cursor{stamped: p.Time.Column != "", clock: p.Time.Clock, scale: p.Time.Scale, rate: p.Time.Rate, start: p.StartS, end: p.EndS,
		begin: math.Inf(1), latest: math.Inf(-1)}
	if p.gridded() {
		c.grid.step = 1 / p.Time.Rate
	}
	c.windowed = !math.IsNaN(c.start) || !math.IsNaN(c.end)
	if math.IsNaN(c.start) {
		c.start = math.Inf(-1)
	}
	if math.IsNaN(c.end) {
		c.end = math.Inf(1)
	}
	return c
}

// move is what to do with a row.
type move uint8

const (
	pass    move = iota // leave it
	take                // keep it
	blank               // keep it without its stamp and samples: the stamp is beyond the end
	anew                // leave it and all that were kept
	restart             // keep it and leave all that were kept
	stop                // leave it; the lap has ended
)

// step goes on to the next row.
func (c *cursor) step(stamp float64) move {
	now := c.grid.time(seconds(stamp, c.scale))
	if !c.stamped {
		now = float64(c.row) / c.rate
	}
	c.row++
	if now-now == 0 {
		c.begin, c.latest = min(c.begin, now), max(c.latest, now)
	}
	switch {
	case c.start <= now && now < c.end:
		return c.inside(now)
	case now < c.start && c.within > 0:
		return c.behind()
	case now < c.start:
		c.past = 0
		return pass
	}
	return c.beyond(now)
}

// inside is the move of a row within the lap.
func (c *cursor) inside(now float64) move {
	what := take
	if 0 < c.within && c.within <= sure && now < c.entered {
		c.within, what = 0, restart
	}
	if c.within == 0 {
		c.entered = now
	}
	c.within++
	c.last, c.before, c.past, c.trial = now, 0, 0, c.trial[:0]
	return what
}

// behind is the move of a row with a stamp before the lap after others within it.
func (c *cursor) behind() move {
	if c.past > 0 && c.leaves() { // another recording follows the lap in the same file
		return stop
	}
	c.before++
	c.past, c.trial = 0, c.trial[:0]
	if c.within <= sure && c.before > c.within {
		c.within, c.before = 0, 0
		return anew
	}
	return take
}

// leaves tells whether the rows on trial go on from the lap's as time does.
func (c *cursor) leaves() bool {
	step := (c.last - c.entered) / float64(max(1, c.within-1))
	return c.trial[0]-c.last <= followSteps*step && slices.IsSorted(c.trial)
}

// beyond is the move of a row beyond the lap or without a stamp.
func (c *cursor) beyond(now float64) move {
	if now >= c.end || c.past > 0 {
		c.past++
	}
	if c.past >= sure || c.past > 0 && !c.stamped {
		return stop
	}
	if c.within == 0 {
		return pass
	}
	c.trial = append(c.trial, now)
	if c.past > 0 {
		return blank
	}
	return take
}

// leaving tells whether the lap may have ended: what is wrong with a row then is not
// the lap's.
func (c *cursor) leaving() bool { return c.within > 0 && c.past > 0 }

// trailing is how many of the rows on trial are not the lap's: from the first on that
// is beyond the end and not later than any that follows, and of those before it, whose
// stamps are missing or wrong, the ones that lie beyond the end by their place between
// their neighbours.
func (c *cursor) trailing() int {
	first, least := len(c.trial), math.Inf(1)
	for i := len(c.trial) - 1; i >= 0; i-- {
		if c.trial[i] <= least {
			first, least = i, c.trial[i]
		}
	}
	if math.IsInf(least, 1) {
		return 0
	}
	own := 0
	for own < first && c.last+(least-c.last)*float64(own+1)/float64(first+1) < c.end {
		own++
	}
	return len(c.trial) - own
}
