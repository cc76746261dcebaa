package frame

import (
	"encoding/binary"
	"io"
	"sync"

	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/compress"

	"lapwear/fatigue/lanes"
)

// Small tables are written here in full, byte for byte as the library would that is told to make one page of each column: it takes
// some twenty times as long, makes buffers and serializers for each column, and fresh memory costs more than what is written into it.

// tableWriter writes small tables, one after another, in the same memory.
type tableWriter struct {
	sink   counting
	codec  compress.Codec
	column columnEncoder
	packed []byte        // a page or dictionary
	head   compactWriter // a page's header
	groups compactWriter // what the footer says of the row groups
	footer compactWriter
}

// tableWriters are those that are not in use.
var tableWriters = sync.Pool{New: func() any { return new(tableWriter) }}

// physical are the types of columns by their kinds (parquet.thrift, Type).
var physical = [...]parquet.Type{
	Float64: parquet.Types.Double, Float32: parquet.Types.Float, Int64: parquet.Types.Int64, Int32: parquet.Types.Int32,
	String: parquet.Types.ByteArray, Bool: parquet.Types.Boolean,
}

// writeSmall writes the frame with one page a column of a row group, packed with snappy.
func (f *Frame) writeSmall(w io.Writer) (err error) {
	for _, c := range f.cols {
		if c.Kind() == Int16 {
			return notInTables(c)
		}
	}
	notes, err := f.parquetNotes()
	if err != nil {
		return err
	}
	o := tableWriters.Get().(*tableWriter)
	defer tableWriters.Put(o)
	defer o.drop()
	o.sink = counting{w: w}
	if o.codec, err = compress.GetCodec(compress.Codecs.Snappy); err != nil {
		return err
	}
	if _, err := io.WriteString(&o.sink, parquetMagic); err != nil {
		return err
	}
	groups := 0
	for start := 0; start < f.rows; start += parquetGroup {
		if err := o.group(f, groups, start, min(start+parquetGroup, f.rows)); err != nil {
			return err
		}
		groups++
	}
	return o.close(f, notes, groups)
}

// drop lets go of what belongs to the table that was written.
func (o *tableWriter) drop() {
	o.sink = counting{}
	o.groups.b = o.groups.b[:0]
	o.column.drop()
}

// group writes a row group (parquet.thrift, RowGroup).
func (o *tableWriter) group(f *Frame, number, start, end int) error {
	g, first := &o.groups, o.sink.at
	outer := g.element()
	g.list(1, compactStruct, len(f.cols))
	for _, c := range f.cols {
		if err := o.chunk(c, start, end); err != nil {
			return err
		}
	}
	size := o.sink.at - first
	g.i64(2, size)
	g.i64(3, int64(end-start))
	g.i64(5, first)
	g.i64(6, size)
	g.i16(7, int16(number))
	g.end(outer)
	return nil
}

// chunk writes rows of a column, and what the footer says of them (parquet.thrift, ColumnChunk and ColumnMetaData).
func (o *tableWriter) chunk(c Column, start, end int) error {
	e, first := &o.column, o.sink.at
	e.encode(c, start, end)
	raw := int64(0)
	if e.listed {
		n, err := o.dictionary()
		if err != nil {
			return err
		}
		raw += n
	}
	data := o.sink.at
	n, err := o.data(end - start)
	if err != nil {
		return err
	}
	raw += n
	o.describe(c, end-start, raw, first, data)
	return nil
}

// describe says of a chunk of n values where it begins, where its data do, and how long it is unpacked.
func (o *tableWriter) describe(c Column, n int, raw, first, data int64) {
	e, g := &o.column, &o.groups
	outer := g.element()
	g.i64(2, o.sink.at)
	meta := g.begin(3)
	g.i32(1, int32(physical[c.Kind()]))
	if e.listed {
		g.list(2, compactI32, 3)
		g.number(encodingRLEDict)
	} else {
		g.list(2, compactI32, 2)
	}
	g.number(encodingPlain)
	g.number(encodingRLE)
	g.list(3, compactBinary, 1)
	g.text(c.Name)
	g.i32(4, codecSnappy)
	g.i64(5, int64(n))
	g.i64(6, raw)
	g.i64(7, o.sink.at-first)
	g.i64(9, data)
	if e.listed {
		g.i64(11, first)
	}
	e.statistics(g, 12)
	if e.listed {
		g.list(13, compactStruct, 2)
		g.pages(pageDictionary, encodingPlain)
		g.pages(pageData, encodingRLEDict)
	} else {
		g.list(13, compactStruct, 1)
		g.pages(pageData, encodingPlain)
	}
	g.end(meta)
	g.end(outer)
}

// pages says that there is one page of a kind (parquet.thrift, PageEncodingStats).
func (c *compactWriter) pages(kind, encoding int32) {
	outer := c.element()
	c.i32(1, kind)
	c.i32(2, encoding)
	c.i32(3, 1)
	c.end(outer)
}

// snappyBlock is how many bytes the packer looks at together: it cuts up what is longer.
const snappyBlock = 1 << 16

