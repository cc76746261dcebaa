// Package life judges the specimens of a rig test: how their lives scatter, what life factor they have really shown, what they
// teach of the S-N curve, what further specimens would buy and what the next part may carry.
//
//   - A Specimen is one part on the rig, with its life until it broke at a hot spot or was taken off unbroken, a run-out. Lives are
//     in one unit: cycles, repeats of a drive signal, or hours.
//   - A subject is what lives are of: the part, which fails at whichever hot spot breaks first, or one hot spot. A specimen that
//     broke elsewhere is a run-out of a hot spot: it had not broken there until then.
//   - The target is the life that a part needs. The life factor is the life that the stated share survives over the target; its
//     lower bound holds with the stated confidence.
//   - A level is what a specimen was run at, over the planned drive or in any one unit of stress. Lives of several levels are brought to
//     the target's along a line through the failures, after ASTM E739.
//   - What was expected of a subject is its predicted life, with the material's scatter and slope; with it lives are updated by
//     Bayes' rule.
//
// Not guaranteed: that lives are lognormal or after Weibull, which few specimens cannot tell; that specimens of one batch speak for
// the next; nor that hot spots break independently of each other, which treating a break elsewhere as a run-out takes for granted.
package life

import (
	"fmt"
	"math"
	"slices"

	"lapwear/fatigue"
)

// Part is the subject that fails at whichever hot spot breaks first.
const Part = "part"

// Specimen is one row of the results.
type Specimen struct {
	Name    string
	Life    float64
	RunOut  bool
	Hotspot string // where it broke; "" when not said
	Note    string
	Level   float64 // at which it was run, in any one unit, such as over the drive's; 0 when not said
}

// Results are what a rig test gave. A specimen may have a row for each hot spot.
type Results struct {
	Unit      string // of the lives: cycles, repeats or hours
	Specimens []Specimen
}

// Expected is what was known of a hot spot before the test. NaN stands for what is not known.
type Expected struct {
	Hotspot           string  // "" = all
	Predicted         float64 // median life
	Target            float64 // life that a part needs
	Scatter           float64 // standard deviation of log10 N
	Slope             float64 // k of N ~ S^-k
	Amplitude         float64 // MPa, of the S-N curve at Cycles
	Cycles            float64
	ThicknessExponent float64 // n of stress ~ thickness^-n
}

// Params say what is asked of the results.
type Params struct {
	Model      fatigue.LifeModel // that bounds and life factor rest on
	Survival   float64           // share that the life factor's life is survived by
	Confidence float64           // of lower bounds, one-sided, and of intervals, two-sided; above 0.5
	Wanted     float64           // life factor that the next part is to show
	Level      float64           // that target and prediction are of; lives of other levels are brought to it
	PriorSD    float64           // standard deviation of log10 of the predicted life
	Weight     float64           // how many specimens' worth of knowledge the material's scatter is
	Further    []int             // numbers of further specimens to weigh
	Draws      int               // of the small-sample method
	Seed       uint64
	Expected   []Expected // the last one that fits a hot spot counts, value by value
}

// Defaults are Params as a user who says nothing gets them. The prior's are common practice without a source: a damage sum predicts
// a life to about a factor of two either way, and the scatter of coupons says something of that of parts.
func Defaults() Params {
	return Params{Model: fatigue.Lognormal, Survival: 0.5, Confidence: 0.95, Wanted: 1, Level: 1, PriorSD: 0.3, Weight: 4,
		Further: []int{0, 1, 2, 3, 5, 8, 12}, Draws: 2000, Seed: 1}
}

func (p Params) check() error {
	share := func(v float64) bool { return v > 0 && v < 1 }
	switch {
	case !share(p.Survival):
		return fmt.Errorf("survival %g: give a share between 0 and 1, such as 0.5", p.Survival)
	case !share(p.Confidence) || p.Confidence <= 0.5:
		return fmt.Errorf("confidence %g: give a share above 0.5 and below 1, such as 0.95", p.Confidence)
	case !positive(p.Wanted):
		return fmt.Errorf("wanted life factor %g: give a number above 0, such as 1.5", p.Wanted)
	case !positive(p.Level):
		return fmt.Errorf("level %g: give a number above 0, such as 1", p.Level)
	case !positive(p.PriorSD):
		return fmt.Errorf("prior standard deviation %g: give a number above 0, such as 0.3", p.PriorSD)
	case !(p.Weight >= 1 && p.Weight <= 1e6):
		return fmt.Errorf("weight of the prior scatter %g: give a number of specimens from 1 to 1e6, such as 4", p.Weight)
	}
	return nil
}

