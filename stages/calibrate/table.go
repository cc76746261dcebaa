package calibrate

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// Output names of a fit. Candidates has a row a candidate, Fitted the chosen one's
// transfer, PerLap a row a calibration lap, all for the chosen one. The others are
// what figures are drawn from.
const (
	Candidates = "candidates"
	Fitted     = "fitted"
	PerLap     = "laps"
	Overlay    = "overlay"
	Scatter    = "scatter"
	Response   = "response"
	Residuals  = "residuals"
)

// named adds where a refusal comes from.
func named(err error, gauge, channel, lap string) error {
	var r *stages.Refusal
	if errors.As(err, &r) {
		return stages.Refuse("fit gauge %q to channel %q, lap %q: %s", gauge, channel, lap, r.Reason)
	}
	return fmt.Errorf("fit gauge %q to channel %q, lap %q: %w", gauge, channel, lap, err)
}

// sheet collects columns over rows of one type.
type sheet[R any] struct {
	rows []R
	cols []frame.Column
}

func (s *sheet[R]) text(name string, get func(R) string) {
	s.cols = append(s.cols, frame.Col(name, "", mapped(s.rows, get)))
}

func (s *sheet[R]) number(name, unit string, get func(R) float64) {
	s.cols = append(s.cols, frame.Col(name, unit, mapped(s.rows, get)))
}

func (s *sheet[R]) truth(name string, get func(R) bool) {
	s.cols = append(s.cols, frame.Col(name, "", mapped(s.rows, get)))
}

func mapped[R, V any](rows []R, get func(R) V) []V {
	out := make([]V, len(rows))
	for i, r := range rows {
		out[i] = get(r)
	}
	return out
}

// fitRow is a candidate with its place in the choice.
type fitRow struct {
	candidate
	chosen bool
	reason string
}

func (f Fitting) candidatesFrame(all []candidate, best int) *frame.Frame {
	s := fitSheet{}
	for i, c := range all {
		s.rows = append(s.rows, fitRow{c, i == best, explain(all, i, best)})
	}
	fitColumns(&s)
	judgedColumns(&s)
	for i, k := range f.slopes() {
		for _, c := range bySlope {
			s.found(AtSlope(c.name, k), c.unit, func(r fitRow) float64 { return c.at(r.candidate, i) })
		}
	}
	s.found("laps", "", func(r fitRow) float64 { return float64(len(r.laps)) })
	s.found("circuits", "", func(r fitRow) float64 { return float64(r.circuitOut.parts) })
	s.found("segments", "", func(r fitRow) float64 { return r.segments })
	s.found("damage_amplitude", "", func(r fitRow) float64 { return r.reach })
	s.found("drift_mpa", "MPa", func(r fitRow) float64 { return r.drift() })
	s.text("hum", func(r fitRow) string { return humWords(r.hums, r.channelUnit()) })
	s.text("transfer", func(r fitRow) string { return r.transferKind() })
	s.text("method", func(r fitRow) string { return r.method })
	s.truth("rival", func(r fitRow) bool { return r.rival })
	s.truth("chosen", func(r fitRow) bool { return r.chosen })
	s.text("reason", func(r fitRow) string { return r.reason })
	return frame.Must(nil, s.cols...)
}

// fitSheet is a sheet of candidates.
type fitSheet struct{ sheet[fitRow] }

// found adds a number that candidates without a fit lack.
func (s *fitSheet) found(name, unit string, get func(r fitRow) float64) {
	s.number(name, unit, func(r fitRow) float64 {
		if r.none != "" {
			return math.NaN()
		}
		return get(r)
	})
}

