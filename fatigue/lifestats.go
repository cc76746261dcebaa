package fatigue

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mathext"
)

// FailureProbability is the chance that a part has failed by a damage, for a lognormal life: Φ(log10(D)/scatter), with D the damage
// on the median curve and scatter the standard deviation of log10 N. 0.5 at D = 1, 0 at D = 0; NaN for a scatter or a D that
// is not positive (a D of 0 aside): without scatter there is no probability.
func FailureProbability(damageAtMedian, scatter float64) float64 {
	return FailureProbabilityLog10(math.Log10(damageAtMedian), scatter) // the logarithm of what is negative is NaN
}

// FailureProbabilityLog10 is FailureProbability of the damage of which log10Damage is the logarithm to base 10, -Inf where there is none.
func FailureProbabilityLog10(log10Damage, scatter float64) float64 {
	if !(scatter > 0) {
		return math.NaN()
	}
	return math.Erfc(-log10Damage/scatter/math.Sqrt2) / 2
}

// ToleranceFactor is the one-sided k for n normal values: with a confidence, a share p of all values lies above their mean less k
// standard deviations (with n-1 degrees of freedom). k = t(confidence; n-1, z·√n)/√n, t the quantile of the noncentral Student
// distribution and z the normal quantile of p. For lives take their logarithms. It is an error if n is below 2, or if p or the
// confidence is not within 0 and 1. (D. B. Owen, Sandia SCR-607, 1963; ISO 16269-6.)
func ToleranceFactor(n int, p, confidence float64) (float64, error) {
	if n < 2 {
		return 0, fmt.Errorf("find tolerance factor: %d values have no scatter: give at least 2", n)
	}
	return toleranceFactor(1/float64(n), float64(n-1), p, confidence)
}

// toleranceFactor takes the variance of the estimated mean over that of a value, and the degrees of freedom of the scatter.
func toleranceFactor(leverage, freedom, p, confidence float64) (float64, error) {
	if !aShare(p) || !aShare(confidence) {
		return 0, fmt.Errorf("find tolerance factor: share %g and confidence %g: give both between 0 and 1", p, confidence)
	}
	z := mathext.NormalQuantile(p)
	rule := newScatterRule(freedom)
	chance := func(k float64) float64 { return rule.confidence(k, z, leverage) }
	lo, hi := z-1, z+1
	for chance(hi) < confidence {
		lo, hi = hi, 2*hi-z
		if hi > 1e9 {
			return 0, fmt.Errorf("find tolerance factor: none below 1e9 for share %g and confidence %g: ask for less", p, confidence)
		}
	}
	for chance(lo) > confidence {
		lo, hi = 2*lo-z, lo
	}
	for range 60 {
		k := (lo + hi) / 2
		if chance(k) < confidence {
			lo = k
		} else {
			hi = k
		}
	}
	return (lo + hi) / 2, nil
}

func aShare(p float64) bool { return p > 0 && p < 1 }

// scatterRule integrates over the estimate s of a scatter of 1, whose square times its degrees of freedom is chi-squared.
type scatterRule struct{ s, weight []float64 }

func newScatterRule(freedom float64) scatterRule {
	size, _ := math.Lgamma(freedom / 2)
	size -= freedom / 2 * math.Log(freedom/2)
	reach := 12 / math.Sqrt(2*freedom)
	lo, hi := max(0, 1-reach), 1+reach
	const pieces, nodes = 100, 8
	edge := func(i int) float64 {
		share := float64(i) / pieces
		if lo == 0 { // few values: a great k looks close to no scatter at all
			share *= share * share * share * share * share
		}
		return lo + (hi-lo)*share
	}
	r := scatterRule{make([]float64, pieces*nodes), make([]float64, pieces*nodes)}
	for i := range pieces {
		s, w := r.s[i*nodes:(i+1)*nodes], r.weight[i*nodes:(i+1)*nodes]
		quad.Legendre{}.FixedLocations(s, w, edge(i), edge(i+1))
		for j, x := range s {
			w[j] *= 2 * math.Exp((freedom-1)*math.Log(x)-freedom*x*x/2-size)
		}
	}
	return r
}

