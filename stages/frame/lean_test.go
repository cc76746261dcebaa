package frame

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

func TestLean(t *testing.T) {
	late := make([]float64, 100)
	late[99] = 0.1
	for _, c := range []struct {
		reason string
		v      []float64
		kind   Kind
	}{
		{"no numbers", []float64{}, Float32},
		{"steps of a logger", []float64{1.0 / 2048, -16, 3}, Float32},
		{"a number that is missing", []float64{1, math.NaN()}, Float32},
		{"without end", []float64{math.Inf(1), math.Inf(-1)}, Float32},
		{"the least of single precision", []float64{math.SmallestNonzeroFloat32}, Float32},
		{"a tenth", []float64{1, 0.1}, Float64},
		{"a tenth, late", late, Float64},
		{"beyond single precision", []float64{1e39}, Float64},
		{"too small for single precision", []float64{1e-46}, Float64},
	} {
		f := Must(nil, Lean("value", "g", c.v))
		if k := f.Columns()[0].Kind(); k != c.kind {
			t.Errorf("%s: %v, want %v", c.reason, k, c.kind)
		}
		for _, room := range [][]float64{nil, make([]float64, 1000)} {
			got, err := Numbers(f, "value", room)
			if diff := cmp.Diff(c.v, got, cmpopts.EquateNaNs(), cmpopts.EquateEmpty()); err != nil || diff != "" {
				t.Errorf("%s: error %v, read back (-want +got):\n%s", c.reason, err, diff)
			}
		}
	}
	if _, err := Numbers(Must(nil, Col("name", "", []string{"a"})), "name", nil); err == nil {
		t.Error("texts were read as numbers")
	}
}
