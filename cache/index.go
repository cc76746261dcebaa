package cache

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

// racy is how much older than its hashing a file's last change must be for its
// record to be trusted: a later change within one tick of a coarse clock would
// leave the time of last change as it was. File systems tick in 2 s at worst
// (FAT; common practice, no source).
const racy = 2 * time.Second

// useEvery bounds how often a record's last use alone makes the index be written.
const useEvery = 7 * 24 * time.Hour

// flushAfter is how many bytes may be hashed before the index is written, so that
// a killed process does not lose hours of hashing.
const flushAfter = 8 << 30

// record says which content a file had when it looked like that.
type record struct {
	id       key.ID
	size     int64
	modTime  int64
	changed  int64
	inode    uint64
	recorded int64 // when hashing began
	used     int64 // when it last spared hashing
	fresh    bool  // hashed by this store, not read from disk
	asked    bool  // this store was asked for it
}

func (r *record) matches(i fsx.Info) bool {
	return r.size == i.Size && r.modTime == i.ModTime && r.changed == i.Changed && r.inode == i.Inode
}

// trusted applies the racy rule. A change dated after the hashing is not trusted
// either: clocks differ.
func (r *record) trusted() bool { return r.modTime <= r.recorded-int64(racy) }

// index is the stat index in memory.
type index struct {
	mu      sync.Mutex
	files   map[string]record
	dirty   bool
	hashed  int64 // bytes since the last flush
	damaged int   // records that could not be read
	flushMu sync.Mutex
}

// FileID returns the SHA-256 of a file's content. It reads the file only when the
// stat index has no trusted record of it, or with rehash when this store has not
// read it itself yet. Calls for one file at the same time read it once. A file that
// changes while it is read is an error.
func (s *Store) FileID(path string, rehash bool) (key.ID, error) {
	id, _, err := s.FileContent(path, rehash, nil, nil)
	return id, err
}

// FileContent is FileID. Where it reads the file, it returns the content too if room, which may be nil, has memory for
// that many bytes; of several calls at the same time one gets it. With hands, which does as stages.Hands, what it has room for is read and hashed
// side by side.
func (s *Store) FileContent(path string, rehash bool, room func(size int64) []byte, hands Hands) (key.ID, []byte, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return key.ID{}, nil, fmt.Errorf("hash %q: %w", path, err)
	}
	info, err := s.fs.Stat(abs)
	var named *fs.PathError
	if errors.As(err, &named) {
		err = named.Err // the path is in the message
	}
	if err != nil {
		return key.ID{}, nil, fmt.Errorf("hash %q: %w; bring the file, or correct its path", path, err)
	}
	if !info.Regular {
		return key.ID{}, nil, fmt.Errorf("hash %q: it is not a regular file; name a file", path)
	}
	if id, ok := s.index.find(abs, info, rehash, s.now().UnixNano()); ok {
		return id, nil, nil
	}
	var content []byte
	v, err, _ := s.hash.Do(abs, func() (_ any, err error) {
		var id key.ID
		id, content, err = s.hashFile(abs, room, hands)
		return id, err
	})
	if err != nil {
		return key.ID{}, nil, fmt.Errorf("hash %q: %w", path, err)
	}
	return v.(key.ID), content, nil
}

// Hands calls do with each number below n, in their order, and returns when all calls have ended; several may be at work at once.
type Hands = func(n int, do func(i int) error) error

// Stands tells whether a file looks as it did when this store read it and found it to hold id. It reads nothing and trusts
// even a look shortly after a change: it is for those who worked on the content that was read, and ask whether it is still the file's.
func (s *Store) Stands(path string, id key.ID) bool {
	abs, err := filepath.Abs(path)
	if err != nil {
		return false
	}
	info, err := s.fs.Stat(abs)
	if err != nil {
		return false
	}
	x := &s.index
	x.mu.Lock()
	defer x.mu.Unlock()
	r, ok := x.files[abs]
	return ok && r.fresh && r.id == id && r.matches(info)
}

func (x *index) find(path string, info fsx.Info, rehash bool, now int64) (key.ID, bool) {
	x.mu.Lock()
	defer x.mu.Unlock()
	r, ok := x.files[path]
	if !ok || !r.matches(info) || !r.trusted() || rehash && !r.fresh {
		return key.ID{}, false
	}
	if now-r.used >= int64(useEvery) {
		r.used = now
		x.dirty = true
	}
	r.asked = true
	x.files[path] = r
	return r.id, true
}