// confidence is the chance that mean - k·s is below the quantile z of all values: the mean of Φ((k·s - z)/√leverage). The integral is
// used rather than a series since it holds for any number of values.
func (r scatterRule) confidence(k, z, leverage float64) float64 {
	var sum float64
	for i, s := range r.s {
		sum += r.weight[i] * math.Erfc(-(k*s-z)/math.Sqrt(2*leverage)) / 2
	}
	return sum
}

// SuccessRun is how many specimens must be tested to the target life, with at most this number of failures, to show a reliability at it
// with a confidence: the least n with Σ C(n,i)·(1-R)^i·R^(n-i), i up to failures, at most 1-confidence. Without failures it is
// ln(1-confidence)/ln R, rounded up. It is an error if a share is not within 0 and 1, if failures is negative, or if n exceeds 1e9.
func SuccessRun(reliability, confidence float64, failures int) (int, error) {
	if !aShare(reliability) || !aShare(confidence) || failures < 0 {
		return 0, fmt.Errorf("find number of specimens: reliability %g, confidence %g, %d failures: give shares between 0 and 1, and failures from 0",
			reliability, confidence, failures)
	}
	few := func(n int) float64 { return atMost(failures, n, 1-reliability) }
	lo, hi := failures, failures+1 // with n = failures specimens nothing is shown
	for few(hi) > 1-confidence {
		if lo, hi = hi, 2*hi; hi > 1e9 {
			return 0, fmt.Errorf("find number of specimens: more than 1e9 for reliability %g: ask for less", reliability)
		}
	}
	for hi-lo > 1 {
		if n := (lo + hi) / 2; few(n) > 1-confidence {
			lo = n
		} else {
			hi = n
		}
	}
	return hi, nil
}

// atMost is the chance of at most f failures of n > f, each of chance q.
func atMost(f, n int, q float64) float64 {
	return 1 - mathext.RegIncBeta(float64(f+1), float64(n-f), q)
}

// TestFactor is to what multiple of the target life n specimens must be tested without failure to show a reliability at the target with
// a confidence, where the scatter of ln life is known: with q = (1-confidence)^(1/n) the reliability that n passes show,
//
//	ln factor = scale·(z(1-q) - z(1-R))
//
// and z the model's quantile; for Weibull of shape 1/scale that is (ln(1-confidence)/(n·ln R))^(1/shape). Below 1 the test may
// be shorter than the target, which leans on the scatter alone. It is an error if n is below 1, a share is not within 0 and 1, or the scale
// is not positive. (C. Lipson and N. J. Sheth, Statistical Design and Analysis of Engineering Experiments, 1973, from memory.)
func TestFactor(model LifeModel, scale float64, n int, reliability, confidence float64) (float64, error) {
	if !aShare(reliability) || !aShare(confidence) || n < 1 || !(scale > 0) || !finite(scale) {
		return 0, fmt.Errorf("find test length: %d specimens, scale %g, reliability %g, confidence %g: give at least 1, a positive scale, and shares between 0 and 1",
			n, scale, reliability, confidence)
	}
	shown := math.Log1p(-confidence) / float64(n) // ln q
	if model == Weibull {
		return math.Pow(shown/math.Log(reliability), scale), nil
	}
	return math.Exp(scale * (model.quantile(-math.Expm1(shown)) - model.quantile(1-reliability))), nil
}

