package fatigue

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// KSI is one ksi (1000 lbf/in²) in MPa: 4448.2216152605 N / (25.4 mm)², exact by definition of the pound and the inch.
const KSI = 6.894757293168361

// Curve is an S-N curve: cycles to failure at a zero-mean stress amplitude. Amplitudes in MPa, lives in cycles.
// The implementations are Power, Table and EquivalentStress; each is a plain value, checked by Material.Check.
type Curve interface {
	// Life is the number of cycles to failure at the zero-mean amplitude, at the survival the curve stands for
	// (50 % unless the material states another). +Inf where the amplitude does no damage, NaN for NaN.
	Life(amplitude float64) float64

	// Amplitude is the inverse of Life: NaN where no amplitude has that life (beyond a flat knee or a cut-off, or a life <= 0).
	// At a life of +Inf it is the endurance limit where the curve has one in that place (the A4 of EquivalentStress), else 0.
	Amplitude(life float64) float64

	check() []error
}

// The forms of Beyond.
const (
	BeyondSame    = "same"    // the slope goes on
	BeyondFlat    = "flat"    // no damage strictly below the knee's amplitude; damage at it
	BeyondHaibach = "haibach" // slope 2k-1, from memory: E. Haibach's rule for variable amplitudes
	BeyondSlope   = "slope"   // the number in Beyond.Slope
)

// Beyond says how a Power goes on at more cycles than its knee. Slope counts with BeyondSlope only.
type Beyond struct {
	Form  string
	Slope float64
}

// slope is the slope beyond the knee of a curve with slope k; +Inf for flat.
func (b Beyond) slope(k float64) float64 {
	switch b.Form {
	case BeyondFlat:
		return math.Inf(1)
	case BeyondHaibach:
		return 2*k - 1
	case BeyondSlope:
		return b.Slope
	default:
		return k
	}
}

// Power is the power law N = RefCycles·(S/RefAmplitude)^-Slope up to the knee, and Beyond after it. RefAmplitude in MPa.
// The knee's amplitude is the one that the law itself has at Knee cycles. Cutoff ends the damage: amplitudes strictly below
// the curve's amplitude at Cutoff cycles do none (the cut-off limit of EN 1993-1-9:2005, 7.1). Knee and Cutoff: 0 is none.
type Power struct {
	RefAmplitude float64
	RefCycles    float64
	Slope        float64
	Knee         float64
	Beyond       Beyond
	Cutoff       float64
}

// Life implements Curve.
func (p Power) Life(amplitude float64) float64 { return p.lines().life(amplitude) }

// Amplitude implements Curve.
func (p Power) Amplitude(life float64) float64 { return p.lines().amplitude(life) }

func (p Power) lines() lines {
	first := lineThrough(p.RefAmplitude, p.RefCycles, p.Slope)
	if p.Knee == 0 {
		return lines{first.endAt(p.Cutoff)}
	}
	atKnee := first.endAt(p.Knee)
	// Not through logarithms: a cycle at just the amplitude that the curve states must find it.
	atKnee.from = p.RefAmplitude * math.Pow(p.RefCycles/p.Knee, 1/p.Slope)
	k := p.Beyond.slope(p.Slope)
	if math.IsInf(k, 1) {
		return lines{atKnee}
	}
	return lines{atKnee, lineThrough(atKnee.from, p.Knee, k).endAt(p.Cutoff)}
}

func (p Power) check() []error {
	var errs []error
	errs = append(errs, positive("curve amplitude", p.RefAmplitude, "give the stress amplitude in MPa")...)
	errs = append(errs, positive("curve cycles", p.RefCycles, "give the cycles at the reference amplitude")...)
	errs = append(errs, positive("curve slope", p.Slope, "give the k of N ~ S^-k, such as 5")...)
	errs = append(errs, p.checkKnee()...)
	if p.Cutoff == 0 {
		return errs
	}
	errs = append(errs, positive("curve cut-off", p.Cutoff, "give its cycles, or leave it out")...)
	if p.Knee > 0 && p.Cutoff <= p.Knee {
		errs = append(errs, fmt.Errorf("check curve cut-off: %g cycles is not beyond the knee at %g: give more cycles", p.Cutoff, p.Knee))
	}
	if p.Beyond.Form == BeyondFlat {
		errs = append(errs, errors.New("check curve cut-off: a flat knee ends the damage already: leave one of the two out"))
	}
	return errs
}

