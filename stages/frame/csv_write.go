package frame

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"
)

// errNoColumns is why a frame without columns is not written as a table.
var errNoColumns = errors.New("the frame has no columns; a table needs at least one")

// WriteCSV writes the frame as a table: a header of the column names, then one
// line a row, as RFC 4180 has it but with LF as the end of line. Equal frames
// give equal bytes.
//
//   - Floats are in the shortest form that reads back as the same number; NaN is
//     an empty cell, infinities are inf and -inf.
//   - Bools are true and false.
//   - A text is quoted when it holds a comma, a quote or an end of line, and when
//     it is empty in a table of one column, where many readers skip blank lines.
//     Otherwise an empty text and a missing number look alike.
//   - A text that a spreadsheet would take for a formula is written as Guard has it;
//     Unguard gives it back. Numbers are never altered.
//
// Units and attributes are not part of a CSV table.
func (f *Frame) WriteCSV(w io.Writer) error {
	return f.writeCSV(w, func(t *csvTable) error { return t.rows(0, f.rows) })
}

// Rows are rows of a frame, From the first and To the one behind the last.
type Rows struct{ From, To int }

// WriteCSVAfter is WriteCSV where most rows have been written before: was is the whole table that WriteCSV wrote of a frame with as many rows, and
// the rows that same lists, in their order and none twice, hold what they held in it. Their lines are copied, which takes
// a small part of the time that making them takes. Where a text of was holds an end of line, rows are not found in it, and all are made.
func (f *Frame) WriteCSVAfter(w io.Writer, was []byte, same []Rows) error {
	if bytes.Count(was, []byte{'\n'}) != f.rows+1 {
		return f.WriteCSV(w)
	}
	return f.writeCSV(w, func(t *csvTable) error {
		old, next := earlierLines{text: was}, 0
		old.skip(1) // the header
		for _, r := range same {
			if err := t.rows(next, r.From); err != nil {
				return err
			}
			old.skip(r.From - next)
			if err := t.copy(old.skip(r.To - r.From)); err != nil {
				return err
			}
			next = r.To
		}
		return t.rows(next, f.rows)
	})
}

// earlierLines are the lines of a table from one on.
type earlierLines struct{ text []byte }

// skip goes n lines on and returns them.
func (l *earlierLines) skip(n int) []byte {
	end := 0
	for range n {
		end += bytes.IndexByte(l.text[end:], '\n') + 1
	}
	passed := l.text[:end]
	l.text = l.text[end:]
	return passed
}

// csvTable is a table that is being written.
type csvTable struct {
	w     io.Writer
	lines []byte // not yet written
	cells []csvColumn
}

// writeCSV writes a table, its rows by way of body.
func (f *Frame) writeCSV(w io.Writer, body func(*csvTable) error) error {
	if len(f.cols) == 0 {
		return fmt.Errorf("write csv: %w", errNoColumns)
	}
	room := csvBuffers.Get().(*[]byte)
	defer csvBuffers.Put(room)
	t := &csvTable{w: w, lines: (*room)[:0], cells: make([]csvColumn, len(f.cols))}
	for i, c := range f.cols {
		t.cells[i] = csvColumn{data: c.data, alone: len(f.cols) == 1}
		t.lines = append(appendText(t.lines, c.Name, t.cells[i].alone), ',')
	}
	endLine(t.lines)
	if err := body(t); err != nil {
		return err
	}
	*room = t.lines
	if _, err := w.Write(t.lines); err != nil {
		return fmt.Errorf("write csv: %w", err)
	}
	return nil
}

// rows writes rows, which come in their order.
func (t *csvTable) rows(from, to int) error {
	for row := from; row < to; row++ {
		for i := range t.cells {
			t.lines = t.cells[i].append(t.lines, row)
		}
		endLine(t.lines)
		if len(t.lines) < csvBlock {
			continue
		}
		whole := len(t.lines) - len(t.lines)%csvBlock
		if _, err := t.w.Write(t.lines[:whole]); err != nil {
			return fmt.Errorf("write csv: row %d: %w", row, err)
		}
		t.lines = append(t.lines[:0], t.lines[whole:]...)
	}
	return nil
}

