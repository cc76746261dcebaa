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
// as the recording does. Nothing is repaired: a row in which a sample is missing or
// whose stamp does not advance is left out, its neighbours are joined, the stamps are
// kept, and the quality counts it. Whether such a lap is used is judged elsewhere. Line breaks
// within quoted cells are not read. The dialect is found at the beginning: the
// header must stand within the first 1000 lines and the first MiB.
package ingest

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"strconv"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Revision is raised whenever equal recordings may give other outputs than before.
const Revision = 1

// QualityOutput is the name of the output with the channels' quality. No channel has
// it: a season refuses a channel of this name.
const QualityOutput = "(quality)"

// Time says what a recording's time axis is.
type Time struct {
	Column string  // empty when there is none
	Scale  float64 // s per unit of the column
	Rate   float64 // Hz, used when there is no column; the first sample is at 0 s
}

// Channel says where a signal is in the recording and in which unit.
type Channel struct{ Name, Column, Unit string }

// Params binds the stage. It reads the file of its inputs and gives one output a
// channel, in the order of Channels, and the output QualityOutput.
//
// A channel's output has the column value in the channel's unit, the attributes
// rate_hz (nominal) and start_s (time of the first sample on the recording's axis),
// and, where the stamps are not uniform, the column time_s.
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
	// KeepSignals says that the signals are worth storing, because the recording is
	// text, which takes longer to read. It is no part of the result.
	KeepSignals bool
}

// Name returns the stage's name.
func (p Params) Name() string { return "ingest" }

// Revision returns the package's Revision.
func (p Params) Revision() int { return Revision }

