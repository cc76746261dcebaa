package frame

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/apache/arrow/go/v15/arrow"
	"github.com/apache/arrow/go/v15/arrow/array"
	"github.com/apache/arrow/go/v15/arrow/ipc"
	"github.com/apache/arrow/go/v15/arrow/memory"
)

const (
	ipcMagic        = "ARROW1"
	ipcContinuation = "\xff\xff\xff\xff"

	ipcSchema     = 1 // types of message
	ipcDictionary = 2
	ipcBatch      = 3
)

// ipcFile reads columns of Arrow IPC. A file holds a stream between its magics
// and its footer, so both are read as streams, message by message.
type ipcFile struct {
	src      io.ReaderAt
	size     int64
	messages []ipcMessage
	rows     int64
	leaves   []ipcLeaf
	info     []ColumnInfo
}

// ipcMessage is where a message lies.
type ipcMessage struct {
	kind    byte
	meta    int64 // start of the header
	metaLen int
	bodyLen int64 // the body follows the header
	rows    int64 // of a record batch
}

// ipcLeaf is a column: a field, or a field within structures.
type ipcLeaf struct {
	path []int
	mean meaning
}

func newIPCSource(r io.ReaderAt, size int64, name string) (_ *Source, err error) {
	defer recovered(&err, fmt.Sprintf("open arrow%s: the file is damaged; export it again", quoted(name)))
	f, err := openIPC(r, size)
	if err != nil {
		return nil, fmt.Errorf("open arrow%s: %w", quoted(name), err)
	}
	return &Source{name: name, columns: f.info, content: f}, nil
}

func openIPC(r io.ReaderAt, size int64) (*ipcFile, error) {
	f := &ipcFile{src: r, size: size}
	head := make([]byte, min(size, 8))
	if err := readFullAt(r, head, 0); err != nil {
		return nil, err
	}
	var err error
	if strings.HasPrefix(string(head), ipcMagic) {
		err = f.scanFile()
	} else {
		err = f.scan(0, size, true)
	}
	if err != nil {
		return nil, fmt.Errorf("%w; was it copied completely? export it again", err)
	}
	if len(f.messages) == 0 || f.messages[0].kind != ipcSchema {
		return nil, errors.New("it does not begin with a schema; export it again")
	}
	lib, err := f.reader()
	if err != nil {
		return nil, fmt.Errorf("%w; the file is damaged, export it again", err)
	}
	f.describe(lib.Schema())
	return f, nil
}

// scanFile finds the messages of a file and compares them with its footer.
func (f *ipcFile) scanFile() error {
	const tail = 4 + len(ipcMagic)
	if f.size < 8+int64(tail) {
		return fmt.Errorf("a file of %d bytes is too short", f.size)
	}
	var end [tail]byte
	if err := readFullAt(f.src, end[:], f.size-int64(tail)); err != nil {
		return err
	}
	n := int64(binary.LittleEndian.Uint32(end[:]))
	if string(end[4:]) != ipcMagic || n > f.size-8-int64(tail) {
		return errors.New("it does not end as an Arrow file does")
	}
	footer := flat{b: make([]byte, n)}
	if err := readFullAt(f.src, footer.b, f.size-int64(tail)-n); err != nil {
		return err
	}
	_, dictionaries := footer.vector(footer.root(), 2, 24)
	_, batches := footer.vector(footer.root(), 3, 24)
	if footer.bad {
		return errFlat
	}
	if err := f.scan(8, f.size-int64(tail)-n, false); err != nil {
		return err
	}
	for _, m := range f.messages {
		switch m.kind {
		case ipcBatch:
			batches--
		case ipcDictionary:
			dictionaries--
		}
	}
	if batches != 0 || dictionaries != 0 {
		return errors.New("its footer lists other batches than it holds")
	}
	return nil
}

