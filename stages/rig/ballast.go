package rig

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"lapwear/fatigue"
)

// Felt is what a hot spot felt in one run of the rig with a mass, over what it feels on the track.
type Felt struct {
	Mass  float64 // kg
	Ratio float64 // of stress; 1 is as on the track
}

// Ballast is the mass that gives the track's stress: the rig's stress is taken as
// inertia, in proportion to the mass, and a fixed part.
type Ballast struct {
	PerKg, Fixed float64 // ratio = PerKg·mass + Fixed
	Mass         float64 // kg, where the ratio is 1
	Low, High    float64 // its 95 % interval; NaN where two runs leave nothing to tell it from
	Residual     float64 // standard deviation of the ratios about the line
}

// BallastRange is the masses within which a fit answers.
type BallastRange struct{ Low, High float64 }

// rangeMargin is how far beyond the masses that were tried a fit answers unless told
// otherwise, of their span.
const rangeMargin = 0.2

// UsualRange is what was tried and a fifth of its span to either side.
func UsualRange(felt []Felt) BallastRange {
	r := BallastRange{math.Inf(1), math.Inf(-1)}
	for _, f := range felt {
		r.Low, r.High = math.Min(r.Low, f.Mass), math.Max(r.High, f.Mass)
	}
	more := rangeMargin * (r.High - r.Low)
	return BallastRange{math.Max(0, r.Low-more), r.High + more}
}

// FitBallast fits the line by least squares and finds the mass of ratio 1, with the
// interval of inverse regression, which is not even about it. (E. C. Fieller, J. R. Stat. Soc. B 16 (1954)
// 175-185, from memory.) It is an error if there are less than two masses, if stress does not rise with
// the mass beyond doubt, or if the mass lies outside the range.
func FitBallast(felt []Felt, within BallastRange) (Ballast, error) {
	var mass, ratio, ones []float64
	different := false
	for _, f := range felt {
		mass, ratio, ones = append(mass, f.Mass), append(ratio, f.Ratio), append(ones, 1)
		different = different || f.Mass != felt[0].Mass
	}
	if !different {
		return Ballast{}, fmt.Errorf("fit ballast: all runs had one mass; give runs of two masses at least")
	}
	b, err := line(mass, ratio, ones)
	if err != nil {
		return b, err
	}
	if !(b.PerKg > 0) {
		return b, fmt.Errorf("fit ballast: stress does not rise with the mass (%.3g of the track's per kg); look at where the mass sits", b.PerKg)
	}
	b.Mass = (1 - b.Fixed) / b.PerKg
	if b.Mass < within.Low || b.Mass > within.High {
		return b, fmt.Errorf("fit ballast: the line gives %.4g kg, outside the range of %.4g to %.4g kg; try a mass nearer to it, or give --mass-range",
			b.Mass, within.Low, within.High)
	}
	if len(felt) == 2 {
		return b, nil
	}
	return b, b.interval(mass)
}

func line(mass, ratio, ones []float64) (Ballast, error) {
	b := Ballast{Low: math.NaN(), High: math.NaN(), Residual: math.NaN()}
	if len(mass) == 2 {
		b.PerKg = (ratio[1] - ratio[0]) / (mass[1] - mass[0])
		b.Fixed = ratio[0] - b.PerKg*mass[0]
		return b, nil
	}
	r, err := fatigue.Regress([][]float64{mass, ones}, ratio)
	if err != nil {
		return b, fmt.Errorf("fit ballast: %w", err)
	}
	b.PerKg, b.Fixed, b.Residual = r.Coefficients[0], r.Coefficients[1], r.ResidualSD
	return b, nil
}

// interval is where the line's own interval holds ratio 1: with t the quantile, s the
// residual deviation, g = t²s²/(PerKg²·Sxx) and m the mean of the masses,
//
//	m + ((Mass-m) ± t·s/PerKg·sqrt((Mass-m)²/Sxx + (1-g)/n)) / (1-g)
func (b *Ballast) interval(mass []float64) error {
	n, m, sxx := float64(len(mass)), meanOf(mass), 0.0
	for _, v := range mass {
		sxx += (v - m) * (v - m)
	}
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 2}.Quantile(0.975)
	g := t * t * b.Residual * b.Residual / (b.PerKg * b.PerKg * sxx)
	if !(g < 1) {
		return fmt.Errorf("fit ballast: the runs scatter too much to tell that stress rises with the mass; record longer, or masses further apart")
	}
	away := b.Mass - m
	half := t * b.Residual / b.PerKg * math.Sqrt(away*away/sxx+(1-g)/n)
	b.Low, b.High = m+(away-half)/(1-g), m+(away+half)/(1-g)
	return nil
}

// FeltBy is what a hot spot's gauge felt in a recording over what the recorded motion would make it feel on the track, the mean of its
// judged repeats: by rms, and by damage as the factor on that motion's stress that does the recorded damage. What the rig falls
// short of the drive is then no lack of mass. Repeats of one run share its mounting and its sensors, so that a run counts once.
func FeltBy(w Wanted, i int, r Recorded, mass float64) (rms, byDamage Felt) {
	rms, byDamage = Felt{Mass: mass, Ratio: math.NaN()}, Felt{Mass: mass, Ratio: math.NaN()}
	m, err := align(w, r)
	if err != nil {
		return rms, byDamage
	}
	var felt, did, judged float64
	for _, p := range m.repeats {
		if !p.shows {
			continue
		}
		one := m.repeat(p)
		y := w.followed(i, one)
		one.Gauges = nil
		x := w.followed(i, one)
		judged++
		felt += spread(y) / spread(x)
		did += w.Spots[i].factor(x, y)
	}
	rms.Ratio, byDamage.Ratio = felt/judged, did/judged
	return rms, byDamage
}

// factor is by how much x would have to grow about its mean at a hot spot to do what y
// does: found by halving, since damage rises with it.
func (s Watched) factor(x, y []float64) float64 {
	m := s.Meter
	want, err := m.Tally(y)
	if err != nil || !(want.Repeated > 0) {
		return math.NaN()
	}
	base := meanOf(x)
	at := func(f float64) float64 {
		z := make([]float64, len(x))
		for k, v := range x {
			z[k] = base + f*(v-base)
		}
		t, err := m.Tally(z)
		if err != nil {
			return math.NaN()
		}
		return t.Repeated
	}
	low, high := 0.01, 100.0
	if !(at(low) <= want.Repeated && at(high) >= want.Repeated) {
		return math.NaN()
	}
	for range 50 {
		mid := math.Sqrt(low * high)
		if at(mid) < want.Repeated {
			low = mid
		} else {
			high = mid
		}
	}
	return math.Sqrt(low * high)
}
