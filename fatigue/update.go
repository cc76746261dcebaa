package fatigue

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// LifePrior is what is known of lognormal lives before a test: the median life, normal in log10, and the scatter, whose square is
// scaled inverse chi-squared.
type LifePrior struct {
	Median   float64 // life that half of all specimens reach
	MedianSD float64 // how well it is known: standard deviation of its log10; +Inf = not at all
	Scatter  float64 // standard deviation of log10 life over specimens; the median of what is held possible
	Weight   float64 // how many specimens' worth of knowledge the scatter is, 1 to 1e6: the degrees of freedom
}

// LifePosterior is what is known of lognormal lives after a test, as weights over a grid of medians and scatters.
type LifePosterior struct {
	medians, scatters []float64 // log10 life; standard deviation of log10 life; both rising
	weights           []float64 // median by median, sum 1
}

// UpdateLives joins a prior with specimens by Bayes' rule, run-outs as survivors of their life. It needs no failure, unlike FitLives,
// and no specimen: then the prior comes back. The posterior is summed over a grid that spans all within 4e-6 of its peak.
// It is an error if a number is not positive, the weight is below 1 or above 1e6, or neither prior nor a failure places the median.
// (A. Gelman and others, Bayesian Data Analysis, 3.3, for the prior; from memory.)
func UpdateLives(prior LifePrior, specimens []Specimen) (LifePosterior, error) {
	if err := prior.check(specimens); err != nil {
		return LifePosterior{}, fmt.Errorf("update lives: %w", err)
	}
	u := lifeUpdate{prior: prior, median: math.Log10(prior.Median), scale: prior.scale()}
	for _, s := range specimens {
		u.lives, u.runOut = append(u.lives, math.Log10(s.Life)), append(u.runOut, s.RunOut)
	}
	x, y := u.reach()
	for range 12 {
		nextX, nextY := u.narrow(x, y)
		done := nextX.width() > 0.6*x.width() && nextY.width() > 0.6*y.width()
		if x, y = nextX, nextY; done {
			break
		}
	}
	return u.posterior(x, y), nil
}

// scale is that of the scaled inverse chi-squared distribution of which Scatter² is the median.
func (p LifePrior) scale() float64 {
	return p.Scatter * math.Sqrt(2*mathext.GammaIncRegInv(p.Weight/2, 0.5)/p.Weight)
}

func (p LifePrior) check(specimens []Specimen) error {
	failures := 0
	for i, s := range specimens {
		if !(s.Life > 0) || !finite(s.Life) {
			return fmt.Errorf("life %d is %g: give a positive number", i, s.Life)
		}
		if !s.RunOut {
			failures++
		}
	}
	switch {
	case !(p.Scatter > 0) || !finite(p.Scatter) || !(p.Weight >= 1 && p.Weight <= 1e6):
		return fmt.Errorf("prior scatter %g worth %g specimens: give a positive scatter and a weight from 1 to 1e6", p.Scatter, p.Weight)
	case !(p.MedianSD > 0):
		return fmt.Errorf("prior median known to %g: give a positive standard deviation of its log10", p.MedianSD)
	case math.IsInf(p.MedianSD, 1) && failures == 0:
		return errors.New("neither the prior nor a failure places the median life: give a predicted life, or test on to a failure")
	case !math.IsInf(p.MedianSD, 1) && (!(p.Median > 0) || !finite(p.Median)):
		return fmt.Errorf("prior median life %g: give a positive number", p.Median)
	}
	return nil
}

// lifeUpdate is a posterior while it is worked out, over the median's log10 and the logarithm of the scatter.
type lifeUpdate struct {
	prior  LifePrior
	median float64
	scale  float64 // of the prior of the scatter
	lives  []float64
	runOut []bool
}

// density is the logarithm of the posterior's, but for a constant.
func (u *lifeUpdate) density(median, logScatter float64) float64 {
	scatter := math.Exp(logScatter)
	ratio := u.scale / scatter
	sum := u.prior.Weight * (math.Log(ratio) - ratio*ratio/2)
	if !math.IsInf(u.prior.MedianSD, 1) {
		d := (median - u.median) / u.prior.MedianSD
		sum -= d * d / 2
	}
	for i, y := range u.lives {
		z := (y - median) / scatter
		if u.runOut[i] {
			sum += logNormalTail(z)
		} else {
			sum -= z*z/2 + logScatter
		}
	}
	return sum
}

// span is a range of a grid's axis.
type span struct{ low, high float64 }

func (s span) width() float64 { return s.high - s.low }

func (s span) at(i, n int) float64 { return s.low + s.width()*float64(i)/float64(n-1) }

