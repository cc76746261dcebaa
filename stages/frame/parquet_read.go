package frame

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/bits"
	"strings"
	"sync"

	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/apache/arrow/go/v15/parquet/file"
	"github.com/apache/arrow/go/v15/parquet/metadata"
	"github.com/apache/arrow/go/v15/parquet/schema"

	"lapwear/fatigue/lanes"
)

// parquetFile reads columns of a Parquet file. The library reads the file's
// metadata and decodes dictionaries and delta encodings; pages are fetched,
// checked and decompressed here, and pages of plain numbers decoded here, where a
// double goes from the file to its place without a stop.
type parquetFile struct {
	src  io.ReaderAt
	size int64 // up to the footer
	meta *metadata.FileMetaData
	info []ColumnInfo
	mean []meaning
	*kit // of the column being read
}

// kit is what reading a column takes, and can be used for the next, of another file too.
type kit struct {
	win    window
	unpack unpacker
	page   []byte // the page being decoded, unless it is decoded where the file lies
}

var kits = sync.Pool{New: func() any { return new(kit) }}

// equipped reads a column with a kit to itself, so that others may read columns of the file at the same time. What has failed may have left its
// kit in the middle of something.
func (p *parquetFile) equipped(read func(p *parquetFile) error) error {
	q := *p
	q.kit = kits.Get().(*kit)
	if err := read(&q); err != nil {
		return err
	}
	q.win.drop()
	kits.Put(q.kit)
	return nil
}

const parquetFooter = 8 // length and magic

func newParquetSource(r io.ReaderAt, size int64, name string) (_ *Source, err error) {
	what := fmt.Sprintf("open parquet%s: the file is damaged; export it again", quoted(name))
	defer recovered(&err, what)
	p, err := openParquet(r, size)
	if err != nil {
		return nil, fmt.Errorf("open parquet%s: %w", quoted(name), err)
	}
	return &Source{name: name, columns: p.info, content: p}, nil
}

func openParquet(r io.ReaderAt, size int64) (*parquetFile, error) {
	footer, err := checkFooter(r, size)
	if err != nil {
		return nil, err
	}
	lib, err := file.NewParquetReader(io.NewSectionReader(r, 0, size))
	if err != nil {
		return nil, fmt.Errorf("%w; the file is damaged, export it again", err)
	}
	p := &parquetFile{src: r, size: footer, meta: lib.MetaData()}
	rows := int64(0)
	for i := range p.meta.RowGroups {
		n := p.meta.RowGroup(i).NumRows()
		if n < 0 || n > maxRows-rows {
			return nil, fmt.Errorf("row group %d claims %d rows: the file is damaged or has more than %d rows; export it again, or split it", i, n, int64(maxRows))
		}
		rows += n
	}
	if rows != p.meta.NumRows {
		return nil, fmt.Errorf("row groups have %d rows, the file claims %d: it is damaged; export it again", rows, p.meta.NumRows)
	}
	p.describe(rows)
	return p, nil
}

// checkFooter returns where the file's metadata begin, after making sure that
// they are whole, so that the library meets no length that it could not fill.
func checkFooter(r io.ReaderAt, size int64) (int64, error) {
	if size < 4+parquetFooter {
		return 0, fmt.Errorf("a file of %d bytes is too short; was it copied completely?", size)
	}
	var tail [parquetFooter]byte
	if err := readFullAt(r, tail[:], size-parquetFooter); err != nil {
		return 0, err
	}
	switch string(tail[4:]) {
	case "PAR1":
	case "PARE":
		return 0, errors.New("the file is encrypted; export it without encryption")
	default:
		return 0, errors.New("it does not end as a Parquet file does; was it copied completely?")
	}
	n := int64(binary.LittleEndian.Uint32(tail[:]))
	if n > size-parquetFooter-4 {
		return 0, errors.New("its metadata claim to be longer than the file; was it copied completely?")
	}
	c := compact{b: make([]byte, n)}
	if err := readFullAt(r, c.b, size-parquetFooter-n); err != nil {
		return 0, err
	}
	if err := c.skip(compactStruct, compactDepth); err != nil {
		return 0, fmt.Errorf("its metadata are damaged: %w; export it again", err)
	}
	c.at = 0
	if err := c.checkSchema(); err != nil {
		return 0, fmt.Errorf("its schema is damaged: %w; export it again", err)
	}
	return size - parquetFooter - n, nil
}

