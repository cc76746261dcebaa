package calibrate

import (
	"math"
	"slices"
)

// trusted is the correlation from which on a lap's own sign and lag are believed.
const trusted = 0.5

// Laps are aligned each by its own lag where one of them departs from the joint lag by
// more than sureLag standard errors of its own and leastLag s, which turns a cycle of
// 50 Hz by 2 degrees.
const (
	sureLag  = 4
	leastLag = 1e-4
)

// delayed finds sign and lag of every lap, applies the joint lag, or each lap's own
// where they differ for sure, and takes the spectra.
func (f Fitting) delayed(c *candidate, pairs []pair) {
	reach := max(searched, 2*f.MaxLag)
	first := prepare(pairs, sameWay(pairs, math.NaN()), f.HighPass)
	cs := make(correlograms, len(first))
	for i, l := range first {
		cs[i] = correlate(l, pairs[i].late, reach)
	}
	var turned []bool
	if c.lag, turned = cs.settle(reach); math.IsNaN(c.lag.lag) {
		c.none = "constant on the calibration laps"
		return
	}
	own, joint, each := make([]delay, len(pairs)), make([]placing, len(pairs)), make([]placing, len(pairs))
	for i := range pairs {
		own[i] = cs[i:i+1].peak(reach, c.lag.lag, func(r float64) float64 { return r * sign(c.lag.peak) })
		joint[i] = placing{c.lag.lag, turned[i]}
		each[i] = joint[i]
		if math.Abs(own[i].peak) > trusted {
			each[i].lag = own[i].lag
		}
	}
	c.put(f, pairs, own, joint, each)
	c.common(f)
}

// settle turns the laps that are of the other sign than most and returns their joint lag.
// A lap's sign is first that of its own highest peak, then that at the joint lag: through
// a resonance a correlogram rings, and its next peak, of the other sign, is about as high.
func (cs correlograms) settle(reach float64) (delay, []bool) {
	own := make([]delay, len(cs))
	turned := make([]bool, len(cs))
	for i := range cs {
		own[i] = jointLag(cs[i:i+1], reach)
	}
	cs.turn(turned, turnedLaps(own))
	joint := jointLag(cs, reach)
	at := make([]delay, len(cs))
	for i := range cs {
		at[i] = cs[i:i+1].signAt(joint.lag, own[i], turned[i])
	}
	cs.turn(turned, turnedLaps(at))
	return jointLag(cs, reach), turned
}

// ringing is the share of a lap's own peak from which on its sign is told at the joint lag:
// with 5 % of critical damping the next peak of a resonance is 15 % lower.
const ringing = 0.8

// signAt is the lap's correlation at a lag, as recorded; its own peak where that is much
// higher, for then the lap's lag is another.
func (cs correlograms) signAt(lag float64, own delay, turned bool) delay {
	v := cs.at(lag)
	if turned {
		v = -v
	}
	if math.Abs(v) < ringing*math.Abs(own.peak) {
		return own
	}
	return delay{lag, v}
}

// turn turns the laps that are to be turned and are not, and back those that are not to be.
func (cs correlograms) turn(turned, to []bool) {
	for i := range cs {
		if turned[i] != to[i] {
			cs[i].turn()
			turned[i] = to[i]
		}
	}
}

// put puts the laps by the joint lag, or each by its own.
func (c *candidate) put(f Fitting, pairs []pair, own []delay, joint, each []placing) {
	near := func(a, b placing) bool { return math.Abs(a.lag-b.lag) <= leastLag }
	if !f.Response && !slices.EqualFunc(joint, each, near) {
		c.place(f, pairs, each, own)
		if c.aligned = c.lagsDiffer(); c.aligned {
			return
		}
	}
	c.place(f, pairs, joint, own)
}

// place prepares the laps as they are put and takes their spectra.
func (c *candidate) place(f Fitting, pairs []pair, put []placing, own []delay) {
	c.laps = prepare(pairs, put, f.HighPass)
	c.plan = f.newPlan(c.laps)
	for i := range c.laps {
		l := &c.laps[i]
		l.measure(c.plan)
		l.own, l.peak, l.lagError = own[i].lag, own[i].peak, l.errorOfLag()
	}
}

// placings are those of the laps.
func (c candidate) placings() []placing {
	return mapped(c.laps, func(l prepared) placing { return l.placing })
}

// turnedLaps tells which laps are of the other sign than most: of those that follow the
// channel; of as many of either sign, those that differ from the first.
func turnedLaps(own []delay) []bool {
	var balance, first float64
	for _, d := range own {
		if math.Abs(d.peak) < trusted || math.IsNaN(d.peak) {
			continue
		}
		balance += sign(d.peak)
		if first == 0 {
			first = sign(d.peak)
		}
	}
	most := first
	if balance != 0 {
		most = sign(balance)
	}
	out := make([]bool, len(own))
	for i, d := range own {
		out[i] = d.peak*most <= -trusted
	}
	return out
}

// errorOfLag is the standard error of a lap's lag, by a jackknife over up to 16 groups of
// its segments; NaN with fewer than four.
func (l *prepared) errorOfLag() float64 {
	var pulls []pull
	for _, h := range l.hops {
		if h.bands != nil {
			pulls = append(pulls, h.pull)
		}
	}
	groups := min(16, len(pulls))
	if groups < 4 {
		return math.NaN()
	}
	var v []float64
	for g := range groups {
		var rest pull
		for i, p := range pulls {
			if i*groups/len(pulls) != g {
				rest = rest.plus(p)
			}
		}
		v = append(v, rest.lag())
	}
	return jackknife(v)
}

// lagKnown tells whether the lap's own lag is believed.
func (l *prepared) lagKnown() bool {
	return l.lagError > 0 && math.Abs(l.peak) > trusted
}

// lagsDiffer tells whether a lap's lag departs from the joint one for sure.
func (c *candidate) lagsDiffer() bool {
	return slices.ContainsFunc(c.laps, func(l prepared) bool {
		off := math.Abs(l.own - c.lag.lag)
		return l.lagKnown() && off > leastLag && off > sureLag*l.lagError
	})
}

// lagRange is by how much the laps' own lags differ, in s; 0 where they are taken as one.
func (c *candidate) lagRange() float64 {
	if !c.aligned {
		return 0
	}
	lags := []float64{c.lag.lag}
	for _, l := range c.laps {
		if l.lagKnown() {
			lags = append(lags, l.own)
		}
	}
	return slices.Max(lags) - slices.Min(lags)
}
