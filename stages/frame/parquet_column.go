package frame

import (
	"encoding/binary"
	"math"
	"math/bits"
	"slices"
	"sync"

	"github.com/apache/arrow/go/v15/arrow/memory"
	"github.com/apache/arrow/go/v15/parquet"
	"github.com/apache/arrow/go/v15/parquet/compress"
	"github.com/apache/arrow/go/v15/parquet/file"
	"github.com/apache/arrow/go/v15/parquet/metadata"
	"github.com/apache/arrow/go/v15/parquet/schema"
)

// Columns of tables, which have few rows, are encoded here, byte for byte as the library would: it takes some
// five times as long and a fresh buffer for each step of each column.

// onePage is the most rows of a column that is surely one page.
const onePage = 1 << 16

// column encodes columns, one after another, in the same memory.
type columnEncoder struct {
	page, packed, dict []byte
	same               []alike
	seen               map[string]uint32
	runs               runs
	codec              compress.Codec
}

// alike are equal texts one after another, by their number in the dictionary.
type alike struct {
	index uint32
	n     int
}

// columnEncoders are those that are not in use.
var columnEncoders = sync.Pool{New: func() any { return &columnEncoder{seen: map[string]uint32{}} }}

// extremes are a column's least and greatest value, encoded; nil = there is none.
type extremes struct{ low, high []byte }

// statistics are those of a column (Parquet format, Statistics). The library never counts distinct values, and says 0.
func (x extremes) statistics(missing int, order schema.SortOrder, props *parquet.WriterProperties, path string) (s metadata.EncodedStatistics) {
	s.SetNullCount(int64(missing)).SetDistinctCount(0)
	if x.low != nil && x.high != nil {
		s.SetMin(x.low).SetMax(x.high)
	}
	s.ApplyStatSizeLimits(int(props.MaxStatsSizeFor(path)))
	s.Signed = order == schema.SortSIGNED
	return s
}

// write writes a column as one page, after its dictionary if it has texts. It tells how many bytes these have, and
// whether it was written: else it takes several pages, and nothing was.
func (e *columnEncoder) write(pages file.PageWriter, chunk *metadata.ColumnChunkMetaDataBuilder, props *parquet.WriterProperties, c Column, start, end int) (
	written int64, done bool, err error) {
	encoding, texts := parquet.Encodings.Plain, c.Kind() == String
	e.page = e.page[:0]
	var x extremes
	missing := 0
	if texts {
		encoding = props.DictionaryIndexEncoding()
		x = e.texts(c.data.([]string)[start:end])
		if int64(len(e.dict)) >= props.DictionaryPageSizeLimit() {
			return 0, false, nil
		}
		page := file.NewDictionaryPage(memory.NewBufferBytes(e.dict), int32(len(e.seen)), props.DictionaryPageEncoding())
		if written, err = pages.WriteDictionaryPage(page); err != nil {
			return 0, false, err
		}
	} else {
		x, missing = e.numbers(c, start, end)
	}
	e.packed = slices.Grow(e.packed[:0], int(e.codec.CompressBound(int64(len(e.page)))))
	packed := e.codec.Encode(e.packed[:cap(e.packed)], e.page)
	stats := x.statistics(missing, chunk.Descr().SortOrder(), props, chunk.Descr().Path())
	page := file.NewDataPageV1WithStats(memory.NewBufferBytes(packed), int32(end-start), encoding, parquet.Encodings.RLE, parquet.Encodings.RLE,
		int32(len(e.page)), stats)
	defer page.Release()
	n, err := pages.WriteDataPage(page)
	if err != nil {
		return 0, false, err
	}
	chunk.SetStats(stats)
	return written + n, true, pages.Close(texts, false)
}

