package frame

import (
	"bytes"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/apache/arrow/go/v15/parquet/file"
	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// Hashes of the sample's three forms (the first 8 bytes of SHA-256). The Parquet
// hash also depends on the compressor's version; a change in it alone means a new
// library, not a fault.
const (
	goldenEncoding = "3df8e4dd5515617a"
	goldenCSV      = "ad862e52a518aeb2"
	goldenParquet  = "cfe7c0bbb3b33324"
)

var errFull = errors.New("disk full")

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errFull }

func TestWriteCSV(t *testing.T) {
	for _, row := range []struct {
		reason string
		f      *Frame
		want   string
	}{
		{"every kind; RFC 4180 section 2 rules 5 to 7 for quotes", sample(),
			"stress,acc,ticks,lap,note,linear\n" +
				"1.5,0.1,-9223372036854775808,-2147483648,,true\n" +
				",,-1,-1,plain,false\n" +
				"inf,-2,0,0,\"a,b\",true\n" +
				"-inf,3e+38,1,1,\"said \"\"so\"\"\",true\n" +
				"-0,1e-45,9223372036854775807,2147483647,\"zwei\nZeilen\",false\n" +
				"0.1,0,9007199254740992,7,'=1+1,false\n"},
		{"a lone empty cell is no blank line", Must(nil, Col("a", "", []float64{math.NaN(), 1})), "a\n\"\"\n1\n"},
		{"a lone empty text is no blank line", Must(nil, Col("a", "", []string{"", "x"})), "a\n\"\"\nx\n"},
		{"a header alone", Must(nil, Col("a,b", "", []bool{}), Col("c", "", []bool{})), "\"a,b\",c\n"},
	} {
		t.Run(row.reason, func(t *testing.T) {
			var b strings.Builder
			if err := row.f.WriteCSV(&b); err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(row.want, b.String()); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

// What WriteCSV quotes, the standard library's reader reads back, and Unguard takes away
// what was put before formulas.
func FuzzCSVTexts(f *testing.F) {
	f.Add("a", "b,\"c\"\n")
	f.Add("", "")
	f.Fuzz(func(t *testing.T, a, b string) {
		if strings.Contains(a+b, "\r") {
			t.Skip("the reader turns CR LF within quotes into LF")
		}
		var out bytes.Buffer
		if err := Must(nil, Col("x", "", []string{a}), Col("y", "", []string{b})).WriteCSV(&out); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&out).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range rows {
			for i := range row {
				row[i] = Unguard(row[i])
			}
		}
		if d := cmp.Diff([][]string{{"x", "y"}, {a, b}}, rows); d != "" {
			t.Error(d)
		}
	})
}

func TestTableErrors(t *testing.T) {
	for _, row := range []struct {
		reason string
		err    error
		want   string
	}{
		{"csv: full disk", sample().WriteCSV(failing{}), "disk full"},
		{"parquet: full disk", sample().WriteParquet(failing{}), "write parquet"},
		{"csv: no columns", Must(nil).WriteCSV(failing{}), "no columns"},
		{"parquet: no columns", Must(nil).WriteParquet(failing{}), "no columns"},
	} {
		if row.err == nil || !strings.Contains(row.err.Error(), row.want) {
			t.Errorf("%s: error %v does not say %q", row.reason, row.err, row.want)
		}
	}
}

func TestTablesAreDeterministic(t *testing.T) {
	for _, row := range []struct {
		form  string
		write func(*bytes.Buffer) error
		want  string
	}{
		{"csv", func(b *bytes.Buffer) error { return sample().WriteCSV(b) }, goldenCSV},
		{"parquet", func(b *bytes.Buffer) error { return sample().WriteParquet(b) }, goldenParquet},
	} {
		for range 2 {
			var b bytes.Buffer
			if err := row.write(&b); err != nil {
				t.Fatal(err)
			}
			sum := sha256.Sum256(b.Bytes())
			if got := hex.EncodeToString(sum[:8]); got != row.want {
				t.Errorf("%s: hash of the sample is %s, not %s", row.form, got, row.want)
			}
		}
	}
}

func sameNumber(a, b float64) bool { return a == b || a != a && b != b }

func parquetBytes(t testing.TB, f *Frame) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := f.WriteParquet(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func openBytes(t testing.TB, b []byte) *Source {
	t.Helper()
	s, err := NewSource(bytes.NewReader(b), int64(len(b)), "test")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestParquetRoundTrip(t *testing.T) {
	f := sample()
	s := openBytes(t, parquetBytes(t, f))
	want := []ColumnInfo{
		{"stress", "MPa", "double", 6}, {"acc", "g", "float", 6}, {"ticks", "", "int64", 6},
		{"lap", "", "int32", 6}, {"note", "", "string", 6}, {"linear", "", "boolean", 6},
	}
	if d := cmp.Diff(want, s.Columns()); d != "" {
		t.Errorf("columns (-want +got):\n%s", d)
	}
	got, err := s.Read([]string{"lap", "stress", "acc", "ticks"})
	if err != nil {
		t.Fatal(err)
	}
	numbers := [][]float64{
		{math.MinInt32, -1, 0, 1, math.MaxInt32, 7},
		f.cols[0].data.([]float64),
		{float64(float32(0.1)), math.NaN(), -2, float64(float32(3e38)), float64(float32(1e-45)), 0},
		{math.MinInt64, -1, 0, 1, math.MaxInt64, 1 << 53},
	}
	if d := cmp.Diff(numbers, got, cmpopts.EquateNaNs()); d != "" {
		t.Errorf("numbers (-want +got):\n%s", d)
	}
	for _, row := range []struct {
		column string
		want   []string
	}{
		{"note", f.cols[4].data.([]string)},
		{"linear", []string{"true", "false", "true", "true", "false", "false"}},
		{"stress", []string{"1.5", "", "+Inf", "-Inf", "-0", "0.1"}},
		{"acc", []string{"0.1", "", "-2", "3e+38", "1e-45", "0"}},
		{"ticks", []string{"-9223372036854775808", "-1", "0", "1", "9223372036854775807", "9007199254740992"}},
	} {
		texts, err := s.ReadStrings(row.column)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(row.want, texts); d != "" {
			t.Errorf("texts of %q (-want +got):\n%s", row.column, d)
		}
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// More rows than a row group, read back here and with Arrow's own reader.
func TestParquetRowGroups(t *testing.T) {
	const rows = parquetGroup + 12345
	v, text := make([]float64, rows), make([]string, rows)
	for i := range v {
		v[i] = float64(i) / 3
		if i%1000 == 7 {
			v[i] = math.NaN()
		}
		text[i] = []string{"a", "b"}[i%2]
	}
	b := parquetBytes(t, Must(nil, Col("v", "", v), Col("t", "", text)))
	s := openBytes(t, b)
	got, err := s.Read([]string{"v"})
	if err != nil {
		t.Fatal(err)
	}
	if !slices.EqualFunc(got[0], v, sameNumber) {
		t.Error("numbers differ")
	}
	if texts, err := s.ReadStrings("t"); err != nil || !slices.Equal(texts, text) {
		t.Errorf("texts differ (error %v)", err)
	}

	lib, err := file.NewParquetReader(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	if lib.NumRowGroups() != 2 || *lib.MetaData().CreatedBy != "lapwear" {
		t.Errorf("%d row groups by %q", lib.NumRowGroups(), *lib.MetaData().CreatedBy)
	}
	var read []float64
	for g := range lib.NumRowGroups() {
		col, err := lib.RowGroup(g).Column(0)
		if err != nil {
			t.Fatal(err)
		}
		n := lib.RowGroup(g).NumRows()
		values, levels := make([]float64, n), make([]int16, n)
		if total, _, err := col.(*file.Float64ColumnChunkReader).ReadBatch(n, values, levels, nil); err != nil || total != n {
			t.Fatal(total, err)
		}
		for _, level := range levels {
			if level == 0 {
				read = append(read, math.NaN())
				continue
			}
			read = append(read, values[0])
			values = values[1:]
		}
	}
	if !slices.EqualFunc(read, v, sameNumber) {
		t.Error("Arrow's reader reads other numbers")
	}
}

func TestParquetMetadata(t *testing.T) {
	lib, err := file.NewParquetReader(bytes.NewReader(parquetBytes(t, sample())))
	if err != nil {
		t.Fatal(err)
	}
	kv := lib.MetaData().KeyValueMetadata()
	if d := cmp.Diff([]string{"unit.stress", "unit.acc", "attr.rate", "attr.channel", "attr.none"}, kv.Keys()); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff([]string{"MPa", "g", "1024", "acc_z", ""}, kv.Values()); d != "" {
		t.Error(d)
	}
}
