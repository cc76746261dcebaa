// Package calibrate is the stage that finds, on laps that carry a gauge, which channel
// the stress at a hot spot follows, and by which gain.
//
//   - A candidate is a channel, or a combination of channels, that may measure the stress.
//   - The lag is by how much the gauge comes later than a candidate. It is found over all
//     laps together and taken out before anything is fitted.
//   - The gain is stress over channel, in MPa per unit. Least squares takes all noise as
//     the gauge's and is too low if the channel has some (regression dilution); total
//     least squares shares it out; the damage-matched gain is the one at which predicted
//     damage equals measured damage.
//   - The transfer is what turns the channel into stress: the gain, or a frequency
//     response where a resonance stands between the two.
//   - The gate is the set of limits that a fit must keep for its transfer to be used.
//
// A Fit gathers the evidence and chooses; a Gate judges it; Predict applies a transfer
// that is more than a gain.
//
// Before the fit each lap of either signal loses its mean, its straight trend and what
// is slower than the high pass: a gauge's zero and drift do not enter. So the fit says
// nothing of static stress, which comes in as the hot spot's offset.
//
// Damage is compared for straight S-N curves of several slopes, of which a Gate takes the
// one for the hot spot's material, so that another material asks for no other fit.
//
// Not guaranteed: that noise is alike at all frequencies, on which its split between
// channel and gauge rests; what lies outside the amplitudes and frequencies of the
// calibration laps.
package calibrate

