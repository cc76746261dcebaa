package season

import (
	"fmt"
	"math"
	"slices"

	"lapwear/stages/calibrate"
)

// Calibration says how gains are fitted to gauges, and what a fit must keep to be used.
type Calibration struct {
	Fitting calibrate.Fitting // its band is the signal's; Response is each hot spot's own
	Limits  calibrate.Limits
	Stated  bool // the season file states the limits of damage ratios
}

// factorUpTo is the slope up to which the limits of damage ratios are a factor of two
// unless stated: beyond, they are what that is in stress, 9 %.
const factorUpTo = 8

// limits are those at a slope.
func (c Calibration) limits(slope float64) calibrate.Limits {
	l := c.Limits
	if by := slope / factorUpTo; by > 1 && !c.Stated {
		l.RatioLow, l.RatioHigh = math.Pow(l.RatioLow, by), math.Pow(l.RatioHigh, by)
	}
	return l
}

// The transfers of a hot spot.
const (
	transferGain     = "gain"
	transferResponse = "frf"
)

func calibrationShape() *shape {
	return keysOf("max_lag", "high_pass", "slope", "combine", "gain", "seed", "min_coherence", "max_nonlinearity",
		"max_excess", "max_ripple", "max_spread", "damage_ratio", "min_laps", "min_circuits", "proven_laps", "proven_circuits")
}

// wholeUpTo limits a number to whole ones.
func wholeUpTo(low, high float64) limits {
	return limits{func(v float64) bool { return v == math.Trunc(v) && v >= low && v <= high },
		fmt.Sprintf("a whole number from %g to %g", low, high)}
}

// calibration reads the section of that name. The damage ratio is the width that a
// factor of two in life has; the other limits follow from it at the slope of 5: a
// coherence of 0.8 or a gain that is 15 % off changes the damage by a factor of two.
func (d *decoder) calibration(o object) Calibration {
	p, _ := d.object(o.node("calibration"), d.part("calibration"), "calibration")
	c := Calibration{Fitting: calibrate.Fitting{
		MaxLag:    p.quantity("max_lag", duration, 0.02, positive()),
		HighPass:  p.quantity("high_pass", frequency, 0.3, fromZero()),
		BandLow:   d.out.Signal.BandLow,
		BandHigh:  d.out.Signal.BandHigh,
		Slope:     p.number("slope", 5, positive()),
		MaxBend:   p.quantity("max_nonlinearity", share, 0.1, positive()),
		MaxExcess: p.quantity("max_excess", share, 0.25, positive()),
		Combine:   whole(p.number("combine", 1, wholeUpTo(1, 3))),
		Gain:      p.choice("gain", calibrate.GainAuto, calibrate.GainLeast, calibrate.GainTotal, calibrate.GainDamage),
		Seed:      whole(p.number("seed", 1, wholeUpTo(0, 1e9))),
	}}
	c.Limits = calibrate.Limits{
		MinCoherence: p.number("min_coherence", 0.8, upToOne()),
		MaxLag:       c.Fitting.MaxLag,
		MaxBend:      c.Fitting.MaxBend,
		MaxExcess:    c.Fitting.MaxExcess,
		MaxSpread:    p.quantity("max_spread", share, 0.1, positive()),
		MaxRipple:    p.quantity("max_ripple", share, 0.2, positive()),
		MinLaps:      p.number("min_laps", 1, wholeUpTo(1, 1e6)),
		MinCircuits:  p.number("min_circuits", 1, wholeUpTo(1, 1e6)),
		ProvenLaps:   p.number("proven_laps", 3, wholeUpTo(1, 1e6)),
		ProvenRounds: p.number("proven_circuits", 2, wholeUpTo(1, 1e6)),
	}
	c.Limits.RatioLow, c.Limits.RatioHigh = d.damageRatio(p)
	c.Stated = p.has("damage_ratio")
	return c
}

// whole turns a number that was checked to be whole; 0 for a bad one.
func whole(v float64) int {
	if math.IsNaN(v) {
		return 0
	}
	return int(v)
}

// damageRatio reads [low, high], about 1.
func (d *decoder) damageRatio(p object) (low, high float64) {
	n := p.node("damage_ratio")
	if n == nil {
		return 0.5, 2
	}
	if n.kind != listNode || len(n.items) != 2 {
		d.faults.add(n.pos, "write damage_ratio: [0.5, 2]", "%q of calibration is not a list of two numbers", "damage_ratio")
		return math.NaN(), math.NaN()
	}
	var ends [2]float64
	for i, item := range n.items {
		end := object{d: d, what: "calibration", keys: map[string]entry{"damage_ratio": {"damage_ratio", item.pos, item}}}
		ends[i] = end.number("damage_ratio", math.NaN(), fromZero())
	}
	if ends[0] >= 1 || ends[1] <= 1 {
		d.faults.add(n.pos, "write damage_ratio: [0.5, 2]", "%q of calibration goes from %g to %g, expected from below 1 to above 1", "damage_ratio", ends[0], ends[1])
	}
	return ends[0], ends[1]
}

// transferOf reads what a hot spot says about the transfer from its channel to its
// gauge.
func (d *decoder) transferOf(o object, h *Hotspot) {
	for _, key := range []string{"transfer", "direction", "accept"} {
		if o.has(key) && !o.has("gauge") {
			d.faults.add(o.at(key), "leave it out", "%s has %q but no gauge", o.what, key)
			return
		}
	}
	h.Response = o.choice("transfer", transferGain, transferResponse) == transferResponse
	if n := d.out.Calibration.Fitting.Combine; h.Response && n > 1 {
		d.faults.add(o.at("transfer"), "leave combine out, or give transfer: gain", "%s has \"transfer\" %s, which follows one channel, but calibration has \"combine\" %d",
			o.what, transferResponse, n)
	}
	h.Direction = o.choice("direction", "", "positive", "negative")
	h.Accepted = d.acceptances(o)
}

// acceptances reads accept: {linear: "reason"}.
func (d *decoder) acceptances(o object) []calibrate.Acceptance {
	of, _ := d.part("hotspots").each.field("accept")
	a, ok := d.object(o.node("accept"), of.of, "accept of "+o.what)
	if !ok {
		return nil
	}
	var out []calibrate.Acceptance
	for _, test := range calibrate.Tests() {
		if reason, given := a.scalar(test); given {
			out = append(out, calibrate.Acceptance{Test: test, Reason: reason})
		}
	}
	return slices.Clip(out)
}
