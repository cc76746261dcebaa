package report

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"

	"lapwear/stages/frame"
)

// byLibrary is a workbook as the library writes it.
func byLibrary(t *testing.T, tables ...Table) []byte {
	t.Helper()
	f := excelize.NewFile()
	b := &libraryBook{file: f, styles: map[string]int{}}
	err := f.SetDocProps(&excelize.DocProperties{Creator: creator, Created: epoch, Modified: epoch})
	err = errors.Join(err, b.addColumns(DescribeTables(tables)))
	for _, table := range tables {
		err = errors.Join(err, b.addTable(table))
	}
	var out bytes.Buffer
	if err = errors.Join(err, f.Write(&out), f.Close()); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// libraryBook is a workbook that the library writes.
type libraryBook struct {
	file   *excelize.File
	sheets int
	styles map[string]int // heads by unit
}

// addColumns writes the sheet that explains all others.
func (b *libraryBook) addColumns(s Schema) error {
	heads := []SchemaColumn{{Name: "table"}, {Name: "column"}, {Name: "unit"}, {Name: "type"}, {Name: "meaning"}}
	var rows [][]any
	for _, t := range s.Tables {
		rows = append(rows, []any{t.Name, "", "", "", "A row is " + t.Row + "."})
		for _, c := range t.Columns {
			rows = append(rows, []any{t.Name, c.Name, c.Unit, c.Type, c.Meaning})
		}
	}
	return b.addSheet(columnsSheet, heads, []float64{18, 30, 10, 10, 110}, len(rows), func(w *excelize.StreamWriter) error {
		return setRows(w, len(rows), func(i int) []any { return rows[i] })
	})
}

// addTable writes a table, over several sheets if it has to.
func (b *libraryBook) addTable(t Table) error {
	d := DescribeTables([]Table{t}).Tables[0]
	widths := make([]float64, len(d.Columns))
	for i, c := range d.Columns {
		widths[i] = float64(min(max(len(c.Name)+len(c.Unit)+6, 10), 42))
	}
	for part, start := 1, 0; start < t.Frame.Rows() || part == 1; part++ {
		name, n := t.Name, min(t.Frame.Rows()-start, sheetRows-1)
		if part > 1 {
			name = fmt.Sprintf("%s (%d)", t.Name, part)
		}
		from := start
		body := func(w *excelize.StreamWriter) error {
			return setRows(w, n, func(i int) []any { return cells(t.Frame, from+i) })
		}
		if err := b.addSheet(name, d.Columns, widths, n, body); err != nil {
			return err
		}
		start += n
	}
	return nil
}

// addSheet writes a sheet of n rows under a frozen header. body writes the rows or has them written later.
func (b *libraryBook) addSheet(name string, heads []SchemaColumn, widths []float64, n int, body func(*excelize.StreamWriter) error) error {
	if err := b.newSheet(name); err != nil {
		return err
	}
	last, err := excelize.CoordinatesToCellName(len(heads), n+1)
	if err != nil {
		return err
	}
	if err := b.file.SetSheetDimension(name, "A1:"+last); err != nil { // readers that stream go by it
		return err
	}
	w, err := b.file.NewStreamWriter(name)
	if err != nil {
		return err
	}
	head := make([]any, len(heads))
	for i, h := range heads {
		style, err := b.headStyle(h.Unit)
		if err != nil {
			return err
		}
		head[i] = excelize.Cell{StyleID: style, Value: h.Name}
		if err := w.SetColWidth(i+1, i+1, widths[i]); err != nil {
			return err
		}
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	if err := w.SetRow("A1", head); err != nil {
		return err
	}
	if err := body(w); err != nil {
		return err
	}
	if n > 0 {
		if err := b.filter(w, last); err != nil {
			return err
		}
	}
	return w.Flush()
}

// setRows has the library write n rows under the head.
func setRows(w *excelize.StreamWriter, n int, row func(int) []any) error {
	for i := range n {
		at, err := excelize.CoordinatesToCellName(1, i+2)
		if err != nil {
			return err
		}
		if err := w.SetRow(at, row(i)); err != nil {
			return err
		}
	}
	return nil
}

// newSheet adds a sheet; the first one is there already, under another name.
func (b *libraryBook) newSheet(name string) error {
	b.sheets++
	if b.sheets == 1 {
		return b.file.SetSheetName(b.file.GetSheetName(0), name)
	}
	_, err := b.file.NewSheet(name)
	return err
}

// filter makes the sheet's rows a table with a filter in each head.
func (b *libraryBook) filter(w *excelize.StreamWriter, last string) error {
	stripes := false
	return w.AddTable(&excelize.Table{Range: "A1:" + last, Name: fmt.Sprintf("sheet_%d", b.sheets), ShowRowStripes: &stripes})
}

// headStyle shows a unit behind the head's text, which stays the column's name.
func (b *libraryBook) headStyle(unit string) (int, error) {
	if id, ok := b.styles[unit]; ok {
		return id, nil
	}
	style := &excelize.Style{Font: &excelize.Font{Bold: true}}
	if unit != "" && unit != "1" {
		format := `General;General;General;@", ` + strings.ReplaceAll(unit, `"`, "") + `"`
		style.CustomNumFmt = &format
	}
	id, err := b.file.NewStyle(style)
	b.styles[unit] = id
	return id, err
}

// cells returns a row of a frame; what is not known is empty.
func cells(f *frame.Frame, row int) []any {
	out := make([]any, len(f.Columns()))
	for i, c := range f.Columns() {
		out[i] = cellValue(c, row)
	}
	return out
}

func cellValue(c frame.Column, row int) any {
	switch v := c.Values().(type) {
	case []float64:
		return numberCell(v[row])
	case []float32:
		return numberCell(float64(v[row]))
	case []int64:
		return v[row]
	case []int32:
		return v[row]
	case []bool:
		return v[row]
	case []string:
		if v[row] != "" {
			return strings.ToValidUTF8(v[row], "�")
		}
	}
	return nil
}

func numberCell(x float64) any {
	switch {
	case math.IsNaN(x):
		return nil
	case math.IsInf(x, 1):
		return "inf"
	case math.IsInf(x, -1):
		return "-inf"
	}
	// The library cuts digits beyond the fifteenth off; rounded, there are none.
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 15, 64), 64)
	if err != nil {
		return x // the largest numbers round to one without end
	}
	return rounded
}
