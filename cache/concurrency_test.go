package cache

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"lapwear/cache/key"
)

// Several stores on one folder, each used by several goroutines, while another
// verifies and prunes: whatever is served is right, and nothing is damaged.
func TestConcurrentUse(t *testing.T) {
	dir, files := t.TempDir(), t.TempDir()
	const stores, workers, actions = 3, 4, 12
	for i := range actions {
		write(t, filepath.Join(files, fmt.Sprint(i)), fmt.Sprint("lap ", i))
	}
	var users, guard sync.WaitGroup
	var all []*Store
	stop := make(chan struct{})
	for range stores {
		s := open(t, dir, Options{Durable: true, Warn: func(w string) { t.Error(w) }})
		all = append(all, s)
		for w := range workers {
			users.Go(func() {
				for i := range actions {
					useAll(t, s, files, (i+w*5)%actions)
				}
			})
		}
	}
	guard.Go(func() {
		s := open(t, dir, Options{})
		for {
			select {
			case <-stop:
				return
			case <-time.After(time.Millisecond):
			}
			if _, err := s.Prune(bg, PruneOptions{MaxAge: time.Nanosecond, MaxBytes: 1}); err != nil {
				t.Error(err)
			}
			_, err := s.Verify(bg, VerifyOptions{}, func(f Finding) {
				if f.Kind != Leftover {
					t.Errorf("%+v", f)
				}
			})
			if err != nil {
				t.Error(err)
			}
		}
	})
	users.Wait()
	close(stop)
	guard.Wait()
	for _, s := range all {
		must(t, s.Sync())
	}
	s := open(t, dir, Options{})
	for i := range actions {
		if _, miss := s.Lookup(benchID(i)); miss != "" {
			t.Errorf("action %d went although its run lives: %s", i, miss)
		}
	}
}

// useAll does for one action what a run does.
func useAll(t *testing.T, s *Store, files string, i int) {
	if id, err := s.FileID(filepath.Join(files, fmt.Sprint(i)), false); err != nil || id != key.Of(fmt.Append(nil, "lap ", i)) {
		t.Error(id, err)
	}
	want := payload("out", fmt.Sprint("result ", i%5))
	e, miss := s.Lookup(benchID(i))
	if miss == "" {
		if b, miss := s.Blob(e.Outputs[0]); miss != "" || string(b) != string(want.Data) {
			t.Errorf("blob %q, %q", b, miss)
		}
		return
	}
	if miss != NotComputed {
		t.Error(miss)
	}
	if err := s.Put(bg, benchID(i), Entry{Stage: "count"}, []Payload{want}); err != nil {
		t.Error(err)
	}
	if err := s.PutRun("/out", fmt.Append(nil, i), benchID(i)); err != nil {
		t.Error(err)
	}
	if _, miss := s.Run("/out"); miss != "" {
		t.Error(miss)
	}
}

// Closing twice, and using what is closed, harms nothing.
func TestClose(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	put(t, s, actionA, entryA(), cycles, residue)
	for range 2 {
		must(t, s.Close())
		names, err := os.ReadDir(s.path(leasesDir))
		must(t, err)
		if len(names) != 0 {
			t.Errorf("leases left: %v", names)
		}
		s.Lookup(actionA)
	}
}