func (s *Store) hashFile(path string, room func(size int64) []byte, hands Hands) (key.ID, []byte, error) {
	began := s.now().UnixNano()
	h := sha256.New()
	content, info, err := s.digest(h, path, room, hands)
	if err != nil {
		return key.ID{}, nil, err
	}
	id := key.ID(h.Sum(nil))
	x := &s.index
	x.mu.Lock()
	x.files[path] = record{id, info.Size, info.ModTime, info.Changed, info.Inode, began, began, true, true}
	x.dirty = true
	x.hashed += info.Size
	full := x.hashed >= flushAfter
	x.mu.Unlock()
	if full {
		if err := s.Flush(); err != nil {
			s.warn(err.Error())
		}
	}
	return id, content, nil
}

// digest has h take a file to its end and makes sure that it stayed the same meanwhile. It keeps the content where there is room.
func (s *Store) digest(h io.Writer, path string, room func(size int64) []byte, hands Hands) (content []byte, info fsx.Info, err error) {
	f, before, err := s.openRegular(path)
	if err != nil {
		return nil, before, err
	}
	defer f.Close()
	if room != nil {
		content = room(before.Size)
	}
	var n int64
	if hands != nil && content != nil {
		n, err = copyBeside(h, f, content, hands)
	} else {
		n, err = s.copyTo(h, f, content)
	}
	if err != nil {
		return nil, before, err
	}
	after, err := f.Stat()
	if err != nil {
		return nil, before, err
	}
	if after != before || n != before.Size {
		return nil, before, errors.New("it changed while it was read; try again when it is complete")
	}
	return content, before, nil
}

// hashAtOnce is how much is read before it is hashed, while the processor's cache still holds it.
const hashAtOnce = 256 << 10

// copyTo reads r through a pooled buffer, or into content as far as that goes.
func (s *Store) copyTo(h io.Writer, r io.Reader, content []byte) (int64, error) {
	buf := s.bufs.Get().(*[hashAtOnce]byte)
	defer s.bufs.Put(buf)
	var n int64
	for {
		into := content[:min(len(content), hashAtOnce)]
		if len(into) == 0 {
			into = buf[:]
		}
		k, err := r.Read(into)
		h.Write(into[:k])
		n += int64(k)
		content = content[min(k, len(content)):]
		if err == io.EOF {
			return n, nil
		}
		if err != nil {
			return n, err
		}
	}
}

// copyBeside reads r into content, and hashes what has been read while more is read. Of what does not fit it reads a single byte, by
// which n tells that there is more.
func copyBeside(h io.Writer, r io.Reader, content []byte, hands Hands) (n int64, err error) {
	pieces := make(chan []byte, len(content)/hashAtOnce+2) // as many as there will be: reading never waits
	read := func() error {
		defer close(pieces)
		for rest := content; len(rest) > 0; {
			k, err := io.ReadFull(r, rest[:min(len(rest), hashAtOnce)])
			pieces <- rest[:k]
			n, rest = n+int64(k), rest[k:]
			if err == io.EOF || err == io.ErrUnexpectedEOF {
				return nil
			}
			if err != nil {
				return err
			}
		}
		k, err := io.ReadFull(r, make([]byte, 1))
		n += int64(k)
		if err == io.EOF {
			return nil
		}
		return err
	}
	err = hands(2, func(part int) error {
		if part == 0 {
			return read()
		}
		for p := range pieces {
			h.Write(p)
		}
		return nil
	})
	return n, err
}

// load reads the index. What cannot be read is hashed again when it is needed.
func (x *index) load(s *Store) {
	files, damaged, err := s.readIndex()
	if err != nil {
		s.warn(fmt.Sprintf("cache %q: stat index unreadable: %v; recordings are hashed again", s.dir, err))
	}
	x.files, x.damaged = files, damaged
	x.dirty = damaged > 0
}

func (s *Store) readIndex() (map[string]record, int, error) {
	b, err := s.readFile(s.path(indexFile))
	if errors.Is(err, fs.ErrNotExist) {
		return map[string]record{}, 0, nil
	}
	if err != nil {
		return map[string]record{}, 0, err
	}
	files, damaged := decodeIndex(b)
	return files, damaged, nil
}

