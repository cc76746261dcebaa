package calibrate

import (
	"math"
	"math/cmplx"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Sizes of what figures are drawn from.
const (
	overlaySeconds = 2.0
	scatterPoints  = 1500
	residualParts  = 24
)

// figures lays out what figures of the chosen candidate are drawn from.
func figures(c candidate, lv []level, f Fitting) []stages.Output {
	return []stages.Output{
		{Name: Overlay, Frame: overlay(c, f)},
		{Name: Scatter, Frame: scatter(c, f.own())},
		{Name: Response, Frame: c.responseFrame(f.Slope)},
		{Name: Residuals, Frame: residuals(c, lv)},
	}
}

// overlay is two seconds about the largest cycle of two laps: first the one whose damage is
// predicted worst, then the one predicted best. One lap is both.
func overlay(c candidate, f Fitting) *frame.Frame {
	var o overlaid
	worst, best := c.extremes(f)
	o.add(c, worst, f)
	if best != worst {
		o.add(c, best, f)
	}
	return frame.Must([]frame.Attr{frame.Text("channel", c.channel)},
		frame.Col("lap_id", "", o.lap), frame.Col("circuit", "", o.circuit), frame.Col("damage_ratio", "", o.ratio),
		frame.Col("time_s", "s", o.time), frame.Col("measured_mpa", "MPa", o.measured), frame.Col("predicted_mpa", "MPa", o.predicted))
}

type overlaid struct {
	lap, circuit                     []string
	ratio, time, measured, predicted []float64
}

// extremes returns the laps whose damage is predicted worst and best.
func (c candidate) extremes(f Fitting) (worst, best int) {
	off := func(i int) float64 {
		if v := math.Abs(math.Log(c.lapRatio(i, f))); !math.IsNaN(v) {
			return v
		}
		return math.Inf(1)
	}
	for i := range c.laps {
		if off(i) > off(worst) {
			worst = i
		}
		if off(i) < off(best) {
			best = i
		}
	}
	return worst, best
}

// lapRatio is a lap's damage, predicted over measured, at the fitting's own slope.
func (c candidate) lapRatio(i int, f Fitting) float64 {
	l, own := c.laps[i], f.own()
	return math.Pow(math.Abs(c.gain), f.Slope) * l.dx[own] / l.ds[own]
}

func (o *overlaid) add(c candidate, i int, f Fitting) {
	l := c.laps[i]
	half := int(overlaySeconds * l.rate / 2)
	lo := max(0, min(largest(l.s)-half, len(l.s)-2*half))
	for k := lo; k < min(len(l.s), lo+2*half); k++ {
		o.lap, o.circuit, o.ratio = append(o.lap, l.lap), append(o.circuit, l.circuit), append(o.ratio, c.lapRatio(i, f))
		o.time, o.measured, o.predicted = append(o.time, float64(k)/l.rate), append(o.measured, l.s[k]), append(o.predicted, c.gain*l.x[k])
	}
}

// largest is where the greatest swing of v ends.
func largest(v []float64) (at int) {
	p, err := fatigue.TurningPoints(v, 0)
	if err != nil {
		return 0
	}
	var top float64
	for i := 1; i < p.Len(); i++ {
		if r := math.Abs(p.Value[i] - p.Value[i-1]); r > top {
			top, at = r, int(p.Index[i])
		}
	}
	return at
}

// scatter is samples at equal distances over all laps.
func scatter(c candidate, own int) *frame.Frame {
	total := 0
	for _, l := range c.laps {
		total += len(l.x)
	}
	stride := max(1, total/scatterPoints)
	var x, s []float64
	for _, l := range c.laps {
		for i := stride / 2; i < len(l.x); i += stride {
			x, s = append(x, l.x[i]), append(s, l.s[i])
		}
	}
	return frame.Must([]frame.Attr{frame.Text("channel", c.channel), frame.Text("transfer", c.transferKind()),
		frame.Num("gain_mpa_per_unit", "MPa", c.gain), frame.Num("gain_ls_mpa_per_unit", "MPa", c.estimate.ls),
		frame.Num("gain_tls_mpa_per_unit", "MPa", c.estimate.tls), frame.Num("gain_damage_mpa_per_unit", "MPa", c.damageGain[own])},
		frame.Col("channel", c.unit, x), frame.Col("stress_mpa", "MPa", s))
}

// mostDrawn is how many lines a spectrum is drawn with at most.
const mostDrawn = 2000

// drawn is the spectra of the channel itself, not of the stress predicted from it, at the
// resolution of the frequency response, or at the one that shows most of a ripple or a hum.
func (c candidate) drawn() rung {
	at := min(c.ripple.rung, len(c.rungs)-1)
	if len(c.hums) > 0 {
		at = len(c.rungs) - 1
	}
	for at > 0 && c.rungs[at].plan.lines() > mostDrawn {
		at--
	}
	return c.rungs[at]
}

// responseFrame is coherence and transfer function over frequency: as each line has it, and
// as it is used.
func (c candidate) responseFrame(slope float64) *frame.Frame {
	r := c.drawn()
	lines, n := r.sum(everyPart)
	used := c.usedAt(r.plan)
	var hz, coherence, gain, phase, weight, fitted []float64
	var total float64
	for k, l := range lines {
		total += r.plan.weight(k, l, slope)
	}
	for k, l := range lines {
		hz = append(hz, r.plan.freq(r.plan.low+k))
		coherence = append(coherence, l.coherence(n))
		gain = append(gain, cmplx.Abs(l.xs)/l.xx)
		phase = append(phase, cmplx.Phase(l.xs)*180/math.Pi)
		weight = append(weight, r.plan.weight(k, l, slope)/total)
		fitted = append(fitted, cmplx.Abs(used[k]))
	}
	return frame.Must([]frame.Attr{frame.Num("segments", "", n), frame.Num("lag_ms", "ms", 1e3*c.lag.lag), frame.Text("channel", c.channel),
		frame.Text("unit", c.channelUnit()), frame.Text("transfer", c.transferKind())},
		frame.Col("frequency_hz", "Hz", hz), frame.Col("coherence", "", coherence), frame.Col("gain_mpa_per_unit", "MPa", gain),
		frame.Col("phase_deg", "deg", phase), frame.Col("weight", "", weight), frame.Col("used_mpa_per_unit", "MPa", fitted))
}

// usedAt is the transfer at a plan's lines: the gain at all, or the frequency response.
func (c candidate) usedAt(p plan) []complex128 {
	out := make([]complex128, p.lines())
	if c.base == nil {
		for k := range out {
			out[k] = complex(c.gain, 0)
		}
		return out
	}
	taps := c.fitted()[0].taps
	size := p.samples(c.laps[0].rate)
	every := 1
	for size*every < len(taps) {
		every *= 2
	}
	h := spread(taps, size*every)
	for k := range out {
		out[k] = h[(p.low+k)*every]
	}
	return out
}

// residuals is what the fit leaves, by amplitude (of the channel's cycles, in its unit)
// and by frequency (in Hz).
func residuals(c candidate, lv []level) *frame.Frame {
	var kind []string
	var from, to, stress, left, gain, count []float64
	add := func(k string, a, b, s, r, g, n float64) {
		kind, from, to, stress = append(kind, k), append(from, a), append(to, b), append(stress, s)
		left, gain, count = append(left, r), append(gain, g), append(count, n)
	}
	for _, l := range lv {
		s, r := c.within(l.from, l.to)
		add("amplitude", l.from, l.to, s, r, l.gain, float64(l.cycles))
	}
	lines := allLines(c.laps)
	parts, each := equalParts(len(lines))
	var all, power float64
	for _, l := range lines {
		all += l.ss
	}
	for _, l := range c.laps {
		power += l.m.yy / float64(len(l.x)) / float64(len(c.laps))
	}
	for j := range parts {
		lo, hi := j*each, (j+1)*each
		var sum line
		for _, l := range lines[lo:hi] {
			sum = sum.plus(l)
		}
		rest := max(0, sum.ss-2*c.gain*real(sum.xs)+c.gain*c.gain*sum.xx)
		add("frequency", c.plan.freq(c.plan.low+lo), c.plan.freq(c.plan.low+hi), math.Sqrt(power*sum.ss/all), math.Sqrt(power*rest/all),
			real(sum.xs)/sum.xx, float64(hi-lo))
	}
	return frame.Must(nil, frame.Col("kind", "", kind), frame.Col("from", "", from), frame.Col("to", "", to),
		frame.Col("stress_mpa", "MPa", stress), frame.Col("residual_mpa", "MPa", left),
		frame.Col("gain_mpa_per_unit", "MPa", gain), frame.Col("count", "", count))
}

// equalParts cuts lines into parts of equal width: of up to residualParts, down to half as
// many, the number that leaves fewest lines at the upper end out.
func equalParts(lines int) (parts, each int) {
	parts = min(residualParts, lines)
	for n := parts; n > residualParts/2; n-- {
		if lines%n < lines%parts {
			parts = n
		}
	}
	return parts, lines / parts
}

// within returns the root mean squares of stress and residual over the samples at which
// the channel's magnitude lies within two bounds.
func (c candidate) within(from, to float64) (stress, residual float64) {
	var s, r, n float64
	for _, l := range c.laps {
		for i, x := range l.x {
			if a := math.Abs(x); a >= from && a < to {
				d := l.s[i] - c.gain*x
				s, r, n = s+l.s[i]*l.s[i], r+d*d, n+1
			}
		}
	}
	return math.Sqrt(s / n), math.Sqrt(r / n)
}
