package frame

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/apache/arrow/go/v15/arrow/float16"
	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/apache/arrow/go/v15/parquet/file"
	"github.com/apache/arrow/go/v15/parquet/schema"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// libColumn is a column to be written with Arrow's own writer: node is its schema,
// write puts rows [start, end) of it.
type libColumn struct {
	node  schema.Node
	write func(w file.ColumnChunkWriter, start, end int) error
}

// writeLib writes columns in row groups of the given lengths.
func writeLib(t testing.TB, groups []int, props []parquet.WriterProperty, cols ...libColumn) []byte {
	t.Helper()
	var fields schema.FieldList
	for _, c := range cols {
		fields = append(fields, c.node)
	}
	root, err := schema.NewGroupNode("schema", parquet.Repetitions.Required, fields, -1)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	w := file.NewParquetWriter(struct{ io.Writer }{&b}, root, file.WithWriterProps(parquet.NewWriterProperties(props...)))
	start := 0
	for _, n := range groups {
		g := w.AppendRowGroup()
		for _, c := range cols {
			col, err := g.NextColumn()
			if err != nil {
				t.Fatal(err)
			}
			if err := errors.Join(c.write(col, start, start+n), col.Close()); err != nil {
				t.Fatal(err)
			}
		}
		if err := g.Close(); err != nil {
			t.Fatal(err)
		}
		start += n
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func doubles(name string, v []float64) libColumn {
	return libColumn{schema.NewFloat64Node(name, parquet.Repetitions.Required, -1),
		func(w file.ColumnChunkWriter, a, b int) error {
			_, err := w.(*file.Float64ColumnChunkWriter).WriteBatch(v[a:b], nil, nil)
			return err
		}}
}

func optionalDoubles(name string, v []float64) libColumn {
	return libColumn{schema.NewFloat64Node(name, parquet.Repetitions.Optional, -1),
		func(w file.ColumnChunkWriter, a, b int) error {
			values, levels := present(v[a:b])
			_, err := w.(*file.Float64ColumnChunkWriter).WriteBatch(values, levels, nil)
			return err
		}}
}

func optionalFloats(name string, v []float32) libColumn {
	return libColumn{schema.NewFloat32Node(name, parquet.Repetitions.Optional, -1),
		func(w file.ColumnChunkWriter, a, b int) error {
			values, levels := present(v[a:b])
			_, err := w.(*file.Float32ColumnChunkWriter).WriteBatch(values, levels, nil)
			return err
		}}
}

func typed[T any, W interface {
	WriteBatch([]T, []int16, []int16) (int64, error)
}](node schema.Node, v []T) libColumn {
	return libColumn{node, func(w file.ColumnChunkWriter, a, b int) error {
		_, err := w.(W).WriteBatch(v[a:b], nil, nil)
		return err
	}}
}

func signal(n int) []float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = math.Round(1000*math.Sin(float64(i)*0.1)) / 8
	}
	return v
}

func withNulls(v []float64) []float64 {
	v = slices.Clone(v)
	for i := range v {
		if i%7 == 3 || i/50%4 == 1 {
			v[i] = math.NaN()
		}
	}
	return v
}

func narrow(v []float64) []float32 {
	out := make([]float32, len(v))
	for i, x := range v {
		out[i] = float32(x)
	}
	return out
}

