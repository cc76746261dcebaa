package frame

import (
	"bytes"
	"encoding/binary"
	"hash/maphash"
	"math"
	"math/bits"
	"unsafe"

	"github.com/apache/arrow/go/v15/parquet"

	"lapwear/fatigue/lanes"
)

// columnEncoder encodes columns, one after another, in the same memory.
type columnEncoder struct {
	page   []byte     // the values
	rest   []byte     // what of them follows, in a column's own memory
	listed bool       // whether they are numbers of the dictionary
	dict   []byte     // the dictionary's texts
	known  dictionary // these texts
	same   []alike
	runs   runs

	ranged    bool   // whether any value is known
	low, high []byte // the least and the greatest known value, encoded
	ends      []byte // what these consist of
	missing   int
	signed    bool // how values are ordered
}

// alike are equal texts one after another, by their number in the dictionary.
type alike struct {
	index uint32
	n     int
}

// drop lets go of a column.
func (e *columnEncoder) drop() {
	e.rest = nil
	e.known.clear()
}

// encode encodes rows of a column, of which there is one at least.
func (e *columnEncoder) encode(c Column, start, end int) {
	e.room(snappyBlock)
	e.page, e.rest, e.ends, e.listed, e.missing, e.ranged, e.signed = e.page[:0], nil, e.ends[:0], false, 0, true, true
	switch v := c.data.(type) {
	case []float64:
		floats(e, v[start:end], math.MaxFloat64, appendFloat64)
	case []float32:
		floats(e, v[start:end], math.MaxFloat32, appendFloat32)
	case []int64:
		integers(e, v[start:end], appendInt64)
	case []int32:
		integers(e, v[start:end], appendInt32)
	case []bool:
		e.bools(v[start:end])
	case []string:
		e.texts(v[start:end])
	}
}

// room makes room for a page of n bytes: grown step by step, it would touch several times the memory.
func (e *columnEncoder) room(n int) {
	if cap(e.page) < n {
		b := lanes.Uncleared[byte](n)
		e.page = b[:copy(b, e.page)]
	}
}

// span keeps a column's least and greatest value, encoded.
func span[T any](e *columnEncoder, low, high T, app func([]byte, T) []byte) {
	e.ends = app(e.ends, low)
	at := len(e.ends)
	e.ends = app(e.ends, high)
	e.low, e.high = e.ends[:at], e.ends[at:]
}

// statistics writes those of a column as a field (parquet.thrift, Statistics). Without the distinct values being counted the library says 0 of them, and leaves
// out an end that is too long. The older fields of ends are those that compare as signed.
func (e *columnEncoder) statistics(c *compactWriter, id int16) {
	outer := c.begin(id)
	low, high := e.ranged && len(e.low) <= longestEnd, e.ranged && len(e.high) <= longestEnd
	if e.signed && high {
		c.binary(1, view(e.high))
	}
	if e.signed && low {
		c.binary(2, view(e.low))
	}
	c.i64(3, int64(e.missing))
	c.i64(4, 0)
	if high {
		c.binary(5, view(e.high))
	}
	if low {
		c.binary(6, view(e.low))
	}
	c.end(outer)
}

// longestEnd is how long a text may be to stand in statistics, longestDict how long a dictionary.
const (
	longestEnd  = int(parquet.DefaultMaxStatsSize)
	longestDict = int(parquet.DefaultDictionaryPageSizeLimit) - 1
)

// view is bytes as a text that lasts until they are changed.
func view(b []byte) string { return unsafe.String(unsafe.SliceData(b), len(b)) }

