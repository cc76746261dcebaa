package fatigue

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
)

// Regression is a least-squares fit y = Σ Coefficients[k]·x[k] + residual.
type Regression struct {
	Coefficients   []float64 // one a column, unit of y over unit of the column
	StandardErrors []float64 // of the coefficients, for residuals that are independent and of one variance
	ResidualSD     float64   // sqrt(SSE/Freedom), unit of y
	R2             float64   // 1 - SSE/SST; SST about the mean of y where a column is constant, about 0 where none is
	Freedom        int       // rows less columns
}

// dependent is the share of a column's length that its part across the columns before it must exceed: below, rounding decides.
const dependent = 1e-13

// Regress fits y by least squares with the columns x, each as long as y. It adds no intercept: give a constant column for one.
//
// The fit is by Householder reflections of columns of unit length. Where one column is constant and not 0, the others and y are
// centred on their means first, which changes no result but its rounding. One correction from residuals in doubled precision takes back
// what rounding did to the coefficients of nearly dependent columns. (Golub and Van Loan, Matrix Computations, 5.3; Björck 1967.)
//
// Samples of one signal are not independent, so that standard errors of a fit to them are too small: take them as a lower bound.
//
// It is an error if there is no column, if lengths differ, if there are not more rows than columns, if a value is not finite, or
// if a column is a combination of the ones before it. R2 is 0 where y does not vary.
func Regress(x [][]float64, y []float64) (Regression, error) {
	if err := checkColumns(x, y); err != nil {
		return Regression{}, fmt.Errorf("fit by least squares: %w", err)
	}
	f := newLeastSquares(x, y)
	if err := f.reflect(); err != nil {
		return Regression{}, fmt.Errorf("fit by least squares: %w", err)
	}
	return f.solve(x, y), nil
}

func checkColumns(x [][]float64, y []float64) error {
	switch n := len(y); {
	case len(x) == 0:
		return errors.New("there is no column: give at least one")
	case n <= len(x):
		return fmt.Errorf("%d rows for %d columns: give more rows than columns", n, len(x))
	}
	for k, column := range x {
		if len(column) != len(y) {
			return fmt.Errorf("column %d has %d rows, y has %d: make them equal", k, len(column), len(y))
		}
		if err := checkFinite(column, 0, len(column)); err != nil {
			return fmt.Errorf("column %d: %w", k, err)
		}
	}
	if err := checkFinite(y, 0, len(y)); err != nil {
		return fmt.Errorf("y: %w", err)
	}
	return nil
}

// leastSquares is a fit under way. q holds the columns but the constant one, centred and of unit length, and in the end the
// reflections; r the upper triangle by columns.
type leastSquares struct {
	constant int // column number, -1 if none
	level    float64
	free     []int // numbers of the columns of q
	mean     []float64
	length   []float64 // of the centred columns
	before   []float64 // of the columns as given
	q, r     [][]float64
	y        []float64 // centred, in units of total
	yMean    float64
	total    float64 // length of centred y
}

func newLeastSquares(x [][]float64, y []float64) *leastSquares {
	f := &leastSquares{constant: -1}
	for k, column := range x {
		if f.constant < 0 && column[0] != 0 && isConstant(column) {
			f.constant, f.level = k, column[0]
			continue
		}
		f.free = append(f.free, k)
	}
	for _, k := range f.free {
		c, mean, length := f.unit(x[k])
		f.q = append(f.q, c)
		f.mean = append(f.mean, mean)
		f.length = append(f.length, length)
		f.before = append(f.before, floats.Norm(x[k], 2))
	}
	f.y, f.yMean, f.total = f.unit(y)
	return f
}

func isConstant(x []float64) bool {
	for _, v := range x {
		if v != x[0] {
			return false
		}
	}
	return true
}

// unit returns a copy of x less its mean, where there is a constant column, and scaled to unit length.
func (f *leastSquares) unit(x []float64) (c []float64, mean, length float64) {
	c = append(c, x...)
	if f.constant >= 0 {
		mean = centre(c)
	}
	length = floats.Norm(c, 2)
	if length > 0 {
		for i := range c {
			c[i] /= length
		}
	}
	return c, mean, length
}

// centre takes the mean off x and returns it. The second pass takes off what rounding left of it.
func centre(x []float64) float64 {
	var mean float64
	share := 1 / float64(len(x))
	for range 2 {
		var m float64
		for _, v := range x {
			m += v * share // before the sum, lest it overflow
		}
		floats.AddConst(-m, x)
		mean += m
	}
	return mean
}

// reflect turns q to upper-triangular r, and y with it.
func (f *leastSquares) reflect() error {
	for k, v := range f.q {
		for j := range k {
			mirror(f.q[j][j:], v[j:])
		}
		tail := v[k:]
		d := floats.Norm(tail, 2)
		if !(d > dependent) || f.length[k] <= dependent*f.before[k] {
			return fmt.Errorf("column %d is a combination of the ones before it: leave it out", f.free[k])
		}
		if tail[0] > 0 {
			d = -d
		}
		r := append([]float64(nil), v[:k]...)
		f.r = append(f.r, append(r, d))
		tail[0] -= d
		floats.Scale(1/floats.Norm(tail, 2), tail)
	}
	f.project(f.y)
	return nil
}

// mirror turns c about the plane across v, which is of unit length.
func mirror(v, c []float64) { floats.AddScaled(c, -2*floats.Dot(v, c), v) }

