package ingest

import (
	"encoding/binary"
	"fmt"
	"math"
)

// mdfColumn is a channel whose values can be read.
type mdfColumn struct {
	units   []string
	at      int                    // first byte in the record
	get     func(b []byte) float64 // value of the bytes from there on; nil: the record's number
	convert func(x float64) float64
	invalid int  // bit of the record that marks a missing sample, from 0; -1: none
	missing bool // all samples are
}

// dataTypes names the data types of a ##CN block.
var dataTypes = [...]string{"unsigned integer", "unsigned integer, big endian", "signed integer", "signed integer, big endian",
	"float", "float, big endian", "text in Latin-1", "text in UTF-8", "text in UTF-16", "text in UTF-16, big endian", "bytes",
	"MIME sample", "MIME stream", "CANopen date", "CANopen time", "complex number", "complex number, big endian"}

// conversions names the conversion types of a ##CC block.
var conversions = [...]string{"none", "linear", "rational", "algebraic formula", "table with interpolation", "table without interpolation",
	"table of ranges", "value to text", "range to text", "text to value", "text to text", "bits to text"}

func nameOf(names []string, i uint8) string {
	if int(i) < len(names) {
		return names[i]
	}
	return fmt.Sprintf("unknown type %d", i)
}

// column prepares a channel for reading, or refuses it.
func (m *mdf) column(g *channelGroup, c channel, needed string) (mdfColumn, error) {
	out := mdfColumn{at: int(c.byteOffset), invalid: -1, missing: c.flags&allInvalid != 0}
	if err := m.checkKind(c); err != nil {
		return out, err
	}
	unit, err := m.unitOf(c)
	if err != nil {
		return out, err
	}
	out.units = append(layout{cells: []string{c.name}}.unitsOf(0, needed), unit)
	if out.convert, err = m.conversion(c); err != nil {
		return out, err
	}
	if g.invalid > 0 && c.flags&hasInvalidBit != 0 {
		if int64(c.invalidBit/8) >= g.invalid {
			return out, m.broken(c.block, "channel %q: invalidation bit %d in a group with %d bytes of them", c.name, c.invalidBit, g.invalid)
		}
		out.invalid = int(g.values*8) + int(c.invalidBit)
	}
	if c.kind == virtualMaster || c.kind == virtualData {
		return out, nil
	}
	bits := int64(c.bitOffset) + int64(c.bitCount)
	if c.bitOffset > 7 || int64(c.byteOffset)+(bits+7)/8 > g.values {
		return out, m.broken(c.block, "channel %q: bits %d to %d from byte %d on in records of %d bytes", c.name, c.bitOffset, bits, c.byteOffset, g.values)
	}
	if out.get = getter(c.dataType, uint(c.bitOffset), uint(c.bitCount)); out.get == nil {
		return out, m.s.refuse("byte %d, block ##CN: channel %q is a %s of %d bits from bit %d on; floats of 32 or 64 whole bits and integers of 1 to 64 bits are read: export it as one of them",
			c.at, c.name, nameOf(dataTypes[:], c.dataType), c.bitCount, c.bitOffset)
	}
	return out, nil
}

// checkKind refuses a channel that has not one number a record.
func (m *mdf) checkKind(c channel) error {
	what := ""
	switch {
	case c.kind == variableLength || c.kind == maximumLength:
		what = "values of variable length"
	case c.kind == synchronized:
		what = "references to another file"
	case c.kind > virtualData:
		what = fmt.Sprintf("channel type %d", c.kind)
	case c.dataType > 5:
		what = nameOf(dataTypes[:], c.dataType)
	case c.composition != 0:
		b, err := m.open(c.block, c.composition, "CA", "CN")
		if err != nil {
			return err
		}
		what = map[string]string{"CA": "an array", "CN": "a structure"}[b.kind]
	default:
		return nil
	}
	return m.s.refuse("byte %d, block ##CN: channel %q holds %s; channels of one number a record are read: export it as numbers or name another channel",
		c.at, c.name, what)
}

// conversion returns the function from raw to physical values; nil where they are
// the same.
func (m *mdf) conversion(c channel) (func(float64) float64, error) {
	if c.conversion == 0 {
		return nil, nil
	}
	b, err := m.open(c.block, c.conversion, "CC")
	if err != nil {
		return nil, err
	}
	_, raw, err := m.parts(b, 4, 24)
	if err != nil {
		return nil, err
	}
	count := 0
	switch raw[0] {
	case 0:
		return nil, nil
	case 1:
		count = 2
	case 2:
		count = 6
	default:
		return nil, m.s.refuse("byte %d, block ##CC: the conversion of channel %q is of type %d (%s); none, linear and rational are read: export it converted to numbers",
			b.at, c.name, raw[0], nameOf(conversions[:], raw[0]))
	}
	if n := binary.LittleEndian.Uint16(raw[6:]); int(n) != count {
		return nil, m.broken(b, "%d parameters of a %s conversion, %d expected", n, conversions[raw[0]], count)
	}
	p, err := m.floats(b, 24, count)
	if err != nil {
		return nil, err
	}
	return formula(p), nil
}

