package calibrate

import (
	"math"
	"testing"
)

// What the calibration leaves open is a scatter of the gain: at every slope damage scatters by the slope times as much (the logarithm's
// derivative), and never less than the gain's own interval says. The slope at which candidates are
// ranked has no say in it.
func TestGainScatterIsNotThatOfDamage(t *testing.T) {
	laps := usual().make()
	p := paramsOf(laps)
	out := fit(t, p, inputsOf(laps, usual().rate))
	c := chosen(t, out)
	own := (c.at("gain_high_mpa_per_unit") - c.at("gain_low_mpa_per_unit")) / (2 * 1.96 * c.at("gain_mpa_per_unit")) / math.Ln10
	for _, slope := range p.Fitting.slopes() {
		sd := c.at(AtSlope(GainSD, slope))
		if d := c.at(AtSlope("calibration_log10_sd", slope)); math.Abs(d-slope*sd) > 1e-12 || sd < own*(1-1e-9) || !(own > 0) {
			t.Errorf("slope %v: scatter of damage %v, of the gain %v, of its interval %v", slope, d, sd, own)
		}
	}
	p.Fitting.Slope = 12
	again := chosen(t, fit(t, p, inputsOf(laps, usual().rate)))
	at := AtSlope(GainSD, p.Fitting.slopes()[0])
	if got, want := again.at(at), c.at(at); got != want {
		t.Errorf("ranked at slope 12 the gain scatters by %v, at 5 by %v", got, want)
	}
}
