package cache

import (
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"time"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

// Seen is what a file held when it was looked at, and how to tell that it still does. It is
// a record of the stat index that somebody else keeps.
type Seen struct {
	ID       key.ID // as key.OfUnkept has it
	Size     int64
	ModTime  int64  // ns since 1970 UTC
	Changed  int64  // as ModTime; 0 where the platform does not tell
	Inode    uint64 // 0 where the platform has none
	Recorded int64  // when hashing began, as ModTime
}

// See hashes a file.
func (s *Store) See(path string) (Seen, error) {
	began := s.now().UnixNano()
	var i fsx.Info
	var err error
	id := key.OfUnkept(func(h io.Writer) error {
		_, i, err = s.digest(h, path, nil, nil)
		return err
	})
	if err != nil {
		return Seen{}, fmt.Errorf("hash %q: %w", path, err)
	}
	return Seen{id, i.Size, i.ModTime, i.Changed, i.Inode, began}, nil
}

// Saw is what See would have found of a file that was being written from a time on, and looked like that at its end.
func Saw(id key.ID, info fs.FileInfo, began time.Time) Seen {
	i := fsx.InfoOf(info)
	return Seen{id, i.Size, i.ModTime, i.Changed, i.Inode, began.UnixNano()}
}

// Alike tells whether two looks at a file show the same: size, inode, and the times of its last changes.
func Alike(a, b fs.FileInfo) bool { return fsx.InfoOf(a) == fsx.InfoOf(b) }

// Same tells whether a file holds what it held. It is read, and seen brought up to date, only
// where size, times and inode do not vouch for it by the rule of the stat index.
func (s *Store) Same(path string, seen *Seen) bool {
	i, err := s.fs.Stat(path)
	if err != nil || !i.Regular || i.Size != seen.Size {
		return false
	}
	if seen.vouches(i) {
		return true
	}
	now, err := s.See(path)
	if err != nil || now.ID != seen.ID {
		return false
	}
	*seen = now
	return true
}

func (n *Seen) vouches(i fsx.Info) bool {
	r := record{size: n.Size, modTime: n.ModTime, changed: n.Changed, inode: n.Inode, recorded: n.Recorded}
	return r.matches(i) && r.trusted()
}

// Known returns the SHA-256 of a file's content if the stat index vouches for it; the file is
// not read. With rehash only what this store has read itself counts.
func (s *Store) Known(path string, rehash bool) (key.ID, bool) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return key.ID{}, false
	}
	info, err := s.fs.Stat(abs)
	if err != nil || !info.Regular {
		return key.ID{}, false
	}
	return s.index.find(abs, info, rehash, s.now().UnixNano())
}

// UseRun marks a run record as used, and with it all that it names; false if there is none.
func (s *Store) UseRun(name string) bool {
	s.lease.hold(s)
	path := s.runPath(name)
	info, err := s.fs.Stat(path)
	if err != nil || !info.Regular {
		return false
	}
	s.touch(path, info)
	return true
}

// NoteRun is PutRun for what may be lost when the power fails: nothing is flushed. It names
// no actions.
func (s *Store) NoteRun(name string, data []byte) error {
	s.lease.hold(s)
	if err := s.publishAs(s.runPath(name), encodeRun(runRecord{name: name, data: data}), false); err != nil {
		return fmt.Errorf("store run record %q: %w", name, err)
	}
	return nil
}
