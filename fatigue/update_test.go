package fatigue

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Closed forms of the normal model with a flat prior of the mean and a scaled inverse chi-squared one of the variance: the variance's
// posterior has Weight+n-1 degrees of freedom and scale (Weight·scale² + Σ(y-ȳ)²)/(Weight+n-1), the mean's is Student's t about ȳ
// with that scale over n. (A. Gelman and others, Bayesian Data Analysis, 3.3, κ0 = 0; from memory. The quantiles: gonum's.)
func TestUpdateAgreesWithClosedForms(t *testing.T) {
	lives := []float64{40, 55, 63, 90, 120, 71}
	for _, c := range []struct {
		reason          string
		scatter, weight float64
		n               int
	}{
		{"a weak prior", 0.2, 1, 6},
		{"a prior worth as much as the specimens", 0.1, 6, 6},
		{"a prior at odds with the specimens", 0.6, 10, 6},
		{"two specimens", 0.15, 4, 2},
	} {
		t.Run(c.reason, func(t *testing.T) {
			var specimens []Specimen
			var sum, squares float64
			for _, l := range lives[:c.n] {
				specimens = append(specimens, Specimen{Life: l})
				sum += math.Log10(l)
			}
			mean := sum / float64(c.n)
			for _, l := range lives[:c.n] {
				squares += (math.Log10(l) - mean) * (math.Log10(l) - mean)
			}
			p, err := UpdateLives(LifePrior{MedianSD: math.Inf(1), Scatter: c.scatter, Weight: c.weight}, specimens)
			if err != nil {
				t.Fatal(err)
			}
			freedom := c.weight + float64(c.n) - 1
			variance := (c.scatter*c.scatter*2*mathext.GammaIncRegInv(c.weight/2, 0.5) + squares) / freedom // Scatter is the prior's median
			student := distuv.StudentsT{Mu: mean, Sigma: math.Sqrt(variance / float64(c.n)), Nu: freedom}
			for _, q := range []float64{0.05, 0.5, 0.9} {
				if got, want := math.Log10(p.Median(q)), student.Quantile(q); math.Abs(got-want) > 2e-3*variance+3e-3*student.Sigma {
					t.Errorf("log10 of the median at %g: %g, want %g", q, got, want)
				}
				chi := 2 * mathext.GammaIncRegCompInv(freedom/2, q)
				if got, want := p.Scatter(q), math.Sqrt(freedom*variance/chi); math.Abs(got/want-1) > 5e-3 {
					t.Errorf("scatter at %g: %g, want %g", q, got, want)
				}
			}
		})
	}
}

// With the scatter as good as known the median is the mean of two normals, weighted by their precisions (from memory: any textbook).
func TestUpdateWithKnownScatter(t *testing.T) {
	specimens := []Specimen{{Life: 800}, {Life: 1500}, {Life: 1200}}
	const scatter, sd = 0.15, 0.2
	p, err := UpdateLives(LifePrior{Median: 500, MedianSD: sd, Scatter: scatter, Weight: 1e6}, specimens)
	if err != nil {
		t.Fatal(err)
	}
	precision := 1/(sd*sd) + 3/(scatter*scatter)
	mean := (math.Log10(500)/(sd*sd) + (math.Log10(800)+math.Log10(1500)+math.Log10(1200))/(scatter*scatter)) / precision
	for _, q := range []float64{0.025, 0.5, 0.975} {
		want := math.Pow(10, mean+mathext.NormalQuantile(q)/math.Sqrt(precision))
		if got := p.Median(q); math.Abs(got/want-1) > 1e-3 {
			t.Errorf("median at %g: %g, want %g", q, got, want)
		}
		wantB10 := math.Pow(10, mean+mathext.NormalQuantile(q)/math.Sqrt(precision)+mathext.NormalQuantile(0.1)*scatter)
		if got := p.Life(0.1, q); math.Abs(got/wantB10-1) > 5e-3 {
			t.Errorf("B10 at %g: %g, want %g", q, got, wantB10)
		}
	}
	z := (math.Log10(900) - mean) / math.Sqrt(1/precision+scatter*scatter)
	if got, want := p.Failed(900), math.Erfc(-z/math.Sqrt2)/2; math.Abs(got-want) > 1e-3 {
		t.Errorf("chance to fail by 900: %g, want %g", got, want)
	}
}

