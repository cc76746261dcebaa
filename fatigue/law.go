package fatigue

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// Material is an S-N curve with what turns a cycle of stress into damage, and where all of it comes from.
type Material struct {
	Name   string
	Source string // who says so: document and place

	Ultimate float64    // MPa; a cycle whose maximum reaches it is damage 1; 0: not given, no such check
	Curve    Curve      // lives at the survival that Survival says
	Scatter  float64    // standard deviation of log10 N at one stress; 0: none given, one life for all survivals
	Survival float64    // survival probability that Curve stands for; 0: 0.5
	Mean     MeanStress // none with an EquivalentStress curve, which has its own

	Record Record // a published curve's particulars; zero for one of the season's own
}

// Check returns every fault of m, nil if it has none.
func (m Material) Check() []error {
	var errs []error
	if m.Ultimate != 0 {
		errs = append(errs, positive("ultimate", m.Ultimate, "give it in MPa, or leave it out")...)
	}
	if !(m.Scatter >= 0) || !finite(m.Scatter) {
		errs = append(errs, fmt.Errorf("check scatter: %g is not a number from 0: give the standard deviation of log10 N, such as 0.15", m.Scatter))
	}
	if !(m.Survival >= 0 && m.Survival < 1) {
		errs = append(errs, fmt.Errorf("check survival of the curve: %g is not within 0 and 1: give a share such as 0.5", m.Survival))
	}
	if m.Curve == nil {
		errs = append(errs, errors.New("check curve: there is none: give a power, a table or an equivalent-stress curve"))
	} else {
		errs = append(errs, m.Curve.check()...)
	}
	return append(errs, m.checkMean()...)
}

func (m Material) checkMean() []error {
	errs := m.meanStress().check()
	if _, own := m.Curve.(EquivalentStress); own && !m.Mean.None() {
		errs = append(errs, fmt.Errorf("check mean stress rule: %q on top of an equivalent-stress curve, which has its own: say %q", m.Mean.Rule, MeanNone))
	}
	if a, b := m.Mean.Ultimate, m.Ultimate; a != 0 && b != 0 && a != b {
		errs = append(errs, fmt.Errorf("check mean stress ultimate: %g MPa, but the material's is %g MPa: leave one of the two out", a, b))
	}
	return errs
}

// meanStress is the rule with the material's ultimate stress where it has none of its own.
func (m Material) meanStress() MeanStress {
	rule := m.Mean
	if rule.Ultimate == 0 {
		rule.Ultimate = m.Ultimate
	}
	return rule
}

// Law is a material at one survival probability, ready to compute. It does not change; goroutines may share it.
type Law struct {
	material Material
	shift    float64 // lives are the curve's over exp(shift)
	ultimate float64 // +Inf where none is given

	rising bool // breaking cycles keep the damage of the curve where that is more than 1

	own      bool // the curve accounts for the mean stress itself: handbook, else mean and lines
	handbook handbook
	mean     meanRule
	lines    lines
}

// NewLaw prepares m at a survival probability within 0 and 1, both excluded:
//
//	log10 N_p = log10 N - (z_p - z_c)·scatter
//
// with z the standard normal quantile, p the survival, c the survival that the curve stands for (0.5, z_c = 0, unless the material
// says otherwise): the higher the survival, the shorter the life. Knees move in cycles, not in stress. The error joins every fault of m.
func NewLaw(m Material, survival float64) (*Law, error) {
	errs := m.Check()
	if !(survival > 0 && survival < 1) {
		errs = append(errs, fmt.Errorf("check survival: %g is not between 0 and 1: give a share such as 0.5 for 50 %%", survival))
	}
	if len(errs) > 0 {
		return nil, fmt.Errorf("prepare material %q: %w", m.Name, errors.Join(errs...))
	}
	l := &Law{material: m, ultimate: m.Ultimate, mean: m.meanStress().compile()}
	if l.ultimate == 0 {
		l.ultimate = math.Inf(1)
	}
	if m.Scatter > 0 {
		l.shift = math.Ln10 * m.Scatter * (mathext.NormalQuantile(survival) - m.curveQuantile())
	}
	switch c := m.Curve.(type) {
	case EquivalentStress:
		l.own, l.handbook = true, newHandbook(c, l.shift)
	case Power:
		l.lines = c.lines().shorter(l.shift)
	case Table:
		l.lines = c.lines().shorter(l.shift)
	default:
		return nil, fmt.Errorf("prepare material %q: curve of type %T: give a Power, a Table or an EquivalentStress", m.Name, m.Curve)
	}
	return l, nil
}

func (m Material) curveQuantile() float64 {
	if m.Survival == 0 {
		return 0
	}
	return mathext.NormalQuantile(m.Survival)
}

// Material is what the law was made of.
func (l *Law) Material() Material { return l.material }