// project puts c through the reflections: its first entries are then those of qᵀ·c.
func (f *leastSquares) project(c []float64) {
	for k, v := range f.q {
		mirror(v[k:], c[k:])
	}
}

func (f *leastSquares) solve(x [][]float64, y []float64) Regression {
	p := len(f.q)
	out := Regression{Coefficients: make([]float64, len(x)), StandardErrors: make([]float64, len(x)), Freedom: len(y) - len(x)}
	f.add(out.Coefficients, f.back(f.y[:p]), f.yMean, f.total)
	rest := f.correct(out.Coefficients, x, y)
	out.ResidualSD = rest / math.Sqrt(float64(out.Freedom))
	if f.total > 0 {
		out.R2 = 1 - rest/f.total*(rest/f.total)
	}
	for j, k := range f.free {
		out.StandardErrors[k] = out.ResidualSD * f.spread(j) / f.length[j]
	}
	if f.constant >= 0 {
		out.StandardErrors[f.constant] = out.ResidualSD * f.interceptSpread() / math.Abs(f.level)
	}
	return out
}

// add adds a solution b, in units of total, and the mean that it leaves to the constant.
func (f *leastSquares) add(coefficients, b []float64, mean, total float64) {
	for j, k := range f.free {
		step := total * b[j] / f.length[j]
		coefficients[k] += step
		mean -= step * f.mean[j]
	}
	if f.constant >= 0 {
		coefficients[f.constant] += mean / f.level
	}
}

// correct fits the residuals of the fit, found with twice the digits, adds what comes of it, and returns the length of what is left.
func (f *leastSquares) correct(coefficients []float64, x [][]float64, y []float64) float64 {
	high, low := append([]float64(nil), y...), make([]float64, len(y))
	for k, b := range coefficients {
		for i, v := range x[k] {
			product := b * v
			sum := high[i] - product
			back := sum - high[i] // the part of the product that the sum took in, but for its sign
			low[i] += (high[i] - (sum - back)) - (product + back) - math.FMA(b, v, -product)
			high[i] = sum
		}
	}
	floats.Add(high, low)
	r, mean, length := f.unit(high)
	if !finite(length) { // numbers near the largest: the fit stands as it was
		return f.total * floats.Norm(f.y[len(f.q):], 2)
	}
	f.project(r)
	f.add(coefficients, f.back(r[:len(f.q)]), mean, length)
	return length * floats.Norm(r[len(f.q):], 2)
}

// back solves r·b = z.
func (f *leastSquares) back(z []float64) []float64 {
	b := append([]float64(nil), z...)
	for k := len(b) - 1; k >= 0; k-- {
		b[k] /= f.r[k][k]
		for j := range k {
			b[j] -= f.r[k][j] * b[k]
		}
	}
	return b
}

// forward returns the length of r⁻ᵀ·z.
func (f *leastSquares) forward(z []float64) float64 {
	w := append([]float64(nil), z...)
	for k := range w {
		for j := range k {
			w[k] -= f.r[k][j] * w[j]
		}
		w[k] /= f.r[k][k]
	}
	return floats.Norm(w, 2)
}

// spread is the square root of entry j of the diagonal of (qᵀq)⁻¹ = r⁻¹r⁻ᵀ.
func (f *leastSquares) spread(j int) float64 {
	e := make([]float64, len(f.q))
	e[j] = 1
	return f.forward(e)
}

// interceptSpread is the standard error of the fit at x = 0 over the residual's: sqrt(1/n + x̄ᵀ(XᵀX)⁻¹x̄).
func (f *leastSquares) interceptSpread() float64 {
	z := make([]float64, len(f.q))
	for j := range z {
		z[j] = f.mean[j] / f.length[j]
	}
	return math.Hypot(1/math.Sqrt(float64(len(f.y))), f.forward(z))
}

// TotalLeastSquares is the slope b of y = b·x where both carry noise, by maximum likelihood:
//
//	b = (d + sqrt(d² + ratio·sxy²)) / sxy,  d = (syy - ratio·sxx) / 2
//
// sxx, sxy and syy are sums of squares and products about the means (or their shares), ratio the variance of the noise in y over
// that in x: 1 with equal units is the orthogonal fit; 0 has all noise in x (b = syy/sxy); +Inf all in y (b = sxy/sxx), which is
// plain least squares. With sxy = 0 it is 0, or +Inf where y varies more than the noise ratio grants. It is NaN where sums are
// negative or NaN, where neither x nor y varies, and where x does not vary
// although all noise is in y.
//
// Source: W. E. Deming, Statistical Adjustment of Data, 1943; the closed form of Fuller, Measurement Error Models, 1.3.
func TotalLeastSquares(sxx, sxy, syy, ratio float64) float64 {
	if !(sxx >= 0 && syy >= 0 && ratio >= 0) || math.IsNaN(sxy) || sxx == 0 && syy == 0 {
		return math.NaN()
	}
	if math.IsInf(ratio, 1) {
		return sxy / sxx
	}
	d := (syy - ratio*sxx) / 2
	h := math.Hypot(d, math.Sqrt(ratio)*sxy)
	switch {
	case d <= 0 && h == 0: // every direction fits alike; the flat one claims least
		return 0
	case d < 0:
		return ratio * sxy / (h - d) // the same root, without the difference of near numbers
	case sxy == 0:
		return math.Inf(1)
	}
	return (d + h) / sxy
}
