package ingest

import (
	"fmt"
	"math"
)

// record is the wanted rows of a recording, column by column as they were asked
// for; a time column is the first.
type record struct {
	cols   [][]float64
	rows   int // rows kept
	first  int // recording's row that was kept first, from 0
	place  string
	origin int     // what place calls row 0
	begin  float64 // first and last time of the recording as far as it was read, in s
	end    float64
	all    bool  // the recording was read to its end
	left   []int // numbers of the rows that were left, counted from the first kept; nil when all were
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
	r.all, r.begin, r.end = all, c.begin, c.now
	for i := range r.cols {
		r.cols[i] = r.cols[i][:r.rows]
	}
	return r
}

// joinSplit makes one of neighbouring rows with one stamp, which the first column
// holds, if no column has a sample in two of them: so does a recording look that writes
// every channel in rows of its own.
func (r *record) joinSplit() {
	t, kept := r.cols[0], 0
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
		for i := range r.cols {
			r.cols[i] = r.cols[i][:r.rows]
		}
	}
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

// cursor follows the time of a recording row by row and tells which rows are
// wanted: start <= time < end. It is at work only when windowed.
type cursor struct {
	windowed   bool
	stamped    bool    // there is a time column
	scale      float64 // s per unit of the time column
	rate       float64 // Hz, without a time column
	start, end float64 // s, -Inf and +Inf where not given
	lenient    bool    // rows of the lap whose time does not advance are wanted too

	row        int
	begin, now float64 // s
	bad        bool    // the time did not increase, or was missing
}

func newCursor(p Params) cursor {
	c := cursor{stamped: p.Time.Column != "", scale: p.Time.Scale, rate: p.Time.Rate, start: p.StartS, end: p.EndS}
	c.windowed = !math.IsNaN(c.start) || !math.IsNaN(c.end)
	if math.IsNaN(c.start) {
		c.start = math.Inf(-1)
	}
	if math.IsNaN(c.end) {
		c.end = math.Inf(1)
	}
	return c
}

// step goes on to the next row. When the row is not wanted, after tells whether
// reading can stop: all later rows are not wanted either, or the time is bad.
func (c *cursor) step(stamp float64) (in, after bool) {
	was := c.now
	if c.now = seconds(stamp, c.scale); !c.stamped {
		c.now = float64(c.row) / c.rate
	}
	switch {
	case c.row == 0 && c.now == c.now:
		c.begin = c.now
	case c.lenient && c.row > 0 && c.start <= was && was < c.end && (!(c.now > was) || math.IsInf(c.now, 1)):
		c.now = was
		c.row++
		return true, false
	case c.row > 0 && c.now == was && c.now < c.start: // it moves no lap
		c.row++
		return false, false
	case !(c.now > was):
		c.bad = true
		return false, true
	}
	c.row++
	return c.start <= c.now && c.now < c.end, c.now >= c.end
}

// fault is the refusal of the row that the cursor stopped at, if its time is bad.
func (c *cursor) fault(s *file, r *record, row int, needed []string) error {
	if !c.bad {
		return nil
	}
	return s.refuse("%s %d, column %q: the time is missing or does not increase there; correct the time column or leave the lap out",
		r.place, r.origin+row, needed[0])
}