// texts encodes texts as numbers of a dictionary's (Parquet format, encodings: dictionary encoding), in the order in which they first come,
// or as they are where the dictionary would be too long.
func (e *columnEncoder) texts(v []string) {
	e.drop()
	e.dict, e.same = e.dict[:0], e.same[:0]
	e.signed, e.listed = false, true
	low, high := v[0], v[0]
	index := uint32(0)
	for i := 0; i < len(v); {
		s, n := v[i], sameTexts(v[i:])
		var known bool
		if index, known = e.known.number(s, index); !known {
			e.dict = appendPlain(binary.LittleEndian.AppendUint32(e.dict, uint32(len(s))), s)
			low, high = min(low, s), max(high, s)
			if len(e.dict) > longestDict {
				e.plain(v)
				return
			}
		}
		e.same = append(e.same, alike{index, n})
		i += n
	}
	span(e, low, high, appendPlain)
	width := max(1, bits.Len(uint(len(e.known.list)-1)))
	e.runs = runs{out: append(e.page, byte(width)), width: width}
	for _, a := range e.same {
		e.runs.putAll(uint64(a.index), a.n)
	}
	e.page = e.runs.end()
}

// dictionary numbers texts in the order in which they come. It is to be cleared before it is used. A map takes as long to clear as it was large once.
type dictionary struct {
	list   []string
	hashes []uint64
	slots  []uint32 // one more than a text's number, at its hash or behind, of which no more than half are in use; 0 = none
	seed   maphash.Seed
}

// fewestSlots is how many slots there are at first, a power of two.
const fewestSlots = 64

func (d *dictionary) clear() {
	if d.slots == nil {
		d.seed = maphash.MakeSeed()
	}
	clear(d.list)
	d.list, d.hashes = d.list[:0], d.hashes[:0]
	d.widen(fewestSlots)
}

// widen makes n slots, a power of two, and puts the texts into them.
func (d *dictionary) widen(n int) {
	if cap(d.slots) < n {
		d.slots = make([]uint32, n)
	}
	d.slots = d.slots[:n]
	clear(d.slots)
	for i, h := range d.hashes {
		d.slots[d.free(h)] = uint32(i + 1)
	}
}

// free is the place of a slot for a text that is not there.
func (d *dictionary) free(h uint64) uint64 {
	mask := uint64(len(d.slots) - 1)
	at := h & mask
	for d.slots[at] != 0 {
		at = (at + 1) & mask
	}
	return at
}

// number returns a text's number, and whether it had one before. Texts often come in the same order again and again: the one that follows on that of
// the number before is looked at first.
func (d *dictionary) number(s string, before uint32) (index uint32, known bool) {
	next := before + 1
	if int(next) >= len(d.list) {
		next = 0
	}
	if len(d.list) > 0 && d.list[next] == s {
		return next, true
	}
	h, mask := maphash.String(d.seed, s), uint64(len(d.slots)-1)
	for at := h & mask; d.slots[at] != 0; at = (at + 1) & mask {
		if i := d.slots[at] - 1; d.hashes[i] == h && d.list[i] == s {
			return i, true
		}
	}
	d.list, d.hashes = append(d.list, s), append(d.hashes, h)
	if 2*len(d.list) > len(d.slots) {
		d.widen(2 * len(d.slots))
	} else {
		d.slots[d.free(h)] = uint32(len(d.list))
	}
	return uint32(len(d.list) - 1), false
}

// sameText tells whether two texts are the same memory.
func sameText(a, b string) bool {
	return len(a) == len(b) && unsafe.StringData(a) == unsafe.StringData(b)
}

// sameTexts is how many texts at the beginning are equal.
func sameTexts(v []string) int {
	const step = 64
	n, first := 1, v[0]
	for n+step <= len(v) && sameText(v[n], first) && allSame(v[n-1:n+step]) {
		n += step
	}
	for n < len(v) && (sameText(v[n], first) || v[n] == first) {
		n++
	}
	return n
}

// allSame tells whether values, of which there is one at least, are the same bits, and texts the same memory: each is compared with the one before, many at once.
func allSame[T fixed | string](v []T) bool {
	b := unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(v))), len(v)*int(unsafe.Sizeof(v[0])))
	return bytes.Equal(b[unsafe.Sizeof(v[0]):], b[:len(b)-int(unsafe.Sizeof(v[0]))])
}

