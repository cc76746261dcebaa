package count

import (
	"context"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// position is a distance into the lap as ingest gives it.
func position(rate, start float64, x ...float64) stages.Input {
	f := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", rate), frame.Num("start_s", "s", start)}, frame.Col("value", "m", x))
	return stages.Input{Label: Position, Frame: f}
}

// At 50 m/s a place of 25 m lasts half a second: arithmetic, no source.
func TestPlacesFollowTheDistance(t *testing.T) {
	straight := func(from, to, step float64) []float64 {
		var x []float64
		for v := from; v <= to+1e-9; v += step {
			x = append(x, v)
		}
		return x
	}
	at := []int32{0, 50, 100, 150, 200} // of the 250 samples at 100 Hz
	for _, tt := range []struct {
		reason string
		in     stages.Input
		metres float64
		want   []int32
	}{
		{"one rate", position(100, 0, straight(0, 124.5, 0.5)...), 1, at},
		{"a slow distance, straight between its samples", position(4, 0, straight(0, 124.9, 12.5)...), 1, at},
		{"in km", position(100, 0, straight(0, 0.1245, 0.0005)...), 1000, at},
		{"a distance since the garage", position(100, 0, straight(90000, 90124.5, 0.5)...), 1, at},
		{"a lap cut 2 m late keeps the logger's line", position(100, 0, straight(2, 126.5, 0.5)...), 1, []int32{0, 46, 96, 146, 196, 246}},
		{"a logger that starts anew in the lap's first samples", position(100, 0, append([]float64{4000, 4000.5, 4001, 4001.5}, straight(0, 122.5, 0.5)...)...), 1,
			[]int32{0, 54, 104, 154, 204}},
		{"and in its last ones", position(100, 0, append(straight(0, 122.5, 0.5), 0, 0.5, 1, 1.5)...), 1, at},
		{"one that starts anew at the end counts from the line, however late the lap begins", position(100, 0, append(straight(62.5, 184.5, 0.5), 0, 0.5, 1, 1.5)...), 1,
			[]int32{0, 0, 0, 25, 75, 125, 175, 225}},
		{"a wheel that steps back is held", position(100, 0, append(straight(0, 30, 0.5), append([]float64{29, 29.5, 30}, straight(30.5, 123, 0.5)...)...)...), 1,
			[]int32{0, 50, 103, 153, 203}},
		{"a distance that starts later than the signal", position(100, 0.5, straight(0, 99.5, 0.5)...), 1, []int32{0, 100, 150, 200}},
		{"one that starts anew half way round is no lap's", position(100, 0, append(straight(0, 60, 0.5), straight(0, 64, 0.5)...)...), 1, nil},
		{"a hole in it", position(100, 0, 0, 1, math.NaN(), 3), 1, nil},
		{"a bike that stands", position(100, 0, 7, 7, 7, 7), 1, nil},
		{"a distance that runs backward", position(100, 0, straight(-124, -0.5, 0.5)...), 1, []int32{0, 50, 100, 150, 200}},
		{"empty, as of a recording without it", position(100, 0), 1, nil},
		{"not given", stages.Input{Label: Position, Missing: "the lap could not be read"}, 1, nil},
		{"in the wrong unit", position(100, 0, straight(0, 124.5, 0.5)...), 1e6, nil},
	} {
		in := signal(make([]float64, 250))
		in.Frames = append(in.Frames, tt.in)
		out, err := Params{Metres: tt.metres}.Run(context.Background(), in)
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		got, err := frame.Get[[]int32](out[2].Frame, "first")
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(append([]int32{}, tt.want...), got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}

func TestWithoutDistanceThereAreNoPlaces(t *testing.T) {
	out, err := Params{}.Run(context.Background(), signal([]float64{0, 1, 0, 2}))
	if err != nil || len(out) != 2 {
		t.Errorf("%d outputs, %v; want cycles and residue alone", len(out), err)
	}
}

// A sine of amplitude a and frequency f has the moments a²/2·f^k (from the definition).
func TestMomentsOfASine(t *testing.T) {
	const a, f, rate = 3.0, 20.0, 1000.0
	x := make([]float64, 40_000)
	for i := range x {
		x[i] = 5 + a*math.Sin(2*math.Pi*f*float64(i)/rate)
	}
	in := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", rate)}, frame.Col("value", "g", x))
	for _, high := range []float64{0, 50} { // with samples passed over, and without
		out, err := Params{BandHigh: high}.Run(context.Background(), stages.Inputs{Frames: []stages.Input{{Label: Signal, Frame: in}}})
		if err != nil {
			t.Fatal(err)
		}
		m, ok := ReadMoments(out[0].Frame)
		if !ok {
			t.Fatal("no moments")
		}
		for k := range 3 {
			if want := a * a / 2 * math.Pow(f, float64(k)); math.Abs(m[k]/want-1) > 0.01 {
				t.Errorf("band to %v Hz: moment %d is %v, want %v", high, k, m[k], want)
			}
		}
	}
}

func TestShortLapHasNoMoments(t *testing.T) {
	cycles, _ := run(t, Params{}, []float64{0, 1, 0, 2, -1})
	if m, ok := ReadMoments(cycles); ok {
		t.Errorf("moments %v of five samples", m)
	}
}

// Law: where a lap's distance begins does not move its places by more than one, wherever a
// threshold lies.
func TestPlacesDoNotJump(t *testing.T) {
	begins := func(zero float64) []int32 {
		x := make([]float64, 25000)
		for i := range x {
			x[i] = zero + 0.1*float64(i)
		}
		in := signal(make([]float64, len(x)))
		in.Frames = append(in.Frames, position(100, 0, x...))
		out, err := Params{Metres: 1}.Run(context.Background(), in)
		if err != nil {
			t.Fatal(err)
		}
		first, err := frame.Get[[]int32](out[2].Frame, "first")
		if err != nil {
			t.Fatal(err)
		}
		return first
	}
	want := begins(0)
	for _, zero := range []float64{1, 24, 26, 100, 124, 126, 2400, 90000} { // m; the lap covers 2500
		got := begins(zero)
		for k := 1; k+1 < min(len(got), len(want)); k++ {
			if got[k] < want[k-1] || got[k] > want[k+1] {
				t.Errorf("a lap that begins at %v m has place %d at sample %d, one from 0 at %d", zero, k, got[k], want[k])
				break
			}
		}
	}
}
