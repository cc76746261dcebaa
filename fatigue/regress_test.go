package fatigue

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// strdColumns is a data set of NIST's Statistical Reference Datasets: y, and the columns of its model.
func strdColumns(tb testing.TB, set string, rows []row) (x [][]float64, y []float64) {
	tb.Helper()
	power, intercept := 1, true
	switch set {
	case "Pontius":
		power = 2
	case "Wampler1":
		power = 5
	case "NoInt1", "NoInt2":
		intercept = false
	}
	for _, r := range rows {
		if r["dataset"] != set {
			continue
		}
		var line []float64
		if intercept {
			line = append(line, 1)
		}
		for _, field := range strings.Fields(r["x"]) {
			v, p := number(tb, field), 1.
			for range power {
				p *= v
				line = append(line, p)
			}
		}
		if x == nil {
			x = make([][]float64, len(line))
		}
		for k, v := range line {
			x[k] = append(x[k], v)
		}
		y = append(y, number(tb, r["y"]))
	}
	return x, y
}

// number reads a number of a table.
func number(tb testing.TB, s string) float64 {
	tb.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		tb.Fatal(err)
	}
	return v
}

// NIST Statistical Reference Datasets, linear regression: certified to 15 digits.
func TestRegressCertified(t *testing.T) {
	data, certified := sourcedRows(t, "nist-strd-data.csv"), sourcedRows(t, "nist-strd-certified.csv")
	fits := map[string]Regression{}
	for _, set := range []string{"Norris", "Pontius", "NoInt1", "NoInt2", "Longley", "Wampler1"} {
		x, y := strdColumns(t, set, data)
		fit, err := Regress(x, y)
		if err != nil {
			t.Fatalf("%s: %v", set, err)
		}
		fits[set] = fit
	}
	for _, r := range certified {
		set, quantity, want := r["dataset"], r["quantity"], number(t, r["value"])
		fit, what := fits[set], r["dataset"]+" "+quantity
		switch quantity {
		case "residual_SD":
			strdNear(t, what, fit.ResidualSD, want)
		case "R2":
			near(t, what, fit.R2, want, 1e-12)
		default:
			k := int(quantity[1] - '0')
			if len(fit.Coefficients) == 1 {
				k = 0 // no intercept: B1 is the first
			}
			strdNear(t, what, fit.Coefficients[k], want)
			strdNear(t, what+" standard error", fit.StandardErrors[k], number(t, r["sd_of_estimate"]))
		}
	}
}

// strdNear wants eleven digits; a certified 0 wants 0 beside 1.
func strdNear(tb testing.TB, what string, got, want float64) {
	tb.Helper()
	if want == 0 {
		want, got = 1, got+1
	}
	near(tb, what, got, want, 1e-11)
}

func TestRegressByHand(t *testing.T) {
	one := []float64{1, 1, 1, 1}
	for _, test := range []struct {
		reason string
		x      [][]float64
		y      []float64
		want   Regression
	}{
		{"line through (0,1) (1,3) (2,5) (3,7), no residual", [][]float64{one, {0, 1, 2, 3}}, []float64{1, 3, 5, 7},
			Regression{Coefficients: []float64{1, 2}, StandardErrors: []float64{0, 0}, R2: 1, Freedom: 2}},
		{"the constant comes last and is 2", [][]float64{{0, 1, 2, 3}, {2, 2, 2, 2}}, []float64{1, 3, 5, 7},
			Regression{Coefficients: []float64{2, 0.5}, StandardErrors: []float64{0, 0}, R2: 1, Freedom: 2}},
		{"the mean and its standard error sd/sqrt(n)", [][]float64{one}, []float64{1, 3, 1, 3},
			Regression{Coefficients: []float64{2}, StandardErrors: []float64{math.Sqrt(1. / 3)}, ResidualSD: math.Sqrt(4. / 3), R2: 0, Freedom: 3}},
		{"y is constant: the slope is 0, and there is nothing to explain", [][]float64{one, {0, 1, 2, 3}}, []float64{5, 5, 5, 5},
			Regression{Coefficients: []float64{5, 0}, StandardErrors: []float64{0, 0}, R2: 0, Freedom: 2}},
		{"no intercept: Σxy/Σx² = 13/14, SSE = 14 - 13²/14", [][]float64{{1, 2, 3}}, []float64{2, 1, 3},
			Regression{Coefficients: []float64{13. / 14}, StandardErrors: []float64{math.Sqrt((14 - 169./14) / 2 / 14)},
				ResidualSD: math.Sqrt((14 - 169./14) / 2), R2: 169. / 196, Freedom: 2}},
		{"numbers whose squares overflow", [][]float64{{1e200, 2e200, 3e200}}, []float64{2e200, 1e200, 3e200},
			Regression{Coefficients: []float64{13. / 14}, StandardErrors: []float64{math.Sqrt((14 - 169./14) / 2 / 14)},
				ResidualSD: 1e200 * math.Sqrt((14-169./14)/2), R2: 169. / 196, Freedom: 2}},
	} {
		got, err := Regress(test.x, test.y)
		if err != nil {
			t.Errorf("%s: %v", test.reason, err)
		}
		if diff := cmp.Diff(test.want, got, cmpopts.EquateApprox(1e-13, 1e-13)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.reason, diff)
		}
	}
}

