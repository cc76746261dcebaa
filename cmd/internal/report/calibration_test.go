package report

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages/frame"
)

// A reader is told the choice, the next and how far it is behind, three gains and an
// interval, linearity, what was not fitted, and the gate.
func TestCalibrationInWords(t *testing.T) {
	nan := math.NaN()
	type numbers = []float64
	s := sheet{frame.Must(nil,
		frame.Col("scenario", "", []string{"base", "base", "base", "soft", "base", "base"}),
		frame.Col("hotspot", "", []string{"toe", "toe", "lug", "lug", "eye", "rib"}),
		frame.Col("channel", "", []string{"acc_z", "acc_x", "acc_z", "acc_x+acc_z", "acc_y", ""}),
		frame.Col("unit", "", []string{"g", "g", "MPa", "MPa", "", ""}),
		frame.Col("transfer", "", []string{"gain", "gain", "frf", "sum", "gain", ""}),
		frame.Col("gain_mpa_per_unit", "MPa", numbers{8.37, 5.6, nan, nan, 4.1, nan}),
		frame.Col("gain_low_mpa_per_unit", "MPa", numbers{8.3, nan, nan, nan, nan, nan}),
		frame.Col("gain_high_mpa_per_unit", "MPa", numbers{8.44, nan, nan, nan, nan, nan}),
		frame.Col("gain_ls_mpa_per_unit", "MPa", numbers{8.2, 5.6, nan, nan, nan, nan}),
		frame.Col("gain_tls_mpa_per_unit", "MPa", numbers{8.37, nan, nan, nan, nan, nan}),
		frame.Col("gain_damage_mpa_per_unit", "MPa", numbers{8.4, nan, nan, nan, nan, nan}),
		frame.Col("factor", "", numbers{nan, nan, 1, 1.02, nan, nan}),
		frame.Col("coherence", "", numbers{0.99, 0.42, 0.97, 0.98, nan, nan}),
		frame.Col("damage_ratio", "", numbers{0.98, nan, nan, nan, nan, nan}),
		frame.Col("held_out_laps", "", numbers{0.97, nan, nan, nan, nan, nan}),
		frame.Col("held_out_laps_low", "", numbers{0.8, nan, nan, nan, nan, nan}),
		frame.Col("held_out_laps_high", "", numbers{1.1, nan, nan, nan, nan, nan}),
		frame.Col("laps", "", numbers{6, 6, 6, 6, nan, nan}), frame.Col("circuits", "", numbers{2, 2, 2, 2, nan, nan}),
		frame.Col("calibration_log10_sd", "", numbers{0.1, nan, nan, nan, nan, nan}),
		frame.Col("linear", "", []string{"true", "", "false", "", "", ""}),
		frame.Col("nonlinearity_term", "", []string{"softening", "", "hardening", "", "", ""}),
		frame.Col("nonlinearity", "", numbers{-0.021, nan, 0.4, nan, nan, nan}),
		frame.Col("hum", "", []string{"", "", "50 Hz in the gauge alone (3 MPa rms)", "", "", ""}),
		frame.Col("chosen", "", []bool{true, false, false, true, true, false}),
		frame.Col("reason", "", []string{"highest coherence", "less", "not used: not linear", "accepted although: x", "given", "not used: no lap"}))}
	want := []string{
		"toe follows acc_z with 8.37 MPa per g (95 % interval 8.30 to 8.44). Its coherence is 0.990, that of the next, acc_x, 0.420. " +
			"Least squares gives 8.20, total least squares 8.37, equal damage 8.40. Stress is linear in it (softening, -2.1 % where the damage is done). " +
			"The damage ratio is 0.980, on laps not fitted 0.970 (0.800 to 1.10); 6 laps on 2 circuits. " +
			"In the probability of failure it counts as a standard deviation of damage by a factor of 1.26. It passes its gate.",
		"lug follows acc_z through a frequency response, times 1.00. Its coherence is 0.970; there is no other channel to compare. " +
			"Stress is not linear in it (hardening, +40 % where the damage is done). It fails its gate and is not used. There is a hum at 50 Hz in the gauge alone (3 MPa rms).",
		"lug in soft follows acc_x+acc_z, a sum of channels, times 1.02. Its coherence is 0.980; there is no other channel to compare. " +
			"It fails its gate and is accepted by name: see the reason in the table.",
		"eye follows acc_y with 4.10 MPa per unit. It is given in the season file.",
		"rib: no calibration; not used: no lap.",
	}
	var got []string
	for i := range s.rows() {
		if settled(s, i) {
			got = append(got, fitWords(s, i))
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