// Every way in which Arrow's writer lays a column out reads back as written.
func TestReadLayouts(t *testing.T) {
	const rows = 10000
	full, gaps := signal(rows), withNulls(signal(rows))
	codecs := map[string]compress.Compression{
		"none": compress.Codecs.Uncompressed, "snappy": compress.Codecs.Snappy, "gzip": compress.Codecs.Gzip,
		"zstd": compress.Codecs.Zstd, "brotli": compress.Codecs.Brotli,
	}
	for codec, number := range codecs {
		for _, dictionary := range []bool{false, true} {
			for _, version := range []parquet.DataPageVersion{parquet.DataPageV1, parquet.DataPageV2} {
				t.Run(fmt.Sprintf("%s dictionary %v page version %d", codec, dictionary, version), func(t *testing.T) {
					b := writeLib(t, []int{rows - 2001, 1, 2000}, []parquet.WriterProperty{
						parquet.WithCompression(number), parquet.WithDictionaryDefault(dictionary),
						parquet.WithDataPageVersion(version), parquet.WithDataPageSize(4000), parquet.WithBatchSize(100),
					}, doubles("full", full), optionalDoubles("gaps", gaps), optionalDoubles("kept", full),
						optionalFloats("small", narrow(gaps)))
					got, err := openBytes(t, b).Read([]string{"small", "kept", "gaps", "full"})
					if err != nil {
						t.Fatal(err)
					}
					for i, name := range []string{"small", "kept", "gaps", "full"} {
						readSamples(b, name, got[i:i+1], nil)
					}
					for i, want := range [][]float64{gaps, full, gaps, full} {
						if !slices.EqualFunc(got[i], want, sameNumber) {
							t.Errorf("column %d differs", i)
						}
					}
				})
			}
		}
	}
}

