package calibrate

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Transfer is the name of a Gate's output. Its attributes are channel, gain_mpa_per_unit,
// gain_log10_sd (as laps ask for it at the gate's slope),
// calibrated_amplitude_mpa (half the widest range of stress on a calibration lap), remark (what every
// reader of a result should know of the calibration; "" for nothing), accepted (1 where
// the fit fails the gate and is accepted) and predicted (1 where the stress comes from a
// Predict, and the gain is then 1). Its columns are what Predict needs.
const Transfer = "transfer"

// Attributes of a transfer that other stages read.
const (
	Remark    = "remark"
	Accepted  = "accepted"
	Predicted = "predicted"
	Amplitude = "calibrated_amplitude_mpa"

	// GainSD is the standard deviation of log10 of the gain that the calibration leaves: its own interval's or that of what
	// held-out laps and circuits ask for, whichever is more. By what it changes damage is the material's affair.
	GainSD = "gain_log10_sd"
)

// Labels of a Gate's inputs: a fit's outputs.
const (
	CandidatesInput = "candidates"
	FittedInput     = "fitted"
	PerLapInput     = "laps"
)

// The tests of a gate, by the names under which a season file accepts a failure.
const (
	TestCoherence = "coherence"
	TestLag       = "lag"
	TestDirection = "direction"
	TestSwapped   = "swapped"
	TestLinear    = "linear"
	TestFlat      = "flat"
	TestRatio     = "damage_ratio"
	TestSpread    = "spread"
	TestAgree     = "agree"
	TestLaps      = "laps"
	TestCircuits  = "circuits"
	TestAll       = "calibration" // any of them
)

// Tests lists the names of the tests.
func Tests() []string {
	return []string{TestCoherence, TestLag, TestDirection, TestSwapped, TestLinear, TestFlat, TestRatio, TestSpread, TestAgree, TestLaps, TestCircuits, TestAll}
}

// Limits are what a fit must keep.
type Limits struct {
	MinCoherence float64
	MaxLag       float64 // s
	MaxBend      float64 // share by which the gain at high amplitudes may differ
	MaxRipple    float64 // share by which the transfer function may differ from a gain
	MaxExcess    float64 // share by which damage may differ from that of a straight line of equal power
	MaxSpread    float64 // standard deviation of the laps' gains beyond chance, relative
	RatioLow     float64 // of damage predicted over damage measured
	RatioHigh    float64
	MinLaps      float64
	MinCircuits  float64
	ProvenLaps   float64 // fewer are remarked on
	ProvenRounds float64 // circuits; fewer are remarked on
}

// Acceptance overrules a test, by its name.
type Acceptance struct{ Test, Reason string }

// Gate lets a fit's transfer pass, or refuses it with all that is wrong and the
// numbers. What the season file accepts is let pass with a remark.
type Gate struct {
	Gauge     string
	Direction string  // "", "positive" or "negative": the sign that the gain must have
	Response  bool    // the transfer is a frequency response
	Slope     float64 // at which damage is compared, one of the fit's: the hot spot's material's, see Fitting.Rung
	Limits    Limits
	Accepted  []Acceptance
}

// Name returns "aggregate": it depends on the hot spot's material, as the accounts do,
// and finds nothing that is not in the fit.
func (Gate) Name() string { return "aggregate" }

// Revision returns the package's Revision.
func (Gate) Revision() int { return Revision }

// AddTo adds the parameters to a key.
func (g Gate) AddTo(h *key.Hasher) {
	h.String("does", "gate")
	h.String("gauge", g.Gauge)
	h.String("direction", g.Direction)
	h.Bool("response", g.Response)
	h.Float("slope", g.Slope)
	h.Float("min_coherence", g.Limits.MinCoherence)
	h.Float("max_lag_s", g.Limits.MaxLag)
	h.Float("max_nonlinearity", g.Limits.MaxBend)
	h.Float("max_ripple", g.Limits.MaxRipple)
	h.Float("max_excess", g.Limits.MaxExcess)
	h.Float("max_spread", g.Limits.MaxSpread)
	h.Float("damage_ratio.low", g.Limits.RatioLow)
	h.Float("damage_ratio.high", g.Limits.RatioHigh)
	h.Float("min_laps", g.Limits.MinLaps)
	h.Float("min_circuits", g.Limits.MinCircuits)
	h.Float("proven_laps", g.Limits.ProvenLaps)
	h.Float("proven_circuits", g.Limits.ProvenRounds)
	for _, a := range g.Accepted {
		h.String("accept."+a.Test, a.Reason)
	}
}

