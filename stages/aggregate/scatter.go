package aggregate

import (
	"cmp"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"sync"

	"gonum.org/v1/gonum/stat/distuv"
)

// spread is what is not known of the logarithm of a figure: it departs by Student's t of so many degrees of
// freedom, times the root of the variance. NaN is not known.
type spread struct {
	variance float64 // of the natural logarithm
	freedom  float64
}

// unknown is the spread of what nothing is known of.
func unknown() spread { return spread{math.NaN(), math.NaN()} }

// shared is the spread of a sum of which the figure is a share: to first order the logarithm moves by the share.
func (s spread) shared(share float64) spread { return spread{share * share * s.variance, s.freedom} }

// together adds independent spreads up. The degrees of freedom are those of Welch and Satterthwaite
// (F. E. Satterthwaite, doi:10.2307/3002019).
func together(parts []spread) spread {
	var sum, weight float64
	for _, p := range parts {
		sum += p.variance
		if p.variance > 0 {
			weight += p.variance * p.variance / p.freedom
		}
	}
	switch {
	case math.IsNaN(sum):
		return unknown()
	case weight == 0:
		return spread{sum, math.Inf(1)}
	}
	return spread{sum, sum * sum / weight}
}

// interval returns the figure's 95 % interval.
func (s spread) interval(figure float64) (low, high float64) {
	switch {
	case !(s.variance >= 0) || math.IsInf(figure, 1):
		return math.NaN(), math.NaN()
	case s.variance == 0:
		return figure, figure
	}
	half := math.Sqrt(s.variance) * s.quantile(0.975)
	return figure * math.Exp(-half), figure * math.Exp(half)
}

// manyFree is the number of degrees of freedom from which on Student's t is taken as normal: its quantiles are then off by less than 1e-5.
const manyFree = 1e5

func (s spread) quantile(p float64) float64 {
	if s.freedom > manyFree {
		return distuv.UnitNormal.Quantile(p)
	}
	k := studentsQuantile{p, s.freedom}
	if q, known := quantiles.Load(k); known {
		return q.(float64)
	}
	q := distuv.StudentsT{Sigma: 1, Nu: s.freedom}.Quantile(p)
	quantiles.Store(k, q)
	return q
}

// quantiles are those of Student's t that were asked for, by studentsQuantile: each takes 10 us to find, and the circuits of all hot spots have
// few different numbers of laps.
var quantiles sync.Map

type studentsQuantile struct{ p, freedom float64 }

// throws are what samples of Student's t are drawn from, whatever the degrees of freedom.
type throws struct {
	seed   uint64
	normal []float64
	pairs  []pair // rather more than normal
}

// pair is a normal and a uniform number, from which a number of chi-squared is made, unless they are rejected: surely not where the latter is below sure.
type pair struct{ normal, uniform, sure float64 }

// newThrows draws what n samples need.
func newThrows(n int, seed uint64) *throws {
	t := throws{seed, make([]float64, n), make([]pair, n+n/8)}
	normal, chi := rand.New(rand.NewPCG(seed, 1)), rand.New(rand.NewPCG(seed, 2))
	for i := range t.normal {
		t.normal[i] = normal.NormFloat64()
	}
	for i := range t.pairs {
		x, u := chi.NormFloat64(), chi.Float64()
		t.pairs[i] = pair{x, u, 1 - 0.0331*(x*x)*(x*x)}
	}
	return &t
}

// thrown is what all hot spots and scenarios are drawn from: they compare like with like, and it is made once.
var thrown = sync.OnceValue(func() *throws { return newThrows(resamples, 1) })

// draws returns natural logarithms of factors by which the figure departs, drawn at random.
func (s spread) draws(from *throws) []float64 {
	out := make([]float64, len(from.normal))
	if !(s.variance > 0) {
		return out
	}
	sd := math.Sqrt(s.variance)
	if !(s.freedom <= manyFree) {
		for i, t := range from.normal {
			out[i] = sd * t
		}
		return out
	}
	from.chiSquares(out, s.freedom)
	for i, t := range from.normal {
		out[i] = sd * (t / math.Sqrt(out[i]/s.freedom))
	}
	return out
}

// chiSquares fills out with numbers of chi-squared of so many degrees of freedom: bit for bit those that gonum gives of a source of the same seed.
func (t *throws) chiSquares(out []float64, freedom float64) {
	if t.quickChiSquares(out, freedom) {
		return
	}
	chi := distuv.ChiSquared{K: freedom, Src: rand.NewPCG(t.seed, 2)}
	for i := range out {
		out[i] = chi.Rand()
	}
}

