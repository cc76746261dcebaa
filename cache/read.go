package cache

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
	"lapwear/fatigue/lanes"
)

var (
	errContent    = errors.New("content differs from its hash")
	errNotRegular = errors.New("not a regular file")
)

// NotComputed is the miss of an action that nobody has put.
const NotComputed = "not computed yet"

// Lookup returns the entry of an action, or why there is none that can be used.
// The blobs of its outputs may still be missing or damaged: ask HasBlob or Blob.
func (s *Store) Lookup(action key.ID) (e *Entry, miss string) {
	s.lease.hold(s)
	return s.lookup(action, DecodeEntry)
}

// Result is Lookup without the transcript, which is most of an entry and which a run that
// has thousands to look up does not read.
func (s *Store) Result(action key.ID) (e *Entry, miss string) {
	s.lease.hold(s)
	return s.lookup(action, decodeResult)
}

// entryDecoder checks and reads the file of an action's entry.
type entryDecoder func(b []byte, action key.ID) (*Entry, error)

func (s *Store) lookup(action key.ID, decode entryDecoder) (e *Entry, miss string) {
	s.ready()
	e, miss = s.find(action, decode)
	if e == nil && s.look() {
		e, miss = s.find(action, decode)
	}
	if miss == NotComputed {
		if damaged := s.damagedPacks(); damaged != "" {
			miss = damaged
		}
	}
	return e, miss
}

// find returns the entry of an action that was made last of those that are sound, and
// notes its use.
func (s *Store) find(action key.ID, decode entryDecoder) (e *Entry, miss string) {
	miss = NotComputed
	for _, at := range s.places(&s.packs.entries, action) {
		got, why := s.packedEntry(at, action, decode)
		switch {
		case got == nil && why != NotComputed:
			miss = why
		case got != nil && (e == nil || got.Made.After(e.Made)):
			e = got
		}
	}
	if s.mayBeLoose(actionsDir, action) {
		path := s.fanned(actionsDir, action)
		got, info, why := s.readEntry(path, action, decode)
		switch {
		case got == nil && why != NotComputed:
			miss = why
		case got != nil && (e == nil || got.Made.After(e.Made)):
			e = got
			s.touch(path, info)
		}
	}
	if e != nil {
		return e, ""
	}
	return nil, miss
}

// packedEntry reads an entry of a pack and notes its use.
func (s *Store) packedEntry(at place, action key.ID, decode entryDecoder) (e *Entry, miss string) {
	if !s.usePack(at.p) {
		s.vanished(at.p)
		return nil, NotComputed
	}
	var err error
	readErr := s.readEntryRow(at.p, at.i, func(b []byte) { e, err = decode(b, action) })
	switch {
	case errors.Is(readErr, fs.ErrNotExist):
		s.vanished(at.p)
		return nil, NotComputed
	case readErr != nil:
		return nil, fmt.Sprintf("entry unreadable: %v", readErr)
	case err != nil:
		return nil, fmt.Sprintf("entry damaged: %v", err)
	}
	at.p.noteUse(at.i)
	return e, ""
}

// readEntry reads an entry that has a file of its own.
func (s *Store) readEntry(path string, action key.ID, decode entryDecoder) (*Entry, fsx.Info, string) {
	b, info, err := s.readInfo(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, info, NotComputed
	}
	if err != nil {
		return nil, info, fmt.Sprintf("entry unreadable: %v", err)
	}
	e, err := decode(b, action)
	if err != nil {
		return nil, info, fmt.Sprintf("entry damaged: %v", err)
	}
	return e, info, ""
}

// Blob returns the bytes of an output, which are its alone to change, or why it
// cannot: they were not kept, are missing, or are not what they were. Bytes that
// are returned have the output's length and hash.
func (s *Store) Blob(o Output) (b []byte, miss string) {
	if !o.Kept {
		return nil, fmt.Sprintf("output %q was not kept", o.Name)
	}
	s.lease.hold(s)
	s.ready()
	b, miss = s.fetch(o)
	if b == nil && s.look() {
		b, miss = s.fetch(o)
	}
	return b, miss
}

// fetch reads a blob from the first place where it is sound.
func (s *Store) fetch(o Output) (b []byte, miss string) {
	why := fs.ErrNotExist
	for _, at := range s.places(&s.packs.blobs, o.ID) {
		b, err := s.packedBlob(at, o)
		if err == nil {
			return b, ""
		}
		if !errors.Is(err, fs.ErrNotExist) {
			s.forgetBlob(o.ID, at.p) // so that it is put again
			why = err
		}
	}
	if s.mayBeLoose(blobsDir, o.ID) {
		b, err := s.looseBlob(o)
		if err == nil {
			return b, ""
		}
		if !errors.Is(err, fs.ErrNotExist) {
			s.setBad(o.ID, true)
			why = err
		}
	}
	if errors.Is(why, fs.ErrNotExist) {
		return nil, fmt.Sprintf("blob %s missing", o.ID.Short())
	}
	return nil, fmt.Sprintf("blob %s damaged: %v", o.ID.Short(), why)
}