// scan finds the messages between two offsets. A stream must end with its end
// marker: one that was cut short between two messages would look whole without.
func (f *ipcFile) scan(off, end int64, stream bool) error {
	for off < end {
		m, next, err := f.message(off, end)
		if err != nil {
			return fmt.Errorf("at byte %d: %w", off, err)
		}
		if m.metaLen == 0 {
			if stream && next != end {
				return fmt.Errorf("%d bytes follow the end marker", end-next)
			}
			return nil
		}
		f.messages = append(f.messages, m)
		f.rows += m.rows
		if m.rows < 0 || f.rows > maxRows {
			return fmt.Errorf("batches claim more than %d rows", int64(maxRows))
		}
		off = next
	}
	if stream {
		return errors.New("the stream has no end marker, so it may be cut short; close its writer, or rewrite it as a file")
	}
	return nil
}

// message reads the header of the message at off and returns where the next is.
func (f *ipcFile) message(off, end int64) (m ipcMessage, next int64, err error) {
	head := make([]byte, min(8, end-off))
	if err := readFullAt(f.src, head, off); err != nil || len(head) < 4 {
		return m, 0, errors.Join(io.ErrUnexpectedEOF, err)
	}
	skip := 4
	if string(head[:4]) == ipcContinuation { // absent before version 0.15 of the format
		skip = 8
	}
	if len(head) < skip {
		return m, 0, io.ErrUnexpectedEOF
	}
	n := int64(binary.LittleEndian.Uint32(head[skip-4:]))
	m.meta, m.metaLen = off+int64(skip), int(n)
	if n == 0 {
		return m, m.meta, nil
	}
	if n > end-m.meta {
		return m, 0, io.ErrUnexpectedEOF
	}
	header := flat{b: make([]byte, n)}
	if err := readFullAt(f.src, header.b, m.meta); err != nil {
		return m, 0, err
	}
	if err := m.read(&header); err != nil {
		return m, 0, err
	}
	next = m.meta + n
	if m.bodyLen < 0 || m.bodyLen > end-next {
		return m, 0, io.ErrUnexpectedEOF
	}
	return m, next + m.bodyLen, nil
}

func (m *ipcMessage) read(header *flat) error {
	root := header.root()
	if at := header.field(root, 1); at != 0 {
		m.kind = header.u8(at)
	}
	if at := header.field(root, 3); at != 0 {
		m.bodyLen = header.i64(at)
	}
	at := header.field(root, 2)
	if at == 0 || header.bad {
		return errFlat
	}
	table := header.follow(at)
	switch m.kind {
	case ipcSchema:
		return header.checkSchema(table)
	case ipcBatch:
		if at := header.field(table, 0); at != 0 {
			m.rows = header.i64(at)
		}
		header.vector(table, 1, 16)
		header.vector(table, 2, 16)
	case ipcDictionary:
	default:
		return fmt.Errorf("message type %d is not that of a table", m.kind)
	}
	if header.bad {
		return errFlat
	}
	return nil
}

// reader returns the library's reader over the messages.
func (f *ipcFile) reader() (*ipc.Reader, error) {
	most := 1<<28 + 64*f.size
	return ipc.NewReaderFromMessageReader(&ipcFeeder{f: f}, ipc.WithAllocator(capped{most}))
}

// ipcFeeder hands the messages to the library. It implements ipc.MessageReader.
type ipcFeeder struct {
	f    *ipcFile
	next int
	body []byte // reused: the library copies out of a message's body
}

func (r *ipcFeeder) Retain()  {}
func (r *ipcFeeder) Release() {}

func (r *ipcFeeder) Message() (*ipc.Message, error) {
	if r.next == len(r.f.messages) {
		return nil, io.EOF
	}
	m := r.f.messages[r.next]
	r.next++
	meta := make([]byte, m.metaLen)
	if err := readFullAt(r.f.src, meta, m.meta); err != nil {
		return nil, err
	}
	if int64(cap(r.body)) < m.bodyLen {
		r.body = make([]byte, m.bodyLen)
	}
	body := r.body[:m.bodyLen]
	if err := readFullAt(r.f.src, body, m.meta+int64(m.metaLen)); err != nil {
		return nil, err
	}
	return ipc.NewMessage(memory.NewBufferBytes(meta), memory.NewBufferBytes(body)), nil
}

func (f *ipcFile) columns() []ColumnInfo { return f.info }

