package frame

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math/bits"
	"runtime"

	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/apache/arrow/go/v15/parquet/file"
	"github.com/apache/arrow/go/v15/parquet/metadata"
	"github.com/apache/arrow/go/v15/parquet/schema"
	"github.com/klauspost/compress/zstd"
)

const (
	parquetCreator  = "lapwear"
	parquetGroup    = 1 << 20  // rows of a row group
	parquetBatch    = 32 << 10 // rows passed to the library at once
	smallTable      = 8 << 20  // bytes
	smallRecording  = 1 << 20  // bytes
	metaUnitPrefix  = "unit."
	metaAttrPrefix  = "attr."
	metaUnitOfField = "unit" // key of a field's own metadata
)

// WriteParquet writes the frame as a Parquet file: zstd, or snappy where the frame has
// less than 8 MiB, for which setting up zstd takes longer than all else; dictionaries for texts,
// row groups of 1 Mi rows. Float columns are optional and NaN is null, the other
// kinds are required. Units are in the file's metadata as "unit.<column>",
// attributes as "attr.<name>" in text form. Equal frames give equal bytes.
func (f *Frame) WriteParquet(w io.Writer) error { return f.writeParquet(w, smallTable) }

// WriteRecording is WriteParquet for what is kept for long: from 1 MiB on it is packed with zstd.
func (f *Frame) WriteRecording(w io.Writer) error { return f.writeParquet(w, smallRecording) }

// writeParquet packs frames of fewer bytes than small with snappy.
func (f *Frame) writeParquet(w io.Writer, small int64) (err error) {
	defer recovered(&err, "write parquet")
	if len(f.cols) == 0 {
		return fmt.Errorf("write parquet: %w", errNoColumns)
	}
	root, err := f.parquetSchema()
	if err != nil {
		return fmt.Errorf("write parquet: %w", err)
	}
	meta, err := f.parquetMetadata()
	if err != nil {
		return fmt.Errorf("write parquet: %w", err)
	}
	props := f.parquetProperties(small)
	out := &packedTable{sink: &counting{w: w}, props: props, meta: metadata.NewFileMetadataBuilder(schema.NewSchema(root), props, meta)}
	out.encoder = columnEncoders.Get().(*columnEncoder)
	defer columnEncoders.Put(out.encoder)
	if out.encoder.codec, err = compress.GetCodec(compress.Codecs.Snappy); err != nil {
		return fmt.Errorf("write parquet: %w", err)
	}
	if _, err := io.WriteString(out.sink, parquetMagic); err != nil {
		return fmt.Errorf("write parquet: %w", err)
	}
	for start := 0; start < f.rows; start += parquetGroup {
		if err := f.writeGroup(out, start, min(start+parquetGroup, f.rows)); err != nil {
			return fmt.Errorf("write parquet: %w", err)
		}
	}
	if err := out.close(); err != nil {
		return fmt.Errorf("write parquet: %w", err)
	}
	return nil
}

// packedTable is a file that is being written, as the library's own writer would, but for the packing: that
// sets up for each page as many packers as there are processors.
type packedTable struct {
	sink   *counting
	props  *parquet.WriterProperties
	meta   *metadata.FileMetaDataBuilder
	groups int16

	encoder *columnEncoder
}

// parquetMagic begins and ends a file.
const parquetMagic = "PAR1"

// close writes the metadata (Parquet format, file format: FileMetaData, its length, the magic).
func (o *packedTable) close() error {
	meta, err := o.meta.Finish()
	if err != nil {
		return err
	}
	orderKinds(meta)
	n, err := meta.WriteTo(o.sink, nil)
	if err != nil {
		return err
	}
	_, err = o.sink.Write(append(binary.LittleEndian.AppendUint32(nil, uint32(n)), parquetMagic...))
	return err
}

// orderKinds sorts what a file's metadata says of each column's kinds of pages, which the library lists in the order of a map:
// equal frames must give equal bytes.
func orderKinds(meta *metadata.FileMetaData) {
	for _, group := range meta.RowGroups {
		for _, chunk := range group.Columns {
			kinds := chunk.MetaData.EncodingStats // of a type that has no name here
			for i := range kinds {
				for k := i; k > 0 && kinds[k].Encoding < kinds[k-1].Encoding; k-- {
					kinds[k], kinds[k-1] = kinds[k-1], kinds[k]
				}
			}
		}
	}
}

