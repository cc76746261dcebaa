package report

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/mathext"

	"lapwear/cmd/internal/report/figure"
	"lapwear/fatigue"
	"lapwear/stages/life"
)

// Lives are verdicts on the specimens of a rig test, and what was asked.
type Lives struct {
	Verdicts []life.Verdict
	Params   life.Params
}

// specimens shows what a rig test's specimens tell.
func (p *Page) specimens() section {
	if p.Lives == nil || len(p.Lives.Verdicts) == 0 {
		return section{}
	}
	asked := p.Lives.Params
	out := section{ID: "specimens", Title: "Specimens of the rig test", Intro: []string{
		fmt.Sprintf("Lives of the tested parts. The life factor is the life that %s survive over the target; bounds hold with %s.",
			percentOf(asked.Survival), percentOf(asked.Confidence))}}
	for n := range p.Lives.Verdicts {
		v := &p.Lives.Verdicts[n]
		out.Intro = append(out.Intro, LifeSentence(v, asked))
		for _, d := range LifeFigures(v, asked) {
			d.Figure.ID = fmt.Sprintf("lives-%s-%d", d.Name, n)
			out.Figures = append(out.Figures, draw(d.Figure, ""))
		}
	}
	out.Grids = []*grid{lifeGrid(p.Lives.Verdicts), specimenGrid(p.Lives.Verdicts[0])}
	return out
}

// LifeSentence says what the specimens of a subject have shown.
func LifeSentence(v *life.Verdict, p life.Params) string {
	s := &v.Shown
	name := v.Subject
	if name == life.Part {
		name = "The part"
	}
	what := fmt.Sprintf("%s, %d failed of %d", name, v.Failures, len(v.Specimens))
	switch {
	case s.Factor > 0:
		return fmt.Sprintf("%s: life factor %s shown, at least %s with %s (%s survive).", what, figure.Number(s.Factor), figure.Number(s.FactorLower),
			percentOf(p.Confidence), percentOf(p.Survival))
	case s.FactorLower > 0:
		return fmt.Sprintf("%s: life factor of at least %s shown, with %s (%s survive).", what, figure.Number(s.FactorLower), percentOf(p.Confidence), percentOf(p.Survival))
	case s.Life > 0:
		return fmt.Sprintf("%s: life %s %s, at least %s with %s (%s survive).", what, figure.Number(s.Life), v.Unit, figure.Number(s.Lower),
			percentOf(p.Confidence), percentOf(p.Survival))
	}
	return what + ": no life can be stated."
}

func lifeGrid(verdicts []life.Verdict) *grid {
	g := &grid{ID: "life-table", Caption: "What the specimens tell", Head: words("of", "failed#", "run-outs#", "life factor#", "at least#", "wanted#",
		"median over predicted#", "Weibull shape#", "scatter of log10 life#", "S-N level, times#", "scatter, updated#", "fails before target#",
		"stress of the next part, times#", "its wall mass, times#", "notes")}
	for i := range verdicts {
		v := &verdicts[i]
		shape, scatter, level, updated, fails := math.NaN(), math.NaN(), math.NaN(), math.NaN(), math.NaN()
		if f := v.Of(fatigue.Weibull); f != nil {
			shape = f.Shape()
		}
		if f := v.Of(fatigue.Lognormal); f != nil {
			scatter = f.Scale / math.Ln10
		}
		if u := v.Update; u != nil {
			level, updated, fails = u.StressRatio, u.Posterior.Scatter, u.Posterior.FailsTarget
		}
		g.Rows = append(g.Rows, []cell{text(v.Subject), count(float64(v.Failures)), count(float64(v.RunOuts)), number(v.Shown.Factor), enough(v),
			number(v.Next.Wanted), number(v.Shown.OverPredicted), number(shape), number(scatter), number(level), number(updated), percent(fails),
			number(v.Next.Stress), number(v.Next.Mass), text(strings.Join(v.Notes, "; "))})
	}
	return g
}

// enough is the lower bound of the life factor beside what is wanted.
func enough(v *life.Verdict) cell {
	c := number(v.Shown.FactorLower)
	switch {
	case v.Shown.FactorLower >= v.Next.Wanted:
		c.Kind = "good"
	case v.Shown.FactorLower < v.Next.Wanted:
		c.Kind = "watch"
	}
	return c
}

