package report

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"sync"

	"github.com/xuri/excelize/v2"
	"github.com/zeebo/blake3"

	"lapwear/cache/key"
	"lapwear/stages/frame"
)

// sheetRows is the most rows of a sheet (ECMA-376 names no limit; spreadsheets have this one).
const sheetRows = 1 << 20

// columnsSheet is the sheet that says what the columns of all others are.
const columnsSheet = "columns"

// Workbook is tables as an Office Open XML workbook (ECMA-376): the sheet columns,
// which gives every column its unit and meaning, then a sheet a table. The header is frozen
// and shows units, and its cells hold the names alone. Texts are stored as texts and numbers
// as numbers, rounded to 15 significant digits, as many as spreadsheets keep: there is no formula in it. An infinite number is the text inf. A table of more
// rows than a sheet takes goes on in sheets named after it, "laps (2)". Equal tables give
// equal bytes.
type Workbook struct {
	tables  []Table
	sums    map[string][sha256.Size]byte // that name the encodings of tables, by table, where they are known
	schema  func() []byte                // of the tables, as JSON
	layout  func() string                // a hash of all but the rows, in hexadecimal
	made    func() string                // of which tables, as a hash in hexadecimal
	slow    bool                         // leave all rows to the library, to compare with it
	earlier Earlier                      // the workbook before
	begun   func() *archive              // whose rows are packed, or about to be
}

// NewWorkbook returns the workbook of tables.
func NewWorkbook(tables []Table) *Workbook {
	k := &Workbook{tables: tables, sums: map[string][sha256.Size]byte{}}
	k.schema = sync.OnceValue(func() []byte {
		var text bytes.Buffer
		DescribeTables(tables).WriteJSON(&text) // a buffer never fails to write
		return text.Bytes()
	})
	k.layout = sync.OnceValue(func() string { return hex.EncodeToString(k.layoutSum()) })
	k.made = sync.OnceValue(func() string { return hex.EncodeToString(k.fingerprint()) })
	k.begun = sync.OnceValue(func() *archive {
		z := &archive{made: k.made(), layout: k.layout(), rows: k.rows(), earlier: k.earlier}
		z.begin()
		return z
	})
	return k
}

// Schema is the schema of the workbook's tables as JSON, of which it is made too. It must not be changed.
func (k *Workbook) Schema() []byte { return k.schema() }

// Begin has the workbook's rows packed beside what comes before Write, which takes most of its time. Known and After come first.
func (k *Workbook) Begin() { k.begun() }

// Kept lists which rows of a table are in the earlier workbook as they are, in their order. After comes before it, and it begins the workbook as Begin does. Rows are
// compared in pieces: some that are the same are missing where others changed beside them, and all where the layout is another, or the number of any table's rows.
func (k *Workbook) Kept(table string) []frame.Rows {
	var out []frame.Rows
	sheet := 1 // as rows counts them
	for _, t := range k.tables {
		for range sheetsOf(t.Frame) {
			if sheet++; t.Name == table {
				out = append(out, k.begun().kept(sheetFile(sheet))...)
			}
		}
	}
	return out
}

// Known says by which hash a table's encoding is known, so that it is not hashed again.
func (k *Workbook) Known(table string, sum [sha256.Size]byte) { k.sums[table] = sum }

// Write writes the workbook.
func (k *Workbook) Write(w io.Writer) error {
	out, z := &sealing{w: w, h: blake3.New()}, k.begun()
	z.out = out
	done, err := z.rewrite()
	if err == nil && !done {
		err = k.layOut(z)
	}
	if err != nil {
		return fmt.Errorf("write workbook: %w", err)
	}
	return out.end()
}

// rows are those of all tables by the sheet's file, where they are written into it at the end.
func (k *Workbook) rows() map[string]rows {
	out := map[string]rows{}
	if k.slow {
		return out
	}
	sheet := 1 // the first one has the columns
	for _, t := range k.tables {
		for _, r := range sheetsOf(t.Frame) {
			sheet++
			out[sheetFile(sheet)] = r
		}
	}
	return out
}

// sheetsOf are a table's rows by sheets, of which there is one at least.
func sheetsOf(f *frame.Frame) []rows {
	var out []rows
	for start := 0; start < f.Rows() || start == 0; start += sheetRows - 1 {
		out = append(out, rows{f, start, min(f.Rows()-start, sheetRows-1), 0})
	}
	return out
}

// sheetFile names the file of a sheet, counted from 1.
func sheetFile(sheet int) string { return fmt.Sprintf("xl/worksheets/sheet%d.xml", sheet) }

// layOut has the library write the workbook.
func (k *Workbook) layOut(z *archive) (err error) {
	f := excelize.NewFile()
	defer func() { err = errors.Join(err, f.Close()) }()
	b := &book{file: f, styles: map[string]int{}, slow: k.slow}
	f.SetZipWriter(func(io.Writer) excelize.ZipWriter { return z })
	f.Pkg.Store("docProps/core.xml", []byte(properties))
	if err := b.addColumns(DescribeTables(k.tables)); err != nil {
		return fmt.Errorf("sheet %q: %w", columnsSheet, err)
	}
	for _, t := range k.tables {
		if err := b.addTable(t); err != nil {
			return fmt.Errorf("table %q: %w", t.Name, err)
		}
	}
	return f.Write(io.Discard)
}

