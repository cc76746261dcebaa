package calibrate

import (
	"math"

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
		{Name: Overlay, Frame: overlay(c)},
		{Name: Scatter, Frame: scatter(c)},
		{Name: Response, Frame: c.responseFrame(f.Slope)},
		{Name: Residuals, Frame: residuals(c, lv)},
	}
}

// overlay is two seconds about the lap's largest cycle, on the lap with the most damage.
func overlay(c candidate) *frame.Frame {
	worst := 0
	for i, l := range c.laps {
		if l.ds > c.laps[worst].ds {
			worst = i
		}
	}
	l := c.laps[worst]
	at := 0
	if p, err := fatigue.TurningPoints(l.s, 0); err == nil {
		var top float64
		for i := 1; i < p.Len(); i++ {
			if r := math.Abs(p.Value[i] - p.Value[i-1]); r > top {
				top, at = r, int(p.Index[i])
			}
		}
	}
	half := int(overlaySeconds * l.rate / 2)
	lo := max(0, min(at-half, len(l.s)-2*half))
	hi := min(len(l.s), lo+2*half)
	var t, measured, predicted []float64
	for i := lo; i < hi; i++ {
		t, measured, predicted = append(t, float64(i)/l.rate), append(measured, l.s[i]), append(predicted, c.gain*l.x[i])
	}
	return frame.Must([]frame.Attr{frame.Text("lap_id", l.lap), frame.Text("circuit", l.circuit), frame.Text("channel", c.channel)},
		frame.Col("time_s", "s", t), frame.Col("measured_mpa", "MPa", measured), frame.Col("predicted_mpa", "MPa", predicted))
}

// scatter is samples at equal distances over all laps.
func scatter(c candidate) *frame.Frame {
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
	return frame.Must([]frame.Attr{frame.Text("channel", c.channel),
		frame.Num("gain_mpa_per_unit", "MPa", c.gain), frame.Num("gain_ls_mpa_per_unit", "MPa", c.estimate.ls),
		frame.Num("gain_tls_mpa_per_unit", "MPa", c.estimate.tls), frame.Num("gain_damage_mpa_per_unit", "MPa", c.damageGain)},
		frame.Col("channel", c.unit, x), frame.Col("stress_mpa", "MPa", s))
}

// responseFrame is coherence and transfer function of the channel itself over frequency.
func (c candidate) responseFrame(slope float64) *frame.Frame {
	lines, n := c.spectra(), c.segments
	var hz, coherence, gain, phase, weight []float64
	var total float64
	for k, l := range lines {
		total += c.plan.weight(k, l, slope)
	}
	for k, l := range lines {
		hz = append(hz, c.plan.freq(c.plan.low+k))
		coherence = append(coherence, l.coherence(n))
		gain = append(gain, math.Hypot(real(l.xs), imag(l.xs))/l.xx)
		phase = append(phase, math.Atan2(imag(l.xs), real(l.xs))*180/math.Pi)
		weight = append(weight, c.plan.weight(k, l, slope)/total)
	}
	return frame.Must([]frame.Attr{frame.Num("segments", "", n), frame.Num("lag_ms", "ms", 1e3*c.lag.lag), frame.Text("channel", c.channel)},
		frame.Col("frequency_hz", "Hz", hz), frame.Col("coherence", "", coherence), frame.Col("gain_mpa_per_unit", "MPa", gain),
		frame.Col("phase_deg", "deg", phase), frame.Col("weight", "", weight))
}

// spectra are the lines of the channel as recorded, not of the stress predicted from it.
func (c candidate) spectra() []line {
	if c.base != nil {
		return allLines(c.base)
	}
	return allLines(c.laps)
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
	parts := min(residualParts, len(lines))
	var all, power float64
	for _, l := range lines {
		all += l.ss
	}
	for _, l := range c.laps {
		power += l.m.yy / float64(len(l.x)) / float64(len(c.laps))
	}
	for j := range parts {
		lo, hi := j*len(lines)/parts, (j+1)*len(lines)/parts
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
