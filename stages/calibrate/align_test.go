package calibrate

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// recorded is a signal from a time in s on.
func recorded(rate, start float64, x []float64, times ...float64) *frame.Frame {
	cols := []frame.Column{frame.Col("value", "g", x)}
	if times != nil {
		cols = append(cols, frame.Col("time_s", "s", times))
	}
	return frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", rate), frame.Num("start_s", "s", start)}, cols...)
}

func TestAligned(t *testing.T) {
	type numbers = []float64
	tests := []struct {
		reason         string
		gauge, channel *frame.Frame
		want           common
	}{
		{"equal axes", recorded(100, 7, numbers{1, 2, 3}), recorded(100, 7, numbers{4, 5, 6}),
			common{numbers{1, 2, 3}, numbers{4, 5, 6}, 100, 0, true}},
		{"the gauge begins two samples later and ends with the channel", recorded(100, 7.02, numbers{3, 4}), recorded(100, 7, numbers{5, 6, 7, 8}),
			common{numbers{3, 4}, numbers{7, 8}, 100, 0, true}},
		{"it begins earlier and ends earlier", recorded(100, 6.99, numbers{1, 2, 3}), recorded(100, 7, numbers{5, 6, 7, 8}),
			common{numbers{2, 3}, numbers{5, 6}, 100, 0, true}},
		{"it begins 1.3 steps later: what is left of a step is told", recorded(100, 7.013, numbers{1, 2, 3}), recorded(100, 7, numbers{5, 6, 7, 8}),
			common{numbers{1, 2, 3}, numbers{6, 7, 8}, 100, 0.003, true}},
		{"0.7 steps later: the nearest is the next", recorded(100, 7.007, numbers{1, 2, 3}), recorded(100, 7, numbers{5, 6, 7, 8}),
			common{numbers{1, 2, 3}, numbers{6, 7, 8}, 100, -0.003, true}},
		{"stamps of one recording, each lacks another sample", recorded(100, 7, numbers{1, 2, 4, 5}, 7, 7.011, 7.029, 7.04),
			recorded(100, 7, numbers{5, 7, 8, 9}, 7, 7.021, 7.029, 7.04),
			common{numbers{1, 4, 5}, numbers{5, 8, 9}, 100, 0, false}},
		{"uniform against stamps that are rounded", recorded(700, 0, numbers{1, 2, 4}, 0, 0.001, 0.004), recorded(700, 0, numbers{5, 6, 7, 8}),
			common{numbers{1, 2, 4}, numbers{5, 6, 8}, 700, (0 + (0.001 - 1/700.0) + (0.004 - 3/700.0)) / 3, false}},
		{"of two that are within half a step, the nearer", recorded(100, 7, numbers{1, 2}, 7.004, 7.02), recorded(100, 7, numbers{5, 6, 7}, 7, 7.005, 7.02),
			common{numbers{1, 2}, numbers{6, 7}, 100, -0.0005, false}},
	}
	near := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-12 })
	for _, tt := range tests {
		got, err := aligned(tt.gauge, tt.channel)
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		if diff := cmp.Diff(tt.want, got, cmp.AllowUnexported(common{}), near); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}

func TestAlignedRefuses(t *testing.T) {
	tests := []struct {
		reason         string
		gauge, channel *frame.Frame
		want           string
	}{
		{"unlike rates", recorded(500, 7, []float64{1, 2}), recorded(1000, 7, []float64{1, 2, 3, 4}),
			"the gauge has 500 Hz, the channel 1000 Hz; give both one rate: set rate under signal in the season file"},
		{"nothing in common", recorded(100, 9, []float64{1, 2}), recorded(100, 7, []float64{1, 2, 3}),
			"the gauge goes from 9 to 9.01 s, the channel from 7 to 7.02 s, and they have 0 samples in common; correct the recording or take the lap out of the calibration"},
		{"one sample in common", recorded(100, 7.02, []float64{1, 2}), recorded(100, 7, []float64{1, 2, 3}),
			"the gauge goes from 7.02 to 7.03 s, the channel from 7 to 7.02 s, and they have 1 samples in common; correct the recording or take the lap out of the calibration"},
		{"nothing in common, with stamps", recorded(100, 9, []float64{1, 2}, 9, 9.02), recorded(100, 7, []float64{1, 2, 3}),
			"the gauge goes from 9 to 9.02 s, the channel from 7 to 7.02 s, and they have 0 samples in common; correct the recording or take the lap out of the calibration"},
	}
	for _, tt := range tests {
		_, err := aligned(tt.gauge, tt.channel)
		var r *stages.Refusal
		if !errors.As(err, &r) || r.Reason != tt.want {
			t.Errorf("%s: error %v, want the refusal %q", tt.reason, err, tt.want)
		}
	}
}

// Law: whatever either signal lacks, at its ends or within, the pairs are samples of one
// instant, and all that there are.
func TestAlignedPairsEqualInstants(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 14))
	for round := range 200 {
		n := 2 + rng.IntN(300)
		stamps := make([]float64, n)
		for i := range stamps {
			stamps[i] = 12 + (float64(i)+0.4*rng.Float64())/1000
		}
		var have [2][]bool
		var frames [2]*frame.Frame
		for f := range frames {
			have[f] = make([]bool, n)
			var x, times []float64
			for i := range n {
				if have[f][i] = rng.IntN(10) > 0; have[f][i] {
					x, times = append(x, float64(i)), append(times, stamps[i])
				}
			}
			if len(x) == 0 {
				x, times = []float64{0}, stamps[:1]
				have[f][0] = true
			}
			frames[f] = recorded(1000, times[0], x, times...)
		}
		var want []float64
		for i := range n {
			if have[0][i] && have[1][i] {
				want = append(want, float64(i))
			}
		}
		got, err := aligned(frames[0], frames[1])
		if len(want) < 2 {
			if err == nil {
				t.Fatalf("round %d: no refusal", round)
			}
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(common{want, want, 1000, 0, false}, got, cmp.AllowUnexported(common{})); diff != "" {
			t.Fatalf("round %d (-want +got):\n%s", round, diff)
		}
	}
}

// A lap whose gauge begins later is fitted by its common part; the refusal names the lap.
func TestFitAligns(t *testing.T) {
	x := []float64{1, -2, 3, 5, -4, 2, 7, -1}
	gauge := make([]float64, 0, len(x))
	for _, v := range x[2:7] {
		gauge = append(gauge, 8*v+3)
	}
	in := func(gauge *frame.Frame) stages.Inputs {
		return stages.Inputs{Frames: []stages.Input{{Label: Label("K", "toe"), Frame: gauge}, {Label: Label("K", "acc_z"), Frame: recorded(1000, 7, x)}}}
	}
	p := Params{Laps: []string{"K"}, Gauge: "toe", GaugeScale: 1, Candidates: []string{"acc_z"}, Fitting: usualFitting()}
	if gain := chosen(t, fit(t, p, in(recorded(1000, 7.002, gauge)))).at("gain_mpa_per_unit"); math.Abs(gain-8) > 1e-12 {
		t.Errorf("gain %v, want 8", gain)
	}
	_, err := p.Run(t.Context(), in(recorded(500, 7.002, gauge)))
	var r *stages.Refusal
	if !errors.As(err, &r) || !strings.HasPrefix(r.Reason, `fit gauge "toe" to channel "acc_z", lap "K": the gauge has 500 Hz`) {
		t.Errorf("error %v, want a refusal that names the lap", err)
	}
}
