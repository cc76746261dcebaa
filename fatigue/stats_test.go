package fatigue

import (
	"math"
	"testing"
)

// Φ(1), Φ(2), Φ(-3): any table of the normal distribution, as in NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.1 (from memory).
func TestFailureProbability(t *testing.T) {
	nan := math.NaN()
	for _, test := range []struct {
		reason          string
		damage, scatter float64
		want            float64
	}{
		{"the median life", 1, 0.15, 0.5},
		{"one standard deviation beyond", math.Pow(10, 0.15), 0.15, 0.8413447460685429},
		{"two beyond", 100, 1, 0.9772498680518208},
		{"three before", 1e-3, 1, 1.3498980316300946e-3},
		{"far before, without loss of digits: Φ(-10)", 1e-10, 1, 7.61985302416e-24},
		{"no damage", 0, 0.15, 0},
		{"endless damage", math.Inf(1), 0.15, 1},
		{"no scatter", 1, 0, nan},
		{"negative damage", -1, 0.15, nan},
		{"damage of NaN", nan, 0.15, nan},
		{"scatter of NaN", 1, nan, nan},
	} {
		got := FailureProbability(test.damage, test.scatter)
		if math.IsNaN(got) != math.IsNaN(test.want) {
			t.Errorf("%s: %g, want %g", test.reason, got, test.want)
		} else if !math.IsNaN(got) {
			near(t, test.reason, got, test.want, 1e-10)
		}
	}
}
