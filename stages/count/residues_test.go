package count

import (
	"testing"

	"lapwear/stages/frame"
)

// The laps' numbers of rows have to add up to the rows there are.
func TestByLap(t *testing.T) {
	for text, good := range map[string]bool{"1 0 2": true, "1 2 1": false, "1 1": false, "": false, "4 -1": false} {
		f := frame.Must([]frame.Attr{frame.Text("laps", text)}, frame.Col("x", "", make([]float64, 3)))
		if got, err := ByLap(f, func(from, to int) int { return to - from }); (err == nil) != good {
			t.Errorf("%q of 3 rows: %v, error %v", text, got, err)
		}
	}
}
