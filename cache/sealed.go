package cache

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"

	"lapwear/cache/key"
	"lapwear/fatigue/lanes"
)

// A sealed file is magic, its own length, a body, and the SHA-256 of all that.

const (
	sealHead = 16
	sealTail = sha256.Size
)

// The magics; the last digit is the version.
const (
	entryMagic = "lwentry1"
	runMagic   = "lwrun001"
	indexMagic = "lwindex1"
)

// newSealed starts a sealed file; the body is appended to it, then seal called.
func newSealed(magic string, size int) []byte {
	b := lanes.Uncleared[byte](sealHead + size + sealTail)[:0]
	b = append(b, magic...)
	return binary.LittleEndian.AppendUint64(b, 0)
}

func seal(b []byte) []byte {
	binary.LittleEndian.PutUint64(b[8:], uint64(len(b)+sealTail))
	sum := sha256.Sum256(b)
	return append(b, sum[:]...)
}

// unseal checks a sealed file and returns its body.
func unseal(magic string, b []byte) ([]byte, error) {
	if len(b) < sealHead+sealTail {
		return nil, fmt.Errorf("length %d, want at least %d", len(b), sealHead+sealTail)
	}
	if string(b[:8]) != magic {
		return nil, fmt.Errorf("starts with %q, want %q", b[:8], magic)
	}
	if want := binary.LittleEndian.Uint64(b[8:]); want != uint64(len(b)) {
		return nil, fmt.Errorf("length %d, want %d", len(b), want)
	}
	end := len(b) - sealTail
	if sha256.Sum256(b[:end]) != [sealTail]byte(b[end:]) {
		return nil, errors.New("checksum differs")
	}
	return b[sealHead:end], nil
}

func appendString(b []byte, s string) []byte {
	b = binary.AppendUvarint(b, uint64(len(s)))
	return append(b, s...)
}

// cursor reads a body. After the first thing that does not fit everything reads
// as zero and bad is set.
type cursor struct {
	s   string
	bad bool
}

func (c *cursor) take(n uint64) string {
	if n > uint64(len(c.s)) {
		c.s, c.bad = "", true
		return ""
	}
	out := c.s[:n]
	c.s = c.s[n:]
	return out
}

// uvarint takes only the shortest encoding, so that one value has one encoding.
func (c *cursor) uvarint() uint64 {
	var v uint64
	for i := 0; i < len(c.s) && i < binary.MaxVarintLen64; i++ {
		b := c.s[i]
		if i == binary.MaxVarintLen64-1 && b > 1 || i > 0 && b == 0 {
			break
		}
		v |= uint64(b&0x7f) << (7 * i)
		if b < 0x80 {
			c.s = c.s[i+1:]
			return v
		}
	}
	c.s, c.bad = "", true
	return 0
}

func (c *cursor) string() string { return c.take(c.uvarint()) }

func (c *cursor) id() (id key.ID) {
	copy(id[:], c.take(uint64(len(id))))
	return id
}

func (c *cursor) int64() int64 {
	s := c.take(8)
	if s == "" {
		return 0
	}
	return int64(binary.LittleEndian.Uint64([]byte(s)))
}

// count reads a number of items that take at least size bytes each.
func (c *cursor) count(size uint64) int {
	n := c.uvarint()
	if n > uint64(len(c.s))/size {
		c.s, c.bad = "", true
		return 0
	}
	return int(n)
}

func (c *cursor) done() error {
	if c.bad || c.s != "" {
		return errors.New("its fields do not fit its length")
	}
	return nil
}