func appendPlain(dst []byte, s string) []byte { return append(dst, s...) }

// plain encodes texts as they are (Parquet format, encodings: plain).
func (e *columnEncoder) plain(v []string) {
	e.listed = false
	low, high, size := v[0], v[0], 0
	for _, s := range v {
		low, high = min(low, s), max(high, s)
		size += 4 + len(s)
	}
	span(e, low, high, appendPlain)
	e.room(size)
	for _, s := range v {
		e.page = appendPlain(binary.LittleEndian.AppendUint32(e.page, uint32(len(s))), s)
	}
}

// floats encodes floats as they are, behind the levels that tell which are missing. most is the greatest finite number.
func floats[T float32 | float64](e *columnEncoder, v []T, most T, app func([]byte, T) []byte) {
	few := v // that are all values there are
	if allSame(v) {
		few = v[:1]
	}
	low, high, missing := spanOf(few, most)
	if missing == len(few) {
		missing = len(v)
	}
	if e.missing = missing; missing == len(v) {
		e.ranged = false
	} else {
		span(e, belowZero(low), aboveZero(high), app)
	}
	levels(e, v, missing)
	switch missing {
	case 0:
		whole(e, v)
	case len(v):
	default:
		e.room(len(e.page) + int(unsafe.Sizeof(v[0]))*(len(v)-missing))
		for _, y := range v {
			if y == y {
				e.page = app(e.page, y)
			}
		}
	}
}

// integers encodes integers as they are.
func integers[T int32 | int64](e *columnEncoder, v []T, app func([]byte, T) []byte) {
	whole(e, v)
	low, high := v[0], v[0]
	if !allSame(v) {
		for _, x := range v {
			low, high = min(low, x), max(high, x)
		}
	}
	span(e, low, high, app)
}

// whole encodes numbers as they are, without a copy where that is how the machine has them.
func whole[T fixed](e *columnEncoder, v []T) {
	if littleHost {
		e.rest = bytesOf(v)
		return
	}
	e.room(len(e.page) + len(bytesOf(v)))
	e.page = appendLittle(e.page, v)
}

// bools encodes a bit a value.
func (e *columnEncoder) bools(v []bool) {
	all, any := true, false
	for i := 0; i < len(v); i += 8 {
		var b byte
		for k, set := range v[i:min(i+8, len(v))] {
			if set {
				b |= 1 << k
			}
			all, any = all && set, any || set
		}
		e.page = append(e.page, b)
	}
	span(e, all, any, appendBool)
}

// levels encodes which values there are, with the length before it.
func levels[T float32 | float64](e *columnEncoder, v []T, missing int) {
	start := len(e.page)
	e.runs = runs{out: append(e.page, 0, 0, 0, 0), width: 1}
	switch missing {
	case 0:
		e.runs.putAll(1, len(v))
	case len(v):
		e.runs.putAll(0, len(v))
	default:
		for i := 0; i < len(v); {
			there, start := v[i] == v[i], i
			for i < len(v) && (v[i] == v[i]) == there {
				i++
			}
			if there {
				e.runs.putAll(1, i-start)
			} else {
				e.runs.putAll(0, i-start)
			}
		}
	}
	e.page = e.runs.end()
	binary.LittleEndian.PutUint32(e.page[start:], uint32(len(e.page)-start-4))
}

// spanOf returns the least and the greatest of values, and how many are missing. most is the greatest finite number: an infinite one alone does
// not move the other end beyond it.
func spanOf[T float32 | float64](v []T, most T) (low, high T, missing int) {
	low, high = most, -most
	for _, x := range v {
		if x < low {
			low = x
		}
		if x > high {
			high = x
		}
		if x != x {
			missing++
		}
	}
	return low, high, missing
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

func appendBool(dst []byte, x bool) []byte {
	if x {
		return append(dst, 1)
	}
	return append(dst, 0)
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