// Damage is 1/N of one full cycle between two stresses in MPa, in any order: the share of the life that it takes, by Miner's rule.
// 1 where the maximum reaches the ultimate stress or the mean alone breaks the part (MeanStress.Equivalent is +Inf).
// Below the ultimate it is not capped: a curve may give less than one cycle. NaN for NaN.
func (l *Law) Damage(a, b float64) float64 {
	damage, _ := l.cycle(min(a, b), max(a, b))
	return damage
}

// Breaks says whether the cycle between two stresses in MPa breaks the part at once: where it reaches the ultimate stress, or its mean
// alone does.
func (l *Law) Breaks(a, b float64) bool {
	_, broken := l.cycle(min(a, b), max(a, b))
	return broken
}

// Rising is the law for a search over a factor on all stresses: damage never falls as stress grows. A cycle that breaks the part does
// the curve's damage where that is more than 1, which a breaking cycle counts for otherwise: a curve may give less than one cycle
// just below the ultimate stress, so that the sum would fall where the part breaks.
func (l *Law) Rising() *Law {
	r := *l
	r.rising = true
	return &r
}

// Plain is the law by the curve alone: no mean-stress rule, no ultimate stress. An EquivalentStress keeps the rule that it holds.
func (l *Law) Plain() *Law {
	p := *l
	p.material.Mean, p.material.Ultimate = MeanStress{}, 0
	p.mean, p.ultimate = MeanStress{}.compile(), math.Inf(1)
	return &p
}

// cycle is the one place where a cycle becomes damage. broken: the cycle breaks the part at once.
func (l *Law) cycle(lo, hi float64) (damage float64, broken bool) {
	damage, broken = l.curve(lo, hi)
	switch {
	case !broken:
	case l.rising:
		damage = max(damage, 1)
	default:
		damage = 1
	}
	return damage, broken
}

// curve is a cycle's damage by the curve alone, +Inf where the mean breaks the part.
func (l *Law) curve(lo, hi float64) (damage float64, broken bool) {
	if broken = hi >= l.ultimate; broken && !l.rising {
		return 1, true
	}
	if l.own {
		return l.handbook.damage(lo, hi), broken
	}
	s := l.mean.equivalent((hi-lo)/2, (hi+lo)/2, hi)
	if math.IsInf(s, 1) {
		return s, true
	}
	return l.lines.damage(s), broken
}

// outside says whether a cycle lies outside the stress ratios that the curve's specimens were tested at.
func (l *Law) outside(lo, hi float64) bool { return l.own && hi > 0 && lo < -hi }

// Transfer turns a signal x into stress in MPa: Factor·(Gain·x + Offset). Gain in MPa per unit of x, Offset a static stress in MPa,
// Factor a pure number. Transfer{Gain: 1, Factor: 1} takes x as MPa; the zero value is no stress at all.
type Transfer struct{ Gain, Offset, Factor float64 }

// Stress is the stress at x, in MPa.
func (t Transfer) Stress(x float64) float64 { return t.Factor * (t.Gain*x + t.Offset) }

// Sum is Miner's sum over cycles, each counted with the same weight, and what a reader asks about it.
type Sum struct {
	Cycles       float64 // weight times the number of cycles
	Damage       float64 // weight times the sum of their damage
	MaxAmplitude float64 // greatest stress amplitude, MPa, before the mean-stress rule; 0 without cycles
	MaxStress    float64 // greatest stress, MPa; 0 without cycles
	Largest      float64 // damage of the worst cycle, weighted
	LargestIndex int     // its place, the first where several are equal; -1 where no cycle does damage
	OverUltimate float64 // weighted number of cycles that reach the ultimate stress or whose mean alone breaks the part
	OutsideR     float64 // damage, weighted, of cycles with R < -1 on an EquivalentStress curve: not backed by specimens
}

// Sum adds up the damage of cycles of a signal, weight 1 for full cycles and 0.5 for half cycles, in their order:
// each is Damage(t.Stress(from), t.Stress(to)) to the last bit. A cycle with NaN makes Damage NaN.
func (l *Law) Sum(c Cycles, weight float64, t Transfer) Sum { return l.SumEach(nil, c, weight, t) }

// SumEach is Sum that also writes the damage of each cycle, weighted, to each, unless it is nil; then it must be as long as the cycles.
func (l *Law) SumEach(each []float64, c Cycles, weight float64, t Transfer) Sum {
	if len(c.From) == 0 {
		return Sum{LargestIndex: -1}
	}
	if s, ok := l.sumWhole(each, c, weight, t); ok {
		return s
	}
	return l.sumAny(each, c, weight, t)
}

// sumAny is SumEach for any curve, rule and stresses.
func (l *Law) sumAny(each []float64, c Cycles, weight float64, t Transfer) Sum {
	s := Sum{Cycles: weight * float64(len(c.From)), LargestIndex: -1}
	to := c.To[:len(c.From)]
	top := math.Inf(-1)
	for i, x := range c.From {
		a, b := t.Stress(x), t.Stress(to[i])
		lo, hi := min(a, b), max(a, b)
		damage, broken := l.cycle(lo, hi)
		s.Damage += damage
		if each != nil {
			each[i] = weight * damage
		}
		if damage > s.Largest {
			s.Largest, s.LargestIndex = damage, i
		}
		if broken {
			s.OverUltimate++
		}
		if l.outside(lo, hi) {
			s.OutsideR += damage
		}
		s.MaxAmplitude = max(s.MaxAmplitude, (hi-lo)/2)
		top = max(top, hi)
	}
	s.MaxStress = top
	return s.weighted(weight)
}

