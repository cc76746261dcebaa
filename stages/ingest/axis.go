package ingest

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"lapwear/fatigue/lanes"
)

// timeline is the time axis of a lap, which all its channels share. Row numbers count
// from the lap's first row.
type timeline struct {
	t         []float64 // stamps of all rows in the unit of time; nil without a time column
	first     int       // the recording's number of row 0
	scale     float64   // s per unit of the stamps
	total     int       // rows of the lap
	rows      []int     // those whose stamp is there and advances; nil = all
	unstamped []int     // those without a finite stamp
	backward  []int     // those whose stamp does not advance beyond all before it
	rate      float64   // Hz, nominal
	pace      pace
	straight  bool    // the stamps of rows lie on a line by the rows' numbers
	nominal   float64 // samples that the lap should have at its rate
	axis      axis    // of a channel that has a sample in each of rows
	lead      float64 // s by which the lap's other parts begin before the first row,
	trail     float64 // and by which they end after the last
	from, to  float64 // s, where the lap is cut out of its recording; NaN where it is not
}

// axis is the time axis of a channel.
type axis struct {
	rate, start float64
	times       []float64 // s; nil when uniform
	gaps        int
	gapSteps    float64 // the longest gap in nominal steps; 0 without gaps
	gap         int     // the sample after the first of the longest gaps
	unsteady    float64 // see quality
	nominal     float64 // samples that the lap should have
	duration    float64 // of the lap, s
}

// at is the time of a sample in s, from the channel's first on where it is uniform.
func (a *axis) at(i int) float64 {
	if a.times != nil {
		return a.times[i]
	}
	return float64(i) / a.rate
}

// timeline finds the time axis of a lap.
func (p Params) timeline(s *file, r *record) (*timeline, error) {
	l := &timeline{first: r.first, total: r.rows, scale: 1 / p.Time.Rate, rate: p.Time.Rate,
		pace: pace{step: 1, uniform: true}, straight: true, nominal: float64(r.rows), from: p.StartS, to: p.EndS}
	if p.Time.Column != "" {
		l.t, l.scale = r.cols[0], p.Time.Scale
		l.sortOut()
		if l.rows != nil && len(l.rows) < 2 {
			return nil, l.unusable(s, r, p.Time.Column)
		}
		t := l.stamps(l.rows, l.total)
		l.pace, l.straight = paceOfRows(t, l.rows)
		if l.rate = l.pace.rate(l.scale); p.gridded() {
			l.pace.step, l.rate = 1/p.Time.Rate, p.Time.Rate
		}
		if !(l.rate > 0) || math.IsInf(l.rate, 0) {
			return nil, s.refuse("column %q: the time goes from %v to %v, too far for numbers; correct the time column", p.Time.Column, t[0], t[len(t)-1])
		}
		ends := 0 // rows without a usable stamp before the first that has one and after the last
		if l.rows != nil {
			ends = l.total - 1 - l.lastRow() + l.rows[0]
		}
		l.nominal = max(l.nominal, math.Round((t[len(t)-1]-t[0])/l.pace.step)+1+float64(ends))
		lead, tail := l.uncovered(t, l.pace.step)
		l.nominal += math.Floor(lead+endSlack) + max(0, math.Ceil(tail-endSlack)-1)
	}
	l.axis = l.axisOf(l.rows, 1)
	n := l.total
	if l.rows != nil {
		n = len(l.rows)
	}
	l.axis.duration = l.axis.at(n-1) - l.axis.at(0) + 1/l.rate
	return l, nil
}

// shareExtent lets the parts of a lap have one duration: from the first sample of all to
// the last, and a step of the fastest part. A part leads or trails where another's
// samples begin earlier or end later by more than a step of that other.
func shareExtent(parts []*part) {
	if len(parts) == 1 {
		return
	}
	first, last, step := math.Inf(1), math.Inf(-1), math.Inf(1)
	sureFirst, sureLast := first, last
	for _, q := range parts {
		from, own := q.line.axis.start, 1/q.line.rate
		to := from + q.line.axis.duration - own
		first, last, step = min(first, from), max(last, to), min(step, own)
		sureFirst, sureLast = min(sureFirst, from+own), max(sureLast, to-own)
	}
	for _, q := range parts {
		l := q.line
		to := l.axis.start + l.axis.duration - 1/l.rate
		l.lead, l.trail = max(0, l.axis.start-sureFirst), max(0, sureLast-to)
		l.axis.duration = last - first + step
	}
}