// Flush writes the stat index if it has news, together with what other processes
// wrote since it was read.
func (s *Store) Flush() error {
	x := &s.index
	x.flushMu.Lock()
	defer x.flushMu.Unlock()
	x.mu.Lock()
	dirty := x.dirty
	x.dirty, x.hashed = false, 0
	mine := maps.Clone(x.files)
	x.mu.Unlock()
	if !dirty {
		return nil
	}
	if theirs, _, err := s.readIndex(); err == nil {
		merge(mine, theirs)
	}
	if err := s.publish(s.path(indexFile), encodeIndex(mine)); err != nil {
		x.mu.Lock()
		x.dirty = true
		x.mu.Unlock()
		return fmt.Errorf("save stat index: %w", err)
	}
	return nil
}

// forget drops what was last used before a time, on disk too, and returns how many.
func (s *Store) forget(before int64, dry bool) (int, error) {
	x := &s.index
	x.flushMu.Lock()
	defer x.flushMu.Unlock()
	theirs, _, err := s.readIndex()
	if err != nil {
		return 0, err
	}
	x.mu.Lock()
	all := maps.Clone(x.files)
	x.mu.Unlock()
	merge(all, theirs)
	n := len(all)
	maps.DeleteFunc(all, func(_ string, r record) bool { return r.used < before })
	if n -= len(all); n == 0 || dry {
		return n, nil
	}
	x.mu.Lock()
	maps.DeleteFunc(x.files, func(_ string, r record) bool { return r.used < before })
	x.mu.Unlock()
	return n, s.publish(s.path(indexFile), encodeIndex(all))
}

// merge adds the records of others, the later hashing winning.
func merge(mine, theirs map[string]record) {
	for path, t := range theirs {
		m, ok := mine[path]
		if !ok || t.recorded > m.recorded {
			m, t = t, m
		}
		m.used = max(m.used, t.used)
		mine[path] = m
	}
}

// The fixed part of a record's payload, and its check.
const (
	recordHead  = 32 + 6*8
	recordCheck = 8
	maxPath     = 1 << 16
)

func encodeIndex(files map[string]record) []byte {
	b := []byte(indexMagic)
	for _, path := range slices.Sorted(maps.Keys(files)) {
		if len(path) > maxPath {
			continue
		}
		b = appendRecord(b, path, files[path])
	}
	return b
}

func appendRecord(b []byte, path string, r record) []byte {
	b = binary.LittleEndian.AppendUint32(b, uint32(recordHead+len(path)))
	at := len(b)
	b = append(b, r.id[:]...)
	for _, v := range [...]uint64{uint64(r.size), uint64(r.modTime), uint64(r.changed), r.inode, uint64(r.recorded), uint64(r.used)} {
		b = binary.LittleEndian.AppendUint64(b, v)
	}
	b = append(b, path...)
	sum := sha256.Sum256(b[at:])
	return append(b, sum[:recordCheck]...)
}

// decodeIndex reads the records whose checks hold and counts the spots that are
// damaged. Past a length that makes no sense nothing can be found any more.
func decodeIndex(b []byte) (files map[string]record, damaged int) {
	b, ok := bytes.CutPrefix(b, []byte(indexMagic))
	if !ok {
		return map[string]record{}, 1
	}
	files = make(map[string]record, len(b)/(recordHead+64))
	for len(b) > 0 {
		if len(b) < 4 {
			return files, damaged + 1
		}
		n := uint64(binary.LittleEndian.Uint32(b))
		b = b[4:]
		if n < recordHead || n > recordHead+maxPath || n+recordCheck > uint64(len(b)) {
			return files, damaged + 1
		}
		if path, r, ok := decodeRecord(b[:n], b[n:n+recordCheck]); ok {
			files[path] = r
		} else {
			damaged++
		}
		b = b[n+recordCheck:]
	}
	return files, damaged
}

func decodeRecord(p, check []byte) (path string, r record, ok bool) {
	sum := sha256.Sum256(p)
	if !bytes.Equal(sum[:recordCheck], check) {
		return "", record{}, false
	}
	v := func(i int) uint64 { return binary.LittleEndian.Uint64(p[32+8*i:]) }
	r = record{size: int64(v(0)), modTime: int64(v(1)), changed: int64(v(2)), inode: v(3), recorded: int64(v(4)), used: int64(v(5))}
	copy(r.id[:], p)
	return string(p[recordHead:]), r, true
}
