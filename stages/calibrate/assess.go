package calibrate

import (
	"math"
)

// candidate is what is known of a channel, or of a combination of channels, as a measure
// of the stress.
type candidate struct {
	channel, unit string
	terms         []term // of a combination or a frequency response; nil for a gain
	laps          []prepared
	base          []prepared // the laps before a frequency response was applied; nil without one
	ladder        ladder     // of the frequency response
	plan          plan
	lag           delay
	none          string // why there is nothing to fit; the rest is then not set

	estimate    estimate
	gain        float64 // the one used
	low, high   float64
	method      string // which gain it is, and why
	damageGain  float64
	correlation float64
	coherence   float64
	segments    float64
	residual    float64 // MPa root mean square
	ratio       float64 // damage predicted over damage measured
	reach       float64 // amplitude at which damage is done, in the channel's unit
	bend        curvature
	bent        bool // bend is more than may be
	ripple      ripple
	rungs       []rung // spectra of the channel itself, at all resolutions
	hums        []hum
	of          string // unit of the channel before a frequency response was applied
	lapOut      heldOut
	circuitOut  heldOut
	log10SD     float64
	rival       bool // looked at only to name a mix-up
}

// explained is the share of the stress's power that the candidate follows.
func (c candidate) explained() float64 { return c.correlation * c.correlation }

// worthwhile is the coherence from which on a candidate is looked at in full.
const worthwhile = 0.3

// glance fits least squares alone, for what the stress does not follow.
func (c *candidate) glance() {
	nan := math.NaN()
	var m moments
	for _, l := range c.laps {
		m = m.plus(l.m)
	}
	c.gain = m.xy / m.xx
	c.estimate = estimate{ls: c.gain, tls: nan, share: nan, lapSD: nan}
	c.low, c.high, c.damageGain, c.ratio, c.log10SD = nan, nan, nan, nan, nan
	c.ripple = ripple{size: nan, hz: nan}
	c.residual = math.Sqrt(max(0, m.yy-m.xy*c.gain) / m.n)
	c.lag.lag = nan
	c.bend = curvature{effect: nan, z: nan}
	c.lapOut = heldOut{nan, nan, nan, nan, len(c.laps), ""}
	c.circuitOut = heldOut{nan, nan, nan, nan, circuitsOf(c.laps), ""}
	c.method = "least squares"
}

func circuitsOf(laps []prepared) int {
	seen := map[string]bool{}
	for _, l := range laps {
		seen[l.circuit] = true
	}
	return len(seen)
}

// delayed estimates the lags, applies the joint one, and takes the spectra.
func (f Fitting) delayed(c *candidate, pairs []pair) {
	reach := max(searched, 2*f.MaxLag)
	first := prepare(pairs, math.NaN(), f.HighPass)
	cs := make([]correlogram, len(first))
	for i, l := range first {
		cs[i] = correlate(l, pairs[i].late, reach)
	}
	c.lag = jointLag(cs, reach)
	if math.IsNaN(c.lag.lag) {
		c.none = "constant on the calibration laps"
		return
	}
	c.laps = prepare(pairs, c.lag.lag, f.HighPass)
	c.plan = f.newPlan(c.laps)
	for i := range c.laps {
		c.laps[i].lag = jointLag(cs[i:i+1], reach).lag
		c.laps[i].measure(c.plan)
	}
	c.common(f)
}

// common fills in what needs the sums alone.
func (c *candidate) common(f Fitting) {
	var m moments
	for _, l := range c.laps {
		m = m.plus(l.m)
	}
	c.correlation = m.xy / math.Sqrt(m.xx*m.yy)
	c.segments = segments(c.laps)
	c.coherence = c.plan.weighted(allLines(c.laps), c.segments, f.Slope)
	if c.segments < 4 || math.IsNaN(c.coherence) { // too short for spectra
		c.coherence = c.explained()
	}
	if math.IsNaN(c.correlation) {
		c.none = "constant on the calibration laps"
	}
}

// negligible is the share of power that channel and gauge may lack in common for noise
// not to matter: no gain can then be more than a thousandth off.
const negligible = 1e-3

// assess fits the gain and tests it.
func (f Fitting) assess(c *candidate) error {
	c.estimate = estimateGain(c.laps, f.Seed)
	e := c.estimate
	var m moments
	for _, l := range c.laps {
		m = m.plus(l.m)
	}
	reach, err := countAll(c.laps, f.Slope)
	if err != nil {
		return err
	}
	c.reach, c.damageGain = reach, sign(e.ls)*matched(c.laps, f.Slope)
	if c.base != nil {
		f.useResponse(c)
	} else {
		f.use(c)
	}
	c.residual = math.Sqrt(max(0, m.yy-2*c.gain*m.xy+c.gain*c.gain*m.xx) / m.n)
	c.ratio = ratio(c.laps, c.gain, f.Slope)
	c.bend = bent(c.laps, e.tls, reach)
	c.bent = math.Abs(c.bend.effect) > f.MaxBend
	f.look(c)
	return f.holdOut(c)
}

// use chooses the gain among those fitted.
func (f Fitting) use(c *candidate) {
	e := c.estimate
	gain, how := f.Gain, "asked for"
	if gain == "" || gain == GainAuto {
		gain, how = GainTotal, "noise in the channel would flatten a least-squares gain"
		if 1-c.explained() < negligible {
			gain, how = GainLeast, "noise is negligible"
		}
	}
	switch gain {
	case GainLeast:
		c.gain, c.method = e.ls, "least squares; "+how
	case GainDamage:
		c.gain, c.method = c.damageGain, "damage-matched; "+how
	default:
		c.gain, c.method = e.tls, "total least squares; "+how
	}
	c.low, c.high = e.low*c.gain/e.tls, e.high*c.gain/e.tls
	if c.low > c.high {
		c.low, c.high = c.high, c.low
	}
}

// holdOut predicts laps and circuits that were not fitted.
func (f Fitting) holdOut(c *candidate) (err error) {
	predict := f.predictor(c)
	if c.lapOut, err = leaveOut(c.laps, byLap, predict); err != nil {
		return err
	}
	if c.circuitOut, err = leaveOut(c.laps, byCircuit, predict); err != nil {
		return err
	}
	own := f.Slope * math.Abs((c.high-c.low)/(2*1.96*c.gain)) / math.Ln10
	c.log10SD = own
	for _, h := range []heldOut{c.lapOut, c.circuitOut} {
		if h.sd > c.log10SD {
			c.log10SD = h.sd
		}
	}
	return nil
}

// predictor fits as the candidate was fitted: its gain anew, and its frequency response
// if it has one.
func (f Fitting) predictor(c *candidate) predictor {
	if c.base != nil {
		return f.responsePredictor(c)
	}
	scale := c.gain / c.estimate.ls
	return func(fitted, unseen []prepared) (float64, error) {
		var m moments
		for _, l := range fitted {
			m = m.plus(l.m)
		}
		gain := math.Pow(math.Abs(m.xy/m.xx*scale), f.Slope)
		var d float64
		for _, l := range unseen {
			d += gain * l.dx
		}
		return d, nil
	}
}
