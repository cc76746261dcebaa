// Package ingest reads a recording and gives the signals of one lap.
//
//   - A recording is a file of samples: text in cells (CSV and its kin), Parquet,
//     Arrow IPC, or MDF 4 (ASAM's format of measurement data). It has a time column or
//     a stated rate. In an MDF file all wanted channels and the time column, most often
//     the time master, are in one channel group.
//   - A channel is a wanted column with a name and a unit of the season's.
//   - A stamp is a value of the time column. A lap's stamps are uniform when they
//     lie on a straight line as exactly as they were written down.
//   - The quality of a channel is figures to judge a measurement by.
//   - A dialect is how a text recording is written: delimiter, decimal mark,
//     encoding, line ends, lines before the header, units row, packing.
//
// What comes out depends on the samples, never on the file's name, its format or its
// dialect; only where the quality says at which row something is wrong, it counts rows
// as the recording does. Nothing is repaired: a row whose stamp is missing or does not
// advance is left out for all channels, an empty cell for its own channel alone; the
// neighbours are joined, the stamps are kept, and the quality counts it. A channel with
// a sample in every k-th row only is slower than its file and lacks none. Whether a lap
// that lacks samples is used is judged elsewhere, but a lap of which a channel lacks
// more than half is refused. Line breaks
// within quoted cells are not read. The dialect is found at the beginning: the
// header must stand within the first 1000 lines and the first MiB.
package ingest

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"sync"

	"lapwear/cache/key"
	"lapwear/fatigue/lanes"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Revision is raised whenever equal recordings may give other outputs than before.
const Revision = 2

// QualityOutput is the name of the output with the channels' quality. No channel has
// it: a season refuses a channel of this name.
const QualityOutput = "(quality)"

// Time says what a recording's time axis is. Clock times are times of day, or dates with
// times of day; they become s since midnight of the day of the recording's first one.
type Time struct {
	Column string  // empty when there is none
	Scale  float64 // s per unit of the column; 1 of clock times
	Rate   float64 // Hz, without a column: the first sample is at 0 s; with one: see grid; 0 = by the stamps
	Clock  bool    // the column holds clock times
}

// Channel says where a signal is in the recording and in which unit.
type Channel struct{ Name, Column, Unit string }

// Params binds the stage. It reads the file of its inputs and gives one output a
// channel, in the order of Channels, and the output QualityOutput.
//
// A channel's output has the column value in the channel's unit, the attributes
// rate_hz (nominal) and start_s (time of the first sample on the recording's axis),
// and, where the stamps are not uniform, the column time_s. The channels of a lap may
// differ in rate, start and number of samples.
//
// The quality output has a row a channel; see the type quality.
type Params struct {
	Time     Time
	Channels []Channel
	// StartS and EndS cut the lap out of a longer recording: start <= time < end, in
	// s on the recording's axis. Either may be NaN: to the recording's end.
	StartS, EndS float64
	// Ranges are what the channels' sensors can measure to either side, in the
	// channel's unit, in the order of Channels; 0, or none, is not known.
	Ranges []float64
	// Position is the lap's distance, read where the recording has it: one output more,
	// after the channels', empty where it cannot be read. Without a column there is none.
	Position Channel
}

// Name returns the stage's name.
func (p Params) Name() string { return "ingest" }

// Revision returns the package's Revision.
func (p Params) Revision() int { return Revision }

// AddTo adds all parameters.
func (p Params) AddTo(h *key.Hasher) {
	h.String("time_column", p.Time.Column)
	h.Float("time_scale_s", p.Time.Scale)
	h.Float("time_rate_hz", p.Time.Rate)
	h.Bool("time_clock", p.Time.Clock)
	h.Int("channels", int64(len(p.Channels)))
	for i, c := range p.Channels {
		label := "channel." + strconv.Itoa(i)
		h.String(label+".name", c.Name)
		h.String(label+".column", c.Column)
		h.String(label+".unit", c.Unit)
		h.Float(label+".range", p.rangeOf(i))
	}
	if p.Position.Column != "" {
		h.String("position.name", p.Position.Name)
		h.String("position.column", p.Position.Column)
		h.String("position.unit", p.Position.Unit)
	}
	h.Float("start_s", p.StartS)
	h.Float("end_s", p.EndS)
}