// lacking is how many samples more the lap should have at a rate for its other parts.
func (l *timeline) lacking(rate float64) float64 {
	return math.Floor(l.lead*rate+endSlack) + math.Floor(l.trail*rate+endSlack)
}

// lastRow is the last row with a usable stamp.
func (l *timeline) lastRow() int {
	if l.rows != nil {
		return l.rows[len(l.rows)-1]
	}
	return l.total - 1
}

// sortOut tells the rows apart whose stamp is usable.
func (l *timeline) sortOut() {
	if l.rows = advancing(l.t); l.rows == nil {
		return
	}
	next := 0
	for k, t := range l.t {
		switch {
		case next < len(l.rows) && l.rows[next] == k:
			next++
		case t-t != 0:
			l.unstamped = append(l.unstamped, k)
		default:
			l.backward = append(l.backward, k)
		}
	}
}

// stamps are the stamps of rows; nil rows are all n.
func (l *timeline) stamps(rows []int, n int) []float64 {
	if rows == nil && l.t != nil {
		return l.t
	}
	if rows != nil {
		n = len(rows)
	}
	t := make([]float64, n)
	for i := range t {
		t[i] = l.stamp(rowOf(rows, i))
	}
	return t
}

// stamp is the stamp of a row; without a time column its number in the recording.
func (l *timeline) stamp(row int) float64 {
	if l.t == nil {
		return float64(l.first + row)
	}
	return l.t[row]
}

// seconds is a stamp in s.
func (l *timeline) seconds(stamp float64) float64 {
	if l.t == nil {
		return stamp / l.rate
	}
	return seconds(stamp, l.scale)
}

// rowOf is the row of a channel's i-th sample; nil rows are all.
func rowOf(rows []int, i int) int {
	if rows == nil {
		return i
	}
	return rows[i]
}

// axisOf is the axis of a channel that has its samples in rows, nil being all, every
// so many rows but for holes.
func (l *timeline) axisOf(rows []int, every int) axis {
	phase := float64(rowOf(rows, 0) % every)
	own := l.pace
	own.step *= float64(every)
	own.uniform = l.straight && regular(rows, every)
	var a axis
	if l.t == nil && rows == nil { // every sample is there, at its time
		a = axis{start: l.seconds(l.stamp(0)), duration: l.axis.duration}
	} else {
		a = l.axisAt(l.stamps(rows, l.total), own)
	}
	a.rate, a.nominal = l.rate/float64(every), math.Floor((l.nominal-1-phase)/float64(every))+1
	return a
}

// axisAt is the axis of samples with stamps that follow each other at a pace.
func (l *timeline) axisAt(t []float64, own pace) axis {
	a := axis{start: l.seconds(t[0]), duration: l.axis.duration}
	if own.uniform {
		l.addEnds(&a, t, own.step)
		return a
	}
	if own.measure(t); own.gaps > 0 {
		a.gaps, a.gapSteps, a.gap = own.gaps, own.most, own.longest
	}
	l.addEnds(&a, t, own.step)
	a.times = make([]float64, len(t))
	for i, v := range t {
		a.times[i] = l.seconds(v)
	}
	a.unsteady = own.unsteady(t)
	return a
}

// uncovered is how long the lap is without a sample at its beginning and its end, in
// steps: from where it is cut, or from its first row and to its last; 0 where it is no gap.
func (l *timeline) uncovered(t []float64, step float64) (lead, tail float64) {
	last := t[len(t)-1]
	lead, tail = (t[0]-l.stamp(rowOf(l.rows, 0)))/step, (l.stamp(l.lastRow())-last)/step
	if l.t != nil {
		lead = largest(lead, (l.seconds(t[0])-l.from)/(step*l.scale))
		tail = largest(tail, (l.to-l.seconds(last))/(step*l.scale))
	}
	if !(lead > gapSteps) {
		lead = 0
	}
	if !(tail > gapSteps) {
		tail = 0
	}
	return lead, tail
}