// finding is a test that a fit does not pass.
type finding struct{ test, what string }

// Run judges the fit.
func (g Gate) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	fits, err := readFits(in)
	if err != nil {
		return nil, err
	}
	f := fits.chosen()
	found := g.find(f, fits)
	var refused, remarks []string
	for _, x := range found {
		if reason := g.accepts(x.test); reason != "" {
			remarks = append(remarks, fmt.Sprintf("accepted although %s: %s", x.what, reason))
		} else {
			refused = append(refused, x.what)
		}
	}
	if len(refused) > 0 {
		if clock := clockWords(f.at("clock_drift")); clock != "" {
			refused = append(refused, clock)
		}
		if f.hum != "" {
			refused = append(refused, "there is a hum at "+f.hum)
		}
		return nil, g.refuse(f.channel, refused, g.open(found))
	}
	accepted := len(remarks) > 0
	remarks = append(g.remarks(f, fits), remarks...)
	t, err := in.Frame(FittedInput)
	if err != nil {
		return nil, err
	}
	return []stages.Output{{Name: Transfer, Frame: f.transfer(t, g.Slope, accepted, strings.Join(remarks, "; "))}}, nil
}

// find is all that a fit does not pass. Where another channel is the one that the stress
// follows, what comes of that is left out, unless the mix-up is accepted.
func (g Gate) find(f fitted, all fits) []finding {
	found := lapsTogether(g.judgeLaps(f, all.laps), all.laps)
	odd := slices.ContainsFunc(found, finding.bends)
	for _, x := range g.judge(f, all) {
		if odd && x.test == TestFlat {
			x.what += "; or that comes of the laps named above"
		}
		found = append(found, x)
	}
	r := all.mixedUp(f)
	if r == nil || !poor(f) && !slices.ContainsFunc(found, finding.follows) {
		return found
	}
	swapped := finding{TestSwapped, fmt.Sprintf("the stress follows %q (r = %.4f), not %q (r = %.4f): axes swapped, or the wrong channel named; say follow: %s, or correct the columns",
		r.channel, r.at("correlation"), f.channel, f.at("correlation"), r.channel)}
	if g.accepts(TestSwapped) == "" {
		found = slices.DeleteFunc(found, finding.follows)
	}
	return append([]finding{swapped}, found...)
}

// follows tells whether a finding may come of the wrong channel.
func (x finding) follows() bool {
	return x.test != TestLaps && x.test != TestCircuits && x.test != TestDirection
}

// open writes out what would have to be accepted yet.
func (g Gate) open(found []finding) string {
	var out []string
	for _, x := range found {
		if one := x.test + `: "why"`; g.accepts(x.test) == "" && !slices.Contains(out, one) {
			out = append(out, one)
		}
	}
	return strings.Join(out, ", ")
}

// accepts returns the reason for which a test is overruled; "" if it is not.
func (g Gate) accepts(test string) string {
	for _, a := range g.Accepted {
		if a.Test == test || a.Test == TestAll {
			return a.Reason
		}
	}
	return ""
}

// judge tests what the fit says of all laps together.
func (g Gate) judge(f fitted, all fits) []finding {
	var out []finding
	fail := func(failed bool, test, format string, args ...any) {
		if failed {
			out = append(out, finding{test, fmt.Sprintf(format, args...)})
		}
	}
	l := g.Limits
	c := f.at("coherence")
	fail(!(c >= l.MinCoherence) && (all.mixedUp(f) == nil || !poor(f)), TestCoherence, "coherence %.3f is below %.3g", c, l.MinCoherence)
	out = append(out, g.judgeFlat(f, all)...)
	lag, plausible := f.at("lag_ms"), 1e3*l.MaxLag+g.ringing(f)
	fail(c >= worthwhile && math.Abs(lag) > plausible, TestLag, "the lag of %.2f ms is implausible, at most %.3g ms is plausible: are the clocks of gauge and channel one?", lag, plausible)
	gain := f.gain(g.Slope)
	fail(g.Direction == "positive" && gain < 0 || g.Direction == "negative" && gain > 0, TestDirection,
		"the gain of %.4g MPa/%s has the wrong sign, the direction is %s: sensor or gauge turned round or wired the other way", gain, f.unit, g.Direction)
	out = append(out, g.judgeLine(f)...)
	out = append(out, g.judgeDamage(f, all.laps)...)
	n, m := f.at("laps"), f.at("circuits")
	fail(n < l.MinLaps, TestLaps, "%s, fewer than %g", plural(n, "calibration lap"), l.MinLaps)
	fail(m < l.MinCircuits, TestCircuits, "calibration laps on %s, fewer than %g", plural(m, "circuit"), l.MinCircuits)
	return out
}

