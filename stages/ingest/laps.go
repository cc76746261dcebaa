package ingest

import (
	"context"
	"fmt"
	"math"

	"lapwear/stages"
)

// Track is what finding the laps of a recording needs of it.
type Track struct {
	Times   []float64   // s on the recording's axis, increasing
	Columns [][]float64 // of each channel asked for; NaN where there is no finite sample
	// Passed is how many rows were passed over, because their time is missing or does
	// not advance beyond all before it; PassedAt names the first of them.
	Passed   int
	PassedAt string
}

// ReadTrack reads whole columns of a recording with its time axis, which is the one
// that Params.StartS and EndS cut on. Samples may be missing. A channel without a unit
// takes any. The error is a Refusal when the content is at fault.
func ReadTrack(ctx context.Context, path string, axis Time, channels []Channel) (*Track, error) {
	p := Params{Time: axis, Channels: channels, StartS: math.NaN(), EndS: math.NaN()}
	if err := p.validate(); err != nil {
		return nil, err
	}
	s, err := openFile(path)
	if err != nil {
		return nil, err
	}
	t, err := p.track(ctx, s)
	if err = s.finish(err); err != nil {
		return nil, err
	}
	return t, nil
}

func (p Params) track(ctx context.Context, s *file) (*Track, error) {
	needed, of := p.columns()
	src, err := s.open(needed)
	if err != nil {
		return nil, err
	}
	defer src.close()
	if err := p.checkUnits(s, src, of); err != nil {
		return nil, err
	}
	rec, err := src.read(ctx, newCursor(p))
	if err != nil {
		return nil, err
	}
	if rec.rows == 0 {
		return nil, s.refuse("it has no samples; export it again")
	}
	rec.widen()
	if p = p.regrid(rec); p.Time.Column != "" && !p.gridded() {
		rec.joinSplit()
	}
	if err := p.checkPackets(s, rec); err != nil {
		return nil, err
	}
	t := p.trackOf(rec, of)
	if len(t.Times) == 0 {
		return nil, s.refuse("column %q: every time is missing; name another time column", p.Time.Column)
	}
	return t, nil
}

// trackOf takes the rows whose time advances.
func (p Params) trackOf(rec *record, of []int) *Track {
	t := &Track{Times: make([]float64, rec.rows), Columns: make([][]float64, len(of))}
	for i := range t.Times {
		t.Times[i] = p.timeOf(rec, i)
	}
	rows := advancing(t.Times)
	n := rec.rows
	if rows != nil {
		n = len(rows)
		for i, row := range rows {
			t.Times[i] = t.Times[row]
		}
		first := 0
		for first < n && rows[first] == first {
			first++
		}
		t.Times, t.Passed, t.PassedAt = t.Times[:n], rec.rows-n, rec.spot(first, "")
	}
	for k, at := range of {
		t.Columns[k] = make([]float64, n)
		for i := range t.Columns[k] {
			t.Columns[k][i] = finite(rec.cols[at][rowOf(rows, i)])
		}
	}
	return t
}

// timeOf is the time of a row in s.
func (p Params) timeOf(r *record, row int) float64 {
	if p.Time.Column == "" {
		return float64(row) / p.Time.Rate
	}
	return seconds(r.cols[0][row], p.Time.Scale)
}

// finite returns v, or NaN when it is infinite.
func finite(v float64) float64 {
	if math.IsInf(v, 0) {
		return math.NaN()
	}
	return v
}

// Marks says how a column marks the laps.
type Marks string

// The ways of marking laps.
const (
	AnyMarks Marks = ""        // whichever of the others the samples look like
	Counter  Marks = "counter" // whole numbers that rise by 1 or go back to 0 where a lap begins
	Trigger  Marks = "trigger" // rests, and rises through the middle of its range where a lap begins
)

// Stretch is the samples From <= i < To of a recording. It is partial where it begins
// or ends with the recording instead of a mark.
type Stretch struct {
	From, To int
	Number   int64 // the counter's value; of a trigger, the marks up to and with the one it begins at
	Partial  bool
}

