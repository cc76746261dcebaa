package report

import (
	"fmt"
	"math"
	"strings"

	"lapwear/cmd/internal/report/figure"
	"lapwear/stages/frame"
)

// Evidence is what shows how a hot spot's gain was found: the frames that the stage
// calibrate leaves for figures. Those that are missing are not drawn.
type Evidence struct {
	Scenario, Hotspot string

	Overlay   *frame.Frame // time_s, measured_mpa, predicted_mpa
	Scatter   *frame.Frame // channel, stress_mpa; gains as attributes
	Response  *frame.Frame // frequency_hz, coherence, gain_mpa_per_unit
	Residuals *frame.Frame // kind, from, to, stress_mpa, residual_mpa, gain_mpa_per_unit
}

// Drawing is a figure with the name of what it shows.
type Drawing struct {
	Name   string
	Figure *figure.Figure
}

// Drawings draws the evidence: overlay, scatter, coherence, response and residuals.
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
	add("overlay", e.Overlay, e.overlay)
	add("scatter", e.Scatter, e.scatter)
	add("coherence", e.Response, e.coherence)
	add("response", e.Response, e.response)
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

func (e Evidence) overlay(s sheet) *figure.Figure {
	rows := s.where()
	lap := attr(s, "lap_id")
	return &figure.Figure{
		Title: e.name() + ": stress at the largest cycle",
		Desc:  fmt.Sprintf("Stress over time about the largest cycle of lap %s, from the gauge and from channel %s.", lap, attr(s, "channel")),
		X:     figure.Axis{Label: "time in lap " + lap, Unit: "s"},
		Y:     figure.Axis{Label: "stress", Unit: "MPa"},
		Marks: []figure.Mark{
			&figure.Line{Name: "measured", X: s.column("time_s", rows), Y: s.column("measured_mpa", rows)},
			&figure.Line{Name: "predicted", X: s.column("time_s", rows), Y: s.column("predicted_mpa", rows)}}}
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
	for _, g := range []struct{ name, attr string }{
		{"least squares", "gain_ls_mpa_per_unit"}, {"total least squares", "gain_tls_mpa_per_unit"}, {"damage-matched", "gain_damage_mpa_per_unit"}} {
		if k := gainOf(s, g.attr); !math.IsNaN(k) {
			f.Marks = append(f.Marks, &figure.Line{Name: g.name + " " + figure.Number(k), X: []float64{-reach, reach}, Y: []float64{-k * reach, k * reach}})
		}
	}
	return f
}

func (e Evidence) coherence(s sheet) *figure.Figure {
	rows := s.where()
	return &figure.Figure{
		Title: e.name() + ": coherence",
		Desc:  "Share of the measured stress that follows the channel linearly, over frequency; 1 is all of it.",
		X:     figure.Axis{Label: "frequency", Unit: "Hz"},
		Y:     figure.Axis{Label: "coherence", High: 1},
		Marks: []figure.Mark{&figure.Line{X: s.column("frequency_hz", rows), Y: s.column("coherence", rows)}}}
}

func (e Evidence) response(s sheet) *figure.Figure {
	rows := s.where()
	f := &figure.Figure{
		Title: e.name() + ": gain over frequency",
		Desc:  "Magnitude of the frequency response from channel to stress; where it is flat, one gain serves the whole band.",
		X:     figure.Axis{Label: "frequency", Unit: "Hz"},
		Y:     figure.Axis{Label: "gain", Unit: "MPa per unit", Zero: true},
		Marks: []figure.Mark{&figure.Line{Name: "frequency response", X: s.column("frequency_hz", rows), Y: s.column("gain_mpa_per_unit", rows)}}}
	if e.Scatter != nil {
		if k := gainOf(sheet{e.Scatter}, "gain_mpa_per_unit"); !math.IsNaN(k) {
			f.Marks = append(f.Marks, &figure.Rule{Name: "gain used " + figure.Number(math.Abs(k)), At: math.Abs(k), OnY: true})
		}
	}
	return f
}

