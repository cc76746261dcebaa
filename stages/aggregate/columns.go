package aggregate

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
	"sync"
)

//go:embed columns.csv
var columnsText string

// rigtestText has the tables of the rig test, named after the command that writes them: testplan/rank.
//
//go:embed rigtest.csv
var rigtestText string

// ColumnNote says what stands in a column. Its unit and kind are the column's own.
type ColumnNote struct {
	Meaning string
	Key     bool // with the table's other keys it names the row
}

// TableNote says what a row of a table is, and what its columns hold.
type TableNote struct {
	Row     string
	Columns map[string]ColumnNote
}

// Describe returns what is known of a published table; those that compare laps share theirs.
func Describe(table string) (TableNote, bool) {
	if slices.ContainsFunc(Factors(), func(f string) bool { return CompareTable(f) == table }) {
		table = "compare"
	}
	n, ok := notes()[table]
	return n, ok
}

// NotedTables lists the tables of which there are notes, in the order of the notes.
func NotedTables() []string {
	var out []string
	for _, r := range noteRows() {
		if !slices.Contains(out, r[0]) {
			out = append(out, r[0])
		}
	}
	return out
}

// notes reads the notes once; what is wrong in them is a programmer's mistake.
var notes = sync.OnceValue(func() map[string]TableNote {
	out := map[string]TableNote{}
	for _, r := range noteRows() {
		table, column, meaning := r[0], r[1], r[3]
		t, ok := out[table]
		if !ok {
			t.Columns = map[string]ColumnNote{}
		}
		if column == "" {
			t.Row = meaning
		} else {
			t.Columns[column] = ColumnNote{Meaning: meaning, Key: r[2] == "yes"}
		}
		out[table] = t
	}
	return out
})

func noteRows() [][]string {
	var out [][]string
	for _, text := range []string{columnsText, rigtestText} {
		rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
		if err != nil {
			panic(fmt.Sprintf("aggregate: notes of columns: %v", err))
		}
		out = append(out, rows[1:]...)
	}
	return out
}
