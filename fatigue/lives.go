package fatigue

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"

	"gonum.org/v1/gonum/mathext"
)

// Specimen is one result of a life test. Life is in any one unit: cycles, repeats, hours.
type Specimen struct {
	Life   float64 // at failure, or when the specimen was taken off
	RunOut bool    // taken off unbroken
}

// LifeModel is a family of distributions of life whose logarithm has a location and a scale.
type LifeModel int

// The models. With z = (ln life - Location)/Scale the chance to survive is exp(-exp(z)) for Weibull, Φ(-z) for Lognormal.
const (
	Weibull LifeModel = iota
	Lognormal
)

// String names the model.
func (m LifeModel) String() string {
	return [...]string{"weibull", "lognormal"}[m]
}

// quantile is the z below which a share p lies.
func (m LifeModel) quantile(p float64) float64 {
	if m == Weibull {
		return math.Log(-math.Log1p(-p))
	}
	return mathext.NormalQuantile(p)
}

// failed returns the logarithm of the density at z and its first two derivatives.
func (m LifeModel) failed(z float64) (f, d1, d2 float64) {
	if m == Weibull {
		e := math.Exp(z)
		return z - e, 1 - e, -e
	}
	return -z*z/2 - logRoot2Pi, -z, -1
}

// survived returns the logarithm of the chance to survive z and its first two derivatives.
func (m LifeModel) survived(z float64) (f, d1, d2 float64) {
	if m == Weibull {
		e := math.Exp(z)
		return -e, -e, -e
	}
	f = logNormalTail(z)
	hazard := math.Exp(-z*z/2 - logRoot2Pi - f)
	return f, -hazard, -hazard * (hazard - z)
}

const logRoot2Pi = 0.9189385332046727

// logNormalTail is ln Φ(-z); far out by the series of Mills' ratio (Abramowitz and Stegun, 26.2.12).
func logNormalTail(z float64) float64 {
	if z < 30 {
		return math.Log(math.Erfc(z/math.Sqrt2) / 2)
	}
	q := 1 / (z * z)
	return -z*z/2 - logRoot2Pi - math.Log(z) + math.Log1p(-q*(1-3*q*(1-5*q)))
}

// Interval holds a value with some confidence.
type Interval struct{ Lower, Upper float64 }

// LifeFit is a model fitted to specimens by maximum likelihood, run-outs as survivors of their life.
type LifeFit struct {
	Model           LifeModel
	Location, Scale float64 // of ln life
	LogLikelihood   float64 // of the lives themselves, in their unit
	Failures        int
	RunOuts         int

	sample lifeSample
	a, b   float64
}

// FitLives fits a model by maximum likelihood. From few specimens the scale comes out too small on average: use PivotInterval for
// what it leaves open. It is an error if a life is not a positive number, if there is no failure, or if no specimen lived longer
// than the first failure, which leaves the scale at 0.
// (J. F. Lawless, Statistical Models and Methods for Lifetime Data, 5; the likelihood has one maximum: Burridge 1981.)
func FitLives(model LifeModel, specimens []Specimen) (LifeFit, error) {
	s, err := newLifeSample(model, specimens)
	if err != nil {
		return LifeFit{}, fmt.Errorf("fit %v lives: %w", model, err)
	}
	a, b, l := s.maximum()
	f := LifeFit{
		Model: model, Location: s.middle + s.spread*a/b, Scale: s.spread / b,
		Failures: s.failures, RunOuts: len(specimens) - s.failures, sample: s, a: a, b: b,
	}
	f.LogLikelihood = l - float64(s.failures)*math.Log(s.spread) - s.sumLog
	return f, nil
}

// Shape is Weibull's shape, 1/Scale.
func (f LifeFit) Shape() float64 { return 1 / f.Scale }

// AIC is Akaike's criterion, 2·2 - 2·LogLikelihood: of two models of the same specimens the lower fits better for its freedom.
func (f LifeFit) AIC() float64 { return 4 - 2*f.LogLikelihood }