// reach is where the posterior can be: as far as lives and prior go, with room for what they leave open.
func (u *lifeUpdate) reach() (medians, logScatters span) {
	medians = span{math.Inf(1), math.Inf(-1)}
	for _, y := range u.lives {
		medians.low, medians.high = min(medians.low, y), max(medians.high, y)
	}
	if sd := u.prior.MedianSD; !math.IsInf(sd, 1) {
		medians.low, medians.high = min(medians.low, u.median-7*sd), max(medians.high, u.median+7*sd)
	}
	wide := medians.width() + 10*u.prior.Scatter
	tail := 3 + 20/math.Sqrt(u.prior.Weight)
	logScatter := math.Log(u.prior.Scatter)
	return span{medians.low - wide, medians.high + wide}, span{logScatter - tail, math.Max(logScatter, math.Log(wide)) + tail}
}

// below is how far under its peak the logarithm of the posterior's density counts as nothing.
const below = 12.5

// narrow returns the part of the spans outside which the posterior is nothing.
func (u *lifeUpdate) narrow(x, y span) (nextX, nextY span) {
	const n = 61
	values, top := make([]float64, n*n), math.Inf(-1)
	for i := range n {
		for j := range n {
			values[i*n+j] = u.density(x.at(i, n), y.at(j, n))
			top = math.Max(top, values[i*n+j])
		}
	}
	lowX, highX, lowY, highY := n, 0, n, 0
	for k, v := range values {
		if v >= top-below {
			lowX, highX = min(lowX, k/n), max(highX, k/n)
			lowY, highY = min(lowY, k%n), max(highY, k%n)
		}
	}
	return span{x.at(max(lowX-1, 0), n), x.at(min(highX+1, n-1), n)}, span{y.at(max(lowY-1, 0), n), y.at(min(highY+1, n-1), n)}
}

func (u *lifeUpdate) posterior(x, y span) LifePosterior {
	const n = 241
	p := LifePosterior{make([]float64, n), make([]float64, n), make([]float64, n*n)}
	for i := range n {
		p.medians[i], p.scatters[i] = x.at(i, n), math.Exp(y.at(i, n))
	}
	top, sum := math.Inf(-1), 0.
	for i := range n {
		for j := range n {
			p.weights[i*n+j] = u.density(p.medians[i], y.at(j, n))
			top = math.Max(top, p.weights[i*n+j])
		}
	}
	for k, v := range p.weights {
		p.weights[k] = math.Exp(v - top)
		sum += p.weights[k]
	}
	for k := range p.weights {
		p.weights[k] /= sum
	}
	return p
}

// Median is the one below which the median life lies with a chance: 0.5 gives the best guess, 0.05 a lower bound with 95 %.
func (p LifePosterior) Median(chance float64) float64 {
	return math.Pow(10, gridQuantile(p.medians, p.marginal(func(k int) int { return k / len(p.scatters) }), chance))
}

// Scatter is the one below which the standard deviation of log10 life lies with a chance.
func (p LifePosterior) Scatter(chance float64) float64 {
	w := p.marginal(func(k int) int { return k % len(p.scatters) })
	logs := make([]float64, len(p.scatters))
	for i, s := range p.scatters {
		logs[i] = math.Log(s)
	}
	return math.Exp(gridQuantile(logs, w, chance))
}

// marginal sums the weights that belong to one place of an axis. The two axes have equally many.
func (p LifePosterior) marginal(place func(k int) int) []float64 {
	w := make([]float64, len(p.medians))
	for k, v := range p.weights {
		w[place(k)] += v
	}
	return w
}

// Life is the one below which the life that a share has failed by lies with a chance: Life(0.1, 0.05) is the lower bound of B10
// with 95 %.
func (p LifePosterior) Life(failed, chance float64) float64 {
	z := mathext.NormalQuantile(failed)
	type life struct{ at, weight float64 }
	lives := make([]life, 0, len(p.weights))
	for k, w := range p.weights {
		if w > 1e-12 {
			lives = append(lives, life{p.medians[k/len(p.scatters)] + z*p.scatters[k%len(p.scatters)], w})
		}
	}
	slices.SortStableFunc(lives, func(a, b life) int { return cmp.Compare(a.at, b.at) })
	sum := 0.
	for _, l := range lives {
		if sum += l.weight; sum >= chance {
			return math.Pow(10, l.at)
		}
	}
	return math.Pow(10, lives[len(lives)-1].at)
}

// Failed is the chance that one more specimen fails by a life, all that is not known of median and scatter included; 0 at 0.
func (p LifePosterior) Failed(life float64) float64 {
	if life <= 0 {
		return 0
	}
	y, sum := math.Log10(life), 0.
	for k, w := range p.weights {
		if w > 1e-12 {
			sum += w * math.Erfc((p.medians[k/len(p.scatters)]-y)/p.scatters[k%len(p.scatters)]/math.Sqrt2) / 2
		}
	}
	return sum
}

// gridQuantile is the quantile of even places of a grid, each of which stands for the stretch about it.
func gridQuantile(x, weights []float64, chance float64) float64 {
	half, sum := (x[1]-x[0])/2, 0.
	for i, w := range weights {
		if sum+w >= chance && w > 0 {
			return x[i] - half + 2*half*(chance-sum)/w
		}
		sum += w
	}
	return x[len(x)-1]
}