func TestReadTypes(t *testing.T) {
	must := parquet.Repetitions.Required
	logical := func(name string, l schema.LogicalType, p parquet.Type, length int) schema.Node {
		return schema.Must(schema.NewPrimitiveNodeLogical(name, must, l, p, length, -1))
	}
	type (
		i32 = *file.Int32ColumnChunkWriter
		i64 = *file.Int64ColumnChunkWriter
		i96 = *file.Int96ColumnChunkWriter
		flb = *file.FixedLenByteArrayColumnChunkWriter
		bin = *file.ByteArrayColumnChunkWriter
	)
	at := time.Date(2031, 4, 5, 6, 7, 8, 250_000_000, time.UTC)
	half := func(x float32) parquet.FixedLenByteArray { return float16.New(x).ToLEBytes() }
	day := parquet.NewInt96([3]uint32{0, 0, 2440588}) // Julian day number of 1970-01-01
	later := parquet.NewInt96([3]uint32{1_500_000_000, 0, 2440588})

	for _, row := range []struct {
		reason string
		col    libColumn
		typ    string
		want   []float64
		texts  []string
	}{
		{"int8", typed[int32, i32](logical("c", schema.NewIntLogicalType(8, true), parquet.Types.Int32, 0), []int32{-128, 127}),
			"int8", []float64{-128, 127}, []string{"-128", "127"}},
		{"uint32 beyond the signed range", typed[int32, i32](logical("c", schema.NewIntLogicalType(32, false), parquet.Types.Int32, 0), []int32{-1, 1}),
			"uint32", []float64{math.MaxUint32, 1}, []string{"4294967295", "1"}},
		{"uint64 beyond the signed range", typed[int64, i64](logical("c", schema.NewIntLogicalType(64, false), parquet.Types.Int64, 0), []int64{-1, 1}),
			"uint64", []float64{math.MaxUint64, 1}, []string{"18446744073709551615", "1"}},
		{"decimal in int64", typed[int64, i64](logical("c", schema.NewDecimalLogicalType(10, 2), parquet.Types.Int64, 0), []int64{-12345, 7}),
			"decimal(10,2)", []float64{-123.45, 0.07}, []string{"-123.45", "0.07"}},
		{"decimal in bytes", typed[parquet.FixedLenByteArray, flb](logical("c", schema.NewDecimalLogicalType(20, 3), parquet.Types.FixedLenByteArray, 9),
			[]parquet.FixedLenByteArray{{255, 255, 255, 255, 255, 255, 255, 255, 254}, {0, 0, 0, 0, 0, 0, 0, 4, 1}}),
			"decimal(20,3)", []float64{-0.002, 1.025}, []string{"-0.002", "1.025"}},
		{"microseconds since the first", typed[int64, i64](logical("c", schema.NewTimestampLogicalType(true, schema.TimeUnitMicros), parquet.Types.Int64, 0),
			[]int64{at.UnixMicro(), at.UnixMicro() + 500}),
			"timestamp[us]", []float64{0, 0.0005}, []string{"2031-04-05T06:07:08.25Z", "2031-04-05T06:07:08.2505Z"}},
		{"nanoseconds since the first", typed[int64, i64](logical("c", schema.NewTimestampLogicalType(true, schema.TimeUnitNanos), parquet.Types.Int64, 0),
			[]int64{at.UnixNano(), at.UnixNano() + 1}),
			"timestamp[ns]", []float64{0, 1e-9}, []string{"2031-04-05T06:07:08.25Z", "2031-04-05T06:07:08.250000001Z"}},
		{"timestamps in 12 bytes", typed[parquet.Int96, i96](schema.NewInt96Node("c", must, -1), []parquet.Int96{day, later}),
			"timestamp[int96]", []float64{0, 1.5}, []string{"1970-01-01T00:00:00Z", "1970-01-01T00:00:01.5Z"}},
		{"time of day", typed[int32, i32](logical("c", schema.NewTimeLogicalType(true, schema.TimeUnitMillis), parquet.Types.Int32, 0), []int32{0, 3_600_500}),
			"time[ms]", []float64{0, 3600.5}, []string{"0", "3600.5"}},
		{"date", typed[int32, i32](logical("c", schema.DateLogicalType{}, parquet.Types.Int32, 0), []int32{22374, 22375}),
			"date", []float64{0, 86400}, []string{"2031-04-05", "2031-04-06"}},
		{"half precision", typed[parquet.FixedLenByteArray, flb](logical("c", schema.Float16LogicalType{}, parquet.Types.FixedLenByteArray, 2),
			[]parquet.FixedLenByteArray{half(-1.5), half(65504)}), "half", []float64{-1.5, 65504}, []string{"-1.5", "65504"}},
		{"texts", typed[parquet.ByteArray, bin](logical("c", schema.StringLogicalType{}, parquet.Types.ByteArray, 0),
			[]parquet.ByteArray{[]byte("a"), []byte("é")}), "string", nil, []string{"a", "é"}},
	} {
		t.Run(row.reason, func(t *testing.T) {
			s := openBytes(t, writeLib(t, []int{1, 1}, nil, row.col))
			if got := s.Columns()[0].Type; got != row.typ {
				t.Errorf("type %q, not %q", got, row.typ)
			}
			got, err := s.Read([]string{"c"})
			if row.want == nil {
				if err == nil {
					t.Error("read as numbers")
				}
			} else if err != nil || !cmp.Equal(got[0], row.want) {
				t.Errorf("got %v, want %v (error %v)", got, row.want, err)
			} else {
				readSamples(writeLib(t, []int{1, 1}, nil, row.col), "c", got, nil)
			}
			texts, err := s.ReadStrings("c")
			if err != nil || !cmp.Equal(texts, row.texts) {
				t.Errorf("got %q, want %q (error %v)", texts, row.texts, err)
			}
		})
	}
}

