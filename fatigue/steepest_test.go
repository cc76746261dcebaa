package fatigue

import (
	"math"
	"testing"
)

// The slopes of straight curves are their own; that of the handbook form at a stress S is
// -A2·S/(S-A4/2^A3), by differentiation: at zero mean 1-R is 2.
func TestSteepest(t *testing.T) {
	power := func(beyond Beyond) Power {
		return Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 5, Knee: 1e6, Beyond: beyond}
	}
	handbook := EquivalentStress{A1: 10, A2: -4, A3: 0.5, A4: 10, MPaPerUnit: 1}
	low, high := handbook.Amplitude(1e7), handbook.Amplitude(math.Pow(10, 6.5))
	limit := 10 / math.Sqrt2
	for _, tt := range []struct {
		reason    string
		curve     Curve
		low, high float64
	}{
		{"one slope", power(Beyond{Form: BeyondSame}), 5, 5},
		{"Haibach: 2k-1 beyond the knee", power(Beyond{Form: BeyondHaibach}), 9, 9},
		{"flat beyond the knee: nothing to be steep", power(Beyond{Form: BeyondFlat}), 5, 5},
		{"points: the steepest of two pieces, 8", Table{Amplitudes: []float64{200, 100, 100 * math.Pow(10, -0.25)}, Lives: []float64{1e4, 1e5, 1e7}}, 8, 8},
		{"the handbook's, between its ends over the last half decade", handbook, 4 * high / (high - limit), 4 * low / (low - limit)},
	} {
		if got := Steepest(tt.curve, 1e4, 1e7); got < tt.low-1e-6 || got > tt.high+1e-6 {
			t.Errorf("%s: %v, want %v to %v", tt.reason, got, tt.low, tt.high)
		}
	}
	if got := Steepest(Power{RefAmplitude: 90, RefCycles: 1e3, Slope: 5, Knee: 1e3, Beyond: Beyond{Form: BeyondFlat}}, 1e4, 1e7); !math.IsNaN(got) {
		t.Errorf("no damage at these lives: %v, want NaN", got)
	}
}