func (p Power) checkKnee() []error {
	forms := []string{BeyondSame, BeyondFlat, BeyondHaibach, BeyondSlope}
	form := p.Beyond.Form
	if p.Knee == 0 {
		if form == "" || form == BeyondSame {
			return nil
		}
		return []error{fmt.Errorf("check curve knee: beyond is %q but there is no knee: give the knee's cycles", form)}
	}
	errs := positive("curve knee", p.Knee, "give its cycles, or leave it out")
	switch {
	case form == "":
		errs = append(errs, fmt.Errorf("check curve knee: a knee but nothing beyond it: say one of %q", forms))
	case !slices.Contains(forms, form):
		errs = append(errs, fmt.Errorf("check curve knee: beyond %q is unknown: say one of %q", form, forms))
	case form == BeyondSlope:
		errs = append(errs, positive("slope beyond the knee", p.Beyond.Slope, "give a number such as 5")...)
	case form == BeyondHaibach && p.Slope <= 0.5:
		errs = append(errs, fmt.Errorf("check curve knee: slope 2k-1 is not positive for k = %g: give the slope beyond as a number", p.Slope))
	}
	return errs
}

// Table is a curve through points: straight lines in log-log between them, the end slopes beyond them. Amplitudes in MPa, lives
// in cycles, pairwise; in order of life, rising or falling, and the greater the amplitude the shorter the life. Two points at least.
type Table struct {
	Amplitudes []float64
	Lives      []float64
}

// Life implements Curve.
func (t Table) Life(amplitude float64) float64 { return t.lines().life(amplitude) }

// Amplitude implements Curve.
func (t Table) Amplitude(life float64) float64 { return t.lines().amplitude(life) }

func (t Table) lines() lines {
	s, n := slices.Clone(t.Amplitudes), slices.Clone(t.Lives)
	if s[0] < s[len(s)-1] {
		slices.Reverse(s)
		slices.Reverse(n)
	}
	out := make(lines, len(s)-1)
	for i := range out {
		k := math.Log(n[i+1]/n[i]) / math.Log(s[i]/s[i+1])
		out[i] = lineThrough(s[i], n[i], k)
		out[i].from, out[i].until = s[i+1], n[i+1]
	}
	last := &out[len(out)-1]
	last.from, last.until = 0, math.Inf(1)
	return out
}

func (t Table) check() []error {
	if len(t.Amplitudes) != len(t.Lives) || len(t.Lives) < 2 {
		return []error{fmt.Errorf("check curve table: %d amplitudes and %d lives: give two points or more, each an amplitude and a life",
			len(t.Amplitudes), len(t.Lives))}
	}
	var errs []error
	for i := range t.Lives {
		errs = append(errs, positive(fmt.Sprintf("curve table point %d amplitude", i+1), t.Amplitudes[i], "give MPa")...)
		errs = append(errs, positive(fmt.Sprintf("curve table point %d life", i+1), t.Lives[i], "give cycles")...)
	}
	rising := t.Lives[len(t.Lives)-1] > t.Lives[0]
	for i := 1; i < len(t.Lives); i++ {
		a, b := i-1, i
		if !rising {
			a, b = b, a
		}
		if !(t.Lives[a] < t.Lives[b] && t.Amplitudes[a] > t.Amplitudes[b]) {
			errs = append(errs, fmt.Errorf("check curve table: points %d and %d (%g MPa, %g) and (%g MPa, %g) do not fall: sort the points so that life rises while amplitude falls",
				i, i+1, t.Amplitudes[i-1], t.Lives[i-1], t.Amplitudes[i], t.Lives[i]))
		}
	}
	return errs
}

// EquivalentStress is the handbook form with its own account of the mean stress (MIL-HDBK-5J, 9.3.4; the same in MMPDS):
//
//	log10 N = A1 + A2·log10(Seq - A4),  Seq = Smax·(1-R)^A3,  R = Smin/Smax
//
// with Seq and A4 in a unit of MPaPerUnit MPa (KSI for the handbook), A2 negative, 0 <= A3 <= 1. No damage where Smax <= 0,
// where the cycle has no range, and where Seq <= A4. Only tested stress ratios, most often -1 <= R < 1, are backed by specimens.
type EquivalentStress struct {
	A1, A2, A3, A4 float64
	MPaPerUnit     float64
}

