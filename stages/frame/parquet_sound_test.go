package frame

import (
	"bytes"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/file"
	"github.com/apache/arrow/go/v15/parquet/schema"
)

// within fails where something has not ended after a minute: it would not end at all.
func within(t *testing.T, what string, do func()) {
	t.Helper()
	done := make(chan struct{})
	go func() {
		defer close(done)
		do()
	}()
	select {
	case <-done:
	case <-time.After(time.Minute):
		t.Fatalf("%s: does not end", what)
	}
}

// Pages that end before their values or levels do are refused: the library would ask for the rest for ever.
func TestShortPages(t *testing.T) {
	req, opt := parquet.Repetitions.Required, parquet.Repetitions.Optional
	for _, row := range []struct {
		reason string
		node   *schema.PrimitiveNode
		most   int16 // definition level
		h      pageHeader
		page   []byte
		want   string // of the error; "" = the values are read
	}{
		{"delta, all there", schema.NewInt32Node("v", req, -1), 0, pageHeader{values: 2, encoding: encodingDelta},
			[]byte{128, 1, 4, 2, 2, 2, 0, 0, 0, 0}, ""},
		{"delta, two of eight", schema.NewInt32Node("v", req, -1), 0, pageHeader{values: 8, encoding: encodingDelta},
			[]byte{128, 1, 4, 2, 2, 2, 0, 0, 0, 0}, "fewer values"},
		{"delta without a header", schema.NewInt32Node("v", req, -1), 0, pageHeader{values: 8, encoding: encodingDelta}, []byte{128}, "fewer values"},
		{"delta in no parts", schema.NewInt64Node("v", req, -1), 0, pageHeader{values: 8, encoding: encodingDelta}, []byte{128, 1, 0, 8, 2}, "0 parts"},
		{"delta in parts of a thousand million", schema.NewInt64Node("v", opt, -1), 1, pageHeader{kind: pageDataV2, values: 8, defLen: 2, encoding: encodingDelta},
			[]byte{16, 1, 128, 128, 128, 128, 4, 1, 8, 2}, "blocks of"},
		{"levels end early", schema.NewInt96Node("v", opt, -1), 1, pageHeader{values: 8, defEncoding: encodingRLE}, []byte{2, 0, 0, 0, 4, 0}, "levels"},
		{"levels end early, version 2", schema.NewInt96Node("v", opt, -1), 1, pageHeader{kind: pageDataV2, values: 8, defLen: 2}, []byte{4, 0}, "levels"},
		{"levels of two bits end early", schema.NewInt96Node("v", opt, -1), 2, pageHeader{kind: pageDataV2, values: 8, defLen: 2}, []byte{3, 0}, "levels"},
		{"only nulls, levels of two bits", schema.NewInt96Node("v", opt, -1), 2, pageHeader{kind: pageDataV2, values: 8, defLen: 3}, []byte{3, 0x55, 0x55}, ""},
		{"packed levels end early", schema.NewInt96Node("v", opt, -1), 1, pageHeader{values: 9, defEncoding: 4}, []byte{0}, "levels"},
		{"no index, no dictionary", schema.NewInt32Node("v", req, -1), 0, pageHeader{values: 8, encoding: encodingRLEDict}, nil, "indices"},
		{"booleans end early", schema.NewBooleanNode("v", req, -1), 0, pageHeader{values: 8, encoding: encodingRLE}, []byte{2, 0, 0, 0, 4, 1}, "fewer values"},
		{"booleans of a length that lies", schema.NewBooleanNode("v", req, -1), 0, pageHeader{values: 8, encoding: encodingRLE}, []byte{99, 0, 0, 0, 16, 0}, "fewer values"},
	} {
		n := int64(row.h.values)
		c := &chunk{p: &parquetFile{kit: new(kit)}, desc: schema.NewColumn(row.node, row.most, 0), rows: n, total: n, raw: int64(len(row.page))}
		row.h.rawLen, row.h.packedLen = int32(len(row.page)), int32(len(row.page))
		c.p.win.reset(bytes.NewReader(row.page), 0, int64(len(row.page)))
		within(t, row.reason, func() {
			var err error
			var got []string
			func() {
				defer recovered(&err, "damaged")
				got, err = readPage(c, row.h, nil, n, meaning{}.texts(), nil)
			}()
			if row.want == "" && (err != nil || len(got) != int(n)) || row.want != "" && (err == nil || !strings.Contains(err.Error(), row.want)) {
				t.Errorf("%s: %d values, error %v, want %q", row.reason, len(got), err, row.want)
			}
		})
	}
}

