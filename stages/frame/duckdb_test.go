package frame

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"
	"testing"
)

// The files of testdata/duckdb were written by DuckDB 1.5.6 with make_duckdb.mjs
// beside them: a writer that is not this project's, with every codec it has, two row
// groups, dictionaries, nulls and seven types of number.
func TestReadsWhatDuckDBWrites(t *testing.T) {
	want := map[string]func(i int) float64{
		"TIME":  func(i int) float64 { return float64(i) / 200 },
		"AZ":    func(i int) float64 { return float64(float32(math.Sin(float64(i)/3) * 5)) },
		"AX":    func(i int) float64 { return math.Cos(float64(i)/7) * 3 },
		"RAW16": func(i int) float64 { return float64(i*37%4096 - 2048) },
		"RAW32": func(i int) float64 { return float64(i * 100003 % 1000000) },
		"RAW64": func(i int) float64 { return float64(i) * 1000003 },
		"RAW8":  func(i int) float64 { return float64(i * 7 % 256) },
		"SLOW": func(i int) float64 {
			if i%10 == 3 {
				return math.NaN()
			}
			return float64(i % 5)
		},
		"FEW": func(i int) float64 { return float64(i % 3) },
	}
	var names []string
	for n := range want {
		names = append(names, n)
	}
	for _, codec := range []string{"uncompressed", "snappy", "gzip", "zstd", "brotli"} {
		s, err := Open(filepath.Join("testdata", "duckdb", codec+".parquet"))
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		cols, err := s.Read(names)
		if err != nil {
			t.Errorf("%s: %v", codec, err)
			continue
		}
		for k, n := range names {
			if len(cols[k]) != 2100 {
				t.Fatalf("%s: %s has %d rows, want 2100", codec, n, len(cols[k]))
			}
			for i, v := range cols[k] {
				// The sines come from another library: the last digits may differ.
				if w := want[n](i); !(math.Abs(v-w) <= 1e-6*math.Abs(w)+1e-12) && !(math.IsNaN(v) && math.IsNaN(w)) {
					t.Fatalf("%s: %s[%d] = %v, want %v", codec, n, i, v, w)
				}
			}
		}
		laps, err := s.ReadStrings("LAP")
		if err != nil || laps[1234] != fmt.Sprint("lap ", 1234/500) {
			t.Errorf("%s: LAP: %v, %q", codec, err, laps[1234])
		}
	}
}

// What cannot be read is refused by name, with a remedy.
func TestRefusesWhatItCannotReadOfDuckDB(t *testing.T) {
	for file, says := range map[string][]string{
		"lz4_raw.parquet": {`"AX"`, "LZ4", "zstd"},
		"v2.parquet":      {`"AX"`, "encod", "zstd"},
	} {
		s, err := Open(filepath.Join("testdata", "duckdb", file))
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		_, err = s.Read([]string{"AX"})
		for _, word := range says {
			if err == nil || !strings.Contains(err.Error(), word) {
				t.Errorf("%s: error %v, want one with %q", file, err, word)
			}
		}
	}
}
