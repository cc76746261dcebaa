package frame

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"math/bits"
)

// Encodings whose pages begin with the header of delta encoding (Parquet format, Encodings.md).
const (
	encodingDelta        = 5
	encodingDeltaLengths = 6
	encodingDeltaStrings = 7
)

var errShortPage = errors.New("it has fewer values than its header says")

// sound checks of a page what the library does not: it would ask for ever for values or levels that are not there, go on with
// what the page before has left, or take memory for as many entries as an index says that a dictionary has.
func (c *chunk) sound(h pageHeader, page []byte) error {
	n, most := int(h.values), c.desc.MaxDefinitionLevel()
	levels, values, err := c.parts(h, page)
	if err != nil {
		return err
	}
	width := bits.Len16(uint16(most))
	if levels != nil && !hybrid(levels, width, n, nil) {
		return errLevels
	}
	if most > 0 && len(values) == 0 {
		return nil // only nulls
	}
	required := most == 0
	switch h.encoding {
	case encodingDelta, encodingDeltaLengths, encodingDeltaStrings:
		return soundDelta(values, n, required)
	case encodingPlainDict, encodingRLEDict:
		if len(values) == 0 || values[0] > 32 {
			return errors.New("the width of its indices is damaged")
		}
		// An index of that width leads at most to some times the dictionary's memory.
		room := 4*int64(c.entries) + 64
		wide := int64(1)<<values[0] > room
		if !required && levels != nil {
			if !wide {
				return nil // that some are missing is seen beside the levels
			}
			n = valuesOf(levels, width, n, most)
		}
		beyond := false
		var each func(v uint64, count int)
		if wide {
			each = func(v uint64, _ int) { beyond = beyond || v >= uint64(room) }
		}
		switch whole := hybrid(values[1:], int(values[0]), n, each); {
		case beyond:
			return fmt.Errorf("an index is beyond the %d entries of the dictionary", c.entries)
		case !whole && required:
			return errShortPage
		}
	case encodingRLE: // of booleans
		if len(values) < 4 || uint64(binary.LittleEndian.Uint32(values)) > uint64(len(values)-4) ||
			required && !hybrid(values[4:], 1, n, nil) {
			return errShortPage
		}
	}
	return nil
}

// parts is split for any levels: those that are not in the hybrid are nil.
func (c *chunk) parts(h pageHeader, page []byte) (levels, values []byte, err error) {
	most := c.desc.MaxDefinitionLevel()
	if h.kind == pageDataV2 || most == 0 || h.defEncoding == encodingRLE {
		return split(h, page, most > 0)
	}
	packed := (int64(h.values)*int64(bits.Len16(uint16(most))) + 7) / 8
	if packed > int64(len(page)) {
		return nil, nil, errLevels
	}
	return nil, page[packed:], nil
}

// valuesOf counts the levels that stand for a value.
func valuesOf(levels []byte, width, n int, most int16) (count int) {
	hybrid(levels, width, n, func(v uint64, run int) {
		if v == uint64(most) {
			count += run
		}
	})
	return count
}

// soundDelta checks the header of delta encoding: values in a block, miniblocks in it, values in all, the first.
func soundDelta(b []byte, n int, required bool) error {
	const most = 1 << 20 // in a miniblock; writers have some hundreds
	var head [3]uint64
	for i := range head {
		v, size := binary.Uvarint(b)
		if size <= 0 {
			return errShortPage
		}
		head[i], b = v, b[size:]
	}
	if _, size := binary.Varint(b); size <= 0 {
		return errShortPage
	}
	switch block, minis, total := head[0], head[1], head[2]; {
	case minis == 0 || minis > most || block < minis || block/minis > most:
		return fmt.Errorf("blocks of %d values in %d parts are damaged", block, minis)
	case required && total < uint64(n):
		return errShortPage
	}
	return nil
}

// hybrid looks through n numbers of at most 32 bits in the RLE and bit-packed hybrid (Parquet format, Encodings.md), and
// tells whether all are there. each, unless it is nil, is called with each number that is, and how often it comes in a row.
func hybrid(b []byte, width, n int, each func(v uint64, count int)) bool {
	for n > 0 {
		head, size := binary.Uvarint(b)
		count := head >> 1 // of numbers in a run, or of groups of eight
		if size <= 0 || count == 0 || count > math.MaxInt32 {
			return false
		}
		b = b[size:]
		if head&1 == 0 {
			used := (width + 7) / 8
			if len(b) < used {
				return false
			}
			run := int(min(count, uint64(n)))
			if each != nil {
				var block [8]byte
				copy(block[:], b[:used])
				each(binary.LittleEndian.Uint64(block[:]), run)
			}
			n -= run
			b = b[used:]
			continue
		}
		if count > math.MaxInt32/8 {
			return false
		}
		run := int(min(8*count, uint64(n))) // the last group may be padded, and the padding be missing
		used := (int64(run)*int64(width) + 7) / 8
		whole := int64(len(b)) >= used
		if each != nil {
			for i := range int64(run) {
				if (i+1)*int64(width) > 8*int64(len(b)) {
					break
				}
				each(bitsAt(b, i*int64(width), width), 1)
			}
		}
		if !whole {
			return false
		}
		n -= run
		b = b[used:]
	}
	return true
}

// bitsAt returns the number of at most 32 bits at an offset in bits, lowest first.
func bitsAt(b []byte, at int64, width int) uint64 {
	var block [8]byte
	copy(block[:], b[at/8:])
	return binary.LittleEndian.Uint64(block[:]) >> (at % 8) & (1<<width - 1)
}
