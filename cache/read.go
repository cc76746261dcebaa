package cache

import (
	"errors"
	"fmt"
	"io"
	"io/fs"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

var errContent = errors.New("content differs from its hash")

// NotComputed is the miss of an action that nobody has put.
const NotComputed = "not computed yet"

// Lookup returns the entry of an action, or why there is none that can be used.
// The blobs of its outputs may still be missing or damaged: ask HasBlob or Blob.
func (s *Store) Lookup(action key.ID) (e *Entry, miss string) {
	s.lease.hold(s)
	path := s.fanned(actionsDir, action)
	e, info, miss := s.readEntry(path, action)
	if miss == "" {
		s.touch(path, info)
	}
	return e, miss
}

func (s *Store) readEntry(path string, action key.ID) (*Entry, fsx.Info, string) {
	b, info, err := s.readInfo(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, info, NotComputed
	}
	if err != nil {
		return nil, info, fmt.Sprintf("entry unreadable: %v", err)
	}
	e, err := DecodeEntry(b, action)
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
	path := s.fanned(blobsDir, o.ID)
	b, info, err := s.readSized(path, o.Size)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Sprintf("blob %s missing", o.ID.Short())
	}
	if err == nil && key.Of(b) != o.ID {
		err = errContent
	}
	if err != nil {
		s.setBad(o.ID, true)
		return nil, fmt.Sprintf("blob %s damaged: %v", o.ID.Short(), err)
	}
	s.touch(path, info)
	return b, ""
}

// HasBlob tells whether the bytes of an output seem to be there: a file of the
// right length which this store has not yet found damaged.
func (s *Store) HasBlob(o Output) bool {
	if !o.Kept {
		return false
	}
	s.lease.hold(s)
	return s.haveBlob(o.ID, o.Size)
}

func (s *Store) haveBlob(id key.ID, size int64) bool {
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
		err = errors.New("not a regular file")
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
