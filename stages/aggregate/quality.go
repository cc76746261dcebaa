package aggregate

import (
	"context"
	"math"
	"strconv"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Verdicts of the table quality.
const (
	verdictOK       = "ok"
	verdictSetAside = "set aside"
)

// Quality lays out the table quality: a row a lap and channel that was read, and a
// row without channel for a lap that was set aside before its channels were known.
type Quality struct {
	Laps    []string // the lap of every reading, in order; inputs are labelled by QualityLabel
	Counted []string // the lap of every count, in order; inputs are labelled by CountedLabel
}

// QualityLabel is the label of the i-th reading's figures.
func QualityLabel(i int) string { return "quality/" + strconv.Itoa(i) }

// CountedLabel is the label of the i-th count, of which only the presence matters.
func CountedLabel(i int) string { return "counted/" + strconv.Itoa(i) }

// Name returns "aggregate".
func (Quality) Name() string { return Name }

// Revision returns the package's Revision.
func (Quality) Revision() int { return Revision }

// AddTo adds the parameters to a key.
func (t Quality) AddTo(h *key.Hasher) {
	h.String("table", "quality")
	for i, l := range t.Laps {
		h.String(QualityLabel(i)+".lap", l)
	}
	for i, l := range t.Counted {
		h.String(CountedLabel(i)+".lap", l)
	}
}

// qualityRow is a row of the table.
type qualityRow struct {
	lap, channel, reason           string
	samples, gaps, spikes, clipped int64
	rate, flat, drift              float64
}

// Run lays out the table.
func (t Quality) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	inputs := make(map[string]stages.Input, len(in.Frames))
	for _, i := range in.Frames {
		inputs[i.Label] = i
	}
	// A lap that was read may still have been set aside later, or in another reading.
	reason := map[string]string{}
	note := func(lap, why string) {
		if why != "" && reason[lap] == "" {
			reason[lap] = why
		}
	}
	for i, lap := range t.Laps {
		note(lap, inputs[QualityLabel(i)].Missing)
	}
	for i, lap := range t.Counted {
		note(lap, inputs[CountedLabel(i)].Missing)
	}
	var rows []qualityRow
	shown := map[[2]string]bool{}
	for i, lap := range t.Laps {
		more, err := readings(lap, inputs[QualityLabel(i)])
		if err != nil {
			return nil, err
		}
		for _, r := range more {
			// A lap read once for calibration and once for counting shows a channel once.
			if k := [2]string{lap, r.channel}; !shown[k] {
				shown[k] = true
				r.reason = reason[lap]
				rows = append(rows, r)
			}
		}
	}
	return []stages.Output{{Name: Output, Frame: qualityFrame(rows)}}, nil
}

// readings returns a reading's rows; one row without channel when it failed.
func readings(lap string, in stages.Input) ([]qualityRow, error) {
	if in.Missing != "" {
		nan := math.NaN()
		return []qualityRow{{lap: lap, rate: nan, flat: nan, drift: nan}}, nil
	}
	f, err := in.Get()
	if err != nil {
		return nil, err
	}
	rows := make([]qualityRow, f.Rows())
	for i := range rows {
		rows[i].lap = lap
	}
	if err := take(f, "channel", rows, frame.Get[[]string], func(r *qualityRow, v string) { r.channel = v }); err != nil {
		return nil, err
	}
	for name, set := range map[string]func(r *qualityRow, v int64){
		"samples": func(r *qualityRow, v int64) { r.samples = v },
		"gaps":    func(r *qualityRow, v int64) { r.gaps = v },
		"spikes":  func(r *qualityRow, v int64) { r.spikes = v },
		"clipped": func(r *qualityRow, v int64) { r.clipped = v },
	} {
		if err := take(f, name, rows, frame.Get[[]int64], set); err != nil {
			return nil, err
		}
	}
	for name, set := range map[string]func(r *qualityRow, v float64){
		"rate_hz": func(r *qualityRow, v float64) { r.rate = v },
		"flat_s":  func(r *qualityRow, v float64) { r.flat = v },
		"drift":   func(r *qualityRow, v float64) { r.drift = v },
	} {
		if err := take(f, name, rows, frame.Get[[]float64], set); err != nil {
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

func qualityFrame(rows []qualityRow) *frame.Frame {
	t := layout[qualityRow]{rows: rows}
	t.text("lap_id", func(r *qualityRow) string { return r.lap })
	t.text("channel", func(r *qualityRow) string { return r.channel })
	t.count("samples", func(r *qualityRow) int64 { return r.samples })
	t.number("rate_hz", "Hz", func(r *qualityRow) float64 { return r.rate })
	t.count("gaps", func(r *qualityRow) int64 { return r.gaps })
	t.count("spikes", func(r *qualityRow) int64 { return r.spikes })
	t.count("clipped", func(r *qualityRow) int64 { return r.clipped })
	t.number("flat_s", "s", func(r *qualityRow) float64 { return r.flat })
	t.number("drift", "", func(r *qualityRow) float64 { return r.drift })
	t.text("verdict", func(r *qualityRow) string {
		if r.reason != "" {
			return verdictSetAside
		}
		return verdictOK
	})
	t.text("reason", func(r *qualityRow) string { return r.reason })
	return t.frame()
}
