package fatigue

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"testing"
)

// sourcedRows reads published values of testdata, a row by column name; each must name its source.
func sourcedRows(tb testing.TB, file string) []row {
	tb.Helper()
	f, err := os.Open(filepath.Join("testdata", file))
	if err != nil {
		tb.Fatal(err)
	}
	defer f.Close()
	records, err := csv.NewReader(f).ReadAll()
	if err != nil {
		tb.Fatal(err)
	}
	var out []row
	for _, fields := range records[1:] {
		r := row{}
		for i, column := range records[0] {
			r[column] = fields[i]
		}
		if r["source"] == "" {
			tb.Fatalf("%s: row %v has no source", file, fields)
		}
		out = append(out, r)
	}
	return out
}

// near fails unless got is want within a share of want; equal infinities and zeros are near.
func near(tb testing.TB, what string, got, want, share float64) {
	tb.Helper()
	if got == want || math.Abs(got-want) <= share*math.Abs(want) {
		return
	}
	tb.Errorf("%s = %.12g, want %.12g within %g", what, got, want, share)
}
