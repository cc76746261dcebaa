package season

import (
	"math"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages/calibrate"
)

func TestCalibrationSection(t *testing.T) {
	const section = "calibration: {max_lag: 5 ms, high_pass: 0, slope: 7, combine: 3, gain: damage, seed: 4, min_coherence: 0.9," +
		" max_nonlinearity: 5 %, max_excess: 12 %, max_spread: 8 %, max_ripple: 15 %, damage_ratio: [0.8, 1.25], min_laps: 3, min_circuits: 2, proven_laps: 6, proven_circuits: 3}\n"
	s, faults := loadSmall(t, section)
	if faults != nil {
		t.Fatal(faults)
	}
	want := Calibration{
		Fitting: calibrate.Fitting{MaxLag: 0.005, Slope: 7, MaxBend: 0.05, MaxExcess: 0.12, Combine: 3, Gain: calibrate.GainDamage, Seed: 4},
		Limits: calibrate.Limits{MinCoherence: 0.9, MaxLag: 0.005, MaxBend: 0.05, MaxExcess: 0.12, MaxSpread: 0.08, MaxRipple: 0.15, RatioLow: 0.8, RatioHigh: 1.25,
			MinLaps: 3, MinCircuits: 2, ProvenLaps: 6, ProvenRounds: 3},
		Stated: true,
	}
	if diff := cmp.Diff(want, s.Calibration); diff != "" {
		t.Errorf("calibration (-want +got):\n%s", diff)
	}
}

// At steep slopes limits that are not stated are those of slope 8 in stress: 2^(1/8).
func TestLimitsAtASlope(t *testing.T) {
	for _, tt := range []struct {
		stated                  bool
		slope, low, high, slack float64
	}{{false, 5, 0.5, 2, 0}, {false, 8, 0.5, 2, 0}, {false, 12, math.Pow(0.5, 1.5), math.Pow(2, 1.5), 1e-15}, {true, 12, 0.5, 2, 0}} {
		c := Calibration{Limits: calibrate.Limits{RatioLow: 0.5, RatioHigh: 2}, Stated: tt.stated}
		if l := c.limits(tt.slope); math.Abs(l.RatioLow-tt.low) > tt.slack || math.Abs(l.RatioHigh-tt.high) > tt.slack {
			t.Errorf("slope %v, stated %v: %v to %v, want %v to %v", tt.slope, tt.stated, l.RatioLow, l.RatioHigh, tt.low, tt.high)
		}
	}
}

func TestCalibrationFaults(t *testing.T) {
	for _, tt := range []struct{ reason, add, want string }{
		{"a lag without a unit", "calibration: {max_lag: 5}\n", `"5" has no unit`},
		{"a coherence above 1", "calibration: {min_coherence: 1.2}\n", `"min_coherence" of calibration is 1.2, expected from 0 to 1`},
		{"half a lap", "calibration: {min_laps: 2.5}\n", `"min_laps" of calibration is 2.5, expected a whole number from 1`},
		{"a ratio that leaves 1 out", "calibration: {damage_ratio: [1.5, 2]}\n", `goes from 1.5 to 2, expected from below 1 to above 1`},
		{"a ratio that is one number", "calibration: {damage_ratio: 2}\n", `"damage_ratio" of calibration is not a list of two numbers; write damage_ratio: [0.5, 2]`},
		{"an unknown gain", "calibration: {gain: tsl}\n", `"gain" of calibration is "tsl", expected one of "auto", "ls", "tls", "damage"; did you mean "tls"?`},
		{"an unknown key", "calibration: {min_lap: 2}\n", `unknown key "min_lap" in calibration; did you mean "min_laps"?`},
	} {
		_, faults := loadSmall(t, tt.add)
		if text := strings.Join(faults, "\n"); !strings.Contains(text, tt.want) {
			t.Errorf("%s: %s, want %s", tt.reason, text, tt.want)
		}
	}
}

// A frequency response of one channel and a sum of several do not go together.
func TestResponseIsOfOneChannel(t *testing.T) {
	const spot = "hotspots.h={gauge: c, modulus: 70 GPa, follow: auto, material: al-7075-t6, transfer: frf}"
	_, faults := loadSmall(t, "calibration: {combine: 2}\n", spot)
	want := `hotspot "h" has "transfer" frf, which follows one channel, but calibration has "combine" 2; leave combine out, or give transfer: gain`
	if text := strings.Join(faults, "\n"); !strings.Contains(text, want) {
		t.Errorf("faults %s, want %s", text, want)
	}
	for _, add := range []string{"", "calibration: {combine: 1}\n"} {
		_, faults := loadSmall(t, add, spot)
		if text := strings.Join(faults, "\n"); strings.Contains(text, "combine") {
			t.Errorf("with %q: %v", add, text)
		}
	}
}

func TestTransferNeedsAGauge(t *testing.T) {
	for _, key := range []string{"transfer=frf", "direction=positive", `accept={lag: "one clock"}`} {
		_, faults := loadSmall(t, "", "hotspots.h."+key)
		name, _, _ := strings.Cut(key, "=")
		if text := strings.Join(faults, "\n"); !strings.Contains(text, `hotspot "h" has "`+name+`" but no gauge; leave it out`) {
			t.Errorf("%s: %s", key, text)
		}
	}
}

// A modulus in the wrong unit moves every stress: it is warned of, since nothing else shows.
func TestModulusIsPlausible(t *testing.T) {
	const gauged = `lapwear: 1
season: a
component: b
laps: laps.csv
time: {rate: 1 kHz}
channels: {a: {column: A, unit: g}, toe: {column: S, unit: ustrain}}
hotspots: {h: {gauge: toe, modulus: 71 GPa, material: m}}
materials: {m: {sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 7}}}
`
	for _, tt := range []struct{ modulus, want string }{
		{"71 GPa", ""}, {"1 GPa", ""}, {"1000 GPa", ""},
		{"71 MPa", `has a modulus of 0.071 GPa; structural materials have 1 to 1000 GPa: is the unit right?; write modulus: 71 GPa for aluminium, 210 GPa for steel`},
		{"71e9 GPa", "has a modulus of 7.1e+10 GPa"},
	} {
		dir := small(t, map[string]string{"season.yaml": strings.Replace(gauged, "71 GPa", tt.modulus, 1), "laps.csv": "lap_id,file,circuit,use\nL,l.csv,X,both\n"})
		s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
		if faults != nil {
			t.Fatal(faults)
		}
		if got := strings.Join(short(dir, s.Warnings), "\n"); !strings.Contains(got, tt.want) || tt.want == "" && got != "" {
			t.Errorf("%s: warnings %q, want %q", tt.modulus, got, tt.want)
		}
	}
}
