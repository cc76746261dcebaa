package report

import (
	"encoding/json"
	"io"
	"path"
	"strings"

	"lapwear/stages/aggregate"
	"lapwear/stages/frame"
)

// Schema describes tables to a program that loads them.
type Schema struct {
	Format int           `json:"lapwear"` // version of this description
	Notes  []string      `json:"notes"`
	Tables []SchemaTable `json:"tables"`
}

// SchemaTable describes a table.
type SchemaTable struct {
	Name    string         `json:"name"`
	Row     string         `json:"row"` // what a row is
	Rows    int            `json:"rows"`
	Key     []string       `json:"key"` // columns that together name a row
	Files   []string       `json:"files"`
	Columns []SchemaColumn `json:"columns"`
}

// SchemaColumn describes a column.
type SchemaColumn struct {
	Name    string `json:"name"`
	Type    string `json:"type"`           // number, integer, text or boolean
	Unit    string `json:"unit,omitempty"` // "1" for a pure number; none for texts and booleans
	Meaning string `json:"meaning"`
}

var schemaNotes = []string{
	"Column names, their order and the key of a table stay; columns may be added behind.",
	"A number that is not known is an empty cell in CSV and in the workbook, null in Parquet; inf is a number without end.",
	"CSV: UTF-8, comma, LF. A text that a spreadsheet would take for a formula has an apostrophe before the first of = + - @, " +
		"tab and carriage return in it (after ';', tab or end of line too); a text with apostrophes there has one more. " +
		"Parquet and the workbook have texts as they are.",
}

// DescribeTables makes the schema of published tables. Units and types are the columns' own; what they mean is
// aggregate.Describe's.
func DescribeTables(tables []Table) Schema { return DescribeGroup("", tables) }

// DescribeGroup makes the schema of the tables that a command writes into a folder of its own: testplan or rigcheck.
func DescribeGroup(group string, tables []Table) Schema {
	s := Schema{Format: 1, Notes: schemaNotes, Tables: []SchemaTable{}}
	for _, t := range tables {
		note, _ := aggregate.Describe(path.Join(group, t.Name))
		d := SchemaTable{Name: t.Name, Row: note.Row, Rows: t.Frame.Rows(), Key: []string{},
			Files: []string{t.Name + ".csv", t.Name + ".parquet"}}
		for _, c := range t.Frame.Columns() {
			n, known := note.Columns[c.Name]
			if !known && t.Name == driveTable {
				n.Meaning = driveMeaning(c.Name)
			}
			d.Columns = append(d.Columns, SchemaColumn{c.Name, typeName(c.Kind()), unitName(c), n.Meaning})
			if n.Key {
				d.Key = append(d.Key, c.Name)
			}
		}
		s.Tables = append(s.Tables, d)
	}
	return s
}

// driveMeaning says what a column of the drive is; the channels name it.
func driveMeaning(column string) string {
	if axis, ok := strings.CutSuffix(column, displacementEnd); ok {
		return "displacement of axis " + axis + " from its middle"
	}
	return "the axis' channel on its steady level, such as gravity"
}

// WriteJSON writes the schema.
func (s Schema) WriteJSON(w io.Writer) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(s)
}

func typeName(k frame.Kind) string {
	switch k {
	case frame.Float64, frame.Float32:
		return "number"
	case frame.Int64, frame.Int32:
		return "integer"
	case frame.Bool:
		return "boolean"
	}
	return "text"
}

// unitName is a column's unit; a number without one is a pure number.
func unitName(c frame.Column) string {
	if c.Unit == "" && c.Kind() != frame.String && c.Kind() != frame.Bool {
		return "1"
	}
	return c.Unit
}