// texts encodes texts as numbers of a dictionary's (Parquet format, encodings: dictionary encoding), in the order in which they first come.
func (e *columnEncoder) texts(v []string) (x extremes) {
	clear(e.seen)
	e.dict, e.same = e.dict[:0], e.same[:0]
	low, high := v[0], v[0]
	for i := 0; i < len(v); {
		s, n := v[i], runOf(v[i:], itself)
		index, ok := e.seen[s]
		if !ok {
			index = uint32(len(e.seen))
			e.seen[s] = index
			e.dict = append(binary.LittleEndian.AppendUint32(e.dict, uint32(len(s))), s...)
			low, high = min(low, s), max(high, s)
		}
		e.same = append(e.same, alike{index, n})
		i += n
	}
	width := max(1, bits.Len(uint(len(e.seen)-1)))
	e.runs = runs{out: append(e.page, byte(width)), width: width}
	for _, a := range e.same {
		e.runs.putAll(uint64(a.index), a.n)
	}
	e.page = e.runs.end()
	return extremes{[]byte(low), []byte(high)}
}

// numbers encodes what is no text as it is (Parquet format, encodings: plain), floats behind the levels that tell which are missing.
func (e *columnEncoder) numbers(c Column, start, end int) (x extremes, missing int) {
	e.page = slices.Grow(e.page, 9*(end-start)) // enough for any kind: grown step by step, it would touch several times the memory
	switch v := c.data.(type) {
	case []float64:
		return floats(e, v[start:end], math.MaxFloat64, appendFloat64)
	case []float32:
		return floats(e, v[start:end], math.MaxFloat32, appendFloat32)
	case []int64:
		return integers(e, v[start:end], appendInt64), 0
	case []int32:
		return integers(e, v[start:end], appendInt32), 0
	case []bool:
		return e.bools(v[start:end]), 0
	}
	return x, 0
}

// floats encodes floats behind the levels that tell which are missing. most is the greatest finite number.
func floats[T float32 | float64](e *columnEncoder, v []T, most T, app func([]byte, T) []byte) (x extremes, missing int) {
	missing = levels(e, v)
	if missing < len(v) {
		low, high := spanOf(v, most)
		x = extremes{app(nil, belowZero(low)), app(nil, aboveZero(high))}
	}
	if missing == 0 {
		e.page = appendLittle(e.page, v)
		return x, 0
	}
	for _, y := range v {
		if y == y {
			e.page = app(e.page, y)
		}
	}
	return x, missing
}

// integers encodes integers, of which there is one at least.
func integers[T int32 | int64](e *columnEncoder, v []T, app func([]byte, T) []byte) extremes {
	e.page = appendLittle(e.page, v)
	return extremes{app(nil, slices.Min(v)), app(nil, slices.Max(v))}
}

// bools encodes a bit a value.
func (e *columnEncoder) bools(v []bool) extremes {
	for i := 0; i < len(v); i += 8 {
		var b byte
		for k, set := range v[i:min(i+8, len(v))] {
			if set {
				b |= 1 << k
			}
		}
		e.page = append(e.page, b)
	}
	x := extremes{[]byte{0}, []byte{0}}
	if !slices.Contains(v, false) {
		x.low[0] = 1
	}
	if slices.Contains(v, true) {
		x.high[0] = 1
	}
	return x
}

// levels encodes which values there are, with the length before it, and counts those that are missing.
func levels[T float32 | float64](e *columnEncoder, v []T) (missing int) {
	e.runs = runs{out: append(e.page, 0, 0, 0, 0), width: 1}
	for i := 0; i < len(v); {
		there, start := v[i] == v[i], i
		for i < len(v) && (v[i] == v[i]) == there {
			i++
		}
		if there {
			e.runs.putAll(1, i-start)
		} else {
			e.runs.putAll(0, i-start)
			missing += i - start
		}
	}
	e.page = e.runs.end()
	binary.LittleEndian.PutUint32(e.page, uint32(len(e.page)-4))
	return missing
}