// Life implements Curve: the cycle from -amplitude to amplitude, R = -1.
func (e EquivalentStress) Life(amplitude float64) float64 {
	h := newHandbook(e, 0)
	return 1 / h.damage(-amplitude, amplitude)
}

// Amplitude implements Curve, at R = -1.
func (e EquivalentStress) Amplitude(life float64) float64 {
	if !(life > 0) {
		return math.NaN()
	}
	bracket := math.Exp((math.Log(life) - math.Ln10*e.A1) / e.A2)
	amplitude := (bracket + e.A4) * e.MPaPerUnit / math.Exp2(e.A3)
	if amplitude < 0 {
		return math.NaN()
	}
	return amplitude
}

func (e EquivalentStress) check() []error {
	var errs []error
	for _, c := range []struct {
		name  string
		value float64
	}{{"a1", e.A1}, {"a4", e.A4}} {
		if !finite(c.value) {
			errs = append(errs, fmt.Errorf("check curve %s: %g is not a finite number: copy it from the source", c.name, c.value))
		}
	}
	if !(e.A2 < 0) || !finite(e.A2) {
		errs = append(errs, fmt.Errorf("check curve a2: %g is not negative: write log10 N = a1 + a2·log10(Seq - a4) with its sign", e.A2))
	}
	if !(e.A3 >= 0 && e.A3 <= 1) {
		errs = append(errs, fmt.Errorf("check curve a3: %g is not within 0 and 1: give the exponent of (1-R)", e.A3))
	}
	return append(errs, positive("curve unit", e.MPaPerUnit, "give the MPa in one unit of stress, 6.894757 for ksi")...)
}

// handbook is an EquivalentStress ready to compute: ln damage = base + power·ln(Seq - limit), stresses in MPa.
type handbook struct {
	a3, limit, base, power float64
	harmless               float64 // Smax - a3·Smin below this does no damage
}

// newHandbook prepares e with all lives divided by exp(shift).
func newHandbook(e EquivalentStress, shift float64) handbook {
	limit := e.A4 * e.MPaPerUnit
	return handbook{
		a3: e.A3, limit: limit, power: -e.A2,
		base:     shift - math.Ln10*e.A1 + e.A2*math.Log(e.MPaPerUnit),
		harmless: limit - 1e-12*math.Abs(limit),
	}
}

// damage is one full cycle's. By Bernoulli's inequality (1-R)^A3 <= 1 - A3·R, so Smax - A3·Smin is an upper bound of Seq
// that spares most small cycles the powers; the margin in harmless keeps rounding from deciding.
func (h *handbook) damage(lo, hi float64) float64 {
	if hi <= 0 || hi == lo || hi-h.a3*lo < h.harmless {
		return 0
	}
	logSeq := (1-h.a3)*math.Log(hi) + h.a3*math.Log(hi-lo)
	if h.limit == 0 {
		return math.Exp(h.base + h.power*logSeq)
	}
	bracket := math.Exp(logSeq) - h.limit
	if bracket <= 0 {
		return 0
	}
	return math.Exp(h.base + h.power*math.Log(bracket))
}

// A line is a stretch of an S-N curve that is straight in log-log: ln N = offset - slope·ln S for amplitudes from `from` (included)
// up to the line before it; `until` is the life at `from`. from 0 goes with until +Inf. A small whole slope is also kept as an integer
// with a point of the line, 1/amplitude and 1/life: products are several times faster than a logarithm and an exponential.
type line struct {
	from, until   float64
	slope, offset float64

	whole         int // 0: take slope and offset
	perMPa, worth float64
}

const maxWholeSlope = 16

func lineThrough(amplitude, life, slope float64) line {
	l := line{until: math.Inf(1), slope: slope, offset: math.Log(life) + slope*math.Log(amplitude)}
	if slope == math.Trunc(slope) && slope <= maxWholeSlope {
		l.whole, l.perMPa, l.worth = int(slope), 1/amplitude, 1/life
	}
	return l
}

