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