// zstdWindow is how far back the packer looks for matches unless told otherwise.
const zstdWindow = 8 << 20

// zstdPages are pages of a column that are packed with zstd.
type zstdPages struct{ file.PageWriter }

// Compress packs a data page in the buffer's memory, where there is enough of it; dictionaries, which are small, are packed by
// the library itself. Each page has a packer of its own, as small as it may be: what was packed before has no say in the bytes.
func (zstdPages) Compress(buf *bytes.Buffer, page []byte) []byte {
	options := []zstd.EOption{zstd.WithZeroFrames(true), zstd.WithEncoderConcurrency(1)}
	if window := 1 << bits.Len(uint(len(page))); window < zstdWindow { // a wider one only takes more memory
		options = append(options, zstd.WithWindowSize(max(window, zstd.MinWindowSize)))
	}
	packer, err := zstd.NewWriter(nil, options...)
	if err != nil {
		panic(err) // WriteParquet returns it
	}
	buf.Grow(packer.MaxEncodedSize(len(page)))
	return packer.EncodeAll(page, buf.Bytes()[:0])
}

// pages begins the next column of a row group.
func (o *packedTable) pages(chunk *metadata.ColumnChunkMetaDataBuilder, number int) (file.PageWriter, error) {
	path := chunk.Descr().Path()
	return file.NewPageWriter(o.sink, o.props.CompressionFor(path), o.props.CompressionLevelFor(path), chunk, o.groups, int16(number),
		o.props.Allocator(), false, nil, nil)
}

// zstd tells whether a column is packed with it.
func (o *packedTable) zstd(chunk *metadata.ColumnChunkMetaDataBuilder) bool {
	return o.props.CompressionFor(chunk.Descr().Path()) == compress.Codecs.Zstd
}

// column writes rows of a column, and tells how many bytes they take.
func (o *packedTable) column(chunk *metadata.ColumnChunkMetaDataBuilder, number int, c Column, start, end int) (int64, error) {
	pages, err := o.pages(chunk, number)
	if err != nil {
		return 0, err
	}
	if o.zstd(chunk) {
		pages = zstdPages{pages}
	} else if end-start <= onePage {
		if n, done, err := o.encoder.write(pages, chunk, o.props, c, start, end); done || err != nil {
			return n, err
		}
	}
	col := file.NewColumnChunkWriter(chunk, pages, o.props)
	for at := start; at < end; at += parquetBatch {
		if err := writeBatch(col, c, at, min(at+parquetBatch, end)); err != nil {
			return 0, fmt.Errorf("row %d: %w", at, err)
		}
	}
	err = col.Close()
	return col.TotalBytesWritten(), err
}

func (f *Frame) parquetProperties(small int64) *parquet.WriterProperties {
	codec := compress.Codecs.Zstd
	if f.Bytes() < small {
		codec = compress.Codecs.Snappy
	}
	opts := []parquet.WriterProperty{
		parquet.WithCreatedBy(parquetCreator),
		parquet.WithCompression(codec),
		parquet.WithDictionaryDefault(false),
	}
	for _, c := range f.cols {
		if c.Kind() == String {
			opts = append(opts, parquet.WithDictionaryFor(c.Name, true))
		}
	}
	return parquet.NewWriterProperties(opts...)
}