func (s *Store) packedBlob(at place, o Output) ([]byte, error) {
	r := at.p.blob(at.i)
	if r.len != o.Size {
		return nil, fmt.Errorf("length %d, want %d", r.len, o.Size)
	}
	if !s.usePack(at.p) {
		s.vanished(at.p)
		return nil, fs.ErrNotExist
	}
	var b []byte
	err := s.checkLong(at.p, r)
	if err == nil {
		b = lanes.Uncleared[byte](int(o.Size))
		err = s.readPack(at.p, b, r.off)
	}
	if errors.Is(err, fs.ErrNotExist) {
		s.vanished(at.p)
	}
	if err == nil && key.Of(b) != o.ID {
		err = errContent
	}
	return b, err
}

// checkLong hashes a blob of uncommon length piece by piece: a forged row must not cost the
// memory that it speaks of.
func (s *Store) checkLong(p *pack, r row) error {
	if r.len <= maxFile {
		return nil
	}
	h := sha256.New()
	if _, err := s.copyTo(h, io.NewSectionReader(packReader{s, p}, r.off, r.len), nil); err != nil {
		return err
	}
	if key.ID(h.Sum(nil)) != r.id {
		return errContent
	}
	return nil
}

// packReader reads a pack by offsets.
type packReader struct {
	s *Store
	p *pack
}

func (r packReader) ReadAt(b []byte, off int64) (int, error) {
	if err := r.s.readPack(r.p, b, off); err != nil {
		return 0, err
	}
	return len(b), nil
}

func (s *Store) looseBlob(o Output) ([]byte, error) {
	path := s.fanned(blobsDir, o.ID)
	b, info, err := s.readSized(path, o.Size)
	if err == nil && key.Of(b) != o.ID {
		err = errContent
	}
	if err == nil {
		s.touch(path, info)
	}
	return b, err
}

// forgetBlob forgets that a pack has a blob, since it is damaged there.
func (s *Store) forgetBlob(id key.ID, p *pack) {
	s.packs.mu.Lock()
	defer s.packs.mu.Unlock()
	s.packs.blobs.remove(id, p)
}

// HasBlob tells whether the bytes of an output seem to be there: with the right length,
// and not yet found damaged by this store.
func (s *Store) HasBlob(o Output) bool {
	if !o.Kept {
		return false
	}
	s.lease.hold(s)
	return s.haveBlob(o.ID, o.Size) || s.look() && s.haveBlob(o.ID, o.Size)
}

func (s *Store) haveBlob(id key.ID, size int64) bool {
	s.ready()
	for _, at := range s.places(&s.packs.blobs, id) {
		switch {
		case at.p.blob(at.i).len != size:
		case s.usePack(at.p):
			return true
		default:
			s.vanished(at.p)
		}
	}
	if !s.mayBeLoose(blobsDir, id) {
		return false
	}
	path := s.fanned(blobsDir, id)
	info, err := s.fs.Stat(path)
	if err != nil || !info.Regular || info.Size != size || s.isBad(id) {
		return false
	}
	s.touch(path, info)
	return true
}

func (s *Store) isBad(id key.ID) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.bad[id]
}

func (s *Store) setBad(id key.ID, bad bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if bad {
		s.bad[id] = true
	} else {
		delete(s.bad, id)
	}
}

// openRegular opens a file and refuses folders and devices.
func (s *Store) openRegular(path string) (fsx.File, fsx.Info, error) {
	f, err := s.fs.Open(path)
	if err != nil {
		return nil, fsx.Info{}, err
	}
	info, err := f.Stat()
	if err == nil && !info.Regular {
		err = errNotRegular
	}
	if err != nil {
		f.Close()
		return nil, info, err
	}
	return f, info, nil
}

// readSized reads a file of known length. It allocates nothing for one of another.
func (s *Store) readSized(path string, size int64) ([]byte, fsx.Info, error) {
	f, info, err := s.openRegular(path)
	if err != nil {
		return nil, info, err
	}
	defer f.Close()
	if info.Size != size {
		return nil, info, fmt.Errorf("length %d, want %d", info.Size, size)
	}
	b := make([]byte, size)
	if _, err := io.ReadFull(f, b); err != nil {
		return nil, info, err
	}
	return b, info, nil
}

// maxFile is longer than any file but a blob gets, and short enough to be read
// into memory when damage made it so long.
const maxFile = 256 << 20

// readInfo reads a file that is no blob.
func (s *Store) readInfo(path string) ([]byte, fsx.Info, error) {
	f, info, err := s.openRegular(path)
	if err != nil {
		return nil, info, err
	}
	defer f.Close()
	if info.Size > maxFile {
		return nil, info, fmt.Errorf("length %d, want at most %d", info.Size, maxFile)
	}
	b := make([]byte, info.Size)
	if _, err := io.ReadFull(f, b); err != nil {
		return nil, info, err
	}
	return b, info, nil
}

func (s *Store) readFile(path string) ([]byte, error) {
	b, _, err := s.readInfo(path)
	return b, err
}