// formula returns y = p0 + p1 x, or, of six parameters, the ratio
// (p0 x^2 + p1 x + p2) / (p3 x^2 + p4 x + p5).
func formula(p []float64) func(float64) float64 {
	if len(p) == 2 {
		if p[0] == 0 && p[1] == 1 {
			return nil
		}
		return func(x float64) float64 { return p[0] + float64(p[1]*x) }
	}
	square := func(a, b, c, x float64) float64 { return float64(float64(float64(a*x)+b)*x) + c }
	return func(x float64) float64 { return square(p[0], p[1], p[2], x) / square(p[3], p[4], p[5], x) }
}

// getter returns the function that reads a value; nil when the type has none.
func getter(dataType uint8, offset, count uint) func([]byte) float64 {
	big, signed := dataType%2 == 1, dataType >= 2
	if dataType >= 4 {
		if offset != 0 {
			return nil
		}
		return floatGetter(count, big)
	}
	if count < 1 || count > 64 {
		return nil
	}
	if offset == 0 && !big && (count == 8 || count == 16 || count == 32) {
		return wholeGetter(count, signed)
	}
	size := int(offset+count+7) / 8
	drop := 64 - count
	return func(b []byte) float64 {
		v := bitsOf(b[:size], offset, big) << drop
		if signed {
			return float64(int64(v) >> drop)
		}
		return float64(v >> drop)
	}
}

func floatGetter(count uint, big bool) func([]byte) float64 {
	switch {
	case count == 32 && big:
		return func(b []byte) float64 { return float64(math.Float32frombits(binary.BigEndian.Uint32(b))) }
	case count == 32:
		return func(b []byte) float64 { return float64(math.Float32frombits(binary.LittleEndian.Uint32(b))) }
	case count == 64 && big:
		return func(b []byte) float64 { return math.Float64frombits(binary.BigEndian.Uint64(b)) }
	case count == 64:
		return func(b []byte) float64 { return math.Float64frombits(binary.LittleEndian.Uint64(b)) }
	}
	return nil
}

// wholeGetter reads little-endian integers of whole bytes.
func wholeGetter(count uint, signed bool) func([]byte) float64 {
	switch {
	case count == 8 && signed:
		return func(b []byte) float64 { return float64(int8(b[0])) }
	case count == 8:
		return func(b []byte) float64 { return float64(b[0]) }
	case count == 16 && signed:
		return func(b []byte) float64 { return float64(int16(binary.LittleEndian.Uint16(b))) }
	case count == 16:
		return func(b []byte) float64 { return float64(binary.LittleEndian.Uint16(b)) }
	case signed:
		return func(b []byte) float64 { return float64(int32(binary.LittleEndian.Uint32(b))) }
	}
	return func(b []byte) float64 { return float64(binary.LittleEndian.Uint32(b)) }
}

// bitsOf reads up to nine bytes as an integer and drops its lowest bits. Bits are
// counted from the lowest of the integer, also in big endian.
func bitsOf(b []byte, offset uint, big bool) uint64 {
	var low, high uint64
	for i := range b {
		at := uint(i)
		v := uint64(b[i])
		if big {
			v = uint64(b[len(b)-1-i])
		}
		if at < 8 {
			low |= v << (8 * at)
		} else {
			high = v
		}
	}
	if offset == 0 {
		return low
	}
	return low>>offset | high<<(64-offset)
}

// read puts the values of records into dst; first is the number of the first.
func (c *mdfColumn) read(dst []float64, recs []byte, stride, first int) {
	if c.get == nil {
		for i := range dst {
			dst[i] = float64(first + i)
		}
	} else {
		for i := range dst {
			dst[i] = c.get(recs[i*stride+c.at : (i+1)*stride])
		}
	}
	if c.convert != nil {
		for i, x := range dst {
			dst[i] = c.convert(x)
		}
	}
	if c.missing || c.invalid >= 0 {
		for i := range dst {
			if c.missing || recs[i*stride+c.invalid/8]>>(c.invalid%8)&1 != 0 {
				dst[i] = math.NaN()
			}
		}
	}
}
