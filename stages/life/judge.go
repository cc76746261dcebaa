package life

import (
	"fmt"
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/mathext"

	"lapwear/fatigue"
)

// Verdict is what the results tell of a subject. NaN stands for what they do not tell.
type Verdict struct {
	Subject           string
	Unit              string
	Specimens         []Specimen
	Failures, RunOuts int
	Expected          Expected

	Line    *Line  // nil unless specimens were run at other levels than the target's
	Fits    []Fit  // lognormal and Weibull; none if the lives do not carry one
	WhyNone string // why there are no fits
	Placed  []Placed
	Shown   Shown
	Update  *Update // nil without a predicted life or a scatter
	Further []Further
	Next    Next
	Notes   []string // what to be wary of
}

// Fit is a model fitted by maximum likelihood.
type Fit struct {
	fatigue.LifeFit
	ScaleRatio fatigue.Interval // of Scale, by the likelihood ratio
	ScalePivot fatigue.Interval // of Scale, by the small-sample method; NaN below two failures
	Lives      []QuantileLife
	pivots     *fatigue.Pivots // nil below two failures
}

// QuantileLife is the life by which a share has failed: B10 where Failed is 0.1.
type QuantileLife struct {
	Failed, Life float64
	Ratio, Pivot fatigue.Interval // by the likelihood ratio, and by the small-sample method
}

// Placed is a failure on probability paper.
type Placed struct {
	Specimen
	Failed float64 // median rank; NaN for a run-out
}

// The ways to a lower bound.
const (
	BySmallSample = "small-sample pivots"
	ByRatio       = "likelihood ratio"
	ByKnownShape  = "Weibull shape from the material's scatter"
	ByUnbroken    = "no failure, scatter from the material"
	BySuccessRun  = "no failure, success run at the shortest life"
)

// Shown is the life that the stated share survives, and the life factor that it makes.
type Shown struct {
	Life, Lower, Upper float64
	Factor             float64
	FactorLower        float64 // one-sided, with the confidence
	FactorUpper        float64
	OverPredicted      float64 // median life over the predicted one
	OverPredictedLower float64
	OverPredictedUpper float64
	Method             string // of the bounds; "" = there are none
	SurvivalShown      float64
}

// quantiles are the shares failed at which lives are given.
func quantiles() []float64 { return []float64{0.01, 0.05, 0.10, 0.50, 0.90} }

// Judge returns a verdict on each subject, the part or the only hot spot first. Equal results and parameters give equal verdicts.
func Judge(r Results, p Params) ([]Verdict, error) {
	if err := p.check(); err != nil {
		return nil, fmt.Errorf("judge specimens: %w", err)
	}
	if len(r.Specimens) == 0 {
		return nil, fmt.Errorf("judge specimens: there are none: add a row for each")
	}
	var out []Verdict
	for _, subject := range r.Subjects(p.Judged()) {
		v, err := p.judge(r, subject)
		if err != nil {
			return nil, fmt.Errorf("judge %q: %w", subject, err)
		}
		out = append(out, v)
	}
	return out, nil
}

func (p Params) judge(r Results, subject string) (Verdict, error) {
	v := Verdict{Subject: subject, Unit: r.Unit, Specimens: r.Of(subject), Expected: p.expected(subject, joined(r.Hotspots(), p.hotspots()))}
	if err := v.levels(p); err != nil {
		return v, err
	}
	lives := make([]fatigue.Specimen, len(v.Specimens))
	for i, s := range v.Specimens {
		lives[i] = fatigue.Specimen{Life: s.Life, RunOut: s.RunOut}
		if !s.RunOut {
			v.Failures++
		}
	}
	v.RunOuts = len(lives) - v.Failures
	v.Placed = place(v.Specimens, lives)
	if err := v.fit(p, lives); err != nil {
		return v, err
	}
	if err := v.show(p, lives); err != nil {
		return v, err
	}
	if err := v.update(p, lives); err != nil {
		return v, err
	}
	if err := v.further(p); err != nil {
		return v, err
	}
	v.Next = v.next(p)
	v.note(p)
	return v, nil
}

