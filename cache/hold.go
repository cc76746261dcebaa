package cache

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"
)

// Packs are rewritten by one process at a time: two that saw different packs could each
// rely on what the other removes. A file says who does it; one that was not touched for
// leaseLife is taken over.

// holdPacks begins rewriting packs, unless another process is at it.
func (s *Store) holdPacks() (release func(), ok bool) {
	path := s.path(rewriting)
	f, err := s.fs.Create(path)
	if errors.Is(err, fs.ErrExist) {
		info, statErr := s.fs.Stat(path)
		if statErr == nil && s.now().Sub(time.Unix(0, info.ModTime)) < leaseLife {
			return func() {}, false
		}
		_ = s.fs.Remove(path)
		f, err = s.fs.Create(path)
	}
	if err != nil {
		return func() {}, false
	}
	host, _ := os.Hostname()
	_, err = f.Write(fmt.Appendf(nil, leaseText, host, os.Getpid(), s.now().UnixNano()))
	if errors.Join(err, f.Close()) != nil {
		_ = s.fs.Remove(path)
		return func() {}, false
	}
	s.touchHold()
	return func() { _ = s.fs.Remove(path) }, true
}

func (s *Store) touchHold() { _ = s.fs.Touch(s.path(rewriting), s.now().UnixNano()) }
