package report

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"lapwear/cmd/internal/report/figure"
	"lapwear/stages/frame"
)

// base is the name of the season as its file has it, among the scenarios.
const base = "base"

// sheet reads a table by the names of its columns; a column that is missing is empty.
type sheet struct{ f *frame.Frame }

func (s sheet) rows() int {
	if s.f == nil {
		return 0
	}
	return s.f.Rows()
}

func (s sheet) has(name string) bool {
	if s.f == nil {
		return false
	}
	_, ok := s.f.Column(name)
	return ok
}

// text returns a value as text.
func (s sheet) text(name string, i int) string {
	if s.f == nil {
		return ""
	}
	c, _ := s.f.Column(name)
	switch v := c.Values().(type) {
	case []string:
		return v[i]
	case []bool:
		return strconv.FormatBool(v[i])
	}
	if x := s.num(name, i); !math.IsNaN(x) {
		return figure.Number(x)
	}
	return ""
}

// num returns a value as a number, NaN where it is none.
func (s sheet) num(name string, i int) float64 { return s.numbers(name).at(i) }

// numbers are the values of a column of numbers, looked up once, of one kind or the other; both are nil of any other column.
type numbers struct {
	floats []float64
	ints   []int64
}

func (s sheet) numbers(name string) (n numbers) {
	if s.f == nil {
		return n
	}
	c, _ := s.f.Column(name)
	switch v := c.Values().(type) {
	case []float64:
		n.floats = v
	case []int64:
		n.ints = v
	}
	return n
}

func (n numbers) at(i int) float64 {
	switch {
	case n.floats != nil:
		return n.floats[i]
	case n.ints != nil:
		return float64(n.ints[i])
	}
	return math.NaN()
}

// column returns the numbers of a column at some rows.
func (s sheet) column(name string, rows []int) []float64 {
	out, num := make([]float64, len(rows)), s.numbers(name)
	for i, r := range rows {
		out[i] = num.at(r)
	}
	return out
}

// stretch is rows of a table that stand together, from the first up to the one behind the last.
type stretch struct{ from, to int }

// lengthOf counts the rows of stretches.
func lengthOf(rows []stretch) (n int) {
	for _, r := range rows {
		n += r.to - r.from
	}
	return n
}

// shared returns the numbers of a column at some rows, to be read alone: those of one stretch are the column's own.
func (s sheet) shared(name string, rows []stretch) []float64 {
	num := s.numbers(name)
	if len(rows) == 1 && num.floats != nil {
		return num.floats[rows[0].from:rows[0].to]
	}
	out := make([]float64, 0, lengthOf(rows))
	for _, r := range rows {
		for i := r.from; i < r.to; i++ {
			out = append(out, num.at(i))
		}
	}
	return out
}

// where returns the rows in which columns have values: where("scenario", "base").
func (s sheet) where(pairs ...string) []int {
	is := make([]func(i int) string, len(pairs)/2)
	for k := range is {
		is[k] = s.texts(pairs[2*k])
	}
	out := []int{}
	for i := range s.rows() {
		k := len(is) - 1 // the last one tells most
		for k >= 0 && is[k](i) == pairs[2*k+1] {
			k--
		}
		if k < 0 {
			out = append(out, i)
		}
	}
	return out
}

// spots are the rows of each scenario and hot spot, in ascending order, and both in the order in which they first occur.
type spots struct {
	scenarios, hotspots []string
	rows                map[[2]string][]stretch
}

// spots finds them in one pass.
func (s sheet) spots() spots {
	out := spots{rows: map[[2]string][]stretch{}}
	scenario, hotspot := s.runs("scenario"), s.runs("hotspot")
	for start, end := 0, 0; start < s.rows(); start = end {
		c, cEnd := scenario(start)
		h, hEnd := hotspot(start)
		end = min(cEnd, hEnd)
		k := [2]string{c, h}
		rows, known := out.rows[k]
		if !known {
			out.scenarios, out.hotspots = with(out.scenarios, c), with(out.hotspots, h)
		}
		out.rows[k] = append(rows, stretch{start, end})
	}
	return out
}

// list lists rows one by one.
func list(rows []stretch) []int {
	out := make([]int, 0, lengthOf(rows))
	for _, r := range rows {
		for i := r.from; i < r.to; i++ {
			out = append(out, i)
		}
	}
	return out
}

// with adds a text to others, once.
func with(texts []string, s string) []string {
	if slices.Contains(texts, s) {
		return texts
	}
	return append(texts, s)
}

// runs returns what finds a row's text and the first row behind it that has another. Rows are asked for in order.
func (s sheet) runs(name string) func(row int) (text string, end int) {
	text, end := "", 0
	var values []string
	if s.f != nil {
		values, _ = frame.Get[[]string](s.f, name)
	}
	return func(row int) (string, int) {
		if row < end {
			return text, end
		}
		if values == nil {
			text, end = s.text(name, row), row+1
			return text, end
		}
		text = values[row]
		for end = row + 1; end < len(values) && values[end] == text; end++ {
		}
		return text, end
	}
}

// texts returns a column's values as texts, looked up once.
func (s sheet) texts(name string) func(i int) string {
	if s.f != nil {
		if v, err := frame.Get[[]string](s.f, name); err == nil {
			return func(i int) string { return v[i] }
		}
	}
	return func(i int) string { return s.text(name, i) }
}

// distinct lists a column's values in the order in which they first occur.
func (s sheet) distinct(name string) []string {
	var out []string
	seen := map[string]bool{}
	is, last := s.texts(name), ""
	for i := range s.rows() {
		v := is(i)
		if i > 0 && v == last { // mostly
			continue
		}
		if last = v; !seen[v] {
			seen[v] = true
			out = append(out, v)
		}
	}
	return out
}

// descending orders rows by a number, the greatest first and NaN last.
func descending(rows []int, value func(row int) float64) []int {
	out := slices.Clone(rows)
	slices.SortStableFunc(out, func(a, b int) int {
		x, y := value(a), value(b)
		switch {
		case x > y, math.IsNaN(y) && !math.IsNaN(x):
			return -1
		case x < y, math.IsNaN(x) && !math.IsNaN(y):
			return 1
		}
		return 0
	})
	return out
}

// plural counts a noun.
func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// words makes heads of texts; one that ends in "#" is of a column of numbers, and what
// follows a "|" is its unit.
func words(heads ...string) []head {
	out := make([]head, len(heads))
	for i, h := range heads {
		if n := len(h); n > 0 && h[n-1] == '#' {
			out[i].Num, h = true, h[:n-1]
		}
		out[i].Text = h
		if before, after, ok := strings.Cut(h, "|"); ok {
			out[i].Text, out[i].Unit = before, after
		}
	}
	return out
}