// largest is a, or b where it is larger and no NaN.
func largest(a, b float64) float64 {
	if b > a {
		return b
	}
	return a
}

// addEnds counts gaps at the ends of a lap.
func (l *timeline) addEnds(a *axis, t []float64, step float64) {
	lead, tail := l.uncovered(t, step)
	for _, end := range [...]struct {
		steps float64
		at    int
	}{{lead, 0}, {tail, len(t) - 1}} {
		if end.steps > 0 {
			a.gaps++
		}
		if end.steps > a.gapSteps {
			a.gapSteps, a.gap = end.steps, end.at
		}
	}
}

// regular tells whether rows lie apart by so many rows each.
func regular(rows []int, every int) bool {
	for i := 1; i < len(rows); i++ {
		if rows[i]-rows[i-1] != every {
			return false
		}
	}
	return true
}

// series is the samples of one column with the time axis that is theirs.
type series struct {
	x          []float64 // nil where there is lean
	lean       []float32 // samples that are all of single precision
	rows       []int     // of the samples; nil = all
	axis       axis
	blank      int // rows with a usable stamp and without a finite sample
	firstBlank int
	missing    int64
	missingRow int // the first
}

// len is the number of samples.
func (c *series) len() int { return max(len(c.x), len(c.lean)) }

// whole is the series of a column that has a sample in every row and is of single precision.
func (l *timeline) whole(lean []float32) series { return series{lean: lean, axis: l.axis} }

// series takes the samples of a column, of which all may be known to be finite. Columns without a blank cell share what can be
// shared.
func (l *timeline) series(x []float64, known bool) series {
	c := series{x: x, rows: l.rows, axis: l.axis, missing: int64(len(l.unstamped))}
	if len(l.unstamped) > 0 {
		c.missingRow = l.unstamped[0]
	}
	if l.rows == nil && (known || lanes.Finite(x)) {
		return c
	}
	n := l.total
	if l.rows != nil {
		n = len(l.rows)
	}
	for i := range n {
		if v := x[rowOf(l.rows, i)]; v-v != 0 {
			if c.blank++; c.blank == 1 {
				c.firstBlank = rowOf(l.rows, i)
			}
		}
	}
	if c.blank > 0 {
		c.rows = make([]int, 0, n-c.blank)
		for i := range n {
			if row := rowOf(l.rows, i); x[row]-x[row] == 0 {
				c.rows = append(c.rows, row)
			}
		}
	}
	c.x = make([]float64, len(c.rows))
	for i, row := range c.rows {
		c.x[i] = x[row]
	}
	if c.blank == 0 || len(c.rows) < 2 {
		return c
	}
	if !l.straight && l.ownAxis(&c) {
		return c
	}
	every := gridOf(c.rows, l.total)
	if every == 1 && 2*c.blank > n && len(c.rows) > leastStretch && l.ownAxis(&c) { // its samples stand in the rows nearest to them
		return c
	}
	c.missing, c.missingRow = l.holes(c.rows, every)
	c.axis = l.axisOf(c.rows, every)
	return c
}

// endSlack is by how much of a step a sample that is lacking at an end of the lap may
// seem nearer than it would be.
const endSlack = 0.02

