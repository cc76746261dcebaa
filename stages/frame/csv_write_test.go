package frame

import (
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
)

// Law: where there is a short decimal, it is the shortest text of the number, and its text of 15 digits.
func TestAppendDecimal(t *testing.T) {
	x := []float64{0, math.Copysign(0, -1), 1, -1, 0.5, 0.1, 0.001, -0.001, 0.0005, 0.07, 1.1, 0.1 + 0.2, 12.25, 99999.999, 999999.999, -999999.999, 1e6, 1e15, 1e300,
		5e-324, 1.0 / 3, math.NaN(), math.Inf(1), math.Inf(-1)}
	r := rand.New(rand.NewPCG(1, 3))
	for range 20000 {
		thousandths := float64(r.IntN(2e6)-1e6) * math.Pow(10, float64(r.IntN(4))) / 1000
		x = append(x, thousandths, math.Nextafter(thousandths, 9e9), r.NormFloat64(), math.Float64frombits(r.Uint64()))
	}
	short := 0
	for _, x := range x {
		got, ok := AppendDecimal([]byte("x"), x)
		if !ok {
			if string(got) != "x" {
				t.Errorf("%v: %q is left", x, got)
			}
			continue
		}
		short++
		if want := strconv.AppendFloat([]byte("x"), x, 'g', -1, 64); string(got) != string(want) {
			t.Errorf("%v is %s, want %s", x, got, want)
		}
		if y, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 15, 64), 64); y != x {
			t.Errorf("%v has more than 15 digits", x)
		}
	}
	if short < 10000 {
		t.Errorf("%d of %d numbers are short", short, len(x))
	}
}