// fitColumns are what the fit itself found.
func fitColumns(s *fitSheet) {
	s.text("channel", func(r fitRow) string { return r.channel })
	s.text("unit", func(r fitRow) string { return r.unit })
	s.found("gain_mpa_per_unit", "MPa", func(r fitRow) float64 { return r.gain })
	s.found("gain_low_mpa_per_unit", "MPa", func(r fitRow) float64 { return r.low })
	s.found("gain_high_mpa_per_unit", "MPa", func(r fitRow) float64 { return r.high })
	s.found("gain_ls_mpa_per_unit", "MPa", func(r fitRow) float64 { return r.estimate.ls })
	s.found("gain_tls_mpa_per_unit", "MPa", func(r fitRow) float64 { return r.estimate.tls })
	s.found("correlation", "", func(r fitRow) float64 { return r.correlation })
	s.found("coherence", "", func(r fitRow) float64 { return r.coherence })
}

// judgedColumns are what the fit is judged by, but for damage.
func judgedColumns(s *fitSheet) {
	s.found("lag_ms", "ms", func(r fitRow) float64 { return 1e3 * r.lag.lag })
	s.found("residual_mpa", "MPa", func(r fitRow) float64 { return r.residual })
	s.text("linear", func(r fitRow) string { return r.linear() })
	s.found("nonlinearity", "", func(r fitRow) float64 { return r.bend.effect })
	s.found("nonlinearity_z", "", func(r fitRow) float64 { return r.bend.z })
	s.text("nonlinearity_term", func(r fitRow) string { return r.bend.term })
	s.found("damage_excess", "", func(r fitRow) float64 { return r.excess })
	s.found("bend_of_response", "", func(r fitRow) float64 { return r.seems })
	s.found("response_low", "MPa", func(r fitRow) float64 { return r.ripple.low })
	s.found("response_high", "MPa", func(r fitRow) float64 { return r.ripple.high })
	s.found("ripple", "", func(r fitRow) float64 { return r.ripple.size })
	s.found("ripple_hz", "Hz", func(r fitRow) float64 { return r.ripple.hz })
	s.found("noise_share", "", func(r fitRow) float64 { return r.estimate.share })
	s.found("lap_spread", "", func(r fitRow) float64 { return math.Abs(r.estimate.lapSD / r.gain) })
	s.found("noise_misfit", "", func(r fitRow) float64 { return r.estimate.misfit })
	s.found("lag_range_ms", "ms", func(r fitRow) float64 { return 1e3 * r.lagRange() })
	s.found("clock_drift", "", func(r fitRow) float64 { return r.clockDrift() })
	s.found(Amplitude, "MPa", func(r fitRow) float64 { return r.amplitude() * math.Abs(r.gain) })
}

// AtSlope is the name of a column's figure at a slope.
func AtSlope(column string, slope float64) string {
	return column + "@" + strconv.FormatFloat(slope, 'g', -1, 64)
}

// bySlope are the columns that are given at every slope.
var bySlope = []struct {
	name, unit string
	at         func(c candidate, place int) float64
}{
	{"gain_mpa_per_unit", "MPa", func(c candidate, i int) float64 { return c.gainAt(i).gain }},
	{"gain_low_mpa_per_unit", "MPa", func(c candidate, i int) float64 { return c.gainAt(i).low }},
	{"gain_high_mpa_per_unit", "MPa", func(c candidate, i int) float64 { return c.gainAt(i).high }},
	{"gain_damage_mpa_per_unit", "MPa", func(c candidate, i int) float64 { return placed(c.damageGain, i) }},
	{"damage_ratio", "", func(c candidate, i int) float64 { return placed(c.ratio, i) }},
	{"held_out_laps", "", func(c candidate, i int) float64 { return c.lapOut.at(i).total }},
	{"held_out_laps_low", "", func(c candidate, i int) float64 { return c.lapOut.at(i).low }},
	{"held_out_laps_high", "", func(c candidate, i int) float64 { return c.lapOut.at(i).high }},
	{"held_out_circuits", "", func(c candidate, i int) float64 { return c.circuitOut.at(i).total }},
	{"held_out_circuits_low", "", func(c candidate, i int) float64 { return c.circuitOut.at(i).low }},
	{"held_out_circuits_high", "", func(c candidate, i int) float64 { return c.circuitOut.at(i).high }},
	{"calibration_log10_sd", "", func(c candidate, i int) float64 { return placed(c.log10SD, i) }},
	{GainSD, "", func(c candidate, i int) float64 { return placed(c.gainSD, i) }},
}