// rangeOf is the range of the i-th channel's sensor; 0 when it is not known.
func (p Params) rangeOf(i int) float64 {
	if i < len(p.Ranges) {
		return p.Ranges[i]
	}
	return 0
}

// Keeps tells whether an output is worth storing: the quality is, while signals take about as long to store and to read
// back as the recording takes to read.
func (p Params) Keeps(output string) bool { return output == QualityOutput }

// validate finds what the program that built the parameters should have found.
func (p Params) validate() error {
	seen := map[string]bool{QualityOutput: true}
	for _, c := range p.Channels {
		if c.Name == "" || c.Column == "" || seen[c.Name] {
			return fmt.Errorf("set up ingest: channel %q of column %q has no name of its own or no column; give each both", c.Name, c.Column)
		}
		seen[c.Name] = true
	}
	axis, what := p.Time.Rate, "rate"
	if p.Time.Column != "" {
		axis, what = p.Time.Scale, "scale"
	}
	if !(axis > 0) || math.IsInf(axis, 0) {
		return fmt.Errorf("set up ingest: time %s %v is not a positive number; state the time axis", what, axis)
	}
	if len(p.Channels) == 0 {
		return fmt.Errorf("set up ingest: no channel; name one at least")
	}
	return nil
}

// columns returns the columns that are read, the time column first, and for each
// channel which of them it is.
func (p Params) columns() (needed []string, of []int) {
	place := map[string]int{}
	add := func(c string) int {
		i, known := place[c]
		if !known {
			i = len(needed)
			place[c] = i
			needed = append(needed, c)
		}
		return i
	}
	if p.Time.Column != "" {
		add(p.Time.Column)
	}
	for _, c := range p.Channels {
		of = append(of, add(c.Column))
	}
	return needed, of
}

// Run reads in.File.
func (p Params) Run(ctx context.Context, in stages.Inputs) ([]stages.Output, error) {
	if err := p.validate(); err != nil {
		return nil, err
	}
	return p.readWithPosition(ctx, in)
}

// read reads the channels of in.File.
func (p Params) read(ctx context.Context, in stages.Inputs) ([]stages.Output, error) {
	s, err := openContent(in.File)
	if err != nil {
		return nil, err
	}
	s.nameless, s.hands = true, in.Hands
	out, err := p.lap(ctx, s)
	if err = s.finish(err); err != nil {
		return nil, err
	}
	return out, nil
}

// Check finds in the beginning of a recording whether Run can find its columns and
// whether their units agree. It reads no samples.
func (p Params) Check(path string) error {
	if err := p.validate(); err != nil {
		return err
	}
	s, err := openFile(path)
	if err != nil {
		return err
	}
	needed, of := p.columns()
	src, err := s.open(needed)
	if err == nil {
		defer src.close()
		err = p.checkUnits(s, src, of)
	}
	return s.finish(err)
}

// lap reads, checks and tables the lap.
func (p Params) lap(ctx context.Context, s *file) ([]stages.Output, error) {
	needed, of := p.columns()
	src, err := s.open(needed)
	if err != nil {
		return nil, err
	}
	defer src.close()
	if err := p.checkUnits(s, src, of); err != nil {
		return nil, err
	}
	parts, err := p.parts(ctx, src, of)
	if err != nil {
		return nil, err
	}
	if len(parts) > 1 && p.gridded() {
		return nil, s.refuse("its channels are in several groups with times of their own; leave the rate out of time: {column: %s, ...}", p.Time.Column)
	}
	stated := p
	judged := p.besidePosition(parts)
	for _, part := range parts {
		if p = stated.regrid(part.rec); p.Time.Column != "" && !p.gridded() {
			part.rec.joinSplit()
		}
		if err := p.checkExtent(s, part.rec); err != nil {
			return nil, err
		}
		if err := p.checkPackets(s, part.rec); err != nil {
			return nil, err
		}
		if part.line, err = p.withinParts(judged).timeline(s, part.rec); err != nil {
			return nil, err
		}
	}
	if err := p.checkRate(s, fastest(judged)); err != nil {
		return nil, err
	}
	shareExtent(judged)
	out, err := p.outputs(s, parts)
	giveRooms(parts, out)
	return out, err
}

// withinParts leaves the cut to the parts of a lap where it has several: then they tell
// of each other where samples are lacking at its ends.
func (p Params) withinParts(parts []*part) Params {
	if len(parts) > 1 {
		p.StartS, p.EndS = math.NaN(), math.NaN()
	}
	return p
}

