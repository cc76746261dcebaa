package frame

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
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
	out := bufio.NewWriterSize(w, 64<<10)
	line := make([]byte, 0, 64*len(f.cols))
	alone := len(f.cols) == 1
	for i, c := range f.cols {
		line = appendSeparator(line, i)
		line = appendText(line, c.Name, alone)
	}
	out.Write(append(line, '\n')) // the first error sticks and Flush returns it
	for row := range f.rows {
		line = line[:0]
		for i := range f.cols {
			line = appendSeparator(line, i)
			line = appendCell(line, &f.cols[i], row, alone)
		}
		if _, err := out.Write(append(line, '\n')); err != nil {
			return fmt.Errorf("write csv: row %d: %w", row, err)
		}
	}
	if err := out.Flush(); err != nil {
		return fmt.Errorf("write csv: %w", err)
	}
	return nil
}

func appendSeparator(line []byte, column int) []byte {
	if column == 0 {
		return line
	}
	return append(line, ',')
}

func appendCell(line []byte, c *Column, row int, alone bool) []byte {
	start := len(line)
	switch v := c.data.(type) {
	case []float64:
		line = appendNumber(line, v[row], 64)
	case []float32:
		line = appendNumber(line, float64(v[row]), 32)
	case []int64:
		line = strconv.AppendInt(line, v[row], 10)
	case []int32:
		line = strconv.AppendInt(line, int64(v[row]), 10)
	case []int16:
		line = strconv.AppendInt(line, int64(v[row]), 10)
	case []bool:
		line = strconv.AppendBool(line, v[row])
	case []string:
		return appendText(line, Guard(v[row]), alone)
	}
	if alone && len(line) == start {
		line = append(line, '"', '"')
	}
	return line
}

func appendNumber(line []byte, x float64, bits int) []byte {
	switch {
	case math.IsNaN(x):
		return line
	case math.IsInf(x, 1):
		return append(line, "inf"...)
	case math.IsInf(x, -1):
		return append(line, "-inf"...)
	}
	return strconv.AppendFloat(line, x, 'g', -1, bits)
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