func (s Sum) weighted(weight float64) Sum {
	s.Damage *= weight
	s.Largest *= weight
	s.OverUltimate *= weight
	s.OutsideR *= weight
	return s
}

// sumWhole is SumEach for a curve of whole slopes without a mean-stress rule, and finite stresses; else ok is false. It has the same bits: nothing
// but which of the two turning points is higher, which cannot be predicted, is left out.
func (l *Law) sumWhole(each []float64, c Cycles, weight float64, t Transfer) (s Sum, ok bool) {
	if l.own || l.rising || l.mean.kind != kindNone || slices.ContainsFunc(l.lines, func(k line) bool { return k.whole == 0 }) {
		return s, false
	}
	s = Sum{Cycles: weight * float64(len(c.From)), LargestIndex: -1, MaxStress: math.Inf(-1)}
	var block [sumBlock]float64
	for from := 0; from < len(c.From); from += sumBlock {
		to := min(from+sumBlock, len(c.From))
		damages := block[:to-from]
		if weight == 1 && each != nil {
			damages = each[from:to]
		}
		s.stresses(damages, c.From[from:to], c.To[from:to], t)
		l.lines.wholes(damages)
		if s.MaxStress >= l.ultimate && !s.breaking(damages, c.From[from:to], c.To[from:to], t, l.ultimate) {
			return s, false
		}
		s.addAll(damages, from)
		if weight != 1 && each != nil {
			for i, d := range damages {
				each[from+i] = weight * d
			}
		}
	}
	sum, top := s.Damage, s.MaxStress
	return s.weighted(weight), sum-sum == 0 && top-top == 0
}

// sumBlock is how many cycles are looked at before the next ones: a step of each takes less than all steps of one.
const sumBlock = 256

// stresses writes the amplitudes of cycles, in MPa, and takes the greatest and the greatest stress into account.
func (s *Sum) stresses(amplitudes, from, to []float64, t Transfer) {
	from, to = from[:len(amplitudes)], to[:len(amplitudes)]
	most, top := s.MaxAmplitude, s.MaxStress
	for i := range amplitudes {
		a, b := t.Stress(from[i]), t.Stress(to[i])
		amplitude := math.Abs(a-b) / 2
		if a > top {
			top = a
		}
		if b > top {
			top = b
		}
		if amplitude > most {
			most = amplitude
		}
		amplitudes[i] = amplitude
	}
	s.MaxAmplitude, s.MaxStress = most, top
}

// breaking makes the damage of cycles that reach the ultimate stress 1; false where one of them has no amplitude.
func (s *Sum) breaking(damages, from, to []float64, t Transfer, ultimate float64) bool {
	for i := range damages {
		a, b := t.Stress(from[i]), t.Stress(to[i])
		if a < ultimate && b < ultimate {
			continue
		}
		if a >= ultimate || b >= ultimate {
			if math.IsNaN(a - b) {
				return false
			}
			damages[i] = 1
			s.OverUltimate++
		}
	}
	return true
}

// addAll adds up damages, the first of cycle number first.
func (s *Sum) addAll(damages []float64, first int) {
	sum, largest := s.Damage, s.Largest
	for i, damage := range damages {
		sum += damage
		if damage > largest {
			largest, s.LargestIndex = damage, first+i
		}
	}
	s.Damage, s.Largest = sum, largest
}

// EquivalentAmplitude is the zero-mean amplitude in MPa that does this damage in that many cycles, survival included:
// the inverse of the curve at N = cycles/damage. 0 for no damage; NaN where no amplitude does it (a flat knee, a cut-off,
// negative or NaN damage). The ultimate stress plays no part.
func (l *Law) EquivalentAmplitude(damage, cycles float64) float64 {
	if damage == 0 {
		return 0
	}
	return l.material.Curve.Amplitude(cycles / damage * math.Exp(l.shift))
}

// Homogeneous says whether scaling all stresses by f scales the damage of every cycle below the ultimate stress by exactly f^slope:
// a Power with one slope and no cut-off under a rule that scales (none, swt, walker, sensitivity), or an EquivalentStress with A4 = 0.
func (l *Law) Homogeneous() (slope float64, ok bool) {
	switch c := l.material.Curve.(type) {
	case EquivalentStress:
		return -c.A2, c.A4 == 0
	case Power:
		one := c.Knee == 0 || c.Beyond.slope(c.Slope) == c.Slope
		return c.Slope, one && c.Cutoff == 0 && l.material.Mean.homogeneous()
	default:
		return 0, false
	}
}
