package ingest

import (
	"math"
	"slices"
)

// advancing returns the places of the stamps that advance beyond all before them, or of
// the longest increasing part of all stamps where it is longer, as it is after a single
// stamp that is far ahead; nil when all do. Stamps that are not finite never do.
func advancing(t []float64) []int {
	last, n := math.Inf(-1), 0
	for _, v := range t {
		if v > last && v-v == 0 {
			last = v
			n++
		}
	}
	if n == len(t) {
		return nil
	}
	if rows := longestIncreasing(t); len(rows) > n {
		return rows
	}
	rows := make([]int, 0, n)
	last = math.Inf(-1)
	for k, v := range t {
		if v > last && v-v == 0 {
			rows, last = append(rows, k), v
		}
	}
	return rows
}

// longestIncreasing returns the places of a longest strictly increasing part of finite
// stamps, in order; NaN and infinite ones are passed over. It is Schensted's
// construction (C. Schensted, Canadian Journal of Mathematics 13 (1961) 179,
// doi:10.4153/CJM-1961-015-3).
func longestIncreasing(t []float64) []int {
	var ends []int // of the part of each length that ends lowest, where it ends
	before := make([]int, len(t))
	for i, v := range t {
		if v-v != 0 {
			continue
		}
		n := len(ends)
		if n > 0 && !(v > t[ends[n-1]]) {
			n, _ = slices.BinarySearchFunc(ends, v, func(at int, v float64) int {
				if t[at] < v {
					return -1
				}
				return 1
			})
		}
		if n < len(ends) && t[ends[n]] == v { // the first of equal ones
			continue
		}
		before[i] = -1
		if n > 0 {
			before[i] = ends[n-1]
		}
		if n == len(ends) {
			ends = append(ends, i)
		} else {
			ends[n] = i
		}
	}
	out := make([]int, len(ends))
	if len(ends) == 0 {
		return out
	}
	for i, at := len(ends)-1, ends[len(ends)-1]; i >= 0; i-- {
		out[i] = at
		at = before[at]
	}
	return out
}
