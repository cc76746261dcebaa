package ingest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"lapwear/stages"
)

// How much of a recording is looked at.
const (
	lookRows  = 1000      // first rows of a text
	lookTail  = 64 << 10  // last bytes of a text
	lookSize  = 16 << 20  // bytes of the largest other file whose times are read,
	lookLong  = 128 << 20 // and of one that laps are cut from
	sureSteps = 10        // steps by which a lap exceeds a recording for certain
)

// Inspection is what a look at a recording tells about a lap of it.
type Inspection struct {
	Faults []error // each by itself would have Run refuse the lap
	Rate   float64 // Hz, nominal, by the first rows; NaN when they do not show it
}

// Inspect looks at a recording and finds what would have Run refuse laps of it:
// missing columns and other units, all of them; of text what is wrong in the first
// rows and in the last one; a lap outside the recording, where its end is cheap to
// know. It reads no text in full, and is silent where it is not sure. Params without a
// channel are allowed.
func Inspect(path string, laps []Params) []Inspection {
	limit := int64(lookSize)
	if slices.ContainsFunc(laps, Params.cuts) {
		limit = lookLong
	}
	seen := map[string]glance{}
	out := make([]Inspection, len(laps))
	for i, p := range laps {
		whole := p
		whole.StartS, whole.EndS = math.NaN(), math.NaN()
		k := fmt.Sprintf("%v %q", p.Time, p.Channels)
		g, known := seen[k]
		if !known {
			g = whole.glance(path, limit)
			seen[k] = g
		}
		if len(g.faults) > 0 && p.cuts() { // they may lie outside the lap
			g = p.glance(path, limit)
		}
		out[i] = Inspection{g.faults, g.rate}
		if len(g.faults) == 0 {
			out[i].Faults = p.outside(g)
		}
	}
	return out
}

// cuts tells whether the lap is a part of its recording.
func (p Params) cuts() bool { return !math.IsNaN(p.StartS) || !math.IsNaN(p.EndS) }

// glance is what the beginning and the end of a recording tell. What is not known is
// NaN.
type glance struct {
	faults     []error
	rate       float64 // Hz
	step       float64 // s, the longer of the mean ones at either end
	begin, end float64 // s
	refuse     func(format string, args ...any) error
}

func newGlance() glance {
	return glance{rate: math.NaN(), step: math.NaN(), begin: math.NaN(), end: math.NaN()}
}

// join adds what a part of the recording with times of its own tells.
func (g *glance) join(own glance) {
	most := func(a, b float64) float64 {
		if a != a || b > a {
			return b
		}
		return a
	}
	g.rate, g.step = most(g.rate, own.rate), most(g.step, own.step)
	g.begin, g.end = -most(-g.begin, -own.begin), most(g.end, own.end)
}

// glance looks at all columns together and, if that fails, at each by itself.
func (p Params) glance(path string, limit int64) glance {
	g, err := p.look(path, limit, true)
	if err == nil {
		return g
	}
	var r *stages.Refusal
	if !errors.As(err, &r) {
		g.faults = []error{err}
		return g
	}
	add := func(err error) {
		if err != nil && !slices.ContainsFunc(g.faults, func(f error) bool { return f.Error() == err.Error() }) {
			g.faults = append(g.faults, err)
		}
	}
	if p.Time.Column != "" {
		_, err := Params{Time: p.Time, StartS: p.StartS, EndS: p.EndS}.look(path, limit, true)
		add(err)
	}
	for _, c := range p.Channels {
		alone := Params{Time: Time{Rate: 1}, Channels: []Channel{c}, StartS: math.NaN(), EndS: math.NaN()}
		_, err := alone.look(path, limit, !p.cuts())
		add(err)
	}
	needed, _ := p.columns()
	if _, unread := Header(path); len(g.faults) == 0 || unread != nil && len(g.faults) >= len(needed) {
		g.faults = []error{err} // of the columns together, or of what has no columns
	}
	return g
}

// look opens a recording and looks at its columns and, if asked to, at its rows. No
// more than limit bytes are read whole.
func (p Params) look(path string, limit int64, rows bool) (glance, error) {
	g := newGlance()
	s, err := openFile(path)
	if err != nil {
		return g, err
	}
	g.refuse = s.refuse
	return g, s.finish(p.lookInto(s, &g, limit, rows))
}