// ringing is by how much a resonance may move a lag, in ms: a period of where the response
// departs most, for the peaks of the correlation repeat with it; 0 where it is flat.
func (g Gate) ringing(f fitted) float64 {
	if !g.Response && !g.uneven(f) {
		return 0
	}
	if period := 1000 / f.at("ripple_hz"); period > 0 {
		return period
	}
	return 0
}

// uneven tells whether one gain will not do because the transfer function is not flat.
func (g Gate) uneven(f fitted) bool {
	return f.at("ripple") > g.Limits.MaxRipple || math.Abs(f.at("bend_of_response")) > 0
}

// judgeFlat tests whether one gain serves all frequencies.
func (g Gate) judgeFlat(f fitted, all fits) []finding {
	if g.Response || !g.uneven(f) {
		return nil
	}
	what := fmt.Sprintf("the transfer function is not flat: its magnitude goes from %.3g to %.3g MPa/%s over the band", f.at("response_low"), f.at("response_high"), f.unit)
	if f.at("ripple") > g.Limits.MaxRipple {
		size, most := beside(100*f.at("ripple"), 100*g.Limits.MaxRipple)
		what += fmt.Sprintf(", %s %% from one gain (%s %% may be), most at %.3g Hz", size, most, f.at("ripple_hz"))
	}
	if v := f.at("bend_of_response"); math.Abs(v) > 0 {
		what += fmt.Sprintf("; with one gain stress seems bent by %+.0f %%, through the frequency response it is linear", 100*v)
	}
	switch apart := all.lagsApart(f); {
	case apart != "":
		what += ": " + apart + ", and a sum of channels takes one lag; bring them to one clock, or leave combine out"
	case f.kind == KindSum:
		what += ", as at a resonance or behind a filter; a sum of channels has no frequency response: leave combine out and say transfer: frf"
	default:
		what += ", as at a resonance or behind a filter: say transfer: frf"
	}
	return []finding{{TestFlat, what}}
}

// beside writes a figure and its limit with as many digits as tell them apart.
func beside(v, limit float64) (string, string) {
	for digits := 3; digits < 9; digits++ {
		if a, b := fmt.Sprintf("%.*g", digits, v), fmt.Sprintf("%.*g", digits, limit); a != b {
			return a, b
		}
	}
	return fmt.Sprint(v), fmt.Sprint(limit)
}

// leastApart is by how many ms the channels of a sum have to come apart to be named.
const leastApart = 0.5

// lagsApart names the channels of a sum whose own lags differ; "" for none.
func (a fits) lagsApart(f fitted) string {
	var of []string
	low, high := math.Inf(1), math.Inf(-1)
	for _, n := range strings.Split(f.channel, "+") {
		for _, r := range a.rows {
			if lag := r.at("lag_ms"); r.channel == n && !math.IsNaN(lag) {
				low, high = min(low, lag), max(high, lag)
				of = append(of, fmt.Sprintf("behind %s the gauge comes %.2f ms late", n, lag))
			}
		}
	}
	if f.kind != KindSum || !(high-low > leastApart) {
		return ""
	}
	return strings.Join(of, ", ")
}

