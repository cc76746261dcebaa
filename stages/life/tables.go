package life

import (
	"math"
	"strings"

	"lapwear/fatigue"
	"lapwear/stages/frame"
)

// Table is a frame to be written under a name.
type Table struct {
	Name  string
	Frame *frame.Frame
}

// Tables lays the verdicts out:
//
//   - testlife: a row a subject, with what its lives show, the update and what the next part may carry;
//   - testlife_lives: a row a subject, model and share failed, with both kinds of interval;
//   - testlife_specimens: a row a subject and specimen in order of life, with its place on probability paper;
//   - testlife_further: a row a subject and number of further specimens.
//
// Lives are in the unit that the column unit says. NaN, an empty cell, is what is not known.
func Tables(verdicts []Verdict, p Params) []Table {
	return []Table{
		{"testlife", summary(verdicts, p)}, {"testlife_lives", lives(verdicts, p)},
		{"testlife_specimens", specimens(verdicts)}, {"testlife_further", further(verdicts, p)},
	}
}

func summary(verdicts []Verdict, p Params) *frame.Frame {
	l := &frame.Layout[Verdict]{Rows: verdicts}
	l.Text("subject", func(v *Verdict) string { return v.Subject })
	l.Text("unit", func(v *Verdict) string { return v.Unit })
	l.Count("specimens", func(v *Verdict) int { return len(v.Specimens) })
	l.Count("failures", func(v *Verdict) int { return v.Failures })
	l.Count("run_outs", func(v *Verdict) int { return v.RunOuts })
	l.Text("model", func(*Verdict) string { return p.Model.String() })
	l.Number("survival", "", func(*Verdict) float64 { return p.Survival })
	l.Number("confidence", "", func(*Verdict) float64 { return p.Confidence })
	summaryFits(l)
	summaryShown(l)
	summaryUpdate(l)
	summaryNext(l)
	l.Text("notes", func(v *Verdict) string { return strings.Join(v.Notes, "; ") })
	summaryLine(l)
	return l.Frame()
}

// known reads a figure of what a verdict may have; NaN where it has not.
func known[P any](part func(v *Verdict) *P, get func(p *P) float64) func(v *Verdict) float64 {
	return func(v *Verdict) float64 {
		if p := part(v); p != nil {
			return get(p)
		}
		return math.NaN()
	}
}

// summaryLine lays out what several levels tell.
func summaryLine(l *frame.Layout[Verdict]) {
	for _, c := range []struct {
		name string
		get  func(l *Line) float64
	}{
		{"levels", func(l *Line) float64 { return float64(l.Levels) }},
		{"level", func(l *Line) float64 { return l.At }},
		{"level_slope", func(l *Line) float64 { return l.Slope }},
		{"level_slope_low", func(l *Line) float64 { return l.Slopes.Lower }},
		{"level_slope_high", func(l *Line) float64 { return l.Slopes.Upper }},
		{"line_median_life", func(l *Line) float64 { return l.Life }},
		{"line_median_life_low", func(l *Line) float64 { return l.Band.Lower }},
		{"line_median_life_high", func(l *Line) float64 { return l.Band.Upper }},
		{"line_scatter_log10", func(l *Line) float64 { return l.scatter() }},
		{"line_chance", func(l *Line) float64 { return l.Chance }},
	} {
		l.Number(c.name, "", known(func(v *Verdict) *Line { return v.Line }, c.get))
	}
}

// scatter is the standard deviation of log10 life about the line, NaN without a fit.
func (l *Line) scatter() float64 {
	if l.Fitted {
		return l.Fit.SD
	}
	return math.NaN()
}

func summaryFits(l *frame.Layout[Verdict]) {
	of := func(model fatigue.LifeModel, get func(f *Fit) float64) func(v *Verdict) float64 {
		return known(func(v *Verdict) *Fit { return v.Of(model) }, get)
	}
	l.Number("weibull_shape", "", of(fatigue.Weibull, func(f *Fit) float64 { return f.Shape() }))
	l.Number("weibull_scale", "", of(fatigue.Weibull, func(f *Fit) float64 { return math.Exp(f.Location) }))
	l.Number("weibull_loglik", "", of(fatigue.Weibull, func(f *Fit) float64 { return f.LogLikelihood }))
	l.Number("lognormal_mu", "", of(fatigue.Lognormal, func(f *Fit) float64 { return f.Location }))
	l.Number("lognormal_sigma", "", of(fatigue.Lognormal, func(f *Fit) float64 { return f.Scale }))
	l.Number("lognormal_loglik", "", of(fatigue.Lognormal, func(f *Fit) float64 { return f.LogLikelihood }))
	l.Number("scatter_log10", "", of(fatigue.Lognormal, func(f *Fit) float64 { return f.Scale / math.Ln10 }))
}

