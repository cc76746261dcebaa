package aggregate

import (
	"context"
	"math"
	"slices"
	"strconv"

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
	use, scenario                                     string
	samples, gaps, spikes, clipped, missing, backward int64
	rate, flat, drift, step, ratio                    float64
}

// qualityFields are the columns of the table in their order.
var qualityFields = []struct {
	name, unit string
	text       func(r *qualityRow) *string
	count      func(r *qualityRow) *int64
	number     func(r *qualityRow) *float64
}{
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
	for _, c := range qualityFields {
		var err error
		switch {
		case c.text != nil:
			err = take(f, c.name, rows, frame.Get[[]string], func(r *qualityRow, v string) { *c.text(r) = v })
		case c.count != nil:
			err = take(f, c.name, rows, frame.Get[[]int64], func(r *qualityRow, v int64) { *c.count(r) = v })
		default:
			err = take(f, c.name, rows, frame.Get[[]float64], func(r *qualityRow, v float64) { *c.number(r) = v })
		}
		if err != nil {
			return nil, err
		}
	}
	return rows, nil
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
// that is judged more than once, for another use or scenario, has another row only
// where the verdict or the findings are others.
type Quality struct{ Parts []QualityPart }

// QualityPart says whose verdicts an input has; its label is QualityLabel of its place.
type QualityPart struct{ Use, Scenario string }

// QualityLabel is the label of the i-th part.
func QualityLabel(i int) string { return "verdicts/" + strconv.Itoa(i) }

// Name returns "aggregate".
func (Quality) Name() string { return Name }

// Revision returns the package's Revision.
func (Quality) Revision() int { return Revision }

// AddTo adds the parameters to a key.
func (t Quality) AddTo(h *key.Hasher) {
	h.String("table", "quality")
	for i, p := range t.Parts {
		h.String(QualityLabel(i)+".use", p.Use)
		h.String(QualityLabel(i)+".scenario", p.Scenario)
	}
}

// Run lays out the table.
func (t Quality) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	var rows []qualityRow
	shown := map[[5]string]bool{}
	for i, p := range t.Parts {
		f, err := in.Frame(QualityLabel(i))
		if err != nil {
			return nil, err
		}
		more, err := readQuality(f)
		if err != nil {
			return nil, err
		}
		for _, r := range more {
			k := [5]string{r.lap, r.channel, r.verdict, r.findings, r.accepted}
			if shown[k] {
				continue
			}
			shown[k] = true
			r.use, r.scenario = p.Use, p.Scenario
			rows = append(rows, r)
		}
	}
	return []stages.Output{{Name: Output, Frame: qualityFrame(rows)}}, nil
}

// figures are what ingest found in a lap's channel.
type figures struct {
	qualityRow
	gapSteps, unsteady, duration, level float64
	missingAt, backwardAt, gapAt        string
	digest                              string
}

// readFigures reads ingest's quality of a lap.
func readFigures(lap string, f *frame.Frame) ([]figures, error) {
	rows := make([]figures, f.Rows())
	for i := range rows {
		rows[i].lap, rows[i].ratio = lap, math.NaN()
	}
	var err error
	keep := func(e error) {
		if err == nil {
			err = e
		}
	}
	text := func(name string, at func(r *figures) *string) {
		keep(take(f, name, rows, frame.Get[[]string], func(r *figures, v string) { *at(r) = v }))
	}
	count := func(name string, at func(r *figures) *int64) {
		keep(take(f, name, rows, frame.Get[[]int64], func(r *figures, v int64) { *at(r) = v }))
	}
	number := func(name string, at func(r *figures) *float64) {
		keep(take(f, name, rows, frame.Get[[]float64], func(r *figures, v float64) { *at(r) = v }))
	}
	text("channel", func(r *figures) *string { return &r.channel })
	count("samples", func(r *figures) *int64 { return &r.samples })
	number("rate_hz", func(r *figures) *float64 { return &r.rate })
	count("gaps", func(r *figures) *int64 { return &r.gaps })
	count("spikes", func(r *figures) *int64 { return &r.spikes })
	count("clipped", func(r *figures) *int64 { return &r.clipped })
	number("flat_s", func(r *figures) *float64 { return &r.flat })
	number("drift", func(r *figures) *float64 { return &r.drift })
	count("missing", func(r *figures) *int64 { return &r.missing })
	text("missing_at", func(r *figures) *string { return &r.missingAt })
	count("backward", func(r *figures) *int64 { return &r.backward })
	text("backward_at", func(r *figures) *string { return &r.backwardAt })
	number("gap_steps", func(r *figures) *float64 { return &r.gapSteps })
	text("gap_at", func(r *figures) *string { return &r.gapAt })
	number("unsteady", func(r *figures) *float64 { return &r.unsteady })
	number("duration_s", func(r *figures) *float64 { return &r.duration })
	number("step", func(r *figures) *float64 { return &r.step })
	number("level", func(r *figures) *float64 { return &r.level })
	text("digest", func(r *figures) *string { return &r.digest })
	return rows, err
}

// peers are a figure of the laps of one circuit, sorted.
type peers []float64

// fewestPeers is how many other laps a comparison needs: of two, one may be wrong.
const fewestPeers = 3

// others returns the median of all figures but one that is v; NaN with too few.
func (p peers) others(v float64) float64 {
	if len(p) <= fewestPeers {
		return math.NaN()
	}
	without, found := slices.BinarySearch(p, v)
	if !found {
		return math.NaN()
	}
	at := func(i int) float64 {
		if i >= without {
			i++
		}
		return p[i]
	}
	n := len(p) - 1
	if n%2 == 0 {
		return at(n/2-1)/2 + at(n/2)/2
	}
	return at(n / 2)
}

// factor is by how much two numbers differ as a factor of 1 or more; NaN unless both
// are above 0.
func factor(a, b float64) float64 {
	if !(a > 0 && b > 0) {
		return math.NaN()
	}
	return max(a/b, b/a)
}