func TestUpdateWithoutSpecimensIsThePrior(t *testing.T) {
	p, err := UpdateLives(LifePrior{Median: 3e5, MedianSD: 0.25, Scatter: 0.15, Weight: 5}, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, q := range []float64{0.05, 0.5, 0.95} {
		if got, want := p.Median(q), 3e5*math.Pow(10, 0.25*mathext.NormalQuantile(q)); math.Abs(got/want-1) > 2e-3 {
			t.Errorf("median at %g: %g, want %g", q, got, want)
		}
		want := 0.15 * math.Sqrt(mathext.GammaIncRegInv(2.5, 0.5)/mathext.GammaIncRegCompInv(2.5, q))
		if got := p.Scatter(q); math.Abs(got/want-1) > 5e-3 {
			t.Errorf("scatter at %g: %g, want %g", q, got, want)
		}
	}
}

// The fit by maximum likelihood is where a posterior of next to no prior peaks: with a hundred specimens, half of them run-outs,
// the two agree.
func TestUpdateWithRunOutsAgreesWithTheFit(t *testing.T) {
	var specimens []Specimen
	for i := range 100 {
		life := math.Pow(10, 4+0.2*mathext.NormalQuantile((float64(i)+0.5)/100))
		specimens = append(specimens, Specimen{Life: min(life, 1e4), RunOut: life > 1e4})
	}
	fit, err := FitLives(Lognormal, specimens)
	if err != nil {
		t.Fatal(err)
	}
	p, err := UpdateLives(LifePrior{MedianSD: math.Inf(1), Scatter: 0.2, Weight: 1}, specimens)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := math.Log10(p.Median(0.5)), fit.Location/math.Ln10; math.Abs(got-want) > 0.005 {
		t.Errorf("log10 of the median %g, fit %g", got, want)
	}
	if got, want := p.Scatter(0.5), fit.Scale/math.Ln10; math.Abs(got/want-1) > 0.03 {
		t.Errorf("scatter %g, fit %g", got, want)
	}
	low, high := p.Median(0.025), p.Median(0.975)
	if ratio := fit.LifeInterval(0.5, 0.95); math.Abs(low/ratio.Lower-1) > 0.02 || math.Abs(high/ratio.Upper-1) > 0.03 {
		t.Errorf("median within %g and %g, likelihood ratio has %v", low, high, ratio)
	}
}

func TestUpdateRefuses(t *testing.T) {
	sound := LifePrior{Median: 100, MedianSD: 0.3, Scatter: 0.1, Weight: 3}
	for _, c := range []struct {
		reason    string
		change    func(p *LifePrior)
		specimens []Specimen
	}{
		{"no scatter", func(p *LifePrior) { p.Scatter = 0 }, nil},
		{"scatter without end", func(p *LifePrior) { p.Scatter = math.Inf(1) }, nil},
		{"less than one specimen's worth", func(p *LifePrior) { p.Weight = 0.5 }, nil},
		{"a median known exactly", func(p *LifePrior) { p.MedianSD = 0 }, nil},
		{"a median that is not a number", func(p *LifePrior) { p.Median = math.NaN() }, nil},
		{"nothing that places the median", func(p *LifePrior) { p.MedianSD = math.Inf(1) }, []Specimen{{Life: 5, RunOut: true}}},
		{"a life of 0", func(*LifePrior) {}, []Specimen{{Life: 0}}},
	} {
		prior := sound
		c.change(&prior)
		if _, err := UpdateLives(prior, c.specimens); err == nil {
			t.Errorf("%s: no error", c.reason)
		}
	}
}

// Laws: lives in another unit scale the median and leave the scatter; where
// the scatter is known, a run-out never lowers the median (where it is not, one may: it speaks against a great scatter).
func FuzzUpdateLives(f *testing.F) {
	f.Add(100., 0.3, 0.15, 4., 90., 140., 200., 3.)
	f.Add(1e6, 0.1, 0.05, 30., 2e6, 5e5, 1e7, 1e-3)
	f.Fuzz(func(t *testing.T, median, sd, scatter, weight, a, b, c, unit float64) {
		for _, v := range []float64{median, a, b, c, unit} {
			if !(v > 1e-6 && v < 1e9) {
				return
			}
		}
		if !(sd > 0.02 && sd < 2 && scatter > 0.02 && scatter < 1 && weight >= 1 && weight < 1e3) {
			return
		}
		one := func(scale, weight float64, runOut bool) LifePosterior {
			s := []Specimen{{Life: a * scale}, {Life: b * scale}}
			if runOut {
				s = append(s, Specimen{Life: c * scale, RunOut: true})
			}
			p, err := UpdateLives(LifePrior{median * scale, sd, scatter, weight}, s)
			if err != nil {
				t.Fatal(err)
			}
			return p
		}
		plain, scaled := one(1, weight, false), one(unit, weight, false)
		wide := math.Log10(plain.Median(0.95) / plain.Median(0.05))
		if d := math.Log10(scaled.Median(0.5) / unit / plain.Median(0.5)); math.Abs(d) > 0.01*wide {
			t.Errorf("median moved by %g decades in another unit", d)
		}
		if d := scaled.Scatter(0.5)/plain.Scatter(0.5) - 1; math.Abs(d) > 0.01 {
			t.Errorf("scatter changed by %g in another unit", d)
		}
		known, survived := one(1, 1e6, false), one(1, 1e6, true)
		if d := math.Log10(survived.Median(0.5) / known.Median(0.5)); d < -0.01*wide {
			t.Errorf("a run-out lowered the median by %g decades", -d)
		}
	})
}

// Where all fail, the one-sided bound of a lognormal life is mean - k·s with k the tolerance factor and s the standard deviation
// with n-1; the fit's scale is s·sqrt((n-1)/n). So must the bound with further specimens be, for as many in all.
// (Tolerance factors: noncentral t, as in ISO 16269-6; from memory.)
func TestFurtherSpecimensAgreeWithToleranceFactors(t *testing.T) {
	fit, err := FitLives(Lognormal, []Specimen{{Life: 50}, {Life: 70}, {Life: 90}, {Life: 140}})
	if err != nil {
		t.Fatal(err)
	}
	for _, further := range []int{0, 1, 6} {
		n := 4 + further
		const share, confidence = 0.9, 0.95
		k, err := ToleranceFactor(n, share, confidence)
		if err != nil {
			t.Fatal(err)
		}
		pivots, err := fit.Pivots(further, 60000, rand.New(rand.NewPCG(1, 2)))
		if err != nil {
			t.Fatal(err)
		}
		life := pivots.Life(1-share, 2*confidence-1)
		want := fit.Location - k*fit.Scale*math.Sqrt(float64(n)/float64(n-1))
		if got := math.Log(life.Lower); math.Abs(got-want) > 0.03*k*fit.Scale {
			t.Errorf("%d further: lower bound of ln B10 %g, want %g", further, got, want)
		}
	}
	if _, err := fit.Pivots(-1, 1000, rand.New(rand.NewPCG(1, 2))); err == nil {
		t.Error("no error for less than no further specimens")
	}
}