func (e Evidence) byAmplitude(s sheet) *figure.Figure {
	rows := s.where("kind", "amplitude")
	if len(rows) == 0 {
		return nil
	}
	f := &figure.Figure{
		Title: e.name() + ": gain by amplitude",
		Desc:  "Gain fitted to samples of one range of the channel's amplitude alone; where it changes with amplitude, stress is not linear in the channel.",
		X:     figure.Axis{Label: "amplitude of the channel"},
		Y:     figure.Axis{Label: "gain", Unit: "MPa per unit", Zero: true}}
	if e.Scatter != nil {
		c, _ := e.Scatter.Column("channel")
		f.X.Unit = c.Unit
		if k := gainOf(sheet{e.Scatter}, "gain_mpa_per_unit"); !math.IsNaN(k) {
			f.Marks = append(f.Marks, &figure.Rule{Name: "gain used", At: k, OnY: true})
		}
	}
	mid := make([]float64, len(rows))
	for n, i := range rows {
		mid[n] = (s.num("from", i) + s.num("to", i)) / 2
	}
	f.Marks = append(f.Marks, &figure.Points{Name: "gain of a range", X: mid, Y: s.column("gain_mpa_per_unit", rows)})
	return f
}

func (e Evidence) byFrequency(s sheet) *figure.Figure {
	rows := s.where("kind", "frequency")
	if len(rows) == 0 {
		return nil
	}
	edges := append(s.column("from", rows), s.num("to", rows[len(rows)-1]))
	held := func(name string) []float64 { // to the last edge
		v := s.column(name, rows)
		return append(v, v[len(v)-1])
	}
	return &figure.Figure{
		Title: e.name() + ": what the fit leaves",
		Desc:  "Root mean square of the measured stress and of what the fit leaves of it, by frequency.",
		X:     figure.Axis{Label: "frequency", Unit: "Hz"},
		Y:     figure.Axis{Label: "root mean square", Unit: "MPa", Log: true},
		Marks: []figure.Mark{
			&figure.Line{Name: "stress", X: edges, Y: held("stress_mpa"), Step: true},
			&figure.Line{Name: "left over", X: edges, Y: held("residual_mpa"), Step: true}}}
}

// calibration shows what was fitted, and on what evidence.
func (p *Page) calibration() section {
	s := p.sheet("calibration")
	if s.rows() == 0 {
		return section{}
	}
	out := section{ID: "calibration", Title: "Calibration", Intro: []string{
		"Which channel stands in for the gauge at each hot spot, with which gain, and what was passed over."}}
	for n, e := range p.Evidence {
		for _, d := range e.Drawings() {
			d.Figure.ID = fmt.Sprintf("%s-%d", d.Name, n)
			out.Figures = append(out.Figures, draw(d.Figure, ""))
		}
	}
	out.Grids = []*grid{candidateGrid(s)}
	return out
}

func candidateGrid(s sheet) *grid {
	g := &grid{ID: "candidate-table", Caption: "Candidates", Filter: true,
		Head: words("hot spot", "channel", "chosen", "reason", "gain|MPa per unit#", "low#", "high#", "least squares#", "total least squares#", "damage-matched#",
			"correlation#", "coherence#", "lag|ms#", "damage ratio#", "held out, laps#", "held out, circuits#", "residual|MPa#", "linear", "scenario")}
	for _, i := range baseFirst(s, s.where()) {
		chosen, reason := cell{}, text(s.text("reason", i))
		if s.text("chosen", i) == "true" {
			chosen = cell{Text: "✓ chosen", Kind: "good"}
		} else if strings.HasPrefix(reason.Text, "not used") {
			chosen = cell{Text: "✗ refused", Kind: "bad"}
		}
		g.Rows = append(g.Rows, []cell{text(s.text("hotspot", i)), text(s.text("channel", i)), chosen, reason,
			number(s.num("gain_mpa_per_unit", i)), number(s.num("gain_low_mpa_per_unit", i)), number(s.num("gain_high_mpa_per_unit", i)),
			number(s.num("gain_ls_mpa_per_unit", i)), number(s.num("gain_tls_mpa_per_unit", i)), number(s.num("gain_damage_mpa_per_unit", i)),
			number(s.num("correlation", i)), number(s.num("coherence", i)), number(s.num("lag_ms", i)), number(s.num("damage_ratio", i)),
			number(s.num("held_out_laps", i)), number(s.num("held_out_circuits", i)),
			number(s.num("residual_mpa", i)), text(s.text("linear", i)), text(s.text("scenario", i))})
	}
	return g
}
