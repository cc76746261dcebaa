package calibrate

import (
	"fmt"
	"math"
)

// A clock drift is told of that is driftSure standard errors from none and moves the gauge
// by leastLag over half of the longest lap.
const driftSure = 5

// drifting are sums over a lap's segments for a straight line of lag over time, weighed by
// how sharp each segment's correlation is.
type drifting struct{ w, t, tt, lag, tlag float64 }

func (d drifting) plus(o drifting) drifting {
	return drifting{d.w + o.w, d.t + o.t, d.tt + o.tt, d.lag + o.lag, d.tlag + o.tlag}
}

// clockDrift is by how much a second of the gauge's clock differs from one of the channel's,
// as a share, over all laps together: the slope of the lag over the time within a lap. It is
// negative for a gauge's clock that is slow, by which all comes ever earlier. NaN for none
// that is sure.
func (c *candidate) clockDrift() float64 {
	var laps []drifting
	longest := 0.0
	for i := range c.laps {
		l := &c.laps[i]
		laps = append(laps, l.drifting(c.plan))
		longest = max(longest, float64(len(l.x))/l.rate)
	}
	if len(laps) < 3 {
		return math.NaN()
	}
	all, rest := slopeOfLag(laps, -1), make([]float64, len(laps))
	for i := range rest {
		rest[i] = slopeOfLag(laps, i)
	}
	if se := jackknife(rest); !(math.Abs(all) > driftSure*se) || math.Abs(all)*longest/2 < leastLag {
		return math.NaN()
	}
	return all
}

// drifting sums a lap's segments up. A segment's lag is that of small angles, by its lines'
// magnitudes: Newton's step goes astray where lags are as long as a quarter period.
func (l *prepared) drifting(p plan) drifting {
	var d drifting
	step := float64(p.samples(l.rate)) / 2 / l.rate
	way := sign(l.m.xy)
	for i, h := range l.hops {
		if w := h.pull.sharp; h.bands != nil && w > 0 {
			t, lag := float64(i)*step, -way*h.pull.first/w
			d = d.plus(drifting{w, w * t, w * t * t, w * lag, w * t * lag})
		}
	}
	return d
}

// slopeOfLag is that of all laps but one, each about its own means.
func slopeOfLag(laps []drifting, but int) float64 {
	var up, down float64
	for i, d := range laps {
		if i != but && d.w > 0 {
			up, down = up+d.tlag-d.t*d.lag/d.w, down+d.tt-d.t*d.t/d.w
		}
	}
	return up / down
}

// clockWords tells of a drifting clock; "" for none.
func clockWords(drift float64) string {
	if math.IsNaN(drift) || drift == 0 {
		return ""
	}
	way := "fast"
	if drift < 0 {
		way = "slow"
	}
	return fmt.Sprintf("the gauge's clock runs about %.0f ppm %s against the channel's: the lag changes within each lap; record both on one clock, or correct the time of one", 10*math.Round(1e5*math.Abs(drift)), way)
}
