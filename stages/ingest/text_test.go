package ingest

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"lapwear/stages"
)

// mixed is a text of three columns in which a share of the cells is written in other
// ways than as a plain number.
func mixed(rng *rand.Rand, rows int, odd float64) string {
	var b strings.Builder
	b.WriteString("T,A,B\n")
	for i := range rows {
		fmt.Fprintf(&b, "%d.%03d", i, rng.IntN(1000))
		for range 2 {
			cell := strconv.FormatFloat(rng.NormFloat64(), 'f', rng.IntN(9), 64)
			if rng.Float64() < odd {
				cell = [...]string{"", " " + cell, cell + " ", `"` + cell + `"`, cell + "e-3", "+" + strings.TrimPrefix(cell, "-"), "12", "123456789.12345678", ".5"}[rng.IntN(9)]
			}
			b.WriteString("," + cell)
		}
		b.WriteString([...]string{"\n", "\r\n"}[rng.IntN(2)])
	}
	return b.String()
}

// TestRowsEqualEncodingCSV reads texts in which plain rows and others alternate, and
// compares with encoding/csv and strconv, the reference libraries.
func TestRowsEqualEncodingCSV(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, odd := range []float64{0, 0.02, 1} { // several blocks of text each
		text := mixed(rng, 60000, odd)
		rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		want := make([][]float64, 3)
		for _, row := range rows[1:] {
			for k, cell := range row {
				v, err := strconv.ParseFloat(strings.TrimSpace(cell), 64)
				if err != nil {
					v = nan
				}
				want[k] = append(want[k], v)
			}
		}
		got, err := ReadTrack(context.Background(), write(t, "a.csv", []byte(text)), Time{Column: "T", Scale: 1},
			[]Channel{{"t", "T", ""}, {"a", "A", ""}, {"b", "B", ""}})
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got.Columns, cmpopts.EquateNaNs()); diff != "" {
			t.Fatalf("share %v odd:\n%s", odd, diff)
		}
	}
}

// TestColumnByTwoNames wants as many cells as a row has, one of them twice.
func TestColumnByTwoNames(t *testing.T) {
	text := "T,A [g],X\n0.0,1.5,word\n1.0,2.5,7.5\n2.0,3.5,8.5\n"
	got, err := ReadTrack(context.Background(), write(t, "a.csv", []byte(text)), Time{Column: "T", Scale: 1},
		[]Channel{{"a", "A", ""}, {"b", "A [g]", ""}})
	if err != nil {
		t.Fatal(err)
	}
	a := []float64{1.5, 2.5, 3.5}
	if diff := cmp.Diff(&Track{Times: []float64{0, 1, 2}, Columns: [][]float64{a, a}}, got); diff != "" {
		t.Error(diff)
	}
}

// TestRowsAreNamedByTheirLine puts a fault after rows that were read in either way.
func TestRowsAreNamedByTheirLine(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	tests := []struct{ reason, row, want string }{
		{"a word", "1e6,x,2\n", `line %d, column "A": found "x"`},
		{"a cell too few", "1e6,1\n", "line %d has 2 cells"},
		{"a cell too many", "1e6,1.0,2.0,3.0\n", "line %d has 4 cells"},
		{"CR within the line", "1e6,1.0,2.0\r\r\n", ""},
		{"CR and no LF", "1e6,1.0,2.0\r3,4\n", "line %d has 4 cells"},
		{"a blank line", "\n", "line %d is blank"},
		{"another mark", "1e6,1.0,2;0\n", `line %d, column "B": found "2;0"`},
		{"the last line has no end", "1e6,1.0,2.0", ""},
	}
	for _, tt := range tests {
		for _, odd := range []float64{0, 0.05, 1} {
			const rows = 3456
			text := mixed(rng, rows, odd) + tt.row
			if tt.want != "" {
				text += "1e7,1,2\n"
			}
			got, err := ReadTrack(context.Background(), write(t, "a.csv", []byte(text)), Time{Column: "T", Scale: 1},
				[]Channel{{"a", "A", ""}, {"b", "B", ""}})
			var r *stages.Refusal
			switch {
			case tt.want == "" && (err != nil || len(got.Times) != rows+1):
				t.Errorf("%s: %v, want %d rows", tt.reason, err, rows+1)
			case tt.want != "" && (!errors.As(err, &r) || !strings.Contains(err.Error(), fmt.Sprintf(tt.want, rows+2))):
				t.Errorf("%s: error %v, want one with %q", tt.reason, err, fmt.Sprintf(tt.want, rows+2))
			}
		}
	}
}

// TestBlocksOfMemoryEqualRead cuts texts that are in memory, and the same as they are read, into lines.
func TestBlocksOfMemoryEqualRead(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	for range 40 {
		var text []byte
		end := [...]string{"\n", "\r\n", "\r"}[rng.IntN(3)]
		for n := rng.IntN(3 * maxLine); len(text) < n; {
			text = append(text, bytes.Repeat([]byte{'7'}, rng.IntN(1<<rng.IntN(21)))...)
			text = append(text, end...)
		}
		text = append(text, "the last"[:rng.IntN(9)]...)
		was := bytes.Clone(text)
		got, gotErr := cutAll(blocksOf(text))
		want, wantErr := cutAll(newBlocks(bytes.NewReader(text)))
		if gotErr != wantErr || gotErr == nil && !bytes.Equal(got, want) || !bytes.Equal(text, was) {
			t.Fatalf("a text of %d bytes, ended by %q: %d bytes, %v; read %d bytes, %v", len(text), end, len(got), gotErr, len(want), wantErr)
		}
	}
}

// cutAll joins all blocks, of which none but the last may end within a line.
func cutAll(b *blocks) (all []byte, err error) {
	if _, err := b.peek(); err != nil {
		return nil, err
	}
	for {
		lines, err := b.next()
		if err != nil || len(lines) == 0 {
			return all, err
		}
		if len(all) > 0 && all[len(all)-1] != '\n' {
			return all, errors.New("a block ends within a line")
		}
		all = append(all, lines...)
	}
}
