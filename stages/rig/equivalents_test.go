package rig

import (
	"math"
	"testing"

	"lapwear/fatigue"
)

// A sine that a whole number of times fits the repeat: run over and over, a resonance at its frequency moves with a·Q/w² and no longer as if from rest,
// so that each cycle does (a·Q/w²)^slope: closed form, of the steady response of a single-degree-of-freedom system to base
// acceleration. From rest within the repeat it would do next to nothing, for Q/(pi·f) is six times its length.
func TestRandomOfADriveThatRunsOn(t *testing.T) {
	const rate, f, q, slope, repeats = 256., 2., 40., 4., 1000.
	x := make([]float64, 256)
	for i := range x {
		x[i] = 3 * math.Sin(2*math.Pi*f*float64(i)/rate)
	}
	o := fatigue.Oscillators{Freq: []float64{f}, Q: q, Slope: slope}
	s := Shaking{Acceleration: x, Rate: rate, Repeats: repeats, Q: q, Slope: slope}
	wanted, largest, err := s.felt(o)
	if err != nil {
		t.Fatal(err)
	}
	w := 2 * math.Pi * f
	if want := repeats * f * math.Pow(3*q/(w*w), slope); math.Abs(wanted[0]/want-1) > 0.03 {
		t.Errorf("damage %g, want %g", wanted[0], want)
	}
	if math.Abs(largest[0]/(3*q)-1) > 0.01 {
		t.Errorf("largest response %g, want %g", largest[0], 3*q)
	}
}

// In the time that is said to match the drive's peaks, the shaking's peaks match.
func TestRandomMatchesPeaksInTime(t *testing.T) {
	w := shaken(t)
	s := Shaking{Acceleration: w.Axes[0], Rate: 256, Repeats: 100, Low: 2, High: 25, Seconds: 3200, Q: 10, Slope: 5}
	r, err := RandomOf(s)
	if err != nil {
		t.Fatal(err)
	}
	s.Seconds = r.Matches
	again, err := RandomOf(s)
	if err != nil || math.Abs(again.Over-1) > 1e-3 {
		t.Errorf("in %g s the largest response is %g of the drive's, want 1: %v", r.Matches, again.Over, err)
	}
}