func (f *Frame) parquetSchema() (*schema.GroupNode, error) {
	fields := make(schema.FieldList, 0, len(f.cols))
	for _, c := range f.cols {
		var (
			node schema.Node
			err  error
			must = parquet.Repetitions.Required
			may  = parquet.Repetitions.Optional
		)
		switch c.Kind() {
		case Float64:
			node = schema.NewFloat64Node(c.Name, may, -1)
		case Float32:
			node = schema.NewFloat32Node(c.Name, may, -1)
		case Int64:
			node = schema.NewInt64Node(c.Name, must, -1)
		case Int32:
			node = schema.NewInt32Node(c.Name, must, -1)
		case Bool:
			node = schema.NewBooleanNode(c.Name, must, -1)
		case String:
			node, err = schema.NewPrimitiveNodeLogical(c.Name, must, schema.StringLogicalType{},
				parquet.Types.ByteArray, -1, -1)
		default:
			err = fmt.Errorf("tables hold no %v; use int32", c.Kind())
		}
		if err != nil {
			return nil, fmt.Errorf("column %q: %w", c.Name, err)
		}
		fields = append(fields, node)
	}
	return schema.NewGroupNode("table", parquet.Repetitions.Required, fields, -1)
}

func (f *Frame) parquetMetadata() (metadata.KeyValueMetadata, error) {
	var (
		meta = metadata.NewKeyValueMetadata()
		errs []error
	)
	add := func(key, value string) { errs = append(errs, meta.Append(key, value)) }
	for _, c := range f.cols {
		if c.Unit != "" {
			add(metaUnitPrefix+c.Name, c.Unit)
		}
	}
	for _, a := range f.attrs {
		value := a.Text
		if !a.IsText {
			value = string(appendNumber(nil, a.Number, 64))
		}
		add(metaAttrPrefix+a.Name, value)
	}
	return meta, errors.Join(errs...)
}

func (f *Frame) writeGroup(out *packedTable, start, end int) error {
	group := out.meta.AppendRowGroup()
	var written int64
	for i, c := range f.cols {
		n, err := out.column(group.NextColumnChunk(), i, c, start, end)
		if err != nil {
			return fmt.Errorf("column %q: %w", c.Name, err)
		}
		written += n
	}
	group.SetNumRows(end - start)
	err := group.Finish(written, out.groups)
	out.groups++
	return err
}

func writeBatch(col file.ColumnChunkWriter, c Column, start, end int) (err error) {
	switch v := c.data.(type) {
	case []float64:
		values, levels := present(v[start:end])
		_, err = col.(*file.Float64ColumnChunkWriter).WriteBatch(values, levels, nil)
	case []float32:
		values, levels := present(v[start:end])
		_, err = col.(*file.Float32ColumnChunkWriter).WriteBatch(values, levels, nil)
	case []int64:
		_, err = col.(*file.Int64ColumnChunkWriter).WriteBatch(v[start:end], nil, nil)
	case []int32:
		_, err = col.(*file.Int32ColumnChunkWriter).WriteBatch(v[start:end], nil, nil)
	case []bool:
		_, err = col.(*file.BooleanColumnChunkWriter).WriteBatch(v[start:end], nil, nil)
	case []string:
		_, err = col.(*file.ByteArrayColumnChunkWriter).WriteBatch(byteArrays(v[start:end]), nil, nil)
	}
	return err
}

// byteArrays returns texts as the library wants them; equal neighbours share their bytes.
func byteArrays(v []string) []parquet.ByteArray {
	out := make([]parquet.ByteArray, len(v))
	for i, s := range v {
		if i > 0 && s == v[i-1] {
			out[i] = out[i-1]
			continue
		}
		out[i] = parquet.ByteArray(s)
	}
	return out
}

// present returns the values that are not NaN, and for each value its definition
// level: 1 where it is present, 0 where it is missing.
func present[T float32 | float64](v []T) ([]T, []int16) {
	values, levels := make([]T, 0, len(v)), make([]int16, len(v))
	for i, x := range v {
		if x == x {
			values = append(values, x)
			levels[i] = 1
		}
	}
	return values, levels
}

// recovered turns a panic of a library into an error. It is deferred.
func recovered(err *error, what string) {
	if p := recover(); p != nil {
		cause, ok := p.(error)
		if _, own := errors.AsType[runtime.Error](cause); own { // also one that a helper met
			*err = fmt.Errorf("%s", what) // where a reader stumbled tells the user nothing
			return
		}
		if ok {
			*err = fmt.Errorf("%s: %w", what, cause)
			return
		}
		*err = fmt.Errorf("%s: %v", what, p)
	}
}
