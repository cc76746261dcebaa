package frame

import (
	"encoding/binary"
	"errors"
)

// flat reads the tables of a FlatBuffers message, as far as the frame of an Arrow
// IPC file needs them, so that no length is passed on that the message cannot
// fill. After a read outside b, bad is set and what is read is zero. Layout: FlatBuffers
// internals, "Tables"; numbers of the fields: Arrow format, Message.fbs, Schema.fbs,
// File.fbs.
type flat struct {
	b   []byte
	bad bool
}

var errFlat = errors.New("message header is damaged")

func (f *flat) bytes(at, n int) []byte {
	if at < 0 || n < 0 || at > len(f.b)-n {
		f.bad = true
		return make([]byte, 8)
	}
	return f.b[at : at+n]
}

func (f *flat) u8(at int) byte   { return f.bytes(at, 1)[0] }
func (f *flat) u16(at int) int   { return int(binary.LittleEndian.Uint16(f.bytes(at, 2))) }
func (f *flat) u32(at int) int   { return int(binary.LittleEndian.Uint32(f.bytes(at, 4))) }
func (f *flat) i64(at int) int64 { return int64(binary.LittleEndian.Uint64(f.bytes(at, 8))) }

// follow returns what the offset at a place points to.
func (f *flat) follow(at int) int { return at + f.u32(at) }

func (f *flat) root() int { return f.follow(0) }

// field returns the place of a table's field, or 0 when it is left out.
func (f *flat) field(table, number int) int {
	if f.bad {
		return 0
	}
	fields := table - int(int32(f.u32(table)))
	if 4+2*number+2 > f.u16(fields) {
		return 0
	}
	if o := f.u16(fields + 4 + 2*number); o != 0 {
		return table + o
	}
	return 0
}

// vector returns the first element and the number of a table's vector field,
// whose elements must lie within the message.
func (f *flat) vector(table, number, width int) (first, n int) {
	at := f.field(table, number)
	if at == 0 {
		return 0, 0
	}
	at = f.follow(at)
	n = f.u32(at)
	f.bytes(at+4, n*width)
	return at + 4, n
}

// checkSchema makes sure that a schema's fields nest at most depth levels deep
// and are no more than the message could hold.
func (f *flat) checkSchema(schema int) error {
	budget := len(f.b)
	f.vector(schema, 2, 4) // custom metadata
	first, n := f.vector(schema, 1, 4)
	f.checkFields(first, n, 32, &budget)
	if f.bad || budget < 0 {
		return errFlat
	}
	return nil
}

func (f *flat) checkFields(first, n, depth int, budget *int) {
	if n > 0 && depth == 0 {
		f.bad = true
	}
	for i := 0; i < n && !f.bad && *budget >= 0; i++ {
		*budget -= 4
		table := f.follow(first + 4*i)
		f.vector(table, 6, 4) // custom metadata
		children, count := f.vector(table, 5, 4)
		f.checkFields(children, count, depth-1, budget)
	}
}
