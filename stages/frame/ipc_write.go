package frame

import (
	"fmt"
	"io"
	"math"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
	"github.com/apache/arrow/go/v15/arrow/ipc"
	"github.com/apache/arrow/go/v15/arrow/memory"
)

// WriteArrow writes the frame as an Arrow IPC file, uncompressed, in batches of 1 Mi
// rows. Float columns may hold nulls and NaN is one, the other kinds may not. A field's
// metadata has its unit, the schema's the attributes, as WriteParquet names them. Equal
// frames give equal bytes.
func (f *Frame) WriteArrow(w io.Writer) (err error) {
	defer recovered(&err, "write arrow")
	if len(f.cols) == 0 {
		return fmt.Errorf("write arrow: %w", errNoColumns)
	}
	schema := f.arrowSchema()
	// The writer wants to know where it is in the file.
	out, err := ipc.NewFileWriter(&counting{w: w}, ipc.WithSchema(schema), ipc.WithAllocator(memory.DefaultAllocator))
	if err != nil {
		return fmt.Errorf("write arrow: %w", err)
	}
	for from := 0; from < f.rows; from += parquetGroup {
		to := min(from+parquetGroup, f.rows)
		cols := make([]arrow.Array, len(f.cols))
		for i, c := range f.cols {
			cols[i] = c.arrowArray(from, to)
		}
		if err := out.Write(array.NewRecord(schema, cols, int64(to-from))); err != nil {
			return fmt.Errorf("write arrow: %w", err)
		}
	}
	if err := out.Close(); err != nil {
		return fmt.Errorf("write arrow: %w", err)
	}
	return nil
}

// counting lets a stream be written where a file is wanted: it answers only where it is.
type counting struct {
	w  io.Writer
	at int64
}

func (c *counting) Write(p []byte) (int, error) {
	n, err := c.w.Write(p)
	c.at += int64(n)
	return n, err
}

// Tell returns how many bytes were written.
func (c *counting) Tell() int64 { return c.at }

func (c *counting) Seek(offset int64, whence int) (int64, error) {
	if offset != 0 || whence != io.SeekCurrent {
		return 0, fmt.Errorf("seek to %d: this stream only goes on", offset)
	}
	return c.at, nil
}

func (f *Frame) arrowSchema() *arrow.Schema {
	fields := make([]arrow.Field, len(f.cols))
	for i, c := range f.cols {
		fields[i] = arrow.Field{Name: c.Name, Type: c.arrowType(), Nullable: c.Kind() == Float64 || c.Kind() == Float32}
		if c.Unit != "" {
			fields[i].Metadata = arrow.NewMetadata([]string{metaUnitOfField}, []string{c.Unit})
		}
	}
	var keys, values []string
	for _, a := range f.attrs {
		keys = append(keys, metaAttrPrefix+a.Name)
		if a.IsText {
			values = append(values, a.Text)
		} else {
			values = append(values, fmt.Sprint(a.Number))
		}
	}
	meta := arrow.NewMetadata(keys, values)
	return arrow.NewSchema(fields, &meta)
}

func (c Column) arrowType() arrow.DataType {
	switch c.Kind() {
	case Float32:
		return arrow.PrimitiveTypes.Float32
	case Int64:
		return arrow.PrimitiveTypes.Int64
	case Int32:
		return arrow.PrimitiveTypes.Int32
	case Int16:
		return arrow.PrimitiveTypes.Int16
	case String:
		return arrow.BinaryTypes.String
	case Bool:
		return arrow.FixedWidthTypes.Boolean
	}
	return arrow.PrimitiveTypes.Float64
}

func (c Column) arrowArray(from, to int) arrow.Array {
	mem := memory.DefaultAllocator
	switch v := c.data.(type) {
	case []float32:
		b := array.NewFloat32Builder(mem)
		for _, x := range v[from:to] {
			if x != x {
				b.AppendNull()
			} else {
				b.Append(x)
			}
		}
		return b.NewArray()
	case []int64:
		b := array.NewInt64Builder(mem)
		b.AppendValues(v[from:to], nil)
		return b.NewArray()
	case []int32:
		b := array.NewInt32Builder(mem)
		b.AppendValues(v[from:to], nil)
		return b.NewArray()
	case []int16:
		b := array.NewInt16Builder(mem)
		b.AppendValues(v[from:to], nil)
		return b.NewArray()
	case []string:
		b := array.NewStringBuilder(mem)
		b.AppendValues(v[from:to], nil)
		return b.NewArray()
	case []bool:
		b := array.NewBooleanBuilder(mem)
		b.AppendValues(v[from:to], nil)
		return b.NewArray()
	}
	b := array.NewFloat64Builder(mem)
	for _, x := range c.data.([]float64)[from:to] {
		if math.IsNaN(x) {
			b.AppendNull()
		} else {
			b.Append(x)
		}
	}
	return b.NewArray()
}