// AddTo adds all parameters but KeepSignals.
func (p Params) AddTo(h *key.Hasher) {
	h.String("time_column", p.Time.Column)
	h.Float("time_scale_s", p.Time.Scale)
	h.Float("time_rate_hz", p.Time.Rate)
	h.Int("channels", int64(len(p.Channels)))
	for i, c := range p.Channels {
		label := "channel." + strconv.Itoa(i)
		h.String(label+".name", c.Name)
		h.String(label+".column", c.Column)
		h.String(label+".unit", c.Unit)
		h.Float(label+".range", p.rangeOf(i))
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

// Keeps tells whether an output is worth storing: the quality always, the signals
// when KeepSignals is set.
func (p Params) Keeps(output string) bool { return output == QualityOutput || p.KeepSignals }

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
	s, err := openFile(in.File.Path)
	if err != nil {
		return nil, err
	}
	s.nameless = true
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
	cur := newCursor(p)
	cur.lenient = true
	rec, err := src.read(ctx, cur)
	if err != nil {
		return nil, err
	}
	if err := p.checkExtent(s, rec); err != nil {
		return nil, err
	}
	lost, err := p.leaveOut(s, rec, needed)
	if err != nil {
		return nil, err
	}
	ax, err := p.axis(s, rec)
	if err != nil {
		return nil, err
	}
	return p.outputs(rec, of, ax, lost), nil
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
	for _, unit := range src.units(0) {
		if contradictsScale(unit, p.Time.Scale) {
			return s.refuse("column %q: the recording says %q, the season a unit of %v s; correct the unit of time or the recording",
				p.Time.Column, unit, p.Time.Scale)
		}
	}
	return nil
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
	} else if r.rows >= 2 {
		t := r.cols[0]
		step = (t[r.rows-1] - t[0]) / float64(r.rows-1) * p.Time.Scale
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

// checkMissing refuses a record in which samples are missing.
func (r *record) checkMissing(s *file, needed []string) error {
	for i, col := range r.cols {
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

// lost says which rows of a lap were left out.
type lost struct {
	missing    []int64  // of each column: rows without a finite value
	missingAt  []string // of each column: the first of them
	backward   int64    // rows whose stamp does not advance beyond all before it
	backwardAt string   // the first of them
}

// leaveOut takes out of the record the rows in which a value is missing or whose
// stamp does not advance. It refuses a lap of which fewer than two rows are left.
func (p Params) leaveOut(s *file, r *record, needed []string) (lost, error) {
	l := lost{missing: make([]int64, len(r.cols)), missingAt: make([]string, len(r.cols))}
	bad := r.findMissing(&l, needed)
	if p.Time.Column != "" {
		bad = r.findBackward(&l, bad, p.Time.Column)
	}
	if bad == nil {
		return l, nil
	}
	left := make([]int, 0, r.rows)
	for i, b := range bad {
		if !b {
			left = append(left, i)
		}
	}
	if len(left) < 2 {
		if err := r.checkMissing(s, needed); err != nil {
			return l, err
		}
		return l, s.refuse("%s: the time does not advance there nor after; time must increase: correct the time column or leave the lap out", l.backwardAt)
	}
	for i, c := range r.cols {
		kept := make([]float64, len(left))
		for k, row := range left {
			kept[k] = c[row]
		}
		r.cols[i] = kept
	}
	r.left, r.rows = left, len(left)
	return l, nil
}

// findMissing marks the rows in which a value is missing; nil when there are none.
func (r *record) findMissing(l *lost, needed []string) (bad []bool) {
	for i, col := range r.cols {
		for k, v := range col {
			if v-v == 0 {
				continue
			}
			if bad == nil {
				bad = make([]bool, r.rows)
			}
			if l.missing[i] == 0 {
				l.missingAt[i] = r.spot(k, needed[i])
			}
			l.missing[i]++
			bad[k] = true
		}
	}
	return bad
}

// findBackward marks the rows whose stamp does not advance.
func (r *record) findBackward(l *lost, bad []bool, column string) []bool {
	last := math.Inf(-1)
	for k, t := range r.cols[0] {
		switch {
		case bad != nil && bad[k]:
		case t > last:
			last = t
		default:
			if bad == nil {
				bad = make([]bool, r.rows)
			}
			if l.backward == 0 {
				l.backwardAt = r.spot(k, column)
			}
			l.backward++
			bad[k] = true
		}
	}
	return bad
}

// axis is the time axis of a lap.
type axis struct {
	rate, start float64
	times       []float64 // s; nil when uniform
	gaps        int
	gapSteps    float64 // the longest gap in nominal steps; 0 without gaps
	gapAt       string  // the row after it
	unsteady    float64 // see quality
}

// axis finds the lap's time axis. A lap that is more gap than samples is refused:
// no setting can make it usable, and to fill it could take any amount of memory.
func (p Params) axis(s *file, r *record) (axis, error) {
	t, scale, pace := r.cols[0], p.Time.Scale, pace{step: 1, uniform: true}
	a := axis{rate: p.Time.Rate}
	switch {
	case p.Time.Column != "":
		if pace = paceOf(t); r.left != nil {
			pace = paceOfRows(t, r.left)
		}
		a.rate = roundRate(1/(pace.step*scale), pace.rel)
	case r.left != nil:
		t = make([]float64, r.rows)
		for i := range t {
			t[i] = float64(r.row(i))
		}
		scale, pace.uniform = 1/p.Time.Rate, false
		pace.measure(t)
	default:
		a.start = float64(r.first) / p.Time.Rate
		return a, nil
	}
	if pace.gaps > 0 {
		a.gaps, a.gapSteps, a.gapAt = pace.gaps, pace.most/pace.step, r.spot(pace.longest, p.Time.Column)
	}
	if pace.most > lostSteps*pace.step && t[len(t)-1]-t[0] > mostlyGap*pace.step*float64(len(t)-1) {
		return a, s.refuse("%s: a gap of %.4g s, over %v nominal steps of %.4g s, and gaps make up over half of the lap; cut the lap where it is whole or leave it out",
			a.gapAt, pace.most*scale, lostSteps, pace.step*scale)
	}
	a.start = seconds(t[0], scale)
	if !pace.uniform {
		a.times = make([]float64, len(t))
		for i, v := range t {
			a.times[i] = seconds(v, scale)
		}
		a.unsteady = pace.unsteady(t)
	}
	return a, nil
}

// outputs tables the signals and their quality.
func (p Params) outputs(r *record, of []int, ax axis, l lost) []stages.Output {
	var out []stages.Output
	var names []string
	var all []quality
	attrs := []frame.Attr{frame.Num("rate_hz", "Hz", ax.rate), frame.Num("start_s", "s", ax.start)}
	for i, c := range p.Channels {
		x := r.cols[of[i]]
		cols := []frame.Column{frame.Col("value", c.Unit, x)}
		if ax.times != nil {
			cols = append(cols, frame.Col("time_s", "s", ax.times))
		}
		out = append(out, stages.Output{Name: c.Name, Frame: frame.Must(attrs, cols...)})
		q := assess(x, ax, p.rangeOf(i))
		q.missing, q.missingAt = l.missing[of[i]], l.missingAt[of[i]]
		if p.Time.Column != "" && l.missing[0] > 0 { // a row without a stamp has no sample of any channel
			q.missing += l.missing[0]
			q.missingAt = cmp.Or(q.missingAt, l.missingAt[0])
		}
		q.backward, q.backwardAt = l.backward, l.backwardAt
		names, all = append(names, c.Name), append(all, q)
	}
	return append(out, stages.Output{Name: QualityOutput, Frame: qualityFrame(names, all)})
}
