package damage

import (
	"math"

	"lapwear/fatigue"
	"lapwear/stages/count"
	"lapwear/stages/frame"
)

// crossCheck compares the lap's damage with what its spectrum would do if it were a stationary
// Gaussian signal: about 1 for one, more for kerbs and bursts. plain is the lap's damage by the curve alone, the residue as
// half cycles: a spectrum knows neither of mean stress nor of the ultimate stress, so that nothing but the load sets the two apart.
func (r *Row) crossCheck(law *fatigue.Law, cycles *frame.Frame, plain float64, t fatigue.Transfer) {
	r.NarrowBand, r.Dirlik = math.NaN(), math.NaN()
	m, ok := count.ReadMoments(cycles)
	if !ok {
		r.SpectralNote = "no spectrum: the lap is too short, its time uneven, or nothing vibrates"
		return
	}
	if _, own := law.Material().Curve.(fatigue.EquivalentStress); own {
		r.SpectralNote = "the curve holds its own mean-stress rule: no spectral damage"
		return
	}
	rate, err := law.Spectral(m.Scaled(t.Factor * t.Gain))
	if err != nil || !(rate.NarrowBand > 0) {
		r.SpectralNote = "no spectral damage: the spectrum is not that of a vibration, or does none"
		return
	}
	r.NarrowBand = plain / (rate.NarrowBand * r.Duration)
	if rate.Dirlik > 0 {
		r.Dirlik = plain / (rate.Dirlik * r.Duration)
	}
	if !law.Material().Mean.None() {
		r.SpectralNote = "the mean-stress rule is left out of both figures"
	}
}

// plainDamage is a lap's damage by the curve alone, without mean-stress rule and ultimate stress, the residue as half cycles.
func plainDamage(law *fatigue.Law, sum lapSum, closed fatigue.Cycles, residue fatigue.Points, t fatigue.Transfer) float64 {
	if law.Material().Mean.None() && sum.OverUltimate == 0 {
		return sum.asHalf
	}
	plain := law.Plain()
	return plain.Sum(closed, 1, t).Damage + plain.Sum(fatigue.HalfCycles(residue), 0.5, t).Damage
}