// Life is the one by which a share p has failed, 0 < p < 1: B10 is Life(0.1), Weibull's characteristic life Life(1-1/e) = exp(Location).
func (f LifeFit) Life(p float64) float64 {
	return math.Exp(f.Location + f.Scale*f.Model.quantile(p))
}

// Failed is the share that has failed by a life; 0 at 0.
func (f LifeFit) Failed(life float64) float64 {
	if life <= 0 {
		return 0
	}
	log, _, _ := f.Model.survived((math.Log(life) - f.Location) / f.Scale)
	return -math.Expm1(log)
}

// Moments returns the mean life and its standard deviation over specimens: for Weibull exp(Location)·Γ(1+Scale).
func (f LifeFit) Moments() (mean, sd float64) {
	if f.Model == Weibull {
		one, two := math.Gamma(1+f.Scale), math.Gamma(1+2*f.Scale)
		return math.Exp(f.Location) * one, math.Exp(f.Location) * math.Sqrt(two-one*one)
	}
	v := f.Scale * f.Scale
	mean = math.Exp(f.Location + v/2)
	return mean, mean * math.Sqrt(math.Expm1(v))
}

// StandardErrors are those of Location and Scale, from the curvature of the likelihood: a rough guide from few specimens.
func (f LifeFit) StandardErrors() (location, scale float64) {
	_, _, h := f.sample.likelihood(f.a, f.b)
	det := h.aa*h.bb - h.ab*h.ab
	vaa, vbb, vab := -h.bb/det, -h.aa/det, h.ab/det
	b2 := f.b * f.b // μ = a/b, σ = 1/b
	location = math.Sqrt(vaa-2*f.a/f.b*vab+f.a*f.a/b2*vbb) / f.b
	return f.sample.spread * location, f.sample.spread * math.Sqrt(vbb) / b2
}

// LifeInterval holds Life(p) with a confidence such as 0.95, both sides equal, by the likelihood ratio. A side that the specimens
// leave open is 0 or +Inf. From few specimens it is somewhat narrow: see PivotInterval.
func (f LifeFit) LifeInterval(p, confidence float64) Interval {
	z := f.Model.quantile(p)
	fit := (f.a + z) / f.b
	profile := func(y float64) float64 {
		return f.sample.alongQuantile(y, z, 1/(1/f.b+math.Abs(y-fit))) // far off, the scale is about the distance
	}
	drop := likelihoodDrop(confidence)
	step := 1 / f.b / math.Sqrt(float64(f.Failures))
	ends := Interval{f.sample.bound(profile, fit, -step, drop), f.sample.bound(profile, fit, step, drop)}
	return Interval{math.Exp(f.sample.middle + f.sample.spread*ends.Lower), math.Exp(f.sample.middle + f.sample.spread*ends.Upper)}
}

// ScaleInterval holds Scale with a confidence, as LifeInterval holds a life. Its inverse is the shape's.
func (f LifeFit) ScaleInterval(confidence float64) Interval {
	profile := func(logScale float64) float64 { return f.sample.alongScale(math.Exp(-logScale), f.a, f.b) }
	drop, fit := likelihoodDrop(confidence), -math.Log(f.b)
	ends := Interval{f.sample.bound(profile, fit, -0.3, drop), f.sample.bound(profile, fit, 0.3, drop)}
	return Interval{f.sample.spread * math.Exp(ends.Lower), f.sample.spread * math.Exp(ends.Upper)}
}

// likelihoodDrop is half the quantile of chi-squared with one degree of freedom.
func likelihoodDrop(confidence float64) float64 {
	z := mathext.NormalQuantile((1 + confidence) / 2)
	return z * z / 2
}