// judgeLine tests whether the stress is a straight line of the channel.
func (g Gate) judgeLine(f fitted) []finding {
	bend, excess := f.at("nonlinearity"), f.at("damage_excess")
	switch {
	case f.linear != "false":
		return nil
	case math.Abs(bend) > g.Limits.MaxBend:
		size, most := beside(100*math.Abs(bend), 100*g.Limits.MaxBend)
		return []finding{{TestLinear, fmt.Sprintf("stress is not linear in the channel: %s, the gain at the amplitudes that do the damage is %s %% %s (%s %% may be; %.1f standard errors)",
			f.term, size, moreOrLess(bend), most, math.Abs(f.at("nonlinearity_z")))}}
	}
	return []finding{{TestLinear, fmt.Sprintf("stress is not linear in the channel: it does %.3g times the damage of a straight line of equal rms (%.3g to %.3g may be)",
		1+excess, 1-g.Limits.MaxExcess, 1+g.Limits.MaxExcess)}}
}

func moreOrLess(v float64) string {
	if v < 0 {
		return "less"
	}
	return "more"
}

// mostLaps is the share of the laps that have to be predicted within the limits. Of three
// or more, one alone may be outside, by no more than as far again: among a few laps whose
// gains differ by 3 % there often is one at a steep slope.
const mostLaps = 0.9

// judgeDamage tests the damage predicted over the measured one at the gate's slope: of
// all laps together, of each circuit and of nearly every lap, not fitted on themselves.
func (g Gate) judgeDamage(f fitted, laps []fittedLap) []finding {
	var out []finding
	at := func(column string) float64 { return f.at(AtSlope(column, g.Slope)) }
	n, of, worst := g.strayLaps(laps)
	farthest, off := at("damage_ratio"), false
	look := func(v float64, failed bool) {
		if off = off || failed; math.Abs(math.Log(v)) > math.Abs(math.Log(farthest)) || math.IsNaN(farthest) {
			farthest = v
		}
	}
	for _, c := range []string{"damage_ratio", "held_out_laps", "held_out_circuits", "held_out_circuits_low", "held_out_circuits_high"} {
		look(at(c), g.off(at(c)))
	}
	lone := worst.heldOut[AtSlope("held_out", g.Slope)]
	stray := n > 1 && float64(n) > (1-mostLaps)*float64(of) || n == 1 && (g.off(math.Sqrt(lone)) || of < 3)
	if stray {
		look(lone, true)
	}
	if off {
		out = append(out, finding{TestRatio, g.damageWords(at, stray, n, of, worst) + fmt.Sprintf(": up to %s; %.3g to %.3g may be (at slope %g)",
			amiss(farthest), g.Limits.RatioLow, g.Limits.RatioHigh, g.Slope)})
	}
	spread := f.at("lap_spread")
	if spread > g.Limits.MaxSpread {
		size, most := beside(100*spread, 100*g.Limits.MaxSpread)
		out = append(out, finding{TestSpread, fmt.Sprintf("the laps' gains have a standard deviation of %s %% beyond chance, more than %s %%", size, most)})
	}
	return out
}

// amiss says by how much a ratio of damage is off.
func amiss(ratio float64) string {
	if ratio < 1 {
		return fmt.Sprintf("%.3g times too little", 1/ratio)
	}
	return fmt.Sprintf("%.3g times too much", ratio)
}

// damageWords lists the damage predicted over the measured one.
func (g Gate) damageWords(at func(string) float64, stray bool, n, of int, worst fittedLap) string {
	var parts []string
	add := func(v float64, format string, args ...any) {
		if !math.IsNaN(v) {
			parts = append(parts, fmt.Sprintf(format, args...))
		}
	}
	add(at("held_out_laps"), "laps not fitted %.3g", at("held_out_laps"))
	add(at("held_out_circuits"), "circuits not fitted %.3g to %.3g", at("held_out_circuits_low"), at("held_out_circuits_high"))
	if stray {
		parts = append(parts, fmt.Sprintf("%d of %d laps outside, the farthest %q with %.3g", n, of, worst.lap, worst.heldOut[AtSlope("held_out", g.Slope)]))
	}
	text := fmt.Sprintf("damage predicted/measured is %.3g", at("damage_ratio"))
	if parts != nil {
		text += " (" + strings.Join(parts, ", ") + ")"
	}
	return text
}

// off tells whether a ratio is outside the limits; NaN is not.
func (g Gate) off(ratio float64) bool { return ratio < g.Limits.RatioLow || ratio > g.Limits.RatioHigh }

