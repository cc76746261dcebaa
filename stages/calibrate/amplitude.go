package calibrate

import (
	"math"

	"lapwear/fatigue"
)

// bendOf is the departure from a straight line that weighs most, of the terms fitted and
// of the gain at high amplitudes.
func (f Fitting) bendOf(c *candidate) curvature {
	worst := bent(c.laps, c.estimate.tls, c.reach)
	if by, ok := bentByAmplitude(c.laps, c.reach, c.reach*math.Abs(c.estimate.tls)); ok && math.Abs(by.effect) > math.Abs(worst.effect) {
		return by
	}
	return worst
}

// top is the share of the amplitude at which damage is done from which on a cycle is
// among the large ones.
const top = 0.8

// leastLarge is how many large cycles tell of their gain.
const leastLarge = 20

// bentByAmplitude compares the gain over the large cycles with that over all, once
// over the channel's cycles and once over the gauge's: noise in one signal makes one of
// the two depart, or both in opposite directions, a bend both in one. The lesser counts.
func bentByAmplitude(laps []prepared, reachX, reachS float64) (curvature, bool) {
	forward, z, ok := largeOverAll(laps, false, top*reachX)
	back, zBack, okBack := largeOverAll(laps, true, top*reachS)
	back = 1/(1+back) - 1
	if !ok || !okBack || forward*back <= 0 || min(math.Abs(z), math.Abs(zBack)) < sure {
		return curvature{}, false
	}
	c := curvature{effect: math.Copysign(min(math.Abs(forward), math.Abs(back)), forward),
		z: math.Copysign(min(math.Abs(z), math.Abs(zBack)), forward), term: "softening"}
	if c.effect > 0 {
		c.term = "hardening"
	}
	return c, true
}

// swings are sums over cycles of products of the changes from one turning point to the
// other: of the signal that is counted with itself and with the other.
type swings struct{ n, xx, xs float64 }

// largeOverAll counts the cycles of the channel, or of the gauge, and returns by which
// share the other's change per change over the large ones differs from that over all,
// with how many standard errors of a jackknife over the laps' parts that is.
func largeOverAll(laps []prepared, gauge bool, from float64) (effect, z float64, ok bool) {
	large, all := make([]swings, groupsOf), make([]swings, groupsOf)
	for n, l := range laps {
		x, s := l.x, l.s
		if gauge {
			x, s = l.s, l.x
		}
		c, err := fatigue.CountCycles(x, 0)
		if err != nil {
			return 0, 0, false
		}
		for k := range c.Closed.From {
			a, b := int(c.Closed.Start[k]), int(c.Closed.End[k])
			g := (n*groupsOf + a*groupsOf/len(x)) / len(laps)
			one := swings{1, (x[b] - x[a]) * (x[b] - x[a]), (x[b] - x[a]) * (s[b] - s[a])}
			all[g] = all[g].plus(one, 1)
			if c.Closed.Amplitude(k) >= from {
				large[g] = large[g].plus(one, 1)
			}
		}
	}
	return compareSwings(large, all)
}

func (a swings) plus(b swings, sign float64) swings {
	return swings{a.n + sign*b.n, a.xx + sign*b.xx, a.xs + sign*b.xs}
}

// compareSwings compares the slopes of large and all, by groups.
func compareSwings(large, all []swings) (effect, z float64, ok bool) {
	var l, a swings
	for g := range large {
		l, a = l.plus(large[g], 1), a.plus(all[g], 1)
	}
	off := func(l, a swings) float64 { return l.xs/l.xx/(a.xs/a.xx) - 1 }
	var v []float64
	for g := range large {
		v = append(v, off(l.plus(large[g], -1), a.plus(all[g], -1)))
	}
	effect = off(l, a)
	z = effect / jackknife(v)
	return effect, z, l.n >= leastLarge && !math.IsNaN(z)
}
