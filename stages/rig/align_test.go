package rig

import (
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"lapwear/fatigue"
)

// A rig that follows perfectly does each repeat's damage, whatever it does in between: all of it is planted.
func TestCompareFindsEachRepeat(t *testing.T) {
	w := shaken(t)
	x, n := w.Axes[0], len(w.Axes[0])
	still := func(samples int) []float64 { return make([]float64, samples) }
	times := func(k int, parts ...[]float64) []float64 { return slices.Repeat(slices.Concat(parts...), k) }
	torn := x[:3*n/5]
	for _, c := range []struct {
		reason          string
		y               []float64
		begins          int
		repeats, judged int
		between         int // samples
	}{
		{"end to end", times(4, x), 0, 4, 4, 0},
		{"half a second of dwell after each", slices.Concat(still(300), times(6, x, still(128))), 300, 6, 6, 5 * 128},
		{"dwell longer than a repeat", times(3, x, still(5*n/2)), 0, 3, 3, 2 * 5 * n / 2},
		{"a trip, and a start anew soon after", slices.Concat(times(2, x), torn, still(200), times(3, x)), 0, 5, 5, len(torn) + 200},
		{"a trip, and a start anew long after", slices.Concat(times(2, x), torn, still(3*n), times(2, x)), 0, 5, 4, len(torn) + 3*n - n},
		{"begun within a repeat", slices.Concat(x[n/3:], times(2, x)), n - n/3, 2, 2, 0},
	} {
		got, err := Compare(w, Recorded{Name: "r", Axes: [][]float64{c.y}})
		if err != nil {
			t.Fatalf("%s: %v", c.reason, err)
		}
		if got.Repeats != c.repeats || got.Judged != c.judged || math.Abs(got.BetweenS*256-float64(c.between)) > 8 {
			t.Errorf("%s: %d of %d repeats, %g samples between, want %d of %d and %d", c.reason, got.Judged, got.Repeats, got.BetweenS*256, c.judged, c.repeats, c.between)
		}
		if math.Abs(got.BeginsS*256-float64(c.begins)) > 0.02 {
			t.Errorf("%s: begins at sample %g, want %d", c.reason, got.BeginsS*256, c.begins)
		}
		s := got.Spots[0]
		if math.Abs(s.Low-1) > 1e-3 || math.Abs(s.High-1) > 1e-3 {
			t.Errorf("%s: damage ratios from %g to %g, want 1", c.reason, s.Low, s.High)
		}
		one, err := w.Spots[0].Meter.Tally(x)
		if err != nil {
			t.Fatal(err)
		}
		if least := float64(c.judged) * one.Repeated; s.Done < least*(1-1e-3) || s.Done > least+1.2*one.Repeated {
			t.Errorf("%s: %g done, want that of %d repeats and no more than what is torn", c.reason, s.Done, c.judged)
		}
	}
}

// A clock that is slow or fast by up to 300 millionths stretches a recording of 40 repeats by up to some hundred samples; the rig still
// does the drive.
func TestCompareAppliesTheClock(t *testing.T) {
	w := shaken(t)
	for _, ppm := range []float64{-300, -20, 100, 300} {
		long := slices.Repeat(w.Axes[0], 40)
		var y []float64
		const block = 32
		for p := 100; p+200 < int(float64(len(long))*(1-1e-3)); p += block { // sample p of the recording is p/(1+ppm) of the drive
			at := (float64(p) + block/2) / (1 + ppm*1e-6)
			whole := int(math.Round(at)) - block/2
			part := fatigue.Shift(long[whole-64:whole+block+64], float64(whole)+block/2-at)
			y = append(y, part[64:64+block]...)
		}
		got, err := Compare(w, Recorded{Name: "r", Axes: [][]float64{y}})
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got.ClockPPM-ppm) > 1 || got.Repeats < 38 || got.Judged != got.Repeats {
			t.Errorf("%g millionths: clock %g, %d of %d repeats judged, want all of 38 or 39", ppm, got.ClockPPM, got.Judged, got.Repeats)
		}
		if s := got.Spots[0]; got.Axes[0].ErrorRMS > 0.01 || math.Abs(s.Low-1) > 0.01 || math.Abs(s.High-1) > 0.01 {
			t.Errorf("%g millionths: error %g, damage ratios from %g to %g, want 0 and 1", ppm, got.Axes[0].ErrorRMS, s.Low, s.High)
		}
	}
}

// Recordings are aligned by the axis that strains the part, not by the one with the greatest numbers: here noise in another unit.
func TestAlignsByWhatStrains(t *testing.T) {
	w := shaken(t)
	noise := make([]float64, len(w.Axes[0]))
	for i := range noise {
		noise[i] = 9.8 * math.Sin(float64(i)*float64(i))
	}
	w.Channels, w.Axes = []string{"acc_x", "acc_z"}, [][]float64{noise, w.Axes[0]}
	w.Spots[0].Axis = 1
	if got := strongest(w); got != 1 {
		t.Errorf("axis %d, want that of the hot spot", got)
	}
}

// The rig falls a tenth short of the drive, and the part feels 0.85 of what that motion makes it feel on the track: the mass is short by
// 0.85 alone.
func TestFeltIsNotTheRigsError(t *testing.T) {
	w := shaken(t)
	x := played(w.Axes[0], 0.9, 500, 2*8192)
	gauge := make([]float64, len(x))
	for i, v := range x {
		gauge[i] = 0.85 * v
	}
	rms, damage := FeltBy(w, 0, Recorded{Name: "r", Axes: [][]float64{x}, Gauges: [][]float64{gauge}}, 12)
	for _, got := range []Felt{rms, damage} {
		if d := cmp.Diff(Felt{12, 0.85}, got, cmpopts.EquateApprox(1e-3, 0)); d != "" {
			t.Error(d)
		}
	}
}