func summaryShown(l *frame.Layout[Verdict]) {
	l.Number("life", "", func(v *Verdict) float64 { return v.Shown.Life })
	l.Number("life_lower", "", func(v *Verdict) float64 { return v.Shown.Lower })
	l.Number("life_upper", "", func(v *Verdict) float64 { return v.Shown.Upper })
	l.Text("bounds_by", func(v *Verdict) string { return v.Shown.Method })
	l.Number("predicted_life", "", func(v *Verdict) float64 { return v.Expected.Predicted })
	l.Number("life_over_predicted", "", func(v *Verdict) float64 { return v.Shown.OverPredicted })
	l.Number("life_over_predicted_lower", "", func(v *Verdict) float64 { return v.Shown.OverPredictedLower })
	l.Number("life_over_predicted_upper", "", func(v *Verdict) float64 { return v.Shown.OverPredictedUpper })
	l.Number("target_life", "", func(v *Verdict) float64 { return v.Expected.Target })
	l.Number("life_factor", "", func(v *Verdict) float64 { return v.Shown.Factor })
	l.Number("life_factor_lower", "", func(v *Verdict) float64 { return v.Shown.FactorLower })
	l.Number("life_factor_upper", "", func(v *Verdict) float64 { return v.Shown.FactorUpper })
}

func summaryUpdate(l *frame.Layout[Verdict]) {
	of := func(get func(u *Update) float64) func(v *Verdict) float64 {
		return known(func(v *Verdict) *Update { return v.Update }, get)
	}
	for _, when := range []struct {
		name string
		at   func(u *Update) *Known
	}{{"prior", func(u *Update) *Known { return &u.Prior }}, {"posterior", func(u *Update) *Known { return &u.Posterior }}} {
		l.Number(when.name+"_median_life", "", of(func(u *Update) float64 { return when.at(u).Median }))
		l.Number(when.name+"_median_life_low", "", of(func(u *Update) float64 { return when.at(u).MedianInterval.Lower }))
		l.Number(when.name+"_median_life_high", "", of(func(u *Update) float64 { return when.at(u).MedianInterval.Upper }))
		l.Number(when.name+"_scatter_log10", "", of(func(u *Update) float64 { return when.at(u).Scatter }))
		l.Number(when.name+"_scatter_log10_low", "", of(func(u *Update) float64 { return when.at(u).ScatterInterval.Lower }))
		l.Number(when.name+"_scatter_log10_high", "", of(func(u *Update) float64 { return when.at(u).ScatterInterval.Upper }))
		l.Number(when.name+"_life_lower", "", of(func(u *Update) float64 { return when.at(u).LifeLower }))
		l.Number(when.name+"_life_factor_lower", "", of(func(u *Update) float64 { return when.at(u).FactorLower }))
		l.Number(when.name+"_failure_probability_at_target", "", of(func(u *Update) float64 { return when.at(u).FailsTarget }))
	}
	l.Number("sn_stress_ratio", "", of(func(u *Update) float64 { return u.StressRatio }))
	l.Number("sn_stress_ratio_low", "", of(func(u *Update) float64 { return u.StressInterval.Lower }))
	l.Number("sn_stress_ratio_high", "", of(func(u *Update) float64 { return u.StressInterval.Upper }))
	l.Number("sn_reference_cycles", "", func(v *Verdict) float64 { return v.Expected.Cycles })
	l.Number("sn_prior_amplitude_mpa", "MPa", func(v *Verdict) float64 { return v.Expected.Amplitude })
	l.Number("sn_posterior_amplitude_mpa", "MPa", of(func(u *Update) float64 { return u.Amplitude }))
}

func summaryNext(l *frame.Layout[Verdict]) {
	l.Number("wanted_life_factor", "", func(v *Verdict) float64 { return v.Next.Wanted })
	l.Number("slope", "", func(v *Verdict) float64 { return v.Next.Slope })
	l.Number("allowed_stress_ratio", "", func(v *Verdict) float64 { return v.Next.Stress })
	l.Number("allowed_thickness_ratio", "", func(v *Verdict) float64 { return v.Next.Thickness })
	l.Number("mass_ratio", "", func(v *Verdict) float64 { return v.Next.Mass })
	l.Number("allowed_stress_ratio_best", "", func(v *Verdict) float64 { return v.Next.BestStress })
	l.Number("mass_ratio_best", "", func(v *Verdict) float64 { return v.Next.BestMass })
	l.Number("allowed_stress_ratio_posterior", "", func(v *Verdict) float64 { return v.Next.PosteriorStress })
	l.Number("mass_ratio_posterior", "", func(v *Verdict) float64 { return v.Next.PosteriorMass })
}

type lifeRow struct {
	v *Verdict
	f *Fit
	q QuantileLife
}

