package life

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"

	"lapwear/fatigue"
)

// Line is what specimens of several levels tell of life over level.
type Line struct {
	Levels int     // different ones, run-outs among them
	At     float64 // the level that lives are brought to
	Slope  float64 // k of N ~ level^-k by which they are
	Fitted bool    // by the failures' own line; else the slope is the material's
	Fit    fatigue.SNFit
	Slopes fatigue.Interval // of the fitted slope, with the confidence
	Life   float64          // median life at the level; NaN without a fit
	Band   fatigue.Interval // of the whole line there, with the confidence (ASTM E739, 8.3.3)
	Chance float64          // of means as far off a line as these, if it is one (ASTM E739, 8.4); NaN where that cannot be told

	tested   [2]float64
	material float64 // slope of the material; NaN where it is not known
}

// AsRun is a specimen's life at its own level.
func (l *Line) AsRun(s Specimen) float64 {
	if l == nil || !(s.Level > 0) {
		return s.Life
	}
	return s.Life / math.Pow(s.Level/l.At, l.Slope)
}

// ByLine is the way to a lower bound from failures at several levels.
const ByLine = "line over levels, one-sided tolerance"

// leastForLine is how many failures a line takes, of two levels at least.
const leastForLine = 3

// levels fits a line where specimens were run at several levels, and brings all lives to one. It is an error if no slope can be told.
func (v *Verdict) levels(p Params) error {
	seen, low, high := map[float64]bool{}, math.Inf(1), 0.0
	for _, s := range v.Specimens {
		if s.Level > 0 {
			seen[s.Level], low, high = true, min(low, s.Level), max(high, s.Level)
		}
	}
	one := len(seen) == 1 && low == p.Level
	if len(seen) == 0 || one {
		return nil
	}
	nan := math.NaN()
	l := &Line{Levels: len(seen), At: p.Level, Slope: v.Expected.Slope, Slopes: unknown(), Life: nan, Band: unknown(), Chance: nan,
		tested: [2]float64{low, high}, material: v.Expected.Slope}
	l.fit(v.Specimens, p.Confidence)
	if !positive(l.Slope) {
		return fmt.Errorf("lives of level %g to %g cannot be brought to level %g: give the slope, or %d failures at two levels that differ", low, high, p.Level, leastForLine)
	}
	for i := range v.Specimens {
		if s := &v.Specimens[i]; s.Level > 0 {
			s.Life *= math.Pow(s.Level/p.Level, l.Slope)
		}
	}
	if !positive(v.Expected.Slope) {
		v.Expected.Slope = l.Slope
	}
	v.Line = l
	return nil
}

// fit puts a line through the failures, if they carry one that falls.
func (l *Line) fit(specimens []Specimen, confidence float64) {
	var levels, lives []float64
	for _, s := range specimens {
		if !s.RunOut && s.Level > 0 {
			levels, lives = append(levels, s.Level), append(lives, s.Life)
		}
	}
	f, err := fatigue.FitSN(levels, lives)
	if err != nil || !(f.Slope() > 0) {
		return
	}
	l.Fit, l.Fitted, l.Slope, l.Life, l.Band = f, true, f.Slope(), f.Life(l.At), f.Band(l.At, confidence)
	_, b := f.Intervals(confidence)
	l.Slopes = fatigue.Interval{Lower: -b.Upper, Upper: -b.Lower}
	if c, ok := f.Straight(); ok {
		l.Chance = c
	}
}

// fromLine takes life and bound from the line, which knows that its slope is fitted: where all failed.
func (s *Shown) fromLine(l *Line, p Params, predicted float64) error {
	lower, err := l.Fit.LowerLife(l.At, p.Survival, p.Confidence)
	if err != nil {
		return err
	}
	median, err := l.Fit.LowerLife(l.At, 0.5, p.Confidence)
	if err != nil {
		return err
	}
	s.Life = l.Life * math.Pow(10, -mathext.NormalQuantile(p.Survival)*l.Fit.SD)
	s.Lower, s.Method = lower, ByLine
	s.OverPredicted, s.OverPredictedLower, s.OverPredictedUpper = l.Life/predicted, median/predicted, l.Life*l.Life/median/predicted
	return nil
}

// atMostLine holds bounds that take the slope for known down to those of the line through the failures alone: what run-outs, which the
// line leaves out, must not do is to make up for a slope that is not known.
func (s *Shown) atMostLine(l *Line, p Params, predicted float64) error {
	var line Shown
	if err := line.fromLine(l, p, predicted); err != nil {
		return err
	}
	if !(s.Lower <= line.Lower) {
		s.Lower, s.Method = line.Lower, ByLine
	}
	if !(s.OverPredictedLower <= line.OverPredictedLower) {
		s.OverPredictedLower = line.OverPredictedLower
	}
	return nil
}

// unlikely is the chance below which a line is taken for curved (common practice, no source).
const unlikely = 0.05

// note says what to be wary of in lives of several levels.
func (l *Line) note(runOuts int, add func(format string, args ...any)) {
	by := "the material's"
	if l.Fitted {
		by = fmt.Sprintf("fitted to %d failures at %d levels", l.Fit.Specimens, l.Fit.Levels)
	}
	add("lives of level %.4g to %.4g are brought to level %.4g by a slope of %.3g, %s", l.tested[0], l.tested[1], l.At, l.Slope, by)
	if l.At < l.tested[0] || l.At > l.tested[1] {
		add("level %.4g is outside those tested: a line holds within them only", l.At)
	}
	if l.Fitted && runOuts > 0 {
		add("the line leaves run-outs out, for which ASTM E739 has no place; the lower bound is the lower of the line's and of that with its slope taken for known")
	}
	if l.Chance < unlikely {
		add("life over level is likely curved: means at the levels are as far off a line in %.2g of cases", l.Chance)
	}
	if l.Fitted && positive(l.material) && (l.material < l.Slopes.Lower || l.material > l.Slopes.Upper) {
		add("the levels' slope of %.3g (%.3g to %.3g) is not the material's %.3g: look for another failure mode", l.Slope, l.Slopes.Lower, l.Slopes.Upper, l.material)
	}
}