// place ranks the failures; the run-outs keep their place among the lives.
func place(specimens []Specimen, lives []fatigue.Specimen) []Placed {
	order := inOrder(specimens)
	out := make([]Placed, len(order))
	points, err := fatigue.PlotPoints(lives)
	failure := 0
	for i, s := range order {
		out[i] = Placed{s, math.NaN()}
		if err == nil && !s.RunOut {
			out[i].Failed = points[failure].Failed
			failure++
		}
	}
	return out
}

// fit fits both models, or says why neither can be.
func (v *Verdict) fit(p Params, lives []fatigue.Specimen) error {
	for _, model := range []fatigue.LifeModel{fatigue.Lognormal, fatigue.Weibull} {
		f, err := fatigue.FitLives(model, lives)
		if err != nil {
			v.Fits, v.WhyNone = nil, whyNone(v)
			return nil // too few failures are a finding, not a fault
		}
		fit := Fit{LifeFit: f, ScaleRatio: f.ScaleInterval(p.Confidence), ScalePivot: unknown()}
		if f.Failures >= 2 {
			if fit.pivots, err = f.Pivots(0, p.Draws, p.random()); err != nil {
				return err
			}
			fit.ScalePivot = fit.pivots.Scale(p.Confidence)
		}
		for _, q := range quantiles() {
			l := QuantileLife{Failed: q, Life: f.Life(q), Ratio: f.LifeInterval(q, p.Confidence), Pivot: unknown()}
			if fit.pivots != nil {
				l.Pivot = fit.pivots.Life(q, p.Confidence)
			}
			fit.Lives = append(fit.Lives, l)
		}
		v.Fits = append(v.Fits, fit)
	}
	return nil
}

func whyNone(v *Verdict) string {
	switch v.Failures {
	case 0:
		return "no specimen failed"
	case 1:
	default:
		return "all failures have one life and no specimen lived longer, so that the scatter cannot be told"
	}
	return "no specimen lived longer than the first failure, so that the scatter cannot be told"
}

func unknown() fatigue.Interval { return fatigue.Interval{Lower: math.NaN(), Upper: math.NaN()} }

// random begins anew for each simulation, so that figures do not depend on what else is asked.
func (p Params) random() *rand.Rand { return rand.New(rand.NewPCG(p.Seed, 0x6c69666573)) }

// Of returns the fit of a model; nil if there is none.
func (v *Verdict) Of(model fatigue.LifeModel) *Fit {
	for i := range v.Fits {
		if v.Fits[i].Model == model {
			return &v.Fits[i]
		}
	}
	return nil
}

// show finds the life that the stated share survives, by what method the specimens allow.
func (v *Verdict) show(p Params, lives []fatigue.Specimen) error {
	nan := math.NaN()
	v.Shown = Shown{nan, nan, nan, nan, nan, nan, nan, nan, nan, "", nan}
	f := v.Of(p.Model)
	var err error
	if v.Failures == 0 {
		v.Shown.SurvivalShown = math.Pow(1-p.Confidence, 1/float64(len(lives)))
	}
	scatter, line := positive(v.Expected.Scatter), v.Line != nil && v.Line.Fitted
	switch {
	case line && v.RunOuts == 0 && p.Model == fatigue.Lognormal:
		line = false
		err = v.Shown.fromLine(v.Line, p, v.Expected.Predicted)
	case v.Failures == 0 && scatter:
		err = v.Shown.fromUnbroken(lives, v.scale(p.Model), p, v.Expected.Predicted)
	case scatter && (v.Failures < 2 || f == nil):
		err = v.Shown.fromShape(lives, float64(v.Failures), p, v.Expected)
	case f != nil:
		v.Shown.fromFit(f, p, v.Expected.Predicted)
	case v.Failures == 0:
		v.Shown.fromRunOuts(lives, p)
	}
	if err == nil && line {
		err = v.Shown.atMostLine(v.Line, p, v.Expected.Predicted)
	}
	s := &v.Shown
	s.Factor, s.FactorLower, s.FactorUpper = s.Life/v.Expected.Target, s.Lower/v.Expected.Target, s.Upper/v.Expected.Target
	return err
}