func TestReadNested(t *testing.T) {
	opt, must := parquet.Repetitions.Optional, parquet.Repetitions.Required
	inner := schema.NewFloat64Node("z", opt, -1)
	group, err := schema.NewGroupNode("acc", opt, schema.FieldList{inner}, -1)
	if err != nil {
		t.Fatal(err)
	}
	list := schema.NewFloat64Node("list", parquet.Repetitions.Repeated, -1)
	flag := schema.NewBooleanNode("flag", must, -1)
	b := writeLib(t, []int{3}, nil,
		libColumn{group, func(w file.ColumnChunkWriter, _, _ int) error {
			_, err := w.(*file.Float64ColumnChunkWriter).WriteBatch([]float64{4}, []int16{2, 1, 0}, nil)
			return err
		}},
		libColumn{list, func(w file.ColumnChunkWriter, _, _ int) error {
			_, err := w.(*file.Float64ColumnChunkWriter).WriteBatch([]float64{1, 2, 3}, []int16{1, 1, 1}, []int16{0, 0, 0})
			return err
		}},
		typed[bool, *file.BooleanColumnChunkWriter](flag, []bool{true, false, true}))
	s := openBytes(t, b)
	got, err := s.Read([]string{"acc.z"})
	if err != nil || !cmp.Equal(got[0], []float64{4, math.NaN(), math.NaN()}, cmpopts.EquateNaNs()) {
		t.Errorf("got %v (error %v)", got, err)
	}
	for _, row := range []struct{ column, want string }{
		{"list", "it is a list"},
		{"flag", "booleans"},
		{"acc.zz", `did you mean "acc.z"? it has "acc.z", "list", "flag"`},
		{"temperature", `no column "temperature"; it has "acc.z"`},
	} {
		if _, err := s.Read([]string{row.column}); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: error %v does not say %q", row.column, err, row.want)
		}
	}
}

// The example of Parquet's Encodings.md for bit packing, and runs beside it.
func TestEachRun(t *testing.T) {
	for _, row := range []struct {
		reason string
		levels []byte
		n      int
		want   string // p present, n null; "bad" when damaged
	}{
		{"a run of five ones", []byte{10, 1}, 5, "ppppp"},
		{"a run, then eight bits, lowest first", []byte{4, 0, 3, 0b00110101}, 10, "nnpnpnppnn"},
		{"the last byte is padded", []byte{3, 0b101}, 3, "pnp"},
		{"groups beyond the last, as DuckDB writes them", []byte{9, 0b101, 0, 0, 0}, 3, "pnp"},
		{"64 and more bits", append([]byte{19}, bytes.Repeat([]byte{0xff}, 9)...), 70, strings.Repeat("p", 70)},
		{"a run longer than the page", []byte{12, 1}, 5, "bad"},
		{"a run of none", []byte{0, 1}, 5, "bad"},
		{"a level of 2", []byte{10, 2}, 5, "bad"},
		{"too few", []byte{8, 1}, 5, "bad"},
		{"bits that are missing", []byte{5, 1}, 9, "bad"},
	} {
		var got strings.Builder
		ok := eachRun(row.levels, row.n, func(n int, present bool) bool {
			got.WriteString(strings.Repeat(map[bool]string{true: "p", false: "n"}[present], n))
			return true
		}, func(bits uint64, width int) bool {
			for i := range width {
				got.WriteByte("np"[bits>>i&1])
			}
			return true
		})
		if !ok {
			got.Reset()
			got.WriteString("bad")
		}
		if got.String() != row.want {
			t.Errorf("%s: %s, not %s", row.reason, got.String(), row.want)
		}
	}
}

func TestUnreadable(t *testing.T) {
	plainFile := func(props ...parquet.WriterProperty) []byte {
		return writeLib(t, []int{100}, append(props, parquet.WithDictionaryDefault(false)), doubles("az", signal(100)))
	}
	good := plainFile()
	// The data page header has encoding PLAIN (0) and levels in RLE (3), as zigzag
	// integers; BYTE_STREAM_SPLIT is 9.
	split := bytes.Replace(good, []byte{0x15, 0, 0x15, 6, 0x15, 6}, []byte{0x15, 18, 0x15, 6, 0x15, 6}, 1)
	encrypted := append(bytes.Clone(good[:len(good)-4]), "PARE"...)
	for _, row := range []struct {
		reason string
		b      []byte
		want   []string
	}{
		{"an encoding that the library lacks", split,
			[]string{`column "az"`, "BYTE_STREAM_SPLIT", "plain encoding and zstd or snappy"}},
		{"encrypted", encrypted, []string{"without encryption"}},
		{"cut short", good[:len(good)/2], []string{"copied completely"}},
		{"only a magic", []byte("PAR1"), []string{"too short"}},
		{"text", []byte("time,az\n0,1\n"), []string{"neither Parquet nor Arrow IPC"}},
		{"empty", nil, []string{"neither Parquet nor Arrow IPC"}},
	} {
		err := readAll(row.b, nil)
		for _, want := range row.want {
			if err == nil || !strings.Contains(err.Error(), want) {
				t.Errorf("%s: error %v does not say %q", row.reason, err, want)
			}
		}
	}
	if err := new(chunk).decodable(pageHeader{encoding: 9}); err == nil {
		t.Error("encoding 9 passes")
	}
	if readable(compress.Compression(7)) || readable(compress.Codecs.Lz4) {
		t.Error("LZ4 passes for readable")
	}
}