// workbookFormat is raised whenever equal tables give another workbook than before.
const workbookFormat = 11

// sealLength is the length of the seal that ends the archive's comment, a BLAKE3 in hexadecimal, and madeLength that of the hash of the tables
// before it, a SHA-256.
const (
	sealLength = 2 * 32
	madeLength = 2 * sha256.Size
)

// IsCurrent tells whether a workbook is what Write would write: by its
// archive's comment, which holds a hash of the tables.
func (k *Workbook) IsCurrent(was Earlier) bool {
	at := len(was.text) - sealLength - madeLength
	return at > 0 && string(was.text[at:at+madeLength]) == k.made()
}

// After has Write take from an earlier workbook what it would pack again.
func (k *Workbook) After(was Earlier) { k.earlier = was }

// Earlier is what After was given.
func (k *Workbook) Earlier() Earlier { return k.earlier }

// sealed tells whether a workbook is as it was written: by its archive's comment, which ends with a hash of all that stands before it. One that was saved by
// another program has no such comment. all is the BLAKE3 of the whole.
func sealed(text []byte) (all key.ID, ok bool) {
	h, at := blake3.New(), len(text)-sealLength
	h.Write(text[:at])
	ok = string(text[at:]) == hex.EncodeToString(h.Sum(nil))
	h.Write(text[at:])
	h.Sum(all[:0])
	return all, ok
}

// fingerprint hashes what a workbook is made of.
func (k *Workbook) fingerprint() []byte {
	h := sha256.New()
	fmt.Fprintln(h, k.layout())
	for _, t := range k.tables {
		sum, known := k.sums[t.Name]
		if !known {
			one := sha256.New()
			t.Frame.EncodeTo(one)
			one.Sum(sum[:0])
		}
		fmt.Fprintf(h, "%x\n", sum)
	}
	return h.Sum(nil)
}

// layoutSum hashes what a workbook is made of besides rows: columns, and how many rows there are.
func (k *Workbook) layoutSum() []byte {
	h := sha256.New()
	fmt.Fprintf(h, "workbook %d\n", workbookFormat)
	h.Write(k.schema())
	return h.Sum(nil)
}

// epoch stands where a workbook has times: equal tables give equal bytes.
const epoch = "2000-01-01T00:00:00Z"

// properties are a workbook's core properties (ECMA-376 part 2, 11). The library writes them without the usual prefix cp, by which some readers look for them.
const properties = xml.Header + `<cp:coreProperties xmlns:cp="http://schemas.openxmlformats.org/package/2006/metadata/core-properties"` +
	` xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:dcterms="http://purl.org/dc/terms/" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">` +
	`<dc:creator>lapwear</dc:creator><dcterms:created xsi:type="dcterms:W3CDTF">` + epoch + `</dcterms:created>` +
	`<dcterms:modified xsi:type="dcterms:W3CDTF">` + epoch + `</dcterms:modified></cp:coreProperties>`

// book is a workbook that is being written.
type book struct {
	file   *excelize.File
	sheets int
	styles map[string]int // heads by unit
	slow   bool           // leave all rows to the library, to compare with it
}

// addColumns writes the sheet that explains all others.
func (b *book) addColumns(s Schema) error {
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
func (b *book) addTable(t Table) error {
	d := DescribeTables([]Table{t}).Tables[0]
	widths := make([]float64, len(d.Columns))
	for i, c := range d.Columns {
		widths[i] = float64(min(max(len(c.Name)+len(c.Unit)+6, 10), 42))
	}
	for part, r := range sheetsOf(t.Frame) {
		name := t.Name
		if part > 0 {
			name = fmt.Sprintf("%s (%d)", t.Name, part+1)
		}
		body := func(w *excelize.StreamWriter) error {
			if !b.slow {
				return nil
			}
			return setRows(w, r.n, func(i int) []any { return cells(t.Frame, r.from+i) })
		}
		if err := b.addSheet(name, d.Columns, widths, r.n, body); err != nil {
			return err
		}
	}
	return nil
}

// addSheet writes a sheet of n rows under a frozen header. body writes the rows, unless that is done later.
func (b *book) addSheet(name string, heads []SchemaColumn, widths []float64, n int, body func(*excelize.StreamWriter) error) error {
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
func (b *book) newSheet(name string) error {
	b.sheets++
	if b.sheets == 1 {
		return b.file.SetSheetName(b.file.GetSheetName(0), name)
	}
	_, err := b.file.NewSheet(name)
	return err
}

// filter makes the sheet's rows a table with a filter in each head.
func (b *book) filter(w *excelize.StreamWriter, last string) error {
	stripes := false
	return w.AddTable(&excelize.Table{Range: "A1:" + last, Name: fmt.Sprintf("sheet_%d", b.sheets), ShowRowStripes: &stripes})
}

// headStyle shows a unit behind the head's text, which stays the column's name. The sheet's table calls the column by what is shown, unit
// included, as ECMA-376 part 1, 18.5.1.3, has it (from memory).
func (b *book) headStyle(unit string) (int, error) {
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
