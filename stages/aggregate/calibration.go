package aggregate

import (
	"context"
	"math"
	"slices"
	"strings"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/calibrate"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// AcceptedCalibration is the flag of laps whose stress comes from a calibration that
// fails its gate and is accepted.
const AcceptedCalibration = "accepted:calibration"

// Given is a transfer that the season file states.
type Given struct {
	Scenario, Hotspot, Channel string

	Gain, Offset float64 // MPa per unit, MPa
	Slope        float64 // at which a fit's damage is compared
}

// Calibration lays out the table calibration: what was fitted, then what was given.
type Calibration struct {
	Fitted []Given // Channel and Gain come from the inputs, labelled FitLabel and GateLabel
	Given  []Given
}

// FitLabel is the label of a hot spot's candidates under a scenario.
func FitLabel(scenario, hotspot string) string { return scenario + "/" + hotspot }

// GateLabel is the label of the transfer that a hot spot's gate let pass.
func GateLabel(scenario, hotspot string) string { return "gate/" + scenario + "/" + hotspot }

// TransferLabel is the label of a hot spot's transfer, where it was fitted.
func TransferLabel(hotspot string) string { return "transfer/" + hotspot }

// Name returns "aggregate".
func (Calibration) Name() string { return Name }

// Revision returns the package's Revision.
func (Calibration) Revision() int { return Revision }

// Outputs names the table.
func (Calibration) Outputs() []string { return tableAlone }

// AddTo adds the parameters to a key.
func (t Calibration) AddTo(h *key.Hasher) {
	h.String("table", "calibration")
	for _, g := range t.Fitted {
		h.Float("fitted."+g.Scenario+"."+g.Hotspot+".offset_mpa", g.Offset)
		h.Float("fitted."+g.Scenario+"."+g.Hotspot+".slope", g.Slope)
	}
	for _, g := range t.Given {
		label := "given." + g.Scenario + "." + g.Hotspot
		h.String(label+".channel", g.Channel)
		h.Float(label+".gain_mpa_per_unit", g.Gain)
		h.Float(label+".slope", g.Slope)
		h.Float(label+".offset_mpa", g.Offset)
	}
}

// fitNumbers are the columns that the table takes over from a fit, in its order; those
// of the first group stand before the column linear, the others at the end.
var fitNumbers = [2][]struct{ name, unit string }{
	{
		{"gain_mpa_per_unit", "MPa"}, {"gain_low_mpa_per_unit", "MPa"}, {"gain_high_mpa_per_unit", "MPa"}, {"gain_ls_mpa_per_unit", "MPa"},
		{"gain_tls_mpa_per_unit", "MPa"}, {"gain_damage_mpa_per_unit", "MPa"}, {"offset_mpa", "MPa"}, {"correlation", ""}, {"coherence", ""},
		{"lag_ms", "ms"}, {"damage_ratio", ""}, {"residual_mpa", "MPa"},
	}, {
		{"nonlinearity", ""}, {"ripple", ""}, {"ripple_hz", "Hz"}, {"noise_share", ""}, {"lap_spread", ""},
		{"held_out_laps", ""}, {"held_out_laps_low", ""}, {"held_out_laps_high", ""},
		{"held_out_circuits", ""}, {"held_out_circuits_low", ""}, {"held_out_circuits_high", ""},
		{"calibration_log10_sd", ""}, {calibrate.GainSD, ""}, {"laps", ""}, {"circuits", ""}, {"drift_mpa", "MPa"},
		{"damage_excess", ""}, {"noise_misfit", ""}, {"lag_range_ms", "ms"}, {"damage_slope", ""}, {calibrate.Amplitude, "MPa"},
	},
}

// calibrationRow is a row of the table. A number that is not there is not determined.
type calibrationRow struct {
	scenario, hotspot, channel, unit, linear, term, reason string
	transfer, hum                                          string
	numbers                                                map[string]float64
	chosen                                                 bool
}

// factors are the columns in which a frequency response or a sum of channels has what a
// gain has in its own: a factor on the stress that is predicted already, no MPa per unit.
var factors = []struct{ gain, factor string }{
	{"gain_mpa_per_unit", "factor"}, {"gain_low_mpa_per_unit", "factor_low"}, {"gain_high_mpa_per_unit", "factor_high"},
	{"gain_ls_mpa_per_unit", "factor_ls"}, {"gain_tls_mpa_per_unit", "factor_tls"}, {"gain_damage_mpa_per_unit", "factor_damage"},
}

// factored moves factors to columns of their own.
func (r *calibrationRow) factored() {
	if r.transfer != calibrate.KindResponse && r.transfer != calibrate.KindSum {
		return
	}
	for _, c := range factors {
		r.numbers[c.factor] = r.number(c.gain)
		delete(r.numbers, c.gain)
	}
}

func (r *calibrationRow) number(name string) float64 {
	v, ok := r.numbers[name]
	if !ok {
		return math.NaN()
	}
	return v
}

// Run lays out the table.
func (t Calibration) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	inputs := in.ByLabel()
	var rows []calibrationRow
	for _, g := range t.Fitted {
		fits, err := g.rows(inputs[FitLabel(g.Scenario, g.Hotspot)], inputs[GateLabel(g.Scenario, g.Hotspot)])
		if err != nil {
			return nil, err
		}
		rows = append(rows, fits...)
	}
	for _, g := range t.Given {
		rows = append(rows, calibrationRow{scenario: g.Scenario, hotspot: g.Hotspot, channel: g.Channel, chosen: true,
			reason: "gain given in the season file", transfer: calibrate.KindGain,
			numbers: map[string]float64{"gain_mpa_per_unit": g.Gain, "offset_mpa": g.Offset}})
	}
	return []stages.Output{{Name: Output, Frame: calibrationFrame(rows)}}, nil
}