func specimenGrid(v life.Verdict) *grid {
	g := &grid{ID: "specimen-table", Caption: "Specimens", Filter: true, Head: words("specimen", "life|"+v.Unit+"#", "ended", "at", "over predicted#", "over target#", "note")}
	for _, s := range v.Placed {
		g.Rows = append(g.Rows, []cell{text(s.Name), number(s.Life), text(life.Status(s.RunOut)), text(s.Hotspot),
			number(s.Life / v.Expected.Predicted), number(s.Life / v.Expected.Target), text(s.Note)})
	}
	return g
}

// LifeFigures draws what a verdict on specimens rests on: the lives on probability paper, the life factors, the update and what
// further specimens buy. What is not known is not drawn.
func LifeFigures(v *life.Verdict, p life.Params) []Drawing {
	var out []Drawing
	add := func(name string, f *figure.Figure) {
		if f != nil {
			out = append(out, Drawing{name, f})
		}
	}
	add("probability", lifePaper(v, p))
	add("levels", lifeLevels(v, p))
	add("margin", lifeMargin(v, p))
	add("update", lifeUpdated(v, p))
	add("further", lifeFurther(v, p))
	return out
}

// paper is probability paper: on it the lives of its model are a straight line.
type paper struct{ model fatigue.LifeModel }

// height is where a share stands on the paper.
func (p paper) height(failed float64) float64 {
	if p.model == fatigue.Weibull {
		return math.Log(-math.Log1p(-failed))
	}
	return mathext.NormalQuantile(failed)
}

func (p paper) heights(failed []float64) []float64 {
	out := make([]float64, len(failed))
	for i, f := range failed {
		out[i] = math.NaN()
		if f > 0 && f < 1 {
			out[i] = p.height(f)
		}
	}
	return out
}

func (p paper) axis() figure.Axis {
	a := figure.Axis{Label: "failed", Unit: "%", Low: p.height(0.008), High: p.height(0.992)}
	for _, percent := range []float64{1, 2, 5, 10, 20, 50, 80, 90, 95, 99} {
		if p.model == fatigue.Weibull && percent == 95 {
			continue // too near its neighbours there
		}
		a.Ticks = append(a.Ticks, figure.Tick{At: p.height(percent / 100), Label: fmt.Sprintf("%g", percent)})
	}
	return a
}

// shares are those at which curves on the paper are worked out.
func (p paper) shares() []float64 {
	const n = 25
	low, high := p.height(0.008), p.height(0.992)
	out := make([]float64, n)
	for i := range out {
		y := low + (high-low)*float64(i)/(n-1)
		if out[i] = math.Erfc(-y/math.Sqrt2) / 2; p.model == fatigue.Weibull {
			out[i] = -math.Expm1(-math.Exp(y))
		}
	}
	return out
}

func lifeAxis(v *life.Verdict) figure.Axis {
	return figure.Axis{Label: "life", Unit: v.Unit, Log: true}
}

// subjectName is how a title names a subject.
func subjectName(v *life.Verdict) string {
	if v.Subject == life.Part {
		return "the part"
	}
	return v.Subject
}

func lifePaper(v *life.Verdict, p life.Params) *figure.Figure {
	own := v.Of(p.Model)
	if own == nil {
		return nil
	}
	on := paper{p.Model}
	f := &figure.Figure{
		Title: fmt.Sprintf("Lives of %s on %v paper", subjectName(v), p.Model),
		Desc: fmt.Sprintf("Share failed over life: %d failures at their median ranks, %d run-outs at the lower edge, both models fitted, and the %s interval of the %v fit.",
			v.Failures, v.RunOuts, percentOf(p.Confidence), p.Model),
		Width: 480, Height: 330, X: lifeAxis(v), Y: on.axis()}
	shares := on.shares()
	for i := range v.Fits {
		fit := &v.Fits[i]
		f.Marks = append(f.Marks, &figure.Line{Name: fit.Model.String(), X: mapped(shares, fit.Life), Y: on.heights(shares)})
	}
	low, high := make([]float64, len(shares)), make([]float64, len(shares))
	for i, share := range shares {
		within := own.LifeInterval(share, p.Confidence)
		low[i], high[i] = within.Lower, within.Upper
	}
	for _, d := range v.Specimens {
		f.X.Low, f.X.High = reachOf(f.X, d.Life)
	}
	f.X.Low, f.X.High = f.X.Low/4, f.X.High*4 // an interval of few specimens goes on for decades
	withLives(f, v)
	f.Marks = append(f.Marks, band(inside(low, f.X), inside(high, f.X), on.heights(shares), percentOf(p.Confidence)+" interval"))
	f.Marks = append(f.Marks, placedMarks(v, on)...)
	return f
}

