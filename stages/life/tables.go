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

// layout turns rows into columns, one call a column.
type layout[R any] struct {
	rows []R
	cols []frame.Column
}

func (l *layout[R]) text(name string, get func(r *R) string) { add(l, name, "", get) }

func (l *layout[R]) number(name, unit string, get func(r *R) float64) { add(l, name, unit, get) }

func (l *layout[R]) count(name string, get func(r *R) int) {
	add(l, name, "", func(r *R) int64 { return int64(get(r)) })
}

func add[R any, V float64 | int64 | string](l *layout[R], name, unit string, get func(r *R) V) {
	v := make([]V, len(l.rows))
	for i := range l.rows {
		v[i] = get(&l.rows[i])
	}
	switch v := any(v).(type) {
	case []float64:
		l.cols = append(l.cols, frame.Col(name, unit, v))
	case []int64:
		l.cols = append(l.cols, frame.Col(name, unit, v))
	case []string:
		l.cols = append(l.cols, frame.Col(name, unit, v))
	}
}

func (l *layout[R]) frame() *frame.Frame { return frame.Must(nil, l.cols...) }

func summary(verdicts []Verdict, p Params) *frame.Frame {
	l := &layout[Verdict]{rows: verdicts}
	l.text("subject", func(v *Verdict) string { return v.Subject })
	l.text("unit", func(v *Verdict) string { return v.Unit })
	l.count("specimens", func(v *Verdict) int { return len(v.Specimens) })
	l.count("failures", func(v *Verdict) int { return v.Failures })
	l.count("run_outs", func(v *Verdict) int { return v.RunOuts })
	l.text("model", func(*Verdict) string { return p.Model.String() })
	l.number("survival", "", func(*Verdict) float64 { return p.Survival })
	l.number("confidence", "", func(*Verdict) float64 { return p.Confidence })
	summaryFits(l)
	summaryShown(l)
	summaryUpdate(l)
	summaryNext(l)
	l.text("notes", func(v *Verdict) string { return strings.Join(v.Notes, "; ") })
	return l.frame()
}

func summaryFits(l *layout[Verdict]) {
	of := func(model fatigue.LifeModel, get func(f *Fit) float64) func(v *Verdict) float64 {
		return func(v *Verdict) float64 {
			if f := v.Of(model); f != nil {
				return get(f)
			}
			return math.NaN()
		}
	}
	l.number("weibull_shape", "", of(fatigue.Weibull, func(f *Fit) float64 { return f.Shape() }))
	l.number("weibull_scale", "", of(fatigue.Weibull, func(f *Fit) float64 { return math.Exp(f.Location) }))
	l.number("weibull_loglik", "", of(fatigue.Weibull, func(f *Fit) float64 { return f.LogLikelihood }))
	l.number("lognormal_mu", "", of(fatigue.Lognormal, func(f *Fit) float64 { return f.Location }))
	l.number("lognormal_sigma", "", of(fatigue.Lognormal, func(f *Fit) float64 { return f.Scale }))
	l.number("lognormal_loglik", "", of(fatigue.Lognormal, func(f *Fit) float64 { return f.LogLikelihood }))
	l.number("scatter_log10", "", of(fatigue.Lognormal, func(f *Fit) float64 { return f.Scale / math.Ln10 }))
}

func summaryShown(l *layout[Verdict]) {
	l.number("life", "", func(v *Verdict) float64 { return v.Shown.Life })
	l.number("life_lower", "", func(v *Verdict) float64 { return v.Shown.Lower })
	l.number("life_upper", "", func(v *Verdict) float64 { return v.Shown.Upper })
	l.text("bounds_by", func(v *Verdict) string { return v.Shown.Method })
	l.number("predicted_life", "", func(v *Verdict) float64 { return v.Expected.Predicted })
	l.number("life_over_predicted", "", func(v *Verdict) float64 { return v.Shown.OverPredicted })
	l.number("life_over_predicted_lower", "", func(v *Verdict) float64 { return v.Shown.OverPredictedLower })
	l.number("life_over_predicted_upper", "", func(v *Verdict) float64 { return v.Shown.OverPredictedUpper })
	l.number("target_life", "", func(v *Verdict) float64 { return v.Expected.Target })
	l.number("life_factor", "", func(v *Verdict) float64 { return v.Shown.Factor })
	l.number("life_factor_lower", "", func(v *Verdict) float64 { return v.Shown.FactorLower })
	l.number("life_factor_upper", "", func(v *Verdict) float64 { return v.Shown.FactorUpper })
}