// rows are a hot spot's candidates with what its gate says of the chosen one.
func (g Given) rows(fit, gate stages.Input) ([]calibrationRow, error) {
	if fit.Missing != "" {
		return []calibrationRow{{scenario: g.Scenario, hotspot: g.Hotspot, reason: calibrate.Sentence(fit.Missing), numbers: map[string]float64{"offset_mpa": g.Offset}}}, nil
	}
	f, err := fit.Get()
	if err != nil {
		return nil, err
	}
	rows, err := g.candidates(f)
	if err != nil {
		return nil, err
	}
	remark := ""
	if gate.Missing == "" {
		if remark, err = remarkOf(gate); err != nil {
			return nil, err
		}
	}
	for i := range rows {
		switch r := &rows[i]; {
		case !r.chosen:
		case gate.Missing != "":
			r.chosen, r.reason = false, "not used: "+calibrate.Sentence(gate.Missing)+"; "+r.reason
		case strings.HasPrefix(remark, "unproven"): // first, lest it be overlooked
			r.reason = remark + "; " + r.reason
		case remark != "":
			r.reason += "; " + remark
		}
	}
	return rows, nil
}

// candidates reads a fit's candidates.
func (g Given) candidates(f *frame.Frame) ([]calibrationRow, error) {
	rows := make([]calibrationRow, f.Rows())
	for i := range rows {
		rows[i] = calibrationRow{scenario: g.Scenario, hotspot: g.Hotspot, numbers: map[string]float64{"offset_mpa": g.Offset, "damage_slope": g.Slope}}
	}
	for _, c := range []struct {
		name string
		set  func(r *calibrationRow, v string)
	}{
		{"channel", func(r *calibrationRow, v string) { r.channel = v }},
		{"unit", func(r *calibrationRow, v string) { r.unit = v }},
		{"linear", func(r *calibrationRow, v string) { r.linear = v }},
		{"nonlinearity_term", func(r *calibrationRow, v string) { r.term = v }},
		{"reason", func(r *calibrationRow, v string) { r.reason = v }},
		{"transfer", func(r *calibrationRow, v string) { r.transfer = v }},
		{"hum", func(r *calibrationRow, v string) { r.hum = v }},
	} {
		if err := take(f, c.name, rows, frame.Get[[]string], c.set); err != nil {
			return nil, err
		}
	}
	if err := take(f, "chosen", rows, frame.Get[[]bool], func(r *calibrationRow, v bool) { r.chosen = v }); err != nil {
		return nil, err
	}
	for _, c := range slices.Concat(fitNumbers[0], fitNumbers[1]) {
		if c.name == "offset_mpa" || c.name == "damage_slope" { // the season file's
			continue
		}
		column := c.name
		if at := calibrate.AtSlope(c.name, g.Slope); slices.ContainsFunc(f.Columns(), func(o frame.Column) bool { return o.Name == at }) {
			column = at
		}
		if err := take(f, column, rows, frame.Get[[]float64], func(r *calibrationRow, v float64) { r.numbers[c.name] = v }); err != nil {
			return nil, err
		}
	}
	for i := range rows {
		rows[i].factored()
	}
	return rows, nil
}

func calibrationFrame(rows []calibrationRow) *frame.Frame {
	t := layout[calibrationRow]{rows: rows}
	numbers := func(group int) {
		for _, c := range fitNumbers[group] {
			t.number(c.name, c.unit, func(r *calibrationRow) float64 { return r.number(c.name) })
		}
	}
	t.text("hotspot", func(r *calibrationRow) string { return r.hotspot })
	t.text("channel", func(r *calibrationRow) string { return r.channel })
	numbers(0)
	t.text("linear", func(r *calibrationRow) string { return r.linear })
	t.truth("chosen", func(r *calibrationRow) bool { return r.chosen })
	t.text("reason", func(r *calibrationRow) string { return r.reason })
	t.text("scenario", func(r *calibrationRow) string { return r.scenario })
	t.text("unit", func(r *calibrationRow) string { return r.unit })
	t.text("nonlinearity_term", func(r *calibrationRow) string { return r.term })
	numbers(1)
	t.text("transfer", func(r *calibrationRow) string { return r.transfer })
	for _, c := range factors {
		t.number(c.factor, "", func(r *calibrationRow) float64 { return r.number(c.factor) })
	}
	t.text("hum", func(r *calibrationRow) string { return r.hum })
	return t.frame()
}

// readRemark returns what is to be said of the fitted transfer among the inputs.
func readRemark(in stages.Inputs) (string, error) {
	for _, i := range in.Frames {
		if i.Label == damage.TransferInput {
			return remarkOf(i)
		}
	}
	return "", nil
}

func remarkOf(in stages.Input) (string, error) {
	f, err := in.Get()
	if err != nil {
		return "", err
	}
	remark, _ := f.Text(calibrate.Remark)
	return remark, nil
}

// readAccepted tells whether a transfer fails its gate and is accepted.
func readAccepted(in stages.Input) (bool, error) {
	if in.Missing != "" || in.Label == "" {
		return false, nil
	}
	f, err := in.Get()
	if err != nil {
		return false, err
	}
	accepted, _ := f.Number(calibrate.Accepted)
	return accepted > 0, nil
}

// readAmplitude returns half the widest range of stress on the laps of a calibration, in
// MPa; NaN where the transfer was not fitted.
func readAmplitude(in stages.Input) (float64, error) {
	if in.Missing != "" || in.Label == "" {
		return math.NaN(), nil
	}
	f, err := in.Get()
	if err != nil {
		return math.NaN(), err
	}
	amplitude, ok := f.Number(calibrate.Amplitude)
	if !ok {
		return math.NaN(), nil
	}
	return amplitude, nil
}