// copy writes lines.
func (t *csvTable) copy(lines []byte) error {
	if len(t.lines)+len(lines) < csvBlock {
		t.lines = append(t.lines, lines...)
		return nil
	}
	for _, b := range [][]byte{t.lines, lines} {
		if _, err := t.w.Write(b); err != nil {
			return fmt.Errorf("write csv: %w", err)
		}
	}
	t.lines = t.lines[:0]
	return nil
}

// csvBlock is how many bytes are written at once.
const csvBlock = 64 << 10

// csvBuffers are those that are not in use, each with room for a block and a long line.
var csvBuffers = sync.Pool{New: func() any {
	b := make([]byte, 0, csvBlock+4<<10)
	return &b
}}

// endLine puts an end of line in place of the last comma.
func endLine(line []byte) { line[len(line)-1] = '\n' }

// csvColumn is a column whose cells are being written. Equal neighbours are made once.
type csvColumn struct {
	data  any
	alone bool   // there is no other column
	text  []byte // the cell made last, if it is that of others too
	until int    // the first row behind those that it is of
}

// append appends a row's cell with a comma behind it. Rows come in their order.
func (c *csvColumn) append(line []byte, row int) []byte {
	if row < c.until {
		return append(line, c.text...)
	}
	start := len(line)
	switch v := c.data.(type) {
	case []float64:
		line, c.until = appendNumber(line, v[row], 64), row+runOf(v[row:], math.Float64bits)
	case []float32:
		line, c.until = appendNumber(line, float64(v[row]), 32), row+runOf(v[row:], math.Float32bits)
	case []int64:
		line, c.until = strconv.AppendInt(line, v[row], 10), row+runOf(v[row:], itself)
	case []int32:
		line, c.until = strconv.AppendInt(line, int64(v[row]), 10), row+runOf(v[row:], itself)
	case []int16:
		line, c.until = strconv.AppendInt(line, int64(v[row]), 10), row+runOf(v[row:], itself)
	case []bool:
		line, c.until = strconv.AppendBool(line, v[row]), row+runOf(v[row:], itself)
	case []string:
		line, c.until = appendText(line, Guard(v[row]), c.alone), row+runOf(v[row:], itself)
	}
	if c.alone && len(line) == start {
		line = append(line, '"', '"')
	}
	line = append(line, ',')
	if c.until > row+1 {
		c.text = append(c.text[:0], line[start:]...)
	}
	return line
}

// runOf counts the values at the beginning that are the same; bits tells which are.
func runOf[V any, B comparable](v []V, bits func(V) B) int {
	n, first := 1, bits(v[0])
	for n < len(v) && bits(v[n]) == first {
		n++
	}
	return n
}

func itself[V comparable](v V) V { return v }

func appendNumber(line []byte, x float64, bits int) []byte {
	switch {
	case math.IsNaN(x):
		return line
	case math.IsInf(x, 1):
		return append(line, "inf"...)
	case math.IsInf(x, -1):
		return append(line, "-inf"...)
	}
	if bits == 64 {
		if short, ok := AppendDecimal(line, x); ok {
			return short
		}
	}
	return strconv.AppendFloat(line, x, 'g', -1, bits)
}

// AppendDecimal appends the shortest decimal that reads back as the number, if that is one below a million of at most three decimals, and
// tells whether it is. Many distances and times are, and it takes a third of the time. No other decimal of up to 15 digits reads back as it.
func AppendDecimal(dst []byte, x float64) ([]byte, bool) {
	thousandths := math.RoundToEven(x * 1000)
	if !(math.Abs(x) < 1e6) || thousandths/1000 != x || x == 0 && math.Signbit(x) {
		return dst, false
	}
	n := int64(thousandths)
	if n < 0 {
		dst, n = append(dst, '-'), -n
	}
	dst = strconv.AppendInt(dst, n/1000, 10)
	for place, rest := int64(100), n%1000; rest > 0; place, rest = place/10, rest%place {
		if place == 100 {
			dst = append(dst, '.')
		}
		dst = append(dst, byte('0'+rest/place))
	}
	return dst, true
}

func appendText(line []byte, s string, alone bool) []byte {
	if !strings.ContainsAny(s, ",\"\r\n") && (s != "" || !alone) {
		return append(line, s...)
	}
	line = append(line, '"')
	for i := range len(s) {
		if s[i] == '"' {
			line = append(line, '"')
		}
		line = append(line, s[i])
	}
	return append(line, '"')
}
