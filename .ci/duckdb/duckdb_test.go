// Package duckdb loads a run's tables with DuckDB, as other teams do: a module of its own,
// so that lapwear itself does not depend on it.
package duckdb

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	_ "github.com/duckdb/duckdb-go/v2"
)

type schema struct {
	Tables []struct {
		Name    string
		Rows    int
		Key     []string
		Columns []struct{ Name, Type string }
	}
}

// types are DuckDB's names of the types that schema.json speaks of.
var types = map[string]string{"number": "DOUBLE", "integer": "BIGINT", "boolean": "BOOLEAN", "text": "VARCHAR"}

// TestTables wants every table of the output folder named in LAPWEAR_OUT to have in Parquet the
// columns, types and number of rows that schema.json states and a key that names each row once,
// and to hold in Parquet and CSV, both read by DuckDB, the same.
func TestTables(t *testing.T) {
	dir := os.Getenv("LAPWEAR_OUT")
	if dir == "" {
		t.Skip("LAPWEAR_OUT names no output folder")
	}
	text, err := os.ReadFile(filepath.Join(dir, "schema.json"))
	if err != nil {
		t.Fatal(err)
	}
	var s schema
	if err := json.Unmarshal(text, &s); err != nil || len(s.Tables) == 0 {
		t.Fatalf("schema.json: %v, %d tables", err, len(s.Tables))
	}
	db, err := sql.Open("duckdb", "")
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, table := range s.Tables {
		parquet, text := quote(filepath.Join(dir, table.Name+".parquet")), quote(filepath.Join(dir, table.Name+".csv"))
		rows := records(t, db, "describe select * from "+parquet)
		var csvTypes []string
		for i, c := range table.Columns {
			if i >= len(rows) || rows[i][0] != c.Name || rows[i][1] != types[c.Type] {
				t.Fatalf("table %s: column %d: schema %v, DuckDB %v", table.Name, i, c, rows)
			}
			csvTypes = append(csvTypes, fmt.Sprintf("'%s': '%s'", c.Name, types[c.Type]))
		}
		if len(rows) != len(table.Columns) {
			t.Errorf("table %s has %d columns, schema.json %d", table.Name, len(rows), len(table.Columns))
		}
		if n := records(t, db, "select count(*) from "+parquet)[0][0]; n != fmt.Sprint(table.Rows) {
			t.Errorf("table %s has %s rows, schema.json %d", table.Name, n, table.Rows)
		}
		if table.Rows == 0 {
			continue
		}
		key := `"` + strings.Join(table.Key, `", "`) + `"`
		if twice := records(t, db, fmt.Sprintf("select %s, count(*) from %s group by all having count(*) > 1", key, parquet)); len(twice) > 0 {
			t.Errorf("table %s: its key %s names several rows: %v", table.Name, key, twice[0])
		}
		fromCSV := fmt.Sprintf("read_csv(%s, header = true, columns = {%s}, force_not_null = [%s])", text, strings.Join(csvTypes, ", "), texts(table.Columns))
		a, b := records(t, db, "select * from "+parquet), records(t, db, "select * from "+fromCSV)
		if len(a) != len(b) {
			t.Fatalf("table %s: %d rows in Parquet, %d in CSV", table.Name, len(a), len(b))
		}
		for i := range a {
			for j := range a[i] {
				if a[i][j] != b[i][j] {
					t.Fatalf("table %s, row %d, column %s: %q in Parquet, %q in CSV", table.Name, i+1, table.Columns[j].Name, a[i][j], b[i][j])
				}
			}
		}
	}
	// What a colleague asks: does the sum over circuits give the season's damage?
	sums := records(t, db, fmt.Sprintf(`select max(abs(c.damage / s.season_damage - 1)) from %s s join
		(select scenario, hotspot, sum(season_damage) as damage from %s group by all) c using (scenario, hotspot)`,
		quote(filepath.Join(dir, "season.parquet")), quote(filepath.Join(dir, "circuits.parquet"))))
	var off float64
	if _, err := fmt.Sscan(sums[0][0], &off); err != nil || !(off < 1e-9) {
		t.Errorf("the circuits' damage is off the season's by %v", sums)
	}
}

func texts(columns []struct{ Name, Type string }) string {
	var out []string
	for _, c := range columns {
		if c.Type == "text" {
			out = append(out, "'"+c.Name+"'")
		}
	}
	return strings.Join(out, ", ")
}

func quote(path string) string { return "'" + strings.ReplaceAll(path, "'", "''") + "'" }

// records returns the rows of a query as texts; numbers in full.
func records(t *testing.T, db *sql.DB, query string) [][]string {
	t.Helper()
	rows, err := db.Query(query)
	if err != nil {
		t.Fatalf("%s: %v", query, err)
	}
	defer rows.Close()
	names, err := rows.Columns()
	if err != nil {
		t.Fatal(err)
	}
	var out [][]string
	for rows.Next() {
		cells, at := make([]any, len(names)), make([]any, len(names))
		for i := range cells {
			at[i] = &cells[i]
		}
		if err := rows.Scan(at...); err != nil {
			t.Fatal(err)
		}
		r := make([]string, len(cells))
		for i, c := range cells {
			if x, ok := c.(float64); ok {
				r[i] = fmt.Sprintf("%x", math.Float64bits(x))
				if query[:10] == "select max" {
					r[i] = fmt.Sprint(x)
				}
				continue
			}
			if c != nil {
				r[i] = fmt.Sprint(c)
			}
		}
		out = append(out, r)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}