// strayLaps counts the laps whose damage is predicted outside the limits, of those that
// were held out, and returns the farthest.
func (g Gate) strayLaps(laps []fittedLap) (n, of int, worst fittedLap) {
	farthest := 0.0
	for _, l := range laps {
		r := l.heldOut[AtSlope("held_out", g.Slope)]
		if math.IsNaN(r) {
			continue
		}
		of++
		if !g.off(r) {
			continue
		}
		n++
		if d := math.Abs(math.Log(r)); d > farthest {
			farthest, worst = d, l
		}
	}
	return n, of, worst
}

// opposed is the correlation from which on a lap's sign, lag or better channel is believed.
const opposed = 0.5

// A lap's gain stands apart that differs from the laps' median by more than farSDs of
// their robust standard deviations, and by more than apart of it in any case; by more
// than farApart it always does. At a slope of 5, a gain 20 % off is damage 2.5 times off.
const (
	farSDs   = 5
	apart    = 0.2
	farApart = 0.5
)

// judgeLaps tests the laps one by one.
func (g Gate) judgeLaps(f fitted, laps []fittedLap) []finding {
	var out []finding
	middle, allowed := typical(laps)
	way := g.way(f, laps)
	for _, l := range laps {
		switch {
		case l.better != "":
			out = append(out, finding{TestSwapped, fmt.Sprintf("on lap %q the stress follows %q and not %q: axes swapped on that lap", l.lap, l.better, f.channel)})
		case l.correlation*way < -opposed:
			out = append(out, finding{TestDirection, fmt.Sprintf("on lap %q the gain is %.4g MPa/%s, of the other sign: sensor or gauge turned round on that lap", l.lap, l.gain, f.unit)})
		case math.IsNaN(l.gain) || math.IsInf(l.gain, 0):
			out = append(out, finding{TestAgree, fmt.Sprintf("lap %q has no gain: channel or gauge does not move: dead, or not plugged in", l.lap)})
		case !(math.Abs(l.gain*way-middle) <= allowed):
			out = append(out, finding{TestAgree, fmt.Sprintf("the gain of lap %q is %.4g MPa/%s, the laps' median is %.4g (r = %.2f): %s?", l.lap, l.gain, f.unit, middle*way, l.correlation, l.suspect())})
		case g.lagApart(f, l):
			out = append(out, finding{TestLag, fmt.Sprintf("the lag of lap %q, %.2f ms (give or take %.2f), is not that of all, %.2f ms", l.lap, l.lag, 2*l.lagError, f.at("lag_ms"))})
		}
	}
	return out
}

// suspect says what may be wrong with a lap whose gain stands apart.
func (l fittedLap) suspect() string {
	if math.Abs(l.correlation) < opposed {
		return "gauge or channel dead, loose or not the one named"
	}
	return "another scale or unit, or a gauge that comes off"
}

// lagApart tells whether a lap's lag is not plausible.
func (g Gate) lagApart(f fitted, l fittedLap) bool {
	return math.Abs(l.correlation) > opposed && math.Abs(l.lag-f.at("lag_ms")) > 250*g.Limits.MaxLag+g.ringing(f)
}

// way is the sign that laps' gains should have: as stated, unless all have the other, or
// as most have it.
func (g Gate) way(f fitted, laps []fittedLap) float64 {
	usual := sign(f.gain(g.Slope))
	stated := map[string]float64{"positive": 1, "negative": -1}[g.Direction]
	if stated != 0 && slices.ContainsFunc(laps, func(l fittedLap) bool { return l.correlation*stated > opposed }) {
		return stated
	}
	return usual
}

// typical is the median of the laps' gains without their sign, and how far one may
// differ from it.
func typical(laps []fittedLap) (middle, allowed float64) {
	var gains []float64
	for _, l := range laps {
		if !math.IsNaN(l.gain) && !math.IsInf(l.gain, 0) {
			gains = append(gains, math.Abs(l.gain))
		}
	}
	middle = median(gains)
	off := mapped(gains, func(g float64) float64 { return math.Abs(g - middle) })
	const perMAD = 1.4826 // of a normal distribution
	return middle, min(max(apart*middle, farSDs*perMAD*median(off)), farApart*middle)
}

