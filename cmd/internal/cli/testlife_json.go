package cli

import (
	"math"

	"lapwear/fatigue"
	"lapwear/stages/life"
)

// livesDocument is the object that testlife --json prints: the first subject's figures, and those of every subject.
type livesDocument struct {
	subjectJSON
	Unit       string        `json:"unit"`
	Out        string        `json:"out"`
	Files      []string      `json:"files"`
	Model      string        `json:"model"`
	Survival   number        `json:"survival"`
	Confidence number        `json:"confidence"`
	Subjects   []subjectJSON `json:"subjects"`
}

type subjectJSON struct {
	Subject    string         `json:"subject"`
	Specimens  int            `json:"specimens"`
	Failures   int            `json:"failures"`
	RunOuts    int            `json:"run_outs"`
	Weibull    *weibullJSON   `json:"weibull"`
	Lognormal  *lognormalJSON `json:"lognormal"`
	LifeFactor factorJSON     `json:"life_factor"`
	Life       boundedJSON    `json:"life"`
	Predicted  predictedJSON  `json:"predicted"`
	Update     *updateJSON    `json:"update"`
	Further    []furtherJSON  `json:"further"`
	Next       nextJSON       `json:"next_part"`
	Line       *lineJSON      `json:"line,omitempty"`
	Notes      []string       `json:"notes"`
}

// lineJSON is what several levels tell.
type lineJSON struct {
	Levels int          `json:"levels"`
	At     number       `json:"level"`
	Fitted bool         `json:"fitted"`
	Slope  number       `json:"slope"`
	Slopes intervalJSON `json:"slope_interval"`
	Median number       `json:"median_life"`
	Band   intervalJSON `json:"median_life_band"`
	Chance number       `json:"chance_of_a_line"`
}

type intervalJSON struct {
	Lower number `json:"lower"`
	Upper number `json:"upper"`
}

type bothJSON struct {
	Ratio intervalJSON `json:"likelihood_ratio"`
	Small intervalJSON `json:"small_sample"`
}

type weibullJSON struct {
	Shape    number       `json:"shape"`
	Scale    number       `json:"scale"`
	LogLik   number       `json:"loglik"`
	AIC      number       `json:"aic"`
	Interval intervalJSON `json:"interval"` // of the shape, by the likelihood ratio
	Small    intervalJSON `json:"interval_small_sample"`
	Lives    []bLifeJSON  `json:"lives"`
}

type lognormalJSON struct {
	Mu       number       `json:"mu"`
	Sigma    number       `json:"sigma"`
	LogLik   number       `json:"loglik"`
	AIC      number       `json:"aic"`
	Interval intervalJSON `json:"interval"` // of sigma, by the likelihood ratio
	Small    intervalJSON `json:"interval_small_sample"`
	Lives    []bLifeJSON  `json:"lives"`
}

type bLifeJSON struct {
	Failed number   `json:"failed"`
	Life   number   `json:"life"`
	Within bothJSON `json:"interval"`
}

type factorJSON struct {
	Estimate number `json:"estimate"`
	Lower    number `json:"lower"`
	Upper    number `json:"upper"`
	Target   number `json:"target_life"`
	Method   string `json:"method"`
}

type boundedJSON struct {
	Estimate number `json:"estimate"`
	Lower    number `json:"lower"`
	Upper    number `json:"upper"`
}

type predictedJSON struct {
	Life  number `json:"life"`
	Ratio number `json:"shown_over_predicted"`
	Lower number `json:"lower"`
	Upper number `json:"upper"`
}

type knownJSON struct {
	Median    number       `json:"median_life"`
	MedianIn  intervalJSON `json:"median_life_interval"`
	Scatter   number       `json:"scatter_log10"`
	ScatterIn intervalJSON `json:"scatter_log10_interval"`
	LifeLower number       `json:"life_lower"`
	Factor    number       `json:"life_factor_lower"`
	Fails     number       `json:"failure_probability_at_target"`
}

type updateJSON struct {
	Prior     knownJSON    `json:"prior"`
	Posterior knownJSON    `json:"posterior"`
	Stress    number       `json:"sn_stress_ratio"`
	StressIn  intervalJSON `json:"sn_stress_ratio_interval"`
	Cycles    number       `json:"sn_reference_cycles"`
	Before    number       `json:"sn_prior_amplitude_mpa"`
	After     number       `json:"sn_posterior_amplitude_mpa"`
}