// quickChiSquares does so from pairs (G. Marsaglia and W. W. Tsang, ACM Transactions on Mathematical Software 26 (2000) 363,
// doi:10.1145/358407.358414); false where these do not do: with few degrees of freedom. The sixteen accounts of a season take 0.7 ms less.
func (t *throws) quickChiSquares(out []float64, freedom float64) bool {
	if !(freedom > 2) {
		return false
	}
	d, n := freedom/2-1.0/3, 0
	c := 1 / (3 * math.Sqrt(d))
	for i := 0; n < len(out); i++ {
		if i == len(t.pairs) {
			return false
		}
		p := &t.pairs[i]
		v := 1 + p.normal*c
		if v <= 0 {
			return false // gonum takes another normal number then
		}
		v = v * v * v
		if p.uniform < p.sure || math.Log(p.uniform) < 0.5*p.normal*p.normal+d*(1-v+math.Log(v)) {
			out[n] = d * v / 0.5
			n++
		}
	}
	return true
}

// widest is the standard deviation of ln damage from on which laps are taken to scatter no more: the formula for lognormal values would
// go on to intervals beyond all measure. Common practice, no source.
const widest = 1.5

// relative returns the variance of one value relative to the mean of them all, as that of its logarithm: by the logarithms' variance s², as for
// lognormal values s² + n s⁴/2(n-1), or by the values' own, whichever is more. The former is Cox's for the mean of lognormal values (U. Olsson,
// Journal of Statistics Education 13(1), 2005; from memory); the latter holds where a few values are far above the others. Not known of fewer
// than two, and of values without end.
func relative(v []float64) spread {
	n := float64(len(v))
	if n < 2 {
		return unknown()
	}
	mean, sd := meanSD(v)
	if mean == 0 {
		return spread{0, n - 1}
	}
	variance := sd * sd / (mean * mean)
	if slices.Min(v) > 0 {
		logs := make([]float64, len(v))
		for i, x := range v {
			logs[i] = math.Log(x)
		}
		_, s := meanSD(logs)
		s = min(s, widest)
		variance = max(variance, s*s+n*math.Pow(s, 4)/(2*(n-1)))
	}
	return spread{variance, n - 1}
}

// ofMean is the spread of a mean of n values where s is that of one.
func (s spread) ofMean(n float64) spread { return spread{s.variance / n, s.freedom} }

// manyLaps is the number of laps from which on the bootstrap knows the shape of their scatter. Measured; see the test of coverage.
const manyLaps = 30

// meanInterval returns the 95 % interval of a mean: by Student's t on the logarithm with few values (see relative), with many by the
// bootstrap, likewise of the logarithm over its standard error (the bootstrap-t of Efron and Tibshirani, An Introduction to the Bootstrap, 1993,
// chapter 12; from memory). NaN with fewer than two values.
func meanInterval(v []float64, name string) (low, high float64) {
	one := relative(v)
	mean, sd := 0.0, 0.0
	if len(v) > 0 {
		mean, sd = meanSD(v)
	}
	plain := one.ofMean(float64(len(v)))
	if len(v) < manyLaps || !(one.variance > 0) || math.IsInf(mean, 1) {
		return plain.interval(mean)
	}
	pivots := pivots(v, name)
	if len(pivots) < resamples*9/10 { // hardly a value differs from the others
		return plain.interval(mean)
	}
	low, high = middle(pivots)
	return mean * math.Exp(-high*sd/mean), mean * math.Exp(-low*sd/mean)
}

// pivots returns, of samples drawn with replacement, by how much the logarithm of the mean departs, over its
// standard error, in order; samples of equal values have none. The draw is seeded by its name: it depends on nothing else
// that is computed.
func pivots(v []float64, name string) []float64 {
	h := fnv.New64a()
	h.Write([]byte(name))
	rng := rand.NewPCG(h.Sum64(), uint64(len(v)))
	mean, _ := meanSD(v)
	size := uint64(len(v))
	out := make([]float64, 0, resamples)
	drawn := make([]float64, len(v))
	for range resamples {
		for i := range drawn {
			// The upper half of a product of 32 random bits: uneven by less than 1e-6 for any number of laps.
			drawn[i] = v[(rng.Uint64()>>32)*size>>32]
		}
		if m, sd := meanSD(drawn); sd > 0 {
			out = append(out, math.Log(m/mean)/(sd/m))
		}
	}
	slices.SortFunc(out, cmp.Compare[float64])
	return out
}

// middle returns what bounds the middle 95 % of sorted values.
func middle(v []float64) (low, high float64) {
	at := func(p float64) float64 {
		x := p * float64(len(v)-1)
		i := int(x)
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