func (p Params) lookInto(s *file, g *glance, limit int64, rows bool) error {
	needed, of := p.columns()
	src, err := s.open(needed)
	if err != nil {
		return err
	}
	defer src.close()
	if err := p.checkUnits(s, src, of); err != nil || !rows {
		return err
	}
	switch src := src.(type) {
	case *textSource:
		return p.lookText(s, src, g)
	case *mdfSource:
		return p.lookRecords(s, itself(src), int64(min(src.group.cycles, maxSamples)), g, limit)
	case *mdfSpread:
		for _, part := range src.groups {
			own := newGlance()
			own.refuse = g.refuse
			if err := p.lookRecords(s, itself(part), int64(min(part.group.cycles, maxSamples)), &own, limit); err != nil {
				return err
			}
			g.join(own)
		}
	case *columnar:
		if len(src.infos) > 0 {
			times := func() (source, error) { return s.open([]string{p.Time.Column}) }
			return p.lookRecords(s, times, src.infos[0].Rows, g, limit)
		}
	}
	return nil
}

// lookText looks at the first rows of a text and at its last line.
func (p Params) lookText(s *file, x *textSource, g *glance) error {
	lines, err := x.b.whole()
	if err != nil {
		return nil // whoever reads on will say so
	}
	first := firstRows(lines)
	x.t.capacity = 0 // no room for rows that are not read
	ended := x.b.eof && len(first) == len(lines)
	rec, err := x.t.read(context.Background(), &blocks{buf: first[:len(first):len(first)], eof: true}, newCursor(p))
	if err != nil {
		return err
	}
	if ended {
		if err := p.checkExtent(s, rec); err != nil {
			return err
		}
	}
	if p.cuts() {
		return nil
	}
	if err := p.lookStamps(s, rec); err != nil {
		return err
	}
	g.measure(p, rec, ended)
	if ended || !x.bytewise && !x.b.eof {
		return nil
	}
	return p.lookEnd(s, x, g)
}

// lookStamps finds in the first rows stamps that are not those of samples, and rates at
// which nobody records.
func (p Params) lookStamps(s *file, rec *record) error {
	if p.Time.Column == "" || p.gridded() || rec.rows < leastStretch {
		return nil
	}
	rec.joinSplit()
	if err := p.checkPackets(s, rec); err != nil || rec.rows < leastStretch {
		return err
	}
	line, err := p.timeline(s, rec)
	if err != nil {
		return nil // of all rows more may be usable
	}
	return p.checkRate(s, line)
}

// firstRows cuts the first lines off.
func firstRows(lines []byte) []byte {
	end := 0
	for n := 0; n < lookRows && end < len(lines); n++ {
		_, size := cutLine(lines[end:])
		end += size
	}
	return lines[:end]
}

// lookEnd looks at the last line of a text.
func (p Params) lookEnd(s *file, x *textSource, g *glance) error {
	tail := x.end(s)
	if bytes.IndexByte(tail, 0) >= 0 {
		return s.refuse("holds zero bytes in its last %d bytes, as a full disk leaves them; copy it again", len(tail))
	}
	tail = x.t.withoutNotes(tail)
	last := tail[bytes.LastIndexByte(tail, '\n')+1:]
	cells, whole := splitCells(nil, last, x.t.at.delimiter)
	if !whole || len(cells) != len(x.t.at.cells) {
		return s.refuse("%s has %d cells where the header on line %d has %d; was it copied completely? copy or export it again",
			x.lastLine(), len(cells), x.t.at.line, len(x.t.at.cells))
	}
	t := *x.t
	t.rows, t.blank = 0, 0
	rec, err := t.read(context.Background(), &blocks{buf: tail[:len(tail):len(tail)], eof: true}, newCursor(p))
	if err == nil && p.Time.Column != "" && (!p.Time.Clock || t.clock.day.first.dated) { // without a date the midnights between are not known
		g.measure(p, rec, true)
	}
	return nil
}

