package life

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/mathext"

	"lapwear/fatigue"
)

// published reads a figure of testdata/published.csv, where its source stands.
func published(t *testing.T, topic, quantity string) float64 {
	t.Helper()
	f, err := os.Open("testdata/published.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if r[0] == topic && r[1] == quantity {
			v, err := strconv.ParseFloat(r[2], 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}
	}
	t.Fatalf("published.csv has no %s, %s", topic, quantity)
	return 0
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: %g, want %g", what, got, want)
	}
}

// handbook are the twenty units of the NIST e-Handbook, 8.4.1.3: ten failures, ten taken off at 500 h.
func handbook() Results {
	r := Results{Unit: "hours"}
	for i, l := range []float64{54, 187, 216, 240, 244, 335, 361, 373, 375, 386, 500, 500, 500, 500, 500, 500, 500, 500, 500, 500} {
		r.Specimens = append(r.Specimens, Specimen{Name: strconv.Itoa(i), Life: l, RunOut: l == 500})
	}
	return r
}

func judged(t *testing.T, r Results, p Params) []Verdict {
	t.Helper()
	v, err := Judge(r, p)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func only(lives ...float64) Results {
	r := Results{Unit: "repeats"}
	for i, l := range lives {
		r.Specimens = append(r.Specimens, Specimen{Name: strconv.Itoa(i), Life: math.Abs(l), RunOut: l < 0})
	}
	return r
}

// nothing is what is expected of all hot spots where nothing is.
func nothing() Expected {
	nan := math.NaN()
	return Expected{"", nan, nan, nan, nan, nan, nan, nan}
}

func TestHandbookLives(t *testing.T) {
	v := judged(t, handbook(), Defaults())
	if len(v) != 1 || v[0].Subject != Part || v[0].Failures != 10 || v[0].RunOuts != 10 {
		t.Fatalf("verdicts %+v", v)
	}
	w, l := v[0].Of(fatigue.Weibull), v[0].Of(fatigue.Lognormal)
	near(t, "shape", w.Shape(), published(t, "nist", "weibull shape"), 5e-5)
	near(t, "scale", math.Exp(w.Location), published(t, "nist", "weibull scale"), 5e-6)
	near(t, "log-likelihood", w.LogLikelihood, published(t, "nist", "weibull loglik"), 1e-5)
	near(t, "AIC of Weibull", w.AIC(), published(t, "nist", "weibull aic"), 5e-5)
	near(t, "AIC of lognormal", l.AIC(), published(t, "nist", "lognormal aic"), 5e-5)
	near(t, "mu", l.Location, published(t, "nist", "lognormal mu"), 1e-6)
	near(t, "sigma", l.Scale, published(t, "nist", "lognormal sigma"), 1e-5)
	near(t, "B10", w.Lives[2].Life, published(t, "nist", "weibull b10"), 1e-6)
	near(t, "B50", w.Lives[3].Life, published(t, "nist", "weibull b50"), 1e-6)
}

// The exact lower bound of a lognormal life where all have failed is that of the tolerance factor.
func TestBoundsAgreeWithToleranceFactors(t *testing.T) {
	for _, c := range []struct {
		reason, factor string
		lives          []float64
	}{
		{"five specimens", "k 5 0.9 0.95", []float64{800, 950, 1300, 1450, 2100}},
		{"ten specimens", "k 10 0.9 0.95", []float64{800, 950, 1300, 1450, 2100, 900, 1000, 1100, 1600, 1250}},
	} {
		p := Defaults()
		p.Survival, p.Draws = 0.9, 10000
		v := judged(t, only(c.lives...), p)[0]
		var mean, squares float64
		for _, l := range c.lives {
			mean += math.Log(l) / float64(len(c.lives))
		}
		for _, l := range c.lives {
			squares += (math.Log(l) - mean) * (math.Log(l) - mean)
		}
		sd := math.Sqrt(squares / float64(len(c.lives)-1))
		near(t, c.reason, math.Log(v.Shown.Lower), mean-published(t, "tolerance", c.factor)*sd, 0.01)
		if v.Shown.Method != BySmallSample {
			t.Errorf("%s: bound by %s", c.reason, v.Shown.Method)
		}
	}
}

func ofSpecimens(s []Specimen) []fatigue.Specimen {
	out := make([]fatigue.Specimen, len(s))
	for i := range s {
		out[i] = fatigue.Specimen{Life: s[i].Life, RunOut: s[i].RunOut}
	}
	return out
}

func TestNoFailure(t *testing.T) {
	p := Defaults()
	p.Confidence, p.Survival = 0.9, 0.9
	e := nothing()
	e.Target = 1000
	p.Expected = []Expected{e}
	lives := make([]float64, int(math.Ceil(published(t, "success run", "n 0.9 0.9"))))
	for i := range lives {
		lives[i] = -(1500 + float64(i))
	}
	v := judged(t, only(lives...), p)[0]
	if v.Shown.Method != BySuccessRun || v.Shown.Lower != 1500 || v.Shown.FactorLower != 1.5 || !math.IsNaN(v.Shown.Factor) {
		t.Errorf("22 unbroken specimens show %+v", v.Shown)
	}
	v = judged(t, only(lives[1:]...), p)[0]
	if v.Shown.Method != "" || !math.IsNaN(v.Shown.Lower) || v.Shown.SurvivalShown >= 0.9 {
		t.Errorf("21 unbroken specimens show %+v", v.Shown)
	}

	// Zero failures with a known shape: (Σ t^β / -ln(1-C))^(1/β) is the lower bound of the characteristic life (textbook); the shape
	// of equal scatter is π/√6 over the standard deviation of ln life (from memory).
	e.Scatter = 0.15
	p.Expected = []Expected{e}
	p.Model = fatigue.Weibull
	v = judged(t, only(-2000, -3000), p)[0]
	shape := math.Pi / math.Sqrt(6) / (0.15 * math.Ln10)
	sum := math.Pow(2000, shape) + math.Pow(3000, shape)
	near(t, "two unbroken, shape known", v.Shown.Lower, math.Pow(sum/-math.Log(0.1)*-math.Log(0.9), 1/shape), 1e-9)
}

func TestOneSpecimenFailed(t *testing.T) {
	v := judged(t, only(900, -1500, -1500), Defaults())[0]
	if v.Shown.Method != ByRatio || !(v.Shown.Lower < v.Shown.Life) {
		t.Errorf("one failure among run-outs shows %+v", v.Shown)
	}
	v = judged(t, only(900), Defaults())[0]
	if len(v.Fits) != 0 || v.WhyNone == "" || !math.IsNaN(v.Shown.Lower) {
		t.Errorf("a single failure shows %+v: %s", v.Shown, v.WhyNone)
	}
	// With the scatter known: (2·Σ life^β/χ²(C; 4))^(1/β) over (Σ life^β)^(1/β); χ²(0.95; 4) = 9.488 (table of chi-squared, from memory).
	p, e := Defaults(), nothing()
	e.Scatter, e.Predicted = 0.15, 1000
	p.Expected = []Expected{e}
	for _, lives := range [][]float64{{900, -1500, -1500}, {900}} {
		v = judged(t, only(lives...), p)[0]
		if v.Shown.Method != ByKnownShape {
			t.Fatalf("one failure and a scatter: bound by %s", v.Shown.Method)
		}
		near(t, "bound over estimate", v.Shown.Lower/v.Shown.Life, math.Pow(2/9.488, 0.15*math.Ln10*math.Sqrt(6)/math.Pi), 1e-4)
		near(t, "none further", v.Further[0].Lower, v.Shown.Lower, 1e-12)
		if !(v.Further[1].Lower > v.Further[0].Lower) {
			t.Errorf("one further specimen: bound %g after %g", v.Further[1].Lower, v.Further[0].Lower)
		}
	}
}

// A part fails where it breaks first; a break elsewhere is a run-out.
func TestLivesOfSubjects(t *testing.T) {
	r := Results{Unit: "repeats", Specimens: []Specimen{
		{Name: "A", Life: 100, Hotspot: "toe"},
		{Name: "B", Life: 150, Hotspot: "rib"},
		{Name: "C", Life: 200, RunOut: true},
		{Name: "D", Life: 120, Hotspot: "rib"},
		{Name: "D", Life: 180, Hotspot: "toe"},
		{Name: "E", Life: 130, Hotspot: "toe", RunOut: true},
		{Name: "E", Life: 160, Hotspot: "rib"},
	}}
	for _, c := range []struct {
		reason, subject string
		want            []Specimen
	}{
		{"the part fails at the first break", Part, []Specimen{
			{Name: "A", Life: 100, Hotspot: "toe"}, {Name: "B", Life: 150, Hotspot: "rib"}, {Name: "C", Life: 200, RunOut: true},
			{Name: "D", Life: 120, Hotspot: "rib"}, {Name: "E", Life: 160, Hotspot: "rib"}}},
		{"a hot spot's own row counts, else the longest as a run-out", "toe", []Specimen{
			{Name: "A", Life: 100, Hotspot: "toe"}, {Name: "B", Life: 150, RunOut: true}, {Name: "C", Life: 200, RunOut: true},
			{Name: "D", Life: 180, Hotspot: "toe"}, {Name: "E", Life: 130, RunOut: true, Hotspot: "toe"}}},
		{"the other one", "rib", []Specimen{
			{Name: "A", Life: 100, RunOut: true}, {Name: "B", Life: 150, Hotspot: "rib"}, {Name: "C", Life: 200, RunOut: true},
			{Name: "D", Life: 120, Hotspot: "rib"}, {Name: "E", Life: 160, Hotspot: "rib"}}},
	} {
		if d := cmp.Diff(c.want, r.Of(c.subject)); d != "" {
			t.Errorf("%s: %s", c.reason, d)
		}
	}
}

func TestSubjects(t *testing.T) {
	for _, c := range []struct {
		reason    string
		specimens []Specimen
		known     []string
		want      []string
	}{
		{"nobody names a hot spot", []Specimen{{Name: "A", RunOut: true}}, nil, []string{Part}},
		{"breaks at two", []Specimen{{Name: "A", Hotspot: "toe"}, {Name: "B", Hotspot: "rib"}}, nil, []string{Part, "toe", "rib"}},
		{"one alone", []Specimen{{Name: "A", Hotspot: "toe"}, {Name: "B", RunOut: true}}, []string{"toe"}, []string{"toe"}},
		{"one never broke", []Specimen{{Name: "A", Hotspot: "rib"}}, []string{"toe", "rib"}, []string{Part, "rib", "toe"}},
		{"all sound, hot spots known", []Specimen{{Name: "A", RunOut: true}}, []string{"toe", "rib"}, []string{Part, "toe", "rib"}},
		{"all sound, one known", []Specimen{{Name: "A", RunOut: true}}, []string{"toe"}, []string{"toe"}},
		{"a failure may have been anywhere", []Specimen{{Name: "A"}, {Name: "B", RunOut: true, Hotspot: "toe"}}, []string{"toe", "rib"}, []string{Part}},
	} {
		if d := cmp.Diff(c.want, Results{Specimens: c.specimens}.Subjects(c.known)); d != "" {
			t.Errorf("%s: %s", c.reason, d)
		}
	}
}

// Hot spots that never broke are judged against lives of their own.
func TestUnbrokenHotspotIsJudged(t *testing.T) {
	toe, rib, far := nothing(), nothing(), nothing()
	toe.Hotspot, toe.Target, toe.Scatter = "toe", 1000, 0.15
	rib.Hotspot, rib.Target, rib.Scatter = "rib", 500, 0.15
	far.Hotspot, far.Scatter = "bore", 0.15 // no life is expected of it
	p := Defaults()
	p.Expected = []Expected{toe, rib, far}
	r := only(2300, 2800, 2000)
	for i := range r.Specimens {
		r.Specimens[i].Hotspot = "rib"
	}
	var got []string
	for _, v := range judged(t, r, p) {
		got = append(got, v.Subject)
		if v.Subject == "toe" && (v.RunOuts != 3 || v.Shown.Method != ByUnbroken || !(v.Shown.FactorLower > 1)) {
			t.Errorf("toe, never broken to 2000: %+v", v.Shown)
		}
		if v.Subject == Part && v.Expected.Target != 1000 {
			t.Errorf("target of the part: %g", v.Expected.Target)
		}
	}
	if d := cmp.Diff([]string{Part, "rib", "toe"}, got); d != "" {
		t.Error(d)
	}
}

// A demonstration test run as planned shows what it was planned for: 1.606 times the target for three specimens, 90 % survival at 90 %
// and a scatter of 0.15, by hand: q = 0.1^(1/3) = 0.46416, z(1-q) = 0.08996, z(0.9) = 1.28155, 10^(0.15·1.37151) = 1.6060.
func TestDemonstrationAsPlanned(t *testing.T) {
	for _, model := range []fatigue.LifeModel{fatigue.Lognormal, fatigue.Weibull} {
		e := nothing()
		e.Target, e.Scatter = 1000, 0.15
		p := Defaults()
		p.Model, p.Survival, p.Confidence, p.Expected, p.Further = model, 0.9, 0.9, []Expected{e}, []int{3}
		planned := judged(t, only(-1), p)[0].Further[0].Unbroken
		if model == fatigue.Lognormal {
			near(t, "repeats planned", planned, 1606.0, 1e-4)
		}
		v := judged(t, only(-planned, -planned, -planned), p)[0]
		near(t, model.String()+": life factor shown", v.Shown.FactorLower, 1, 1e-9)
		// Longer lives show more, and by no more than the longest alone would.
		v = judged(t, only(-planned, -planned, -2*planned), p)[0]
		if f := v.Shown.FactorLower; !(f > 1 && f < 2) {
			t.Errorf("%v: one specimen run twice as long shows %g", model, f)
		}
	}
}

// Run-outs must not raise a bound over levels, for they say nothing of the slope.
func TestRunOutDoesNotRaiseTheBoundOverLevels(t *testing.T) {
	at := func(runOut float64) Verdict {
		r := Results{Unit: "repeats", Specimens: []Specimen{{Name: "A", Life: 2300, Level: 1.2}, {Name: "B", Life: 2800, Level: 1.2},
			{Name: "C", Life: 6000, Level: 1}, {Name: "D", Life: 7400, Level: 1}, {Name: "E", Life: 1200, Level: 1.4}}}
		if runOut > 0 {
			r.Specimens = append(r.Specimens, Specimen{Name: "F", Life: runOut, Level: 1, RunOut: true})
		}
		e := nothing()
		e.Predicted = 5000
		p := Defaults()
		p.Expected = []Expected{e}
		return judged(t, r, p)[0]
	}
	line := at(0)
	if line.Shown.Method != ByLine {
		t.Fatalf("bound by %q", line.Shown.Method)
	}
	for _, runOut := range []float64{10, 3000, 8000} {
		if v := at(runOut); !(v.Shown.Lower <= line.Shown.Lower && v.Shown.OverPredictedLower <= line.Shown.OverPredictedLower) {
			t.Errorf("a run-out at %g: bounds %g and %g, without it %g and %g", runOut, v.Shown.Lower, v.Shown.OverPredictedLower,
				line.Shown.Lower, line.Shown.OverPredictedLower)
		}
	}
}

// With r failures of one life and the shape known the bound is (2r/χ²(C; 2r+2))^(1/shape) of it; χ²(0.95; 8) = 15.507 (table of
// chi-squared, from memory).
func TestFailuresOfOneLife(t *testing.T) {
	e := nothing()
	e.Target, e.Predicted, e.Scatter = 50, 120, 0.15
	p := Defaults()
	p.Expected = []Expected{e}
	v := judged(t, only(100, 100, 100), p)[0]
	scale := 0.15 * math.Ln10 * math.Sqrt(6) / math.Pi
	near(t, "bound", v.Shown.Lower, 100*math.Pow(6/15.507*math.Ln2, scale), 1e-4)
	near(t, "life factor", v.Shown.FactorLower, v.Shown.Lower/50, 1e-12)
	notes := strings.Join(v.Notes, "; ")
	for _, want := range []string{"no slope of the S-N curve is known", "all failures have one life", "3 failures have the life 100: if lives were read at inspections"} {
		if !strings.Contains(notes, want) {
			t.Errorf("notes %q, want %q among them", notes, want)
		}
	}
}

func TestExpectedOfThePart(t *testing.T) {
	all, toe, rib := nothing(), nothing(), nothing()
	all.Slope, all.Target = 5, 800
	toe.Hotspot, toe.Predicted, toe.Scatter = "toe", 3000, 0.2
	rib.Hotspot, rib.Predicted, rib.Target = "rib", 2000, 900
	p := Params{Expected: []Expected{all, toe, rib}}
	got := p.expected(Part, []string{"toe", "rib"})
	if got.Predicted != 2000 || got.Target != 900 || got.Slope != 5 || !math.IsNaN(got.Scatter) {
		t.Errorf("expected of the part: %+v; want the shortest prediction, the longest target, and the rest of the hot spot of the former", got)
	}
}

// By hand: a life factor of 2 at least, 1.5 wanted, slope 5 and thickness exponent 2: stress (2/1.5)^(1/5) = 1.0592, wall 1.0592^(-1/2)
// = 0.9716. A median of 1.2 times the predicted is (1.2)^(1/5) = 1.0371 in stress.
func TestNextPart(t *testing.T) {
	v := Verdict{Expected: Expected{Predicted: 100, Slope: 5, ThicknessExponent: 2}, Shown: Shown{Factor: 3, FactorLower: 2}}
	n := v.next(Params{Wanted: 1.5})
	near(t, "stress", n.Stress, 1.0592, 5e-5)
	near(t, "wall", n.Thickness, 0.9716, 1e-4)
	near(t, "mass", n.Mass, 0.9716, 1e-4)
	near(t, "stress without confidence", n.BestStress, math.Pow(2, 0.2), 1e-12)
}

// Specimens in plenty outweigh the prediction; few leave the posterior between the two.
func TestUpdateLiesBetweenPredictionAndSpecimens(t *testing.T) {
	e := nothing()
	e.Predicted, e.Scatter, e.Slope, e.Target, e.Amplitude, e.Cycles = 1000, 0.1, 6, 500, 80, 2e6
	p := Defaults()
	p.Expected = []Expected{e}
	few := judged(t, only(2200, 1800), p)[0]
	many := judged(t, only(2200, 1800, 2000, 1900, 2100, 2300, 1700, 1950, 2050, 2000), p)[0]
	if m := few.Update.Posterior.Median; !(m > 1000 && m < few.Of(fatigue.Lognormal).Life(0.5)) {
		t.Errorf("two specimens about 2000 and 1000 predicted make a median of %g", m)
	}
	near(t, "ten specimens", many.Update.Posterior.Median, many.Of(fatigue.Lognormal).Life(0.5), 0.02)
	near(t, "stress", many.Update.StressRatio, math.Pow(many.Update.Posterior.Median/1000, 1./6), 1e-12)
	near(t, "amplitude", many.Update.Amplitude, 80*many.Update.StressRatio, 1e-12)
	near(t, "prior median", many.Update.Prior.Median, 1000, 1e-6)
	near(t, "prior scatter", many.Update.Prior.Scatter, 0.1, 2e-3)
	near(t, "prior chance to fail before half the prediction", many.Update.Prior.FailsTarget, 0.17, 0.1)
	if many.Update.Posterior.FailsTarget > 0.001 {
		t.Errorf("chance to fail before a quarter of the lives: %g", many.Update.Posterior.FailsTarget)
	}
}

// One specimen that passes shows with 95 % that the median is at least its life over the quantile of one normal value: the factor is
// exp(σ·z(0.95)) (textbook).
func TestFurtherUnbroken(t *testing.T) {
	e := nothing()
	e.Target, e.Scatter = 100, 0.2
	p := Defaults()
	p.Expected, p.Further, p.Wanted = []Expected{e}, []int{1}, 1.5
	v := judged(t, only(-100), p)[0]
	near(t, "one further specimen unbroken", v.Further[0].Unbroken, 150*math.Exp(0.2*math.Ln10*mathext.NormalQuantile(0.95)), 1e-9)
}

func TestFurtherNarrows(t *testing.T) {
	v := judged(t, only(900, 1200, 1500, 1100), Defaults())[0]
	near(t, "none further", v.Further[0].Lower, v.Shown.Lower, 1e-12)
	for i := range v.Further[1:] {
		if !(v.Further[i+1].Lower > v.Further[i].Lower && v.Further[i+1].Lower < v.Shown.Life) {
			t.Errorf("%d further specimens: bound %g after %g", v.Further[i+1].Specimens, v.Further[i+1].Lower, v.Further[i].Lower)
		}
	}
}

func TestPlaces(t *testing.T) {
	v := judged(t, handbook(), Defaults())[0]
	if v.Placed[0].Life != 54 || !math.IsNaN(v.Placed[19].Failed) {
		t.Errorf("placed %+v", v.Placed)
	}
	ten := judged(t, only(3, 1, 2, 4, 5, 6, 7, 8, 9, 10), Defaults())[0]
	near(t, "first of ten", ten.Placed[0].Failed, published(t, "median rank", "1 of 10"), 1e-5)
	if ten.Placed[0].Name != "1" {
		t.Errorf("the first to fail is %q", ten.Placed[0].Name)
	}
}

func TestNotes(t *testing.T) {
	e := nothing()
	e.Predicted, e.Scatter, e.Slope, e.Target = 100, 0.02, 5, 50
	for _, c := range []struct {
		reason  string
		results Results
		want    string
	}{
		{"far from the prediction", only(2000, 2100, 2200, 1900, 2050), "lives depart from the prediction by more than the prior grants (4.4 standard deviations): look for another failure mode, batch or load before using the update"},
		{"scatter beyond the material's", only(50, 100, 200, 400, 90), "lives scatter more than the material's 0.02: look for mixed failure modes or loads"},
		{"few", only(90, 100, 110), "so few failures (3) tell little of the scatter: the interval says how little"},
		{"none failed", only(-90, -100), "no distribution can be fitted: no specimen failed"},
		{"one alone", only(90), "no distribution can be fitted: no specimen lived longer than the first failure, so that the scatter cannot be told"},
	} {
		p := Defaults()
		p.Expected = []Expected{e}
		found := false
		notes := judged(t, c.results, p)[0].Notes
		for _, n := range notes {
			found = found || n == c.want
		}
		if !found {
			t.Errorf("%s: notes %q, want %q among them", c.reason, notes, c.want)
		}
	}
}

func TestJudgeRefuses(t *testing.T) {
	for _, c := range []struct {
		reason string
		change func(p *Params)
	}{
		{"survival of all", func(p *Params) { p.Survival = 1 }},
		{"a confidence that bounds nothing", func(p *Params) { p.Confidence = 0.5 }},
		{"no factor", func(p *Params) { p.Wanted = 0 }},
		{"a prior without width", func(p *Params) { p.PriorSD = 0 }},
		{"a prior of no weight", func(p *Params) { p.Weight = 0 }},
	} {
		p := Defaults()
		c.change(&p)
		if _, err := Judge(handbook(), p); err == nil {
			t.Errorf("%s: no error", c.reason)
		}
	}
	if _, err := Judge(Results{}, Defaults()); err == nil {
		t.Error("no specimens: no error")
	}
}

// Laws: life factors do not depend on the unit of life, nor any figure on the order of the specimens; bounds enclose the estimate.
func FuzzJudge(f *testing.F) {
	f.Add(100., 150., 210., 120., 90., 10.)
	f.Add(1e6, 3e6, 2.9e6, 1e6, 4e5, 1e-3)
	f.Fuzz(func(t *testing.T, a, b, c, runOut, target, unit float64) {
		for _, v := range []float64{a, b, c, runOut, target, unit} {
			if !(v > 1e-4 && v < 1e8) {
				return
			}
		}
		if top, low := max(a, b, c), min(a, b, c); top/low < 1.01 || top/low > 1e4 {
			return
		}
		of := func(u float64, lives ...float64) Verdict {
			p := Defaults()
			e := nothing()
			e.Target, e.Predicted, e.Scatter, e.Slope = target*u, a*u, 0.15, 5
			p.Expected, p.Draws, p.Further = []Expected{e}, 100, nil
			for i := range lives {
				lives[i] *= u
			}
			return judged(t, only(lives...), p)[0]
		}
		plain := of(1, a, b, c, -runOut)
		for _, other := range []Verdict{of(unit, a, b, c, -runOut), of(1, -runOut, c, a, b)} {
			near(t, "life factor", other.Shown.Factor, plain.Shown.Factor, 1e-6)
			near(t, "its bound", other.Shown.FactorLower, plain.Shown.FactorLower, 1e-4)
			near(t, "updated stress", other.Update.StressRatio, plain.Update.StressRatio, 1e-2)
		}
		if !(plain.Shown.Lower <= plain.Shown.Life && plain.Shown.Life <= plain.Shown.Upper) {
			t.Errorf("life %g is not within %g and %g", plain.Shown.Life, plain.Shown.Lower, plain.Shown.Upper)
		}
	})
}

func TestTablesAreDeterministic(t *testing.T) {
	p := Defaults()
	names := func() (out []string) {
		for _, table := range Tables(judged(t, handbook(), p), p) {
			out = append(out, table.Name)
			for _, c := range table.Frame.Columns() {
				out = append(out, c.Name)
			}
			if err := table.Frame.WriteCSV(&lines{&out}); err != nil {
				t.Fatal(err)
			}
		}
		return out
	}
	if d := cmp.Diff(names(), names()); d != "" {
		t.Error(d)
	}
}

type lines struct{ to *[]string }

func (l *lines) Write(b []byte) (int, error) {
	*l.to = append(*l.to, string(b))
	return len(b), nil
}

// The worked example of ASTM E739-91, 9 (data and printed results from memory; arithmetic recomputed with SciPy): slope 1.45144 with
// a 95 % interval from 1.2974 to 1.6055, median life 455.14 at 0.01 within a band from 320.62 to 646.09.
func TestLevelsAreBroughtToOne(t *testing.T) {
	data := [][2]float64{{0.01636, 168}, {0.01609, 200}, {0.00675, 1000}, {0.00682, 1180}, {0.00179, 4730}, {0.0016, 8035}, {0.00165, 5254},
		{0.00053, 28617}, {0.00054, 32650}}
	results := func(runOuts int) Results {
		r := Results{Unit: "cycles"}
		for i, d := range data {
			r.Specimens = append(r.Specimens, Specimen{Name: string(rune('a' + i)), Life: d[1], Level: d[0], Hotspot: "toe", RunOut: i >= len(data)-runOuts})
		}
		return r
	}
	p := Defaults()
	p.Level = 0.01
	v := judged(t, results(0), p)[0]
	l := v.Line
	for _, c := range []struct {
		what            string
		got, want, near float64
	}{
		{"slope", l.Slope, 1.45144, 1e-5}, {"slope, low", l.Slopes.Lower, 1.2974, 1e-4}, {"slope, high", l.Slopes.Upper, 1.6055, 1e-4},
		{"median", l.Life, 455.14, 1e-4}, {"band, low", l.Band.Lower, 320.62, 1e-4}, {"band, high", l.Band.Upper, 646.09, 1e-4},
		{"scatter", l.Fit.SD, 0.105807, 1e-5}, {"life shown", v.Shown.Life, 455.14, 1e-4},
		// the first specimen's life brought to 0.01 along the slope, by hand: 168·1.636^1.45144
		{"life of a specimen", v.Specimens[0].Life, 168 * math.Pow(1.636, 1.45144), 1e-4}, {"as run", l.AsRun(v.Specimens[0]), 168, 1e-12},
	} {
		if math.Abs(c.got/c.want-1) > c.near {
			t.Errorf("%s: %g, want %g", c.what, c.got, c.want)
		}
	}
	// One-sided 95 % of a median: t(0.95, 7) = 1.894579 (any table of Student's t) standard errors below the line.
	d := math.Log10(0.01) + 2.531716
	want := 455.14 * math.Pow(10, -1.894579*0.105807*math.Sqrt(1./9+d*d/2.638917))
	if v.Shown.Method != ByLine || math.Abs(v.Shown.Lower/want-1) > 1e-4 {
		t.Errorf("lower bound %g by %q, want %g by the line", v.Shown.Lower, v.Shown.Method, want)
	}
	outs := judged(t, results(1), p)[0]
	if outs.Line == nil || outs.Line.Fit.Specimens != 8 {
		t.Errorf("with a run-out: a line of %d, want it to leave the run-out out", outs.Line.Fit.Specimens)
	}
	p.Level = 0.1
	far := strings.Join(judged(t, results(0), p)[0].Notes, "; ")
	if !strings.Contains(far, "level 0.1 is outside those tested") {
		t.Errorf("notes %q say nothing of a level that was not tested", far)
	}
}

// Two specimens carry no line: their lives take the material's slope, and without one there is no verdict.
func TestLevelsWithoutALine(t *testing.T) {
	r := Results{Unit: "repeats", Specimens: []Specimen{{Name: "a", Life: 100, Level: 1.2}, {Name: "b", Life: 400, Level: 1}}}
	p := Defaults()
	if _, err := Judge(r, p); err == nil || !strings.Contains(err.Error(), "give the slope") {
		t.Errorf("lives of two levels without a slope: %v", err)
	}
	e := nothing()
	e.Slope = 5
	p.Expected = []Expected{e}
	v := judged(t, r, p)[0]
	if want := 100 * math.Pow(1.2, 5); v.Line.Fitted || math.Abs(v.Specimens[0].Life/want-1) > 1e-12 || v.Specimens[1].Life != 400 {
		t.Errorf("lives %g and %g by a slope of %g, want %g and 400 by the material's 5", v.Specimens[0].Life, v.Specimens[1].Life, v.Line.Slope, want)
	}
	r.Specimens[0].Level = 1
	if v := judged(t, r, p)[0]; v.Line != nil || v.Specimens[0].Life != 100 {
		t.Errorf("one level, the target's: %+v", v.Line)
	}
}