// fromFit takes the life that the stated share survives, and sets the median life beside the predicted one.
func (s *Shown) fromFit(f *Fit, p Params, predicted float64) {
	failed := 1 - p.Survival
	s.Life = f.Life(failed)
	i, method := f.bounds(failed, p)
	s.Lower, s.Upper, s.Method = i.Lower, i.Upper, method
	median, _ := f.bounds(0.5, p)
	s.OverPredicted, s.OverPredictedLower, s.OverPredictedUpper = f.Life(0.5)/predicted, median.Lower/predicted, median.Upper/predicted
}

// bounds are one-sided bounds of a quantile, each with the confidence. Among run-outs the small-sample method is an approximation, so
// that the wider of it and the likelihood ratio counts.
func (f *Fit) bounds(failed float64, p Params) (fatigue.Interval, string) {
	two := 2*p.Confidence - 1
	if f.pivots == nil {
		return f.LifeInterval(failed, two), ByRatio
	}
	i, method := f.pivots.Life(failed, two), BySmallSample
	if f.RunOuts > 0 {
		ratio := f.LifeInterval(failed, two)
		if ratio.Lower < i.Lower {
			method = ByRatio
		}
		i = fatigue.Interval{Lower: min(i.Lower, ratio.Lower), Upper: max(i.Upper, ratio.Upper)}
	}
	return i, method
}

// weibullShape is that of the same standard deviation of ln life as a scatter of log10 life: π/√6 over it (moments of the
// logarithm of a Weibull life; from memory).
func weibullShape(scatter float64) float64 { return math.Pi / math.Sqrt(6) / (scatter * math.Ln10) }

// fromUnbroken takes the scatter for known, as the length of a demonstration test does.
func (s *Shown) fromUnbroken(lives []fatigue.Specimen, scale float64, p Params, predicted float64) error {
	lower, err := fatigue.UnbrokenBound(p.Model, scale, lives, p.Survival, p.Confidence)
	if err != nil {
		return err
	}
	median, err := fatigue.UnbrokenBound(p.Model, scale, lives, 0.5, p.Confidence)
	s.Method, s.Lower, s.OverPredictedLower = ByUnbroken, lower, median/predicted
	return err
}

// fromShape takes the scatter for known, which one failure, or several of one life, cannot tell: the likelihood ratio would promise too
// much.
func (s *Shown) fromShape(lives []fatigue.Specimen, failures float64, p Params, e Expected) error {
	shape := weibullShape(e.Scatter)
	characteristic, err := fatigue.WeibullBound(lives, shape, p.Confidence)
	if err != nil {
		return err
	}
	survived := func(share float64) float64 { return math.Pow(-math.Log(share), 1/shape) }
	s.Method, s.Lower = ByKnownShape, characteristic*survived(p.Survival)
	s.OverPredictedLower = characteristic * survived(0.5) / e.Predicted
	if failures > 0 {
		best := characteristic / shapeBound(failures, shape, p.Confidence)
		s.Life, s.OverPredicted = best*survived(p.Survival), best*survived(0.5)/e.Predicted
	}
	return nil
}

// shapeBound is the lower bound of the characteristic life over its estimate from so many failures where the shape is known:
// (failures / Γ⁻¹(failures+1, confidence))^(1/shape), since the bound is (Σ life^shape / Γ⁻¹)^(1/shape) and the estimate
// (Σ life^shape / failures)^(1/shape).
func shapeBound(failures, shape, confidence float64) float64 {
	return math.Pow(failures/mathext.GammaIncRegInv(failures+1, confidence), 1/shape)
}

// fromRunOuts bounds the life where nothing failed and nothing is known of the scatter: as far as the number of specimens carries.
func (s *Shown) fromRunOuts(lives []fatigue.Specimen, p Params) {
	if s.SurvivalShown < p.Survival {
		return
	}
	s.Method, s.Lower = BySuccessRun, math.Inf(1)
	for _, l := range lives {
		s.Lower = min(s.Lower, l.Life)
	}
}