// damage is one cycle's at an amplitude above 0 that the line holds for.
func (l *line) damage(amplitude float64) float64 {
	if l.whole == 0 {
		return math.Exp(l.slope*math.Log(amplitude) - l.offset)
	}
	return l.product(amplitude)
}

// product is damage by a whole slope.
func (l *line) product(amplitude float64) float64 {
	power, square := l.worth, amplitude*l.perMPa
	for k := l.whole; ; square *= square {
		if k&1 == 1 {
			power *= square
		}
		if k >>= 1; k == 0 {
			return power
		}
	}
}

// endAt ends the line at a life; 0 leaves it endless.
func (l line) endAt(life float64) line {
	if life != 0 {
		l.from, l.until = math.Exp((l.offset-math.Log(life))/l.slope), life
	}
	return l
}

// lines are a curve from high amplitudes to low. Below the last one's start there is no damage.
type lines []line

func (ls lines) life(amplitude float64) float64 { return 1 / ls.damage(amplitude) }

// damage is one cycle's at a zero-mean amplitude: 0 below the curve's end, NaN for NaN.
func (ls lines) damage(amplitude float64) float64 {
	for i := range ls {
		l := &ls[i]
		if amplitude >= l.from {
			if amplitude <= 0 {
				return 0
			}
			return l.damage(amplitude)
		}
	}
	if math.IsNaN(amplitude) {
		return amplitude
	}
	return 0
}

// wholes puts damages in the place of amplitudes, for lines of whole slopes.
func (ls lines) wholes(x []float64) {
	if len(ls) == 1 || len(ls) == 2 && ls[0].whole == ls[1].whole {
		ls.products(x)
		return
	}
	for i, amplitude := range x {
		x[i] = ls.whole(amplitude)
	}
}

// whole is damage for lines of whole slopes.
func (ls lines) whole(amplitude float64) float64 {
	for i := range ls {
		if l := &ls[i]; amplitude >= l.from && amplitude > 0 {
			return l.product(amplitude)
		}
	}
	return amplitude - amplitude // NaN stays
}

// products is wholes for one line, or two of one slope. Neither the line, which cannot be predicted, nor the slope's bits, which are the same for
// all, take a jump that may be wrong.
func (ls lines) products(x []float64) {
	var perMPa, worth [4]float64 // behind the lines there is no damage
	from, beyond := ls[0].from, -1.0
	for k, l := range ls {
		perMPa[k], worth[k] = l.perMPa, l.worth
	}
	if len(ls) == 2 {
		beyond = ls[1].from
	}
	slope := ls[0].whole
	one, two, four, eight, sixteen := slope&1 != 0, slope&2 != 0, slope&4 != 0, slope&8 != 0, slope&16 != 0
	for i, amplitude := range x {
		k := (oneIfLess(amplitude, from) + oneIfLess(amplitude, beyond)) & 3
		power, square := worth[k], amplitude*perMPa[k]
		if one {
			power *= square
		}
		square *= square
		if two {
			power *= square
		}
		square *= square
		if four {
			power *= square
		}
		square *= square
		if eight {
			power *= square
		}
		if sixteen {
			power *= square * square
		}
		x[i] = power
	}
}

// oneIfLess is 1 if a < b, else 0.
func oneIfLess(a, b float64) (yes uint) {
	if a < b {
		yes = 1
	}
	return yes
}

// amplitude inverts life. A life that rounding put just past a line's end counts as its end.
func (ls lines) amplitude(life float64) float64 {
	if !(life > 0) {
		return math.NaN()
	}
	for _, l := range ls {
		if life < l.until || l.from == 0 {
			return max(l.from, math.Exp((l.offset-math.Log(life))/l.slope))
		}
		if life <= l.until*(1+1e-12) {
			return l.from
		}
	}
	return math.NaN()
}

// shorter divides all lives by exp(shift): the amplitudes of knees stay, their cycles move.
func (ls lines) shorter(shift float64) lines {
	out := slices.Clone(ls)
	for i := range out {
		out[i].offset -= shift
		out[i].until *= math.Exp(-shift)
		out[i].worth *= math.Exp(shift)
	}
	return out
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

func positive(what string, x float64, remedy string) []error {
	if x > 0 && finite(x) {
		return nil
	}
	return []error{fmt.Errorf("check %s: %g is not a positive number: %s", what, x, remedy)}
}
