package frame

import (
	"bytes"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
	"github.com/apache/arrow/go/v15/arrow/decimal128"
	"github.com/apache/arrow/go/v15/arrow/ipc"
	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// ipcSchemaOf is a schema with a field of each sort that is read.
func ipcSchemaOf() *arrow.Schema {
	unit := arrow.NewMetadata([]string{"unit"}, []string{"g"})
	meta := arrow.NewMetadata([]string{"unit.i32"}, []string{"rpm"})
	return arrow.NewSchema([]arrow.Field{
		{Name: "f64", Type: arrow.PrimitiveTypes.Float64, Nullable: true, Metadata: unit},
		{Name: "f32", Type: arrow.PrimitiveTypes.Float32, Nullable: true},
		{Name: "i32", Type: arrow.PrimitiveTypes.Int32},
		{Name: "u64", Type: arrow.PrimitiveTypes.Uint64},
		{Name: "at", Type: &arrow.TimestampType{Unit: arrow.Microsecond}},
		{Name: "dec", Type: &arrow.Decimal128Type{Precision: 10, Scale: 2}},
		{Name: "text", Type: &arrow.DictionaryType{IndexType: arrow.PrimitiveTypes.Int8, ValueType: arrow.BinaryTypes.String}},
		{Name: "flag", Type: arrow.FixedWidthTypes.Boolean},
		{Name: "acc", Type: arrow.StructOf(arrow.Field{Name: "z", Type: arrow.PrimitiveTypes.Float64, Nullable: true}), Nullable: true},
		{Name: "list", Type: arrow.ListOf(arrow.PrimitiveTypes.Float64)},
	}, &meta)
}

func ipcRecord(s *arrow.Schema, rows int) arrow.Record {
	b := array.NewRecordBuilder(memory.NewGoAllocator(), s)
	for i := range rows {
		b.Field(2).(*array.Int32Builder).Append(int32(-i))
		b.Field(3).(*array.Uint64Builder).Append(math.MaxUint64)
		b.Field(4).(*array.TimestampBuilder).Append(arrow.Timestamp(1_900_000_000_000_000 + 500*int64(i)))
		b.Field(5).(*array.Decimal128Builder).Append(decimal128.FromI64(int64(-125 * i)))
		if err := b.Field(6).(*array.BinaryDictionaryBuilder).AppendString([]string{"a", "b"}[i%2]); err != nil {
			panic(err)
		}
		b.Field(7).(*array.BooleanBuilder).Append(i%2 == 0)
		b.Field(8).AppendNull() // replaced below
		b.Field(9).(*array.ListBuilder).AppendNull()
		if i%5 == 2 {
			b.Field(0).AppendNull()
			b.Field(1).AppendNull()
			continue
		}
		b.Field(0).(*array.Float64Builder).Append(float64(i) / 4)
		b.Field(1).(*array.Float32Builder).Append(float32(i) / 4)
	}
	rec := b.NewRecord()
	rec, err := rec.SetColumn(8, structColumn(s.Field(8).Type, rows))
	if err != nil {
		panic(err)
	}
	return rec
}

// structColumn holds numbers everywhere, a third of them under a null structure:
// the format lets a null structure's fields have values.
func structColumn(t arrow.DataType, rows int) arrow.Array {
	z := array.NewFloat64Builder(memory.NewGoAllocator())
	valid, nulls := make([]byte, rows/8+1), 0
	for i := range rows {
		z.Append(float64(i))
		if i%3 == 0 {
			nulls++
			continue
		}
		valid[i/8] |= 1 << (i % 8)
	}
	return array.NewStructData(array.NewData(t, rows, []*memory.Buffer{memory.NewBufferBytes(valid)},
		[]arrow.ArrayData{z.NewArray().Data()}, nulls, 0))
}

const ipcRows = 400 // in each of two batches

func ipcBytes(t testing.TB, asFile bool, opts ...ipc.Option) []byte {
	t.Helper()
	out, err := os.Create(filepath.Join(t.TempDir(), "lap.arrow"))
	if err != nil {
		t.Fatal(err)
	}
	defer out.Close()
	var (
		s   = ipcSchemaOf()
		rec = ipcRecord(s, ipcRows)
		w   interface {
			Write(arrow.Record) error
			Close() error
		}
	)
	opts = append(opts, ipc.WithSchema(s))
	if asFile {
		w, err = ipc.NewFileWriter(out, opts...)
	} else {
		w = ipc.NewWriter(out, opts...)
	}
	if err = errors.Join(err, w.Write(rec), w.Write(rec), w.Close()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(out.Name())
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func ipcWant() (f64, z []float64) {
	for i := range 2 * ipcRows {
		i %= ipcRows
		f64, z = append(f64, float64(i)/4), append(z, float64(i))
		if i%5 == 2 {
			f64[len(f64)-1] = math.NaN()
		}
		if i%3 == 0 {
			z[len(z)-1] = math.NaN()
		}
	}
	return f64, z
}

func TestIPC(t *testing.T) {
	f64, z := ipcWant()
	for _, row := range []struct {
		reason string
		b      []byte
	}{
		{"file", ipcBytes(t, true)},
		{"file, zstd", ipcBytes(t, true, ipc.WithZstd())},
		{"file, lz4", ipcBytes(t, true, ipc.WithLZ4())},
		{"stream", ipcBytes(t, false)},
		{"stream, zstd", ipcBytes(t, false, ipc.WithZstd())},
	} {
		t.Run(row.reason, func(t *testing.T) {
			s := openBytes(t, row.b)
			names := []string{"f64", "f32", "acc.z", "i32", "u64", "at", "dec"}
			got, err := s.Read(names)
			if err != nil {
				t.Fatal(err)
			}
			for i, want := range [][]float64{f64, f64, z} {
				if !slices.EqualFunc(got[i], want, sameNumber) {
					t.Errorf("column %q differs", names[i])
				}
			}
			last := []float64{got[3][399], got[4][399], got[5][399], got[6][399]}
			if d := cmp.Diff([]float64{-399, math.MaxUint64, 399 * 0.0005, -498.75}, last, cmpopts.EquateApprox(1e-15, 0)); d != "" {
				t.Error(d)
			}
			for name, want := range map[string]string{"text": "b", "flag": "false", "dec": "-1.25", "u64": "18446744073709551615",
				"at": "2030-03-17T17:46:40.0005Z", "f32": "0.25"} {
				texts, err := s.ReadStrings(name)
				if err != nil || len(texts) != 2*ipcRows || texts[1] != want {
					t.Errorf("texts of %q: row 1 is %q, not %q (error %v)", name, texts[1], want, err)
				}
			}
			for name, want := range map[string]string{"text": "not numbers", "flag": "booleans", "list": "not read", "no": "no column"} {
				if _, err := s.Read([]string{name}); err == nil || !strings.Contains(err.Error(), want) {
					t.Errorf("%s: error %v does not say %q", name, err, want)
				}
			}
			info := s.Columns()
			if d := cmp.Diff([]ColumnInfo{{"f64", "g", "float64", 2 * ipcRows}, {"i32", "rpm", "int32", 2 * ipcRows}},
				[]ColumnInfo{info[0], info[2]}); d != "" {
				t.Error(d)
			}
		})
	}
}

// A file or stream that is cut anywhere is an error; flipped bits never panic,
// and change no row count unnoticed.
func TestDamagedIPC(t *testing.T) {
	for name, b := range map[string][]byte{"file": ipcBytes(t, true, ipc.WithZstd()), "stream": ipcBytes(t, false)} {
		for n := 0; n < len(b); n += 1 + n/40 {
			if err := readAll(b[:n], nil); err == nil {
				t.Errorf("%s cut to %d of %d bytes reads without an error", name, n, len(b))
			}
		}
		flipped := bytes.Clone(b)
		for at := 0; at < len(b); at += 5 + len(b)/1000 {
			bit := byte(1) << (at % 8)
			flipped[at] ^= bit
			s, err := NewSource(bytes.NewReader(flipped), int64(len(flipped)), "test")
			if err == nil {
				got, err := s.Read([]string{"f64"})
				if err == nil && len(got[0]) != 2*ipcRows {
					t.Errorf("%s: bit %#x of byte %d: %d rows without an error", name, bit, at, len(got[0]))
				}
			}
			flipped[at] ^= bit
		}
	}
}

func TestStreamWithoutEnd(t *testing.T) {
	b := ipcBytes(t, false)
	for _, row := range []struct {
		reason, want string
		b            []byte
	}{
		{"cut between two messages", "no end marker", b[:len(b)-8]},
		{"data behind the end", "follow the end marker", append(bytes.Clone(b), 1, 2, 3)},
	} {
		if err := readAll(row.b, nil); err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("%s: error %v does not say %q", row.reason, err, row.want)
		}
	}
}

func FuzzIPC(f *testing.F) {
	f.Add(ipcBytes(f, true))
	f.Add(ipcBytes(f, false, ipc.WithZstd()))
	f.Fuzz(func(t *testing.T, b []byte) { _ = readAll(b, nil) })
}