// PivotInterval holds Life(p) and Scale with a confidence, both sides equal, for small samples: the distribution of the pivots
// (Life estimate - life)/(Scale estimate) in logarithms and (Scale estimate)/scale is drawn by simulating as many specimens, of which
// after each failure as many are taken off as were here before the next, and fitting each. That is exact but for the draws, whatever
// the number of specimens, where all have failed or run-outs were taken off at failures (progressive censoring: Viveros and
// Balakrishnan, Technometrics 36, 1994); where they were taken off at lives of their own it is an approximation. Run-outs shorter than
// the first failure count for nothing in it. 2000 draws place the ends within some hundredths of the interval's width. It is an error
// if there are less than two failures or 100 draws. (J. F. Lawless, Statistical Models and Methods for Lifetime Data, 5.)
func (f LifeFit) PivotInterval(p, confidence float64, draws int, random *rand.Rand) (life, scale Interval, err error) {
	pivots, err := f.Pivots(0, draws, random)
	if err != nil {
		return life, scale, err
	}
	return pivots.Life(p, confidence), pivots.Scale(confidence), nil
}

// Pivots are the draws that PivotInterval rests on, for intervals of several shares and confidences from one simulation.
type Pivots struct {
	fit               LifeFit
	locations, scales []float64 // fitted to specimens of location 0 and scale 1
	order             []float64 // room to sort
	sortedScales      []float64
}

// Pivots simulates as many specimens as the fit has, and so many further ones that are all tested to failure: the intervals are
// then those to expect if location and scale come out as they are, which is what further specimens would buy.
func (f LifeFit) Pivots(further, draws int, random *rand.Rand) (*Pivots, error) {
	if further < 0 || f.Failures+further < 2 || draws < 100 {
		return nil, fmt.Errorf("simulate pivots: %d failures, %d further and %d draws: give at least 2 of both and 100", f.Failures, further, draws)
	}
	p := &Pivots{f, make([]float64, draws), make([]float64, draws), make([]float64, draws), nil}
	withdrawn, none := f.sample.withdrawn(), make([]int, further)
	specimens := make([]Specimen, 0, f.Failures+f.RunOuts+further)
	for i := range draws {
		specimens = f.Model.draw(specimens[:0], withdrawn, random)
		specimens = f.Model.draw(specimens, none, random)
		drawn, err := FitLives(f.Model, specimens)
		if err != nil {
			return nil, fmt.Errorf("simulate pivots: %w", err)
		}
		p.locations[i], p.scales[i] = drawn.Location, drawn.Scale
	}
	p.sortedScales = slices.Clone(p.scales)
	slices.Sort(p.sortedScales)
	return p, nil
}

// Life holds the life by which a share has failed with a confidence, both sides equal.
func (p *Pivots) Life(share, confidence float64) Interval {
	z := p.fit.Model.quantile(share)
	for i, scale := range p.scales {
		p.order[i] = (p.locations[i] + z*scale - z) / scale
	}
	slices.Sort(p.order)
	tail := (1 - confidence) / 2
	at := p.fit.Location + z*p.fit.Scale
	return Interval{math.Exp(at - p.fit.Scale*sorted(p.order, 1-tail)), math.Exp(at - p.fit.Scale*sorted(p.order, tail))}
}

// Scale holds the scale with a confidence, both sides equal.
func (p *Pivots) Scale(confidence float64) Interval {
	tail := (1 - confidence) / 2
	return Interval{p.fit.Scale / sorted(p.sortedScales, 1-tail), p.fit.Scale / sorted(p.sortedScales, tail)}
}