// inside leaves out what lies beyond an axis' range.
func inside(x []float64, a figure.Axis) []float64 {
	return mapped(x, func(v float64) float64 {
		if v < a.Low || v > a.High {
			return math.NaN()
		}
		return v
	})
}

// reachOf widens an axis' range to a value.
func reachOf(a figure.Axis, v float64) (low, high float64) {
	if a.Low == 0 && a.High == 0 {
		return v, v
	}
	return math.Min(a.Low, v), math.Max(a.High, v)
}

// band draws two curves as one line with a gap.
func band(low, high, y []float64, name string) *figure.Line {
	nan := math.NaN()
	l := &figure.Line{Name: name}
	l.X = append(append(append(l.X, low...), nan), high...)
	l.Y = append(append(append(l.Y, y...), nan), y...)
	return l
}

// placedMarks are the failures at their ranks and the run-outs at the lower edge.
func placedMarks(v *life.Verdict, on paper) []figure.Mark {
	failed, out := &figure.Points{Name: "failed"}, &figure.Points{Name: "run-out"}
	for _, s := range v.Placed {
		if s.RunOut {
			out.X, out.Y = append(out.X, s.Life), append(out.Y, on.axis().Low)
		} else {
			failed.X, failed.Y = append(failed.X, s.Life), append(failed.Y, on.height(s.Failed))
		}
	}
	var marks []figure.Mark
	for _, m := range []*figure.Points{failed, out} {
		if len(m.X) > 0 {
			marks = append(marks, m)
		}
	}
	return marks
}

// withLives marks target and predicted life, and makes room for them where the range is given.
func withLives(f *figure.Figure, v *life.Verdict) {
	room := func(at float64) {
		if f.X.High > 0 {
			f.X.Low, f.X.High = math.Min(f.X.Low, at/1.2), math.Max(f.X.High, at*1.2)
		}
	}
	if at := v.Expected.Target; at > 0 {
		room(at)
		f.Marks = append(f.Marks, &figure.Rule{Name: "target", At: at})
	}
	if at := v.Expected.Predicted; at > 0 {
		room(at)
		f.Marks = append(f.Marks, &figure.Line{Name: "predicted median", X: []float64{at, at}, Y: []float64{f.Y.Low, f.Y.High}})
	}
}

func percentOf(share float64) string { return fmt.Sprintf("%.3g %%", 100*share) }

// lifeMargin sets the life factors side by side: predicted, shown, and with both together.
func lifeMargin(v *life.Verdict, p life.Params) *figure.Figure {
	target := v.Expected.Target
	if !(target > 0) {
		return nil
	}
	var names []string
	var rows figure.Intervals
	row := func(name string, value, low, high float64) {
		if math.IsNaN(value) {
			value = low
		}
		if math.IsNaN(value) {
			return
		}
		if math.IsNaN(high) {
			high = value
		}
		rows.Row, names = append(rows.Row, float64(len(names))), append(names, name)
		rows.Value, rows.Low, rows.High = append(rows.Value, value), append(rows.Low, low), append(rows.High, high)
	}
	if u := v.Update; u != nil {
		row("predicted", u.Prior.Life/target, u.Prior.LifeLower/target, u.Prior.LifeUpper/target)
	}
	row("specimens alone", v.Shown.Factor, v.Shown.FactorLower, v.Shown.FactorUpper)
	if u := v.Update; u != nil {
		row("both together", u.Posterior.Life/target, u.Posterior.LifeLower/target, u.Posterior.LifeUpper/target)
	}
	if len(names) == 0 {
		return nil
	}
	f := &figure.Figure{Title: "Life factor of " + subjectName(v),
		Desc: fmt.Sprintf("Life that %s survive over the target, with bounds of %s each; 1 just meets the target, %s is wanted.",
			percentOf(p.Survival), percentOf(p.Confidence), figure.Number(p.Wanted)),
		Width: 480, Height: 160, X: figure.Axis{Label: fmt.Sprintf("life factor, %s survive", percentOf(p.Survival)), Log: true}, Y: figure.Axis{Names: names},
		Marks: []figure.Mark{&rows, &figure.Rule{Name: "wanted", At: p.Wanted}}}
	return f
}

