package season

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"unicode/utf8"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// maxRows bounds a Parquet manifest, whose size in bytes says little of its rows.
const maxRows = 1_000_000

// column is a column that a table may have.
type column struct {
	name string
	must bool
}

// rows is a table's content, row by row. A row may be kept only until the next.
type rows interface {
	next() (row []string, ok bool)
	at(col int) pos // of a field of the row; beyond its end, of the end
	line() int
	missing() string // what an empty number is written as, beside ""
}

// table reads a manifest or a calendar, and adds what is wrong to the faults.
type table struct {
	rows
	faults *collector
	index  map[string]int
	row    []string
	about  int  // rows, to make room for
	commas bool // 4,2 is a number: the fields are separated by semicolons
}

// openTable opens a CSV or Parquet file and checks its header. The error says why
// it cannot be read at all.
func openTable(path, shown string, limit int64, cols []column, faults *collector, read contents) (*table, error) {
	head, err := readHead(path)
	if err != nil {
		return nil, err
	}
	if string(head) == "PAR1" {
		return openParquetTable(path, shown, limit, cols, faults, read)
	}
	text, err := readText(path, limit, read)
	if err != nil {
		return nil, err
	}
	t := &table{faults: faults}
	if line, col, what := badText(text); what != "" {
		faults.add(pos{shown, line, col}, "save it as UTF-8 CSV", "%s", what)
		t.rows = noRows{}
		return t, nil
	}
	r := newCSVRows(shown, text, faults)
	t.rows, t.commas, t.about = r, r.reader.Comma == ';', min(bytes.Count(text, []byte("\n")), maxRows)
	header, ok := r.next()
	if !ok {
		faults.add(pos{shown, 1, 1}, "begin it with a header", "nothing in it, expected the header %s", strings.Join(names(cols), ","))
		return t, nil
	}
	t.header(slices.Clone(header), cols)
	r.width = len(header)
	return t, nil
}

// readHead reads the first four bytes of a regular file.
func readHead(path string) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, plainError(err)
	}
	if !info.Mode().IsRegular() {
		return nil, errors.New("not a file")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, plainError(err)
	}
	defer f.Close()
	head := make([]byte, 4)
	n, err := io.ReadFull(f, head)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, io.ErrUnexpectedEOF) {
		return nil, plainError(err)
	}
	return head[:n], nil
}

func names(cols []column) []string {
	out := make([]string, len(cols))
	for i, c := range cols {
		out[i] = c.name
	}
	return out
}

// header checks the names of the columns; without a required one no row is read.
func (t *table) header(header []string, cols []column) {
	t.index = make(map[string]int, len(header))
	known := names(cols)
	for i, name := range header {
		name = strings.TrimSpace(name)
		first, twice := t.index[name]
		switch {
		case name == "":
			t.faults.add(t.at(i), "name it or take it out", "column %d has no name", i+1)
		case !slices.Contains(known, name):
			t.faults.add(t.at(i), suggest(name, known), "unknown column %q", name)
		case twice:
			t.faults.add(t.at(i), "keep one of the two", "column %q occurs twice, first as column %d", name, first+1)
		default:
			t.index[name] = i
		}
	}
	complete := true
	for _, c := range cols {
		if _, ok := t.index[c.name]; c.must && !ok {
			complete = false
			t.faults.add(t.at(0), "required are "+strings.Join(required(cols), ", "), "the header has no column %q", c.name)
		}
	}
	if !complete {
		t.rows = noRows{}
	}
}

func required(cols []column) []string {
	var out []string
	for _, c := range cols {
		if c.must {
			out = append(out, c.name)
		}
	}
	return out
}

// next goes to the next row that is not blank.
func (t *table) next() bool {
	for {
		row, ok := t.rows.next()
		if !ok {
			return false
		}
		for _, field := range row {
			if strings.TrimSpace(field) != "" {
				t.row = row
				return true
			}
		}
	}
}

// text is a field of the row; "" without the column.
func (t *table) text(name string) string {
	i, ok := t.index[name]
	if !ok {
		return ""
	}
	return strings.TrimSpace(t.row[i])
}

func (t *table) fault(name, remedy, format string, args ...any) {
	t.faults.add(t.place(name), remedy, format, args...)
}

// place is where the row's field of that name is, or the row's start.
func (t *table) place(name string) pos {
	i, ok := t.index[name]
	if !ok {
		i = 0
	}
	return t.at(i)
}

func (t *table) required(name string) string {
	text := t.text(name)
	if text == "" {
		t.fault(name, "", "%s is empty, expected a value in every row", name)
	}
	return text
}

func (t *table) requiredNumber(name string, lim limits) float64 {
	if t.required(name) == "" {
		return math.NaN()
	}
	return t.numberOr(name, lim, "")
}

// number is a field as a number; NaN for an empty or a bad one.
func (t *table) number(name string, lim limits) float64 {
	return t.numberOr(name, lim, "leave it empty if it is not known")
}

func (t *table) numberOr(name string, lim limits, remedy string) float64 {
	text := t.text(name)
	if text == "" || text == t.missing() {
		return math.NaN()
	}
	plain := text
	if t.commas {
		plain = strings.Replace(text, ",", ".", 1)
	}
	v, err := parseNumber(plain)
	switch {
	case err != nil:
		t.fault(name, "write a plain number such as 4.2, without a unit", "%s is %q, expected a number", name, text)
		return math.NaN()
	case !lim.holds(v):
		t.fault(name, remedy, "%s is %s, expected %s", name, stages.Cut(text), lim.words)
		return math.NaN()
	}
	return v
}

