package frame

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
)

// compact reads the compact protocol of Thrift, as far as Parquet's page headers
// need it, and can check a whole structure without keeping any of it.
// Specification: apache/thrift, doc/specs/thrift-compact-protocol.md.
type compact struct {
	b  []byte
	at int
}

var (
	errCompactShort = errors.New("structure ends early")
	errCompactBad   = errors.New("structure is malformed")
)

// compactDepth is how deep structures may nest; Parquet's go to about eight.
const compactDepth = 32

func (c *compact) byte() (byte, error) {
	if c.at >= len(c.b) {
		return 0, errCompactShort
	}
	c.at++
	return c.b[c.at-1], nil
}

func (c *compact) uvarint() (uint64, error) {
	u, n := binary.Uvarint(c.b[c.at:])
	switch {
	case n == 0:
		return 0, errCompactShort
	case n < 0:
		return 0, errCompactBad
	}
	c.at += n
	return u, nil
}

// i32 reads a zigzag integer that must fit into 32 bits.
func (c *compact) i32() (int32, error) {
	u, err := c.uvarint()
	if err != nil {
		return 0, err
	}
	v := int64(u>>1) ^ -int64(u&1)
	if v < math.MinInt32 || v > math.MaxInt32 {
		return 0, errCompactBad
	}
	return int32(v), nil
}

func (c *compact) discard(n uint64) error {
	if n > uint64(len(c.b)-c.at) {
		return errCompactShort
	}
	c.at += int(n)
	return nil
}

// Compact types.
const (
	compactTrue   = 1
	compactFalse  = 2
	compactI8     = 3
	compactI16    = 4
	compactI32    = 5
	compactI64    = 6
	compactDouble = 7
	compactBinary = 8
	compactList   = 9
	compactSet    = 10
	compactMap    = 11
	compactStruct = 12
)

// fields calls visit with each field of a structure; visit must consume the
// field's value. A boolean's value is in its type.
func (c *compact) fields(visit func(id int16, typ byte) error) error {
	id := int16(0)
	for {
		head, err := c.byte()
		if err != nil {
			return err
		}
		if head == 0 {
			return nil
		}
		if delta := int16(head >> 4); delta != 0 {
			id += delta
		} else {
			v, err := c.i32()
			if err != nil {
				return err
			}
			id = int16(v)
		}
		if err := visit(id, head&15); err != nil {
			return err
		}
	}
}

// skip consumes a value of a type, depth levels of nesting being left.
func (c *compact) skip(typ byte, depth int) error {
	if depth == 0 {
		return errCompactBad
	}
	switch typ {
	case compactTrue, compactFalse:
		return nil
	case compactI8:
		return c.discard(1)
	case compactI16, compactI32, compactI64:
		_, err := c.uvarint()
		return err
	case compactDouble:
		return c.discard(8)
	case compactBinary:
		n, err := c.uvarint()
		if err != nil {
			return err
		}
		return c.discard(n)
	case compactList, compactSet:
		return c.skipList(depth)
	case compactMap:
		return c.skipMap(depth)
	case compactStruct:
		return c.fields(func(_ int16, typ byte) error { return c.skip(typ, depth-1) })
	}
	return errCompactBad
}

func (c *compact) skipList(depth int) error {
	n, typ, err := c.listHead()
	if err != nil {
		return err
	}
	return c.skipElements(n, depth, typ)
}

// listHead reads a list's length and the type of its elements.
func (c *compact) listHead() (n uint64, typ byte, err error) {
	head, err := c.byte()
	if err != nil {
		return 0, 0, err
	}
	if n = uint64(head >> 4); n == 15 {
		n, err = c.uvarint()
	}
	return n, head & 15, err
}

// Fields of Parquet's file metadata and of its schema's elements (parquet-format,
// parquet.thrift).
const (
	metadataSchema  = 2
	elementChildren = 5
)

// checkSchema makes sure that the elements of a file's schema, which stand in a list,
// have as many children as there are elements: a reader allocates for the children
// before it meets them. The metadata are whole: skip has passed them.
func (c *compact) checkSchema() error {
	return c.fields(func(id int16, typ byte) error {
		if id != metadataSchema || typ != compactList {
			return c.skip(typ, compactDepth)
		}
		n, elem, err := c.listHead()
		if err != nil || elem != compactStruct {
			return errors.Join(err, errCompactBad)
		}
		children := int64(0)
		for range n {
			if err := c.fields(func(id int16, typ byte) error {
				if id != elementChildren || typ != compactI32 {
					return c.skip(typ, compactDepth)
				}
				v, err := c.i32()
				if v < 0 {
					return errCompactBad
				}
				children += int64(v)
				return err
			}); err != nil {
				return err
			}
		}
		if n > 0 && children != int64(n)-1 {
			return fmt.Errorf("%d elements, %d of them called children", n, children)
		}
		return nil
	})
}

func (c *compact) skipMap(depth int) error {
	n, err := c.uvarint()
	if err != nil || n == 0 {
		return err
	}
	types, err := c.byte()
	if err != nil {
		return err
	}
	return c.skipElements(n, depth, types>>4, types&15)
}

// skipElements consumes n tuples of the given types. Each value takes at least a
// byte, which bounds what a reader would allocate for them.
func (c *compact) skipElements(n uint64, depth int, types ...byte) error {
	if n > uint64(len(c.b)-c.at) {
		return errCompactShort
	}
	for range n {
		for _, typ := range types {
			if typ == compactTrue || typ == compactFalse {
				typ = compactI8 // within a collection a boolean is a byte
			}
			if err := c.skip(typ, depth-1); err != nil {
				return err
			}
		}
	}
	return nil
}
