package calibrate

import (
	"math"
	"testing"
)

// What the calibration leaves open is a scatter of the gain: at every slope damage scatters by the slope times as much (the logarithm's
// derivative), and never less than the gain's own interval says. It does not grow with the slope as damage does.
func TestGainScatterIsNotThatOfDamage(t *testing.T) {
	laps := usual().make()
	var sds []float64
	for _, slope := range []float64{3, 5, 12} {
		p := paramsOf(laps)
		p.Fitting.Slope = slope
		c := chosen(t, fit(t, p, inputsOf(laps, usual().rate)))
		sd := c.at(GainSD)
		own := (c.at("gain_high_mpa_per_unit") - c.at("gain_low_mpa_per_unit")) / (2 * 1.96 * c.at("gain_mpa_per_unit")) / math.Ln10
		if d := c.at("calibration_log10_sd"); math.Abs(d-slope*sd) > 1e-12 || sd < own*(1-1e-9) || !(own > 0) {
			t.Errorf("slope %v: scatter of damage %v, of the gain %v, of its interval %v", slope, d, sd, own)
		}
		sds = append(sds, sd)
	}
	if sds[2] > 2.5*sds[0] { // four laps held out say a little more at a higher slope
		t.Errorf("scatter of the gain by slopes 3, 5, 12: %v", sds)
	}
}
