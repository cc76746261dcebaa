package cache

import (
	"errors"
	"io/fs"
	"sync"
	"time"
)

// Packs are rewritten by one process at a time: two that saw different packs could each
// rely on what the other removes. A file says who does it; one that was not touched for
// leaseLife is taken over.

// hold is the right to rewrite packs.
type hold struct {
	s    *Store
	text string
	stop chan struct{}
	done chan struct{}
	once sync.Once
}

// holdPacks begins rewriting packs; nil if another process is at it.
func (s *Store) holdPacks() *hold {
	path := s.path(rewriting)
	f, err := s.fs.Create(path)
	if errors.Is(err, fs.ErrExist) && s.clearHold(path) {
		f, err = s.fs.Create(path)
	}
	if err != nil {
		return nil
	}
	h := &hold{s: s, text: s.signature(), stop: make(chan struct{}), done: make(chan struct{})}
	_, err = f.Write([]byte(h.text))
	if errors.Join(err, f.Close()) != nil {
		_ = s.fs.Remove(path)
		return nil
	}
	h.touch()
	go beat(h.stop, h.done, func() { h.touch() }) // however long packs are read and written
	return h
}

// clearHold clears away the file of one that has died. It is renamed first, and put back if
// another has taken over meanwhile.
func (s *Store) clearHold(path string) bool {
	if !s.deadHold(path) {
		return false
	}
	temp := path + "." + s.nextTemp() + tempSuffix
	if s.fs.Rename(path, temp) != nil {
		return false
	}
	if !s.deadHold(temp) {
		_ = s.fs.Rename(temp, path)
		return false
	}
	_ = s.fs.Remove(temp)
	return true
}

func (s *Store) deadHold(path string) bool {
	info, err := s.fs.Stat(path)
	return err == nil && s.now().Sub(time.Unix(0, info.ModTime)) >= leaseLife
}

// own tells whether the right was not taken over.
func (h *hold) own() bool {
	b, err := h.s.readFile(h.s.path(rewriting))
	return err == nil && string(b) == h.text
}

// touch gives a sign of life and tells whether the right is still held.
func (h *hold) touch() bool {
	if !h.own() {
		return false
	}
	_ = h.s.fs.Touch(h.s.path(rewriting), h.s.now().UnixNano())
	return true
}

// release gives the right up, if there was one.
func (h *hold) release() {
	if h == nil {
		return
	}
	h.once.Do(func() {
		close(h.stop)
		<-h.done
		if h.own() {
			_ = h.s.fs.Remove(h.s.path(rewriting))
		}
	})
}
