package ingest

import (
	"math"
)

// Limits of what a step of time may be, in nominal steps.
const (
	gapSteps = 1.5 // a longer one is a gap
	rare     = 50  // rounding that makes long steps makes more than one in this many
)

// seconds turns a stamp into s. A scale of 1/n is a division, which rounds once: 86
// ms are the 0.086 s that a user writes.
func seconds(stamp, scale float64) float64 {
	if n := math.Round(1 / scale); scale < 1 && math.Abs(n*scale-1) < 1e-15 {
		return stamp / n
	}
	return stamp * scale
}

// pace is how a recording's samples follow each other in time.
type pace struct {
	step    float64 // nominal, in the unit of the stamps
	rel     float64 // how well it is known, relative
	uniform bool
	jitter  bool    // stamps are early and late by a good part of a step
	gaps    int     // steps longer than gapSteps nominal ones, and not by jitter alone
	longest int     // the step before this row is the first of the longest
	most    float64 // the longest gap in nominal steps
}

// paceOf finds the nominal step of increasing stamps and whether they are uniform:
// each lies on the straight line from the first to the last within a thousandth of
// a step, or on the least-squares line within what rounding the stamps explains
// (see grain). A long step here and there is a gap even where rounding could explain
// it; where rounding makes long steps, it does so again and again.
func paceOf(t []float64) pace {
	n := len(t) - 1
	span := t[n] - t[0]
	ends := pace{step: span / float64(n), uniform: true}
	ends.measure(t)
	if ends.gaps > 0 && ends.gaps*rare < n {
		return unevenPace(t)
	}
	ends.gaps = 0
	if on(t, t[0], ends.step, noGrain(t)) {
		ends.rel = (within(t[0], ends.step, noGrain(t)) + within(t[n], ends.step, noGrain(t))) / span
		return ends
	}
	start, step := leastSquares(t)
	for _, of := range [...]func([]float64) grain{fixedGrain, digitGrain, singleGrain} {
		g := of(t)
		if on(t, start, step, g) {
			ends.rel = (within(t[0], step, g) + within(t[n], step, g)) / span
			ends.step = step
			return ends
		}
	}
	return unevenPace(t)
}

// leastSquares returns the first value and the step of the least-squares line
// through stamps.
func leastSquares(t []float64) (start, step float64) {
	middle := float64(len(t)-1) / 2
	var mean, cross, square float64
	for i, x := range t {
		d := float64(i) - middle
		mean += x - t[0]
		cross += float64(d * (x - t[0]))
		square += float64(d * d)
	}
	step = cross / square
	return t[0] + mean/float64(len(t)) - float64(step*middle), step
}

// on tells whether every stamp lies on a line within what its grain explains. The
// line itself is known no better than a grain divided by the root of the number
// of stamps.
func on(t []float64, start, step float64, g grain) bool {
	slack := 0.51 + 0.6/math.Sqrt(float64(len(t)))
	for i, x := range t {
		off := math.Abs(x - (start + float64(float64(i)*step)))
		if off > 1e-3*step && off > slack*g(x)+ulps*math.Abs(x) {
			return false
		}
	}
	return true
}

// within is how far from its true value a stamp may be: a thousandth of a step, or
// half its grain, plus what float64 cannot hold.
func within(x, step float64, g grain) float64 {
	return max(1e-3*step, 0.51*g(x)+ulps*math.Abs(x))
}

// ulps is a few roundings of a float64, relative.
const ulps = 0x1p-50

// grain returns the distance between neighbouring values that a stamp could have
// had, as far as all stamps together show. Each function below assumes another kind
// of rounding.
type grain func(x float64) float64

func noGrain([]float64) grain {
	return func(float64) float64 { return 0 }
}

// fixedGrain is a fixed number of decimals: the largest power of ten of which all
// stamps are multiples.
func fixedGrain(t []float64) grain {
	exp := 6
	for _, x := range t {
		for exp > -15 && !multiple(x, exp) {
			exp--
		}
	}
	q := math.Pow10(exp)
	return func(float64) float64 { return q }
}

// digitGrain is a fixed number of significant digits: the least that all stamps
// can be written with.
func digitGrain(t []float64) grain {
	digits := 1
	for _, x := range t {
		for digits < 16 && x != 0 && !multiple(x, decade(x)-digits+1) {
			digits++
		}
	}
	return func(x float64) float64 {
		if x == 0 {
			return 0
		}
		return math.Pow10(decade(x) - digits + 1)
	}
}

// singleGrain is single precision, if every stamp is a float32 or one written with
// nine significant digits.
func singleGrain(t []float64) grain {
	for _, x := range t {
		if x != 0 && math.Abs(x-float64(float32(x))) > 0.51*math.Pow10(decade(x)-8) {
			return noGrain(t)
		}
	}
	return func(x float64) float64 {
		f := float32(math.Abs(x))
		return float64(math.Nextafter32(f, math.MaxFloat32) - f)
	}
}

// decade is the exponent of the first significant digit.
func decade(x float64) int { return int(math.Floor(math.Log10(math.Abs(x)))) }

// multiple tells whether x is a multiple of 10^exp as far as float64 can tell.
func multiple(x float64, exp int) bool {
	r := x / math.Pow10(exp)
	if exp < 0 {
		r = x * math.Pow10(-exp)
	}
	return math.Abs(r-math.Round(r)) <= ulps*math.Abs(r)
}

// rate is the nominal rate in Hz of stamps in a unit of so many s. That of uniform
// samples is exact; of others it is the nearest whole number or ratio to a number up to
// ten, which any other rate can be reached from: their instants are their stamps.
func (p pace) rate(scale float64) float64 {
	rate := 1 / (p.step * scale)
	for rel := min(p.rel, 1e-3); ; rel *= 2 {
		if r, found := roundRate(rate, rel); found || p.uniform || rel > 0.1 {
			return r
		}
	}
}

// roundRate returns the whole number or ratio to a number up to ten that a rate in
// Hz cannot be told from, and whether there is one; else the rate.
func roundRate(rate, rel float64) (rounded float64, found bool) {
	rel = max(rel, 0x1p-48)
	for d := 1.0; d <= 10; d++ {
		if m := math.Round(rate * d); m > 0 && math.Abs(m/d-rate) <= rel*rate {
			return m / d, true
		}
	}
	return rate, false
}
