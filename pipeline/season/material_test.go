package season

import (
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/fatigue"
)

// The ways to write a material. Stresses end in MPa.
func TestMaterialForms(t *testing.T) {
	curve := fatigue.Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 7, Beyond: fatigue.Beyond{Form: "same"}}
	const sn = "sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 7}"
	withMean := func(ultimate float64, m fatigue.MeanStress) fatigue.Material {
		return fatigue.Material{Name: "m", Survival: 0.5, Ultimate: ultimate, Curve: curve, Mean: m}
	}
	withCurve := func(c fatigue.Curve) fatigue.Material {
		return fatigue.Material{Name: "m", Survival: 0.5, Curve: c, Mean: fatigue.MeanStress{Rule: "none"}}
	}
	knee := func(b fatigue.Beyond, cutoff float64) fatigue.Material {
		c := curve
		c.Knee, c.Beyond, c.Cutoff = 5e6, b, cutoff
		return withCurve(c)
	}
	const toKnee = "sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 7, knee: 5e6"
	rows := []struct {
		reason, text string
		want         fatigue.Material
	}{
		{"no rule is none", sn, withMean(0, fatigue.MeanStress{Rule: "none"})},
		{"the rule as a word", sn + ", mean_stress: swt", withMean(0, fatigue.MeanStress{Rule: "swt"})},
		{"the rule as a mapping", sn + ", mean_stress: {rule: swt}", withMean(0, fatigue.MeanStress{Rule: "swt"})},
		{"the ultimate with the material", sn + ", ultimate: 310 MPa, mean_stress: goodman", withMean(310, fatigue.MeanStress{Rule: "goodman", Ultimate: 310})},
		{"the ultimate with the rule is the material's too", sn + ", mean_stress: {rule: gerber, ultimate: 310 MPa}", withMean(310, fatigue.MeanStress{Rule: "gerber", Ultimate: 310})},
		{"the ultimate in both, equal in two units", sn + ", ultimate: 0.31 GPa, mean_stress: {rule: goodman, ultimate: 310 MPa}",
			withMean(310, fatigue.MeanStress{Rule: "goodman", Ultimate: 310})},
		{"a property that the rule has no use for", sn + ", gamma: 0.6, mean_stress: swt", withMean(0, fatigue.MeanStress{Rule: "swt"})},
		{"morrow", sn + ", fatigue_strength: 900 MPa, mean_stress: morrow", withMean(0, fatigue.MeanStress{Rule: "morrow", FatigueStrength: 900})},
		{"walker", sn + ", mean_stress: {rule: walker, gamma: 0.65}", withMean(0, fatigue.MeanStress{Rule: "walker", Gamma: 0.65})},
		{"sensitivity", sn + ", m: 0.3, mean_stress: sensitivity", withMean(0, fatigue.MeanStress{Rule: "sensitivity", M: 0.3})},
		{"a sensitivity of 0 is a value", sn + ", mean_stress: {rule: sensitivity, m: 0}", withMean(0, fatigue.MeanStress{Rule: "sensitivity"})},
		{"a knee alone goes on as before", toKnee + "}", knee(fatigue.Beyond{Form: "same"}, 0)},
		{"flat", toKnee + ", beyond: flat}", knee(fatigue.Beyond{Form: "flat"}, 0)},
		{"a slope of its own, and a cut-off", toKnee + ", beyond: 5, cutoff: 1e8}", knee(fatigue.Beyond{Form: "slope", Slope: 5}, 1e8)},
		{"the handbook form in MPa", "sn: {kind: equivalent-stress, unit: MPa, a1: 15, a2: -4, a3: 0.5, a4: 0}",
			withCurve(fatigue.EquivalentStress{A1: 15, A2: -4, A3: 0.5, MPaPerUnit: 1})},
		{"a table in ksi", "sn: {kind: table, points: [[20 ksi, 1e5], [10 ksi, 1e7]]}",
			withCurve(fatigue.Table{Amplitudes: []float64{20 * fatigue.KSI, 10 * fatigue.KSI}, Lives: []float64{1e5, 1e7}})},
	}
	for _, row := range rows {
		s, faults := loadSmall(t, "", "materials.m={"+row.text+"}")
		if s == nil {
			t.Errorf("%s: faults %q", row.reason, faults)
			continue
		}
		if diff := cmp.Diff(row.want, s.Hotspots[0].Material); diff != "" {
			t.Errorf("%s (-want +got):\n%s", row.reason, diff)
		}
	}
}

// An anchor's value serves every alias.
func TestAliases(t *testing.T) {
	dir := small(t, map[string]string{"laps.csv": oneLap, "season.yaml": smallSeason +
		"damage: {reference_cycles: &n 2e6}\nscenarios: {s: {damage.reference_cycles: 3e6, materials.m.sn.cycles: *n}}\n"})
	s := loadValid(t, filepath.Join(dir, "season.yaml"), LoadOptions{})
	if c := s.Scenarios()[1].Season.Hotspots[0].Material.Curve.(fatigue.Power); c.RefCycles != 2e6 || s.Damage.ReferenceCycles != 2e6 {
		t.Errorf("cycles %v and %v, expected 2e6 for both", c.RefCycles, s.Damage.ReferenceCycles)
	}
}
