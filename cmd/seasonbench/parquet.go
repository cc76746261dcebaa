package main

import (
	"encoding/binary"
	"io"
	"math"

	"github.com/klauspost/compress/zstd"
)

// Layout is how a recording's columns are written.
type layout struct {
	packed   bool // zstd; else uncompressed
	nullable bool // columns may lack values, though none does
}

// pageRows and groupRows are the sizes that writers commonly take.
const (
	pageRows  = 1 << 15
	groupRows = 1 << 17
)

// parquetWriter writes float columns in plain encoding without statistics, so that a reader has to look at the
// samples to know their extremes. (Apache Parquet format, parquet.thrift and Encodings.md.)
type parquetWriter struct {
	w    io.Writer
	at   int64
	how  layout
	zstd *zstd.Encoder
	raw  []byte
	pack []byte
	err  error
}

type chunkMeta struct {
	start, raw, packed int64
	rows               int
}

// writeParquet writes columns of equal length.
func writeParquet(w io.Writer, how layout, names []string, columns [][]float32) error {
	p := &parquetWriter{w: w, how: how}
	if how.packed {
		p.zstd, p.err = zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedFastest))
	}
	p.write([]byte("PAR1"))
	rows := len(columns[0])
	var groups [][]chunkMeta
	for from := 0; from < rows; from += groupRows {
		to := min(from+groupRows, rows)
		group := make([]chunkMeta, len(columns))
		for i, c := range columns {
			group[i] = p.chunk(c[from:to])
		}
		groups = append(groups, group)
	}
	footer := p.footer(names, rows, groups)
	p.write(footer)
	p.write(binary.LittleEndian.AppendUint32(nil, uint32(len(footer))))
	p.write([]byte("PAR1"))
	return p.err
}

func (p *parquetWriter) write(b []byte) {
	if p.err == nil {
		_, p.err = p.w.Write(b)
		p.at += int64(len(b))
	}
}

func (p *parquetWriter) chunk(v []float32) chunkMeta {
	m := chunkMeta{start: p.at, rows: len(v)}
	for from := 0; from < len(v); from += pageRows {
		page := v[from:min(from+pageRows, len(v))]
		p.raw = p.raw[:0]
		if p.how.nullable { // one run of ones
			run := binary.AppendUvarint(nil, uint64(len(page))<<1)
			run = append(run, 1)
			p.raw = append(binary.LittleEndian.AppendUint32(p.raw, uint32(len(run))), run...)
		}
		for _, x := range page {
			p.raw = binary.LittleEndian.AppendUint32(p.raw, math.Float32bits(x))
		}
		body := p.raw
		if p.how.packed {
			p.pack = p.zstd.EncodeAll(p.raw, p.pack[:0])
			body = p.pack
		}
		head := pageHeader(len(p.raw), len(body), len(page))
		p.write(head)
		p.write(body)
		m.raw += int64(len(head) + len(p.raw))
	}
	m.packed = p.at - m.start
	return m
}

// thrift writes structures in Thrift's compact protocol.
type thrift struct {
	b    []byte
	last []int
}

const (
	thriftI32    = 5
	thriftI64    = 6
	thriftBinary = 8
	thriftList   = 9
	thriftStruct = 12
)

func (t *thrift) begin() { t.last = append(t.last, 0) }

func (t *thrift) end() {
	t.b = append(t.b, 0)
	t.last = t.last[:len(t.last)-1]
}

func (t *thrift) field(id int, kind byte) {
	last := &t.last[len(t.last)-1]
	t.b = append(t.b, byte(id-*last)<<4|kind)
	*last = id
}

func (t *thrift) zigzag(v int64) { t.b = binary.AppendUvarint(t.b, uint64(v<<1^v>>63)) }

func (t *thrift) i32(id int, v int) {
	t.field(id, thriftI32)
	t.zigzag(int64(v))
}

func (t *thrift) i64(id int, v int64) {
	t.field(id, thriftI64)
	t.zigzag(v)
}

func (t *thrift) text(s string) {
	t.b = append(binary.AppendUvarint(t.b, uint64(len(s))), s...)
}

func (t *thrift) list(id, n int, kind byte) {
	t.field(id, thriftList)
	if n < 15 {
		t.b = append(t.b, byte(n)<<4|kind)
		return
	}
	t.b = binary.AppendUvarint(append(t.b, 0xf0|kind), uint64(n))
}

// Numbers of parquet.thrift.
const (
	typeFloat       = 4
	encodingPlain   = 0
	encodingRLE     = 3
	codecPlain      = 0
	codecZstd       = 6
	repeatsRequired = 0
	repeatsOptional = 1
)

func pageHeader(raw, packed, rows int) []byte {
	var t thrift
	t.begin()
	t.i32(1, 0) // a data page
	t.i32(2, raw)
	t.i32(3, packed)
	t.field(5, thriftStruct)
	t.begin()
	t.i32(1, rows)
	t.i32(2, encodingPlain)
	t.i32(3, encodingRLE)
	t.i32(4, encodingRLE)
	t.end()
	t.end()
	return t.b
}

func (p *parquetWriter) footer(names []string, rows int, groups [][]chunkMeta) []byte {
	var t thrift
	t.begin()
	t.i32(1, 1)
	p.schema(&t, names)
	t.i64(3, int64(rows))
	t.list(4, len(groups), thriftStruct)
	for _, g := range groups {
		p.group(&t, names, g)
	}
	t.field(6, thriftBinary)
	t.text("seasonbench")
	t.end()
	return t.b
}

func (p *parquetWriter) schema(t *thrift, names []string) {
	t.list(2, 1+len(names), thriftStruct)
	t.begin()
	t.field(4, thriftBinary)
	t.text("recording")
	t.i32(5, len(names))
	t.end()
	repeats := repeatsRequired
	if p.how.nullable {
		repeats = repeatsOptional
	}
	for _, n := range names {
		t.begin()
		t.i32(1, typeFloat)
		t.i32(3, repeats)
		t.field(4, thriftBinary)
		t.text(n)
		t.end()
	}
}

func (p *parquetWriter) group(t *thrift, names []string, g []chunkMeta) {
	t.begin()
	t.list(1, len(g), thriftStruct)
	var bytes int64
	for i, c := range g {
		t.begin()
		t.i64(2, c.start)
		t.field(3, thriftStruct)
		p.column(t, names[i], c)
		t.end()
		bytes += c.raw
	}
	t.i64(2, bytes)
	t.i64(3, int64(g[0].rows))
	t.end()
}

func (p *parquetWriter) column(t *thrift, name string, c chunkMeta) {
	codec := codecPlain
	if p.how.packed {
		codec = codecZstd
	}
	t.begin()
	t.i32(1, typeFloat)
	t.list(2, 2, thriftI32)
	t.zigzag(encodingPlain)
	t.zigzag(encodingRLE)
	t.list(3, 1, thriftBinary)
	t.text(name)
	t.i32(4, codec)
	t.i64(5, int64(c.rows))
	t.i64(6, c.raw)
	t.i64(7, c.packed)
	t.i64(9, c.start)
	t.end()
}
