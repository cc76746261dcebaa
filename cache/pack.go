package cache

import (
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"sync"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

// A pack is an immutable file of many blobs and entries: the blobs, each behind a frame,
// then the entries as sealed files, then the tail, which says where each is. Its name is
// the SHA-256 of its tail.

const (
	packMagic  = "lwpack01" // begins the file
	frameMagic = "lwblob01" // begins each frame
	tailMagic  = "lwtail01" // ends the file

	frameHead = 8 + 32 + 8                 // magic, ID, length of the blob
	rowLen    = 32 + 8 + 8                 // ID, offset, length
	footLen   = 8 + 8 + 8                  // offset of the tail, length of the file, magic
	nonceLen  = 16                         // what makes a name unique
	minTail   = nonceLen + 8 + 8 + footLen // two counts without rows
)

// row says where in a pack a blob or an entry is.
type row struct {
	id  key.ID
	off int64
	len int64
}

// pack is a pack as far as it is held in memory. Rows do not change once it is published.
type pack struct {
	name    string // 64 digits; "" until it is published
	blobs   []row
	entries []row
	size    int64 // of the file

	mu      sync.Mutex // guards what follows
	path    string
	f       fsx.File // nil = not open
	encoded [][]byte // the entries, until they are in the file
	modTime int64    // of the file, as far as known: the last use of any of its results
	based   int64    // modTime before this store used it
	claimed bool     // this store has used it, or made it
	used    []bool   // entries that this store used; nil = none
}

func appendFrame(b []byte, id key.ID, size int64) []byte {
	b = append(b, frameMagic...)
	b = append(b, id[:]...)
	return binary.LittleEndian.AppendUint64(b, uint64(size))
}

func appendRows(b []byte, rows []row) []byte {
	b = binary.LittleEndian.AppendUint64(b, uint64(len(rows)))
	for _, r := range rows {
		b = append(b, r.id[:]...)
		b = binary.LittleEndian.AppendUint64(b, uint64(r.off))
		b = binary.LittleEndian.AppendUint64(b, uint64(r.len))
	}
	return b
}

// nonce is any bytes that no other pack has. Of two writers of the same results the one
// must not put its pack in the place of the other's, which may be in use.
type nonce [nonceLen]byte

// appendTail appends the tail of a pack whose blobs and entries end at an offset. A
// pack's name follows from the bytes that are appended.
func appendTail(b []byte, n nonce, blobs, entries []row, at int64) (_ []byte, name key.ID) {
	start := len(b)
	b = slices.Grow(b, minTail+rowLen*(len(blobs)+len(entries)))
	b = append(b, n[:]...)
	b = appendRows(appendRows(b, blobs), entries)
	b = binary.LittleEndian.AppendUint64(b, uint64(at))
	b = binary.LittleEndian.AppendUint64(b, uint64(at)+uint64(len(b)-start)+16)
	b = append(b, tailMagic...)
	return b, key.Of(b[start:])
}

// tailGuess is how much of a pack's end is read at first: the whole tail of a small change's pack.
const tailGuess = 16 << 10

// readTail reads and checks the rows of a pack.
func readTail(f fsx.File, size int64, name key.ID) (blobs, entries []row, err error) {
	if size < int64(len(packMagic)+minTail) {
		return nil, nil, fmt.Errorf("length %d, want at least %d", size, len(packMagic)+minTail)
	}
	b := make([]byte, min(size, tailGuess))
	if _, err := f.ReadAt(b, size-int64(len(b))); err != nil {
		return nil, nil, err
	}
	foot := b[len(b)-footLen:]
	if got := string(foot[16:]); got != tailMagic {
		return nil, nil, fmt.Errorf("ends with %q, want %q", got, tailMagic)
	}
	at, length := binary.LittleEndian.Uint64(foot), binary.LittleEndian.Uint64(foot[8:])
	if length != uint64(size) || at > length-minTail || at < uint64(len(packMagic)) {
		return nil, nil, fmt.Errorf("length %d and tail at %d, said %d", size, at, length)
	}
	n := size - int64(at)
	switch {
	case n > maxFile:
		return nil, nil, fmt.Errorf("tail of length %d, want at most %d", n, maxFile)
	case n <= int64(len(b)):
		b = b[int64(len(b))-n:]
	default:
		b = make([]byte, n)
		if _, err := f.ReadAt(b, int64(at)); err != nil {
			return nil, nil, err
		}
	}
	if key.Of(b) != name {
		return nil, nil, errors.New("the hash of its tail is not its name")
	}
	return decodeTail(b, int64(at))
}

// decodeTail reads a tail whose hash is right; that it fits is checked all the same.
func decodeTail(b []byte, at int64) (blobs, entries []row, err error) {
	if len(b) < minTail {
		return nil, nil, errors.New("its rows do not fit its length")
	}
	blobs, b, err = decodeRows(b[nonceLen:], at)
	if err == nil {
		entries, b, err = decodeRows(b, at)
	}
	if err == nil && len(b) != footLen {
		err = errors.New("its rows do not fit its length")
	}
	if err == nil && !apart(blobs, entries) {
		err = errors.New("its rows overlap")
	}
	return blobs, entries, err
}

// apart tells whether no two rows share bytes: hashing all rows then takes no longer than
// hashing the file.
func apart(blobs, entries []row) bool {
	if inOrder(blobs, entries) {
		return true
	}
	rows := slices.Concat(blobs, entries)
	slices.SortFunc(rows, func(a, b row) int { return cmp.Or(cmp.Compare(a.off, b.off), cmp.Compare(a.len, b.len)) })
	return inOrder(rows)
}

// inOrder tells whether each row begins where the one before ends, or later.
func inOrder(lists ...[]row) bool {
	end := int64(0)
	for _, rows := range lists {
		for _, r := range rows {
			if r.off < end {
				return false
			}
			end = r.off + r.len
		}
	}
	return true
}

func decodeRows(b []byte, end int64) (rows []row, rest []byte, err error) {
	if len(b) < 8 || binary.LittleEndian.Uint64(b) > uint64(len(b)-8)/rowLen {
		return nil, nil, errors.New("its rows do not fit its length")
	}
	rows = make([]row, binary.LittleEndian.Uint64(b))
	b = b[8:]
	for i := range rows {
		r := row{key.ID(b[:32]), int64(binary.LittleEndian.Uint64(b[32:])), int64(binary.LittleEndian.Uint64(b[40:]))}
		if r.off < int64(len(packMagic)) || r.len < 0 || r.off > end || r.len > end-r.off {
			return nil, nil, fmt.Errorf("%s at %d, of length %d, is beyond its end", r.id.Short(), r.off, r.len)
		}
		rows[i], b = r, b[rowLen:]
	}
	return rows, b, nil
}

// loadPack reads a pack's tail.
func (s *Store) loadPack(path string, name key.ID) (*pack, fsx.Info, error) {
	f, info, err := s.openRegular(path)
	if err != nil {
		return nil, info, err
	}
	defer f.Close()
	p := &pack{name: name.String(), path: path, size: info.Size, modTime: info.ModTime, based: info.ModTime}
	p.blobs, p.entries, err = readTail(f, info.Size, name)
	return p, info, err
}