// LapMarks is a recording divided at its marks: the stretches follow each other
// without a gap, from the first sample to the last.
type LapMarks struct {
	As        Marks
	Stretches []Stretch
	Notes     []string // what a person should look at
}

// What tells marks from flicker, and a trigger from another signal. Common practice,
// no source.
const (
	flickerS   = 0.5  // s; a counter's value or a trigger's rest that lasts less is none
	pulseS     = 10.0 // s; no trigger stays longer off its rest
	bounceS    = 3.0  // s; a trigger's mark that is nearer to the one before may be its bounce
	restShare  = 0.8  // of a trigger's samples that are at rest, at least,
	restSpread = 0.1  // which is as close to its mean, in ranges of the signal
	maxWhole   = 1 << 53
	shownNotes = 5 // of one kind
)

// FindLaps divides a recording at the marks in a column, given the time of every
// sample in s. A missing sample (NaN) is taken to be like the one before it. The error
// is a Refusal: the column marks no laps in that way.
func FindLaps(times, column []float64, as Marks) (*LapMarks, error) {
	if len(times) != len(column) {
		return nil, fmt.Errorf("find laps: %d times for %d samples; give each sample its time", len(times), len(column))
	}
	x, missing := held(column)
	if missing == len(x) {
		return nil, stages.Refuse("it has no samples; name another column")
	}
	m := &marker{times: times, x: x}
	if missing > 0 && !isSlower(column) {
		m.note("%d of %d samples are missing; the value before them is taken to last", missing, len(x))
		m.noteMissing(column)
	}
	switch as {
	case Counter:
		return m.counter()
	case Trigger:
		return m.trigger()
	case AnyMarks:
		return m.either()
	}
	return nil, fmt.Errorf("find laps as %q: want %s or %s", as, Counter, Trigger)
}

// isSlower tells whether a column has a sample in every so many rows and nowhere else.
func isSlower(column []float64) bool {
	var rows []int
	for i, v := range column {
		if v-v == 0 {
			rows = append(rows, i)
		}
	}
	if len(rows) < leastGrid {
		return false
	}
	every := gridOf(rows, len(column))
	return rows[0] < every && len(column)-rows[len(rows)-1] <= every && regular(rows, every)
}

// held fills every missing sample with the one before it, and those at the beginning
// with the first.
func held(x []float64) (out []float64, missing int) {
	out = make([]float64, len(x))
	last := math.NaN()
	for i, v := range x {
		if v-v == 0 {
			if last != last {
				for k := range i {
					out[k] = v
				}
			}
			last = v
		} else {
			missing++
		}
		out[i] = last
	}
	return out, missing
}

// marker looks for marks in a column.
type marker struct {
	times, x []float64
	notes    []string
	counts   map[string]int
}

// note adds a note. The format is its kind, of which only the first few are kept.
func (m *marker) note(format string, args ...any) {
	if m.counts == nil {
		m.counts = map[string]int{}
	}
	m.counts[format]++
	switch n := m.counts[format]; {
	case n <= shownNotes:
		m.notes = append(m.notes, fmt.Sprintf(format, args...))
	case n == shownNotes+1:
		m.notes = append(m.notes, "and more of the kind")
	}
}

// noteMissing names the stretches without a sample that may hide a mark: longer ones than
// flicker at whose end the column has another value.
func (m *marker) noteMissing(column []float64) {
	from := -1 // the last sample that is there
	for i, v := range column {
		if v-v != 0 {
			continue
		}
		if from >= 0 && i-from > 1 && v != column[from] && m.times[i]-m.times[from] > flickerS {
			m.note("samples are missing from %v to %v s, where the column goes from %v to %v: a mark there is taken to be at the end; look at the laps before and after",
				m.times[from], m.times[i], column[from], v)
		}
		from = i
	}
}

// either settles what the column is by its samples.
func (m *marker) either() (*LapMarks, error) {
	runs, whole := m.plateaus()
	if whole && isCounter(m.settle(runs)) {
		return m.counter()
	}
	switch lo, hi := extremes(m.x); {
	case lo == hi && !whole:
		return nil, stages.Refuse("it is %v throughout and marks no lap; name another column", lo)
	case lo == hi:
		return m.counter()
	case m.isTrigger(lo, hi):
		return m.trigger()
	}
	return nil, stages.Refuse("it looks like neither a lap counter (whole numbers that rise by 1 or go back to 0) nor a lap trigger (at rest, with short pulses); " +
		"name another column, or say which it is with --as counter or --as trigger")
}