func summaryUpdate(l *layout[Verdict]) {
	of := func(get func(u *Update) float64) func(v *Verdict) float64 {
		return func(v *Verdict) float64 {
			if v.Update != nil {
				return get(v.Update)
			}
			return math.NaN()
		}
	}
	for _, when := range []struct {
		name string
		at   func(u *Update) *Known
	}{{"prior", func(u *Update) *Known { return &u.Prior }}, {"posterior", func(u *Update) *Known { return &u.Posterior }}} {
		l.number(when.name+"_median_life", "", of(func(u *Update) float64 { return when.at(u).Median }))
		l.number(when.name+"_median_life_low", "", of(func(u *Update) float64 { return when.at(u).MedianInterval.Lower }))
		l.number(when.name+"_median_life_high", "", of(func(u *Update) float64 { return when.at(u).MedianInterval.Upper }))
		l.number(when.name+"_scatter_log10", "", of(func(u *Update) float64 { return when.at(u).Scatter }))
		l.number(when.name+"_scatter_log10_low", "", of(func(u *Update) float64 { return when.at(u).ScatterInterval.Lower }))
		l.number(when.name+"_scatter_log10_high", "", of(func(u *Update) float64 { return when.at(u).ScatterInterval.Upper }))
		l.number(when.name+"_life_lower", "", of(func(u *Update) float64 { return when.at(u).LifeLower }))
		l.number(when.name+"_life_factor_lower", "", of(func(u *Update) float64 { return when.at(u).FactorLower }))
		l.number(when.name+"_failure_probability_at_target", "", of(func(u *Update) float64 { return when.at(u).FailsTarget }))
	}
	l.number("sn_stress_ratio", "", of(func(u *Update) float64 { return u.StressRatio }))
	l.number("sn_stress_ratio_low", "", of(func(u *Update) float64 { return u.StressInterval.Lower }))
	l.number("sn_stress_ratio_high", "", of(func(u *Update) float64 { return u.StressInterval.Upper }))
	l.number("sn_reference_cycles", "", func(v *Verdict) float64 { return v.Expected.Cycles })
	l.number("sn_prior_amplitude_mpa", "MPa", func(v *Verdict) float64 { return v.Expected.Amplitude })
	l.number("sn_posterior_amplitude_mpa", "MPa", of(func(u *Update) float64 { return u.Amplitude }))
}

func summaryNext(l *layout[Verdict]) {
	l.number("wanted_life_factor", "", func(v *Verdict) float64 { return v.Next.Wanted })
	l.number("slope", "", func(v *Verdict) float64 { return v.Next.Slope })
	l.number("allowed_stress_ratio", "", func(v *Verdict) float64 { return v.Next.Stress })
	l.number("allowed_thickness_ratio", "", func(v *Verdict) float64 { return v.Next.Thickness })
	l.number("mass_ratio", "", func(v *Verdict) float64 { return v.Next.Mass })
	l.number("allowed_stress_ratio_best", "", func(v *Verdict) float64 { return v.Next.BestStress })
	l.number("mass_ratio_best", "", func(v *Verdict) float64 { return v.Next.BestMass })
	l.number("allowed_stress_ratio_posterior", "", func(v *Verdict) float64 { return v.Next.PosteriorStress })
	l.number("mass_ratio_posterior", "", func(v *Verdict) float64 { return v.Next.PosteriorMass })
}

