package cache

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

// What was seen of a file is vouched for by size, times and inode if its last change is old enough; else the file is read.
func TestSame(t *testing.T) {
	start := time.Now()
	hour := start.Add(-time.Hour)
	for _, tt := range []struct {
		reason   string
		mtime    time.Time
		change   func(path string) error
		want     bool
		wantRead bool
	}{
		{"nothing changed", hour, func(string) error { return nil }, true, false},
		{"too new to be trusted", start, func(string) error { return nil }, true, true},
		{"another date", hour, func(p string) error { return os.Chtimes(p, start, start) }, true, true},
		{"another content of the same length", hour, func(p string) error { return os.WriteFile(p, []byte("text 2"), 0o666) }, false, true},
		{"another length", hour, func(p string) error { return os.WriteFile(p, []byte("text"), 0o666) }, false, false},
		{"gone", hour, os.Remove, false, false},
		{"a folder", hour, func(p string) error { return errors.Join(os.Remove(p), os.Mkdir(p, 0o777)) }, false, false},
	} {
		path := filepath.Join(t.TempDir(), "f")
		write(t, path, "text 1")
		must(t, os.Chtimes(path, tt.mtime, tt.mtime))
		disk := &counting{}
		s := open(t, t.TempDir(), Options{Now: func() time.Time { return start }, fs: disk})
		seen, err := s.See(path)
		if err != nil || seen.ID != key.OfUnkept(func(h io.Writer) error { _, err := io.WriteString(h, "text 1"); return err }) {
			t.Fatal(seen, err)
		}
		must(t, tt.change(path))
		was := seen
		if got := s.Same(path, &seen); got != tt.want {
			t.Errorf("%s: same %v, want %v", tt.reason, got, tt.want)
		}
		if got := disk.opens["f"] > 1; got != tt.wantRead {
			t.Errorf("%s: read again %v, want %v", tt.reason, got, tt.wantRead)
		}
		if !tt.want && seen != was {
			t.Errorf("%s: what was seen became %+v", tt.reason, seen)
		}
	}
}

// A recording is known once it is hashed and old enough, and is never read for that.
func TestKnown(t *testing.T) {
	start := time.Now()
	path := filepath.Join(t.TempDir(), "lap.csv")
	write(t, path, "lap 1")
	must(t, os.Chtimes(path, start.Add(-time.Hour), start.Add(-time.Hour)))
	dir, disk := t.TempDir(), &counting{}
	o := Options{Now: func() time.Time { return start }, fs: disk}
	s := open(t, dir, o)
	if _, ok := s.Known(path, false); ok || disk.opens["lap.csv"] > 0 {
		t.Error("known before it was hashed")
	}
	_, err := s.FileID(path, false)
	must(t, err)
	for _, rehash := range []bool{false, true} {
		if id, ok := s.Known(path, rehash); !ok || id != key.Of([]byte("lap 1")) {
			t.Errorf("rehash %v: not known once it was hashed", rehash)
		}
	}
	must(t, s.Close())
	s = open(t, dir, o)
	if _, ok := s.Known(path, false); !ok {
		t.Error("not known to the next process")
	}
	if _, ok := s.Known(path, true); ok {
		t.Error("known with rehash, though another process hashed it")
	}
	if _, ok := s.Known(filepath.Dir(path), false); ok {
		t.Error("a folder is known")
	}
}

// A note is a run record; one that cannot be written leaves what was there, and no unfinished file.
func TestNoteRun(t *testing.T) {
	dir := t.TempDir()
	s := open(t, dir, Options{Durable: true})
	must(t, s.NoteRun("out", []byte("first")))
	if s.UseRun("other") || !s.UseRun("out") {
		t.Error("a record that is there is not found, or one that is not is")
	}
	must(t, s.Close())
	for at := 1; ; at++ {
		f := &fsx.Faulty{FS: fsx.Disk{}}
		s := open(t, dir, Options{Durable: true, fs: f})
		s.UseRun("out") // takes the lease
		last := f.FailAfter(at - 1)
		err := s.NoteRun("out", fmt.Appendf(nil, "note %d", at))
		done := len(f.Ops()) < last
		f.FailAfter(-1)
		data, miss := s.Run("out")
		switch {
		case miss != "":
			t.Errorf("fault %d: %s", at, miss)
		case err == nil && string(data) != fmt.Sprintf("note %d", at):
			t.Errorf("fault %d: %q was noted", at, data)
		case err != nil && string(data) != "first":
			t.Errorf("fault %d: %q is there after %v", at, data, err)
		}
		must(t, s.Close())
		left, _ := filepath.Glob(filepath.Join(dir, "runs", "*"))
		if len(left) != 1 {
			t.Errorf("fault %d left %q", at, left)
		}
		if done || t.Failed() {
			return
		}
	}
}

// lateList takes a while to list the packs, and notes when it has.
type lateList struct {
	fsx.Disk
	listed atomic.Bool
}

func (d *lateList) ReadDir(name string) ([]string, error) {
	if filepath.Base(name) == packsDir {
		time.Sleep(50 * time.Millisecond)
		defer d.listed.Store(true)
	}
	return d.Disk.ReadDir(name)
}

// What Prepare has begun is over when the store is closed.
func TestCloseWaitsForPrepare(t *testing.T) {
	disk := &lateList{}
	s := open(t, t.TempDir(), Options{fs: disk})
	s.Prepare()
	must(t, s.Close())
	if !disk.listed.Load() {
		t.Error("closed while packs are looked at")
	}
}
