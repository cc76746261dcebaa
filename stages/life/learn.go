package life

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"lapwear/fatigue"
)

// Update is what Bayes' rule makes of the prediction and the specimens together.
type Update struct {
	Prior, Posterior Known
	StressRatio      float64          // by which to multiply the S-N curve's stresses: (posterior over predicted median)^(1/slope)
	StressInterval   fatigue.Interval // with the confidence
	Amplitude        float64          // MPa, the curve's at Expected.Cycles, updated
	prior, posterior fatigue.LifePosterior
}

// Known is what is known of lives at one time.
type Known struct {
	Median          float64
	MedianInterval  fatigue.Interval // with the confidence, both sides
	Scatter         float64
	ScatterInterval fatigue.Interval
	Life            float64 // that the stated share survives
	LifeLower       float64 // its bounds, one-sided
	LifeUpper       float64
	FactorLower     float64
	FailsTarget     float64 // chance that one more specimen fails before the target
}

// Further is what so many further specimens would buy.
type Further struct {
	Specimens   int
	Lower       float64 // bound of the life to expect if all fail and scatter as those so far; of none, the bound as it stands
	FactorLower float64
	// Unbroken is the life to which all of the further specimens must run without a failure to show the wanted life factor by
	// themselves, with the scatter known so far; over the target it is UnbrokenFactor.
	Unbroken, UnbrokenFactor float64
}

// Next is what the next part may carry at the wanted life factor: ratios to the part that was tested.
type Next struct {
	Stress, Thickness, Mass                float64 // on the lower bound of the life factor
	BestStress, BestThickness, BestMass    float64 // on the estimate: the price of the confidence is the difference
	Wanted, Slope, ThicknessExponent, From float64 // From: the lower bound that the first three rest on
	PosteriorStress, PosteriorMass         float64 // on the lower bound that prediction and specimens give together
}

// update joins the prediction and the specimens, if there is a prediction with a scatter.
func (v *Verdict) update(p Params, lives []fatigue.Specimen) error {
	e := v.Expected
	if !positive(e.Predicted) || !positive(e.Scatter) {
		return nil
	}
	prior := fatigue.LifePrior{Median: e.Predicted, MedianSD: p.PriorSD, Scatter: e.Scatter, Weight: p.Weight}
	before, err := fatigue.UpdateLives(prior, nil)
	if err != nil {
		return err
	}
	after, err := fatigue.UpdateLives(prior, lives)
	if err != nil {
		return err
	}
	u := &Update{Prior: p.known(before, e.Target), Posterior: p.known(after, e.Target), prior: before, posterior: after}
	stress := func(median float64) float64 { return math.Pow(median/e.Predicted, 1/e.Slope) }
	u.StressRatio = stress(u.Posterior.Median)
	i := u.Posterior.MedianInterval
	u.StressInterval = fatigue.Interval{Lower: stress(i.Lower), Upper: stress(i.Upper)}
	u.Amplitude = e.Amplitude * u.StressRatio
	v.Update = u
	return nil
}

func (p Params) known(k fatigue.LifePosterior, target float64) Known {
	tail := (1 - p.Confidence) / 2
	out := Known{
		Median: k.Median(0.5), MedianInterval: fatigue.Interval{Lower: k.Median(tail), Upper: k.Median(1 - tail)},
		Scatter: k.Scatter(0.5), ScatterInterval: fatigue.Interval{Lower: k.Scatter(tail), Upper: k.Scatter(1 - tail)},
		Life: k.Life(1-p.Survival, 0.5), LifeLower: k.Life(1-p.Survival, 1-p.Confidence), LifeUpper: k.Life(1-p.Survival, p.Confidence), FailsTarget: math.NaN(),
	}
	out.FactorLower = out.LifeLower / target
	if positive(target) {
		out.FailsTarget = k.Failed(target)
	}
	return out
}

// scale is the scale of ln life that is known so far: fitted, else the material's.
func (v *Verdict) scale(model fatigue.LifeModel) float64 {
	if f := v.Of(model); f != nil {
		return f.Scale
	}
	if model == fatigue.Weibull {
		return 1 / weibullShape(v.Expected.Scatter)
	}
	return v.Expected.Scatter * math.Ln10
}

// further weighs numbers of further specimens.
func (v *Verdict) further(p Params) error {
	f, target := v.Of(p.Model), v.Expected.Target
	scale := v.scale(p.Model)
	for _, n := range p.Further {
		row := Further{n, math.NaN(), math.NaN(), math.NaN(), math.NaN()}
		switch {
		case n == 0:
			row.Lower = v.Shown.Lower
		case v.Shown.Method == ByKnownShape:
			row.Lower = v.Shown.Life * shapeBound(float64(v.Failures+n), weibullShape(v.Expected.Scatter), p.Confidence)
		case f != nil && f.Failures+n >= 2:
			pivots, err := f.Pivots(n, p.Draws, p.random())
			if err != nil {
				return err
			}
			row.Lower = pivots.Life(1-p.Survival, 2*p.Confidence-1).Lower
		}
		row.FactorLower = row.Lower / target
		if n > 0 && positive(scale) {
			factor, err := fatigue.TestFactor(p.Model, scale, n, p.Survival, p.Confidence)
			if err != nil {
				return err
			}
			row.UnbrokenFactor = factor * p.Wanted
			row.Unbroken = row.UnbrokenFactor * target
		}
		v.Further = append(v.Further, row)
	}
	return nil
}