// withoutNotes cuts blank lines and comments off the end of whole lines, and the end of
// the last line that is left.
func (t *table) withoutNotes(tail []byte) []byte {
	for {
		tail = bytes.TrimRight(tail, "\r\n")
		from := bytes.LastIndexByte(tail, '\n') + 1
		if len(tail) == 0 || !t.isNote(tail[from:]) {
			return tail
		}
		tail = tail[:from]
	}
}

// end returns the last whole lines of a text of which the first are held.
func (x *textSource) end(s *file) []byte {
	tail, _ := x.b.whole()
	from := max(0, len(tail)-lookTail)
	tail = tail[from:]
	if !x.b.eof {
		from = int(s.size - lookTail)
		tail = make([]byte, lookTail)
		n, _ := s.ReadAt(tail, int64(from)) // the file remembers an error
		tail = tail[:n]
		x.b.ends(tail)
	}
	if from > 0 {
		tail = tail[bytes.IndexByte(tail, '\n')+1:]
	}
	return tail
}

// lastLine names the last line of a text, by number where the whole text is held.
func (x *textSource) lastLine() string {
	if !x.b.eof {
		return "the last line"
	}
	lines, _ := x.b.whole()
	lines = x.t.withoutNotes(lines)
	return fmt.Sprintf("line %d", x.t.at.dataLine+bytes.Count(lines, []byte{'\n'}))
}

// measure takes the time from rows at the recording's beginning, or at its end.
func (g *glance) measure(p Params, rec *record, last bool) {
	if p.Time.Column == "" {
		g.rate, g.step, g.begin = p.Time.Rate, 1/p.Time.Rate, 0
		if last {
			g.end = float64(rec.rows-1) / p.Time.Rate
		}
		return
	}
	var times []float64
	for i := range rec.rows {
		if at := p.timeOf(rec, i); at-at == 0 && (len(times) == 0 || at > times[len(times)-1]) {
			times = append(times, at)
		}
	}
	if len(times) < 2 {
		return
	}
	begin, end := times[0], times[len(times)-1]
	if step := (end - begin) / float64(len(times)-1); !(g.step > step) {
		g.step = step
	}
	if math.IsNaN(g.begin) {
		g.begin, g.rate = begin, 1/unevenPace(times).step
	}
	if last {
		g.end = end
	}
}

// itself opens what is open.
func itself(src source) func() (source, error) { return func() (source, error) { return src, nil } }

// lookRecords looks at a recording that says how many samples it has, given how to open
// its times.
func (p Params) lookRecords(s *file, times func() (source, error), rows int64, g *glance, limit int64) error {
	if rows < 2 {
		return s.refuse("the recording has %d samples, at least 2 are needed; export it again or leave the lap out", rows)
	}
	if p.Time.Column == "" {
		g.measure(p, &record{rows: int(rows)}, true)
		return nil
	}
	if s.size > limit {
		return nil
	}
	src, err := times()
	if err != nil {
		return err
	}
	defer src.close()
	rec, err := src.read(context.Background(), newCursor(Params{Time: p.Time, StartS: math.NaN(), EndS: math.NaN()}))
	switch {
	case err == nil:
		g.measure(p, rec, true)
	case !p.cuts(): // a lap may end before the damage
		return err
	}
	return nil
}

// outside finds that the lap is not within the recording.
func (p Params) outside(g glance) []error {
	var out []error
	beyond := func(what string, at float64) {
		if math.IsNaN(g.end) {
			out = append(out, g.refuse("%s %v is outside the recording, which begins at %v s; correct the lap manifest", what, at, g.begin))
			return
		}
		out = append(out, g.refuse("%s %v is outside the recording, which goes from %v s to %v s; correct the lap manifest", what, at, g.begin, g.end))
	}
	if p.StartS >= p.EndS {
		return nil
	}
	if p.EndS-p.StartS < 0.75*g.step {
		out = append(out, g.refuse("the lap from start_s %v to end_s %v is shorter than a step of %.4g s between samples; correct the lap manifest", p.StartS, p.EndS, g.step))
	}
	slack := sureSteps * g.step
	if p.StartS > g.end || p.StartS < g.begin-slack {
		beyond("start_s", p.StartS)
	}
	if p.EndS > g.end+slack || p.EndS <= g.begin {
		beyond("end_s", p.EndS)
	}
	return out
}
