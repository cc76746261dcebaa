package report

import (
	"fmt"
	"math"

	"lapwear/cmd/internal/report/figure"
	"lapwear/stages/frame"
)

// Evidence is what shows how a hot spot's gain was found: the frames that the stage
// calibrate leaves for figures. Those that are missing are not drawn.
type Evidence struct {
	Scenario, Hotspot string

	Overlay   *frame.Frame // lap_id, circuit, damage_ratio, time_s, measured_mpa, predicted_mpa
	Scatter   *frame.Frame // channel, stress_mpa; gains as attributes
	Response  *frame.Frame // frequency_hz, coherence, gain_mpa_per_unit, phase_deg, used_mpa_per_unit
	Residuals *frame.Frame // kind, from, to, stress_mpa, residual_mpa, gain_mpa_per_unit
	PerLap    *frame.Frame // a row a calibration lap
}

// Drawing is a figure with the name of what it shows.
type Drawing struct {
	Name   string
	Figure *figure.Figure
}

// Drawings draws the evidence: overlays, scatter, coherence, response and residuals.
func (e Evidence) Drawings() []Drawing {
	var out []Drawing
	add := func(name string, f *frame.Frame, draw func(sheet) *figure.Figure) {
		if f == nil || f.Rows() == 0 {
			return
		}
		if d := draw(sheet{f}); d != nil {
			out = append(out, Drawing{name, d})
		}
	}
	add("overlay", e.Overlay, func(s sheet) *figure.Figure { return e.overlay(s, 0) })
	add("overlay-best", e.Overlay, func(s sheet) *figure.Figure { return e.overlay(s, 1) })
	add("scatter", e.Scatter, e.scatter)
	add("coherence", e.Response, e.coherence)
	add("response", e.Response, e.response)
	add("phase", e.Response, e.phase)
	add("gain-amplitude", e.Residuals, e.gainByAmplitude)
	add("residual-amplitude", e.Residuals, e.byAmplitude)
	add("residual-frequency", e.Residuals, e.byFrequency)
	return out
}

// name is the hot spot, with the scenario where that is not the base.
func (e Evidence) name() string {
	if e.Scenario == "" || e.Scenario == base {
		return e.Hotspot
	}
	return e.Hotspot + " in " + e.Scenario
}

// attr is a text of a frame's attributes.
func attr(s sheet, name string) string {
	v, _ := s.f.Text(name)
	return v
}

// gainOf is a gain of a frame's attributes, NaN where it is not known.
func gainOf(s sheet, name string) float64 {
	if v, ok := s.f.Number(name); ok {
		return v
	}
	return math.NaN()
}

// perUnit is the unit of a gain on a channel of a unit.
func perUnit(unit string) string {
	if unit == "" {
		return "MPa per unit"
	}
	return "MPa per " + unit
}

// factorOnly tells whether what is called a gain is a factor on a stress that is predicted
// already.
func factorOnly(s sheet) bool {
	kind := attr(s, "transfer")
	return kind == "frf" || kind == "sum"
}

// overlay draws one of the laps: the first is that whose damage is predicted worst, the
// second that predicted best.
func (e Evidence) overlay(s sheet, n int) *figure.Figure {
	laps := s.distinct("lap_id")
	if n >= len(laps) {
		return nil
	}
	rows := s.where("lap_id", laps[n])
	which := []string{"worst", "best"}[n]
	if len(laps) == 1 {
		which = "the only"
	}
	f := &figure.Figure{
		Title: fmt.Sprintf("%s: largest cycle of the lap predicted %s", e.name(), which),
		Desc: fmt.Sprintf("Stress over time about the largest cycle of lap %s, from the gauge and from channel %s. Its damage is predicted %s times as large as measured.",
			laps[n], attr(s, "channel"), figure.Number(s.num("damage_ratio", rows[0]))),
		X: figure.Axis{Label: "time in lap " + laps[n], Unit: "s"},
		Y: figure.Axis{Label: "stress", Unit: "MPa"},
		Marks: []figure.Mark{
			&figure.Line{Name: "measured", X: s.column("time_s", rows), Y: s.column("measured_mpa", rows)},
			&figure.Line{Name: "predicted, damage × " + figure.Number(s.num("damage_ratio", rows[0])), X: s.column("time_s", rows), Y: s.column("predicted_mpa", rows)}}}
	if len(laps) == 1 {
		f.Title = e.name() + ": largest cycle of the lap"
	}
	return f
}

