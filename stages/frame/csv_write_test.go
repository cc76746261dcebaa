package frame

import (
	"bytes"
	"encoding/csv"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// Law: where there is a short decimal, it is the shortest text of the number, and its text of 15 digits.
func TestAppendDecimal(t *testing.T) {
	x := []float64{0, math.Copysign(0, -1), 1, -1, 0.5, 0.1, 0.001, -0.001, 0.0005, 0.07, 1.1, 0.1 + 0.2, 12.25, 99999.999, 999999.999, -999999.999, 1e6, 1e15, 1e300,
		5e-324, 1.0 / 3, math.NaN(), math.Inf(1), math.Inf(-1)}
	r := rand.New(rand.NewPCG(1, 3))
	for range 20000 {
		thousandths := float64(r.IntN(2e6)-1e6) * math.Pow(10, float64(r.IntN(4))) / 1000
		x = append(x, thousandths, math.Nextafter(thousandths, 9e9), r.NormFloat64(), math.Float64frombits(r.Uint64()))
	}
	short := 0
	for _, x := range x {
		got, ok := AppendDecimal([]byte("x"), x)
		if !ok {
			if string(got) != "x" {
				t.Errorf("%v: %q is left", x, got)
			}
			continue
		}
		short++
		if want := strconv.AppendFloat([]byte("x"), x, 'g', -1, 64); string(got) != string(want) {
			t.Errorf("%v is %s, want %s", x, got, want)
		}
		if y, _ := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 15, 64), 64); y != x {
			t.Errorf("%v has more than 15 digits", x)
		}
	}
	if short < 10000 {
		t.Errorf("%d of %d numbers are short", short, len(x))
	}
}

// longTable is a table of several blocks: texts in quotes, one longer than two blocks in the middle, numbers that repeat and such as do not. texts are
// the cells as a reader of tables has them.
func longTable() (f *Frame, texts [][]string) {
	const rows = 9000
	note, x, n := make([]string, rows), make([]float64, rows), make([]int64, rows)
	texts = [][]string{{"note, quoted", "x", "n"}}
	r := rand.New(rand.NewPCG(3, 9))
	for i := range rows {
		note[i] = []string{"plain", "a,b", "said \"so\"", "two\nlines", ""}[r.IntN(5)] + strings.Repeat("z", r.IntN(20))
		x[i], n[i] = r.NormFloat64(), int64(i/7)
		if i == rows/2 {
			note[i] = strings.Repeat("\"long\", ", 2*csvBlock/8)
		}
		texts = append(texts, []string{note[i], strconv.FormatFloat(x[i], 'g', -1, 64), strconv.FormatInt(n[i], 10)})
	}
	return Must(nil, Col(texts[0][0], "", note), Col("x", "mm", x), Col("n", "", n)), texts
}

// rowByRow is the table of a frame of longTable's columns, of which each row was written as a table of its own.
func rowByRow(t *testing.T, f *Frame) string {
	t.Helper()
	var all strings.Builder
	for i := range f.rows {
		var one bytes.Buffer
		row := Must(nil, Col(f.cols[0].Name, "", f.cols[0].data.([]string)[i:i+1]), Col(f.cols[1].Name, "", f.cols[1].data.([]float64)[i:i+1]),
			Col(f.cols[2].Name, "", f.cols[2].data.([]int64)[i:i+1]))
		if err := row.WriteCSV(&one); err != nil {
			t.Fatal(err)
		}
		header, line, _ := bytes.Cut(one.Bytes(), []byte("\n"))
		if i == 0 {
			all.Write(append(header, '\n'))
		}
		all.Write(line)
	}
	return all.String()
}

// A table of many blocks holds the rows that it would have one at a time, and the standard library's reader reads its cells back.
func TestWriteCSVOfManyBlocks(t *testing.T) {
	f, texts := longTable()
	var out strings.Builder
	if err := f.WriteCSV(&out); err != nil {
		t.Fatal(err)
	}
	if out.Len() < 6*csvBlock {
		t.Fatalf("%d bytes are few blocks", out.Len())
	}
	if want := rowByRow(t, f); out.String() != want {
		t.Errorf("%d bytes, row by row %d; they differ from byte %d on", out.Len(), len(want), sameBytes(out.String(), want))
	}
	got, err := csv.NewReader(strings.NewReader(out.String())).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if !slices.EqualFunc(got, texts, slices.Equal[[]string]) {
		t.Errorf("%d lines are read back, not the %d written", len(got), len(texts))
	}
}

// sameBytes counts the bytes at the beginning that are the same.
func sameBytes(a, b string) int {
	n := 0
	for n < min(len(a), len(b)) && a[n] == b[n] {
		n++
	}
	return n
}

// filling takes so many writes, and none after them.
type filling struct {
	bytes.Buffer
	left int
}

func (w *filling) Write(b []byte) (int, error) {
	if w.left == 0 {
		return 0, errFull
	}
	w.left--
	return w.Buffer.Write(b)
}