// choice is a field that holds one of the words; the first when empty.
func (t *table) choice(name string, words ...string) string {
	text := t.text(name)
	switch {
	case text == "":
		return words[0]
	case slices.Contains(words, text):
		return text
	}
	words = slices.DeleteFunc(slices.Clone(words), func(w string) bool { return w == "" })
	t.fault(name, nearestHint(text, words), "%s is %q, expected one of %s", name, text, quoteAll(words))
	return words[0]
}

// noRows is a table whose rows are not worth reading.
type noRows struct{}

func (noRows) next() ([]string, bool) { return nil, false }
func (noRows) at(int) pos             { return pos{} }
func (noRows) line() int              { return 0 }
func (noRows) missing() string        { return "" }

// csvRows reads CSV text.
type csvRows struct {
	shown  string
	text   []byte
	reader *csv.Reader
	faults *collector
	row    []string
	width  int   // of the header; 0 before it is known
	starts []int // of each line, once a column in characters is asked for
}

func newCSVRows(shown string, text []byte, faults *collector) *csvRows {
	r := csv.NewReader(bytes.NewReader(text))
	r.Comma = separator(text)
	r.FieldsPerRecord = -1
	r.ReuseRecord = true
	return &csvRows{shown: shown, text: text, reader: r, faults: faults}
}

// separator is the one of comma, semicolon and tab that the header has most of.
func separator(text []byte) rune {
	header, _, _ := bytes.Cut(bytes.TrimLeft(text, "\n"), []byte("\n"))
	best, most := ',', bytes.Count(header, []byte(","))
	for _, r := range ";\t" {
		if n := bytes.Count(header, []byte(string(r))); n > most {
			best, most = r, n
		}
	}
	return best
}

// next returns the next row of the header's width. Others are faults, and left
// out.
func (r *csvRows) next() ([]string, bool) {
	for {
		row, err := r.reader.Read()
		var bad *csv.ParseError
		switch {
		case errors.As(err, &bad):
			r.row = nil
			r.quotes(bad)
			continue
		case err != nil:
			return nil, false
		}
		r.row = row
		if r.width == 0 || len(row) == r.width {
			return row, true
		}
		r.faults.add(r.at(min(r.width, len(row)-1)), "quote fields that hold a "+separatorName(r.reader.Comma),
			"the row has %d fields, expected %d as in the header", len(row), r.width)
	}
}

func (r *csvRows) quotes(bad *csv.ParseError) {
	row := ""
	if bad.StartLine != bad.Line {
		row = fmt.Sprintf(" of the row that begins in line %d", bad.StartLine)
	}
	what := "a quote within a field without quotes"
	if errors.Is(bad.Err, csv.ErrQuote) {
		what = "a quoted field that does not end with its quote"
	}
	r.faults.add(r.place(bad.Line, bad.Column), "quote the whole field and double the quotes within it", "%s%s", what, row)
}

func separatorName(r rune) string {
	switch r {
	case ';':
		return "semicolon"
	case '\t':
		return "tab"
	}
	return "comma"
}

func (r *csvRows) line() int {
	line, _ := r.reader.FieldPos(0)
	return line
}

func (r *csvRows) missing() string { return "" }

func (r *csvRows) at(col int) pos {
	if len(r.row) == 0 {
		return pos{r.shown, 1, 1}
	}
	line, byteCol := r.reader.FieldPos(min(col, len(r.row)-1))
	return r.place(line, byteCol)
}

// place turns a line and a column in bytes, from 1, into one in characters.
func (r *csvRows) place(line, byteCol int) pos {
	if r.starts == nil {
		r.starts = []int{0}
		for i, b := range r.text {
			if b == '\n' {
				r.starts = append(r.starts, i+1)
			}
		}
	}
	if line < 1 || line > len(r.starts) {
		return pos{r.shown, max(line, 1), max(byteCol, 1)}
	}
	start := r.starts[line-1]
	end := min(start+max(byteCol-1, 0), len(r.text))
	return pos{r.shown, line, utf8.RuneCount(r.text[start:end]) + 1}
}

// parquetRows reads a Parquet file's columns as texts.
type parquetRows struct {
	shown   string
	columns [][]string
	row     []string
	count   int
	current int // from 1
}

func openParquetTable(path, shown string, limit int64, cols []column, faults *collector, read contents) (*table, error) {
	note := func() {
		text, _ := readFile(path, limit) // of one that cannot be read, nothing is known
		read.note(path, text)
	}
	note()
	defer note()
	src, err := frame.OpenParquet(path)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	r := &parquetRows{shown: shown}
	t := &table{rows: r, faults: faults}
	var header []string
	for _, c := range src.Columns() {
		header = append(header, c.Name)
		r.count = int(min(c.Rows, maxRows+1))
	}
	if r.count > maxRows {
		return nil, fmt.Errorf("more than %d rows", maxRows)
	}
	t.about = r.count
	before := len(faults.list)
	if t.header(header, cols); len(faults.list) > before {
		t.rows = noRows{}
		return t, nil
	}
	for _, name := range header {
		texts, err := src.ReadStrings(name)
		if err != nil {
			return nil, err
		}
		r.columns = append(r.columns, texts)
	}
	r.row = make([]string, len(header))
	return t, nil
}

func (r *parquetRows) next() ([]string, bool) {
	if r.current >= r.count {
		return nil, false
	}
	for i, c := range r.columns {
		r.row[i] = c[r.current]
	}
	r.current++
	return r.row, true
}

func (r *parquetRows) at(col int) pos  { return pos{r.shown, max(r.current, 1), col + 1} }
func (r *parquetRows) line() int       { return r.current }
func (r *parquetRows) missing() string { return "NaN" }