func TestRegressRefuses(t *testing.T) {
	ramp := []float64{0, 1, 2, 3}
	for _, test := range []struct {
		reason string
		x      [][]float64
		y      []float64
		want   string
	}{
		{"no column", nil, ramp, "no column"},
		{"as many columns as rows", [][]float64{{1, 1}, {1, 2}}, []float64{1, 2}, "more rows than columns"},
		{"columns of other lengths", [][]float64{{1, 2}}, ramp, "column 0 has 2 rows, y has 4"},
		{"a gap in a column", [][]float64{ramp, {0, math.NaN(), 1, 2}}, ramp, "column 1: sample 1 is NaN"},
		{"a gap in y", [][]float64{ramp}, []float64{0, 1, math.Inf(1), 2}, "y: sample 2 is +Inf"},
		{"the same column twice", [][]float64{ramp, ramp}, ramp, "column 1 is a combination"},
		{"a column of zeros", [][]float64{{0, 0, 0, 0}}, ramp, "column 0 is a combination"},
		{"two constant columns", [][]float64{{1, 1, 1, 1}, {3, 3, 3, 3}}, ramp, "column 1 is a combination"},
		{"constant but for rounding", [][]float64{{1, 1, 1, 1}, {1e9, math.Nextafter(1e9, 2e9), 1e9, 1e9}}, ramp, "column 1 is a combination"},
		{"a sum of two", [][]float64{ramp, {1, 4, 9, 16}, {1, 5, 11, 19}}, []float64{1, 2, 3, 5}, "column 2 is a combination"},
	} {
		_, err := Regress(test.x, test.y)
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: error %v, want one with %q", test.reason, err, test.want)
		}
	}
}

// A fit does not see the units: scaling a column scales its coefficient the other way, and shifting it moves the intercept alone.
func FuzzRegressUnits(f *testing.F) {
	f.Add(uint64(1), 3.7, 12.5)
	f.Add(uint64(2), 1e-6, -1e4)
	f.Fuzz(func(t *testing.T, seed uint64, scale, shift float64) {
		if !(math.Abs(scale) > 1e-9 && math.Abs(scale) < 1e9 && math.Abs(shift) < 1e5) {
			t.Skip("units beyond reason")
		}
		random := rand.New(rand.NewPCG(seed, 0))
		const n = 30
		one, a, b, moved, y := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
		for i := range n {
			one[i], a[i], b[i] = 1, random.NormFloat64(), random.NormFloat64()
			moved[i] = scale * (a[i] + shift)
			y[i] = 2 + 3*a[i] - b[i] + random.NormFloat64()
		}
		base, err := Regress([][]float64{one, a, b}, y)
		if err != nil {
			t.Fatal(err)
		}
		got, err := Regress([][]float64{one, moved, b}, y)
		if err != nil {
			t.Fatal(err)
		}
		base.Coefficients[0] -= base.Coefficients[1] * shift
		base.Coefficients[1] /= scale
		base.StandardErrors[1] /= math.Abs(scale)
		base.StandardErrors[0], got.StandardErrors[0] = 0, 0 // of another place
		loss := cmpopts.EquateApprox(1e-9, 1e-12*(1+math.Abs(shift)))
		if diff := cmp.Diff(base, got, loss); diff != "" {
			t.Errorf("scale %g, shift %g (-want +got):\n%s", scale, shift, diff)
		}
	})
}