// ownAxis gives a channel the axis of its own stamps, if they keep time, in a lap whose
// rows do not: the rows without a sample of it may be those of other channels, and only
// those count as missing that its steps have room for.
func (l *timeline) ownAxis(c *series) bool {
	t := l.stamps(c.rows, l.total)
	own := paceOf(t)
	rate := own.rate(l.scale)
	if !(rate > 0) || math.IsInf(rate, 0) || !own.uniform && !own.keptBy(t) {
		return false
	}
	n, apart := len(t)-1, usualApart(c.rows)
	whole := math.Round // of the steps at an end of the lap
	for i := 1; i <= n; i++ {
		if c.rows[i]-c.rows[i-1] != apart && t[i]-t[i-1] <= gapSteps*own.step { // other channels have rows of their own
			whole = func(steps float64) float64 { return math.Floor(steps + endSlack) }
			break
		}
	}
	room := func(span float64, rows int) float64 { return min(whole(span/own.step), float64(rows/apart)) }
	before := room(t[0]-l.stamp(rowOf(l.rows, 0)), c.rows[0])
	after := room(l.stamp(l.lastRow())-t[n], l.total-1-c.rows[n])
	c.axis = l.axisAt(t, own)
	c.axis.rate, c.axis.nominal = rate, before+math.Round((t[n]-t[0])/own.step)+1+after
	c.missing = 0
	l.lacks(c, c.rows[0]-(1+int(before))*apart, c.rows[0], apart, before)
	for i := 1; i <= n && !own.uniform; i++ {
		if steps := (t[i] - t[i-1]) / own.step; steps > gapSteps {
			l.lacks(c, c.rows[i-1], c.rows[i]-apart/2, apart, math.Round(steps)-1)
		}
	}
	l.lacks(c, c.rows[n], l.total, apart, after)
	return true
}

// usualApart is the median of how many rows samples lie apart.
func usualApart(rows []int) int {
	apart := make([]int, len(rows)-1)
	for i := range apart {
		apart[i] = rows[i+1] - rows[i]
	}
	slices.Sort(apart)
	return apart[len(apart)/2]
}

// lacks counts as missing so many of the rows that lie so far apart between two, but
// none that is left out because its stamp does not advance.
func (l *timeline) lacks(c *series, from, to, apart int, most float64) {
	for row := from + apart; row < to && most > 0; row += apart {
		if _, back := slices.BinarySearch(l.backward, row); back {
			continue
		}
		most--
		if c.missing++; c.missing == 1 {
			c.missingRow = row
		}
	}
}

// leastGrid is how many samples a channel has at least that is told to be slower than
// its file.
const leastGrid = 3

// gridOf returns every how many rows a channel has a sample that is slower than its
// file; 1 where the rows of its samples are on no such grid: all intervals but rare
// ones must be multiples of one that is common, and half of the grid must be there.
func gridOf(rows []int, total int) (every int) {
	n := len(rows) - 1
	if n+1 < leastGrid {
		return 1
	}
	apart := make([]int, n)
	for i := range apart {
		apart[i] = rows[i+1] - rows[i]
	}
	slices.Sort(apart)
	every = apart[n/10]
	odd := 0
	for _, d := range apart {
		if d%every != 0 {
			odd++
		}
	}
	if odd*rare > n || 2*len(rows) < (total-1-rows[0]%every)/every+1 {
		return 1
	}
	return every
}

// holes counts the rows of a channel's grid without a sample, but those that are left
// out because their stamp does not advance, and returns the first.
func (l *timeline) holes(rows []int, every int) (n int64, first int) {
	from := rows[0]%every - every
	note := func(row int) {
		if _, back := slices.BinarySearch(l.backward, row); !back {
			if n++; n == 1 {
				first = row
			}
		}
	}
	for _, row := range rows {
		for hole := from + every; row-hole > every/2; hole += every {
			note(hole)
		}
		from = row
	}
	for hole := from + every; hole < l.total; hole += every {
		note(hole)
	}
	return n, first
}

// mostLost is the share of a lap's samples that may be lost.
const mostLost = 0.5

// lostShare is the share of the lap's nominal samples of a channel that are not there.
func (c *series) lostShare() float64 {
	return max(0, (c.axis.nominal-float64(c.len()))/c.axis.nominal)
}