func lives(verdicts []Verdict, p Params) *frame.Frame {
	l := &frame.Layout[lifeRow]{}
	for i := range verdicts {
		for j := range verdicts[i].Fits {
			f := &verdicts[i].Fits[j]
			for _, q := range f.Lives {
				l.Rows = append(l.Rows, lifeRow{&verdicts[i], f, q})
			}
		}
	}
	l.Text("subject", func(r *lifeRow) string { return r.v.Subject })
	l.Text("model", func(r *lifeRow) string { return r.f.Model.String() })
	l.Number("failed", "", func(r *lifeRow) float64 { return r.q.Failed })
	l.Text("unit", func(r *lifeRow) string { return r.v.Unit })
	l.Number("life", "", func(r *lifeRow) float64 { return r.q.Life })
	l.Number("confidence", "", func(*lifeRow) float64 { return p.Confidence })
	l.Number("life_low_likelihood_ratio", "", func(r *lifeRow) float64 { return r.q.Ratio.Lower })
	l.Number("life_high_likelihood_ratio", "", func(r *lifeRow) float64 { return r.q.Ratio.Upper })
	l.Number("life_low_small_sample", "", func(r *lifeRow) float64 { return r.q.Pivot.Lower })
	l.Number("life_high_small_sample", "", func(r *lifeRow) float64 { return r.q.Pivot.Upper })
	l.Number("life_over_target", "", func(r *lifeRow) float64 { return r.q.Life / r.v.Expected.Target })
	return l.Frame()
}

type placedRow struct {
	v *Verdict
	s Placed
}

func specimens(verdicts []Verdict) *frame.Frame {
	l := &frame.Layout[placedRow]{}
	for i := range verdicts {
		for _, s := range verdicts[i].Placed {
			l.Rows = append(l.Rows, placedRow{&verdicts[i], s})
		}
	}
	model := func(m fatigue.LifeModel) func(r *placedRow) float64 {
		return func(r *placedRow) float64 {
			if f := r.v.Of(m); f != nil {
				return f.Failed(r.s.Life)
			}
			return math.NaN()
		}
	}
	l.Text("subject", func(r *placedRow) string { return r.v.Subject })
	l.Text("specimen", func(r *placedRow) string { return r.s.Name })
	l.Text("unit", func(r *placedRow) string { return r.v.Unit })
	l.Number("life", "", func(r *placedRow) float64 { return r.s.Life })
	l.Text("status", func(r *placedRow) string { return Status(r.s.RunOut) })
	l.Text("hotspot", func(r *placedRow) string { return r.s.Hotspot })
	l.Number("median_rank", "", func(r *placedRow) float64 { return r.s.Failed })
	l.Number("lognormal_failed", "", model(fatigue.Lognormal))
	l.Number("weibull_failed", "", model(fatigue.Weibull))
	l.Number("life_over_predicted", "", func(r *placedRow) float64 { return r.s.Life / r.v.Expected.Predicted })
	l.Number("life_over_target", "", func(r *placedRow) float64 { return r.s.Life / r.v.Expected.Target })
	l.Text("note", func(r *placedRow) string { return r.s.Note })
	l.Number("level", "", func(r *placedRow) float64 {
		if r.s.Level > 0 {
			return r.s.Level
		}
		return math.NaN()
	})
	l.Number("life_as_run", "", func(r *placedRow) float64 { return r.v.Line.AsRun(r.s.Specimen) })
	return l.Frame()
}

// The words of a specimen's status.
const (
	Failed = "failed"
	RunOut = "runout"
)

// Status is the word for how a specimen ended.
func Status(runOut bool) string {
	if runOut {
		return RunOut
	}
	return Failed
}

type furtherRow struct {
	v *Verdict
	f Further
}

func further(verdicts []Verdict, p Params) *frame.Frame {
	l := &frame.Layout[furtherRow]{}
	for i := range verdicts {
		for _, f := range verdicts[i].Further {
			l.Rows = append(l.Rows, furtherRow{&verdicts[i], f})
		}
	}
	l.Text("subject", func(r *furtherRow) string { return r.v.Subject })
	l.Count("further_specimens", func(r *furtherRow) int { return r.f.Specimens })
	l.Text("unit", func(r *furtherRow) string { return r.v.Unit })
	l.Number("survival", "", func(*furtherRow) float64 { return p.Survival })
	l.Number("confidence", "", func(*furtherRow) float64 { return p.Confidence })
	l.Number("life_lower_expected", "", func(r *furtherRow) float64 { return r.f.Lower })
	l.Number("life_factor_lower_expected", "", func(r *furtherRow) float64 { return r.f.FactorLower })
	l.Number("unbroken_life", "", func(r *furtherRow) float64 { return r.f.Unbroken })
	l.Number("unbroken_life_over_target", "", func(r *furtherRow) float64 { return r.f.UnbrokenFactor })
	return l.Frame()
}