// draw appends specimens of location 0 and scale 1 that fail one after the other; withdrawn says how many of those left are taken off
// after each failure. The chance to survive falls at each failure by the largest of as many uniform values as specimens are left.
// (N. Balakrishnan and R. A. Sandhu, The American Statistician 49, 1995.)
func (m LifeModel) draw(specimens []Specimen, withdrawn []int, random *rand.Rand) []Specimen {
	left, survive := len(withdrawn), 0. // ln of the chance to survive
	for _, n := range withdrawn {
		left += n
	}
	for _, n := range withdrawn {
		u := random.Float64()
		for u == 0 {
			u = random.Float64()
		}
		survive += math.Log(u) / float64(left)
		life := math.Exp(m.quantile(-math.Expm1(survive)))
		specimens = append(specimens, Specimen{Life: life})
		for range n {
			specimens = append(specimens, Specimen{Life: life, RunOut: true})
		}
		left -= 1 + n
	}
	return specimens
}

// sorted is the quantile of rising values, straight between them: value number p·(n+1), which one more of their kind does not exceed with
// the chance p (exchangeability).
func sorted(x []float64, p float64) float64 {
	at := min(max(p*float64(len(x)+1)-1, 0), float64(len(x)-1))
	i := min(int(at), len(x)-2)
	return x[i] + (at-float64(i))*(x[i+1]-x[i])
}

// lifeSample holds logarithms of lives, about their middle and in units of their spread; its parameters are a = location/scale and
// b = 1/scale, in which the likelihood is concave for models of concave logarithm.
type lifeSample struct {
	model          LifeModel
	y              []float64
	runOut         []bool
	failures       int
	middle, spread float64
	sumLog         float64 // Σ ln life over the failures
}

func newLifeSample(model LifeModel, specimens []Specimen) (lifeSample, error) {
	s := lifeSample{model: model}
	first, longest := math.Inf(1), 0.
	for i, x := range specimens {
		if !(x.Life > 0) || !finite(x.Life) {
			return s, fmt.Errorf("life %d is %g: give a positive number", i, x.Life)
		}
		log := math.Log(x.Life)
		s.y, s.runOut = append(s.y, log), append(s.runOut, x.RunOut)
		longest = max(longest, x.Life)
		if !x.RunOut {
			s.failures++
			s.sumLog += log
			first = min(first, x.Life)
		}
	}
	if s.failures == 0 {
		return s, fmt.Errorf("all %d specimens ran out: test on to a failure, or state a lower bound from the survivors", len(specimens))
	}
	if s.middle, s.spread = sampleMiddle(s.y); first >= longest || !(s.spread > 0) {
		return s, errors.New("no specimen lived longer than the first failure: the scatter cannot be told; test more specimens")
	}
	for i := range s.y {
		s.y[i] = (s.y[i] - s.middle) / s.spread
	}
	return s, nil
}

func sampleMiddle(y []float64) (middle, spread float64) {
	c := slices.Clone(y)
	middle = centre(c)
	for _, v := range c {
		spread += v * v
	}
	return middle, math.Sqrt(spread / float64(len(y)))
}

// withdrawn counts, for each failure in order of life, the run-outs from it on to the next failure; those before the first are left out.
func (s *lifeSample) withdrawn() []int {
	var fails []float64
	for i, y := range s.y {
		if !s.runOut[i] {
			fails = append(fails, y)
		}
	}
	slices.Sort(fails)
	out := make([]int, len(fails))
	for i, y := range s.y {
		if !s.runOut[i] {
			continue
		}
		if after := sort.Search(len(fails), func(k int) bool { return fails[k] > y }); after > 0 {
			out[after-1]++
		}
	}
	return out
}

type gradient struct{ a, b float64 }

type hessian struct{ aa, ab, bb float64 }

func (s *lifeSample) likelihood(a, b float64) (l float64, g gradient, h hessian) {
	r := float64(s.failures)
	l, g.b, h.bb = r*math.Log(b), r/b, -r/(b*b)
	for i, y := range s.y {
		part := s.model.failed
		if s.runOut[i] {
			part = s.model.survived
		}
		f, d1, d2 := part(b*y - a)
		l += f
		g.a -= d1
		g.b += d1 * y
		h.aa += d2
		h.ab -= d2 * y
		h.bb += d2 * y * y
	}
	return l, g, h
}