// plateau is a run of equal samples, from one to the next plateau's.
type plateau struct {
	from  int
	value int64
}

// plateaus lists the runs of equal samples; whole is false when a sample is not a
// whole number, and the list then ends before it.
func (m *marker) plateaus() (runs []plateau, whole bool) {
	for i, v := range m.x {
		if v != math.Trunc(v) || math.Abs(v) > maxWhole {
			return runs, false
		}
		if i == 0 || v != m.x[i-1] {
			runs = append(runs, plateau{i, int64(v)})
		}
	}
	return runs, true
}

// lasts is how long a plateau lasts in s, as far as the recording shows.
func (m *marker) lasts(runs []plateau, i int) float64 {
	end := len(m.times) - 1
	if i+1 < len(runs) {
		end = runs[i+1].from
	}
	return m.times[end] - m.times[runs[i].from]
}

// settle leaves the plateaus out that flicker: the value before them lasts until the
// next one that stays. At the ends of a recording a short plateau is a counter that
// was cut off, if it is 1 from its neighbour in the right direction.
func (m *marker) settle(runs []plateau) []plateau {
	var out []plateau
	for i, r := range runs {
		n := len(out)
		switch {
		case m.lasts(runs, i) >= flickerS:
		case len(runs) == 1:
		case i == 0 && runs[1].value == r.value+1 && m.lasts(runs, 1) >= flickerS:
		case i == len(runs)-1 && n > 0 && r.value == out[n-1].value+1:
		default:
			continue
		}
		if n > 0 && out[n-1].value == r.value {
			continue
		}
		if n == 0 {
			r.from = 0
		}
		out = append(out, r)
	}
	if len(out) == 0 {
		out = append(out, plateau{0, runs[0].value})
	}
	return out
}

// isCounter tells whether settled plateaus go on as a counter does: mostly by 1. A
// value that only goes between two neighbours, to and fro, is rather a pulse.
func isCounter(runs []plateau) bool {
	var ones, resets, others int
	lo, hi := runs[0].value, runs[0].value
	for i := 1; i < len(runs); i++ {
		was, is := runs[i-1].value, runs[i].value
		lo, hi = min(lo, is), max(hi, is)
		switch {
		case is == was+1:
			ones++
		case is == 0 && was > 0:
			resets++
		default:
			others++
		}
	}
	return ones > others && (hi-lo >= 2 || resets+others == 0)
}

func extremes(x []float64) (lo, hi float64) {
	lo, hi = x[0], x[0]
	for _, v := range x {
		lo, hi = min(lo, v), max(hi, v)
	}
	return lo, hi
}

// isTrigger tells whether the column is mostly at rest, with short pulses up or down.
func (m *marker) isTrigger(lo, hi float64) bool {
	mid := middle(lo, hi)
	runs, up := m.sides(mid)
	for i, r := range runs {
		if (r.value == 1) == up && m.lasts(runs, i) > pulseS {
			return false
		}
	}
	return m.restShare(mid, up, restSpread*(hi-lo)) >= restShare
}

// restShare is the share of samples within a distance of the mean of one side.
func (m *marker) restShare(mid float64, below bool, within float64) float64 {
	mean, n := 0.0, 0.0
	for _, v := range m.x {
		if (v < mid) == below {
			n++
			mean += (v - mean) / n
		}
	}
	near := 0
	for _, v := range m.x {
		if math.Abs(v-mean) <= within {
			near++
		}
	}
	return float64(near) / float64(len(m.x))
}

// middle is halfway between, without overflow.
func middle(lo, hi float64) float64 { return lo/2 + hi/2 }

