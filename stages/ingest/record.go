package ingest

import (
	"fmt"
	"math"

	"lapwear/stages/frame"
)

// record is the wanted rows of a recording, column by column as they were asked
// for; a time column is the first. Each column has memory of its own, with what lies behind its rows.
type record struct {
	cols    [][]float64
	lean    [][]float32 // columns of single precision, whose cols is nil; nil where there are none
	rows    int         // rows kept
	first   int         // recording's row that was kept first, from 0
	place   string
	origin  int     // what place calls row 0
	begin   float64 // least and greatest time of the recording as far as it was read, in s; 0 when all rows were wanted
	end     float64
	entered float64 // s, the time of the first row that was kept, where not all rows were wanted; NaN else
	all     bool    // the recording was read to its end
	finite  bool    // every cell is known to hold a finite number
	left    []int   // numbers of the rows that were left, counted from the first kept; nil when all were
}

// keep counts the row that was just written.
func (r *record) keep(row int) {
	if r.rows == 0 {
		r.first = row
	}
	r.rows++
}

// close ends the record; all tells that the recording was read to its end.
func (r *record) close(c cursor, all bool) *record {
	r.all, r.entered = all, math.NaN()
	if c.windowed {
		r.begin, r.end, r.entered = c.begin, c.latest, c.entered
		r.rows -= c.trailing()
	}
	r.shorten()
	return r
}

// shorten leaves the columns as many rows as are kept.
func (r *record) shorten() {
	for i := range r.cols {
		if r.single(i) {
			r.lean[i] = r.lean[i][:r.rows]
		} else {
			r.cols[i] = r.cols[i][:r.rows]
		}
	}
}

// single tells whether a column is of single precision.
func (r *record) single(i int) bool { return r.lean != nil && r.lean[i] != nil }

// wide returns a column as float64.
func (r *record) wide(i int) []float64 {
	if r.single(i) {
		r.cols[i] = frame.Widen(r.lean[i], takeRoom[float64](&rooms, len(r.lean[i])))
		giveRoom(&leanRooms, r.lean[i])
		r.lean[i] = nil
	}
	return r.cols[i]
}

// widen makes all columns float64.
func (r *record) widen() {
	for i := range r.cols {
		r.wide(i)
	}
}

// joinSplit makes one of neighbouring rows with one stamp, which the first column
// holds, if no column has a sample in two of them: so does a recording look that writes
// every channel in rows of its own.
func (r *record) joinSplit() {
	t, kept := r.cols[0], 0
	if !hasEqual(t[:r.rows]) {
		return
	}
	r.widen()
	for row := 1; row < r.rows; row++ {
		if t[row] == t[kept] && r.join(kept, row) {
			if r.left == nil {
				r.left = upTo(row)
			}
			continue
		}
		if kept++; kept == row {
			continue
		}
		for _, c := range r.cols {
			c[kept] = c[row]
		}
		r.left = append(r.left, row)
	}
	if r.left != nil {
		r.rows = kept + 1
		r.shorten()
	}
}

// hasEqual tells whether two neighbours are equal.
func hasEqual(t []float64) bool {
	for i := 1; i < len(t); i++ {
		if t[i] == t[i-1] {
			return true
		}
	}
	return false
}

// upTo is the numbers below n.
func upTo(n int) []int {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	return all
}

// join adds a row's samples to another row, if it has none of their columns.
func (r *record) join(to, from int) bool {
	for _, c := range r.cols[1:] {
		if c[to] == c[to] && c[from] == c[from] {
			return false
		}
	}
	for _, c := range r.cols[1:] {
		if c[from] == c[from] {
			c[to] = c[from]
		}
	}
	return true
}

// at names a row of the recording for the user, given the number of a kept row.
func (r *record) at(kept int) int { return r.origin + r.row(kept) }

// row is the number in the recording, from 0, of a kept row.
func (r *record) row(kept int) int {
	if r.left != nil {
		kept = r.left[kept]
	}
	return r.first + kept
}

// spot names a cell for the user; without a column, a row.
func (r *record) spot(kept int, column string) string {
	if column == "" {
		return fmt.Sprintf("%s %d", r.place, r.at(kept))
	}
	return fmt.Sprintf("%s %d, column %q", r.place, r.at(kept), column)
}