// fastest is the time axis of the fastest part.
func fastest(parts []*part) *timeline {
	out := parts[0].line
	for _, q := range parts[1:] {
		if q.line.rate > out.rate {
			out = q.line
		}
	}
	return out
}

// part is the channels of a lap that have rows in common: all of them, but in an MDF
// recording those of one channel group.
type part struct {
	rec     *record
	of      []int // the column of each channel; -1 where it is in another part
	line    *timeline
	columns []takenColumn
}

// takenColumn is the samples of a column once they were taken, for all channels that have it.
type takenColumn struct {
	once  sync.Once
	taken series
}

// parts reads the rows of a lap.
func (p Params) parts(ctx context.Context, src source, of []int) ([]*part, error) {
	cur := newCursor(p)
	spread, ok := src.(*mdfSpread)
	if !ok {
		rec, err := src.read(ctx, cur)
		if err != nil {
			return nil, err
		}
		return []*part{{rec: rec, of: of, columns: make([]takenColumn, len(rec.cols))}}, nil
	}
	parts, err := spread.parts(ctx, cur, of)
	if err != nil {
		return nil, err
	}
	whole := *parts[0].rec // the recording is as long as all of its groups together
	for _, q := range parts[1:] {
		whole.begin, whole.end, whole.all = min(whole.begin, q.rec.begin), max(whole.end, q.rec.end), whole.all && q.rec.all
	}
	for _, q := range parts {
		q.rec.begin, q.rec.end, q.rec.all = whole.begin, whole.end, whole.all
	}
	return parts, nil
}

// checkUnits refuses a file that states another unit than the season.
func (p Params) checkUnits(s *file, src source, of []int) error {
	for i, c := range p.Channels {
		for _, unit := range src.units(of[i]) {
			if contradicts(unit, c.Unit) {
				return s.refuse("column %q: the recording says %q, the channel %q is in %q; correct the channel's unit or the recording",
					c.Column, unit, c.Name, c.Unit)
			}
		}
	}
	if p.Time.Column == "" {
		return nil
	}
	_, whole := src.(*mdfSource)
	_, spread := src.(*mdfSpread)
	if p.Time.Clock && (whole || spread) {
		return s.refuse("column %q: an MDF file holds numbers and no clock times; state their unit, as in time: {column: %s, unit: s}",
			p.Time.Column, p.Time.Column)
	}
	return p.checkTime(s, src.units(0))
}

// checkExtent refuses a lap that is not within its recording or has no duration. An
// end may lie up to one sample after the last, and a start one before the first.
func (p Params) checkExtent(s *file, r *record) error {
	if p.StartS >= p.EndS {
		return s.refuse("start_s %v is not before end_s %v; correct the lap manifest", p.StartS, p.EndS)
	}
	step := 0.0
	if p.Time.Column == "" {
		step = 1 / p.Time.Rate
	} else if r.begin > r.end {
		return s.refuse("column %q: every time is missing; name another time column", p.Time.Column)
	} else if r.rows >= 2 {
		step = meanStep(r.cols[0]) * p.Time.Scale
	}
	step *= 1 + 1e-6
	beyond := func(what string, at float64) error {
		return s.refuse("%s %v is outside the recording, which goes from %v s to %v s; correct the lap manifest", what, at, r.begin, r.end)
	}
	switch {
	case r.all && (p.StartS > r.end || p.StartS < r.begin-step):
		return beyond("start_s", p.StartS)
	case r.all && (p.EndS > r.end+step || p.EndS < r.begin):
		return beyond("end_s", p.EndS)
	case !r.all && p.StartS < r.begin-step:
		return s.refuse("start_s %v is outside the recording, which begins at %v s; correct the lap manifest", p.StartS, r.begin)
	case !r.all && p.EndS <= r.begin:
		return s.refuse("end_s %v is outside the recording, which begins at %v s; correct the lap manifest", p.EndS, r.begin)
	case r.rows < 2:
		return s.refuse("the lap has %d samples, at least 2 are needed; correct start_s and end_s or leave the lap out", r.rows)
	}
	return nil
}

