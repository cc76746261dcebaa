package report

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/klauspost/compress/flate"

	"lapwear/stages/frame"
)

// Rows are written as the library writes them, byte for byte.
func TestCellsAreTheLibrarys(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 1))
	const n = 3000
	numbers, powers, singles := make([]float64, n), make([]float64, n), make([]float32, n)
	whole, short, truth := make([]int64, n), make([]int32, n), make([]bool, n)
	for i := range n {
		numbers[i] = math.Float64frombits(r.Uint64())
		if oddNumber(numbers[i]) {
			numbers[i] = r.NormFloat64()
		}
		powers[i] = math.Pow(10, float64(i%560-280)) * float64(r.IntN(1000))
		singles[i], whole[i], short[i], truth[i] = float32(r.ExpFloat64()), int64(r.Uint64()), int32(r.Uint32()), r.IntN(2) == 1
	}
	copy(numbers, []float64{0, math.Copysign(0, -1), math.NaN(), math.Inf(1), math.Inf(-1), 1e15, 1e16, 123456789012345678, 0.1 + 0.2,
		9.999999999999995, 999999999999999.5, -1e-299, 1e299, 0.5, 1, 10, 100.25, 1e-5, 1e-5, math.Inf(1), 0, 0, math.Inf(1), math.Inf(1), math.NaN(), 0})
	texts := make([]string, n)
	for i := range texts {
		texts[i] = strings.Repeat("a\"&'<>\t\n é\x01\xff€😀_"[r.IntN(3):], r.IntN(3))
		if i%2 == 0 {
			texts[i] = "again"
		}
	}
	odd := append(slices.Clone(lures), "\n", " ", "a ", "\ta", "\r", "\xa0", " b", "x_y", "&#xA;", "a b")
	for c := range byte(0x80) {
		odd = append(odd, string([]byte{c}), string([]byte{'a', c, 'b'}), string([]byte{'a', c}))
	}
	copy(texts, odd)
	table := Table{"laps", frame.Must(nil, frame.Col("lap_id", "", texts), frame.Col("damage", "", numbers), frame.Col("max_amplitude_mpa", "MPa", powers),
		frame.Col("duration_s", "s", singles), frame.Col("samples", "", whole), frame.Col("rank", "", short), frame.Col("chosen", "", truth))}
	sameParts(t, "", table)
}

// sameParts wants a workbook to hold what it does if the library writes the rows.
func sameParts(t *testing.T, reason string, table Table) {
	t.Helper()
	a, b := parts(t, byLibrary(t, table)), parts(t, workbook(t, table))
	for name, want := range a {
		if b[name] != want {
			at := 0
			for at < min(len(want), len(b[name])) && want[at] == b[name][at] {
				at++
			}
			t.Errorf("%s: %s differs from byte %d: %.120q, want %.120q", reason, name, at, b[name][max(0, at-40):], want[max(0, at-40):])
		}
	}
	if len(a) != len(b) {
		t.Errorf("%s: %d files, want %d", reason, len(b), len(a))
	}
}

// What is rounded, cut or escaped in a way of its own is as the library has it too.
func TestOddCells(t *testing.T) {
	for _, tt := range []struct {
		reason string
		column frame.Column
	}{
		{"the escape of an escape", frame.Col("a", "", []string{"", "_x000D_", "a_x000d_b_x00FFx0041_", "_x5F_", "_x"})},
		{"a text that is cut", frame.Col("a", "", []string{strings.Repeat("x", longestText+1), strings.Repeat("é€😀", longestText/4), strings.Repeat("é", longestText)})},
		{"the largest number rounds to one without end", frame.Col("a", "", []float64{math.MaxFloat64, -math.MaxFloat64, 1.234567890123456789e305})},
		{"the smallest number has one digit", frame.Col("a", "", []float64{1, -math.SmallestNonzeroFloat64, 1.234567890123456789e-305})},
	} {
		sameParts(t, tt.reason, Table{"laps", frame.Must(nil, tt.column)})
	}
}

