package frame

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/apache/arrow/go/v15/parquet/file"
	"github.com/apache/arrow/go/v15/parquet/metadata"
)

// asTold is how the library is to write a table: a small one with snappy, a page a column, and texts without a dictionary that would be too long.
func asTold(f *Frame) []parquet.WriterProperty {
	if f.Bytes() >= smallTable {
		return nil
	}
	out := []parquet.WriterProperty{parquet.WithCompression(compress.Codecs.Snappy), parquet.WithDataPageSize(2 * smallTable)}
	for _, c := range f.cols {
		if v, texts := c.data.([]string); texts && dictionaryOf(v) >= 1<<20 {
			out = append(out, parquet.WithDictionaryFor(c.Name, false))
		}
	}
	return out
}

// dictionaryOf is how many bytes a dictionary of texts takes.
func dictionaryOf(v []string) (n int) {
	seen := map[string]bool{}
	for _, s := range v {
		if !seen[s] {
			n += 4 + len(s)
		}
		seen[s] = true
	}
	return n
}

// byLibrary writes a table with the library's own writer of files.
func byLibrary(t *testing.T, f *Frame) []byte {
	t.Helper()
	root, err := f.parquetSchema()
	if err != nil {
		t.Fatal(err)
	}
	meta, err := f.parquetMetadata()
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	out := file.NewParquetWriter(&b, root, file.WithWriterProps(f.parquetProperties(asTold(f)...)), file.WithWriteMetadata(meta))
	for start := 0; start < f.rows; start += parquetGroup {
		group := out.AppendRowGroup()
		end := min(start+parquetGroup, f.rows)
		for _, c := range f.cols {
			col, err := group.NextColumn()
			if err != nil {
				t.Fatal(err)
			}
			for at := start; at < end; at += parquetBatch {
				to := min(at+parquetBatch, end)
				if texts, ok := c.data.([]string); ok {
					v := make([]parquet.ByteArray, 0, to-at)
					for _, s := range texts[at:to] {
						v = append(v, parquet.ByteArray(s))
					}
					_, err = col.(*file.ByteArrayColumnChunkWriter).WriteBatch(v, nil, nil)
				} else {
					err = writeBatch(col, c, at, to)
				}
				if err != nil {
					t.Fatal(err)
				}
			}
			if err := col.Close(); err != nil {
				t.Fatal(err)
			}
		}
		if err := group.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if err := out.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// kindsInOrder is a file with the lists of its columns' kinds of pages sorted, which the library writes in any order.
func kindsInOrder(t *testing.T, table []byte) []byte {
	t.Helper()
	const trailer = 4 + len(parquetMagic) // the metadata's length, the magic
	end := len(table) - trailer
	start := end - int(binary.LittleEndian.Uint32(table[end:]))
	meta, err := metadata.NewFileMetaData(table[start:end], nil)
	if err != nil {
		t.Fatal(err)
	}
	orderKinds(meta)
	b := bytes.NewBuffer(slices.Clone(table[:start]))
	if _, err := meta.WriteTo(b, nil); err != nil {
		t.Fatal(err)
	}
	return append(b.Bytes(), table[end:]...)
}

// mixed is a table of every kind with n rows, some texts of which are many.
func mixed(n int) *Frame {
	r := rand.New(rand.NewPCG(3, uint64(n)))
	x, y, i, j, s, u, b := make([]float64, n), make([]float32, n), make([]int64, n), make([]int32, n), make([]string, n), make([]string, n), make([]bool, n)
	for k := range n {
		x[k], y[k], i[k], j[k], s[k], u[k], b[k] = r.ExpFloat64(), float32(k)/7, int64(r.Uint64()), int32(k/100), fmt.Sprint("circuit ", k/50%5), fmt.Sprint(k), k%3 == 0
		if k%11 == 3 {
			x[k] = math.NaN()
		}
	}
	return Must([]Attr{Num("rate", "Hz", 1024)}, Col("x", "MPa", x), Col("y", "g", y), Col("i", "", i), Col("j", "", j), Col("s", "", s), Col("u", "", u), Col("b", "", b))
}

// Tables are those of the library's own writer, byte for byte: packed with snappy, a page a column, or zstd, of several pages and of
// several row groups. Where a column has several kinds of pages, the library lists them in any order; ours have one.
func TestParquetIsTheLibrarys(t *testing.T) {
	sizes := []int{0, 1, 1000, parquetBatch, 40000}
	if !testing.Short() {
		sizes = append(sizes, 300000, parquetGroup+5)
	}
	for _, n := range sizes {
		f := mixed(n)
		got := parquetBytes(t, f)
		for range 3 { // a map may give the same order twice
			if !bytes.Equal(got, parquetBytes(t, f)) {
				t.Fatalf("%d rows: equal frames give different tables", n)
			}
			if n < 100000 {
				break
			}
		}
		if !bytes.Equal(got, kindsInOrder(t, byLibrary(t, f))) {
			t.Fatalf("%d rows: the table differs from the library's", n)
		}
	}
}

// Columns of small tables are encoded by our own code: runs of all lengths, missing numbers, ends of ranges, texts that are too long for
// statistics and dictionaries that are too long for one.
func TestParquetColumnsAreTheLibrarys(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	zero := math.Copysign(0, -1)
	for reason, x := range map[string][]float64{
		"nothing is known": {nan, nan, nan}, "one is known": {nan, 3, nan, nan}, "both zeros": {0, zero, 0}, "zero is least": {0, 1, 2},
		"zero is greatest": {-1, zero}, "infinite": {inf, inf}, "minus infinite": {-inf, nan}, "ends": {math.MaxFloat64, -math.MaxFloat64, inf, -inf},
	} {
		y := make([]float32, len(x))
		for i := range x {
			y[i] = float32(x[i])
		}
		sameAsLibrary(t, reason, Must(nil, Col("x", "", x), Col("y", "", y)))
	}
	r := rand.New(rand.NewPCG(5, 6))
	for _, kinds := range []int{1, 2, 3, 7, 200, 700, 70000} {
		for _, longest := range []int{1, 5, 9, 40, 600} {
			sameAsLibrary(t, fmt.Sprintf("%d kinds in runs of up to %d", kinds, longest), inRuns(r, 1+r.IntN(5000), kinds, longest))
		}
	}
	sameAsLibrary(t, "a long text", Must(nil, Col("s", "", []string{"", strings.Repeat("x", 5000), "b"})))
	sameAsLibrary(t, "more texts than may be in a dictionary", inRuns(r, 70000, 1<<30, 1))
	sameAsLibrary(t, "more than the library makes a page of unless told", inRuns(r, 150000, 300, 30))
	sameAsLibrary(t, "two row groups", Must(nil, Col("b", "", make([]bool, parquetGroup+5))))
	for _, last := range []int{1019, 1020} { // a dictionary of 1 MiB less a byte, and of 1 MiB
		texts := make([]string, 1024)
		for i := range texts {
			texts[i] = fmt.Sprintf("%01020d", i)
		}
		texts[0] = texts[0][:last]
		f := Must(nil, Col("s", "", texts))
		if n := dictionaryOf(texts); n != 1<<20-1020+last {
			t.Fatalf("the dictionary has %d bytes", n)
		}
		sameAsLibrary(t, fmt.Sprintf("a dictionary of %d bytes", dictionaryOf(texts)), f)
	}
}

// inRuns is a table of n rows, in which each of some kinds of value comes a while.
func inRuns(r *rand.Rand, n, kinds, longest int) *Frame {
	s, x, b := make([]string, n), make([]float64, n), make([]bool, n)
	for i := 0; i < n; {
		k := r.IntN(kinds)
		for end := i + 1 + r.IntN(longest); i < n && i < end; i++ {
			s[i], x[i], b[i] = fmt.Sprintf("value %d of many", k), float64(k), k%2 == 0
			if k%3 == 1 {
				x[i] = math.NaN()
			}
		}
	}
	return Must(nil, Col("s", "", s), Col("x", "", x), Col("b", "", b))
}

// sameAsLibrary writes a table as the library does, and reads it again.
func sameAsLibrary(t *testing.T, reason string, f *Frame) {
	t.Helper()
	got := parquetBytes(t, f)
	if !bytes.Equal(got, kindsInOrder(t, byLibrary(t, f))) {
		t.Errorf("%s: the table differs from the library's", reason)
	}
	readsAs(t, reason, got, f)
}

// readsAs reads a table, as texts and as numbers.
func readsAs(t *testing.T, reason string, table []byte, f *Frame) {
	t.Helper()
	s := openBytes(t, table)
	defer s.Close()
	for _, c := range f.cols {
		texts, err := s.ReadStrings(c.Name)
		same := err == nil && len(texts) == f.rows
		switch v := c.data.(type) {
		case []string:
			same = same && slices.Equal(texts, v)
		case []bool:
			same = same && slices.EqualFunc(texts, v, func(text string, b bool) bool { return text == fmt.Sprint(b) })
		case []float64:
			numbers, err := s.Read([]string{c.Name})
			same = same && err == nil && slices.EqualFunc(numbers[0], v, sameNumber)
		}
		if !same {
			t.Errorf("%s: column %q is read otherwise (error %v)", reason, c.Name, err)
		}
	}
}

// Statistics of a table hold the least and the greatest text of a column where these are not too long.
func TestParquetLongTexts(t *testing.T) {
	for _, n := range []int{3000, 4096, 4097} {
		texts := []string{strings.Repeat("b", n), "c", strings.Repeat("a", n)}
		table := parquetBytes(t, Must(nil, Col("s", "", texts)))
		readsAs(t, fmt.Sprint("texts of ", n), table, Must(nil, Col("s", "", texts)))
		lib, err := file.NewParquetReader(bytes.NewReader(table))
		if err != nil {
			t.Fatal(err)
		}
		chunk, err := lib.MetaData().RowGroup(0).ColumnChunk(0)
		if err != nil {
			t.Fatal(err)
		}
		stats, err := chunk.Statistics()
		if err != nil {
			t.Fatal(err)
		}
		least := texts[2]
		if n > 4096 {
			least = ""
		}
		if string(stats.EncodeMin()) != least || string(stats.EncodeMax()) != "c" {
			t.Errorf("of texts of %d bytes the least has %d in the statistics, the greatest is %q", n, len(stats.EncodeMin()), stats.EncodeMax())
		}
	}
}

// places is a table of n rows, most of whose columns are alike in all rows and some different in each.
func places(n int) *Frame {
	r := rand.New(rand.NewPCG(7, 8))
	text := func(of func(i int) string) (v []string) {
		for i := range n {
			v = append(v, of(i))
		}
		return v
	}
	number := func(of func(i int) float64) (v []float64) {
		for i := range n {
			v = append(v, of(i))
		}
		return v
	}
	laps := text(func(i int) string { return fmt.Sprint("L", i) })[:min(n, 100)]
	count := make([]int64, n)
	for i := range count {
		count[i] = 20
	}
	return Must(nil, Col("circuit", "", text(func(i int) string { return []string{"one", "two", "three"}[i/200%3] })),
		Col("lap", "", text(func(i int) string { return laps[i%len(laps)] })), Col("scenario", "", text(func(int) string { return "base" })),
		Col("from_m", "m", number(func(int) float64 { return math.NaN() })), Col("from_s", "s", number(func(i int) float64 { return float64(i%200) / 2 })),
		Col("laps", "", count), Col("laps_recorded", "", count),
		Col("damage", "", number(func(int) float64 { return r.ExpFloat64() })), Col("damage_max", "", number(func(int) float64 { return r.ExpFloat64() })))
}

func BenchmarkWriteParquet(b *testing.B) {
	for name, f := range map[string]*Frame{"mixed": mixed(16000), "places": places(16000), "few rows": places(16)} {
		b.Run(name, func(b *testing.B) {
			var out bytes.Buffer
			b.ReportAllocs()
			for b.Loop() {
				out.Reset()
				if err := f.WriteParquet(&out); err != nil {
					b.Fatal(err)
				}
				b.SetBytes(int64(out.Len()))
			}
		})
	}
}