// readAll reads every column in every way; want, where given, must be what comes.
func readAll(b []byte, want [][]float64) error {
	s, err := NewSource(bytes.NewReader(b), int64(len(b)), "test")
	if err != nil {
		return err
	}
	var errs []error
	for i, c := range s.Columns() {
		if c.Rows > 1<<20 {
			return errors.New("too large for a test")
		}
		got, err := s.Read([]string{c.Name})
		if err == nil && want != nil && !slices.EqualFunc(got[0], want[i], sameNumber) {
			panic(fmt.Sprintf("column %d differs and there is no error", i))
		}
		readSamples(b, c.Name, got, err)
		_, textErr := s.ReadStrings(c.Name)
		errs = append(errs, err, textErr)
	}
	return errors.Join(errs...)
}

// held is a file in memory.
type held struct {
	*bytes.Reader
	b []byte
}

func (h held) Content() []byte { return h.b }

// readSamples reads a column without widening it, through a reader and from memory, and panics unless that gives the numbers, or
// the error, that Read gave, and the memory is as it was. It returns the samples.
func readSamples(b []byte, name string, want [][]float64, wantErr error) (out Samples) {
	for _, r := range []io.ReaderAt{bytes.NewReader(b), held{bytes.NewReader(b), bytes.Clone(b)}} {
		s, err := NewSource(r, int64(len(b)), "test")
		if err != nil {
			panic(err)
		}
		got, err := s.ReadSamples([]string{name}, make([]Samples, 1), atOnce)
		if h, ok := r.(held); ok && !bytes.Equal(h.b, b) {
			panic(fmt.Sprintf("column %q: reading writes to the file's memory", name))
		}
		if (err != nil) != (wantErr != nil) {
			panic(fmt.Sprintf("column %q: error %v, widened %v", name, err, wantErr))
		}
		if err != nil {
			continue
		}
		wide := got[0].Double
		if got[0].Single != nil {
			wide = Widen(got[0].Single, nil)
		}
		if !slices.EqualFunc(wide, want[0], sameNumber) {
			panic(fmt.Sprintf("column %q: samples differ from numbers", name))
		}
		out = got[0]
	}
	return out
}

