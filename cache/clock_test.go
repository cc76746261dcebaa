package cache

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

// opened counts how often a file was opened.
func opened(f *fsx.Faulty, name string) (n int) {
	for _, op := range f.Ops() {
		if op == "open "+name {
			n++
		}
	}
	return n
}

// A clock that is set back costs reading recordings again and keeps old results longer;
// it falsifies nothing and loses nothing, and all is as before once it is right again.
func TestClockSetBack(t *testing.T) {
	dir := t.TempDir()
	lap := filepath.Join(t.TempDir(), "lap.csv")
	write(t, lap, "TIME,AZ\n")
	must(t, os.Chtimes(lap, time.Now().Add(-time.Hour), time.Now().Add(-time.Hour)))
	want := key.Of([]byte("TIME,AZ\n"))
	at := func(years int) (*Store, *fsx.Faulty) {
		f := &fsx.Faulty{FS: fsx.Disk{}}
		return open(t, dir, Options{fs: f, Now: func() time.Time { return time.Now().AddDate(-years, 0, 0) }}), f
	}
	steps := []struct {
		reason string
		years  int // by which the clock is behind
		change bool
		reads  int // of the recording, for two questions
	}{
		{"the clock is right", 0, false, 1},
		{"set back: a record from the future is as good", 1, false, 0},
		{"set back, and a change of the recording that keeps its length: no record of it is trusted", 1, true, 2},
		{"set back further: still not", 2, false, 2},
		{"right again: read once more", 0, false, 1},
		{"right: trusted", 0, false, 0},
	}
	first := open(t, dir, Options{})
	put(t, first, actionA, entryA(), cycles, residue)
	must(t, first.Close())
	for _, step := range steps {
		s, f := at(step.years)
		if step.change {
			write(t, lap, "TIME,AX\n")
			must(t, os.Chtimes(lap, time.Now().Add(-time.Minute), time.Now().Add(-time.Minute)))
			want = key.Of([]byte("TIME,AX\n"))
		}
		for range 2 {
			if id, err := s.FileID(lap, false); err != nil || id != want {
				t.Errorf("%s: %v, %v", step.reason, id, err)
			}
		}
		if n := opened(f, "lap.csv"); n != step.reads {
			t.Errorf("%s: read %d times, want %d", step.reason, n, step.reads)
		}
		e, miss := s.Lookup(actionA)
		if miss != "" {
			t.Fatalf("%s: %s", step.reason, miss)
		}
		whole(t, step.reason, s, e)
		if p, err := s.Prune(bg, PruneOptions{MaxAge: time.Minute}); err != nil || p.Actions.Files+p.Blobs.Files+p.Temp.Files > 0 {
			t.Errorf("%s: pruned %+v, %v", step.reason, p, err)
		}
		must(t, s.Close())
	}
}

// What a live run has used is spared although its clock was set back after it began,
// so that what it used looks older than its lease.
func TestPruneAfterClockSetBack(t *testing.T) {
	dir := t.TempDir()
	ahead := 10 * time.Hour
	live := open(t, dir, Options{Now: func() time.Time { return time.Now().Add(ahead) }})
	put(t, live, actionB, Entry{Stage: "count"}, residue) // takes the lease
	ahead = 0
	put(t, live, actionA, entryA(), cycles, residue)
	must(t, live.Sync())
	for _, beat := range []string{"before", "after"} {
		p, err := open(t, dir, Options{}).Prune(bg, PruneOptions{MaxBytes: 1})
		if err != nil || p.Actions.Files+p.Blobs.Files > 0 {
			t.Errorf("%s its next sign of life: pruned %+v, %v", beat, p, err)
		}
		if _, miss := live.Lookup(actionA); miss != "" {
			t.Errorf("%s its next sign of life: %s", beat, miss)
		}
		live.lease.refresh(live)
	}
}

// Nothing is computed from when an entry was made: what a wrong clock wrote is served.
func TestEntryFromTheFuture(t *testing.T) {
	dir := t.TempDir()
	e := entryA()
	e.Made = time.Unix(0, 1<<62).UTC() // the year 2116
	first := open(t, dir, Options{})
	put(t, first, actionA, e, cycles, residue)
	must(t, first.Close())
	got, miss := open(t, dir, Options{}).Lookup(actionA)
	if d := cmp.Diff(&e, got); d != "" || miss != "" {
		t.Errorf("%q, -want +got\n%s", miss, d)
	}
}