// lifeUpdated sets the chance to fail by a life before the test beside that with the specimens.
func lifeUpdated(v *life.Verdict, p life.Params) *figure.Figure {
	u := v.Update
	if u == nil {
		return nil
	}
	on := paper{fatigue.Lognormal}
	low, high := v.Expected.Predicted, v.Expected.Predicted
	for _, s := range v.Specimens {
		low, high = math.Min(low, s.Life), math.Max(high, s.Life)
	}
	const n = 61
	x, before, after := make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range x {
		x[i] = low / 8 * math.Pow(64*high/low, float64(i)/(n-1))
		b, a := u.Failed(x[i])
		before[i], after[i] = within(b), within(a)
	}
	f := &figure.Figure{Title: "What the specimens teach of " + subjectName(v),
		Desc:  "Chance that a specimen fails by a life, as predicted before the test and with the specimens, all that is not known included.",
		Width: 480, Height: 330, X: lifeAxis(v), Y: on.axis(),
		Marks: []figure.Mark{&figure.Line{Name: "as predicted", X: x, Y: on.heights(before)}, &figure.Line{Name: "with the specimens", X: x, Y: on.heights(after)}}}
	f.Marks = append(f.Marks, placedMarks(v, on)...)
	if at := v.Expected.Target; at > 0 {
		f.Marks = append(f.Marks, &figure.Rule{Name: "target", At: at})
	}
	return f
}

// within leaves out what lies beyond the paper.
func within(share float64) float64 {
	if share < 0.008 || share > 0.992 {
		return math.NaN()
	}
	return share
}

// lifeLevels draws lives as run over their levels, with the line through the failures and the band that holds it.
func lifeLevels(v *life.Verdict, p life.Params) *figure.Figure {
	l := v.Line
	if l == nil {
		return nil
	}
	failed, out := &figure.Points{Name: "failed"}, &figure.Points{Name: "run-out"}
	low, high := l.At, l.At
	for _, s := range v.Specimens {
		if !(s.Level > 0) {
			continue
		}
		to := failed
		if s.RunOut {
			to = out
		}
		to.X, to.Y = append(to.X, l.AsRun(s)), append(to.Y, s.Level)
		low, high = math.Min(low, s.Level), math.Max(high, s.Level)
	}
	f := &figure.Figure{Title: "Life of " + subjectName(v) + " over the level", Width: 480, Height: 300, X: lifeAxis(v), Y: figure.Axis{Label: "level", Log: true},
		Desc: fmt.Sprintf("Lives as run over the level of each specimen; a line of slope %s brings them to level %s.", figure.Number(l.Slope), figure.Number(l.At))}
	f.Marks = []figure.Mark{failed}
	if len(out.X) > 0 {
		f.Marks = append(f.Marks, out)
	}
	if l.Fitted {
		const n = 25
		var level, median, below, above []float64
		for i := range n {
			at := low * math.Pow(high/low, float64(i)/(n-1))
			b := l.Fit.Band(at, p.Confidence)
			level, median, below, above = append(level, at), append(median, l.Fit.Life(at)), append(below, b.Lower), append(above, b.Upper)
		}
		f.Marks = append(f.Marks, &figure.Line{Name: "line", X: median, Y: level}, band(below, above, level, percentOf(p.Confidence)+" band"))
	}
	f.Marks = append(f.Marks, &figure.Rule{Name: "the target’s level", At: l.At, OnY: true})
	return f
}

// lifeFurther draws the bound to expect over the number of further specimens.
func lifeFurther(v *life.Verdict, p life.Params) *figure.Figure {
	over, label := v.Expected.Target, "life factor, at least"
	a := figure.Axis{Label: label}
	if !(over > 0) {
		over = 1
		a = figure.Axis{Label: "life, at least", Unit: v.Unit}
	}
	l := &figure.Points{Name: fmt.Sprintf("lower bound, %s", percentOf(p.Confidence))}
	for _, f := range v.Further {
		if f.Lower > 0 {
			l.X, l.Y = append(l.X, float64(f.Specimens)), append(l.Y, f.Lower/over)
		}
	}
	if len(l.X) < 2 {
		return nil
	}
	f := &figure.Figure{Title: "Further specimens of " + subjectName(v),
		Desc:  fmt.Sprintf("Lower bound with %s of what %s survive, to expect if further specimens scatter as those so far.", percentOf(p.Confidence), percentOf(p.Survival)),
		Width: 480, Height: 220, X: figure.Axis{Label: "further specimens"}, Y: a, Marks: []figure.Mark{l}}
	if v.Shown.Life > 0 {
		at := v.Shown.Life / over
		f.Marks = append(f.Marks, &figure.Line{Name: "estimate so far", X: []float64{0, l.X[len(l.X)-1]}, Y: []float64{at, at}})
	}
	if v.Expected.Target > 0 {
		f.Marks = append(f.Marks, &figure.Rule{Name: "wanted", At: p.Wanted, OnY: true})
	}
	return f
}

func mapped(x []float64, f func(float64) float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = f(v)
	}
	return out
}
