package fatigue

import "math"

// FailureProbability is the chance that a part has failed by a damage, for a lognormal life: Φ(log10(D)/scatter), with D the damage
// on the median curve and scatter the standard deviation of log10 N. 0.5 at D = 1, 0 at D = 0; NaN for a scatter or a D that
// is not positive (a D of 0 aside): without scatter there is no probability.
func FailureProbability(damageAtMedian, scatter float64) float64 {
	if !(scatter > 0) || !(damageAtMedian >= 0) {
		return math.NaN()
	}
	return math.Erfc(-math.Log10(damageAtMedian)/scatter/math.Sqrt2) / 2
}