// meanStep is the mean step from the first stamp to the last of those that are there.
func meanStep(t []float64) float64 {
	here := func(v float64) bool { return v-v == 0 }
	first := slices.IndexFunc(t, here)
	last := len(t) - 1
	for last > first && !here(t[last]) {
		last--
	}
	if first < 0 || last <= first {
		return 0
	}
	return (t[last] - t[first]) / float64(last-first)
}

// checkMissing refuses a record in which samples are missing.
func (r *record) checkMissing(s *file, needed []string) error {
	for i := range r.cols {
		col := r.wide(i)
		n, first := 0, 0
		for k, v := range col {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				if n == 0 {
					first = k
				}
				n++
			}
		}
		if n > 0 {
			return s.refuse("column %q: %d of %d samples are missing or not finite, the first on %s %d; fill them at the source or leave the lap out",
				needed[i], n, r.rows, r.place, r.at(first))
		}
	}
	return nil
}

// outputs tables the signals and their quality.
func (p Params) outputs(s *file, parts []*part) ([]stages.Output, error) {
	n := len(p.Channels)
	out, names, all := make([]stages.Output, n+1), make([]string, n), make([]quality, n)
	err := s.hands.Each(n, func(i int) (err error) {
		q := parts[slices.IndexFunc(parts, func(q *part) bool { return q.of[i] >= 0 })]
		names[i] = p.Channels[i].Name
		out[i], all[i], err = p.output(s, q, i)
		return err
	})
	if err != nil {
		return nil, err
	}
	out[n] = stages.Output{Name: QualityOutput, Frame: qualityFrame(names, all)}
	return out, nil
}

// output tables the signal of the i-th channel.
func (p Params) output(s *file, q *part, i int) (stages.Output, quality, error) {
	c, x := p.Channels[i], q.series(i)
	if err := q.line.checkLost(s, q.rec, x, c, p.Time.Column); err != nil {
		return stages.Output{}, quality{}, err
	}
	cols := []frame.Column{x.column(c.Unit)}
	if x.axis.times != nil {
		cols = append(cols, frame.Col("time_s", "s", x.axis.times))
	}
	attrs := []frame.Attr{frame.Num("rate_hz", "Hz", x.axis.rate), frame.Num("start_s", "s", x.axis.start)}
	return stages.Output{Name: c.Name, Frame: frame.Must(attrs, cols...)}, p.judge(q.rec, q.line, x, i), nil
}

// series takes the samples of the i-th channel.
func (q *part) series(i int) *series {
	c := &q.columns[q.of[i]]
	c.once.Do(func() {
		c.taken = q.take(q.of[i])
		c.taken.axis.nominal += q.line.lacking(c.taken.axis.rate)
	})
	return &c.taken
}

// take takes the samples of a column, as single precision where they are.
func (q *part) take(k int) series {
	if q.rec.single(k) && q.line.rows == nil && lanes.Finite(q.rec.lean[k]) {
		return q.line.whole(q.rec.lean[k])
	}
	out := q.line.series(q.rec.wide(k), q.rec.finite)
	out.lean = frame.Narrow(out.x, takeRoom[float32](&leanRooms, len(out.x)))
	return out
}

// column tables the samples.
func (c *series) column(unit string) frame.Column {
	if c.lean != nil {
		return frame.Col("value", unit, c.lean)
	}
	return frame.Lean("value", unit, c.x)
}

// judge computes the quality of the i-th channel.
func (p Params) judge(r *record, l *timeline, x *series, i int) quality {
	column, time := p.Channels[i].Column, p.Time.Column
	var q quality
	spot := func(k int) site { return l.place(r, rowOf(x.rows, k), column) }
	if x.lean != nil {
		q = assess(x.lean, &x.axis, p.rangeOf(i), spot)
	} else {
		q = assess(x.x, &x.axis, p.rangeOf(i), spot)
	}
	q.gapAt, q.missingAt, q.backwardAt = x.placeOfGap(l, r, column, time), nowhere(), nowhere()
	q.missing, q.backward = x.missing, int64(len(l.backward))
	if q.missing > 0 {
		if _, without := slices.BinarySearch(l.unstamped, x.missingRow); without {
			column = time
		}
		q.missingAt = l.place(r, x.missingRow, column)
	}
	if q.backward > 0 {
		q.backwardAt = l.place(r, l.backward[0], time)
		q.backwardAt.at += l.fall(r)
	}
	return q
}