// describe lists the columns, structures taken apart.
func (f *ipcFile) describe(s *arrow.Schema) {
	var walk func(prefix string, path []int, fields []arrow.Field)
	walk = func(prefix string, path []int, fields []arrow.Field) {
		for i, field := range fields {
			name, here := prefix+field.Name, append(path[:len(path):len(path)], i)
			if t, ok := field.Type.(*arrow.StructType); ok {
				walk(name+".", here, t.Fields())
				continue
			}
			unit, ok := field.Metadata.GetValue(metaUnitOfField)
			if !ok {
				meta := s.Metadata()
				unit, _ = meta.GetValue(metaUnitPrefix + name)
			}
			f.leaves = append(f.leaves, ipcLeaf{path: here, mean: arrowMeaning(field.Type)})
			f.info = append(f.info, ColumnInfo{Name: name, Unit: unit, Type: field.Type.String(), Rows: f.rows})
		}
	}
	walk("", nil, s.Fields())
}

// arrowMeaning returns what the values of an Arrow type stand for.
func arrowMeaning(t arrow.DataType) meaning {
	switch t := t.(type) {
	case *arrow.Float64Type, *arrow.Float32Type, *arrow.Float16Type, *arrow.NullType,
		*arrow.Int8Type, *arrow.Int16Type, *arrow.Int32Type, *arrow.Int64Type,
		*arrow.Uint8Type, *arrow.Uint16Type, *arrow.Uint32Type:
		return meaning{}
	case *arrow.Uint64Type:
		return meaning{sense: senseUnsigned}
	case *arrow.Decimal128Type:
		return decimalMeaning(int(t.Scale))
	case *arrow.Decimal256Type:
		return decimalMeaning(int(t.Scale))
	case *arrow.Date32Type:
		return meaning{sense: senseDate}
	case *arrow.Date64Type:
		return meaning{sense: senseStamp, perSec: 1e3}
	case *arrow.TimestampType:
		return meaning{sense: senseStamp, perSec: arrowTicks(t.Unit)}
	case *arrow.Time32Type:
		return meaning{sense: senseClock, perSec: arrowTicks(t.Unit)}
	case *arrow.Time64Type:
		return meaning{sense: senseClock, perSec: arrowTicks(t.Unit)}
	case *arrow.DurationType:
		return meaning{sense: senseClock, perSec: arrowTicks(t.Unit)}
	case *arrow.BooleanType:
		return meaning{sense: senseBool}
	case *arrow.StringType, *arrow.LargeStringType, *arrow.BinaryType, *arrow.LargeBinaryType, *arrow.FixedSizeBinaryType:
		return meaning{sense: senseText}
	case *arrow.DictionaryType:
		m := arrowMeaning(t.ValueType)
		if m.sense == senseStamp || m.sense == senseDate || m.sense == senseDecimal {
			return meaning{sense: senseOther, reason: "export it without a dictionary"}
		}
		return m
	}
	return meaning{sense: senseOther, reason: "export it as a plain column of double or int64"}
}

func arrowTicks(u arrow.TimeUnit) int64 {
	return [...]int64{arrow.Second: 1, arrow.Millisecond: 1e3, arrow.Microsecond: 1e6, arrow.Nanosecond: 1e9}[u]
}

func (f *ipcFile) meaning(column int) *meaning { return &f.leaves[column].mean }

func (f *ipcFile) numbers(columns []int, dst [][]float64) error {
	renders := make([]rendering[float64], len(columns))
	for i, c := range columns {
		if err := f.leaves[c].mean.numeric(f.info[c].Type); err != nil {
			return fmt.Errorf("column %q %w", f.info[c].Name, err)
		}
		renders[i] = f.leaves[c].mean.numbers()
		if want := reserve(f.rows, f.size); cap(dst[i]) < want {
			dst[i] = make([]float64, 0, want)
		}
	}
	return readBatches(f, columns, dst, renders)
}

// single is false: arrays are copied one number at a time, to float64.
func (f *ipcFile) single(int) bool { return false }

func (f *ipcFile) samples(columns []int, dst []Samples, _ Each) error {
	wide := make([][]float64, len(columns))
	for i := range wide {
		wide[i] = dst[i].Double
	}
	err := f.numbers(columns, wide)
	for i := range wide {
		dst[i] = Samples{Double: wide[i]}
	}
	return err
}

