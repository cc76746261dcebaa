package calibrate

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
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
	gain        float64 // the one used, at the fitting's own slope
	low, high   float64
	used        []interval   // the gain used and its interval, by slope
	method      string       // which gain it is, and why
	damageGain  []float64    // by slope
	parts       [][]prepared // of a combination, the laps of each of its channels
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
	seems       float64 // bend with one gain of a stress that is linear through the frequency response; 0 for none
	rungs       []rung  // spectra of the channel itself, at all resolutions
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
	c.ripple = ripple{size: nan, hz: nan, low: nan, high: nan}
	c.seems = nan
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

// interval is a gain with its 95 % interval.
type interval struct{ gain, low, high float64 }

// assess fits the gain and tests it.
func (f Fitting) assess(c *candidate) (err error) {
	c.estimate = estimateGain(c.laps, f.Seed)
	e := c.estimate
	var m moments
	for _, l := range c.laps {
		m = m.plus(l.m)
	}
	if c.reach, err = countAll(c.laps, f.slopes(), f.own()); err != nil {
		return err
	}
	c.damageGain = f.damageGains(c.laps, e)
	f.use(c)
	for i, k := range f.slopes() {
		c.ratio = append(c.ratio, math.Pow(math.Abs(c.used[i].gain), k)/measuredOver(c.laps, i))
	}
	c.residual = math.Sqrt(max(0, m.yy-2*c.gain*m.xy+c.gain*c.gain*m.xx) / m.n)
	f.bow(c)
	if err := f.straighten(c); err != nil {
		return err
	}
	f.look(c)
	return f.holdOut(c)
}

// straighten judges a bend again on what the frequency response predicts: a filter or a
// resonance between channel and gauge bends the line of a single gain too, since large
// cycles have other frequencies than small ones. It is none where the response leaves
// less than half of it, and no more than may be.
func (f Fitting) straighten(c *candidate) error {
	if !c.bent || c.base != nil {
		return nil
	}
	r := f.asResponse(*c)
	if r.none != "" {
		return nil
	}
	var err error
	if r.reach, err = countAll(r.laps, f.slopes(), f.own()); err != nil {
		return err
	}
	r.estimate, _ = fitGain(runs(r.laps))
	r.damageGain = f.damageGains(r.laps, r.estimate)
	f.bow(&r)
	if worst := max(math.Abs(c.bend.effect)/f.MaxBend, math.Abs(c.excess)/f.MaxExcess); r.bent ||
		max(math.Abs(r.bend.effect)/f.MaxBend, math.Abs(r.excess)/f.MaxExcess) > worst/2 {
		return nil
	}
	if c.seems = c.bend.effect; math.Abs(c.seems) <= f.MaxBend {
		c.seems = math.Pow(1+c.excess, 1/f.Slope) - 1
	}
	c.bend, c.excess, c.bent = r.bend, r.excess, false
	return nil
}

// bow finds how far the stress is from a straight line of a candidate.
func (f Fitting) bow(c *candidate) {
	var m moments
	for _, l := range c.laps {
		m = m.plus(l.m)
	}
	c.bend = f.bendOf(c)
	c.excess = math.Pow(math.Abs(c.damageGain[f.own()])/math.Sqrt(m.yy/m.xx), f.Slope) - 1
	c.bent = math.Abs(c.bend.effect) > f.MaxBend || math.Abs(c.excess) > f.MaxExcess
}

// damageGains are the damage-matched gains, by slope.
func (f Fitting) damageGains(laps []prepared, e estimate) []float64 {
	var out []float64
	for i, k := range f.slopes() {
		out = append(out, sign(e.ls)*math.Pow(measuredOver(laps, i), 1/k))
	}
	return out
}

// choice is a gain at every slope, and which it is.
type choice struct {
	gains  []float64
	method string
}

