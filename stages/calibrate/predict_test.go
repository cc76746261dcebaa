package calibrate

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// predictSum predicts 1 MPa/g of a plus 10 MPa/g of b.
func predictSum(a, b *frame.Frame) (signal, error) {
	tf := transferFrame([]term{{"a", []float64{1}}, {"b", []float64{10}}}, 100)
	out, err := Predict{}.Run(context.Background(), stages.Inputs{Frames: []stages.Input{
		{Label: "a", Frame: a}, {Label: "b", Frame: b}, {Label: TransferInput, Frame: tf}}})
	if err != nil {
		return signal{}, err
	}
	return readSignal(out[0].Frame)
}

// Samples are added that were taken at one time, whatever their numbers.
func TestPredictAddsByTime(t *testing.T) {
	type numbers = []float64
	for _, tt := range []struct {
		reason string
		a, b   *frame.Frame
		want   signal
	}{
		{"equal axes", recorded(100, 7, numbers{1, 2, 3}), recorded(100, 7, numbers{4, 5, 6}),
			signal{x: numbers{41, 52, 63}, rate: 100, start: 7}},
		{"the last cell of one is empty: their common span", recorded(100, 7, numbers{1, 2, 3}), recorded(100, 7, numbers{4, 5}),
			signal{x: numbers{41, 52}, rate: 100, start: 7}},
		{"one lacks the first samples, the other as many of the last", recorded(100, 7, numbers{1, 2, 3}), recorded(100, 7.01, numbers{5, 6, 7}),
			signal{x: numbers{52, 63}, rate: 100, start: 7.01}},
		{"one begins earlier", recorded(100, 7, numbers{1, 2, 3}), recorded(100, 6.98, numbers{7, 8, 4, 5, 6}),
			signal{x: numbers{41, 52, 63}, rate: 100, start: 7}},
		{"a gap keeps the times", recorded(100, 7, numbers{1, 2, 3}, 7, 7.01, 7.05), recorded(100, 7, numbers{4, 5, 6}, 7, 7.01, 7.05),
			signal{x: numbers{41, 52, 63}, times: numbers{7, 7.01, 7.05}, rate: 100, start: 7}},
		{"a sample that one lacks is left out", recorded(100, 7, numbers{1, 3, 4}, 7, 7.02, 7.03), recorded(100, 7, numbers{4, 5, 6, 7}),
			signal{x: numbers{41, 63, 74}, times: numbers{7, 7.02, 7.03}, rate: 100, start: 7}},
	} {
		got, err := predictSum(tt.a, tt.b)
		near := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-12 })
		if diff := cmp.Diff(tt.want, got, cmp.AllowUnexported(signal{}), near); diff != "" || err != nil {
			t.Errorf("%s (-want +got):\n%s%v", tt.reason, diff, err)
		}
	}
}

// Law: two channels that take one vibration 0.4 steps apart add up to it, as they do
// when they take it at once; within 1e-3 off the ends.
func TestPredictBridgesAPartOfAStep(t *testing.T) {
	for _, behind := range []float64{0.4, -0.3, 2.4, -7.5} {
		at := func(from float64) *frame.Frame {
			x := make([]float64, 400)
			for i := range x {
				x[i] = math.Sin(2 * math.Pi * 17 * (from + float64(i)/100))
			}
			return recorded(100, from, x)
		}
		got, err := predictSum(at(3), at(3+behind/100))
		if err != nil {
			t.Fatal(err)
		}
		for i := 64; i < len(got.x)-64; i++ {
			if want := 11 * math.Sin(2*math.Pi*17*got.at(i)); math.Abs(got.x[i]-want) > 11e-3 {
				t.Fatalf("%v steps apart: at %v s %v, want %v", behind, got.at(i), got.x[i], want)
			}
		}
	}
}

func TestPredictRefuses(t *testing.T) {
	type numbers = []float64
	for _, tt := range []struct {
		reason string
		a, b   *frame.Frame
		want   string
	}{
		{"unlike rates", recorded(100, 7, numbers{1, 2}), recorded(200, 7, numbers{1, 2}),
			`channel "b" has 200 Hz, "a" has 100 Hz; set signal.rate, or follow one channel`},
		{"nothing in common", recorded(100, 7, numbers{1, 2}), recorded(100, 8, numbers{1, 2}),
			`"b" goes from 8 to 8.01 s, "a" from 7 to 7.01 s, and they have 0 samples in common; correct the recording or leave the lap out`},
		{"stamps between each other", recorded(100, 7, numbers{1, 2, 3}, 7, 7.01, 7.03), recorded(100, 7, numbers{1, 2, 3}, 7.004, 7.014, 7.034),
			`the samples of "b" are taken 0.4 steps apart from those of "a"; set signal.rate, or follow one channel`},
	} {
		_, err := predictSum(tt.a, tt.b)
		var r *stages.Refusal
		if !errors.As(err, &r) || !strings.HasSuffix(err.Error(), tt.want) {
			t.Errorf("%s: %v, want a refusal that ends %q", tt.reason, err, tt.want)
		}
	}
}

// A channel that lacks the lap's first samples and one that lacks as many of its last
// have equally many, but not the same: they are not added sample by sample.
func TestCombinationKeepsToOneGauge(t *testing.T) {
	m := usual()
	m.also, m.lag = 4, 0
	laps := m.make()
	p := paramsOf(laps)
	p.Fitting.Combine = 2
	in := inputsOf(laps, m.rate)
	for i := range in.Frames {
		f := in.Frames[i].Frame
		x, _ := frame.Get[[]float64](f, "value")
		switch {
		case strings.HasSuffix(in.Frames[i].Label, "acc_z"):
			in.Frames[i].Frame = recorded(m.rate, 0, x[:len(x)-5])
		case strings.HasSuffix(in.Frames[i].Label, "acc_y"):
			in.Frames[i].Frame = recorded(m.rate, 5/m.rate, x[5:])
		}
	}
	if f := chosen(t, fit(t, p, in)); f.channel != "acc_z" {
		t.Errorf("chose %s of channels that have not the same samples, want acc_z", f.channel)
	}
}