func (e Evidence) scatter(s sheet) *figure.Figure {
	rows := s.where()
	x := s.column("channel", rows)
	reach := 0.0
	for _, v := range x {
		reach = math.Max(reach, math.Abs(v))
	}
	c, _ := s.f.Column("channel")
	f := &figure.Figure{
		Title: e.name() + ": gauge against " + attr(s, "channel"),
		Desc:  "Samples of measured stress over the channel, and lines through the origin with the gains that were fitted.",
		X:     figure.Axis{Label: attr(s, "channel"), Unit: c.Unit},
		Y:     figure.Axis{Label: "stress", Unit: "MPa"},
		Marks: []figure.Mark{&figure.Points{X: x, Y: s.column("stress_mpa", rows), Small: true}}}
	unit := " " + perUnit(c.Unit)
	if factorOnly(s) {
		f.Title, f.X.Label, unit = e.name()+": gauge against prediction", "stress predicted from "+attr(s, "channel"), ""
		f.Desc = "Samples of measured stress over the stress that the frequency response or the sum predicts, and lines through the origin with the factors between them."
	}
	for _, g := range []struct{ name, attr string }{
		{"least squares", "gain_ls_mpa_per_unit"}, {"total least squares", "gain_tls_mpa_per_unit"}, {"damage-matched", "gain_damage_mpa_per_unit"}} {
		if k := gainOf(s, g.attr); !math.IsNaN(k) {
			f.Marks = append(f.Marks, &figure.Line{Name: g.name + " " + figure.Number(k) + unit, X: []float64{-reach, reach}, Y: []float64{-k * reach, k * reach}})
		}
	}
	return f
}

func (e Evidence) coherence(s sheet) *figure.Figure {
	rows := s.where()
	f := &figure.Figure{
		Title: e.name() + ": coherence",
		Desc:  "Share of the measured stress that follows the channel linearly, over frequency; 1 is all of it.",
		X:     figure.Axis{Label: "frequency", Unit: "Hz"},
		Y:     figure.Axis{Label: "coherence", High: 1},
		Marks: []figure.Mark{&figure.Line{Name: "coherence", X: s.column("frequency_hz", rows), Y: s.column("coherence", rows)}}}
	share := s.column("weight", rows)
	var most, sum float64
	for _, v := range share {
		most = math.Max(most, v)
	}
	if most > 0 { // the spectrum that weighs it, to the height of the plot
		for i, v := range share {
			sum += v
			share[i] = v / most
		}
		f.Marks = append(f.Marks, &figure.Line{Name: "weight for damage, of its peak", X: s.column("frequency_hz", rows), Y: share})
	}
	return f
}

// sureFrom is the coherence below which a frequency response is drawn faint: there its
// random error, sqrt((1-γ²)/(2γ²n)), is that of noise.
const sureFrom = 0.5

// masked draws a value over frequency, faint where coherence is low.
func masked(s sheet, rows []int, name, column string) []figure.Mark {
	x, all, c := s.column("frequency_hz", rows), s.column(column, rows), s.column("coherence", rows)
	known := make([]float64, len(all))
	doubtful := false
	for i, v := range all {
		known[i] = v
		if !(c[i] >= sureFrom) {
			known[i], doubtful = math.NaN(), true
		}
	}
	sure := &figure.Line{Name: name, X: x, Y: known}
	out := []figure.Mark{sure}
	if doubtful {
		out = append(out, &figure.Line{Name: "where coherence is low", X: x, Y: all, Faint: true, Like: sure})
	}
	return out
}

// highestSure bounds an axis to what is sure and what is used, so that noise does not stretch it.
func highestSure(s sheet, rows []int, columns ...string) (high float64) {
	for _, i := range rows {
		for n, c := range columns {
			if v := s.num(c, i); v > high && (n > 0 || s.num("coherence", i) >= sureFrom) {
				high = v
			}
		}
	}
	return high * 1.1
}

