package report

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

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

// nums returns a column's values as num does, looked up once.
func (s sheet) nums(name string) func(i int) float64 { return s.numbers(name).at }

// numbers are the values of a column of numbers, of one kind or the other; both are nil of any other column.
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
	out, num := make([]float64, len(rows)), s.nums(name)
	for i, r := range rows {
		out[i] = num(r)
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

// spots are the rows of each scenario and hot spot, found in one pass.
func (s sheet) spots() map[[2]string][]int {
	out := map[[2]string][]int{}
	scenario, hotspot := s.texts("scenario"), s.texts("hotspot")
	for start, end := 0, 0; start < s.rows(); start = end {
		c, h := scenario(start), hotspot(start)
		for end = start + 1; end < s.rows() && hotspot(end) == h && scenario(end) == c; {
			end++
		}
		k := [2]string{c, h}
		rows := slices.Grow(out[k], end-start)
		for i := start; i < end; i++ {
			rows = append(rows, i)
		}
		out[k] = rows
	}
	return out
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

// longText is the length in letters from which on a cell's text may wrap.
const longText = 32

func text(s string) cell {
	if utf8.RuneCountInString(s) > longText {
		return cell{Text: s, Kind: "long"}
	}
	return cell{Text: s}
}

// count is a number of things.
func count(v float64) cell {
	if v == math.Trunc(v) && math.Abs(v) < 1e15 {
		return numeric(v, strconv.FormatFloat(v, 'f', 0, 64))
	}
	return number(v)
}

func number(v float64) cell { return numeric(v, figure.Number(v)) }

func percent(v float64) cell { return numeric(v, percentText(v)) }

func numeric(v float64, shown string) cell {
	c := cell{Text: shown, Num: true}
	switch {
	case math.IsInf(v, 0):
		c.Sort = strconv.FormatFloat(math.Copysign(math.MaxFloat64, v), 'g', 3, 64)
	case !math.IsNaN(v):
		c.Sort = strconv.FormatFloat(v, 'g', 6, 64)
	}
	return c
}

func percentText(v float64) string {
	switch {
	case math.IsNaN(v):
		return "–"
	case v > 0 && v < 0.001:
		return "<0.1 %"
	case v < 1 && v > 0.999:
		return ">99.9 %"
	}
	return strconv.FormatFloat(100*v, 'f', 1, 64) + " %"
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