// gainAt is the gain used at the slope of a place: one for all of what was only glanced at.
func (c candidate) gainAt(i int) interval {
	if i >= len(c.used) {
		return interval{c.gain, c.low, c.high}
	}
	return c.used[i]
}

// placed is the number at a place; NaN of what was not found.
func placed(v []float64, i int) float64 {
	if i >= len(v) {
		return math.NaN()
	}
	return v[i]
}

// amplitude is half the widest range of the channel on a lap, in its unit.
func (c candidate) amplitude() float64 {
	var a float64
	for _, l := range c.laps {
		a = max(a, l.amplitude)
	}
	return a
}

// linear says whether the stress is a straight line of the candidate; "" where too
// little follows to tell.
func (c candidate) linear() string {
	switch {
	case c.none != "" || c.coherence < worthwhile:
		return ""
	case c.bent:
		return "false"
	}
	return "true"
}

// drift is the gauge's largest drift on a lap, in MPa.
func (c candidate) drift() float64 {
	var d float64
	for _, l := range c.laps {
		d = max(d, l.drift)
	}
	return d
}

// explain says in words why a candidate was chosen or not.
func explain(all []candidate, i, best int) string {
	c, b := all[i], all[best]
	switch {
	case c.none != "":
		return c.none
	case c.rival:
		return fmt.Sprintf("compared only: another channel is named; coherence %.3f, r = %.4f on %s", c.coherence, c.correlation, plural(float64(len(c.laps)), "lap"))
	case i != best:
		return fmt.Sprintf("coherence %.3f, r = %.4f on %s; %s has %.3f, %.4f", c.coherence, c.correlation, plural(float64(len(c.laps)), "lap"), b.channel, b.coherence, b.correlation)
	}
	var t strings.Builder
	switch second := runnerUp(all, best); {
	case second < 0 && b.terms == nil:
		fmt.Fprintf(&t, "the channel to follow; coherence %.3f", b.coherence)
	case second < 0:
		fmt.Fprintf(&t, "the only candidate; coherence %.3f", b.coherence)
	case len(b.terms) > 1:
		fmt.Fprintf(&t, "%s (range: for any noise in the channels) leaves %.1f %% of the stress's power, next %s %.1f %%", weights(b), 100*(1-b.explained()),
			all[second].channel, 100*(1-all[second].explained()))
		if one := bestOf(singles(all)); one != second {
			fmt.Fprintf(&t, ", %s alone %.1f %%", all[one].channel, 100*(1-all[one].explained()))
		}
	default:
		s := all[second]
		fmt.Fprintf(&t, "highest coherence of %d candidates: %.3f, next %s with %.3f", chooseable(all), b.coherence, s.channel, s.coherence)
		if s.coherence >= b.coherence-likelyEqual {
			fmt.Fprintf(&t, ", about as high; taken for its correlation (next %.4f)", s.correlation)
		}
	}
	fmt.Fprintf(&t, "; r = %.4f on %s; %s", b.correlation, plural(float64(len(b.laps)), "lap"), b.method)
	return t.String()
}