// median is NaN of nothing.
func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

// remarks says what a reader should know of a fit that passes.
func (g Gate) remarks(f fitted, all fits) []string {
	var out []string
	n, m := f.at("laps"), f.at("circuits")
	switch {
	case n < 2:
		out = append(out, "unproven: no lap left out, the gain was fitted and tried on one lap")
	case m < 2 && m < g.Limits.ProvenRounds || n < g.Limits.ProvenLaps || m < g.Limits.ProvenRounds:
		out = append(out, fmt.Sprintf("unproven: %s on %s", plural(n, "calibration lap"), plural(m, "circuit")))
	}
	gain := f.gain(g.Slope)
	if r := all.mixedUp(f); r != nil && !poor(f) && g.accepts(TestSwapped) == "" {
		out = append(out, fmt.Sprintf("the stress follows %q better (r = %.4f) than %q (r = %.4f): say follow: %s unless there is a reason",
			r.channel, r.at("correlation"), f.channel, f.at("correlation"), r.channel))
	}
	if gain < 0 && g.Direction == "" {
		out = append(out, "the gain is negative: channel and gauge are of opposite sense, or one of them is turned round; state direction: negative if it is meant")
	}
	if f.hum != "" {
		out = append(out, "hum at "+f.hum+": from the wiring rather than the part? its cycles are measured with the stress")
	}
	if clock := clockWords(f.at("clock_drift")); clock != "" {
		out = append(out, clock)
	}
	if lags := all.lagsApart(f); lags != "" {
		out = append(out, lags+": a sum of channels takes one lag; bring them to one clock")
	}
	if differ := f.at("lag_range_ms"); differ > 0 {
		out = append(out, fmt.Sprintf("the laps' lags differ by up to %.2f ms, more than their error: each lap was aligned by its own", differ))
	}
	if stray, _, worst := g.strayLaps(all.laps); stray == 1 {
		out = append(out, fmt.Sprintf("damage on lap %q, not fitted, is predicted %s", worst.lap, amiss(worst.heldOut[AtSlope("held_out", g.Slope)])))
	}
	typical := f.at("gain_tls_mpa_per_unit") // as the laps' own
	for _, l := range all.laps {
		if off := math.Abs(l.gain/typical) - 1; math.Abs(off) > g.Limits.MaxBend {
			out = append(out, fmt.Sprintf("lap %q has a gain of its own, %+.0f %%", l.lap, 100*off))
		}
	}
	return out
}

func plural(n float64, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%g %ss", n, what)
}

// fits are a fit's candidates and laps, as read.
type fits struct {
	rows []fitted
	laps []fittedLap
}

// fitted is a candidate as read.
type fitted struct {
	channel, unit, linear, term string
	hum, kind, reason           string
	isRival, isChosen           bool
	numbers                     map[string]float64
}

func (f fitted) at(column string) float64 {
	v, ok := f.numbers[column]
	if !ok {
		return math.NaN()
	}
	return v
}

// gain is the one used at a slope.
func (f fitted) gain(slope float64) float64 { return f.at(AtSlope("gain_mpa_per_unit", slope)) }

type fittedLap struct {
	lap, circuit, better   string
	lag, gain, correlation float64
	lagError               float64
	heldOut                map[string]float64 // by column
}

func (a fits) chosen() fitted {
	i := slices.IndexFunc(a.rows, func(f fitted) bool { return f.isChosen })
	return a.rows[i]
}

// mixedUp returns a channel that is not to be followed, which the stress follows far
// better than the chosen one: it leaves less than a fifth of the power that one leaves.
func (a fits) mixedUp(f fitted) *fitted {
	r := f.at("correlation")
	for i := range a.rows {
		o := &a.rows[i]
		if q := o.at("correlation"); o.isRival && farBetter(q, r) {
			return o
		}
	}
	return nil
}

// poor tells whether the stress hardly follows a channel.
func poor(f fitted) bool { return f.at("correlation")*f.at("correlation") < poorly }

