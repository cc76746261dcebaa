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
	"github.com/apache/arrow/go/v15/parquet/file"
	"github.com/apache/arrow/go/v15/parquet/metadata"
)

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
	out := file.NewParquetWriter(&b, root, file.WithWriterProps(f.parquetProperties(smallTable)), file.WithWriteMetadata(meta))
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

// Tables are those of the library's own writer, byte for byte: packed with snappy or zstd, of several pages and of
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

// Columns of one page are encoded by our own code: runs of all lengths, missing numbers, ends of ranges, texts that are too long for
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
	sameAsLibrary(t, "a long dictionary", inRuns(r, onePage, 1<<30, 1))
	sameAsLibrary(t, "more than a page", inRuns(r, onePage+1, 300, 30))
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

func sameAsLibrary(t *testing.T, reason string, f *Frame) {
	t.Helper()
	if !bytes.Equal(parquetBytes(t, f), kindsInOrder(t, byLibrary(t, f))) {
		t.Errorf("%s: the table differs from the library's", reason)
	}
}

func BenchmarkWriteParquet(b *testing.B) {
	f := mixed(16000)
	b.ReportAllocs()
	for b.Loop() {
		var out bytes.Buffer
		if err := f.WriteParquet(&out); err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(out.Len()))
	}
}