type lifeRow struct {
	v *Verdict
	f *Fit
	q QuantileLife
}

func lives(verdicts []Verdict, p Params) *frame.Frame {
	l := &layout[lifeRow]{}
	for i := range verdicts {
		for j := range verdicts[i].Fits {
			f := &verdicts[i].Fits[j]
			for _, q := range f.Lives {
				l.rows = append(l.rows, lifeRow{&verdicts[i], f, q})
			}
		}
	}
	l.text("subject", func(r *lifeRow) string { return r.v.Subject })
	l.text("model", func(r *lifeRow) string { return r.f.Model.String() })
	l.number("failed", "", func(r *lifeRow) float64 { return r.q.Failed })
	l.text("unit", func(r *lifeRow) string { return r.v.Unit })
	l.number("life", "", func(r *lifeRow) float64 { return r.q.Life })
	l.number("confidence", "", func(*lifeRow) float64 { return p.Confidence })
	l.number("life_low_likelihood_ratio", "", func(r *lifeRow) float64 { return r.q.Ratio.Lower })
	l.number("life_high_likelihood_ratio", "", func(r *lifeRow) float64 { return r.q.Ratio.Upper })
	l.number("life_low_small_sample", "", func(r *lifeRow) float64 { return r.q.Pivot.Lower })
	l.number("life_high_small_sample", "", func(r *lifeRow) float64 { return r.q.Pivot.Upper })
	l.number("life_over_target", "", func(r *lifeRow) float64 { return r.q.Life / r.v.Expected.Target })
	return l.frame()
}

type placedRow struct {
	v *Verdict
	s Placed
}

func specimens(verdicts []Verdict) *frame.Frame {
	l := &layout[placedRow]{}
	for i := range verdicts {
		for _, s := range verdicts[i].Placed {
			l.rows = append(l.rows, placedRow{&verdicts[i], s})
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
	l.text("subject", func(r *placedRow) string { return r.v.Subject })
	l.text("specimen", func(r *placedRow) string { return r.s.Name })
	l.text("unit", func(r *placedRow) string { return r.v.Unit })
	l.number("life", "", func(r *placedRow) float64 { return r.s.Life })
	l.text("status", func(r *placedRow) string { return Status(r.s.RunOut) })
	l.text("hotspot", func(r *placedRow) string { return r.s.Hotspot })
	l.number("median_rank", "", func(r *placedRow) float64 { return r.s.Failed })
	l.number("lognormal_failed", "", model(fatigue.Lognormal))
	l.number("weibull_failed", "", model(fatigue.Weibull))
	l.number("life_over_predicted", "", func(r *placedRow) float64 { return r.s.Life / r.v.Expected.Predicted })
	l.number("life_over_target", "", func(r *placedRow) float64 { return r.s.Life / r.v.Expected.Target })
	l.text("note", func(r *placedRow) string { return r.s.Note })
	return l.frame()
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
	l := &layout[furtherRow]{}
	for i := range verdicts {
		for _, f := range verdicts[i].Further {
			l.rows = append(l.rows, furtherRow{&verdicts[i], f})
		}
	}
	l.text("subject", func(r *furtherRow) string { return r.v.Subject })
	l.count("further_specimens", func(r *furtherRow) int { return r.f.Specimens })
	l.text("unit", func(r *furtherRow) string { return r.v.Unit })
	l.number("survival", "", func(*furtherRow) float64 { return p.Survival })
	l.number("confidence", "", func(*furtherRow) float64 { return p.Confidence })
	l.number("life_lower_expected", "", func(r *furtherRow) float64 { return r.f.Lower })
	l.number("life_factor_lower_expected", "", func(r *furtherRow) float64 { return r.f.FactorLower })
	l.number("unbroken_life", "", func(r *furtherRow) float64 { return r.f.Unbroken })
	l.number("unbroken_life_over_target", "", func(r *furtherRow) float64 { return r.f.UnbrokenFactor })
	return l.frame()
}