// checkLost refuses a lap of which a channel has fewer than half of its samples: no
// setting can make it usable, and to fill it could take any amount of memory.
func (l *timeline) checkLost(s *file, r *record, c *series, ch Channel, time string) error {
	if c.len() >= 2 && c.lostShare() <= mostLost {
		return nil
	}
	if c.len() < 2 || 2*c.blank > l.total {
		return s.refuse("channel %q, column %q: %d of %d cells empty or not finite, the first on %s; fill them at the source or leave the lap out",
			ch.Name, ch.Column, c.blank, l.total, r.spot(c.firstBlank, ""))
	}
	if 2*len(l.unstamped) > l.total {
		return l.unusable(s, r, time)
	}
	what, column := "", time
	if c.blank > 0 {
		what, column = fmt.Sprintf("channel %q: ", ch.Name), ch.Column
	}
	return s.refuse("%s%.0f of %.0f samples are not there, over half, from %s on; cut the lap where it is whole or leave it out",
		what, c.axis.nominal-float64(c.len()), c.axis.nominal, r.spot(l.firstLost(c), column))
}

// firstLost is the first row that a channel lacks, or the row after its first gap.
func (l *timeline) firstLost(c *series) int {
	first := l.total - 1
	for i, t := range c.axis.times {
		if i > 0 && t-c.axis.times[i-1] > gapSteps/c.axis.rate {
			first = rowOf(c.rows, i)
			break
		}
	}
	if len(l.backward) > 0 {
		first = min(first, l.backward[0])
	}
	if c.missing > 0 {
		first = min(first, c.missingRow)
	}
	return first
}

// unusable is the refusal of a lap without stamps.
func (l *timeline) unusable(s *file, r *record, column string) error {
	if len(l.unstamped) == 0 || len(l.backward) > len(l.unstamped) {
		return s.refuse("%s: the time does not advance there nor after; time must increase: correct the time column or leave the lap out",
			r.spot(l.backward[0], column))
	}
	return s.refuse("column %q: %d of %d cells empty or not finite, the first on %s; fill them at the source or leave the lap out",
		column, len(l.unstamped), l.total, r.spot(l.unstamped[0], ""))
}

// site names a row for the user.
type site struct {
	at string
	s  float64 // its time on the recording's axis; NaN where it has none
}

// nowhere is the place of what there is not.
func nowhere() site { return site{s: math.NaN()} }

// unless leaves the time alone if so.
func (p site) unless(so bool) site {
	if so {
		p.at = ""
	}
	return p
}

// place names a row with a column.
func (l *timeline) place(r *record, row int, column string) site {
	s := l.seconds(l.stamp(row))
	if s-s != 0 {
		s = math.NaN()
	}
	return site{r.spot(row, column), s}
}

// leastFall is how many rows have to be left out for a fall of the clock, not wrong
// stamps, to be named. Common practice, no source.
const leastFall = 32

// fall says where the clock falls most and on which side of it the rows lie that are left
// out; "" where single stamps are wrong.
func (l *timeline) fall(r *record) string {
	if len(l.backward) < leastFall {
		return ""
	}
	at, most, last := 0, 0.0, math.NaN()
	for row, v := range l.t {
		if last-v > most {
			at, most = row, last-v
		}
		if v-v == 0 {
			last = v
		}
	}
	if most <= gapSteps*l.pace.step {
		return ""
	}
	size, side, hint := l.seconds(most), "from it on", ""
	if l.backward[0] < at {
		side = "before it"
	}
	if math.Abs(size-3600) < 1 {
		hint = " (change of summer time?)"
	}
	return fmt.Sprintf("; the clock falls by %s s on %s%s; what is left out are rows %s", plainNumber(size), r.spot(at, ""), hint, side)
}

// plainNumber writes a number with up to six digits and no exponent.
func plainNumber(v float64) string {
	digits := max(0, 5-int(math.Floor(math.Log10(math.Abs(v)))))
	v, _ = strconv.ParseFloat(strconv.FormatFloat(v, 'f', min(digits, 15), 64), 64)
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// placeOfGap is the row after a channel's longest gap. It names the time column unless
// the channel lacks cells.
func (c *series) placeOfGap(l *timeline, r *record, column, time string) site {
	if c.axis.gaps == 0 {
		return nowhere()
	}
	if c.blank == 0 {
		column = time
	}
	return l.place(r, rowOf(c.rows, c.axis.gap), column)
}