// pack packs with snappy what stands in two pieces, as if it were one, block by block. The first piece has room for a block, which may be written into.
func (o *tableWriter) pack(first, rest []byte) []byte {
	n := len(first) + len(rest)
	const head = 3 // bytes that tell how long a block is, at most
	if most := int(o.codec.CompressBound(int64(n))) + (n/snappyBlock+1)*int(o.codec.CompressBound(0)) + 2*head; cap(o.packed) < most {
		o.packed = lanes.Uncleared[byte](most + most/8)
	}
	out := binary.AppendUvarint(o.packed[:0], uint64(n))
	for len(first)+len(rest) > 0 {
		block := first[:min(len(first), snappyBlock)]
		first = first[len(block):]
		taken := min(snappyBlock-len(block), len(rest))
		if len(block) == 0 {
			block = rest[:taken]
		} else {
			block = append(block, rest[:taken]...)
		}
		rest = rest[taken:]
		// The length of the block, which the packer writes first, takes the place of what stands there before it.
		var length [head]byte
		at := len(out) - binary.PutUvarint(length[:], uint64(len(block)))
		kept := append(length[:0], out[at:]...)
		out = out[:at+len(o.codec.Encode(out[at:cap(out)], block))]
		copy(out[at:], kept)
	}
	return out
}

// page writes a page, which stands in two pieces, and whose header goes on with what only such a page has. It tells how long both are unpacked.
func (o *tableWriter) page(kind int32, first, rest []byte, more func(h *compactWriter)) (int64, error) {
	packed, raw := o.pack(first, rest), len(first)+len(rest)
	h := &o.head
	h.b = h.b[:0]
	outer := h.element()
	h.i32(1, kind)
	h.i32(2, int32(raw))
	h.i32(3, int32(len(packed)))
	more(h)
	h.end(outer)
	if _, err := o.sink.Write(h.b); err != nil {
		return 0, err
	}
	_, err := o.sink.Write(packed)
	return int64(len(h.b) + raw), err
}

// dictionary writes a column's dictionary (parquet.thrift, DictionaryPageHeader).
func (o *tableWriter) dictionary() (int64, error) {
	e := &o.column
	return o.page(pageDictionary, e.dict, nil, func(h *compactWriter) {
		outer := h.begin(7)
		h.i32(1, int32(len(e.known.list)))
		h.i32(2, encodingPlain)
		h.head(3, compactFalse) // not sorted
		h.end(outer)
	})
}

// data writes a column's values (parquet.thrift, DataPageHeader).
func (o *tableWriter) data(n int) (int64, error) {
	e := &o.column
	return o.page(pageData, e.page, e.rest, func(h *compactWriter) {
		outer := h.begin(5)
		h.i32(1, int32(n))
		if e.listed {
			h.i32(2, encodingRLEDict)
		} else {
			h.i32(2, encodingPlain)
		}
		h.i32(3, encodingRLE)
		h.i32(4, encodingRLE)
		e.statistics(h, 5)
		h.end(outer)
	})
}

// close writes the footer (Parquet format, file format: FileMetaData, its length, the magic).
func (o *tableWriter) close(f *Frame, notes []note, groups int) error {
	m := &o.footer
	m.b = m.b[:0]
	outer := m.element()
	m.i32(1, 2) // version
	m.list(2, compactStruct, 1+len(f.cols))
	m.schema(f.cols)
	m.i64(3, int64(f.rows))
	m.list(4, compactStruct, groups)
	m.b = append(m.b, o.groups.b...)
	m.list(5, compactStruct, len(notes))
	for _, n := range notes {
		outer := m.element()
		m.binary(1, n.key)
		m.binary(2, n.value)
		m.end(outer)
	}
	m.binary(6, parquetCreator)
	m.list(7, compactStruct, len(f.cols))
	for range f.cols { // ordered as their type has it
		outer := m.element()
		m.end(m.begin(1))
		m.end(outer)
	}
	m.end(outer)
	m.b = append(binary.LittleEndian.AppendUint32(m.b, uint32(len(m.b))), parquetMagic...)
	_, err := o.sink.Write(m.b)
	return err
}

// schema writes the elements of a table's schema (parquet.thrift, SchemaElement).
func (m *compactWriter) schema(cols []Column) {
	const required, optional, utf8 = 0, 1, 0 // FieldRepetitionType, ConvertedType
	outer := m.element()
	m.i32(3, required)
	m.binary(4, parquetRoot)
	m.i32(5, int32(len(cols)))
	m.end(outer)
	for _, c := range cols {
		outer := m.element()
		m.i32(1, int32(physical[c.Kind()]))
		switch c.Kind() {
		case Float64, Float32:
			m.i32(3, optional)
		default:
			m.i32(3, required)
		}
		m.binary(4, c.Name)
		if c.Kind() == String {
			m.i32(6, utf8)
			logical := m.begin(10)
			m.end(m.begin(1))
			m.end(logical)
		}
		m.end(outer)
	}
}