// Law: a table of which some lines are copied from the one before is what it is when all are made, whichever rows are the same, also where texts hold ends of line;
// and the lines are copied where they can be.
func TestWriteCSVAfter(t *testing.T) {
	long, _ := longTable()
	r := rand.New(rand.NewPCG(8, 2))
	plain := long.rows / 3
	for _, tt := range []struct {
		reason string
		rows   int
		text   func(i int) string
		copied bool
	}{
		{"plain texts", plain, func(i int) string { return "x, \"" + strconv.Itoa(i) }, true},
		{"one row", 1, func(int) string { return "" }, true},
		{"no rows", 0, nil, false},
		{"ends of line", plain, func(i int) string { return long.cols[0].data.([]string)[i] }, false},
		{"one end of line", plain, func(i int) string { return strings.Repeat("\n", i/(plain-1)) }, false},
	} {
		note, x := make([]string, tt.rows), make([]float64, tt.rows)
		for i := range tt.rows {
			note[i], x[i] = tt.text(i), r.NormFloat64()
		}
		table := func() *Frame {
			return Must(nil, Col("note\"", "", slices.Clone(note)), Col("x", "mm", slices.Clone(x)), Col("same", "", make([]bool, tt.rows)))
		}
		for range 20 {
			var was, marked, want, got strings.Builder
			if err := table().WriteCSV(&was); err != nil {
				t.Fatal(err)
			}
			var same []Rows
			for at := 0; at < tt.rows; {
				n := min(1+r.IntN(1+r.IntN(tt.rows)), tt.rows-at)
				switch r.IntN(3) {
				case 0:
					for i := at; i < at+n; i++ {
						x[i], note[i] = r.NormFloat64(), note[i]+"n"
					}
				default:
					same = append(same, Rows{at, at + n})
				}
				at += n
			}
			if err := errors.Join(table().WriteCSV(&want), table().WriteCSVAfter(&got, []byte(was.String()), same)); err != nil {
				t.Fatal(err)
			}
			if got.String() != want.String() {
				t.Fatalf("%s: %d bytes, want %d; they differ from byte %d on", tt.reason, got.Len(), want.Len(), sameBytes(got.String(), want.String()))
			}
			// Made of another table with as many lines, it has those lines.
			err := table().WriteCSVAfter(&marked, []byte(strings.ReplaceAll(was.String(), "false", "FALSE")), same)
			rows := 0
			for _, s := range same {
				rows += s.To - s.From
			}
			if !tt.copied {
				rows = 0
			}
			if found := strings.Count(marked.String(), "FALSE"); err != nil || found != rows {
				t.Errorf("%s: %d lines are copied, want %d (%v)", tt.reason, found, rows, err)
			}
		}
	}
}

// A writer that fails at any block ends the table there with its error, what was written before is the table's beginning, and the next table is whole.
func TestWriteCSVFailsAtABlock(t *testing.T) {
	f, _ := longTable()
	want := rowByRow(t, f)
	all := &filling{left: -1}
	if err := f.WriteCSV(all); err != nil {
		t.Fatal(err)
	}
	writes := -1 - all.left
	if writes < 5 {
		t.Fatalf("%d writes are few", writes)
	}
	for _, taken := range []int{0, writes / 2, writes - 1} {
		w := &filling{left: taken}
		if err := f.WriteCSV(w); !errors.Is(err, errFull) {
			t.Errorf("write %d of %d fails: error %v", taken+1, writes, err)
		}
		if !strings.HasPrefix(want, w.String()) || w.Len() < taken*csvBlock {
			t.Errorf("write %d of %d fails: the %d bytes before are not the table's beginning", taken+1, writes, w.Len())
		}
		var again strings.Builder
		if err := f.WriteCSV(&again); err != nil || again.String() != want {
			t.Errorf("after write %d of %d failed, the next table is another (error %v)", taken+1, writes, err)
		}
	}
	x := Must(nil, Col("x", "", make([]float64, 3*csvBlock)))
	var was bytes.Buffer
	if err := x.WriteCSV(&was); err != nil {
		t.Fatal(err)
	}
	for taken := range 2 {
		if err := x.WriteCSVAfter(&filling{left: taken}, was.Bytes(), []Rows{{0, x.rows - 1}}); !errors.Is(err, errFull) {
			t.Errorf("write %d of lines that are copied fails: error %v", taken+1, err)
		}
	}
}

// A table like that of places: texts, missing numbers and counts stay the same for long, distances are short decimals, damages have all digits.
func BenchmarkWriteCSV(b *testing.B) {
	const n = 16000
	r := rand.New(rand.NewPCG(5, 7))
	number := func(of func(k int) float64) []float64 {
		x := make([]float64, n)
		for k := range x {
			x[k] = of(k)
		}
		return x
	}
	circuit, laps := make([]string, n), make([]int64, n)
	for k := range n {
		circuit[k], laps[k] = "circuit "+strconv.Itoa(k/200%5), 20
	}
	missing := number(func(int) float64 { return math.NaN() })
	cols := []Column{Col("circuit", "", circuit), Col("laps", "", laps), Col("from_m", "m", missing), Col("to_m", "m", missing),
		Col("from_s", "s", number(func(k int) float64 { return float64(k%200) / 2 })), Col("to_s", "s", number(func(k int) float64 { return float64(k%200+1) / 2 }))}
	for _, name := range []string{"mean", "most", "share", "season"} {
		cols = append(cols, Col(name, "", number(func(int) float64 { return r.ExpFloat64() * math.Pow(10, float64(-2-r.IntN(6))) })))
	}
	f := Must(nil, cols...)
	b.ReportAllocs()
	for b.Loop() {
		var out counted
		if err := f.WriteCSV(&out); err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(out))
	}
}

// counted counts what is written.
type counted int

func (c *counted) Write(b []byte) (int, error) {
	*c += counted(len(b))
	return len(b), nil
}
