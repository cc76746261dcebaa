package calibrate

import "math"

// curvature is a departure from a straight line: by which share the gain at the
// amplitude that does the damage differs from the fitted one.
type curvature struct {
	term   string  // in words
	effect float64 // relative; signed
	z      float64 // effect over its standard error
	fits   float64 // by how much it lowers the sum of squares that a straight line leaves
	inside float64 // slope within the bend over the slope beyond it
}

// multiples of the root mean square at which a dead band or a bend is looked for.
var multiples = []float64{0.25, 0.5, 1, 2}

// The terms.
const (
	termQuadratic = "quadratic"
	termCubic     = "cubic"
	termBend      = "bend"
)

// shape is a term that bends a straight line.
type shape struct {
	term string
	even bool
	at   func(v, rms float64) float64
}

func shapes() []shape {
	out := []shape{
		{termQuadratic, true, func(v, _ float64) float64 { return v * v }},
		{termCubic, false, func(v, _ float64) float64 { return v * v * v }},
	}
	for _, m := range multiples {
		out = append(out, shape{termBend, false, func(v, rms float64) float64 { return min(max(-m*rms, v), m*rms) }})
	}
	return out
}

// sure is how many standard errors a departure has to be from none.
const sure = 3

// bent returns the departure from a straight line that weighs most, under the name of the
// term that fits best, since one of another form shows part of it too. Each term is fitted twice, the gauge on the channel and the channel on the
// gauge, and counts only if both show it for sure in one direction: noise in a signal
// whose level changes bends the line of one, but not of both.
func bent(laps []prepared, gain, reach float64) curvature {
	worst, forms := curvature{term: "none"}, []curvature{}
	for _, sh := range shapes() {
		c, back := fitShape(laps, sh, false, reach), fitShape(laps, sh, true, reach*math.Abs(gain))
		forms = append(forms, c)
		if c.effect*back.effect > 0 && math.Abs(c.z) > sure && math.Abs(back.z) > sure && math.Abs(c.effect) > math.Abs(worst.effect) {
			worst = c
			worst.z = math.Copysign(min(math.Abs(c.z), math.Abs(back.z)), c.effect)
		}
	}
	best := 0.0
	for _, c := range forms {
		if worst.effect != 0 && math.Abs(c.z) > sure && c.fits > best {
			worst.term, best = c.named(), c.fits
		}
	}
	return worst
}

// slack is the share of the outer slope below which the inner one is that of a dead band.
const slack = 0.3

// named says what a term with its sign amounts to.
func (c curvature) named() string {
	switch {
	case c.term == termQuadratic:
		return c.term
	case c.term == termBend && c.inside < slack && c.inside > -slack:
		return "dead band"
	case c.effect > 0:
		return "hardening"
	}
	return "softening"
}

// normal are the sums of a regression of y on x and t(x).
type normal struct{ n, x, t, y, xx, xt, tt, xy, ty float64 }

func (a normal) plus(b normal, sign float64) normal {
	return normal{a.n + sign*b.n, a.x + sign*b.x, a.t + sign*b.t, a.y + sign*b.y, a.xx + sign*b.xx,
		a.xt + sign*b.xt, a.tt + sign*b.tt, a.xy + sign*b.xy, a.ty + sign*b.ty}
}

// solve returns the straight line's slope, and slope and coefficient with the term.
func (a normal) solve() (alone, slope, coef, fits float64) {
	xx, xt, tt := a.xx-a.x*a.x/a.n, a.xt-a.x*a.t/a.n, a.tt-a.t*a.t/a.n
	xy, ty := a.xy-a.x*a.y/a.n, a.ty-a.t*a.y/a.n
	d := xx*tt - xt*xt
	if !(d > 1e-9*xx*tt) {
		return xy / xx, xy / xx, 0, 0
	}
	coef = (ty*xx - xy*xt) / d
	return xy / xx, (xy*tt - ty*xt) / d, coef, coef * coef * d / xx
}

// groupsOf is into how many groups the samples are cut for the jackknife.
const groupsOf = 20

// enough is about how many samples a term is fitted on: neighbours tell little more.
const enough = 150_000

// add adds a sample.
func (a *normal) add(x, t, y float64) {
	a.n, a.x, a.t, a.y = a.n+1, a.x+x, a.t+t, a.y+y
	a.xx, a.xt, a.tt = a.xx+x*x, a.xt+x*t, a.tt+t*t
	a.xy, a.ty = a.xy+x*y, a.ty+t*y
}

// fitShape fits one term, with its significance from a jackknife, and returns its effect
// at an amplitude. Backward, the channel is regressed on the gauge, and the effect is
// turned into that on the gain.
func fitShape(laps []prepared, sh shape, backward bool, amplitude float64) curvature {
	var total, count float64
	for _, l := range laps {
		total += power(l, backward)
		count += float64(len(l.x))
	}
	rms := math.Sqrt(total / count)
	parts := sh.sums(laps, backward, rms, int(count))
	var all normal
	for _, p := range parts {
		all = all.plus(p, 1)
	}
	v := make([]float64, 0, groupsOf)
	for _, p := range parts {
		v = append(v, sh.effect(all.plus(p, -1), backward, amplitude, rms))
	}
	c := curvature{term: sh.term, effect: sh.effect(all, backward, amplitude, rms)}
	c.z = c.effect / jackknife(v)
	_, slope, coef, fits := all.solve()
	c.fits, c.inside = fits, (slope+coef)/slope
	if math.IsNaN(c.z) || math.IsInf(c.effect, 0) {
		c.effect, c.z = 0, 0
	}
	return c
}

// sums are those of the laps' samples, count of them, in groups that follow each other.
func (sh shape) sums(laps []prepared, backward bool, rms float64, count int) []normal {
	stride, size := max(1, count/enough), count/groupsOf+1
	parts := make([]normal, groupsOf)
	seen := 0
	for _, l := range laps {
		x, y := l.x, l.s
		if backward {
			x, y = l.s, l.x
		}
		for i := 0; i < len(x); {
			g := (seen + i) / size
			for end := min(len(x), (g+1)*size-seen); i < end; i += stride {
				parts[g].add(x[i], sh.at(x[i], rms), y[i])
			}
		}
		seen += len(x)
	}
	return parts
}

// effect is by which share the term changes the gain at an amplitude.
func (sh shape) effect(n normal, backward bool, amplitude, rms float64) float64 {
	alone, slope, coef, _ := n.solve()
	up, down := sh.at(amplitude, rms), sh.at(-amplitude, rms)
	if sh.even {
		e := coef * (up + down) / (2 * amplitude * alone)
		if backward {
			e = -e * sign(alone)
		}
		return e * sign(alone)
	}
	e := (slope+coef*(up-down)/(2*amplitude))/alone - 1
	if backward {
		e = 1/(1+e) - 1
	}
	return e
}

func sign(v float64) float64 { return math.Copysign(1, v) }

func power(l prepared, gauge bool) float64 {
	if gauge {
		return l.m.yy
	}
	return l.m.xx
}