type furtherJSON struct {
	Specimens int    `json:"specimens"`
	Lower     number `json:"life_lower_expected"`
	Factor    number `json:"life_factor_lower_expected"`
	Unbroken  number `json:"unbroken_life"`
	Times     number `json:"unbroken_life_over_target"`
}

type nextJSON struct {
	Wanted          number `json:"wanted_life_factor"`
	Slope           number `json:"slope"`
	Stress          number `json:"allowed_stress_ratio"`
	Thickness       number `json:"allowed_thickness_ratio"`
	Mass            number `json:"mass_ratio"`
	BestStress      number `json:"allowed_stress_ratio_best"`
	BestMass        number `json:"mass_ratio_best"`
	PosteriorStress number `json:"allowed_stress_ratio_posterior"`
	PosteriorMass   number `json:"mass_ratio_posterior"`
}

func livesJSON(r life.Results, verdicts []life.Verdict, p life.Params, out string, files []string) livesDocument {
	d := livesDocument{Unit: r.Unit, Out: out, Files: files, Model: p.Model.String(), Survival: number(p.Survival), Confidence: number(p.Confidence)}
	for i := range verdicts {
		d.Subjects = append(d.Subjects, verdictJSON(&verdicts[i]))
	}
	d.subjectJSON = d.Subjects[0]
	return d
}

func verdictJSON(v *life.Verdict) subjectJSON {
	s, n := &v.Shown, &v.Next
	j := subjectJSON{
		Subject: v.Subject, Specimens: len(v.Specimens), Failures: v.Failures, RunOuts: v.RunOuts,
		LifeFactor: factorJSON{number(s.Factor), number(s.FactorLower), number(s.FactorUpper), number(v.Expected.Target), s.Method},
		Life:       boundedJSON{number(s.Life), number(s.Lower), number(s.Upper)},
		Predicted:  predictedJSON{number(v.Expected.Predicted), number(s.OverPredicted), number(s.OverPredictedLower), number(s.OverPredictedUpper)},
		Next: nextJSON{number(n.Wanted), number(n.Slope), number(n.Stress), number(n.Thickness), number(n.Mass), number(n.BestStress),
			number(n.BestMass), number(n.PosteriorStress), number(n.PosteriorMass)},
		Further: []furtherJSON{}, Notes: append([]string{}, v.Notes...),
	}
	if f := v.Of(fatigue.Weibull); f != nil {
		j.Weibull = &weibullJSON{number(f.Shape()), number(math.Exp(f.Location)), number(f.LogLikelihood), number(f.AIC()),
			inverted(f.ScaleRatio), inverted(f.ScalePivot), bLives(f)}
	}
	if f := v.Of(fatigue.Lognormal); f != nil {
		j.Lognormal = &lognormalJSON{number(f.Location), number(f.Scale), number(f.LogLikelihood), number(f.AIC()),
			interval(f.ScaleRatio), interval(f.ScalePivot), bLives(f)}
	}
	if l := v.Line; l != nil {
		j.Line = &lineJSON{l.Levels, number(l.At), l.Fitted, number(l.Slope), interval(l.Slopes), number(l.Life), interval(l.Band), number(l.Chance)}
	}
	if u := v.Update; u != nil {
		j.Update = &updateJSON{known(&u.Prior), known(&u.Posterior), number(u.StressRatio), interval(u.StressInterval),
			number(v.Expected.Cycles), number(v.Expected.Amplitude), number(u.Amplitude)}
	}
	for _, f := range v.Further {
		j.Further = append(j.Further, furtherJSON{f.Specimens, number(f.Lower), number(f.FactorLower), number(f.Unbroken), number(f.UnbrokenFactor)})
	}
	return j
}

func interval(i fatigue.Interval) intervalJSON { return intervalJSON{number(i.Lower), number(i.Upper)} }

// inverted is the interval of Weibull's shape, from that of the scale of ln life.
func inverted(i fatigue.Interval) intervalJSON {
	return intervalJSON{number(1 / i.Upper), number(1 / i.Lower)}
}

func bLives(f *life.Fit) []bLifeJSON {
	var out []bLifeJSON
	for _, q := range f.Lives {
		out = append(out, bLifeJSON{number(q.Failed), number(q.Life), bothJSON{interval(q.Ratio), interval(q.Pivot)}})
	}
	return out
}

func known(k *life.Known) knownJSON {
	return knownJSON{number(k.Median), interval(k.MedianInterval), number(k.Scatter), interval(k.ScatterInterval),
		number(k.LifeLower), number(k.FactorLower), number(k.FailsTarget)}
}
