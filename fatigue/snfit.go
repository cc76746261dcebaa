package fatigue

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// SNFit is a median line log10 N = A + B·log10 S through test results, after ASTM E739: least squares of the log life on the log
// stress or strain, lognormal lives, the same scatter at all levels. It holds within the range of levels tested.
type SNFit struct {
	A, B              float64
	ErrorA, ErrorB    float64 // standard errors
	SD                float64 // of log10 N about the line, with n-2 degrees of freedom
	Specimens         int
	Levels            int     // different ones
	MeanLog           float64 // of log10 S over the specimens
	SumSquares        float64 // Σ (log10 S - MeanLog)²
	Smallest, Largest float64 // levels tested, S

	pure float64 // Σ of squares of log10 N about the mean of each level
}

// FitSN fits levels (stress or strain amplitudes, in any one unit) and cycles to failure, pairwise. Run-outs do not belong in it:
// E739 has no place for them. It is an error if there are less than three specimens, less than two levels, or numbers not positive.
func FitSN(levels, cycles []float64) (SNFit, error) {
	if len(levels) != len(cycles) {
		return SNFit{}, fmt.Errorf("fit s-n line: %d levels and %d lives: give one each a specimen", len(levels), len(cycles))
	}
	one, x, y := make([]float64, len(levels)), make([]float64, len(levels)), make([]float64, len(levels))
	fit := SNFit{Specimens: len(levels), Smallest: math.Inf(1)}
	for i, s := range levels {
		if n := cycles[i]; !(s > 0 && n > 0) || !finite(s) || !finite(n) {
			return SNFit{}, fmt.Errorf("fit s-n line: specimen %d has level %g and life %g: give positive numbers", i, s, n)
		}
		one[i], x[i], y[i] = 1, math.Log10(s), math.Log10(cycles[i])
		fit.Smallest, fit.Largest = min(fit.Smallest, s), max(fit.Largest, s)
	}
	r, err := Regress([][]float64{one, x}, y)
	if err != nil {
		return SNFit{}, fmt.Errorf("fit s-n line: %w: test three specimens or more at two levels or more", err)
	}
	fit.A, fit.B = r.Coefficients[0], r.Coefficients[1]
	fit.ErrorA, fit.ErrorB = r.StandardErrors[0], r.StandardErrors[1]
	fit.SD = r.ResidualSD
	fit.MeanLog = centre(x)
	for _, v := range x {
		fit.SumSquares += v * v
	}
	fit.Levels, fit.pure = withinLevels(levels, y)
	return fit, nil
}

// withinLevels returns the number of different levels and the sum of squares of y about its mean at each.
func withinLevels(levels, y []float64) (n int, squares float64) {
	at := map[float64][]float64{}
	var order []float64
	for i, s := range levels {
		if at[s] == nil {
			order = append(order, s)
		}
		at[s] = append(at[s], y[i])
	}
	for _, s := range order {
		group := at[s]
		centre(group)
		for _, v := range group {
			squares += v * v
		}
	}
	return len(order), squares
}

// Replication is the share of specimens that repeat a level, 1 - Levels/Specimens: E739 wants 0.17 to 0.33 of an exploratory test,
// 0.33 to 0.50 of research, 0.50 to 0.75 for design data and 0.75 to 0.88 for reliability data (from memory).
func (f SNFit) Replication() float64 { return 1 - float64(f.Levels)/float64(f.Specimens) }

// Straight is the chance of means at the levels as far off a line as these, or farther, if the median is a line: below 0.05 it is
// likely curved. It compares the scatter of the means about the line with that of specimens at one level (E739, 8.4, by F with
// Levels-2 and Specimens-Levels degrees of freedom). ok is false where that cannot be told: two levels, or no level repeated.
func (f SNFit) Straight() (chance float64, ok bool) {
	d1, d2 := float64(f.Levels-2), float64(f.Specimens-f.Levels)
	if d1 < 1 || d2 < 1 || !(f.pure > 0) {
		return 0, false
	}
	misfit := max(f.SD*f.SD*f.freedom()-f.pure, 0)
	return mathext.RegIncBeta(d2/2, d1/2, f.pure/(f.pure+misfit)), true
}

// Slope is the k of N ~ S^-k, -B.
func (f SNFit) Slope() float64 { return -f.B }

// Life is the median life at a level.
func (f SNFit) Life(level float64) float64 { return math.Pow(10, f.A+f.B*math.Log10(level)) }

// Intervals hold A and B with a confidence each, by Student's t (E739, 8.3).
func (f SNFit) Intervals(confidence float64) (a, b Interval) {
	t := studentQuantile((1+confidence)/2, f.freedom())
	return Interval{f.A - t*f.ErrorA, f.A + t*f.ErrorA}, Interval{f.B - t*f.ErrorB, f.B + t*f.ErrorB}
}

// Band holds the whole median line at once with a confidence, here at one level: ± sqrt(2·F(confidence; 2, n-2))·SD·sqrt(1/n +
// (x - MeanLog)²/SumSquares) about log10 N. (E739, 8.3.3; H. Scheffé.)
func (f SNFit) Band(level, confidence float64) Interval {
	half := math.Sqrt(2*fisher2Quantile(confidence, f.freedom())) * f.SD * math.Sqrt(f.leverage(level))
	median := f.A + f.B*math.Log10(level)
	return Interval{math.Pow(10, median-half), math.Pow(10, median+half)}
}

// LowerLife is the life at a level that a share p of all specimens lives beyond, with a confidence: Life less k standard deviations,
// with k the one-sided tolerance factor of a line (see ToleranceFactor).
func (f SNFit) LowerLife(level, p, confidence float64) (float64, error) {
	k, err := toleranceFactor(f.leverage(level), f.freedom(), p, confidence)
	if err != nil {
		return 0, err
	}
	return math.Pow(10, f.A+f.B*math.Log10(level)-k*f.SD), nil
}

func (f SNFit) freedom() float64 { return float64(f.Specimens - 2) }

// leverage is the variance of the line at a level over that of a specimen.
func (f SNFit) leverage(level float64) float64 {
	d := math.Log10(level) - f.MeanLog
	return 1/float64(f.Specimens) + d*d/f.SumSquares
}

func studentQuantile(p, freedom float64) float64 {
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: freedom}.Quantile(p)
}

// fisher2Quantile is that of F with 2 and n degrees of freedom, which has a closed form.
func fisher2Quantile(p, n float64) float64 {
	return n / 2 * math.Expm1(-2/n*math.Log1p(-p))
}
