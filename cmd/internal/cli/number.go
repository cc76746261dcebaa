package cli

import (
	"fmt"
	"math"
	"strconv"
)

// number prints as JSON where it is finite; what is not known or without bound is
// null, which JSON has no number for.
type number float64

// MarshalJSON implements json.Marshaler.
func (n number) MarshalJSON() ([]byte, error) {
	v := float64(n)
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, v, 'g', -1, 64), nil
}

// String shows three significant digits, as a person reads them.
func (n number) String() string {
	v := float64(n)
	switch {
	case math.IsNaN(v):
		return "-"
	case math.IsInf(v, 1):
		return "no limit"
	case v == 0:
		return "0"
	case math.Abs(v) >= 1e-3 && math.Abs(v) < 1e5:
		return strconv.FormatFloat(v, 'f', decimals(v), 64)
	}
	return fmt.Sprintf("%.2e", v)
}

// decimals is how many places after the point give three significant digits.
func decimals(v float64) int {
	return max(0, 2-int(math.Floor(math.Log10(math.Abs(v)))))
}

// percent shows a share.
func percent(v float64) string {
	switch {
	case math.IsNaN(v):
		return "-"
	case v > 0 && v < 0.001:
		return "<0.1 %"
	}
	return fmt.Sprintf("%.1f %%", 100*v)
}
