package frame

import (
	"fmt"
	"testing"
)

// A name that occurs twice is found, be there few or many, and wherever it stands.
func TestNamesOccurOnce(t *testing.T) {
	for _, n := range []int{2, fewNames, fewNames + 1, 3 * fewNames} {
		for _, twice := range []int{-1, 0, n / 3, n - 2} {
			var attrs []Attr
			var cols []Column
			for i := range n {
				name := fmt.Sprint("name ", i)
				if i == n-1 && twice >= 0 {
					name = fmt.Sprint("name ", twice)
				}
				attrs, cols = append(attrs, Num(name, "", 1)), append(cols, Col(name, "", []float64{1}))
			}
			for what, err := range map[string]error{"attributes": second(New(attrs)), "columns": second(New(nil, cols...))} {
				if (err != nil) != (twice >= 0) {
					t.Errorf("%d %s, the last named as number %d: %v", n, what, twice, err)
				}
			}
		}
	}
}

func second(_ *Frame, err error) error { return err }

// Frames share memory when columns do, in whatever part.
func TestShares(t *testing.T) {
	x := make([]float64, 10)
	of := func(v []float64) *Frame { return Must(nil, Col("other", "", make([]int32, len(v))), Col("x", "", v)) }
	for _, tt := range []struct {
		reason string
		a, b   []float64
		want   bool
	}{
		{"the same", x, x, true},
		{"one within the other", x, x[3:4], true},
		{"the last of one is the first of the other", x[:5], x[4:], true},
		{"side by side", x[:5], x[5:], false},
		{"apart", x, make([]float64, 10), false},
		{"an empty part", x, x[5:5], false},
		{"both empty", x[5:5], x[5:5], false},
	} {
		for _, got := range []bool{of(tt.a).Shares(of(tt.b)), of(tt.b).Shares(of(tt.a))} {
			if got != tt.want {
				t.Errorf("%s: %v, want %v", tt.reason, got, tt.want)
			}
		}
	}
	if Must(nil).Shares(of(x)) {
		t.Error("a frame without columns shares something")
	}
}
