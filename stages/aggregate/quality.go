package aggregate

import (
	"context"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// The verdict on a lap's channel, from the mildest on: it is that of its gravest
// finding which nobody accepted; accepted when there are only accepted ones and notes.
const (
	verdictOK       = "ok"
	verdictNote     = string(Note)
	verdictAccepted = "accepted"
	verdictWarn     = string(Warn)
	verdictSetAside = string(SetAside)
)

// qualityRow is a row of the table quality; NaN = not known.
type qualityRow struct {
	lap, channel, verdict, reason, findings, accepted string
	compared, stale, concerns, use, scenario          string
	samples, gaps, spikes, clipped, missing, backward int64
	rate, flat, drift, step, ratio, lost              float64
}

// field is a column of a frame, and where a row has its value: one of text, count and number.
type field[R any] struct {
	name, unit string
	text       func(r *R) *string
	count      func(r *R) *int64
	number     func(r *R) *float64
}

// readFields copies columns of a frame into rows.
func readFields[R any](f *frame.Frame, rows []R, fields []field[R]) error {
	for _, c := range fields {
		var err error
		switch {
		case c.text != nil:
			err = fill(f, c.name, rows, frame.Get[[]string], c.text)
		case c.count != nil:
			err = fill(f, c.name, rows, frame.Get[[]int64], c.count)
		default:
			err = fill(f, c.name, rows, frame.Get[[]float64], c.number)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// fill copies a column of a frame to where rows have its values.
func fill[R, E any](f *frame.Frame, name string, rows []R, get func(*frame.Frame, string) ([]E, error), at func(r *R) *E) error {
	return take(f, name, rows, get, func(r *R, v E) { *at(r) = v })
}

// qualityFields are the columns of the table in their order.
var qualityFields = []field[qualityRow]{
	{name: "lap_id", text: func(r *qualityRow) *string { return &r.lap }},
	{name: "channel", text: func(r *qualityRow) *string { return &r.channel }},
	{name: "samples", count: func(r *qualityRow) *int64 { return &r.samples }},
	{name: "rate_hz", unit: "Hz", number: func(r *qualityRow) *float64 { return &r.rate }},
	{name: "gaps", count: func(r *qualityRow) *int64 { return &r.gaps }},
	{name: "spikes", count: func(r *qualityRow) *int64 { return &r.spikes }},
	{name: "clipped", count: func(r *qualityRow) *int64 { return &r.clipped }},
	{name: "flat_s", unit: "s", number: func(r *qualityRow) *float64 { return &r.flat }},
	{name: "drift", number: func(r *qualityRow) *float64 { return &r.drift }},
	{name: "verdict", text: func(r *qualityRow) *string { return &r.verdict }},
	{name: "reason", text: func(r *qualityRow) *string { return &r.reason }},
	{name: "missing", count: func(r *qualityRow) *int64 { return &r.missing }},
	{name: "backward", count: func(r *qualityRow) *int64 { return &r.backward }},
	{name: "steps", number: func(r *qualityRow) *float64 { return &r.step }},
	{name: "level_ratio", number: func(r *qualityRow) *float64 { return &r.ratio }},
	{name: "findings", text: func(r *qualityRow) *string { return &r.findings }},
	{name: "accepted", text: func(r *qualityRow) *string { return &r.accepted }},
	{name: "lost_share", number: func(r *qualityRow) *float64 { return &r.lost }},
	{name: "compared", text: func(r *qualityRow) *string { return &r.compared }},
	{name: "stale", text: func(r *qualityRow) *string { return &r.stale }},
	{name: "concerns", text: func(r *qualityRow) *string { return &r.concerns }},
	{name: "use", text: func(r *qualityRow) *string { return &r.use }},
	{name: "scenario", text: func(r *qualityRow) *string { return &r.scenario }},
}

func qualityFrame(rows []qualityRow) *frame.Frame {
	t := layout[qualityRow]{rows: rows}
	for _, f := range qualityFields {
		switch {
		case f.text != nil:
			t.text(f.name, func(r *qualityRow) string { return *f.text(r) })
		case f.count != nil:
			t.count(f.name, func(r *qualityRow) int64 { return *f.count(r) })
		default:
			t.number(f.name, f.unit, func(r *qualityRow) float64 { return *f.number(r) })
		}
	}
	return t.frame()
}

func readQuality(f *frame.Frame) ([]qualityRow, error) {
	rows := make([]qualityRow, f.Rows())
	return rows, readFields(f, rows, qualityFields)
}

// take copies a column of a frame into rows.
func take[R, E any](f *frame.Frame, name string, rows []R, get func(*frame.Frame, string) ([]E, error), set func(r *R, v E)) error {
	v, err := get(f, name)
	if err != nil {
		return err
	}
	for i := range rows {
		set(&rows[i], v[i])
	}
	return nil
}

// Quality lays out the table quality from verdicts: a row a lap and channel that was
// read, and a row without channel for a lap that could not be read. A lap's channel
// that is judged more than once, for another use, scenario or hot spot, has another row
// only where the verdict or the findings are others. Its column concerns lists, unless
// all is well, the hot spots for which the verdict holds, as scenario/hotspot.
type Quality struct{ Parts []QualityPart }

// QualityPart says whose verdicts an input has; its label is QualityLabel of its place.
// Verdicts on a calibration's laps concern Hotspots alone.
type QualityPart struct {
	Use, Scenario string
	Hotspots      []string
}

// QualityLabel is the label of the i-th part.
func QualityLabel(i int) string { return "verdicts/" + strconv.Itoa(i) }

// Name returns "aggregate".
func (Quality) Name() string { return Name }

// Revision returns the package's Revision.
func (Quality) Revision() int { return Revision }

// Outputs names the table.
func (Quality) Outputs() []string { return tableAlone }

// AddTo adds the parameters to a key.
func (t Quality) AddTo(h *key.Hasher) {
	h.String("table", "quality")
	for i, p := range t.Parts {
		h.String(QualityLabel(i)+".use", p.Use)
		h.String(QualityLabel(i)+".scenario", p.Scenario)
		for _, s := range p.Hotspots {
			h.String(QualityLabel(i)+".hotspot", s)
		}
	}
}

// Run lays out the table.
func (t Quality) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	m := merged{stale: map[string][]string{}}
	for i, p := range t.Parts {
		f, err := in.Frame(QualityLabel(i))
		if err != nil {
			return nil, err
		}
		rows, err := readQuality(f)
		if err != nil {
			return nil, err
		}
		if i == 0 { // the others mostly have the same rows
			m.at, m.rows = make(map[[5]string]int, len(rows)), make([]qualityRow, 0, len(rows))
		}
		for k := range rows {
			m.add(&rows[k], p)
		}
	}
	for i := range m.rows {
		m.rows[i].stale = strings.Join(m.stale[m.rows[i].lap], ";")
	}
	return []stages.Output{{Name: Output, Frame: qualityFrame(m.rows)}}, nil
}

// merged are the rows of several parts; stale is, by lap, what is stale in all parts.
type merged struct {
	rows  []qualityRow
	at    map[[5]string]int
	stale map[string][]string
}

func (m *merged) add(r *qualityRow, p QualityPart) {
	stale := listed(r.stale)
	if others, judged := m.stale[r.lap]; judged {
		stale = slices.DeleteFunc(slices.Clone(others), func(c string) bool { return !slices.Contains(stale, c) })
	}
	m.stale[r.lap] = stale
	k := [5]string{r.lap, r.channel, r.verdict, r.findings, r.accepted}
	at, shown := m.at[k]
	if !shown {
		at = len(m.rows)
		m.at[k] = at
		m.rows = append(m.rows, *r)
		first := &m.rows[at]
		first.use, first.scenario, first.concerns = p.Use, p.Scenario, ""
	}
	spots := listed(r.concerns)
	if len(p.Hotspots) > 0 && r.verdict != verdictOK {
		spots = p.Hotspots
	}
	row := &m.rows[at]
	for _, s := range spots {
		label := p.Scenario + "/" + s
		if p.Use != "season" {
			label += " " + p.Use
		}
		if have := listed(row.concerns); !slices.Contains(have, label) {
			row.concerns = strings.Join(append(have, label), ";")
		}
	}
}

// Uncompared lists the laps of which the table quality says of a channel's level that
// it was compared with no other lap's. There may be no table.
func Uncompared(quality *frame.Frame) ([]string, error) {
	if quality == nil {
		return nil, nil
	}
	v, err := textColumns(quality, "lap_id", "compared", "verdict")
	if err != nil {
		return nil, err
	}
	laps, compared, verdict := v[0], v[1], v[2]
	var out []string
	for i, lap := range laps {
		if strings.HasPrefix(compared[i], notCompared) && verdict[i] != verdictSetAside && !slices.Contains(out, lap) {
			out = append(out, lap)
		}
	}
	return out, nil
}

// Stale reads from the table quality what of each lap was accepted and is found no more.
// There may be no table.
func Stale(quality *frame.Frame) (map[string][]string, error) {
	out := map[string][]string{}
	if quality == nil {
		return out, nil
	}
	v, err := textColumns(quality, "lap_id", "stale")
	if err != nil {
		return nil, err
	}
	for i, lap := range v[0] {
		out[lap] = listed(v[1][i])
	}
	return out, nil
}

// textColumns returns some columns of a frame that hold texts.
func textColumns(f *frame.Frame, names ...string) ([][]string, error) {
	out := make([][]string, len(names))
	for i, name := range names {
		var err error
		if out[i], err = frame.Get[[]string](f, name); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// figures are what ingest found in a lap's channel. Places are texts, "" if not known.
type figures struct {
	qualityRow
	number                               int // the channel's place among those that are judged, from 1
	gapSteps, unsteady, duration, level  float64
	sentinel                             float64
	sentinels                            int64
	sentinelsAt                          string
	missingAt, backwardAt, gapAt         string
	spikesAt, flatAt, clippedAt, stepsAt string
	dead                                 float64
	deadAt                               string
	digest                               string
	sketch                               string
}

// sharesTime tells whether two channels of a lap have one time axis, as far as can be
// seen.
func (r *figures) sharesTime(o *figures) bool {
	same := func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) }
	return r.gaps == o.gaps && r.gapAt == o.gapAt && same(r.gapSteps, o.gapSteps) && same(r.rate, o.rate) &&
		same(r.unsteady, o.unsteady) && same(r.lost, o.lost)
}

// figureFields are the columns of ingest's quality that are judged.
var figureFields = []field[figures]{
	{name: "channel", text: func(r *figures) *string { return &r.channel }},
	{name: "samples", count: func(r *figures) *int64 { return &r.samples }},
	{name: "rate_hz", number: func(r *figures) *float64 { return &r.rate }},
	{name: "gaps", count: func(r *figures) *int64 { return &r.gaps }},
	{name: "spikes", count: func(r *figures) *int64 { return &r.spikes }},
	{name: "spikes_at", text: func(r *figures) *string { return &r.spikesAt }},
	{name: "sentinel", number: func(r *figures) *float64 { return &r.sentinel }},
	{name: "sentinels", count: func(r *figures) *int64 { return &r.sentinels }},
	{name: "sentinels_at", text: func(r *figures) *string { return &r.sentinelsAt }},
	{name: "clipped", count: func(r *figures) *int64 { return &r.clipped }},
	{name: "clipped_at", text: func(r *figures) *string { return &r.clippedAt }},
	{name: "flat_s", number: func(r *figures) *float64 { return &r.flat }},
	{name: "flat_at", text: func(r *figures) *string { return &r.flatAt }},
	{name: "dead_share", number: func(r *figures) *float64 { return &r.dead }},
	{name: "dead_at", text: func(r *figures) *string { return &r.deadAt }},
	{name: "drift", number: func(r *figures) *float64 { return &r.drift }},
	{name: "missing", count: func(r *figures) *int64 { return &r.missing }},
	{name: "missing_at", text: func(r *figures) *string { return &r.missingAt }},
	{name: "backward", count: func(r *figures) *int64 { return &r.backward }},
	{name: "backward_at", text: func(r *figures) *string { return &r.backwardAt }},
	{name: "gap_steps", number: func(r *figures) *float64 { return &r.gapSteps }},
	{name: "gap_at", text: func(r *figures) *string { return &r.gapAt }},
	{name: "unsteady", number: func(r *figures) *float64 { return &r.unsteady }},
	{name: "lost_share", number: func(r *figures) *float64 { return &r.lost }},
	{name: "duration_s", number: func(r *figures) *float64 { return &r.duration }},
	{name: "step", number: func(r *figures) *float64 { return &r.step }},
	{name: "steps_at", text: func(r *figures) *string { return &r.stepsAt }},
	{name: "level", number: func(r *figures) *float64 { return &r.level }},
	{name: "digest", text: func(r *figures) *string { return &r.digest }},
	{name: "sketch", text: func(r *figures) *string { return &r.sketch }},
}

// readFigures reads ingest's quality of a lap.
func readFigures(lap string, f *frame.Frame) ([]figures, error) {
	rows := make([]figures, f.Rows())
	for i := range rows {
		rows[i].lap, rows[i].ratio, rows[i].lost = lap, math.NaN(), math.NaN()
	}
	return rows, readFields(f, rows, figureFields)
}
