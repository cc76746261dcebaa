package cli

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/pipeline/season"
	"lapwear/stages/frame"
)

// The limits are this program's own: common practice, no source.
func TestDoubtTimes(t *testing.T) {
	seconds, ms := season.Time{Column: "TIME", Scale: 1}, season.Time{Column: "TIME", Scale: 1e-3}
	laps := func(seconds ...float64) (out []usedLap) {
		for _, s := range seconds {
			out = append(out, usedLap{duration: s})
		}
		return out
	}
	tests := []struct {
		reason string
		time   season.Time
		laps   []usedLap
		rates  []float64
		want   string // begins with
	}{
		{"as usual", seconds, laps(90, 95, 100), []float64{1000, 1000, 500}, ""},
		{"one lap of three is short: the check duration is for that", seconds, laps(0.09, 95, 100), []float64{1000}, ""},
		{"stamps in s taken for ms", ms, laps(0.06, 0.06, 0.06), []float64{2e5, 2e5, 5e5},
			"the laps last 0.06 s at the median, and the channels have 200000 Hz at the median: is the time right? with time: {unit: s} they last 60 s, at 200 Hz"},
		{"stamps in s taken for min", season.Time{Column: "TIME", Scale: 60}, laps(3600), []float64{1000. / 60},
			"the laps last 3600 s at the median: is the time right? with time: {unit: s} they last 60 s, at 1000 Hz"},
		{"short laps without a time column: no unit to propose", season.Time{Rate: 1000}, laps(1), []float64{1000}, "the laps last 1 s at the median: is the time right?"},
		{"a clock", season.Time{Column: "TIME", Scale: 1, Clock: true}, laps(95), []float64{1}, "the channels have 1 Hz at the median: is the time right?"},
		{"no laps", seconds, nil, nil, ""},
	}
	for _, tt := range tests {
		got := strings.Join(doubtTimes(&season.Season{Time: tt.time}, tt.laps, tt.rates), "\n")
		if diff := cmp.Diff(tt.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}

func TestDoubtHeavy(t *testing.T) {
	s := &season.Season{Hotspots: []season.Hotspot{{Name: "toe"}, {Name: "bore"}}}
	laps := []usedLap{
		{"A", "Hill", "toe", "season", 90, 3, 0, false}, {"B", "Hill", "toe", "season", 90, 1, 0, false}, {"C", "Lake", "toe", "both", 90, 5, 0, false},
		{"D", "Lake", "toe", "calibration", 90, 500, 0, false}, {"A", "Hill", "bore", "season", 90, 0, 0, false}, {"C", "Lake", "bore", "season", 90, 0, 0, false}}
	shares := map[[2]string]float64{{"toe", "Hill"}: 0.4, {"toe", "Lake"}: 0.6, {"bore", "Hill"}: 0, {"bore", "Lake"}: 0}
	says := func(lap, share, check string) string {
		return "lap " + lap + " holds " + share + " of the season's damage at toe and has findings (" + check + "): look at its recording before you believe the life"
	}
	warned := func(laps ...string) (out []season.Warned) {
		for _, l := range laps {
			out = append(out, season.Warned{Lap: l, Checks: []string{"spikes"}})
		}
		return out
	}
	tests := []struct {
		reason string
		warned []season.Warned
		want   []string
	}{
		{"no findings", nil, nil},
		{"three quarters of a circuit with 40 %", warned("A"), []string{says("A", "30.0 %", "spikes")}},
		{"a quarter of it is little", warned("B"), nil},
		{"a lap alone on its circuit holds all of its share; one that calibrates does not count", warned("C", "D"), []string{says("C", "60.0 %", "spikes")}},
	}
	for _, tt := range tests {
		if diff := cmp.Diff(tt.want, doubtHeavy(s, tt.warned, laps, shares)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}

// Laps that go far beyond the stress of the calibration are told of as a whole.
func TestDoubtReach(t *testing.T) {
	s := &season.Season{Hotspots: []season.Hotspot{{Name: "toe", StressFactor: 2}, {Name: "bore", StressFactor: 1}}}
	fits := frame.Must(nil, frame.Col("hotspot", "", []string{"toe", "toe", "bore", "toe"}), frame.Col("scenario", "", []string{"base", "base", "base", "x"}),
		frame.Col("chosen", "", []bool{false, true, true, true}), frame.Col("calibrated_amplitude_mpa", "MPa", []float64{9, 40, 60, 7}))
	laps := []usedLap{{id: "A", hotspot: "toe", amplitude: 90, outside: true}, {id: "B", hotspot: "toe", amplitude: 200, outside: true},
		{id: "C", hotspot: "toe", amplitude: 70}, {id: "C", hotspot: "bore", amplitude: 80}}
	want := []string{"at toe, 2 laps go far beyond the stress at which it was calibrated, lap B up to 2.5 times: the gain is not proven there; calibrate on harder laps"}
	if diff := cmp.Diff(want, doubtReach(s, laps, fits)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
