package report

import (
	"strings"
	"testing"

	"lapwear/stages/frame"
)

// plannedTest is an invented test of one hot spot and axis, all names hostile.
func plannedTest() *RigTest {
	name := func(v ...string) []string { return v }
	num := func(v ...float64) []float64 { return v }
	plan := frame.Must(nil, frame.Col("hotspot", "", name(hostile)), frame.Col("lap_id", "", name(hostile)), frame.Col("circuit", "", name("Brekkona")),
		frame.Col("lap_seconds", "s", num(90)), frame.Col("cut_seconds", "s", num(32)), frame.Col("pieces", "", num(25)),
		frame.Col("share_wanted", "", num(0.8)), frame.Col("share_kept", "", num(0.812)), frame.Col("repeats", "", num(862)),
		frame.Col("hours", "h", num(8.12)), frame.Col("hours_running", "h", num(7.78)), frame.Col("decided_by", "", name("bore")),
		frame.Col("method", "", name("pass")), frame.Col("reached_over_wanted", "", num(1.17)), frame.Col("mix_reached_over_wanted", "", num(1.05)),
		frame.Col("mix_hours_running", "h", num(9.38)), frame.Col("mix_band", "", num(0.1)), frame.Col("mix_refused", "", name("")))
	outline := frame.Must(nil, frame.Col("channel", "", name("acc_z", "acc_z")), frame.Col("from_s", "s", num(0, 1)), frame.Col("to_s", "s", num(1, 2)),
		frame.Col("low_unit", "", num(-1, -4)), frame.Col("high_unit", "", num(1, 5)), frame.Col("kept", "", num(0, 1)))
	motion := frame.Must(nil, frame.Col("axis", "", name("acc_z", "acc_z")), frame.Col("quantity", "", name("displacement", "acceleration")),
		frame.Col("unit", "", name("m", "m/s2")), frame.Col("peak", "", num(0.018, 150)), frame.Col("peak_at_s", "s", num(0.2, 0.1)), frame.Col("rms", "", num(0.004, 18)),
		frame.Col("span", "", num(0.036, 200)), frame.Col("limit", "", num(0.05, 137)))
	drive := frame.Must(nil, frame.Col("time_s", "s", num(0, 0.1, 0.2)), frame.Col("acc_z_g", "g", num(0, 15, 1)), frame.Col("acc_z_displacement_mm", "mm", num(0, 1, 18)))
	return &RigTest{Plan: []Table{{"plan", plan}, {"outline", outline}, {"motion", motion}, {driveTable, drive}}}
}

func checkedTest() *RigTest {
	t := plannedTest()
	name := func(v ...string) []string { return v }
	num := func(v ...float64) []float64 { return v }
	t.Check = []Table{{Name: "iterations", Frame: frame.Must(nil,
		frame.Col("recording", "", name("one.csv", hostile)), frame.Col("hotspot", "", name("toe", "toe")),
		frame.Col("damage_ratio", "", num(0.6, 0.97)), frame.Col("rms_error", "", num(0.2, 0.03)), frame.Col("so_far_over_wanted", "", num(0.01, 0.02)))}}
	t.Ballast = []Table{{Name: "ballast", Frame: frame.Must(nil, frame.Col("hotspot", "", name("toe", "toe")), frame.Col("by", "", name("rms", "damage")),
		frame.Col("mass_kg", "kg", num(14.2, 0)), frame.Col("mass_low_kg", "kg", num(13.9, 0)), frame.Col("mass_high_kg", "kg", num(14.5, 0)),
		frame.Col("stress_over_track_per_kg", "1/kg", num(0.06, 0)), frame.Col("stress_over_track_fixed", "", num(0.1, 0)), frame.Col("refused", "", name("", "fit ballast: too wide")))}}
	return t
}

func TestRigTestOnThePage(t *testing.T) {
	for _, c := range []struct {
		reason  string
		rig     *RigTest
		has     []string
		hasNone []string
	}{
		{"no plan", nil, nil, []string{`id="rigtest"`, `id="rigcheck"`}},
		{"a plan that is out of date", (&RigTest{}).Leave("older than the season"), []string{`id="rigtest"`, "older than the season"}, []string{"plan-table"}},
		{"a plan alone", plannedTest(), []string{"from 90.0 to 32.0 s, in 25 pieces", "At least 81.2 %", "862 repeats take 8.12 h", "runs 9.38 h",
			"what is kept of lap", "fill behind", "Hardest moment for the rig: acceleration of acc_z", "109.5 % of the rig’s limit", "✗ beyond", "✓ within"},
			[]string{`id="rigcheck"`}},
		{"a rig that ran", checkedTest(), []string{"does 0.970 times the drive’s damage with an rms error of 3.0 %", "2.0 % of the wanted",
			"14.2 kg gives the track’s stress (95 %: 13.9 to 14.5 kg)", "none is given; fit ballast: too wide", "recording by recording"}, nil},
	} {
		page := rendered(t, &Page{Component: "c", Season: "s", Rig: c.rig})
		for _, want := range c.has {
			if !strings.Contains(page, want) {
				t.Errorf("%s: the page lacks %q", c.reason, want)
			}
		}
		for _, bad := range append(c.hasNone, "window.broken=1</script>") {
			if strings.Contains(page, bad) {
				t.Errorf("%s: the page holds %q", c.reason, bad)
			}
		}
	}
}