func (f *ipcFile) texts(column int) ([]string, error) {
	if err := f.leaves[column].mean.readable(f.info[column].Type); err != nil {
		return nil, fmt.Errorf("column %q %w", f.info[column].Name, err)
	}
	dst := [][]string{nil}
	err := readBatches(f, []int{column}, dst, []rendering[string]{f.leaves[column].mean.texts()})
	return dst[0], err
}

// readBatches appends the columns of every batch to dst.
func readBatches[V any](f *ipcFile, columns []int, dst [][]V, renders []rendering[V]) error {
	lib, err := f.reader()
	if err != nil {
		return err
	}
	batch := 0
	for ; lib.Next(); batch++ {
		rec := lib.Record()
		for i, c := range columns {
			dst[i], err = readLeaf(f, rec, f.leaves[c].path, dst[i], renders[i])
			if err != nil {
				return fmt.Errorf("column %q: batch %d: %w; the file is damaged, export it again", f.info[c].Name, batch, err)
			}
		}
	}
	if err := lib.Err(); err != nil {
		return fmt.Errorf("batch %d: %w; the file is damaged, export it again", batch, err)
	}
	return nil
}

// readLeaf appends one column of a batch. A value is null when it or a structure
// around it is.
func readLeaf[V any](f *ipcFile, rec arrow.Record, path []int, dst []V, r rendering[V]) ([]V, error) {
	arr := rec.Column(path[0])
	var around []arrow.Array
	for _, i := range path[1:] {
		if err := sound(arr, rec.NumRows()); err != nil {
			return nil, err
		}
		around = append(around, arr)
		arr = arr.(*array.Struct).Field(i)
	}
	if err := sound(arr, rec.NumRows()); err != nil {
		return nil, err
	}
	start := len(dst)
	dst = grow(dst, arr.Len(), f.rows)
	dst, err := appendArray(dst, arr, r)
	if err != nil {
		return nil, err
	}
	for _, outer := range around {
		for i := range outer.Len() {
			if outer.IsNull(i) {
				dst[start+i] = r.null
			}
		}
	}
	return dst, nil
}

// sound checks that an array's buffers hold what its length claims; the library
// would read on into what happens to lie behind them.
func sound(arr arrow.Array, rows int64) error {
	if int64(arr.Len()) != rows {
		return errRows(rows, arr.Len())
	}
	buffers, end := arr.Data().Buffers(), int64(arr.Data().Offset()+arr.Len())
	short := func(i int, bits int64) bool {
		return len(buffers) <= i || buffers[i] == nil || int64(buffers[i].Len())*8 < bits
	}
	if end == 0 {
		return nil
	}
	_, isNull := arr.DataType().(*arrow.NullType)
	if arr.NullN() > 0 && !isNull && short(0, end) {
		return errors.New("the list of nulls is too short")
	}
	t := arr.DataType()
	if d, ok := t.(*arrow.DictionaryType); ok {
		t = d.IndexType
	}
	if w, ok := t.(arrow.FixedWidthDataType); ok && short(1, end*int64(w.BitWidth())) {
		return errors.New("the values are too short")
	}
	return nil
}

func appendArray[V any](dst []V, arr arrow.Array, r rendering[V]) ([]V, error) {
	switch a := arr.(type) {
	case *array.Float64:
		if out, ok := any(dst).([]float64); ok && a.NullN() == 0 {
			return any(append(out, a.Float64Values()...)).([]V), nil
		}
		return appendEach(dst, a, r.null, a.Value, r.double), nil
	case *array.Float32:
		return appendEach(dst, a, r.null, a.Value, r.single), nil
	case *array.Float16:
		return appendEach(dst, a, r.null, func(i int) float32 { return a.Value(i).Float32() }, r.single), nil
	case *array.Int8:
		return appendInts(dst, a, a.Int8Values(), r), nil
	case *array.Int16:
		return appendInts(dst, a, a.Int16Values(), r), nil
	case *array.Int32:
		return appendInts(dst, a, a.Int32Values(), r), nil
	case *array.Int64:
		return appendInts(dst, a, a.Int64Values(), r), nil
	case *array.Uint8:
		return appendInts(dst, a, a.Uint8Values(), r), nil
	case *array.Uint16:
		return appendInts(dst, a, a.Uint16Values(), r), nil
	case *array.Uint32:
		return appendInts(dst, a, a.Uint32Values(), r), nil
	case *array.Uint64:
		return appendInts(dst, a, a.Uint64Values(), r), nil
	}
	return appendTimes(dst, arr, r)
}