// counter divides the recording at each change of a counter.
func (m *marker) counter() (*LapMarks, error) {
	runs, whole := m.plateaus()
	if !whole {
		bad := 0
		for m.x[bad] == math.Trunc(m.x[bad]) && math.Abs(m.x[bad]) <= maxWhole {
			bad++
		}
		return nil, stages.Refuse("it is %v at %v s, and a lap counter has whole numbers; name another column, or say --as trigger", m.x[bad], m.times[bad])
	}
	kept := m.settle(runs)
	m.noteFlicker(runs, kept)
	from, numbers := make([]int, len(kept)), make([]int64, len(kept))
	for i, r := range kept {
		from[i], numbers[i] = r.from, r.value
		if i > 0 {
			m.noteStep(kept[i-1].value, r)
		}
	}
	return m.divide(Counter, from, numbers), nil
}

// noteFlicker names the plateaus that were left out.
func (m *marker) noteFlicker(runs, kept []plateau) {
	stays := make(map[plateau]bool, len(kept))
	for _, r := range kept {
		stays[r] = true
	}
	now := 0 // the kept plateau that a run lies in
	for i, r := range runs {
		for now+1 < len(kept) && kept[now+1].from <= r.from {
			now++
		}
		if !stays[r] && r.value != kept[now].value {
			m.note("the counter is %d for %.3g s at %v s, which is ignored as flicker", r.value, m.lasts(runs, i), m.times[r.from])
		}
	}
}

// noteStep names a change that is not a counter's usual one.
func (m *marker) noteStep(was int64, r plateau) {
	at := m.times[r.from]
	switch {
	case r.value == was+1:
	case r.value > was:
		m.note("the counter jumps from %d to %d at %v s: look at the laps before and after", was, r.value, at)
	case r.value == 0:
		m.note("the counter goes back from %d to 0 at %v s: look whether the laps before and after are whole", was, at)
	default:
		m.note("the counter falls from %d to %d at %v s: look at the laps before and after", was, r.value, at)
	}
}

// trigger divides the recording at each rise through the middle of the range. Where
// the rest between two pulses is shorter than flickerS, they are one.
func (m *marker) trigger() (*LapMarks, error) {
	lo, hi := extremes(m.x)
	if lo == hi {
		return nil, stages.Refuse("it is %v throughout, and a lap trigger has pulses; name another column, or say --as counter", lo)
	}
	runs, up := m.sides(middle(lo, hi))
	from, numbers := []int{0}, []int64{0}
	for i := 1; i < len(runs); i++ {
		at := runs[i].from
		rest, within := i-1, i > 1 // pulses up: the rest before the rise; not one that the recording begins in
		if !up {
			rest, within = i, i+1 < len(runs) // pulses down: the rest after it; not one that the recording ends in
		}
		switch {
		case runs[i].value == 0:
		case within && m.lasts(runs, rest) < flickerS:
			m.note("the trigger rests for %.3g s beside its rise at %v s, which is ignored as flicker", m.lasts(runs, rest), m.times[at])
		default:
			if before := m.times[at] - m.times[from[len(from)-1]]; len(from) > 1 && before < bounceS {
				m.note("the trigger rises at %v s and %.3g s before that: if it bounces, the lap began at the first rise", m.times[at], before)
			}
			from, numbers = append(from, at), append(numbers, int64(len(from)))
		}
	}
	return m.divide(Trigger, from, numbers), nil
}

// sides lists the runs of samples below mid (0) and from it on (1). up tells that the
// column is mostly below.
func (m *marker) sides(mid float64) (runs []plateau, up bool) {
	high := 0
	for i, v := range m.x {
		side := int64(0)
		if v >= mid {
			side = 1
			high++
		}
		if i == 0 || side != runs[len(runs)-1].value {
			runs = append(runs, plateau{i, side})
		}
	}
	return runs, 2*high <= len(m.x)
}

// divide makes the stretches that begin at the given samples, the first of which is 0.
func (m *marker) divide(as Marks, from []int, numbers []int64) *LapMarks {
	out := &LapMarks{As: as, Notes: m.notes, Stretches: make([]Stretch, len(from))}
	for i := range from {
		s := Stretch{From: from[i], To: len(m.x), Number: numbers[i], Partial: i == 0 || i == len(from)-1}
		if i+1 < len(from) {
			s.To = from[i+1]
		}
		out.Stretches[i] = s
	}
	return out
}
