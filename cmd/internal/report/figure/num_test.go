package figure

import (
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
)

// Law: a coordinate is the number rounded to tenths as strconv rounds it, without a zero behind the point.
func TestNum(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 9))
	values := []float64{0, math.Copysign(0, -1), -0.04, 0.05, -0.05, 0.15, 0.25, 0.35, 2.5, 99.95, 360, 1e6, 999999.95, 1e7, -1e7, 1e300, math.Inf(1)}
	for range 20000 {
		values = append(values, r.NormFloat64()*100, float64(r.IntN(8000)-4000)/20, math.Nextafter(float64(r.IntN(8000)-4000)/20, 1e9), r.NormFloat64()*1e7)
	}
	for _, v := range values {
		want := strings.TrimSuffix(strconv.FormatFloat(v, 'f', 1, 64), ".0")
		if want == "-0" {
			want = "0"
		}
		if got := num(v); got != want {
			t.Fatalf("%v is written %q, want %q", v, got, want)
		}
	}
}

func BenchmarkNum(b *testing.B) {
	var dst []byte
	for i := 0; b.Loop(); i++ {
		dst = appendNum(dst[:0], float64(i%3600)*0.0937)
	}
}