func TestTotalLeastSquares(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, test := range []struct {
		reason               string
		sxx, sxy, syy, ratio float64
		want                 float64
	}{
		{"closed form by hand: d = 1, (1 + sqrt(1+4))/2", 2, 2, 4, 1, (1 + math.Sqrt(5)) / 2},
		{"x and y change places: the slope turns over", 4, 2, 2, 1, 2 / (1 + math.Sqrt(5))},
		{"y falls", 2, -2, 4, 1, -(1 + math.Sqrt(5)) / 2},
		{"no noise: any ratio gives the slope", 1, 3, 9, 7, 3},
		{"noise only in x: syy/sxy", 2, 2, 4, 0, 2},
		{"noise only in y, the limit: sxy/sxx", 2, 2, 4, inf, 1},
		{"nearly only in y", 2, 2, 4, 1e16, 1},
		{"unrelated, x varies more", 2, 0, 1, 1, 0},
		{"unrelated, y varies more", 1, 0, 2, 1, inf},
		{"unrelated, alike", 1, 0, 1, 1, 0},
		{"nothing varies", 0, 0, 0, 1, nan},
		{"a negative ratio", 2, 2, 4, -1, nan},
		{"a sum of NaN", 2, nan, 4, 1, nan},
	} {
		got := TotalLeastSquares(test.sxx, test.sxy, test.syy, test.ratio)
		if math.IsNaN(got) != math.IsNaN(test.want) {
			t.Errorf("%s: %g, want %g", test.reason, got, test.want)
		} else if !math.IsNaN(got) {
			near(t, test.reason, got, test.want, 1e-15)
		}
	}
}

// The slope is the direction in which points, in units of their noise, vary most: the first principal axis, found here by search.
func TestTotalLeastSquaresIsTheAxis(t *testing.T) {
	random := rand.New(rand.NewPCG(5, 0))
	for range 50 {
		ratio := math.Exp(random.NormFloat64())
		var sxx, sxy, syy float64
		for range 20 {
			x := random.NormFloat64()
			y := 2*x + random.NormFloat64()
			sxx, sxy, syy = sxx+x*x, sxy+x*y, syy+y*y
		}
		variance := func(slope float64) float64 {
			return (ratio*ratio*sxx + 2*ratio*slope*sxy + slope*slope*syy) / (ratio + slope*slope)
		}
		got := TotalLeastSquares(sxx, sxy, syy, ratio)
		for _, other := range []float64{got * 1.001, got * 0.999, -got, got * 3} {
			if variance(other) > variance(got) {
				t.Errorf("ratio %g: slope %g has less variance along it than %g", ratio, got, other)
			}
		}
	}
}

// With noise on x, least squares flattens the slope by sxx/(sxx+noise); the fit that knows the noise does not.
func TestRegressionDilution(t *testing.T) {
	const n, slope, noiseX, noiseY = 200_000, 8.37, 0.3, 2.0
	random := rand.New(rand.NewPCG(8, 37))
	var sxx, sxy, syy float64
	for range n {
		v := random.NormFloat64()
		x, y := v+noiseX*random.NormFloat64(), slope*v+noiseY*random.NormFloat64()
		sxx, sxy, syy = sxx+x*x, sxy+x*y, syy+y*y
	}
	near(t, "least squares", sxy/sxx, slope/(1+noiseX*noiseX), 0.005)
	near(t, "total least squares", TotalLeastSquares(sxx, sxy, syy, noiseY*noiseY/noiseX/noiseX), slope, 0.005)
}

func BenchmarkRegress(b *testing.B) {
	x := [][]float64{make([]float64, 1<<17), noise(1 << 17), sine(1<<17, 20)}
	for i := range x[0] {
		x[0][i] = 1
	}
	y := smooth(1 << 17)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Regress(x, y); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(len(y))*float64(b.N)/b.Elapsed().Seconds()/1e6, "Mrows/s")
}
