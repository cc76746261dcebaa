package pipeline

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/stages"
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
		o := Options{Store: store, Known: store.Known, Jobs: c.jobs}
		first := 0
		paths := []string{filepath.Join(x.dir, "a"), filepath.Join(x.dir, "b"), filepath.Join(x.dir, "c")}
		o.Ahead = ReadAhead(context.Background(), o, paths, func() { first++ })
		s := NewSession(g, o)
		if s.early != nil {
			<-s.early.done
		}
		if first != c.ahead {
			t.Errorf("%s: %d calls before, want %d", c.reason, first, c.ahead)
		}
		if id, known := o.Ahead.Known(paths[0]); known != (c.ahead > 0) || known && id != key.Of([]byte("0")) || o.Ahead.Finds() != known {
			t.Errorf("%s: finds one %v; the one before held %v, %v", c.reason, o.Ahead.Finds(), id, known)
		}
		if _, known := o.Ahead.Known(paths[1]); known {
			t.Errorf("%s: what is read is known", c.reason)
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
		o.Ahead.End()
		if store.read["b"] != c.reads || s.early != nil {
			t.Errorf("%s: read %d times, want %d; kept: %v", c.reason, store.read["b"], c.reads, s.early != nil)
		}
		plain, total := x.run(t, openStore(t, t.TempDir()), Options{})
		if got, want := s.State(total), plain.State(total); got.Status != want.Status || got.Reason != want.Reason || got.Action != want.Action {
			t.Errorf("%s: %+v, without reading ahead %+v", c.reason, got, want)
		}
	}
}

// What is read ahead waits for the Run that asks for it.
func TestReadAheadForLaterRun(t *testing.T) {
	x := newChain(t, "a", "b")
	store := &readingStore{Store: openStore(t, t.TempDir()), read: map[string]int{}}
	var content []byte
	read := func(lap string, run func(in stages.Inputs) ([]stages.Output, error)) Task {
		return Task{Name: "read " + lap, Lap: lap, Source: filepath.Join(x.dir, lap), Stage: fakeStage{b: x.b, name: "read", label: lap, run: run}}
	}
	g := NewGraph()
	g.Add(read("a", nil))
	o := Options{Store: store, Known: store.Known, Jobs: 2}
	o.Ahead = ReadAhead(context.Background(), o, []string{filepath.Join(x.dir, "b")}, func() {})
	defer o.Ahead.End()
	s := NewSession(g, o)
	for range 2 {
		if err := s.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		if g.Len() == 1 {
			g.Add(read("b", func(in stages.Inputs) ([]stages.Output, error) {
				content = slices.Clone(in.File.Content)
				return numberOut(1), nil
			}))
		}
	}
	if store.read["a"] != 1 || store.read["b"] != 1 || string(content) != "00" {
		t.Errorf("read %v, want each once; the task had %q", store.read, content)
	}
}

// Whoever wants another recording than the one that is read ahead does not wait for its content.
func TestReadAheadOfAnother(t *testing.T) {
	store := openStore(t, t.TempDir())
	a := &Ahead{path: "b", done: make(chan struct{})}
	s := NewSession(NewGraph(), Options{Store: store, Jobs: 2, Ahead: a})
	if _, _, ok := s.readEarly(store, "a"); ok || s.early != a {
		t.Errorf("got it: %v, kept: %v", ok, s.early == a)
	}
}

// What was read ahead and no task asks for is let go at the end, and no reading goes on then, also of a run that was stopped.
func TestReadAheadInVain(t *testing.T) {
	for _, c := range []struct {
		reason        string
		before, after bool // whether the run is stopped before it is begun to read, or after
		read          int
	}{{"nothing is stopped", false, false, 1}, {"stopped at once", true, true, 0}, {"stopped later", false, true, 1}} {
		x := newChain(t, "a")
		x.write(t, "other", "1")
		g, _ := x.build()
		store := &readingStore{Store: openStore(t, t.TempDir()), read: map[string]int{}}
		o := Options{Store: store, Known: store.Known, Jobs: 2}
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		if c.before {
			cancel()
		}
		a := ReadAhead(ctx, o, []string{filepath.Join(x.dir, "other")}, func() {})
		if c.after {
			cancel()
		}
		o.Ahead = a
		s := NewSession(g, o)
		if err := s.Run(ctx); (err != nil) != c.after {
			t.Errorf("%s: error %v", c.reason, err)
		}
		a.End()
		select {
		case <-a.done:
		default:
			t.Errorf("%s: it is read still", c.reason)
		}
		if a.content != nil || store.read["other"] != c.read {
			t.Errorf("%s: kept: %v; read %v", c.reason, a.content != nil, store.read)
		}
	}
}
