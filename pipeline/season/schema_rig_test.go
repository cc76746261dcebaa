package season

import (
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages/rig"
)

// rigOf loads the test season with text added.
func rigOf(t *testing.T, text string) (*Season, []string) {
	t.Helper()
	dir := copyTree(t, "testdata/season")
	row := damagedFile{file: "season.yaml", old: "target: {", text: text + "\ntarget: {"}
	row.apply(t, dir)
	s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
	return s, short(dir, faults)
}

// usualTest is what holds without the key test.
func usualTest() Test {
	return Test{Share: 0.8, Blend: 0.1, Method: rig.Pass, Specimens: 3, Reliability: 0.9, Confidence: 0.9, Level: 1, MixBand: 0.1, Q: 10}
}

// 1 g is 9.80665 m/s² (3rd CGPM, 1901); the other units are of the SI.
func TestRigAndTestAreRead(t *testing.T) {
	defaults := usualTest()
	all := Test{Share: 0.9, Blend: 0.2, Method: rig.Demonstration, Specimens: 5, Reliability: 0.95, Confidence: 0.8, Dwell: 2,
		InspectEvery: 8 * 3600, InspectTakes: 1800, Mass: 14, Level: 0.95, MixBand: 0.2, Q: 25, Slope: 6, Random: 36000}
	for _, c := range []struct {
		reason, text string
		rig          Rig
		test         Test
	}{
		{"neither", "", Rig{}, defaults},
		{"all of both", `rig: {drive: [acc_z], rate: 2 kHz, band: [0.8 Hz, 50 Hz], stroke: 50 mm, velocity: 0.8 m/s, acceleration: 6 g, payload: 60 kg}
test: {share: 90 %, blend: 200 ms, method: demonstration, specimens: 5, reliability: 95 %, confidence: 80 %, dwell: 2 s, mass: 14 kg,
  level: 0.95, mix_band: 20 %, quality: 25, slope: 6, random: 10 h, inspection: {every: 8 h, takes: 30 min}}`,
			Rig{Drive: []string{"acc_z"}, Rate: 2000, BandLow: 0.8, BandHigh: 50, Stroke: 0.05, Velocity: 0.8, Acceleration: 6 * 9.80665, Payload: 60}, all},
		{"one axis without a list; an open band", "rig: {drive: acc_z, band: [0, 50 Hz]}", Rig{Drive: []string{"acc_z"}, BandHigh: 50}, defaults},
	} {
		s, faults := rigOf(t, c.text)
		if faults != nil {
			t.Errorf("%s: %v", c.reason, faults)
			continue
		}
		if d := cmp.Diff(c.rig, s.Rig); d != "" {
			t.Errorf("%s: rig (-want +got):\n%s", c.reason, d)
		}
		if d := cmp.Diff(c.test, s.Test); d != "" {
			t.Errorf("%s: test (-want +got):\n%s", c.reason, d)
		}
	}
}

func TestRigFaults(t *testing.T) {
	for _, c := range []struct{ reason, text, want string }{
		{"a misspelt key", "rig: {stroek: 50 mm}", `season.yaml:40:7: unknown key "stroek" in rig; did you mean "stroke"?`},
		{"a stroke without a unit", "rig: {stroke: 50}", `season.yaml:40:15: "stroke" of rig: "50" has no unit, accepted for a length: m, mm, km, mi, ft`},
		{"a band turned over", "rig: {band: [50 Hz, 1 Hz]}", `season.yaml:40:13: band of rig ends at 1 Hz, expected more than its beginning at 50 Hz; raise its end, or lower its beginning`},
		{"a band beyond half the rate", "rig: {rate: 80 Hz, band: [1 Hz, 50 Hz]}", `season.yaml:40:26: band of rig reaches 50 Hz, expected at most half of its rate of 80 Hz; raise rig: rate to 500 Hz or more`},
		{"a drive that is no channel", "rig: {drive: acc_q}", `season.yaml:40:14: "drive" of rig is "acc_q", expected the name of a channel; did you mean "acc_z"?`},
		{"a drive twice", "rig: {drive: [acc_z, acc_z]}", `season.yaml:40:22: the rig is to follow "acc_z" twice; keep one`},
		{"no drive", "rig: {drive: []}", `season.yaml:40:14: "drive" of rig names no channel; write drive: [acc_z]`},
		{"a whole share", "test: {share: 100 %}", `season.yaml:40:15: "share" of test is 100 %, expected between 0 and 100 %`},
		{"half a specimen", "test: {specimens: 2.5}", `season.yaml:40:19: "specimens" of test is 2.5, expected a whole number from 1`},
		{"a method that is none", "test: {method: fail}", `season.yaml:40:16: "method" of test is "fail", expected one of "pass", "demonstration", "failure"`},
		{"inspections without an interval", "test: {inspection: {takes: 1 h}}", `season.yaml:40:20: inspection has no "every"; write inspection: {every: 8 h, takes: 30 min}`},
	} {
		_, faults := rigOf(t, c.text)
		if d := cmp.Diff([]string{c.want}, faults); d != "" {
			t.Errorf("%s (-want +got):\n%s", c.reason, d)
		}
	}
}
