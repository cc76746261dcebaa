package aggregate

import (
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"

	"lapwear/fatigue"
)

// fewLaps is the number of laps below which a circuit's own scatter is not trusted.
// Common practice, no source.
const fewLaps = 3

// resamples is how many random samples an interval and a probability rest on.
const resamples = 2000

// margin is what scatter leaves of the life factor. Standard deviations are of log10
// damage; NaN is not known.
type margin struct {
	probability  float64 // of failure within the target's seasons, all scatter together
	samplingSD   float64 // standard error of probability, from the finite number of draws
	materialOnly float64 // the same with the material's scatter alone

	material, calibration, laps float64

	low, high float64 // 95 % interval of the damage of a season to be driven, from the laps alone; NaN where the part breaks
}

// margin returns the probability that the part fails within the target's seasons.
//
// It is a conditional Monte Carlo: the damage of the seasons to be driven is drawn as the laps allow (see departs);
// given its damage D, life is lognormal with the variances of material and calibration added, so that it
// fails with Φ(log10(D)/s), D on the median curve over the target's seasons. The mean over the draws
// is the probability, their standard deviation over √n its standard error.
//
// A material without scatter has no probability. A calibration whose scatter is not known,
// and laps that say nothing of theirs, count as none. Where a cycle breaks the part at once the part fails, whatever the scatter.
func (b *book) margin() margin {
	m := margin{material: b.Strength.Material.Scatter, calibration: b.gainSD * b.gainSlope}
	m.low, m.high = math.NaN(), math.NaN()
	if b.broken == 0 {
		m.low, m.high = b.departs(1).interval(b.total)
	}
	ahead := b.departs(b.TargetSeasons)
	m.laps = math.Sqrt(ahead.variance) / math.Ln10
	median := b.TargetSeasons * math.Pow(10, -distuv.UnitNormal.Quantile(b.Strength.Survival)*m.material)
	m.materialOnly = fatigue.FailureProbability(b.total*median, m.material)
	if m.material == 0 {
		m.material = math.NaN() // it states none
	}
	if b.broken > 0 {
		m.probability = 1
		return m
	}
	sd := m.material
	if m.calibration > 0 {
		sd = math.Hypot(sd, m.calibration)
	}
	drawn, level := ahead.draws(thrown()), math.Log10(b.total*median)
	for i, ln := range drawn {
		drawn[i] = fatigue.FailureProbabilityLog10(level+ln*math.Log10E, sd)
	}
	var scatter float64
	m.probability, scatter = meanSD(drawn)
	m.samplingSD = scatter / math.Sqrt(resamples)
	return m
}

// departs is the spread of the damage of so many seasons to be driven about what the laps recorded say: their mean is not known for
// sure, and the laps to be driven scatter in their turn, v(1/n + 1/N) relative with n laps recorded and N driven. A circuit of few laps
// scatters as all circuits together, in proportion to its mean. Circuits on the basis fleet are each like some recorded circuit, nobody knows
// which: their spread is that among circuits.
//
// Laps are taken as independent: what all laps of a season share is not in it.
func (b *book) departs(seasons float64) spread {
	var parts []spread
	var few, borrowed, squares float64
	for i := range b.circuits {
		c := &b.circuits[i]
		if c.season == 0 {
			continue
		}
		share, n, ahead := c.season/b.total, float64(len(c.places)), 1/(c.planned.Laps*seasons)
		switch {
		case c.basis == Fleet:
			borrowed, squares = borrowed+share, squares+share*share
			few += share * share * ahead
		case len(c.places) >= fewLaps:
			parts = append(parts, spread{c.lap.variance * (1/n + ahead), c.lap.freedom}.shared(share))
		default:
			few += share * share * (1/n + ahead)
		}
	}
	if few > 0 {
		all := b.pooled()
		parts = append(parts, spread{few * all.variance, all.freedom})
	}
	if borrowed > 0 {
		m := b.among.freedom + 1
		parts = append(parts, spread{b.among.variance * (borrowed*borrowed/m + squares), b.among.freedom})
	}
	return together(parts)
}

// pooled is the spread of a lap over the circuits of two laps and more.
func (b *book) pooled() spread {
	var sum, freedom float64
	for i := range b.circuits {
		if c := &b.circuits[i]; len(c.places) > 1 {
			sum += c.lap.variance * c.lap.freedom
			freedom += c.lap.freedom
		}
	}
	return spread{sum / freedom, freedom} // not known without any
}

// scatterNote says what the season's interval and its probability leave out.
func (b *book) scatterNote(m margin) string {
	if b.broken > 0 {
		return "a cycle reaches the ultimate stress and breaks the part at once, whatever the scatter: no interval"
	}
	var out []string
	if math.IsNaN(m.material) {
		out = append(out, "the material states no scatter: no probability")
	}
	if math.IsNaN(m.calibration) && b.total > 0 {
		out = append(out, "the gain's scatter is not known and counts as none")
	}
	switch {
	case !math.IsNaN(m.laps), math.IsInf(b.total, 1):
	case b.borrowed > 0 && !(b.among.freedom > 0):
		out = append(out, "all that is borrowed rests on one recorded circuit: how circuits differ is not known and counts as none")
	default:
		out = append(out, "no circuit has two laps: how laps scatter is not known and counts as none")
	}
	return strings.Join(out, "; ")
}

// allowance returns what the reserve buys: the ratio of the thickness at which the life
// factor is just met to today's, where stress falls with thickness to the power of the exponent
// (1: a membrane; 2: a plate in bending). Below 1 there is metal to spare. NaN without an exponent, and where
// the reserve has no end.
func allowance(reserve, exponent float64) float64 {
	if exponent == 0 || math.IsInf(reserve, 1) {
		return math.NaN()
	}
	return math.Pow(reserve, -1/exponent)
}