// next turns the margin shown into stress and wall of the next part.
func (v *Verdict) next(p Params) Next {
	e := v.Expected
	n := Next{Wanted: p.Wanted, Slope: e.Slope, ThicknessExponent: e.ThicknessExponent, From: v.Shown.FactorLower, PosteriorStress: math.NaN()}
	stress := func(factor float64) float64 { return math.Pow(factor/p.Wanted, 1/e.Slope) }
	wall := func(stress float64) float64 { return math.Pow(stress, -1/e.ThicknessExponent) }
	n.Stress, n.BestStress = stress(n.From), stress(v.Shown.Factor)
	if v.Update != nil {
		n.PosteriorStress = stress(v.Update.Posterior.FactorLower)
	}
	n.Thickness, n.BestThickness = wall(n.Stress), wall(n.BestStress)
	n.Mass, n.BestMass, n.PosteriorMass = n.Thickness, n.BestThickness, wall(n.PosteriorStress)
	return n
}

// inOrder sorts by life, a failure before a run-out of the same life.
func inOrder(specimens []Specimen) []Specimen {
	out := slices.Clone(specimens)
	slices.SortStableFunc(out, func(a, b Specimen) int {
		switch {
		case a.Life != b.Life:
			return cmp.Compare(a.Life, b.Life)
		case a.RunOut == b.RunOut:
			return 0
		case b.RunOut:
			return -1
		}
		return 1
	})
	return out
}

// fewFailures is the number below which a scatter is hardly known (common practice, no source).
const fewFailures = 5

// farStress is the change of stress beyond which a slope is not to be trusted (common practice, no source).
const farStress = 1.25

// note says what to be wary of.
func (v *Verdict) note(p Params) {
	add := func(format string, args ...any) { v.Notes = append(v.Notes, fmt.Sprintf(format, args...)) }
	if v.WhyNone != "" {
		add("no distribution can be fitted: %s", v.WhyNone)
	} else if v.Failures < fewFailures {
		add("so few failures (%d) tell little of the scatter: the interval says how little", v.Failures)
	}
	if v.RunOuts > 0 && v.Failures >= 2 {
		add("the small-sample method takes run-outs for taken off at the failure before: an approximation; a bound is the lower of its and the likelihood ratio's")
	}
	if life, n := v.shared(); n > 1 {
		add("%d failures have the life %g: if lives were read at inspections, the specimens had broken before; enter the last inspection at which each was sound", n, life)
	}
	if v.Shown.Method == ByRatio && v.Failures < 2 {
		add("one failure cannot tell the scatter, and the bound promises too much: give the material's scatter")
	}
	if v.Line != nil {
		v.Line.note(v.RunOuts, add)
	}
	v.noteScatter(add)
	if e := v.Expected; !positive(e.Slope) && (positive(e.Target) || positive(e.Predicted)) {
		add("no slope of the S-N curve is known, so that nothing is said of its level and of the next part: give the slope")
	}
	if u := v.Update; u != nil && v.Of(fatigue.Lognormal) != nil {
		if off := math.Abs(math.Log10(v.Of(fatigue.Lognormal).Life(0.5)/v.Expected.Predicted)) / p.PriorSD; off > 2 {
			add("lives depart from the prediction by more than the prior grants (%.1f standard deviations): look for another failure mode, batch or load before using the update", off)
		}
	}
	if s := v.Next.Stress; s > farStress || s < 1/farStress {
		add("the allowed stress is far from the tested one: a slope does not hold so far")
	}
	if len(v.Fits) == 2 {
		if d := v.Fits[1].AIC() - v.Fits[0].AIC(); math.Abs(d) > 4 {
			add("%v fits clearly better (AIC %.1f lower)", v.Fits[better(d)].Model, math.Abs(d))
		}
	}
}

// shared is the first life that failures share, and how many do.
func (v *Verdict) shared() (life float64, n int) {
	count := map[float64]int{}
	for _, s := range inOrder(v.Specimens) {
		if s.RunOut {
			continue
		}
		if count[s.Life]++; n == 0 && count[s.Life] > 1 {
			life = s.Life
		}
		n = count[life]
	}
	return life, n
}

// better is the place of the fit with the lower AIC, by the second's less the first's.
func better(difference float64) int {
	if difference < 0 {
		return 1
	}
	return 0
}

func (v *Verdict) noteScatter(add func(format string, args ...any)) {
	f := v.Of(fatigue.Lognormal)
	if f == nil || !positive(v.Expected.Scatter) {
		return
	}
	low, high := f.ScaleRatio.Lower/math.Ln10, f.ScaleRatio.Upper/math.Ln10
	if f.Failures >= 2 {
		low, high = f.ScalePivot.Lower/math.Ln10, f.ScalePivot.Upper/math.Ln10
	}
	switch {
	case low > v.Expected.Scatter:
		add("lives scatter more than the material's %.3g: look for mixed failure modes or loads", v.Expected.Scatter)
	case high < v.Expected.Scatter:
		add("lives scatter less than the material's %.3g: specimens of one batch may not speak for the next", v.Expected.Scatter)
	}
}

// Failed is the chance that a specimen fails by a life, as the prediction had it and as it stands with the specimens.
func (u *Update) Failed(life float64) (before, after float64) {
	return u.prior.Failed(life), u.posterior.Failed(life)
}
