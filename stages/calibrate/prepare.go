package calibrate

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"

	"lapwear/fatigue"
)

// pair is a lap's channel and gauge, sample by sample, as recorded: the gauge in MPa.
type pair struct {
	lap, circuit string
	x, s         []float64
	rate, late   float64 // Hz; s by which the gauge's samples are taken after the channel's
}

// prepared is a pair ready to fit: the channel delayed by the lag, both without mean,
// trend and what is slower than the high pass.
type prepared struct {
	lap, circuit string
	x, s         []float64
	rate         float64
	placing
	own, peak float64 // s, this lap's own lag, and the signed correlation there; NaN where it cannot be told
	lagError  float64 // s, standard error of the lag; NaN where it cannot be told
	drift     float64 // MPa, range of what the high pass took out of the gauge beyond its mean
	amplitude float64 // half the range of the channel as recorded
	hops      []hop
	lines     []line // sums of all its hops
	m         moments
	dx, ds    []float64 // damage of the cycles of x and of s for a unit gain and strength, by slope
}

// placing is how a lap's channel is put to its gauge.
type placing struct {
	lag    float64 // s by which the channel is delayed
	turned bool    // its sign is turned
}

// sameWay puts all laps in one way.
func sameWay(pairs []pair, lag float64) []placing {
	return slices.Repeat([]placing{{lag: lag}}, len(pairs))
}

// withoutTrend returns v less its least-squares line.
func withoutTrend(v []float64) []float64 {
	n := float64(len(v))
	mid := (n - 1) / 2
	var sum, slope float64
	for i, a := range v {
		sum += a
		slope += a * (float64(i) - mid)
	}
	mean := sum / n
	if n > 1 {
		slope /= n * (n*n - 1) / 12
	}
	out := make([]float64, len(v))
	for i, a := range v {
		out[i] = a - mean - slope*(float64(i)-mid)
	}
	return out
}

// average returns the running mean of v over half samples to either side, fewer at the
// ends.
func average(v []float64, half int) []float64 {
	sum := make([]float64, len(v)+1)
	for i, a := range v {
		sum[i+1] = sum[i] + a
	}
	out := make([]float64, len(v))
	for i := range v {
		lo, hi := max(0, i-half), min(len(v), i+half+1)
		out[i] = (sum[hi] - sum[lo]) / float64(hi-lo)
	}
	return out
}

// highPass takes out of v what two running means of 1/corner pass, in place of a drift
// that is no straight line, and returns the range of that. Its response is
// 1 - sinc²(f/corner): nothing of a constant, 0.6 % at a tenth of the corner, all from
// the corner on, within 5 %. It is linear and the same for channel and gauge, so that it
// changes no gain. A corner of 0, or a lap shorter than a period of it, leaves v.
func highPass(v []float64, corner, rate float64) (slow float64) {
	half := int(rate / corner / 2)
	if corner <= 0 || 2*half >= len(v) {
		return 0
	}
	drift := average(average(v, half), half)
	lo, hi := drift[0], drift[0]
	for i, d := range drift {
		v[i] -= d
		lo, hi = min(lo, d), max(hi, d)
	}
	return hi - lo
}

// edge is how many samples at either end of a delayed lap are given up, as far as the
// interpolation reaches.
const edge = 32

// still is the lag in samples below which nothing is shifted: a peak of ten samples a
// cycle moves by 0.02 % of its height.
const still = 0.02

// prepare brings the pairs into the form that is fitted, the channels put as stated.
func prepare(pairs []pair, put []placing, corner float64) []prepared {
	out := make([]prepared, len(pairs))
	for i, p := range pairs {
		x, s := withoutTrend(p.x), withoutTrend(p.s)
		before := span(p.s) - span(s)
		if d := (put[i].lag - p.late) * p.rate; math.Abs(d) > still {
			cut := edge + int(math.Ceil(math.Abs(d)))
			if 4*cut < len(x) {
				x = fatigue.Shift(x, d)
				x, s = withoutTrend(x[cut:len(x)-cut]), withoutTrend(s[cut:len(s)-cut])
			}
		}
		highPass(x, corner, p.rate)
		slow := highPass(s, corner, p.rate)
		if put[i].turned {
			floats.Scale(-1, x)
		}
		out[i] = prepared{lap: p.lap, circuit: p.circuit, x: withoutMean(x), s: withoutMean(s), rate: p.rate, placing: put[i],
			own: math.NaN(), peak: math.NaN(), lagError: math.NaN(), drift: max(slow, before, 0), amplitude: span(p.x) / 2}
	}
	return out
}

func withoutMean(v []float64) []float64 {
	var sum float64
	for _, a := range v {
		sum += a
	}
	mean := sum / float64(len(v))
	for i := range v {
		v[i] -= mean
	}
	return v
}

func span(v []float64) float64 {
	lo, hi := v[0], v[0]
	for _, a := range v {
		lo, hi = min(lo, a), max(hi, a)
	}
	return hi - lo
}

// without is the lap but for its channel and what was found of that.
func (l prepared) without() prepared {
	return prepared{lap: l.lap, circuit: l.circuit, s: l.s, rate: l.rate, placing: l.placing,
		own: l.own, peak: l.peak, lagError: l.lagError, drift: l.drift, ds: l.ds}
}
