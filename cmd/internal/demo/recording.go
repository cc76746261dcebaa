package demo

import (
	"bufio"
	"compress/gzip"
	"fmt"
	"io"
	"strconv"

	"lapwear/stages/frame"
)

// column is one named column of a recording. Decimals is how many a text file shows.
type column struct {
	name, unit string
	decimals   int
	values     []float32
}

// columns returns the recording's columns in the order of its file.
func (s samples) columns() []column {
	cols := []column{
		{"TIME", "s", 3, s.time},
		{"DIST", "m", 3, s.dist},
		{"AX_CRADLE", "g", 5, s.ax},
		{"AY_CRADLE", "g", 5, s.ay},
		{"AZ_CRADLE", "g", 5, s.az},
		{"RPM_MOTOR", "1/min", 0, s.rpm},
		{"V_WHEEL", "km/h", 2, s.speed},
		{"T_INVERTER", "°C", 1, s.temp},
	}
	if s.toe != nil {
		cols = append(cols, column{"SG_TOE", "ustrain", 2, s.toe}, column{"SG_BORE", "ustrain", 2, s.bore})
	}
	return cols
}

// write writes the recording of lap l in its form.
func (s samples) write(w io.Writer, l lap) error {
	cols := s.columns()
	switch l.dialect {
	case parquet:
		return writeParquet(w, cols)
	case gzipped:
		zw := gzip.NewWriter(w)
		if err := l.textForm().write(zw, cols); err != nil {
			return err
		}
		return zw.Close()
	}
	return l.textForm().write(w, cols)
}

// writeParquet writes the columns as 32-bit floats.
func writeParquet(w io.Writer, cols []column) error {
	out := make([]frame.Column, len(cols))
	for i, c := range cols {
		out[i] = frame.Col(c.name, c.unit, c.values)
	}
	f, err := frame.New(nil, out...)
	if err != nil {
		return err
	}
	return f.WriteRecording(w)
}

// textForm is how a recording looks as text.
type textForm struct {
	preamble []string
	comma    byte // between cells
	point    byte // decimal mark
	newline  string
	units    bool
	latin1   bool
	text     string // stands in one cell of AZ_CRADLE, in the middle of the lap
}

// textForm returns the form of the lap's dialect.
func (l lap) textForm() textForm {
	f := textForm{comma: ',', point: '.', newline: "\n"}
	switch l.dialect {
	case commaCRLF:
		f.newline = "\r\n"
	case semicolon:
		f.comma, f.point, f.units = ';', ',', true
		f.preamble = []string{"# exported lap", "Circuit;" + circuits[l.circuit].name,
			"Session;" + l.session, "Rate;" + strconv.Itoa(l.rate) + " Hz", ""}
	case tabLatin1:
		f.comma, f.units, f.latin1 = '\t', true, true
		f.preamble = []string{"# inverter cradle, limits ±16 g, 85 °C"}
	case textInCells:
		f.text = "OVERRANGE"
	}
	return f
}

// write writes the columns as text.
func (f textForm) write(w io.Writer, cols []column) error {
	bw := bufio.NewWriterSize(w, 1<<16)
	for _, line := range f.preamble {
		bw.WriteString(f.encode(line) + f.newline)
	}
	f.writeLine(bw, cols, func(c column) string { return c.name })
	if f.units {
		f.writeLine(bw, cols, func(c column) string { return c.unit })
	}
	var row []byte
	for i := range cols[0].values {
		row = f.appendRow(row[:0], cols, i)
		if _, err := bw.Write(row); err != nil {
			return fmt.Errorf("write row %d: %w", i+1, err)
		}
	}
	return bw.Flush() // also reports an earlier failure
}

// writeLine writes one text cell a column.
func (f textForm) writeLine(bw *bufio.Writer, cols []column, cell func(column) string) {
	for i, c := range cols {
		if i > 0 {
			bw.WriteByte(f.comma)
		}
		bw.WriteString(f.encode(cell(c)))
	}
	bw.WriteString(f.newline)
}

// appendRow appends row i.
func (f textForm) appendRow(row []byte, cols []column, i int) []byte {
	for j, c := range cols {
		if j > 0 {
			row = append(row, f.comma)
		}
		if f.text != "" && c.name == "AZ_CRADLE" && i == len(c.values)/2 {
			row = append(row, f.text...)
			continue
		}
		start := len(row)
		row = strconv.AppendFloat(row, float64(c.values[i]), 'f', c.decimals, 32)
		for k := start; f.point != '.' && k < len(row); k++ {
			if row[k] == '.' {
				row[k] = f.point
			}
		}
	}
	return append(row, f.newline...)
}

// encode turns text into the form's character set.
func (f textForm) encode(s string) string {
	if !f.latin1 {
		return s
	}
	out := make([]byte, 0, len(s))
	for _, r := range s {
		out = append(out, byte(r)) // every character of the form is below U+0100
	}
	return string(out)
}
