package cache

import (
	"errors"
	"maps"
)

// Several stores that save the stat index of one folder at the same moment lose records.
// Whoever lets many work for it takes theirs from them with Hashed and Learn instead.

// Hashes tells whether FileID would know the content of a file without reading it.
func (s *Store) Hashes(path string, rehash bool) bool {
	_, known := s.Known(path, rehash)
	return known
}

// Hashed returns the records of the files whose content this store was asked for, in the
// form of the stat index: what it has hashed itself, and what another store had hashed
// before this one was opened, but perhaps not before the one that is to Learn of it.
func (s *Store) Hashed() []byte {
	s.index.mu.Lock()
	defer s.index.mu.Unlock()
	asked := maps.Clone(s.index.files)
	maps.DeleteFunc(asked, func(_ string, r record) bool { return !r.asked })
	return encodeIndex(asked)
}

// Learn takes over what another store has hashed, as if this one had. Records that are
// damaged are passed over. What the other has stored is looked for at the next miss.
func (s *Store) Learn(hashed []byte) error {
	s.packs.looked.Store(0)
	files, damaged := decodeIndex(hashed)
	for path, r := range files {
		r.fresh = true
		files[path] = r
	}
	x := &s.index
	x.mu.Lock()
	defer x.mu.Unlock()
	merge(x.files, files)
	x.dirty = x.dirty || len(files) > 0
	if damaged > 0 {
		return errors.New("what another process has hashed is damaged; the recordings are hashed again")
	}
	return nil
}