func (p *parquetFile) describe(rows int64) {
	units := make(map[string]string)
	for _, kv := range p.meta.KeyValueMetadata() {
		if name, ok := strings.CutPrefix(kv.Key, metaUnitPrefix); ok {
			units[name] = kv.GetValue()
		}
	}
	for i := range p.meta.Schema.NumColumns() {
		d := p.meta.Schema.Column(i)
		m, typ := parquetMeaning(d)
		p.mean = append(p.mean, m)
		p.info = append(p.info, ColumnInfo{Name: d.Path(), Unit: units[d.Path()], Type: typ, Rows: rows})
	}
}

func (p *parquetFile) columns() []ColumnInfo { return p.info }

// parquetMeaning returns what a column's values stand for, and its type's name.
func parquetMeaning(d *schema.Column) (meaning, string) {
	typ := strings.ToLower(d.PhysicalType().String())
	if d.MaxRepetitionLevel() > 0 {
		return meaning{sense: senseOther, reason: "it is a list; export one column for each element"}, "list of " + typ
	}
	bytes := d.PhysicalType() == parquet.Types.ByteArray || d.PhysicalType() == parquet.Types.FixedLenByteArray
	switch t := d.LogicalType().(type) {
	case *schema.DecimalLogicalType:
		return decimalMeaning(int(t.Scale())), fmt.Sprintf("decimal(%d,%d)", t.Precision(), t.Scale())
	case *schema.IntLogicalType:
		if t.IsSigned() {
			return meaning{}, fmt.Sprintf("int%d", t.BitWidth())
		}
		return meaning{sense: senseUnsigned}, fmt.Sprintf("uint%d", t.BitWidth())
	case schema.DateLogicalType:
		return meaning{sense: senseDate}, "date"
	case *schema.TimeLogicalType:
		per, unit := parquetTicks(t.TimeUnit())
		return meaning{sense: senseClock, perSec: per}, "time[" + unit + "]"
	case *schema.TimestampLogicalType:
		per, unit := parquetTicks(t.TimeUnit())
		return meaning{sense: senseStamp, perSec: per}, "timestamp[" + unit + "]"
	case schema.Float16LogicalType:
		return meaning{sense: senseHalf}, "half"
	case schema.IntervalLogicalType:
		return meaning{sense: senseOther, reason: "months have no fixed length; export seconds"}, "interval"
	case schema.StringLogicalType, schema.EnumLogicalType, schema.JSONLogicalType:
		return meaning{sense: senseText}, strings.ToLower(d.LogicalType().String())
	}
	switch {
	case d.PhysicalType() == parquet.Types.Boolean:
		return meaning{sense: senseBool}, typ
	case d.PhysicalType() == parquet.Types.Int96:
		return meaning{sense: senseStamp, perSec: 1e9}, "timestamp[int96]"
	case bytes:
		return meaning{sense: senseText}, typ
	}
	return meaning{}, typ
}

func parquetTicks(u schema.TimeUnitType) (int64, string) {
	switch u {
	case schema.TimeUnitMillis:
		return 1e3, "ms"
	case schema.TimeUnitMicros:
		return 1e6, "us"
	}
	return 1e9, "ns"
}

// Decoded numbers may take so many times the file's bytes, beyond a free amount: a
// column of one value packs without end, but no recording consists of such (common
// practice, no source).
const (
	mostUnfolded = 1000
	freeUnfolded = 64 << 20
)

// plausible refuses a file that would unfold beyond what a recording does.
func (p *parquetFile) plausible(columns []int) error {
	var bytes int64
	for _, c := range columns {
		bytes += 8 * p.info[c].Rows
	}
	if bytes > freeUnfolded+mostUnfolded*p.size {
		return fmt.Errorf("%d rows of %d columns in a file of %d bytes, which no recording has; export it uncompressed",
			p.meta.NumRows, len(columns), p.size)
	}
	return nil
}

