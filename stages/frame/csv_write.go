package frame

import (
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
	if len(f.cols) == 0 {
		return fmt.Errorf("write csv: %w", errNoColumns)
	}
	room := csvBuffers.Get().(*[]byte)
	defer csvBuffers.Put(room)
	lines := (*room)[:0]
	cells := make([]csvColumn, len(f.cols))
	for i, c := range f.cols {
		cells[i] = csvColumn{data: c.data, alone: len(f.cols) == 1}
		lines = append(appendText(lines, c.Name, cells[i].alone), ',')
	}
	endLine(lines)
	for row := range f.rows {
		for i := range cells {
			lines = cells[i].append(lines, row)
		}
		endLine(lines)
		if len(lines) < csvBlock {
			continue
		}
		whole := len(lines) - len(lines)%csvBlock
		if _, err := w.Write(lines[:whole]); err != nil {
			return fmt.Errorf("write csv: row %d: %w", row, err)
		}
		lines = append(lines[:0], lines[whole:]...)
	}
	*room = lines
	if _, err := w.Write(lines); err != nil {
		return fmt.Errorf("write csv: %w", err)
	}
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