// atOnce makes all calls at the same time.
func atOnce(n int, do func(i int) error) error {
	errs := make([]error, n)
	var calls sync.WaitGroup
	for i := range n {
		calls.Go(func() { errs[i] = do(i) })
	}
	calls.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

// Columns that are read at the same time are those read in turn, and so is the error. A kit that was in use when reading failed spoils nothing.
func TestColumnsAtOnce(t *testing.T) {
	var cols []libColumn
	var names []string
	for i := range 12 {
		names = append(names, fmt.Sprintf("c%02d", i))
		v := signal(3000 + 100*i)[:3000]
		if i%3 == 0 {
			cols = append(cols, optionalFloats(names[i], narrow(withNulls(v))))
		} else {
			cols = append(cols, doubles(names[i], v))
		}
	}
	b := writeLib(t, []int{2000, 1000}, []parquet.WriterProperty{parquet.WithCompression(compress.Codecs.Zstd)}, cols...)
	want, err := openBytes(t, b).Read(names)
	if err != nil {
		t.Fatal(err)
	}
	for round := range 3 {
		got, err := openBytes(t, b).ReadSamples(names, make([]Samples, len(names)), atOnce)
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range got {
			if v.Single != nil {
				v.Double = Widen(v.Single, nil)
			}
			if !slices.EqualFunc(v.Double, want[i], sameNumber) {
				t.Errorf("round %d: column %s differs from what is read in turn", round, names[i])
			}
		}
		bad := bytes.Clone(b)
		for at := len(b) / 3; at < 2*len(b)/3; at += 50 {
			bad[at] ^= 1
		}
		_, inTurn := openBytes(t, bad).Read(names)
		_, err = openBytes(t, bad).ReadSamples(names, make([]Samples, len(names)), atOnce)
		if inTurn == nil || fmt.Sprint(err) != fmt.Sprint(inTurn) {
			t.Errorf("round %d: of a damaged file error %v, in turn %v", round, err, inTurn)
		}
	}
}

// A fault of a reader's is told as damage alone, also where a helper met it; what a library says is told.
func TestRecovered(t *testing.T) {
	fault := func() (err error) {
		defer func() { err = recover().(error) }()
		_ = []int{}[len(os.Args)]
		return nil
	}()
	for _, tt := range []struct {
		panics any
		want   string
	}{
		{fault, "damaged"},
		{fmt.Errorf("a helper: %w", fault), "damaged"},
		{io.ErrUnexpectedEOF, "damaged: unexpected EOF"},
		{"no such page", "damaged: no such page"},
	} {
		err := func() (err error) {
			defer recovered(&err, "damaged")
			panic(tt.panics)
		}()
		if fmt.Sprint(err) != tt.want {
			t.Errorf("panic %v gives error %v, want %s", tt.panics, err, tt.want)
		}
	}
}

// What the type of a column holds is read as float32 if each number is one.
func TestReadSamples(t *testing.T) {
	must := parquet.Repetitions.Required
	integers := func(bits int8, signed bool, v ...int32) libColumn {
		node := schema.Must(schema.NewPrimitiveNodeLogical("c", must, schema.NewIntLogicalType(bits, signed), parquet.Types.Int32, 0, -1))
		return typed[int32, *file.Int32ColumnChunkWriter](node, v)
	}
	for _, row := range []struct {
		reason string
		rows   int
		col    libColumn
		single bool
	}{
		{"floats", 1000, optionalFloats("c", narrow(signal(1000))), true},
		{"floats and nulls", 1000, optionalFloats("c", narrow(withNulls(signal(1000)))), true},
		{"16 bits", 3, integers(16, true, -32768, 5, 32767), true},
		{"16 bits without sign", 2, integers(16, false, 0, 65535), true},
		{"small numbers of 32 bits", 2, integers(32, true, 1<<24, -1<<24), true},
		{"one is too long for single precision", 3, integers(32, true, 1, 2, 1<<24+1), false},
		{"32 bits without sign", 1, integers(32, false, -1), false},
		{"doubles, whatever they hold", 10, doubles("c", signal(10)), false},
	} {
		for _, dictionary := range []bool{false, true} {
			b := writeLib(t, []int{row.rows}, []parquet.WriterProperty{parquet.WithDictionaryDefault(dictionary)}, row.col)
			want, err := openBytes(t, b).Read([]string{"c"})
			if err != nil {
				t.Fatal(err)
			}
			if got := readSamples(b, "c", want, nil); (got.Single != nil) != row.single || (got.Double == nil) != row.single {
				t.Errorf("%s: read as float32: %t, as float64: %t", row.reason, got.Single != nil, got.Double != nil)
			}
		}
	}
}

// A file cut anywhere is an error; one with a flipped bit is an error or reads as
// it was, as long as its pages carry zstd's checksums.
func TestDamagedParquet(t *testing.T) {
	full := signal(1000)
	gaps := withNulls(full)
	want := [][]float64{full, gaps, gaps}
	b := writeLib(t, []int{600, 400}, []parquet.WriterProperty{parquet.WithCompression(compress.Codecs.Zstd),
		parquet.WithDictionaryFor("full", false), parquet.WithDictionaryFor("gaps", false)},
		doubles("full", full), optionalDoubles("gaps", gaps), optionalDoubles("dict", gaps))
	if err := readAll(b, want); err != nil {
		t.Fatal(err)
	}
	for n := 0; n < len(b); n += 1 + n/40 {
		if err := readAll(b[:n], nil); err == nil {
			t.Errorf("cut to %d of %d bytes reads without an error", n, len(b))
		}
	}
	flipped := bytes.Clone(b)
	for at := 0; at < len(b); at += 3 {
		bit := byte(1) << (at % 8)
		flipped[at] ^= bit
		func() {
			defer func() {
				if p := recover(); p != nil {
					t.Errorf("bit %#x of byte %d: %v", bit, at, p)
				}
			}()
			_ = readAll(flipped, want)
		}()
		flipped[at] ^= bit
	}
}

// A page that claims a thousand million values in eight bytes is refused before
// room is made for them.
func TestClaimsAreNotAllocated(t *testing.T) {
	const claim = 1 << 30
	for _, row := range []struct {
		reason string
		node   *schema.PrimitiveNode
		levels int16
		h      pageHeader
	}{
		{"required", schema.NewFloat64Node("v", parquet.Repetitions.Required, -1), 0, pageHeader{}},
		{"optional", schema.NewFloat64Node("v", parquet.Repetitions.Optional, -1), 1, pageHeader{defEncoding: encodingRLE}},
		{"optional, version 2", schema.NewFloat64Node("v", parquet.Repetitions.Optional, -1), 1, pageHeader{kind: pageDataV2, defLen: 2}},
	} {
		desc := schema.NewColumn(row.node, row.levels, 0)
		c := &chunk{p: &parquetFile{kit: new(kit)}, desc: desc, rows: claim, total: claim, raw: 8}
		c.p.win.reset(bytes.NewReader([]byte{2, 0, 0, 0, 2, 1, 0, 0}), 0, 8)
		row.h.values, row.h.rawLen, row.h.packedLen = claim, 8, 8
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := readPage(c, row.h, nil, claim, meaning{}.numbers(), plainNumbers(desc, meaning{}))
		runtime.ReadMemStats(&after)
		if grown := after.TotalAlloc - before.TotalAlloc; err == nil || grown > 1<<20 {
			t.Errorf("%s: %d bytes allocated (error %v)", row.reason, grown, err)
		}
	}
}

// Pages whose writer stored a checksum are compared with it: parquet.thrift,
// PageHeader.crc, "as used in e.g. GZip".
func TestPageChecksum(t *testing.T) {
	data := []byte("page")
	for _, row := range []struct {
		reason string
		h      pageHeader
		ok     bool
	}{
		{"none stored", pageHeader{}, true},
		{"the right one", pageHeader{hasCRC: true, crc: crc32.ChecksumIEEE(data)}, true},
		{"a wrong one", pageHeader{hasCRC: true, crc: 1}, false},
	} {
		if err := row.h.checksum(data); (err == nil) != row.ok {
			t.Errorf("%s: error %v", row.reason, err)
		}
	}
}

func TestOpenFiles(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "lap.csv") // the name does not matter
	if err := os.WriteFile(path, parquetBytes(t, sample()), 0o600); err != nil {
		t.Fatal(err)
	}
	for name, open := range map[string]func(string) (*Source, error){"Open": Open, "OpenParquet": OpenParquet} {
		s, err := open(path)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		dst := [][]float64{make([]float64, 3, 100)}
		out, err := s.ReadInto([]string{"lap"}, dst)
		if err != nil || len(out[0]) != 6 || &out[0][:1][0] != &dst[0][0] {
			t.Errorf("%s: ReadInto does not use the memory it is given (error %v)", name, err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
	if _, err := OpenIPC(path); err == nil {
		t.Error("OpenIPC opens Parquet")
	}
	if _, err := Open(filepath.Join(dir, "none")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("missing file: %v", err)
	}
}

func FuzzParquet(f *testing.F) {
	f.Add(parquetBytes(f, sample()))
	f.Add(writeLib(f, []int{40}, nil, doubles("a", signal(40)), optionalDoubles("b", withNulls(signal(40)))))
	f.Fuzz(func(t *testing.T, b []byte) { _ = readAll(b, nil) })
}

func BenchmarkParquet(b *testing.B) {
	const rows = 4 << 20
	v := make([]float64, rows)
	for i := range v {
		v[i] = math.Sin(float64(i)*0.01) + 1e-3*float64(i*7919%1000)
	}
	holes := withNulls(v)
	for _, row := range []struct {
		name  string
		codec compress.Compression
		col   libColumn
	}{
		{"double/none", compress.Codecs.Uncompressed, doubles("v", v)},
		{"double/zstd", compress.Codecs.Zstd, doubles("v", v)},
		{"double/snappy", compress.Codecs.Snappy, doubles("v", v)},
		{"optional_full_double/none", compress.Codecs.Uncompressed, optionalDoubles("v", v)},
		{"optional_full_float/none", compress.Codecs.Uncompressed, optionalFloats("v", narrow(v))},
		{"optional_holes_float/none", compress.Codecs.Uncompressed, optionalFloats("v", narrow(holes))},
		{"optional_holes_float/zstd", compress.Codecs.Zstd, optionalFloats("v", narrow(holes))},
	} {
		data := writeLib(b, []int{rows / 4, rows / 4, rows / 4, rows / 4}, []parquet.WriterProperty{
			parquet.WithCompression(row.codec), parquet.WithDictionaryDefault(false)}, row.col)
		path := filepath.Join(b.TempDir(), "lap.parquet")
		if err := os.WriteFile(path, data, 0o600); err != nil {
			b.Fatal(err)
		}
		b.Run(row.name, func(b *testing.B) {
			b.SetBytes(8 * rows)
			b.ReportAllocs()
			var dst [][]float64
			for b.Loop() {
				s, err := OpenParquet(path)
				if err != nil {
					b.Fatal(err)
				}
				if dst, err = s.ReadInto([]string{"v"}, dst); err != nil {
					b.Fatal(err)
				}
				s.Close()
			}
		})
		b.Run(row.name+"/library", func(b *testing.B) { benchLibrary(b, path) })
	}
}

// benchLibrary reads the same with the library alone, as a mark.
func benchLibrary(b *testing.B, path string) {
	b.ReportAllocs()
	dst, levels := make([]float64, 1<<20), make([]int16, 1<<20)
	small := make([]float32, 1<<20)
	for b.Loop() {
		props := parquet.NewReaderProperties(nil)
		props.BufferedStreamEnabled, props.BufferSize = true, 64<<10
		r, err := file.OpenParquetFile(path, false, file.WithReadProps(props))
		if err != nil {
			b.Fatal(err)
		}
		b.SetBytes(8 * r.NumRows())
		for g := range r.NumRowGroups() {
			col, err := r.RowGroup(g).Column(0)
			if err != nil {
				b.Fatal(err)
			}
			var n int64
			switch col := col.(type) {
			case *file.Float64ColumnChunkReader:
				n, _, err = col.ReadBatch(1<<20, dst, levels, nil)
			case *file.Float32ColumnChunkReader:
				n, _, err = col.ReadBatch(1<<20, small, levels, nil)
			}
			if err != nil || n != 1<<20 {
				b.Fatal(n, err)
			}
		}
		r.Close()
	}
}
