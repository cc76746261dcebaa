package report

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"

	"lapwear/stages/frame"
)

// asCSV has LibreOffice write each sheet as CSV, values as they are and all texts in quotes.
const asCSV = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,true,false,false,false,false,-1"

// officeRows are rows whose cells are of all kinds, and in pieces.
type officeRows struct {
	some, damage []float64
	cycles       []int64
	circuit      []string
}

func newOfficeRows(n int) officeRows {
	r := officeRows{make([]float64, n), make([]float64, n), make([]int64, n), make([]string, n)}
	texts := []string{"circuit 1", "=1+1", " at its ends ", "_x0041_", "Größe µm", `<a & "b">`, "", "-3"}
	for i := range n {
		r.some[i], r.damage[i] = math.NaN(), math.Exp(float64(i%97)/8-3)/7
		r.cycles[i], r.circuit[i] = int64(i)*1e9, texts[i%len(texts)]
		if i%3 == 0 {
			r.some[i] = float64(i) / 8
		}
	}
	return r
}

func (r officeRows) table() Table {
	return Table{"laps", frame.Must(nil, frame.Col("some", "", r.some), frame.Col("damage", "", r.damage),
		frame.Col("none", "", make([]string, len(r.some))), frame.Col("cycles", "1", r.cycles), frame.Col("circuit", "", r.circuit))}
}

// check compares a row as LibreOffice writes it.
func (r officeRows) check(i int, row []string) error {
	known := ""
	if !math.IsNaN(r.some[i]) {
		known = fmt.Sprint(r.some[i])
	}
	damage, err := strconv.ParseFloat(row[1], 64)
	near := err == nil && math.Abs(damage-r.damage[i]) <= 1e-14*r.damage[i]
	if !near || row[0] != known || row[2] != "" || row[3] != fmt.Sprint(r.cycles[i]) || row[4] != r.circuit[i] {
		return fmt.Errorf("%q; want %q, %v, nothing, %d, %q", row, known, r.damage[i], r.cycles[i], r.circuit[i])
	}
	return nil
}

// A workbook of several packed pieces opens in LibreOffice, and its cells are what was written: numbers to 15 digits, texts, and
// nothing where nothing is known.
func TestWorkbookInLibreOffice(t *testing.T) {
	path, err := exec.LookPath("soffice")
	switch {
	case testing.Short():
		t.Skip("LibreOffice takes seconds to start")
	case err != nil && os.Getenv("LAPWEAR_REQUIRE") != "":
		t.Fatal("there is no soffice; install libreoffice-calc-nogui, or unset LAPWEAR_REQUIRE")
	case err != nil:
		t.Skip("there is no soffice")
	}
	const n = 20*fewestRows + 1
	written := newOfficeRows(n)
	dir := t.TempDir()
	book := filepath.Join(dir, "book.xlsx")
	if err := os.WriteFile(book, workbook(t, written.table(), Table{"others", lapsTable().Frame}), 0o666); err != nil {
		t.Fatal(err)
	}
	profile := "-env:UserInstallation=file://" + filepath.Join(dir, "profile")
	c := exec.Command(path, "--headless", profile, "--convert-to", asCSV, "--outdir", dir, book)
	if out, err := c.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	f, err := os.Open(filepath.Join(dir, "book-laps.csv"))
	if err != nil {
		t.Fatalf("LibreOffice does not open the workbook: %v", err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != n+1 || len(rows[0]) != 5 {
		t.Fatalf("%d rows, want %d: %v", len(rows), n+1, err)
	}
	for i, row := range rows[1:] {
		if err := written.check(i, row); err != nil {
			t.Fatalf("row %d: %v", i, err)
		}
	}
}