func (e Evidence) response(s sheet) *figure.Figure {
	rows := s.where()
	f := &figure.Figure{
		Title: e.name() + ": gain over frequency",
		Desc: "Magnitude of the frequency response from channel to stress, and what of it is used; where it is flat, one gain serves the whole band. " +
			"It is faint where little is common to channel and stress.",
		X:     figure.Axis{Label: "frequency", Unit: "Hz"},
		Y:     figure.Axis{Label: "gain", Unit: perUnit(attr(s, "unit")), Zero: true, High: highestSure(s, rows, "gain_mpa_per_unit", "used_mpa_per_unit")},
		Marks: masked(s, rows, "frequency response", "gain_mpa_per_unit")}
	name := "used"
	if k := s.num("used_mpa_per_unit", rows[0]); attr(s, "transfer") != "frf" {
		name = "gain used " + figure.Number(math.Abs(k))
	}
	f.Marks = append(f.Marks, &figure.Line{Name: name, X: s.column("frequency_hz", rows), Y: s.column("used_mpa_per_unit", rows)})
	return f
}

func (e Evidence) phase(s sheet) *figure.Figure {
	rows := s.where()
	return &figure.Figure{
		Title: e.name() + ": phase over frequency",
		Desc:  "Phase of the stress against the channel, the lag taken out; 0, or 180 degrees at a negative gain, where one gain serves. It is faint where little is common to channel and stress.",
		X:     figure.Axis{Label: "frequency", Unit: "Hz"},
		Y: figure.Axis{Label: "phase, lag taken out", Unit: "degrees", Low: -180, High: 180,
			Ticks: []figure.Tick{{At: -180, Label: "−180"}, {At: -90, Label: "−90"}, {At: 0, Label: "0"}, {At: 90, Label: "90"}, {At: 180, Label: "180"}}},
		Marks: masked(s, rows, "phase", "phase_deg")}
}

// ranges are the bars of one kind of residual.
func ranges(s sheet, rows []int, name, column string) *figure.Bars {
	return &figure.Bars{Name: name, From: s.column("from", rows), To: s.column("to", rows), Value: s.column(column, rows)}
}

// channelAxis is an axis of the channel's amplitude, and the unit of a gain on it.
func (e Evidence) channelAxis() (axis figure.Axis, gain string) {
	axis = figure.Axis{Label: "amplitude of the channel"}
	if e.Scatter == nil {
		return axis, perUnit("")
	}
	c, _ := e.Scatter.Column("channel")
	axis.Unit = c.Unit
	if factorOnly(sheet{e.Scatter}) {
		axis.Label = "amplitude predicted"
		return axis, "measured per predicted"
	}
	return axis, perUnit(c.Unit)
}

func (e Evidence) gainByAmplitude(s sheet) *figure.Figure {
	rows := s.where("kind", "amplitude")
	if len(rows) == 0 {
		return nil
	}
	axis, unit := e.channelAxis()
	f := &figure.Figure{
		Title: e.name() + ": gain by amplitude",
		Desc:  "Gain fitted to cycles of one range of the channel's amplitude alone; where it changes with amplitude, stress is not linear in the channel.",
		X:     axis,
		Y:     figure.Axis{Label: "gain", Unit: unit, Zero: true},
		Marks: []figure.Mark{ranges(s, rows, "gain of a range", "gain_mpa_per_unit")}}
	if e.Scatter != nil {
		if k := gainOf(sheet{e.Scatter}, "gain_mpa_per_unit"); !math.IsNaN(k) {
			f.Marks = append(f.Marks, &figure.Rule{Name: "used", At: k, OnY: true})
		}
	}
	return f
}

func (e Evidence) byAmplitude(s sheet) *figure.Figure {
	rows := s.where("kind", "amplitude")
	if len(rows) == 0 {
		return nil
	}
	axis, _ := e.channelAxis()
	return leftOver(s, rows, e.name()+": what the fit leaves, by amplitude", axis,
		"Root mean square of the measured stress and of what the fit leaves of it, while the channel is within each range of amplitude.")
}

func (e Evidence) byFrequency(s sheet) *figure.Figure {
	rows := s.where("kind", "frequency")
	if len(rows) == 0 {
		return nil
	}
	return leftOver(s, rows, e.name()+": what the fit leaves, by frequency", figure.Axis{Label: "frequency", Unit: "Hz"},
		"Root mean square of the measured stress and of what the fit leaves of it, by frequency.")
}

func leftOver(s sheet, rows []int, title string, x figure.Axis, desc string) *figure.Figure {
	left := ranges(s, rows, "left over", "residual_mpa")
	left.Slim = true
	return &figure.Figure{Title: title, Desc: desc, X: x,
		Y:     figure.Axis{Label: "root mean square", Unit: "MPa", Log: true},
		Marks: []figure.Mark{ranges(s, rows, "stress", "stress_mpa"), left}}
}
