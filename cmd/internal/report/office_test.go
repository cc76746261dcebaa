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

// A workbook of several packed pieces opens in LibreOffice, and its cells are what was written: numbers to 15 digits, texts, and nothing where nothing is known.
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
	x, count, text, some := make([]float64, n), make([]int64, n), make([]string, n), make([]float64, n)
	texts := []string{"circuit 1", "=1+1", " at its ends ", "_x0041_", "Größe µm", `<a & "b">`, "", "-3"}
	for i := range n {
		x[i], count[i], text[i], some[i] = math.Exp(float64(i%97)/8-3)/7, int64(i)*1e9, texts[i%len(texts)], math.NaN()
		if i%3 == 0 {
			some[i] = float64(i) / 8
		}
	}
	table := frame.Must(nil, frame.Col("some", "", some), frame.Col("damage", "", x), frame.Col("none", "", make([]string, n)), frame.Col("cycles", "1", count), frame.Col("circuit", "", text))
	dir := t.TempDir()
	book := filepath.Join(dir, "book.xlsx")
	if err := os.WriteFile(book, workbook(t, Table{"laps", table}, Table{"others", lapsTable().Frame}), 0o666); err != nil {
		t.Fatal(err)
	}
	c := exec.Command(path, "--headless", "-env:UserInstallation=file://"+filepath.Join(dir, "profile"), "--convert-to", asCSV, "--outdir", dir, book)
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
		known := ""
		if i%3 == 0 {
			known = fmt.Sprint(some[i])
		}
		damage, err := strconv.ParseFloat(row[1], 64)
		if err != nil || math.Abs(damage-x[i]) > 1e-14*x[i] || row[0] != known || row[2] != "" || row[3] != fmt.Sprint(count[i]) || row[4] != text[i] {
			t.Fatalf("row %d: %q; want %s, %v, nothing, %d, %q", i, row, known, x[i], count[i], text[i])
		}
	}
}
