package aggregate

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/damage"
)

// CalibrationSD is the attribute of a fitted transfer that holds the standard deviation
// of log10 damage that the calibration leaves; absent where it is not known.
const CalibrationSD = "calibration_log10_sd"

// fewLaps is the number of laps below which a circuit's own scatter is not trusted.
// Common practice, no source.
const fewLaps = 3

// resamples is how many bootstrap samples an interval and a probability rest on.
const resamples = 2000

// margin is what scatter leaves of the life factor. Standard deviations are of log10
// damage; NaN is not known.
type margin struct {
	probability  float64 // of failure within the target's seasons, all scatter together
	samplingSD   float64 // standard error of probability, from the bootstrap's finite number of samples
	materialOnly float64 // the same with the material's scatter alone

	material, calibration, laps float64

	low, high float64 // 95 % interval of the season's damage, from the laps alone
}

// margin returns the probability that the part fails within the target's seasons.
//
// It is a conditional Monte Carlo: each of the seasons drawn anew has laps drawn with
// replacement within every circuit, as many as were recorded; given its damage D, life
// is lognormal with the variances of material and calibration added, so that season
// fails with Φ(log10(D)/s), D on the median curve over the target's seasons. The mean over the seasons
// is the probability, their standard deviation over √n its standard error.
//
// A material without scatter has no probability. A calibration whose scatter is not known,
// and laps of which no circuit has two, count as none.
func (b *book) margin() margin {
	m := margin{material: b.Strength.Material.Scatter, calibration: b.calibrationSD, laps: math.NaN(), low: math.NaN(), high: math.NaN()}
	median := b.TargetSeasons * math.Pow(10, -distuv.UnitNormal.Quantile(b.Strength.Survival)*m.material)
	m.materialOnly = fatigue.FailureProbability(b.total*median, m.material)
	if m.material == 0 {
		m.material = math.NaN() // it states none
	}
	seasons, known := b.seasonsDrawn()
	if known {
		m.laps = logSD(seasons)
		m.low, m.high = middle(slices.Sorted(slices.Values(seasons)))
	}
	sd := m.material
	if m.calibration > 0 {
		sd = math.Hypot(sd, m.calibration)
	}
	for i, d := range seasons {
		seasons[i] = fatigue.FailureProbability(d*median, sd)
	}
	var scatter float64
	m.probability, scatter = meanSD(seasons)
	m.samplingSD = scatter / math.Sqrt(resamples)
	return m
}

// seasonsDrawn returns the damage of seasons whose laps are drawn anew, and whether
// any circuit has the two laps that it takes to know of scatter.
func (b *book) seasonsDrawn() (seasons []float64, known bool) {
	pool := b.relativeScatter()
	seasons = make([]float64, resamples)
	for i := range b.circuits {
		c := &b.circuits[i]
		var weight float64
		for _, p := range c.places {
			weight += b.laps[p].weight
		}
		if weight == 0 {
			continue
		}
		for k, mean := range b.meansDrawn(c, pool) {
			seasons[k] += weight * mean
		}
	}
	return seasons, len(pool) > 0
}

// relativeScatter pools, over the circuits of two laps and more, by which share of its
// circuit's mean each lap departs from it; widened by √(n/(n-1)) so that the pool has the
// variance of the laps and not that about their own mean.
func (b *book) relativeScatter() []float64 {
	var pool []float64
	for i := range b.circuits {
		c := &b.circuits[i]
		n, mean := float64(len(c.places)), c.lapMean+c.betweenMean
		if n < 2 || !(mean > 0) || math.IsInf(mean, 1) {
			continue
		}
		for _, p := range c.places {
			pool = append(pool, ((b.laps[p].damage+b.laps[p].between)/mean-1)*math.Sqrt(n/(n-1)))
		}
	}
	return pool
}

// meansDrawn returns means of the circuit's laps drawn anew, between laps included. With few laps the
// scatter is that of all circuits together, in proportion to the mean.
func (b *book) meansDrawn(c *circuit, pool []float64) []float64 {
	mean, n := c.lapMean+c.betweenMean, len(c.places)
	from, wide := pool, 1.0
	if n >= fewLaps {
		from, wide = make([]float64, n), math.Sqrt(float64(n)/float64(n-1))
		for i, p := range c.places {
			from[i] = (b.laps[p].damage+b.laps[p].between)/mean - 1
		}
	}
	means := slices.Repeat([]float64{mean}, resamples)
	if len(from) == 0 || !(mean > 0) || math.IsInf(mean, 1) {
		return means
	}
	for i, share := range drawnMeans(from, n, "season\x00"+c.name) {
		means[i] *= max(0, 1+wide*share)
	}
	return means
}

// drawnMeans returns the means of samples of size n drawn with replacement. The draw
// is seeded by its name: it depends on nothing else that is computed, and hot spots and
// scenarios draw the same laps, so that they compare like with like.
func drawnMeans(v []float64, n int, name string) []float64 {
	h := fnv.New64a()
	h.Write([]byte(name))
	rng := rand.NewPCG(h.Sum64(), uint64(len(v)))
	means := make([]float64, resamples)
	size := uint64(len(v))
	for i := range means {
		var sum float64
		for range n {
			// The upper half of a product of 32 random bits: uneven by less than 1e-6 for any number of laps.
			sum += v[(rng.Uint64()>>32)*size>>32]
		}
		means[i] = sum / float64(n)
	}
	return means
}

// meanInterval returns the 95 % percentile bootstrap interval of a mean (Efron and
// Tibshirani, An Introduction to the Bootstrap, 1993, chapter 13; from memory),
// NaN with fewer than two values.
func meanInterval(v []float64, name string) (low, high float64) {
	if len(v) < 2 {
		return math.NaN(), math.NaN()
	}
	means := drawnMeans(v, len(v), name)
	slices.Sort(means)
	return middle(means)
}

// middle returns what bounds the middle 95 % of sorted values.
func middle(v []float64) (low, high float64) {
	at := func(p float64) float64 {
		x := p * float64(len(v)-1)
		i := int(x)
		if v[i] == v[min(i+1, len(v)-1)] { // also without end
			return v[i]
		}
		return v[i] + (x-float64(i))*(v[min(i+1, len(v)-1)]-v[i])
	}
	return at(0.025), at(0.975)
}

// meanSD returns the mean and the standard deviation.
func meanSD(v []float64) (mean, sd float64) {
	for _, x := range v {
		mean += x
	}
	mean /= float64(len(v))
	for _, x := range v {
		sd += (x - mean) * (x - mean)
	}
	return mean, math.Sqrt(sd / float64(len(v)-1))
}

// logSD is the standard deviation of log10 of the positive values; 0 where none is.
func logSD(v []float64) float64 {
	var logs []float64
	for _, x := range v {
		if x > 0 && !math.IsInf(x, 1) {
			logs = append(logs, math.Log10(x))
		}
	}
	if len(logs) < 2 {
		return 0
	}
	_, sd := meanSD(logs)
	return sd
}

// readCalibrationSD returns the scatter of a fitted gain, NaN where it is not known.
func readCalibrationSD(in stages.Inputs) (float64, error) {
	for _, i := range in.Frames {
		if i.Label != damage.TransferInput {
			continue
		}
		f, err := i.Get()
		if err != nil {
			return math.NaN(), err
		}
		if sd, ok := f.Number(CalibrationSD); ok && sd >= 0 {
			return sd, nil
		}
	}
	return math.NaN(), nil
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
