package ingest

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lapwear/stages"
)

// numbersOf reads a text of one column without a header, row by row as far as its cells are plain numbers.
func numbersOf(text string, decimal byte) []float64 {
	t := &table{at: layout{cells: []string{"A"}, delimiter: noDelimiter}, fields: []field{{0, 0}}, decimal: decimal,
		rec: &record{cols: [][]float64{make([]float64, strings.Count(text, "\n")+1)}}}
	t.denseRows([]byte(text))
	return t.rec.cols[0][:t.rec.rows]
}

// formed checks against strconv, the reference library, what is read of a text after another one whose form it may have.
func formed(t *testing.T, before, s string) {
	t.Helper()
	for _, mark := range ".," {
		lines := strings.NewReplacer(".", string(mark), "\n", "", "\r", "").Replace
		a, b := lines(before), lines(s)
		rows := []string{a, a, b, a, b, b, "-" + b, a}
		for _, end := range []string{"\n", "\r\n"} {
			for i, v := range numbersOf(strings.Join(rows, end)+end, byte(mark)) {
				want, err := strconv.ParseFloat(strings.ReplaceAll(rows[i], string(mark), "."), 64)
				if err != nil || math.Float64bits(v) != math.Float64bits(want) {
					t.Fatalf("%q, row %d is read as %v; strconv %v, %v", rows, i, v, want, err)
				}
			}
		}
	}
}

// TestFormsEqualStrconv reads numbers one after another, of many forms, and such with any byte in any place of them.
func TestFormsEqualStrconv(t *testing.T) {
	for i, s := range numberSeeds {
		formed(t, "1.234567", s)
		formed(t, s, numberSeeds[(i+1)%len(numberSeeds)])
	}
	rng := rand.New(rand.NewPCG(7, 8))
	anyNumber := func() string {
		v := math.Ldexp(rng.NormFloat64(), rng.IntN(40)-12)
		return strconv.FormatFloat(v, "gf"[rng.IntN(2)], rng.IntN(11), 64)
	}
	for range 20000 {
		a := []byte(anyNumber())
		formed(t, string(a), anyNumber())
		was := string(a)
		a[rng.IntN(len(a))] = byte(rng.IntN(256))
		formed(t, was, string(a))
	}
}

func FuzzFormsEqualStrconv(f *testing.F) {
	for i, s := range numberSeeds {
		f.Add(s, numberSeeds[(i+1)%len(numberSeeds)])
	}
	f.Fuzz(formed)
}

// TestFormsOfAllSizes counts that numbers of all sizes that a form may have are read by it.
func TestFormsOfAllSizes(t *testing.T) {
	for whole := range longestForm + 2 {
		for decimals := -1; decimals < longestForm; decimals++ {
			number := strings.Repeat("7", whole)
			if decimals >= 0 {
				number += "." + strings.Repeat("3", decimals)
			}
			digits := whole + max(decimals, 0)
			fits := digits > 0 && digits <= mostDigits
			f := formOf([]byte(number), '.')
			if (f != nil) != fits {
				t.Errorf("%q: form %v", number, f)
			}
			if !fits {
				continue
			}
			text := []byte("0123456789,012345,-" + number + "," + number + ",1,1,1")
			a, b := cells{make([]float64, 1), ','}, cells{make([]float64, 1), ','}
			n, end := f.read([]cells{a, b}, 0, text, 18)
			want, _ := strconv.ParseFloat(number, 64)
			if n != 2 || a.col[0] != -want || b.col[0] != want || end != 18+2*len(number)+3 {
				t.Errorf("%q is read as %v, %v to byte %d; want %v", number, a, b, end, want)
			}
			b.end = '\n'
			if n, end = f.read([]cells{a, b}, 0, text, 18); n != 1 || end != 18+len(number)+2 {
				t.Errorf("%q: %d numbers are read to byte %d, although the second has another end", number, n, end)
			}
		}
	}
}

// TestDenseRowsEqualOthers reads columns of one form each, among whose bytes a few are any others, together and with a column
// beside them that is not wanted, for which rows are read cell by cell.
func TestDenseRowsEqualOthers(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	formats := []string{"%.6f", "%.3f", "%.1f", "%.0f", "%.7g", "%.12f", "%.17g", "%+.2f", "%.2e"}
	const bytesThere = "0123456789.-+e, \"\r\n\x80"
	for range 300 {
		var text, beside strings.Builder
		odd := [...]float64{0, 0.0005, 0.02}[rng.IntN(3)]
		size, end := math.Ldexp(1, rng.IntN(16)-4), [...]string{"\n", "\r\n"}[rng.IntN(2)]
		columns := make([]string, 1+rng.IntN(4))
		for k := range columns {
			columns[k] = formats[rng.IntN(len(formats))]
		}
		header := []string{"A", "B", "C", "D"}[:len(columns)]
		fmt.Fprintf(&text, "%s%s", strings.Join(header, ","), end)
		fmt.Fprintf(&beside, "%s,X%s", strings.Join(header, ","), end)
		for range 1 + rng.IntN(400) {
			cells := make([]string, len(columns))
			for k, format := range columns {
				b := fmt.Appendf(nil, format, size*rng.NormFloat64())
				if rng.Float64() < odd {
					b[rng.IntN(len(b))] = bytesThere[rng.IntN(len(bytesThere))]
				}
				cells[k] = string(b)
			}
			row := strings.Join(cells, ",")
			fmt.Fprintf(&text, "%s%s", row, end)
			fmt.Fprintf(&beside, "%s,1%s", row, end)
		}
		for k, name := range header {
			got, err := columnOf(text.String(), name, header)
			want, other := columnOf(beside.String(), name, header)
			if (err == nil) != (other == nil) || !slices.EqualFunc(got, want, sameBits) {
				t.Fatalf("column %d of\n%s\nis read as %v, %v; row by row %v, %v", k, text.String(), got, err, want, other)
			}
		}
	}
}

func sameBits(a, b float64) bool {
	return math.Float64bits(a) == math.Float64bits(b) || a != a && b != b
}

// columnOf reads all needed columns of a text, and returns one.
func columnOf(text, column string, needed []string) ([]float64, error) {
	s, err := openContent(stages.File{Path: "a.csv", Content: []byte(text)})
	if err != nil {
		return nil, err
	}
	src, err := s.open(needed)
	if err != nil {
		return nil, err
	}
	rec, err := src.read(context.Background(), newCursor(Params{Time: Time{Rate: 1}, StartS: nan, EndS: nan}))
	if err != nil {
		return nil, err
	}
	return rec.cols[slices.Index(needed, column)], nil
}