const newtonSteps = 200

// leastGain is the share of the likelihood's logarithm below which a step's gain is lost in rounding.
const leastGain = 1e-16

// maximum climbs by Newton's steps, halved where they overshoot.
func (s *lifeSample) maximum() (a, b, l float64) {
	b = 1
	l, g, h := s.likelihood(a, b)
	for range newtonSteps {
		det := h.aa*h.bb - h.ab*h.ab
		da, db := (-h.bb*g.a+h.ab*g.b)/det, (h.ab*g.a-h.aa*g.b)/det
		if !(det > 0) {
			da, db = g.a, g.b // flat to rounding: straight up
		}
		if math.Abs(g.a*da+g.b*db) <= leastGain*math.Abs(l) {
			break // nothing to climb but rounding
		}
		share, nextL, nextG, nextH := s.climb(a, b, da, db, l)
		if share == 0 {
			break
		}
		a, b = a+share*da, b+share*db
		was := l
		if l, g, h = nextL, nextG, nextH; l-was <= 1e-15*math.Abs(l) {
			break
		}
	}
	return a, b, l
}

// climb returns how much of a step raises the likelihood, 0 if none does, and the likelihood there.
func (s *lifeSample) climb(a, b, da, db, was float64) (share, l float64, g gradient, h hessian) {
	for share = 1; share > 1e-12; share /= 2 {
		if !(b+share*db > 0) {
			continue
		}
		if l, g, h = s.likelihood(a+share*da, b+share*db); l > was {
			return share, l, g, h
		}
	}
	return 0, was, g, h
}

// alongQuantile is the greatest likelihood of those with quantile z at y: a = b·y - z, over b.
func (s *lifeSample) alongQuantile(y, z, b float64) float64 {
	return s.along(-z, 0, y, 1, b)
}

// alongScale is the greatest likelihood of those with parameter b, over a.
func (s *lifeSample) alongScale(b, a, wasB float64) float64 {
	return s.along(0, b, 1, 0, a/wasB*b)
}

// along is the greatest likelihood on the line (a0 + t·da, b0 + t·db), from a start t.
func (s *lifeSample) along(a0, b0, da, db, t float64) float64 {
	l, g, h := s.likelihood(a0+t*da, b0+t*db)
	for math.IsInf(l, -1) || math.IsNaN(l) { // far off: the scale is too small for the lives
		if t /= 2; math.Abs(t) < 1e-300 {
			return math.Inf(-1)
		}
		l, g, h = s.likelihood(a0+t*da, b0+t*db)
	}
	for range newtonSteps {
		slope := g.a*da + g.b*db
		curve := h.aa*da*da + 2*h.ab*da*db + h.bb*db*db
		if !(curve < 0) {
			break
		}
		step := -slope / curve
		if math.Abs(slope*step) <= leastGain*math.Abs(l) {
			break
		}
		share, nextL, nextG, nextH := s.climb(a0+t*da, b0+t*db, step*da, step*db, l)
		if share == 0 {
			break
		}
		t += share * step
		was := l
		if l, g, h = nextL, nextG, nextH; l-was <= 1e-15*math.Abs(l) {
			break
		}
	}
	return l
}

// bound is where a profile, largest at fit, has dropped; an infinity in the direction of step where it never does.
func (s *lifeSample) bound(profile func(float64) float64, fit, step, drop float64) float64 {
	const beyond = 700 // units of spread, or logarithms of the scale
	level := profile(fit) - drop
	near, far := fit, fit+step
	for profile(far) > level {
		step *= 2
		near, far = far, far+step
		if math.Abs(far-fit) > beyond {
			return math.Inf(int(math.Copysign(1, step)))
		}
	}
	for range 100 {
		middle := (near + far) / 2
		if middle == near || middle == far {
			break
		}
		if profile(middle) > level {
			near = middle
		} else {
			far = middle
		}
	}
	return (near + far) / 2
}
