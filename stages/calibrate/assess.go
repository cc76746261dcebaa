package calibrate

import (
	"fmt"
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
	method      string    // which gain it is, and why
	damageGain  []float64 // by slope
	correlation float64
	coherence   float64
	segments    float64
	residual    float64   // MPa root mean square
	ratio       []float64 // damage predicted over damage measured, by slope
	reach       float64   // amplitude at which damage is done, in the channel's unit
	bend        curvature
	excess      float64 // damage beyond that of a straight line of equal power, relative
	bent        bool    // bend or excess are more than may be
	ripple      ripple
	rungs       []rung // spectra of the channel itself, at all resolutions
	hums        []hum
	of          string // unit of the channel before a frequency response was applied
	lapOut      heldOut
	circuitOut  heldOut
	log10SD     []float64 // of damage, by slope
	gainSD      []float64 // of log10 gain, by the slope at which it was judged
	ranges      []bounds  // of a combination's coefficients
	shares      []float64 // of its terms in its power
	aligned     bool      // the laps are aligned each by its own lag
	rival       bool      // looked at only to name a mix-up
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
	c.low, c.high, c.excess = nan, nan, nan
	c.ripple = ripple{size: nan, hz: nan}
	c.residual = math.Sqrt(max(0, m.yy-m.xy*c.gain) / m.n)
	c.lag.lag = nan
	c.bend = curvature{effect: nan, z: nan}
	c.lapOut, c.circuitOut = heldOut{parts: len(c.laps)}, heldOut{parts: circuitsOf(c.laps)}
	c.method = "least squares"
}

func circuitsOf(laps []prepared) int {
	seen := map[string]bool{}
	for _, l := range laps {
		seen[l.circuit] = true
	}
	return len(seen)
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

// assess fits the gain and tests it.
func (f Fitting) assess(c *candidate) error {
	c.estimate = estimateGain(c.laps, f.Seed)
	e := c.estimate
	var m moments
	for _, l := range c.laps {
		m = m.plus(l.m)
	}
	slopes := f.slopes()
	reach, err := countAll(c.laps, slopes, f.own())
	if err != nil {
		return err
	}
	c.reach = reach
	for i, k := range slopes {
		c.damageGain = append(c.damageGain, sign(e.ls)*math.Pow(measuredOver(c.laps, i), 1/k))
	}
	if c.base != nil {
		f.useResponse(c)
	} else {
		f.use(c)
	}
	for i, k := range slopes {
		c.ratio = append(c.ratio, math.Pow(math.Abs(c.gain), k)/measuredOver(c.laps, i))
	}
	c.residual = math.Sqrt(max(0, m.yy-2*c.gain*m.xy+c.gain*c.gain*m.xx) / m.n)
	c.bend = f.bendOf(c)
	c.excess = math.Pow(math.Abs(c.damageGain[f.own()])/math.Sqrt(m.yy/m.xx), f.Slope) - 1
	c.bent = math.Abs(c.bend.effect) > f.MaxBend || math.Abs(c.excess) > f.MaxExcess
	f.look(c)
	return f.holdOut(c)
}

// use chooses the gain among those fitted.
func (f Fitting) use(c *candidate) {
	e := c.estimate
	switch f.Gain {
	case GainLeast:
		c.gain, c.method = e.ls, "least squares; asked for"
	case GainDamage:
		c.gain, c.method = c.damageGain[f.own()], "damage-matched; asked for"
	case GainTotal:
		c.gain, c.method = e.tls, "total least squares; asked for"
	default:
		c.gain, c.method = e.tls, "total least squares"+e.flattened()
		if !e.told() {
			c.gain = within(c.damageGain[f.own()], e.ls, e.reverse)
			c.method = fmt.Sprintf("damage-matched; the noise is not alike at all frequencies, so that its split between channel and gauge is not told: "+
				"the gain may be anything from %.4g, all noise the gauge's, to %.4g, all the channel's", e.ls, e.reverse)
		}
	}
	c.low, c.high = e.low, e.high
	if off := c.gain - e.tls; e.told() { // an interval of that gain, and of the one beside it
		c.low, c.high = e.low+min(off, 0), e.high+max(off, 0)
	}
	if c.ranges != nil {
		c.widened()
	}
}

// within brings v between two bounds in either order.
func within(v, a, b float64) float64 { return min(max(v, min(a, b)), max(a, b)) }

// holdOut predicts laps and circuits that were not fitted.
func (f Fitting) holdOut(c *candidate) (err error) {
	predict := f.predictor(c)
	if c.lapOut, err = leaveOut(c.laps, byLap, predict); err != nil {
		return err
	}
	if c.circuitOut, err = leaveOut(c.laps, byCircuit, predict); err != nil {
		return err
	}
	for i, k := range f.slopes() {
		sd := k * math.Abs((c.high-c.low)/(2*1.96*c.gain)) / math.Ln10
		for _, h := range []heldOut{c.lapOut, c.circuitOut} {
			if o := h.at(i); o.sd > sd {
				sd = o.sd
			}
		}
		c.log10SD, c.gainSD = append(c.log10SD, sd), append(c.gainSD, sd/k)
	}
	return nil
}

// predictor fits as the candidate was fitted: its gain anew, and its frequency response
// if it has one.
func (f Fitting) predictor(c *candidate) predictor {
	if c.base != nil {
		return f.responsePredictor(c)
	}
	scale, slopes := c.gain/c.estimate.ls, f.slopes()
	return func(fitted, unseen []prepared) ([]float64, error) {
		var m moments
		for _, l := range fitted {
			m = m.plus(l.m)
		}
		d := make([]float64, len(slopes))
		for i, k := range slopes {
			for _, l := range unseen {
				d[i] += math.Pow(math.Abs(m.xy/m.xx*scale), k) * l.dx[i]
			}
		}
		return d, nil
	}
}
