package damage

import (
	"math"

	"lapwear/fatigue"
	"lapwear/stages/count"
	"lapwear/stages/frame"
)

// crossCheck compares the lap's damage with what its spectrum would do if it were a stationary
// Gaussian signal: about 1 for one, more for kerbs and bursts.
func (r *Row) crossCheck(law *fatigue.Law, cycles *frame.Frame, damage float64, t fatigue.Transfer) {
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
	r.NarrowBand = damage / (rate.NarrowBand * r.Duration)
	if rate.Dirlik > 0 {
		r.Dirlik = damage / (rate.Dirlik * r.Duration)
	}
	if rule := law.Material().Mean.Rule; rule != fatigue.MeanNone && rule != "" {
		r.SpectralNote = "the spectrum knows no mean stress; the rainflow figure does"
	}
}