// Numbers in the hybrid are all there or not, and are those that were written: runs and groups of eight, by hand.
func TestHybrid(t *testing.T) {
	for _, row := range []struct {
		reason string
		b      []byte
		width  int
		n      int
		want   string
	}{
		{"a run", []byte{10, 3}, 2, 5, "3 3 3 3 3"},
		{"of which some are wanted", []byte{10, 3}, 2, 2, "3 3"},
		{"too few", []byte{10, 3}, 2, 6, "missing"},
		{"without its number", []byte{10}, 2, 5, "missing"},
		{"numbers of no bits", []byte{6}, 0, 3, "0 0 0"},
		// Encodings.md: 0 to 7 in three bits are 10001000 11000110 11111010.
		{"a group", []byte{3, 0x88, 0xc6, 0xfa}, 3, 8, "0 1 2 3 4 5 6 7"},
		{"a group whose padding is missing", []byte{3, 0x88}, 3, 2, "0 1"},
		{"a group that is cut short", []byte{3, 0x88}, 3, 3, "missing"},
		{"a group and a run", []byte{3, 0x88, 0xc6, 0xfa, 4, 1}, 3, 10, "0 1 2 3 4 5 6 7 1 1"},
		{"numbers of 20 bits", []byte{4, 1, 2, 3}, 20, 2, "197121 197121"},
		{"a run of none", []byte{0, 1}, 1, 1, "missing"},
		{"nothing", nil, 1, 1, "missing"},
		{"nothing is wanted", nil, 1, 0, ""},
	} {
		var got []string
		whole := hybrid(row.b, row.width, row.n, func(v uint64, count int) {
			got = append(got, slices.Repeat([]string{fmt.Sprint(v)}, count)...)
		})
		if whole != hybrid(row.b, row.width, row.n, nil) {
			t.Errorf("%s: another answer where the numbers are not asked for", row.reason)
		}
		if !whole {
			got = []string{"missing"}
		}
		if strings.Join(got, " ") != row.want {
			t.Errorf("%s: %v, want %s", row.reason, got, row.want)
		}
	}
}

// Columns in the encodings that the library decodes read as they were written; with any bit flipped reading ends, and takes little memory.
func TestFlippedEncodings(t *testing.T) {
	const rows = 60
	var whole []int32
	var text []parquet.ByteArray
	for i := range rows {
		whole = append(whole, int32(i*i%17))
		text = append(text, parquet.ByteArray(fmt.Sprint("rider ", i%5)))
	}
	var places []int16 // levels of an optional number in an optional group
	var deep []float64
	for i := range rows {
		if places = append(places, int16(i%3)); i%3 == 2 {
			deep = append(deep, float64(i))
		}
	}
	inner, err := schema.NewGroupNode("v", parquet.Repetitions.Optional,
		schema.FieldList{schema.NewFloat64Node("c", parquet.Repetitions.Optional, -1)}, -1)
	if err != nil {
		t.Fatal(err)
	}
	nested := libColumn{inner, func(w file.ColumnChunkWriter, a, b int) error {
		_, err := w.(*file.Float64ColumnChunkWriter).WriteBatch(deep, places, nil)
		return err
	}}
	delta := parquet.WithEncoding(parquet.Encodings.DeltaBinaryPacked)
	plainOnly := parquet.WithDictionaryDefault(false)
	second := parquet.WithDataPageVersion(parquet.DataPageV2)
	for _, row := range []struct {
		reason string
		col    libColumn
		props  []parquet.WriterProperty
	}{
		{"delta", typed[int32, *file.Int32ColumnChunkWriter](schema.NewInt32Node("v", parquet.Repetitions.Required, -1), whole), []parquet.WriterProperty{plainOnly, delta}},
		{"texts by length", typed[parquet.ByteArray, *file.ByteArrayColumnChunkWriter](schema.NewByteArrayNode("v", parquet.Repetitions.Required, -1), text),
			[]parquet.WriterProperty{plainOnly, parquet.WithEncoding(parquet.Encodings.DeltaLengthByteArray)}},
		{"a dictionary", doubles("v", signal(rows)), nil},
		{"a dictionary and nulls", optionalDoubles("v", withNulls(signal(rows))), nil},
		{"a dictionary and nulls, version 2", optionalDoubles("v", withNulls(signal(rows))), []parquet.WriterProperty{second}},
		{"nested", nested, []parquet.WriterProperty{plainOnly}},
		{"nested, a dictionary, version 2", nested, []parquet.WriterProperty{second}},
	} {
		b := writeLib(t, []int{rows}, row.props, row.col)
		s := openBytes(t, b)
		name := s.Columns()[0].Name
		if _, err := s.ReadStrings(name); err != nil {
			t.Fatalf("%s: %v", row.reason, err)
		}
		var before, after runtime.MemStats
		for at := range b {
			for bit := range 8 {
				b[at] ^= 1 << bit
				runtime.ReadMemStats(&before)
				within(t, fmt.Sprintf("%s: bit %d of byte %d", row.reason, bit, at), func() { _ = readAll(b, nil) })
				runtime.ReadMemStats(&after)
				if took := after.TotalAlloc - before.TotalAlloc; took > 64<<20 {
					t.Errorf("%s: bit %d of byte %d: %d MB", row.reason, bit, at, took>>20)
				}
				b[at] ^= 1 << bit
			}
		}
	}
}