// choose takes a gain among those fitted. The damage-matched one is each slope's own.
func (f Fitting) choose(e estimate, matched []float64) choice {
	same := func(gain float64, method string) choice {
		return choice{slices.Repeat([]float64{gain}, len(matched)), method}
	}
	switch f.Gain {
	case GainLeast:
		return same(e.ls, "least squares; asked for")
	case GainDamage:
		return choice{matched, "damage-matched; asked for"}
	case GainTotal:
		return same(e.tls, "total least squares; asked for")
	}
	if e.told() {
		return same(e.tls, "total least squares"+e.flattened())
	}
	var bound []string
	gains := make([]float64, len(matched))
	for i, k := range f.slopes() {
		if gains[i] = within(matched[i], e.ls, e.reverse); gains[i] != matched[i] {
			bound = append(bound, strconv.FormatFloat(k, 'g', -1, 64))
		}
	}
	name := "damage-matched"
	if len(bound) == len(gains) {
		name = "the damage-matched gain's bound"
	}
	method := fmt.Sprintf("%s; noise split unknown (coloured noise, or a response that is not flat): gain between %.4g, least squares, and %.4g", name, e.ls, e.reverse)
	if bound != nil {
		method += "; damage-matched would be outside at slope " + strings.Join(bound, ", ") + ", where the nearer of these is used"
	}
	return choice{gains, method}
}

// chooseFactor takes the factor on what a combination or a frequency response predicts: one
// for all slopes, for laps' stress is predicted before its slope is known.
func (f Fitting) chooseFactor(c *candidate, e estimate, matched []float64) choice {
	own := f.own()
	if c.base == nil {
		ch := f.choose(e, matched)
		return choice{slices.Repeat([]float64{ch.gains[own]}, len(matched)), ch.method}
	}
	factor, method := 1.0, "frequency response, the channel's noise taken out of its spectrum"
	switch f.Gain {
	case GainDamage:
		factor, method = matched[own], "frequency response, its factor damage-matched; asked for"
	case GainLeast:
		method = "frequency response by least squares; asked for"
	}
	return choice{slices.Repeat([]float64{factor}, len(matched)), method}
}

// chosen takes the gain, or the factor.
func (f Fitting) chosen(c *candidate, e estimate, matched []float64) choice {
	if c.terms != nil {
		return f.chooseFactor(c, e, matched)
	}
	return f.choose(e, matched)
}

// use takes the gain with its interval, at every slope.
func (f Fitting) use(c *candidate) {
	ch := f.chosen(c, c.estimate, c.damageGain)
	c.method = ch.method
	for _, gain := range ch.gains {
		c.used = append(c.used, c.around(gain))
	}
	own := c.used[f.own()]
	c.gain, c.low, c.high = own.gain, own.low, own.high
}

// around is the interval of a gain that is used.
func (c *candidate) around(gain float64) interval {
	e := c.estimate
	out := interval{gain, e.low, e.high}
	switch {
	case c.base != nil:
		return interval{gain, gain * e.low / e.tls, gain * e.high / e.tls}
	case e.told(): // an interval of that gain, and of the one beside it
		out.low, out.high = e.low+min(gain-e.tls, 0), e.high+max(gain-e.tls, 0)
	}
	if c.ranges != nil {
		return c.widened(out)
	}
	return out
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
		u := c.used[i]
		sd := k * math.Abs((u.high-u.low)/(2*1.96*u.gain)) / math.Ln10
		for _, h := range []heldOut{c.lapOut, c.circuitOut} {
			if o := h.at(i); o.sd > sd {
				sd = o.sd
			}
		}
		c.log10SD, c.gainSD = append(c.log10SD, sd), append(c.gainSD, sd/k)
	}
	return nil
}

// predictor fits as the candidate was fitted, all that was chosen anew on the laps that
// are kept: a combination's weights, a frequency response, the noise share, the gain.
func (f Fitting) predictor(c *candidate) predictor {
	refit := func(fitted, unseen []prepared) (kept, left []prepared, err error) { return fitted, unseen, nil }
	switch {
	case c.base != nil:
		refit = f.responseAnew(c)
	case c.parts != nil:
		refit = f.combineAnew(c)
	}
	return func(fitted, unseen []prepared) ([]float64, error) {
		kept, left, err := refit(fitted, unseen)
		if err != nil {
			return nil, err
		}
		e, _ := fitGain(runs(kept))
		gains := f.chosen(c, e, f.damageGains(kept, e)).gains
		d := make([]float64, len(gains))
		for i, k := range f.slopes() {
			for _, l := range left {
				d[i] += math.Pow(math.Abs(gains[i]), k) * l.dx[i]
			}
		}
		return d, nil
	}
}

// namesOf tells which laps are among some.
func namesOf(laps []prepared) map[string]bool {
	out := map[string]bool{}
	for _, l := range laps {
		out[l.lap] = true
	}
	return out
}