// UnbrokenBound is the lower bound, with a confidence, of the life that a share survives, where no specimen failed and the scatter of ln
// life is known: the life at which all surviving as long as they did has the chance 1-confidence. Of specimens of one life it is that
// life over TestFactor. It is an error if there is no specimen, if one failed, or as for TestFactor.
func UnbrokenBound(model LifeModel, scale float64, specimens []Specimen, reliability, confidence float64) (float64, error) {
	factor, err := TestFactor(model, scale, len(specimens), reliability, confidence)
	if err != nil {
		return 0, fmt.Errorf("bound life: %w", err)
	}
	low, high := math.Inf(1), math.Inf(-1)
	for i, s := range specimens {
		if !(s.Life > 0) || !finite(s.Life) || !s.RunOut {
			return 0, fmt.Errorf("bound life: specimen %d of life %g: give positive lives of run-outs alone", i, s.Life)
		}
		low, high = min(low, math.Log(s.Life)), max(high, math.Log(s.Life))
	}
	shift := math.Log(factor)
	chance := func(bound float64) (log float64) { // that all survive, if a share of reliability survives the bound
		for _, s := range specimens {
			l, _, _ := model.survived((math.Log(s.Life)-bound)/scale + model.quantile(1-reliability))
			log += l
		}
		return log
	}
	low, high = low-shift, high-shift
	for range 100 {
		if middle := (low + high) / 2; chance(middle) < math.Log1p(-confidence) {
			low = middle
		} else {
			high = middle
		}
	}
	return math.Exp((low + high) / 2), nil
}

// WeibullBound is the lower bound of the characteristic life with a confidence, where Weibull's shape is known:
// (2·Σ life^shape/χ²(confidence; 2r+2))^(1/shape) with r failures; with none that is (Σ life^shape/-ln(1-confidence))^(1/shape).
// The life that a share R survives is it times (-ln R)^(1/shape). It is an error if there is no specimen, or if numbers are not positive.
func WeibullBound(specimens []Specimen, shape, confidence float64) (float64, error) {
	if len(specimens) == 0 || !(shape > 0) || !finite(shape) || !aShare(confidence) {
		return 0, fmt.Errorf("bound life: %d specimens, shape %g, confidence %g: give at least one, a positive shape, and a share between 0 and 1",
			len(specimens), shape, confidence)
	}
	var failures, longest, sum float64
	for i, s := range specimens {
		if !(s.Life > 0) || !finite(s.Life) {
			return 0, fmt.Errorf("bound life: life %d is %g: give a positive number", i, s.Life)
		}
		longest = max(longest, s.Life)
		if !s.RunOut {
			failures++
		}
	}
	for _, s := range specimens {
		sum += math.Pow(s.Life/longest, shape)
	}
	return longest * math.Pow(sum/mathext.GammaIncRegInv(failures+1, confidence), 1/shape), nil
}

// PlotPoint is a failure on probability paper: the share estimated to have failed by its life.
type PlotPoint struct{ Life, Failed float64 }

// PlotPoints places the failures, in order of life, at their median ranks; run-outs shift the ranks of the failures after them by
// (n+1-rank before)/(1+specimens left). The median rank is the median of beta(rank, n+1-rank).
// (L. G. Johnson, The Statistical Treatment of Fatigue Experiments, 1964.) A run-out at the life of a failure counts as longer.
func PlotPoints(specimens []Specimen) ([]PlotPoint, error) {
	order := slices.Clone(specimens)
	for i, s := range order {
		if !(s.Life > 0) || !finite(s.Life) {
			return nil, fmt.Errorf("place failures: life %d is %g: give a positive number", i, s.Life)
		}
	}
	slices.SortStableFunc(order, func(a, b Specimen) int {
		if c := cmp.Compare(a.Life, b.Life); c != 0 || a.RunOut == b.RunOut {
			return c
		} else if b.RunOut {
			return -1
		}
		return 1
	})
	n, rank := float64(len(order)), 0.
	var points []PlotPoint
	for i, s := range order {
		if s.RunOut {
			continue
		}
		rank += (n + 1 - rank) / (1 + n - float64(i))
		points = append(points, PlotPoint{s.Life, mathext.InvRegIncBeta(rank, n+1-rank, 0.5)})
	}
	if points == nil {
		return nil, errors.New("place failures: there is none: test on to a failure")
	}
	return points, nil
}
