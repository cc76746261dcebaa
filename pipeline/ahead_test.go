package pipeline

import (
	"context"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"lapwear/cache"
	"lapwear/cache/key"
)

// readingStore notes which files it reads.
type readingStore struct {
	*cache.Store
	mu   sync.Mutex
	read map[string]int
}

func (s *readingStore) FileContent(path string, rehash bool, room func(size int64) []byte, hands cache.Hands) (key.ID, []byte, error) {
	s.mu.Lock()
	s.read[filepath.Base(path)]++
	s.mu.Unlock()
	return s.Store.FileContent(path, rehash, room, hands)
}

// The first recording that is not known is read ahead, once, for its task; what comes of it is what comes without.
func TestReadAhead(t *testing.T) {
	for _, c := range []struct {
		reason string
		after  func(t *testing.T, c chain) // what happens once it has been read
		jobs   int
		ahead  int // files read before the run
		reads  int // of the changed one in all
	}{
		{"one is changed", nil, 2, 1, 1},
		{"it is changed again", func(t *testing.T, c chain) { c.write(t, "b", "12345678") }, 2, 1, 2},
		{"it is gone", func(t *testing.T, c chain) { os.Remove(filepath.Join(c.dir, "b")) }, 2, 1, 2},
		{"a single job", nil, 1, 0, 1},
	} {
		x := newChain(t, "a", "b", "c")
		for _, l := range x.laps {
			if err := os.Chtimes(filepath.Join(x.dir, l), time.Unix(1e9, 0), time.Unix(1e9, 0)); err != nil {
				t.Fatal(err)
			}
		}
		store := &readingStore{Store: openStore(t, t.TempDir()), read: map[string]int{}}
		x.run(t, store, Options{Known: store.Known})
		x.write(t, "b", "1234567")
		clear(store.read)
		g, _ := x.build()
		s := NewSession(g, Options{Store: store, Known: store.Known, Jobs: c.jobs})
		s.ReadAhead([]string{filepath.Join(x.dir, "a"), filepath.Join(x.dir, "b"), filepath.Join(x.dir, "c")})
		if s.early != nil {
			<-s.early.done
		}
		if n := store.read["a"] + store.read["b"] + store.read["c"]; n != c.ahead {
			t.Errorf("%s: %d read ahead, want %d", c.reason, n, c.ahead)
		}
		if c.after != nil {
			c.after(t, x)
		}
		if err := s.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		if store.read["b"] != c.reads || s.early != nil {
			t.Errorf("%s: read %d times, want %d; kept: %v", c.reason, store.read["b"], c.reads, s.early != nil)
		}
		plain, total := x.run(t, openStore(t, t.TempDir()), Options{})
		if got, want := s.State(total), plain.State(total); got.Status != want.Status || got.Reason != want.Reason || got.Action != want.Action {
			t.Errorf("%s: %+v, without reading ahead %+v", c.reason, got, want)
		}
	}
}

// What was read ahead and no task asks for is let go.
func TestReadAheadInVain(t *testing.T) {
	x := newChain(t, "a")
	x.write(t, "other", "1")
	g, _ := x.build()
	store := &readingStore{Store: openStore(t, t.TempDir()), read: map[string]int{}}
	s := NewSession(g, Options{Store: store, Known: store.Known, Jobs: 2})
	s.ReadAhead([]string{filepath.Join(x.dir, "other")})
	if err := s.Run(context.Background()); err != nil || s.early != nil || store.read["other"] != 1 || store.read["a"] != 1 {
		t.Errorf("error %v; kept: %v; read %v", err, s.early != nil, store.read)
	}
}