// weights writes a combination out.
func weights(c candidate) string {
	var parts []string
	for i, t := range c.fitted() {
		text := fmt.Sprintf("%.4g %s", t.taps[0], t.channel)
		if c.ranges != nil {
			text = fmt.Sprintf("%.4g (%.4g to %.4g) %s", t.taps[0], c.ranges[i].low, c.ranges[i].high, t.channel)
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, " + ")
}

// singles are the candidates before the combinations, which come last.
func singles(all []candidate) []candidate {
	n := slices.IndexFunc(all, func(c candidate) bool { return len(c.terms) > 1 })
	return all[:n]
}

func chooseable(all []candidate) int {
	n := 0
	for _, c := range all {
		if !c.rival {
			n++
		}
	}
	return n
}

// runnerUp returns the place of the next best candidate, -1 without one.
func runnerUp(all []candidate, best int) int {
	second := -1
	for i, c := range all {
		if i == best || c.none != "" || c.rival {
			continue
		}
		if second < 0 || c.coherence > all[second].coherence {
			second = i
		}
	}
	return second
}

// lapRow is a calibration lap under the chosen candidate.
type lapRow struct {
	prepared
	gain, correlation, ratio float64
	better                   string
}

// poorly and well are the shares of the stress's power that a mixed-up channel and the
// right one follow; much is what a lap's channel follows that is not called mixed up.
const (
	poorly = 0.5
	well   = 0.8
	much   = 0.9
)

// farBetter tells whether the stress follows a channel of correlation q far better than
// one of r: well, and leaving less than a fifth of the power that one leaves.
func farBetter(q, r float64) bool { return q*q > well && (r*r < poorly || 1-q*q < (1-r*r)/5) }

func (f Fitting) lapsFrame(all []candidate, best int) *frame.Frame {
	b := all[best]
	s := sheet[lapRow]{}
	for i, l := range b.laps {
		r := lapRow{prepared: l, gain: b.estimate.lapGains[i], correlation: l.correlation(),
			ratio: b.lapRatio(i, f)}
		if l.turned {
			r.gain, r.correlation = -r.gain, -r.correlation
		}
		r.better = better(all, best, l)
		s.rows = append(s.rows, r)
	}
	s.text("lap_id", func(r lapRow) string { return r.lap })
	s.text("circuit", func(r lapRow) string { return r.circuit })
	s.number("lag_ms", "ms", func(r lapRow) float64 { return 1e3 * r.own })
	s.number("lag_error_ms", "ms", func(r lapRow) float64 { return 1e3 * r.lagError })
	s.number("gain_mpa_per_unit", "MPa", func(r lapRow) float64 { return r.gain })
	s.number("correlation", "", func(r lapRow) float64 { return r.correlation })
	s.number("damage_ratio", "", func(r lapRow) float64 { return r.ratio })
	s.number("drift_mpa", "MPa", func(r lapRow) float64 { return r.drift })
	s.number("sign", "", func(r lapRow) float64 { return sign(r.correlation) })
	s.number("coherence", "", func(r lapRow) float64 { return b.plan.weighted(r.lines, segments([]prepared{r.prepared}), f.Slope) })
	s.number("residual_mpa", "MPa", func(r lapRow) float64 {
		return math.Sqrt(max(0, r.m.yy-2*b.gain*r.m.xy+b.gain*b.gain*r.m.xx) / r.m.n)
	})
	s.truth("turned", func(r lapRow) bool { return r.turned })
	for i, k := range f.slopes() {
		s.number(AtSlope("held_out", k), "", func(r lapRow) float64 { return b.lapOut.ratio(r.lap, i) })
	}
	s.text("better_channel", func(r lapRow) string { return r.better })
	return frame.Must(nil, s.cols...)
}

func (l prepared) correlation() float64 { return l.m.xy / math.Sqrt(l.m.xx*l.m.yy) }

// better names another candidate that a lap's stress follows far better, "" without one.
func better(all []candidate, best int, of prepared) string {
	name, top, r := "", 0.0, of.correlation()
	if r*r > much {
		return ""
	}
	for i, c := range all {
		for _, l := range c.laps {
			if q := l.correlation(); i != best && l.lap == of.lap && q*q > top && len(c.terms) < 2 && farBetter(q, r) {
				name, top = c.channel, q*q
			}
		}
	}
	return name
}