// Texts come back as they were where a reader takes each _xHHHH_ for a character, from left to right (ECMA-376 part 1, 22.9.2.19).
// The library misses those that share an underscore.
func TestTextsWithEscapesComeBack(t *testing.T) {
	escape := regexp.MustCompile(`_x[0-9a-fA-F]{4}_`)
	texts := []string{"_x0041_x0042_", "_x005F_x0041_", "_x005F_", "__x0041__", "_x004_x0041_", "_xD83D_xDE00_", "_x+041_", "_x00_1_", "_x0041", "é_x00e9_"}
	r := rand.New(rand.NewPCG(9, 9))
	for range 2000 {
		var s strings.Builder
		for range 1 + r.IntN(5) {
			s.WriteString([]string{"_", "x", "_x0041", "_x005F", "005F_", "_x00e9_"}[r.IntN(6)])
		}
		texts = append(texts, s.String())
	}
	// An odd number and a text that is cut beside them change nothing.
	odd := make([]float64, len(texts))
	odd[0] = math.MaxFloat64
	long := append([]string{strings.Repeat("_x0041_", longestText)}, make([]string, len(texts)-1)...)
	sheet := parts(t, workbook(t, Table{"laps", frame.Must(nil, frame.Col("a", "", texts), frame.Col("b", "", odd), frame.Col("c", "", long))}))["xl/worksheets/sheet2.xml"]
	for i, want := range texts {
		_, cell, _ := strings.Cut(sheet, fmt.Sprintf(`<c r="A%d" t="inlineStr"><is><t>`, i+2))
		cell, _, _ = strings.Cut(cell, "</t>")
		got := escape.ReplaceAllStringFunc(cell, func(s string) string {
			n, _ := strconv.ParseUint(s[2:6], 16, 16)
			return string(rune(n))
		})
		if got != want {
			t.Errorf("%q is stored as %q, which reads back as %q", want, cell, got)
		}
	}
}

// Law: a packer packs a text as a new one does, whatever it has packed before.
func TestPackersAreAlike(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	used, err := flate.NewWriter(io.Discard, flate.BestSpeed)
	if err != nil {
		t.Fatal(err)
	}
	for i := range 400 {
		text := make([]byte, r.IntN(1<<(2+r.IntN(18))))
		for k := range text {
			if back := 1 + r.IntN(1+i*50); k > back && r.IntN(8) > 0 {
				text[k] = text[k-back]
			} else {
				text[k] = byte(r.IntN(1 + i%256))
			}
		}
		var a, b bytes.Buffer
		used.Reset(&a)
		fresh, err := flate.NewWriter(&b, flate.BestSpeed)
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range []*flate.Writer{used, fresh} {
			w.Write(text)
			if err := w.Close(); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(a.Bytes(), b.Bytes()) {
			t.Fatalf("text %d of %d bytes is packed to %d bytes, by a new packer to %d", i, len(text), a.Len(), b.Len())
		}
	}
}

func BenchmarkWorkbook(b *testing.B) {
	const n = 16000
	text, number, whole := make([]string, n), make([]float64, n), make([]int64, n)
	r := rand.New(rand.NewPCG(1, 2))
	for i := range n {
		text[i], number[i], whole[i] = "circuit 1", r.ExpFloat64(), int64(i%100)
	}
	tables := []Table{{"places", frame.Must(nil, frame.Col("circuit", "", text), frame.Col("scenario", "", text), frame.Col("from_m", "m", number),
		frame.Col("to_m", "m", number), frame.Col("season_damage", "", number), frame.Col("laps", "", whole), frame.Col("rank", "", whole))}}
	b.ReportAllocs()
	for b.Loop() {
		var out bytes.Buffer
		if err := NewWorkbook(tables).Write(&out); err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(out.Len()))
	}
}