func (p *parquetFile) meaning(column int) *meaning { return &p.mean[column] }

func (p *parquetFile) numbers(columns []int, dst [][]float64) error {
	if err := p.plausible(columns); err != nil {
		return err
	}
	for i, c := range columns {
		if err := p.mean[c].numeric(p.info[c].Type); err != nil {
			return fmt.Errorf("column %q %w", p.info[c].Name, err)
		}
		err := p.equipped(func(p *parquetFile) (err error) {
			dst[i], err = readColumn(p, c, dst[i], p.mean[c].numbers(), plainNumbers(p.meta.Schema.Column(c), p.mean[c]))
			return err
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// single tells whether a column's numbers are likely to be float32 exactly: floats of 32 bits are, whole numbers of
// up to 32 bits where they are small.
func (p *parquetFile) single(column int) bool {
	d, m := p.meta.Schema.Column(column), p.mean[column]
	switch d.PhysicalType() {
	case parquet.Types.Float:
		return true
	case parquet.Types.Int32:
		return m.sense == senseNumber || m.sense == senseUnsigned
	}
	return false
}

func (p *parquetFile) samples(columns []int, dst []Samples, each Each) error {
	if err := p.plausible(columns); err != nil {
		return err
	}
	return each(len(columns), func(i int) error {
		c := columns[i]
		if err := p.mean[c].numeric(p.info[c].Type); err != nil {
			return fmt.Errorf("column %q %w", p.info[c].Name, err)
		}
		return p.equipped(func(p *parquetFile) error { return p.sample(c, &dst[i]) })
	})
}

// sample reads a column as floats of 32 bits, or, where they do not hold its numbers, of 64.
func (p *parquetFile) sample(column int, dst *Samples) (err error) {
	d, m := p.meta.Schema.Column(column), p.mean[column]
	if p.single(column) {
		exact := true
		dst.Single, err = readColumn(p, column, dst.Single, m.singles(&exact), plainSingles(d, m, &exact))
		if exact || err != nil {
			dst.Double = nil
			return err
		}
	}
	dst.Single = nil
	dst.Double, err = readColumn(p, column, dst.Double, m.numbers(), plainNumbers(d, m))
	return err
}

func (p *parquetFile) texts(column int) ([]string, error) {
	if err := p.mean[column].readable(p.info[column].Type); err != nil {
		return nil, fmt.Errorf("column %q %w", p.info[column].Name, err)
	}
	var out []string
	err := p.equipped(func(p *parquetFile) (err error) {
		out, err = readColumn(p, column, nil, p.mean[column].texts(), nil)
		return err
	})
	return out, err
}

// chunk is one column's part of one row group.
type chunk struct {
	p       *parquetFile
	desc    *schema.Column
	rows    int64 // of the row group
	total   int64 // of the file
	raw     int64 // uncompressed size, with headers
	lib     file.ColumnChunkReader
	feed    feeder
	entries int32 // of the dictionary; 0 = none is met
}

// readColumn appends all of a column's values to dst.
func readColumn[V any](p *parquetFile, column int, dst []V, r rendering[V], fast *plain[V]) ([]V, error) {
	if want := reserve(p.meta.NumRows, p.size); cap(dst) < want {
		dst = roomFor[V](want + unpackSlack)
	}
	for g := range p.meta.RowGroups {
		next, err := readGroup(p, g, column, dst, r, fast)
		if err != nil {
			return nil, fmt.Errorf("column %q: row group %d: %w", p.info[column].Name, g, err)
		}
		dst = next
	}
	return dst, nil
}

// roomFor returns no values, with room for n. What is written to it alone becomes visible, so numbers need not be cleared before.
func roomFor[V any](n int) []V {
	var v []V
	switch v := any(&v).(type) {
	case *[]float32:
		*v = lanes.Uncleared[float32](n)[:0]
	case *[]float64:
		*v = lanes.Uncleared[float64](n)[:0]
	default:
		return make([]V, 0, n)
	}
	return v
}

func readGroup[V any](p *parquetFile, g, column int, dst []V, r rendering[V], fast *plain[V]) (_ []V, err error) {
	defer recovered(&err, "the file is damaged; export it again")
	c, err := p.openChunk(g, column)
	if err != nil {
		return nil, err
	}
	start := len(dst)
	for page := 0; int64(len(dst)-start) < c.rows; page++ {
		h, err := p.win.header()
		if err == io.EOF {
			return nil, errRows(c.rows, len(dst)-start)
		}
		if err != nil {
			return nil, fmt.Errorf("page %d: %w; the file is damaged, export it again", page, err)
		}
		if dst, err = readPage(c, h, dst, c.rows-int64(len(dst)-start), r, fast); err != nil {
			return nil, fmt.Errorf("page %d: %w", page, err)
		}
	}
	return dst, nil
}

func (p *parquetFile) openChunk(g, column int) (*chunk, error) {
	group := p.meta.RowGroup(g)
	col, err := group.ColumnChunk(column)
	if err != nil {
		return nil, err
	}
	c := &chunk{p: p, desc: p.meta.Schema.Column(column), rows: group.NumRows(), total: p.meta.NumRows,
		raw: col.TotalUncompressedSize()}
	start, length := col.DataPageOffset(), col.TotalCompressedSize()
	if d := col.DictionaryPageOffset(); col.HasDictionaryPage() && d > 0 && d < start {
		start = d
	}
	if p.meta.WriterVersion().LessThan(metadata.Parquet816FixedVersion) {
		length += 100 // PARQUET-816: these versions forgot the dictionary page's header
	}
	switch {
	case col.FilePath() != "":
		return nil, fmt.Errorf("its data are in another file, %q; merge them into one", col.FilePath())
	case col.CryptoMetadata() != nil:
		return nil, errors.New("it is encrypted; export it without encryption")
	case col.Type() != c.desc.PhysicalType():
		return nil, errors.New("its type contradicts the schema: the file is damaged; export it again")
	case col.NumValues() != c.rows:
		return nil, errRows(c.rows, int(col.NumValues()))
	case start < 4 || length < 0 || start > p.size:
		return nil, errors.New("its data are said to lie outside the file, which is damaged; export it again")
	case int(col.Compression()) >= len(codecNames) || !readable(col.Compression()):
		return nil, fmt.Errorf("codec %s is not read; rewrite the file with zstd or snappy",
			nameOf(codecNames[:], int32(col.Compression())))
	}
	p.unpack.codec = col.Compression()
	p.win.reset(p.src, start, min(start+length, p.size))
	return c, nil
}

func readable(codec compress.Compression) bool {
	_, err := compress.GetCodec(codec)
	return err == nil
}

// readPage reads one page, of which left more values are expected, and appends
// what it holds to dst.
func readPage[V any](c *chunk, h pageHeader, dst []V, left int64, r rendering[V], fast *plain[V]) ([]V, error) {
	u := &c.p.unpack
	if !u.plausible(h.rawLen, h.packedLen) || int64(h.rawLen) > c.raw {
		return nil, fmt.Errorf("uncompressed length %d is not plausible: the file is damaged; export it again", h.rawLen)
	}
	switch h.kind {
	case pageDictionary:
		return dst, c.dictionary(h)
	case pageData, pageDataV2:
	default:
		return dst, c.p.win.read(make([]byte, h.packedLen)) // index and other pages hold no values
	}
	if int64(h.values) > left {
		return nil, errRows(c.rows, int(c.rows-left)+int(h.values))
	}
	if err := c.decodable(h); err != nil {
		return nil, err
	}
	if fast != nil && fast.fits(c, h) {
		return fast.read(c, h, dst)
	}
	page, err := c.load(h, c.retains())
	if err != nil {
		return nil, err
	}
	return decode(c, h, page, dst, r)
}

// decodable returns an error for encodings that the library lacks; it would
// report no value and no error.
func (c *chunk) decodable(h pageHeader) error {
	if h.encoding >= 0 && h.encoding < encodingSplit && h.encoding != 1 {
		return nil
	}
	return fmt.Errorf("encoding %s is not read; rewrite the file with plain encoding and zstd or snappy",
		nameOf(encodingNames[:], h.encoding))
}

// retains tells whether decoded values refer to the page's memory.
func (c *chunk) retains() bool {
	t := c.desc.PhysicalType()
	return t == parquet.Types.ByteArray || t == parquet.Types.FixedLenByteArray
}

// load returns a page's uncompressed bytes: in memory of their own, or in memory that the next page overwrites, or in the
// file's own, which must not be written to.
func (c *chunk) load(h pageHeader, own bool) ([]byte, error) {
	p := c.p
	var dst []byte
	var err error
	switch {
	case own:
		dst = make([]byte, h.rawLen)
		err = p.unpack.load(&p.win, h, dst)
	case p.unpack.codec == compress.Codecs.Uncompressed:
		dst, err = p.unpack.stored(&p.win, h, &p.page)
	default:
		if cap(p.page) < int(h.rawLen)+unpackSlack {
			p.page = make([]byte, int(h.rawLen)+unpackSlack)
		}
		dst = p.page[:h.rawLen]
		err = p.unpack.load(&p.win, h, dst)
	}
	if err != nil {
		return nil, fmt.Errorf("%w; the file is damaged, export it again", err)
	}
	return dst, nil
}

// dictionary hands a dictionary page to the library.
func (c *chunk) dictionary(h pageHeader) error {
	if width := int64(c.leastWidth()); int64(h.values)*width > int64(h.rawLen) {
		return fmt.Errorf("dictionary of %d values in %d bytes: the file is damaged; export it again", h.values, h.rawLen)
	}
	page, err := c.load(h, true)
	if err != nil {
		return err
	}
	c.entries = h.values
	lib := c.library()
	c.feed.next = file.NewDictionaryPage(memory.NewBufferBytes(page), h.values, parquet.Encoding(h.encoding))
	lib.HasNext() // takes the dictionary; there is no data page behind it yet
	return lib.Err()
}

// leastWidth is the fewest bytes that a value takes in plain encoding.
func (c *chunk) leastWidth() int {
	switch c.desc.PhysicalType() {
	case parquet.Types.Double, parquet.Types.Int64:
		return 8
	case parquet.Types.Float, parquet.Types.Int32, parquet.Types.ByteArray:
		return 4
	case parquet.Types.Int96:
		return 12
	case parquet.Types.FixedLenByteArray:
		return max(1, c.desc.TypeLength())
	}
	return 0
}

// library returns the library's reader of this chunk.
func (c *chunk) library() file.ColumnChunkReader {
	if c.lib == nil {
		c.lib = file.NewColumnReader(c.desc, &c.feed, capped{64<<20 + 64*max(c.raw, 0)}, nil)
	}
	return c.lib
}

// decode has the library decode a page.
func decode[V any](c *chunk, h pageHeader, page []byte, dst []V, r rendering[V]) ([]V, error) {
	if h.values == 0 {
		return dst, nil
	}
	if err := c.sound(h, page); err != nil {
		return nil, fmt.Errorf("%w: the file is damaged; export it again", err)
	}
	lib, buf := c.library(), memory.NewBufferBytes(page)
	if h.kind == pageData {
		c.feed.next = file.NewDataPageV1(buf, h.values, parquet.Encoding(h.encoding),
			parquet.Encoding(h.defEncoding), parquet.Encoding(h.repEncoding), h.rawLen)
	} else {
		c.feed.next = file.NewDataPageV2(buf, h.values, h.nulls, h.rows, parquet.Encoding(h.encoding),
			h.defLen, h.repLen, h.rawLen, false)
	}
	if !lib.HasNext() {
		return nil, fmt.Errorf("%w: the file is damaged; export it again", errors.Join(errNoValues, lib.Err()))
	}
	switch lib := lib.(type) {
	case *file.Float64ColumnChunkReader:
		return drain(c, h, lib, dst, r.null, r.double)
	case *file.Float32ColumnChunkReader:
		return drain(c, h, lib, dst, r.null, r.single)
	case *file.Int64ColumnChunkReader:
		return drain(c, h, lib, dst, r.null, r.integer)
	case *file.Int32ColumnChunkReader:
		if u, ok := c.desc.LogicalType().(*schema.IntLogicalType); ok && !u.IsSigned() {
			return drain(c, h, lib, dst, r.null, func(v int32) V { return r.integer(int64(uint32(v))) })
		}
		return drain(c, h, lib, dst, r.null, func(v int32) V { return r.integer(int64(v)) })
	case *file.Int96ColumnChunkReader:
		return drain(c, h, lib, dst, r.null, func(v parquet.Int96) V { return r.integer(v.ToTime().UnixNano()) })
	case *file.BooleanColumnChunkReader:
		return drain(c, h, lib, dst, r.null, r.boolean)
	case *file.ByteArrayColumnChunkReader:
		return drain(c, h, lib, dst, r.null, func(v parquet.ByteArray) V { return r.bytes(v) })
	case *file.FixedLenByteArrayColumnChunkReader:
		return drain(c, h, lib, dst, r.null, func(v parquet.FixedLenByteArray) V { return r.bytes(v) })
	}
	return nil, fmt.Errorf("physical type %v is not read; export it as double", c.desc.PhysicalType())
}

var errNoValues = errors.New("no values could be decoded")

// batcher is the part that the library's typed readers have in common.
type batcher[T any] interface {
	ReadBatch(n int64, values []T, def, rep []int16) (int64, int, error)
	Err() error
}

// drain appends a page's values to dst, block by block.
func drain[T, V any](c *chunk, h pageHeader, lib batcher[T], dst []V, null V, conv func(T) V) ([]V, error) {
	const block = 4096
	var (
		most   = c.desc.MaxDefinitionLevel()
		values = make([]T, min(block, int(h.values)))
		levels []int16
	)
	if most > 0 {
		levels = make([]int16, len(values))
	}
	for left := int(h.values); left > 0; {
		n, got, err := lib.ReadBatch(int64(min(left, block)), values, levels, nil)
		if err = errors.Join(err, lib.Err()); err != nil || n <= 0 || int(n) > left {
			return nil, fmt.Errorf("%w: the file is damaged; export it again", errors.Join(errNoValues, err))
		}
		dst = grow(dst, int(n), c.total)
		if levels == nil || got == int(n) {
			dst = appendAll(dst, values[:n], conv)
			left -= int(n)
			continue
		}
		at := 0
		for _, level := range levels[:n] {
			if level != most {
				dst = append(dst, null)
				continue
			}
			dst = append(dst, conv(values[:got][at]))
			at++
		}
		if at != got {
			return nil, fmt.Errorf("%d values where the levels have %d: the file is damaged; export it again", got, at)
		}
		left -= int(n)
	}
	return dst, nil
}

// appendAll appends converted values; numbers of dst's own type stand for themselves.
func appendAll[T, V any](dst []V, values []T, conv func(T) V) []V {
	if same, ok := any(dst).([]T); ok {
		return any(append(same, values...)).([]V)
	}
	for _, v := range values {
		dst = append(dst, conv(v))
	}
	return dst
}

// plain decodes pages in plain encoding whose values are of fixed width and, but
// for nulls, stand for themselves.
type plain[V any] struct {
	width int
	// into appends the numbers in raw to dst, which has the room.
	into func(dst []V, raw []byte) []V
	null V
	// memory, where values lie in memory as they do in the file, returns it.
	memory func([]V) []byte
}

// plainNumbers returns how to decode a column's plain pages, or nil when only the
// library can.
func plainNumbers(d *schema.Column, m meaning) *plain[float64] {
	if d.MaxDefinitionLevel() > 1 || m.sense != senseNumber {
		return nil
	}
	fast := &plain[float64]{null: math.NaN()}
	switch d.PhysicalType() {
	case parquet.Types.Double:
		fast.width, fast.into = 8, takeLittle[float64]
		if littleHost {
			fast.memory = bytesOf[float64]
		}
	case parquet.Types.Float:
		fast.width, fast.into = 4, func(dst []float64, raw []byte) []float64 {
			return widen(dst, raw, func(u uint32) float64 { return float64(math.Float32frombits(u)) })
		}
	case parquet.Types.Int32:
		fast.width, fast.into = 4, func(dst []float64, raw []byte) []float64 {
			return widen(dst, raw, func(u uint32) float64 { return float64(int32(u)) })
		}
	case parquet.Types.Int64:
		fast.width, fast.into = 8, func(dst []float64, raw []byte) []float64 {
			at := len(dst)
			dst = dst[:at+len(raw)/8]
			for i := range dst[at:] {
				dst[at+i] = float64(int64(binary.LittleEndian.Uint64(raw[8*i:])))
			}
			return dst
		}
	default:
		return nil
	}
	return fast
}

// plainSingles is plainNumbers for float32; exact is set to false where a number is none.
func plainSingles(d *schema.Column, m meaning, exact *bool) *plain[float32] {
	if d.MaxDefinitionLevel() > 1 || m.sense != senseNumber {
		return nil
	}
	fast := &plain[float32]{width: 4, null: float32(math.NaN())}
	switch d.PhysicalType() {
	case parquet.Types.Float:
		fast.into = takeLittle[float32]
		if littleHost {
			fast.memory = bytesOf[float32]
		}
	case parquet.Types.Int32:
		fast.into = func(dst []float32, raw []byte) []float32 {
			at, lost := len(dst), false
			dst = dst[:at+len(raw)/4]
			out := dst[at:]
			for i := range out {
				v := int32(binary.LittleEndian.Uint32(raw[4*i:]))
				out[i] = float32(v)
				lost = lost || float64(out[i]) != float64(v)
			}
			*exact = *exact && !lost
			return dst
		}
	default:
		return nil
	}
	return fast
}

func widen(dst []float64, raw []byte, conv func(uint32) float64) []float64 {
	at := len(dst)
	dst = dst[:at+len(raw)/4]
	out := dst[at:]
	for i := range out {
		out[i] = conv(binary.LittleEndian.Uint32(raw[4*i:]))
	}
	return dst
}

func (f *plain[V]) fits(c *chunk, h pageHeader) bool {
	return h.encoding == encodingPlain &&
		(c.desc.MaxDefinitionLevel() == 0 || h.kind == pageDataV2 || h.defEncoding == encodingRLE)
}

func (f *plain[V]) read(c *chunk, h pageHeader, dst []V) ([]V, error) {
	n := int(h.values)
	if c.desc.MaxDefinitionLevel() == 0 && f.memory != nil && h.defLen+h.repLen == 0 && int(h.rawLen) == n*f.width {
		dst = grow(dst, n, c.total)
		at := len(dst)
		if err := c.p.unpack.load(&c.p.win, h, f.memory(dst[at:cap(dst)])[:h.rawLen]); err != nil {
			return nil, fmt.Errorf("%w; the file is damaged, export it again", err)
		}
		return dst[:at+n], nil
	}
	page, err := c.load(h, false)
	if err != nil {
		return nil, err
	}
	levels, values, err := split(h, page, c.desc.MaxDefinitionLevel() > 0)
	if err != nil {
		return nil, fmt.Errorf("%w; the file is damaged, export it again", err)
	}
	if err := f.check(n, levels, values); err != nil {
		return nil, fmt.Errorf("%w; the file is damaged, export it again", err)
	}
	if dst, err = f.spread(grow(dst, n, c.total), n, levels, values); err != nil {
		return nil, fmt.Errorf("%w; the file is damaged, export it again", err)
	}
	return dst, nil
}

// split parts a data page into definition levels and values. Without levels all
// values are present.
func split(h pageHeader, page []byte, optional bool) (levels, values []byte, err error) {
	if h.kind == pageDataV2 {
		levels, values = page[h.repLen:h.repLen+h.defLen], page[h.repLen+h.defLen:]
	} else {
		values = page
	}
	if !optional {
		return nil, values, nil // a version 2 page may have levels all the same
	}
	if h.kind == pageDataV2 {
		return levels, values, nil
	}
	if len(page) < 4 {
		return nil, nil, errLevels
	}
	n := binary.LittleEndian.Uint32(page)
	page = page[4:]
	if uint64(n) > uint64(len(page)) {
		return nil, nil, errLevels
	}
	return page[:n], page[n:], nil
}

var errLevels = errors.New("definition levels are damaged")

// check makes sure that there are n values, before room is made for them.
func (f *plain[V]) check(n int, levels, values []byte) error {
	present := n
	if levels != nil {
		present = 0
		run := func(count int, there bool) bool {
			if there {
				present += count
			}
			return true
		}
		word := func(levels uint64, width int) bool {
			present += bits.OnesCount64(levels << (64 - width))
			return true
		}
		if !eachRun(levels, n, run, word) {
			return errLevels
		}
	}
	if present > n || len(values) != present*f.width {
		return fmt.Errorf("%d bytes for %d values", len(values), present)
	}
	return nil
}

// spread appends n values, of which levels says which are null, as check has
// found them.
func (f *plain[V]) spread(dst []V, n int, levels, values []byte) ([]V, error) {
	if levels == nil {
		return f.into(dst, values), nil
	}
	// The values go to the end of the room and from there, in order, to their
	// places: a value never moves up, so none is overwritten before it has moved.
	at, present := len(dst), len(values)/f.width
	f.into(dst[:at+n-present], values)
	sp := spreader[V]{room: dst[at : at+n], from: n - present, null: f.null}
	if !eachRun(levels, n, sp.run, sp.word) || sp.from != n {
		return nil, errLevels
	}
	return dst[:at+n], nil
}

// spreader moves values from the end of room to the places that levels give them.
type spreader[V any] struct {
	room     []V
	to, from int
	null     V
}

func (s *spreader[V]) run(count int, present bool) bool {
	if present {
		if s.from+count > len(s.room) {
			return false
		}
		if s.from != s.to {
			copy(s.room[s.to:], s.room[s.from:s.from+count])
		}
		s.from += count
		s.to += count
		return true
	}
	if s.to+count > s.from {
		return false
	}
	for i := range s.room[s.to : s.to+count] {
		s.room[s.to+i] = s.null
	}
	s.to += count
	return true
}

// word places the values of up to 64 levels.
func (s *spreader[V]) word(levels uint64, width int) bool {
	present := bits.OnesCount64(levels << (64 - width))
	if present == width {
		return s.run(width, true)
	}
	if s.from+present > len(s.room) || s.to+width-present > s.from {
		return false
	}
	to, from := s.room[s.to:s.to+width], s.room[s.from:s.from+present]
	next := 0
	for i := range to {
		if levels>>i&1 == 1 {
			to[i] = from[next]
			next++
		} else {
			to[i] = s.null
		}
	}
	s.to += width
	s.from += present
	return true
}

// eachRun decodes n definition levels of 0 or 1 in the RLE and bit-packed hybrid
// (Parquet format, Encodings.md, "RLE/Bit-Packing Hybrid"). It calls run with each
// run of equal ones and word with each up to 64 that are packed, the first lowest.
// It returns false when the levels are damaged or a call does.
func eachRun(levels []byte, n int, run func(count int, present bool) bool, word func(levels uint64, width int) bool) bool {
	for n > 0 {
		head, size := binary.Uvarint(levels)
		if size <= 0 || head>>1 == 0 {
			return false
		}
		levels = levels[size:]
		if head&1 == 0 {
			if len(levels) == 0 || levels[0] > 1 || head>>1 > uint64(n) {
				return false
			}
			if !run(int(head>>1), levels[0] == 1) {
				return false
			}
			n -= int(head >> 1)
			levels = levels[1:]
			continue
		}
		groups := min(head>>1, uint64(n+7)/8) // of eight levels, a byte each; the last is padded, by some writers with whole groups
		if groups > uint64(len(levels)) {
			return false
		}
		count := min(n, int(groups)*8)
		if !eachWord(levels[:groups], count, word) {
			return false
		}
		n -= count
		levels = levels[groups:]
	}
	return true
}

// eachWord calls word with the first n bits, 64 at a time.
func eachWord(b []byte, n int, word func(levels uint64, width int) bool) bool {
	for n > 0 {
		var block [8]byte
		used := copy(block[:], b)
		b = b[used:]
		width := min(64, n)
		if !word(binary.LittleEndian.Uint64(block[:]), width) {
			return false
		}
		n -= width
	}
	return true
}
