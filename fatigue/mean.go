package fatigue

import (
	"fmt"
	"math"
	"slices"
)

// The mean-stress rules.
const (
	MeanNone        = "none"
	MeanGoodman     = "goodman"
	MeanGerber      = "gerber"
	MeanMorrow      = "morrow"
	MeanSWT         = "swt"
	MeanWalker      = "walker"
	MeanSensitivity = "sensitivity"
)

// MeanStress is a mean-stress rule: it turns a cycle's amplitude Sa and mean Sm, with Smax = Sm + Sa, into the amplitude of equal
// damage at zero mean. Stresses in MPa.
//
//	none         Sa; the empty rule too
//	goodman      Sa/(1 - Sm/Su)         Su = Ultimate           Sm <= 0: Sa, no credit for compression
//	gerber       Sa/(1 - (Sm/Su)²)      Su = Ultimate           the same
//	morrow       Sa/(1 - Sm/Sf)         Sf = FatigueStrength    the same; for aluminium Sf is the true fracture strength
//	swt          √(Smax·Sa)                                     Smax <= 0: no damage
//	walker       Smax^(1-γ)·Sa^γ        γ = Gamma               the same; γ = 0.5 is swt
//	sensitivity  by the stress ratio R = Smin/Smax, continuous  M = M
//	    wholly compressive, Smax < 0    Sa·(1-M)
//	    R <= 0                          Sa + M·Sm
//	    0 < R < 0.5                     (1+M)·(Sa + M/3·Sm)/(1 + M/3)
//	    R >= 0.5                        Sa·3·(1+M)²/(3+M)
//
// Sources: goodman, gerber, morrow, swt, walker: N.E. Dowling, C.A. Calhoun, A. Arcari, doi:10.1111/j.1460-2695.2008.01322.x.
// sensitivity, from memory: FKM guideline, Haigh diagram with the mean stress sensitivity M, and M/3 between R = 0 and 0.5.
type MeanStress struct {
	Rule            string
	Ultimate        float64 // 0: the material's, when in a Material
	FatigueStrength float64
	Gamma           float64
	M               float64
}

// Equivalent is the amplitude of equal damage at zero mean, in MPa. 0: no damage; +Inf: the mean alone breaks the part (Sm >= Su
// or Sf). NaN for NaN and for a rule that Material.Check refuses.
func (m MeanStress) Equivalent(amplitude, mean float64) float64 {
	c := m.compile()
	return c.equivalent(amplitude, mean, mean+amplitude)
}

func (m MeanStress) check() []error {
	switch m.Rule {
	case "", MeanNone, MeanSWT:
		return nil
	case MeanGoodman, MeanGerber:
		return positive("mean stress ultimate", m.Ultimate, fmt.Sprintf("the rule %q needs the ultimate stress in MPa", m.Rule))
	case MeanMorrow:
		return positive("mean stress fatigue strength", m.FatigueStrength, `the rule "morrow" needs the fatigue strength coefficient in MPa`)
	case MeanWalker:
		if m.Gamma > 0 && m.Gamma <= 1 {
			return nil
		}
		return []error{fmt.Errorf(`check mean stress gamma: %g is not above 0 and up to 1: the rule "walker" needs it, such as 0.65`, m.Gamma)}
	case MeanSensitivity:
		if m.M >= 0 && m.M <= 1 {
			return nil
		}
		return []error{fmt.Errorf(`check mean stress m: %g is not within 0 and 1: the rule "sensitivity" needs it, such as 0.3`, m.M)}
	default:
		rules := []string{MeanNone, MeanGoodman, MeanGerber, MeanMorrow, MeanSWT, MeanWalker, MeanSensitivity}
		return []error{fmt.Errorf("check mean stress rule: %q is unknown: say one of %q", m.Rule, rules)}
	}
}

// None says whether there is no rule: the amplitude counts as it is.
func (m MeanStress) None() bool { return m.Rule == "" || m.Rule == MeanNone }

// homogeneous says whether the rule commutes with scaling all stresses.
func (m MeanStress) homogeneous() bool {
	return m.None() || slices.Contains([]string{MeanSWT, MeanWalker, MeanSensitivity}, m.Rule)
}

type meanKind uint8

const (
	kindUnknown meanKind = iota
	kindNone
	kindLinear // goodman, morrow
	kindGerber
	kindSWT
	kindWalker
	kindSensitivity
)

// meanRule is a MeanStress ready to compute; p is its one parameter.
type meanRule struct {
	kind meanKind
	p    float64
}

func (m MeanStress) compile() meanRule {
	switch m.Rule {
	case "", MeanNone:
		return meanRule{kind: kindNone}
	case MeanGoodman:
		return meanRule{kindLinear, m.Ultimate}
	case MeanGerber:
		return meanRule{kindGerber, m.Ultimate}
	case MeanMorrow:
		return meanRule{kindLinear, m.FatigueStrength}
	case MeanSWT:
		return meanRule{kind: kindSWT}
	case MeanWalker:
		return meanRule{kindWalker, m.Gamma}
	case MeanSensitivity:
		return meanRule{kindSensitivity, m.M}
	default:
		return meanRule{}
	}
}

// equivalent takes the amplitude, the mean and the maximum, which the caller knows best.
func (r meanRule) equivalent(sa, sm, smax float64) float64 {
	switch r.kind {
	case kindNone:
		return sa
	case kindLinear:
		return overMargin(sa, sm, 1-sm/r.p)
	case kindGerber:
		q := sm / r.p
		return overMargin(sa, sm, (1-q)*(1+q))
	case kindSWT:
		if smax <= 0 {
			return 0
		}
		return math.Sqrt(smax * sa)
	case kindWalker:
		if smax <= 0 || sa <= 0 {
			return 0
		}
		return math.Exp((1-r.p)*math.Log(smax) + r.p*math.Log(sa))
	case kindSensitivity:
		return r.sensitivity(sa, sm)
	default:
		return math.NaN()
	}
}

// overMargin is sa/margin, the margin being what the mean leaves of the strength.
func overMargin(sa, sm, margin float64) float64 {
	switch {
	case sm <= 0:
		return sa
	case margin <= 0:
		return math.Inf(1)
	default:
		return sa / margin
	}
}

// sensitivity sorts by the mean over the amplitude: R = 0 is Sm = Sa, R = 0.5 is Sm = 3·Sa.
func (r meanRule) sensitivity(sa, sm float64) float64 {
	m := r.p
	switch {
	case sm >= 3*sa:
		return sa * 3 * (1 + m) * (1 + m) / (3 + m)
	case sm > sa:
		return (1 + m) * (sa + m/3*sm) / (1 + m/3)
	case sm < -sa:
		return sa * (1 - m)
	default:
		return sa + m*sm
	}
}
