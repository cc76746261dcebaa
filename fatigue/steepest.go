package fatigue

import "math"

// Steepest is the steepest slope -Δlog N / Δlog S of a curve's chords over half decades of life, from one life to another in
// cycles. Chords over which the amplitude does not fall, as beyond a flat knee, are left out; NaN where there is no other.
func Steepest(c Curve, from, to float64) float64 {
	steepest := math.NaN()
	half := math.Sqrt(10)
	for n := from; n*half <= to*(1+1e-9); n *= half {
		a, b := c.Amplitude(n), c.Amplitude(n*half)
		if k := math.Log(half) / math.Log(a/b); b > 0 && a > b && !(k <= steepest) {
			steepest = k
		}
	}
	return steepest
}