// transfer is what the later stages take.
func (f fitted) transfer(t *frame.Frame, slope float64, accepted bool, remark string) *frame.Frame {
	channels, _ := frame.Get[[]string](t, "channel")
	gain, predicted, waved := f.gain(slope), 0.0, 0.0
	if accepted {
		waved = 1
	}
	if len(channels) > 1 {
		gain, predicted = 1, 1
	}
	rate, _ := t.Number("rate_hz")
	return frame.Must([]frame.Attr{
		frame.Text("channel", f.channel),
		frame.Num("gain_mpa_per_unit", "MPa", gain),
		frame.Num(GainSD, "", f.at(AtSlope(GainSD, slope))),
		frame.Num(Amplitude, "MPa", f.at(Amplitude)),
		frame.Text(Remark, remark),
		frame.Num(Accepted, "", waved),
		frame.Num(Predicted, "", predicted),
		frame.Num("rate_hz", "Hz", rate)}, t.Columns()...)
}

func readFits(in stages.Inputs) (out fits, err error) {
	f, err := in.Frame(CandidatesInput)
	if err != nil {
		return out, err
	}
	out.rows = rowsOf(f)
	if !slices.ContainsFunc(out.rows, func(f fitted) bool { return f.isChosen }) {
		return out, fmt.Errorf("judge fit: no candidate is chosen")
	}
	lf, err := in.Frame(PerLapInput)
	if err != nil {
		return out, err
	}
	out.laps, err = readLaps(lf)
	return out, err
}

// rowsOf reads the candidates' columns.
func rowsOf(f *frame.Frame) []fitted {
	rows := make([]fitted, f.Rows())
	for i := range rows {
		rows[i].numbers = map[string]float64{}
	}
	for _, c := range f.Columns() {
		switch c.Kind() {
		case frame.Float64:
			v, _ := frame.Get[[]float64](f, c.Name)
			for i, a := range v {
				rows[i].numbers[c.Name] = a
			}
		case frame.String:
			v, _ := frame.Get[[]string](f, c.Name)
			for i, a := range v {
				rows[i].set(c.Name, a)
			}
		case frame.Bool:
			v, _ := frame.Get[[]bool](f, c.Name)
			for i, a := range v {
				if c.Name == "rival" {
					rows[i].isRival = a
				} else {
					rows[i].isChosen = a
				}
			}
		}
	}
	return rows
}

func (f *fitted) set(column, v string) {
	switch column {
	case "channel":
		f.channel = v
	case "unit":
		f.unit = v
	case "linear":
		f.linear = v
	case "nonlinearity_term":
		f.term = v
	case "hum":
		f.hum = v
	case "transfer":
		f.kind = v
	case "reason":
		f.reason = v
	}
}

func readLaps(f *frame.Frame) ([]fittedLap, error) {
	lap, err := frame.Get[[]string](f, "lap_id")
	if err != nil {
		return nil, err
	}
	circuit, err := frame.Get[[]string](f, "circuit")
	if err != nil {
		return nil, err
	}
	better, err := frame.Get[[]string](f, "better_channel")
	if err != nil {
		return nil, err
	}
	out := make([]fittedLap, len(lap))
	for i := range out {
		out[i].lap, out[i].circuit, out[i].better, out[i].heldOut = lap[i], circuit[i], better[i], map[string]float64{}
	}
	for name, at := range map[string]func(l *fittedLap) *float64{
		"lag_ms":            func(l *fittedLap) *float64 { return &l.lag },
		"lag_error_ms":      func(l *fittedLap) *float64 { return &l.lagError },
		"gain_mpa_per_unit": func(l *fittedLap) *float64 { return &l.gain },
		"correlation":       func(l *fittedLap) *float64 { return &l.correlation },
	} {
		v, err := frame.Get[[]float64](f, name)
		if err != nil {
			return nil, err
		}
		for i := range out {
			*at(&out[i]) = v[i]
		}
	}
	return out, readHeldOut(f, out)
}

// readHeldOut reads the laps' damage as predicted from the others, at every slope.
func readHeldOut(f *frame.Frame, laps []fittedLap) error {
	for _, c := range f.Columns() {
		if !strings.HasPrefix(c.Name, "held_out@") {
			continue
		}
		v, err := frame.Get[[]float64](f, c.Name)
		if err != nil {
			return err
		}
		for i := range laps {
			laps[i].heldOut[c.Name] = v[i]
		}
	}
	return nil
}