import (
	"context"
	"errors"
	"math"
	"slices"
	"strconv"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Revision is raised whenever equal inputs may give other bytes than before.
const Revision = 1

// AsideInput is the label of an input that names, in its column lap_id, laps that are
// passed over. It may be left out.
const AsideInput = "set aside"

// Label is the label of the input for a lap's channel.
func Label(lap, channel string) string { return lap + "/" + channel }

// The gains that may be used.
const (
	GainAuto   = "auto"   // total least squares, or damage-matched where the noise is not told apart
	GainLeast  = "ls"     // least squares
	GainTotal  = "tls"    // total least squares
	GainDamage = "damage" // damage-matched
)

// Fitting says how to fit.
type Fitting struct {
	MaxLag   float64 // s, the longest lag that is plausible
	HighPass float64 // Hz; 0 = mean and trend alone are taken out
	BandLow  float64 // Hz, pass band of the signals; 0 is open
	BandHigh float64 // Hz; 0 is open
	Slope    float64 // of the S-N curve that weighs coherence and matches damage
	MaxBend  float64 // share by which the gain at high amplitudes may differ
	// MaxExcess is the share by which damage may differ from that of a straight line of equal power.
	MaxExcess float64
	Combine   int    // how many channels a combination may have; 1 = none
	Gain      string // GainAuto, GainLeast, GainTotal or GainDamage
	Response  bool   // the transfer is a frequency response, not a gain
	Seed      int    // of the resampling
}

func (f Fitting) addTo(h *key.Hasher) {
	h.Float("max_lag_s", f.MaxLag)
	h.Float("high_pass_hz", f.HighPass)
	h.Float("band_low_hz", f.BandLow)
	h.Float("band_high_hz", f.BandHigh)
	h.Float("slope", f.Slope)
	h.Float("max_nonlinearity", f.MaxBend)
	h.Float("max_excess", f.MaxExcess)
	h.Int("combine", int64(f.Combine))
	h.String("gain", f.Gain)
	h.Bool("response", f.Response)
	h.Int("seed", int64(f.Seed))
}

// Params are the stage's parameters.
type Params struct {
	Laps       []string // calibration laps; those that are missing are passed over
	Circuits   []string // of each lap
	Gauge      string   // channel that carries the gauge
	GaugeScale float64  // MPa per unit of the gauge, modulus included
	Candidates []string // channels to choose from, at least one
	Rivals     []string // channels that are compared to name a mix-up, but never chosen
	Fitting    Fitting
}

// Name returns "calibrate".
func (Params) Name() string { return "calibrate" }

// Revision returns the package's Revision.
func (Params) Revision() int { return Revision }

// AddTo adds the parameters to a key. The laps' names are in the inputs' labels.
func (p Params) AddTo(h *key.Hasher) {
	h.String("gauge", p.Gauge)
	h.Float("gauge_scale_mpa", p.GaugeScale)
	for i, c := range p.Candidates {
		h.String("candidate."+strconv.Itoa(i), c)
	}
	for i, c := range p.Rivals {
		h.String("rival."+strconv.Itoa(i), c)
	}
	for i, c := range p.Circuits {
		h.String("lap."+strconv.Itoa(i)+".circuit", c)
	}
	p.Fitting.addTo(h)
}

// Run fits every candidate and chooses the one that the stress follows best.
func (p Params) Run(ctx context.Context, in stages.Inputs) ([]stages.Output, error) {
	r, err := p.newReader(in)
	if err != nil {
		return nil, err
	}
	var all []candidate
	pairs := map[string][]pair{}
	for i, name := range slices.Concat(p.Candidates, p.Rivals) {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		c := candidate{channel: name, rival: i >= len(p.Candidates)}
		pairs[name], c.unit, err = r.pairs(name)
		if refused := (*stages.Refusal)(nil); errors.As(err, &refused) {
			c.none = refused.Reason
		} else if err != nil {
			return nil, err
		} else if len(pairs[name]) == 0 {
			c.none = noLap
		} else {
			p.Fitting.fit(&c, pairs[name])
		}
		all = append(all, c)
	}
	best := bestOf(all)
	for i := range all {
		if err := p.Fitting.judge(&all[i], i == best); err != nil {
			return nil, err
		}
	}
	if best < 0 {
		return nil, p.nothing(all, pairs)
	}
	if all, best, err = p.combine(all, best, pairs); err != nil {
		return nil, err
	}
	return p.outputs(all, best)
}

// combine adds combinations of channels, if they are asked for, and takes one that is worth
// more than the best channel.
func (p Params) combine(all []candidate, best int, pairs map[string][]pair) ([]candidate, int, error) {
	if p.Fitting.Combine < 2 || p.Fitting.Response {
		return all, best, nil
	}
	c, others, better := p.Fitting.combined(all[best], pairs, p.Candidates)
	all = append(all, others...)
	if !better {
		return all, best, nil
	}
	err := p.Fitting.assess(&c)
	return append(all, c), len(all), err
}

// fit finds a channel's lag and what it has in common with the gauge; of its frequency
// response, if that is to be the transfer.
func (f Fitting) fit(c *candidate, pairs []pair) {
	f.delayed(c, pairs)
	if f.Response && !c.rival && c.none == "" {
		*c = f.asResponse(*c)
	}
}

// judge assesses a candidate that is worth it, and the best of all.
func (f Fitting) judge(c *candidate, best bool) error {
	switch {
	case c.none != "":
		return nil
	case best || c.coherence >= worthwhile && !c.rival:
		return f.assess(c)
	}
	c.glance()
	return nil
}

// likelyEqual is how far coherences may differ for the correlation to decide.
const likelyEqual = 0.02

// bestOf returns the place of the candidate of the highest coherence; of those about
// as high, of the highest correlation; -1 when none can be fitted.
func bestOf(all []candidate) int {
	top := math.Inf(-1)
	for _, c := range all {
		if c.none == "" && !c.rival {
			top = max(top, c.coherence)
		}
	}
	best := -1
	for i, c := range all {
		if c.none != "" || c.rival || c.coherence < top-likelyEqual {
			continue
		}
		if best < 0 || c.explained() > all[best].explained() {
			best = i
		}
	}
	return best
}

// noLap is why a candidate without laps cannot be fitted.
const noLap = "no usable calibration lap has it"

// nothing refuses for want of something to fit.
func (p Params) nothing(all []candidate, pairs map[string][]pair) error {
	for _, c := range all {
		if len(pairs[c.channel]) == 0 && c.none != noLap && !c.rival {
			return stages.Refuse("%s", c.none)
		}
	}
	for _, ps := range pairs {
		if len(ps) > 0 {
			return stages.Refuse("fit gauge %q: neither it nor a candidate channel varies on any calibration lap; "+
				"check the gauge's column, or give a gain", p.Gauge)
		}
	}
	return stages.Refuse("fit gauge %q: no usable calibration lap; "+
		"mark laps that carry the gauge with use 'calibration' or 'both', or give a gain", p.Gauge)
}

// outputs lays out all frames.
func (p Params) outputs(all []candidate, best int) ([]stages.Output, error) {
	b := all[best]
	lv, err := levels(b.laps)
	if err != nil {
		return nil, err
	}
	out := []stages.Output{
		{Name: Candidates, Frame: p.Fitting.candidatesFrame(all, best)},
		{Name: Fitted, Frame: transferFrame(b.fitted(), b.laps[0].rate)},
		{Name: PerLap, Frame: p.Fitting.lapsFrame(all, best)},
	}
	return append(out, figures(b, lv, p.Fitting)...), nil
}

// fitted is the transfer in terms, the gain included.
func (c candidate) fitted() []term {
	if c.terms == nil {
		return []term{{c.channel, []float64{c.gain}}}
	}
	out := make([]term, len(c.terms))
	for i, t := range c.terms {
		out[i] = term{t.channel, make([]float64, len(t.taps))}
		for k, w := range t.taps {
			out[i].taps[k] = w * c.gain
		}
	}
	return out
}

// reader reads laps' signals from the inputs.
type reader struct {
	p      Params
	inputs map[string]stages.Input
	aside  []string
}

func (p Params) newReader(in stages.Inputs) (reader, error) {
	r := reader{p: p, inputs: map[string]stages.Input{}}
	for _, i := range in.Frames {
		r.inputs[i.Label] = i
	}
	i, given := r.inputs[AsideInput]
	if !given {
		return r, nil
	}
	f, err := i.Get()
	if err != nil {
		return r, err
	}
	r.aside, err = frame.Get[[]string](f, "lap_id")
	return r, err
}

// pairs reads a channel with the gauge on every lap that has both.
func (r reader) pairs(channel string) (out []pair, unit string, err error) {
	for i, lap := range r.p.Laps {
		g, x := r.inputs[Label(lap, r.p.Gauge)], r.inputs[Label(lap, channel)]
		if slices.Contains(r.aside, lap) || g.Missing != "" || x.Missing != "" || x.Label == "" && slices.Contains(r.p.Rivals, channel) {
			continue
		}
		gf, err := g.Get()
		if err != nil {
			return nil, "", err
		}
		xf, err := x.Get()
		if err != nil {
			return nil, "", err
		}
		c, err := aligned(gf, xf)
		if err != nil {
			return nil, "", named(err, r.p.Gauge, channel, lap)
		}
		one := pair{lap: lap, x: c.channel, s: make([]float64, len(c.gauge)), rate: c.rate, late: c.late}
		if i < len(r.p.Circuits) {
			one.circuit = r.p.Circuits[i]
		}
		for k, v := range c.gauge {
			one.s[k] = v * r.p.GaugeScale
		}
		out, unit = append(out, one), xf.Columns()[0].Unit
	}
	return out, unit, nil
}