func positive(v float64) bool { return v > 0 && !math.IsInf(v, 1) }

// Hotspots lists where specimens broke, or which hot spot a row speaks of, in the order of the results.
func (r Results) Hotspots() []string {
	var out []string
	seen := map[string]bool{"": true}
	for _, s := range r.Specimens {
		if !seen[s.Hotspot] {
			seen[s.Hotspot] = true
			out = append(out, s.Hotspot)
		}
	}
	return out
}

// Subjects lists what is judged, of the hot spots that the results name and others that are known: the hot spot if there is one alone,
// else the part and then every hot spot. Where failures do not say where, it is the part alone.
func (r Results) Subjects(known []string) []string {
	h := joined(r.Hotspots(), known)
	for _, s := range r.Specimens {
		if !s.RunOut && s.Hotspot == "" {
			return []string{Part}
		}
	}
	if len(h) == 1 {
		return h
	}
	return append([]string{Part}, h...)
}

// joined lists names and those of others that are not among them.
func joined(names, others []string) []string {
	out := slices.Clone(names)
	for _, name := range others {
		if !slices.Contains(out, name) {
			out = append(out, name)
		}
	}
	return out
}

// Of returns the lives of a subject, one a specimen in the order of the results: its own row's, or a run-out at the longest life of
// its other rows; of the part the first failure, or a run-out at the longest.
func (r Results) Of(subject string) []Specimen {
	var out []Specimen
	at := map[string]int{}
	for _, s := range r.Specimens {
		if subject != Part && s.Hotspot != subject {
			s.RunOut = true
			s.Hotspot = ""
		}
		i, known := at[s.Name]
		if !known {
			at[s.Name] = len(out)
			out = append(out, s)
			continue
		}
		if !stays(out[i], s, subject) {
			out[i] = s
		}
	}
	return out
}

// stays tells whether, of two rows of one specimen, the one that is kept so far says more of the subject.
func stays(kept, s Specimen, subject string) bool {
	if subject != Part {
		own, other := kept.Hotspot == subject, s.Hotspot == subject
		if own != other {
			return own
		}
	}
	if kept.RunOut != s.RunOut {
		return !kept.RunOut
	}
	if kept.RunOut {
		return kept.Life >= s.Life
	}
	return kept.Life <= s.Life
}

// expected joins what is known of a subject. Of the part: the shortest predicted life, the longest target; scatter, slope and the
// rest of the hot spot of the shortest prediction, or what was said of all; what was said of the part itself counts before.
func (p Params) expected(subject string, hotspots []string) Expected {
	if subject != Part || len(hotspots) == 0 {
		return p.expectedAt(subject)
	}
	var out Expected
	for i, h := range hotspots {
		e := p.expectedAt(h)
		target := e.Target
		if i > 0 {
			target = longer(out.Target, e.Target)
		}
		if i == 0 || e.Predicted < out.Predicted || math.IsNaN(out.Predicted) {
			out = e
		}
		out.Target = target
	}
	for _, e := range p.Expected {
		if e.Hotspot == Part {
			out.take(e)
		}
	}
	return out
}

func longer(a, b float64) float64 {
	if math.IsNaN(a) || b > a {
		return b
	}
	return a
}

func (p Params) expectedAt(hotspot string) Expected {
	nan := math.NaN()
	out := Expected{hotspot, nan, nan, nan, nan, nan, nan, nan}
	for _, e := range p.Expected {
		if e.Hotspot == "" || e.Hotspot == hotspot {
			out.take(e)
		}
	}
	return out
}

// take puts what is known of another in place.
func (e *Expected) take(other Expected) {
	for _, v := range []struct {
		to   *float64
		from float64
	}{{&e.Predicted, other.Predicted}, {&e.Target, other.Target}, {&e.Scatter, other.Scatter}, {&e.Slope, other.Slope},
		{&e.Amplitude, other.Amplitude}, {&e.Cycles, other.Cycles}, {&e.ThicknessExponent, other.ThicknessExponent}} {
		if !math.IsNaN(v.from) {
			*v.to = v.from
		}
	}
}

// hotspots lists the hot spots of which something is expected.
func (p Params) hotspots() (out []string) {
	for _, e := range p.Expected {
		if e.Hotspot != "" && e.Hotspot != Part {
			out = joined(out, []string{e.Hotspot})
		}
	}
	return out
}

// Judged lists those of which a life is expected, so that not to have broken says something.
func (p Params) Judged() []string {
	return slices.DeleteFunc(p.hotspots(), func(h string) bool {
		e := p.expectedAt(h)
		return !positive(e.Target) && !positive(e.Predicted)
	})
}