// spanOf returns the least and the greatest of values. most is the greatest finite number: an infinite one alone does not move the other end beyond it.
func spanOf[T float32 | float64](v []T, most T) (low, high T) {
	low, high = most, -most
	for _, x := range v {
		if x < low {
			low = x
		}
		if x > high {
			high = x
		}
	}
	return low, high
}

// belowZero makes a zero negative, as the least value (Parquet format, ColumnOrder).
func belowZero[T float32 | float64](x T) T {
	if x == 0 {
		return T(math.Copysign(0, -1))
	}
	return x
}

// aboveZero makes a zero positive, as the greatest value.
func aboveZero[T float32 | float64](x T) T {
	if x == 0 {
		return 0
	}
	return x
}

func appendFloat64(dst []byte, x float64) []byte {
	return binary.LittleEndian.AppendUint64(dst, math.Float64bits(x))
}

func appendFloat32(dst []byte, x float32) []byte {
	return binary.LittleEndian.AppendUint32(dst, math.Float32bits(x))
}

// runs encodes small numbers as runs of equal ones and groups of eight others (Parquet format, encodings: RLE).
type runs struct {
	out    []byte
	width  int // bits of a number
	group  [8]uint64
	held   int    // of the group
	last   uint64 // the number put last
	equal  int    // how often it came at the end
	others int    // numbers of the run of groups that is open
	mark   int    // where that run's head is; 0 = none is open
}

func (r *runs) put(x uint64) {
	if x == r.last {
		if r.equal++; r.equal > 8 {
			return
		}
	} else {
		if r.equal >= 8 {
			r.endEqual()
		}
		r.equal, r.last = 1, x
	}
	r.group[r.held] = x
	if r.held++; r.held == 8 {
		r.full()
	}
}

// putAll puts a number n times.
func (r *runs) putAll(x uint64, n int) {
	for ; n > 0 && (x != r.last || r.equal < 8); n-- {
		r.put(x)
	}
	r.equal += n // from eight on they are only counted
}

// full decides what a full group becomes: the begin of a run of equal numbers, or a group of others.
func (r *runs) full() {
	if r.equal >= 8 {
		r.held = 0
		if r.others > 0 {
			r.endOthers()
		}
		return
	}
	r.writeGroup()
	if r.others/8 == 63 { // as many groups as one byte can tell
		r.endOthers()
	}
	r.equal = 0
}

// writeGroup writes the group's numbers, the first in the lowest bits.
func (r *runs) writeGroup() {
	if r.mark == 0 {
		r.mark = len(r.out)
		r.out = append(r.out, 0)
	}
	var word uint64
	filled := 0
	for _, x := range r.group[:r.held] {
		word |= x << filled
		for filled += r.width; filled >= 8; filled -= 8 {
			r.out = append(r.out, byte(word))
			word >>= 8
		}
	}
	r.others += r.held
	r.held = 0
}

func (r *runs) endOthers() {
	r.out[r.mark] = byte(r.others/8<<1 | 1)
	r.mark, r.others = 0, 0
}

func (r *runs) endEqual() {
	r.out = binary.AppendUvarint(r.out, uint64(r.equal)<<1)
	for at := 0; at < r.width; at += 8 {
		r.out = append(r.out, byte(r.last>>at))
	}
	r.equal, r.held = 0, 0
}

// end returns what was written.
func (r *runs) end() []byte {
	switch {
	case r.equal > 0 && r.others == 0 && (r.held == 0 || r.held == r.equal):
		r.endEqual()
	case r.held > 0 || r.others > 0:
		if r.held > 0 {
			clear(r.group[r.held:])
			r.held = 8
			r.writeGroup()
		}
		r.endOthers()
	}
	return r.out
}

func appendInt64(dst []byte, x int64) []byte { return binary.LittleEndian.AppendUint64(dst, uint64(x)) }

func appendInt32(dst []byte, x int32) []byte { return binary.LittleEndian.AppendUint32(dst, uint32(x)) }