// appendTimes is appendArray for dates, times and durations, and the types below.
func appendTimes[V any](dst []V, arr arrow.Array, r rendering[V]) ([]V, error) {
	switch a := arr.(type) {
	case *array.Date32:
		return appendInts(dst, a, a.Date32Values(), r), nil
	case *array.Date64:
		return appendInts(dst, a, a.Date64Values(), r), nil
	case *array.Time32:
		return appendInts(dst, a, a.Time32Values(), r), nil
	case *array.Time64:
		return appendInts(dst, a, a.Time64Values(), r), nil
	case *array.Timestamp:
		return appendInts(dst, a, a.TimestampValues(), r), nil
	case *array.Duration:
		return appendInts(dst, a, a.DurationValues(), r), nil
	}
	return appendOther(dst, arr, r)
}

// appendOther is appendArray for decimals, texts and what is made of other values.
func appendOther[V any](dst []V, arr arrow.Array, r rendering[V]) ([]V, error) {
	switch a := arr.(type) {
	case *array.Decimal128:
		return appendEach(dst, a, r.null, func(i int) []byte {
			b := binary.BigEndian.AppendUint64(nil, uint64(a.Value(i).HighBits()))
			return binary.BigEndian.AppendUint64(b, a.Value(i).LowBits())
		}, r.bytes), nil
	case *array.Decimal256:
		return appendEach(dst, a, r.null, func(i int) (b []byte) {
			words := a.Value(i).Array()
			for w := range words {
				b = binary.BigEndian.AppendUint64(b, words[len(words)-1-w])
			}
			return b
		}, r.bytes), nil
	case *array.Boolean:
		return appendEach(dst, a, r.null, a.Value, r.boolean), nil
	case *array.Dictionary:
		return appendLooked(dst, a, r)
	case *array.Null:
		for range a.Len() {
			dst = append(dst, r.null)
		}
		return dst, nil
	}
	return appendTexts(dst, arr, r)
}

// appendLooked appends the values that a dictionary's indices stand for.
func appendLooked[V any](dst []V, a *array.Dictionary, r rendering[V]) ([]V, error) {
	if err := sound(a.Dictionary(), int64(a.Dictionary().Len())); err != nil {
		return nil, err
	}
	values, err := appendArray(nil, a.Dictionary(), r)
	if err != nil {
		return nil, err
	}
	return appendEach(dst, a, r.null, a.GetValueIndex, func(i int) V { return values[i] }), nil
}

func appendTexts[V any](dst []V, arr arrow.Array, r rendering[V]) ([]V, error) {
	switch a := arr.(type) {
	case *array.String:
		return appendEach(dst, a, r.null, func(i int) []byte { return []byte(a.Value(i)) }, r.bytes), nil
	case *array.LargeString:
		return appendEach(dst, a, r.null, func(i int) []byte { return []byte(a.Value(i)) }, r.bytes), nil
	case *array.Binary:
		return appendEach(dst, a, r.null, a.Value, r.bytes), nil
	case *array.LargeBinary:
		return appendEach(dst, a, r.null, a.Value, r.bytes), nil
	case *array.FixedSizeBinary:
		return appendEach(dst, a, r.null, a.Value, r.bytes), nil
	}
	return nil, fmt.Errorf("type %v is not read", arr.DataType())
}

func appendEach[T, V any](dst []V, arr arrow.Array, null V, value func(int) T, conv func(T) V) []V {
	nulls := arr.NullN() > 0
	for i := range arr.Len() {
		if nulls && arr.IsNull(i) {
			dst = append(dst, null)
			continue
		}
		dst = append(dst, conv(value(i)))
	}
	return dst
}

func appendInts[T interface {
	~int8 | ~int16 | ~int32 | ~int64 | ~uint8 | ~uint16 | ~uint32 | ~uint64
}, V any](dst []V, arr arrow.Array, values []T, r rendering[V]) []V {
	return appendEach(dst, arr, r.null, func(i int) int64 { return int64(values[i]) }, r.integer)
}
