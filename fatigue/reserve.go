package fatigue

import (
	"fmt"
	"math"
)

// Reserve is the factor by which all stresses may grow until the damage just meets limit: the largest scale with total(scale) <= limit,
// to 1e-10 of itself and never above it. total gives the damage with all stresses multiplied by scale; it must not fall as scale
// grows, but may jump, stay at 0, and be +Inf. Where it does fall, the result is a scale at which it crosses the limit.
//
// +Inf where the damage is still 0 at a scale of 1e6, or within the limit at 1e12. 0 where it is above the limit
// at every scale down to 1e-12, as with limit 0 and a curve without end. An error for a limit or a total that is negative or NaN.
//
// The search brackets the root and then narrows by Chandrupatla's method in log-log, where the damage is nearly straight:
// some 4 to 11 evaluations where it is smooth, some 40 at a jump. (T.R. Chandrupatla, doi:10.1016/S0965-9978(96)00051-8.)
func Reserve(total func(scale float64) float64, limit float64) (float64, error) {
	if !(limit >= 0) {
		return 0, fmt.Errorf("find stress reserve: limit %g: give a damage from 0", limit)
	}
	s := reserveSearch{total: total, limit: limit}
	low, high := s.bracket()
	scale := 0.0
	switch {
	case high.open:
		scale = math.Inf(1)
	case !low.open:
		scale = s.narrow(low, high)
	}
	if s.err != nil {
		return 0, fmt.Errorf("find stress reserve: %w", s.err)
	}
	return scale, nil
}

// reserveTolerance is the width of the last bracket in ln scale.
const reserveTolerance = 5e-11

// A trial is one evaluation: x = ln scale, y = ln(total/limit), above where total > limit.
type trial struct {
	x, y  float64
	above bool
	open  bool // no bound: the search ended there without a crossing
}

type reserveSearch struct {
	total func(float64) float64
	limit float64
	err   error
}

func (s *reserveSearch) at(x float64) trial {
	d := s.total(math.Exp(x))
	if !(d >= 0) && s.err == nil {
		s.err = fmt.Errorf("the damage at scale %g is %g: check the stresses and the curve for NaN", math.Exp(x), d)
	}
	t := trial{x: x, y: math.Log(d) - math.Log(s.limit), above: d > s.limit}
	switch d { // where the difference of logarithms is NaN, or not quite 0
	case 0:
		t.y = math.Inf(-1)
	case s.limit:
		t.y = 0
	}
	return t
}

// bracket walks from scale 1 towards the limit, first by a guess of slope 4, then in strides that double, until it has passed it.
func (s *reserveSearch) bracket() (low, high trial) {
	last := s.at(0)
	stride := min(max(math.Abs(last.y)/4, 0.01), math.Log(4))
	if last.above {
		stride = -stride
	}
	for s.err == nil {
		next := s.at(min(max(last.x+stride, lowest), last.highest()))
		switch {
		case next.above && !last.above:
			return last, next
		case last.above && !next.above:
			return next, last
		case next.above && next.x <= lowest:
			return trial{open: true}, next
		case !next.above && next.x >= next.highest():
			return next, trial{open: true}
		}
		last, stride = next, 2*stride
	}
	return last, last
}

const lowest = -12 * math.Ln10 // ln scale

// highest is the ln scale at which the search for more damage than this trial's gives up.
func (t trial) highest() float64 {
	if math.IsInf(t.y, -1) {
		return 6 * math.Ln10
	}
	return 12 * math.Ln10
}

// narrow shrinks a bracket to the tolerance and returns its lower scale.
func (s *reserveSearch) narrow(low, high trial) float64 {
	newest, other := low, high
	t := secant(newest, other)
	for i := 0; s.err == nil && math.Abs(other.x-newest.x) > reserveTolerance; i++ {
		margin := min(0.5, reserveTolerance/2/math.Abs(other.x-newest.x))
		if i > 60 { // never needed by a function that does not fall
			t = 0.5
		}
		next := s.at(newest.x + min(max(t, margin), 1-margin)*(other.x-newest.x))
		previous := newest
		if next.above == newest.above {
			newest = next
		} else {
			previous, other, newest = other, newest, next
		}
		t = step(newest, other, previous)
	}
	if newest.above {
		newest = other
	}
	return math.Exp(newest.x)
}

// secant is where the straight line between two trials crosses, as a share of the way from a to b.
func secant(a, b trial) float64 {
	if t := a.y / (a.y - b.y); t >= 0 && t < 1 {
		return t
	}
	return 0.5
}

// step is inverse quadratic interpolation where Chandrupatla's criterion trusts it, else bisection; as a share of the way from a to b.
func step(a, b, c trial) float64 {
	xi, phi := (a.x-b.x)/(c.x-b.x), (a.y-b.y)/(c.y-b.y)
	if !(phi*phi < xi && (1-phi)*(1-phi) < 1-xi) {
		return 0.5
	}
	t := a.y/(b.y-a.y)*c.y/(b.y-c.y) + (c.x-a.x)/(b.x-a.x)*a.y/(c.y-a.y)*b.y/(c.y-b.y)
	if math.IsNaN(t) {
		return 0.5
	}
	return t
}
