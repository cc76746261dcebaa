package count

import (
	"context"
	"errors"
	"math"
	"runtime"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/frame"
)

func signal(x []float64) stages.Inputs {
	f := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", 100), frame.Num("start_s", "s", 0)}, frame.Col("value", "g", x))
	return stages.Inputs{Frames: []stages.Input{{Label: Signal, Frame: f}}}
}

func run(t *testing.T, p Params, x []float64) (cycles, residue *frame.Frame) {
	t.Helper()
	out, err := p.Run(context.Background(), signal(x))
	if err != nil {
		t.Fatal(err)
	}
	return out[0].Frame, out[1].Frame
}

// The history is that of ASTM E1049-85, figure 6; its one closed cycle is of range 4.
func TestCountStoresCyclesAndResidue(t *testing.T) {
	x := []float64{-2, 1, -3, 5, -1, 3, -4, 4, -2}
	cf, rf := run(t, Params{}, x)
	cycles, err := ReadCycles(cf)
	if err != nil {
		t.Fatal(err)
	}
	residue, err := ReadResidue(rf)
	if err != nil {
		t.Fatal(err)
	}
	want := fatigue.Cycles{From: []float64{-1}, To: []float64{3}, Start: []int32{4}, End: []int32{5}}
	if diff := cmp.Diff(want, cycles); diff != "" {
		t.Errorf("cycles (-want +got):\n%s", diff)
	}
	points := fatigue.Points{Value: []float64{-2, 1, -3, 5, -4, 4, -2}, Index: []int32{0, 1, 2, 3, 6, 7, 8}}
	if diff := cmp.Diff(points, residue); diff != "" {
		t.Errorf("residue (-want +got):\n%s", diff)
	}
	for name, want := range map[string]float64{"samples": 9, "rate_hz": 100, "duration_s": 0.09, "range": 9} {
		if got, _ := cf.Number(name); got != want {
			t.Errorf("%s = %v, want %v", name, got, want)
		}
	}
}

// A lap's duration is that of its time axis: samples that are not there take time too.
func TestDuration(t *testing.T) {
	x := []float64{0, 3, 1, 4, 0}
	tests := []struct {
		reason string
		times  []float64
		want   float64
	}{
		{"uniform: samples over the rate", nil, 0.05},
		{"stamps of uniform samples give the same", []float64{7, 7.01, 7.02, 7.03, 7.04}, 0.05},
		{"three samples lost", []float64{7, 7.01, 7.05, 7.06, 7.07}, 0.08},
	}
	for _, tt := range tests {
		cols := []frame.Column{frame.Col("value", "g", x)}
		if tt.times != nil {
			cols = append(cols, frame.Col("time_s", "s", tt.times))
		}
		f := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", 100), frame.Num("start_s", "s", 7)}, cols...)
		out, err := Params{}.Run(context.Background(), stages.Inputs{Frames: []stages.Input{{Label: Signal, Frame: f}}})
		if err != nil {
			t.Fatal(err)
		}
		if got, _ := out[0].Frame.Number("duration_s"); math.Abs(got-tt.want) > 1e-12 {
			t.Errorf("%s: %v s, want %v", tt.reason, got, tt.want)
		}
	}
}

func TestGateIsShareOfFullRange(t *testing.T) {
	// Full range 10; the inner cycle has range 1, a tenth of it.
	x := []float64{0, 5, 4, 10, 0}
	for _, tt := range []struct {
		gate float64
		want int
	}{{0, 1}, {0.1, 1}, {0.11, 0}} {
		cf, _ := run(t, Params{Gate: tt.gate}, x)
		if cf.Rows() != tt.want {
			t.Errorf("gate %v: %d closed cycles, want %d", tt.gate, cf.Rows(), tt.want)
		}
	}
}

func TestNonFiniteSampleIsRefused(t *testing.T) {
	for _, bad := range []float64{math.NaN(), math.Inf(1)} {
		_, err := Params{Gate: 0.01}.Run(context.Background(), signal([]float64{0, bad, 1}))
		var r *stages.Refusal
		if !errors.As(err, &r) || !strings.Contains(err.Error(), "sample 1") {
			t.Errorf("%v: error %v, want a refusal that names sample 1", bad, err)
		}
	}
}

// golden pins the numbers of this Revision.
const golden = "9c3bafe82e78f9fec46e5d0657820f3bd6b36b42e3cf1313bf6a982214707e34"

func TestRevisionPinsNumbers(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("pinned on amd64; other processors may round differently, which is why a key holds the architecture")
	}
	x := make([]float64, 4000)
	state := uint32(1)
	for i := range x {
		state = state*1664525 + 1013904223
		x[i] = float64(int32(state)>>16) / 64
	}
	cf, rf := run(t, Params{Gate: 0.01}, x)
	got := key.Of(rf.AppendEncoded(cf.AppendEncoded(nil))).String()
	if got != golden {
		t.Errorf("output hash %s, pinned %s: if the numbers changed, raise Revision and pin the new hash", got, golden)
	}
}
