package cache

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// What one store has hashed spares another reading, also one that rehashes; what damage
// is in it costs reading only.
func TestLearn(t *testing.T) {
	dir := t.TempDir()
	old := time.Now().Add(-time.Hour)
	var paths []string
	for _, name := range []string{"a", "b"} {
		path := filepath.Join(dir, name)
		write(t, path, name)
		must(t, os.Chtimes(path, old, old))
		paths = append(paths, path)
	}
	there := open(t, filepath.Join(dir, "cache"), Options{})
	for _, p := range paths {
		_, err := there.FileID(p, false)
		must(t, err)
	}
	for _, tt := range []struct {
		reason string
		damage func(b []byte) []byte
		rehash bool
		reads  int
		fails  bool
	}{
		{"all is learnt", func(b []byte) []byte { return b }, false, 0, false},
		{"learnt is as good as hashed here", func(b []byte) []byte { return b }, true, 0, false},
		{"a record is damaged", func(b []byte) []byte { b[20] ^= 1; return b }, false, 1, true},
		{"all is lost", func([]byte) []byte { return nil }, false, 2, true},
	} {
		fs := &counting{}
		here := open(t, filepath.Join(dir, tt.reason), Options{fs: fs})
		if here.Hashes(paths[0], false) {
			t.Errorf("%s: known before", tt.reason)
		}
		if err := here.Learn(tt.damage(there.Hashed())); (err != nil) != tt.fails {
			t.Errorf("%s: %v", tt.reason, err)
		}
		reads := 0
		for _, p := range paths {
			known := here.Hashes(p, tt.rehash)
			before := fs.opens[filepath.Base(p)]
			want, _ := there.FileID(p, false)
			got, err := here.FileID(p, tt.rehash)
			if err != nil || got != want {
				t.Errorf("%s: %v, %v", tt.reason, got, err)
			}
			n := fs.opens[filepath.Base(p)] - before
			if known != (n == 0) {
				t.Errorf("%s: %s was known: %t, and read %d times", tt.reason, p, known, n)
			}
			reads += n
		}
		if reads != tt.reads {
			t.Errorf("%s: %d files read, want %d", tt.reason, reads, tt.reads)
		}
	}
}

// What was learnt is saved with the index.
func TestLearntIsSaved(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a")
	write(t, path, "a")
	old := time.Now().Add(-time.Hour)
	must(t, os.Chtimes(path, old, old))
	there := open(t, filepath.Join(dir, "there"), Options{})
	_, err := there.FileID(path, false)
	must(t, err)
	here := open(t, filepath.Join(dir, "here"), Options{})
	must(t, here.Learn(there.Hashed()))
	must(t, here.Close())
	if again := open(t, filepath.Join(dir, "here"), Options{}); !again.Hashes(path, false) {
		t.Error("forgotten")
	}
}

// What was found in the index counts as well: the store that learns may have been opened
// before it was there.
func TestFoundIsPassedOn(t *testing.T) {
	dir := t.TempDir()
	asked, other := filepath.Join(dir, "asked"), filepath.Join(dir, "other")
	old := time.Now().Add(-time.Hour)
	here := open(t, filepath.Join(dir, "cache"), Options{})
	first := open(t, filepath.Join(dir, "cache"), Options{})
	for _, p := range []string{asked, other} {
		write(t, p, p)
		must(t, os.Chtimes(p, old, old))
		_, err := first.FileID(p, false)
		must(t, err)
	}
	must(t, first.Close())
	second := open(t, filepath.Join(dir, "cache"), Options{})
	_, err := second.FileID(asked, false)
	must(t, err)
	must(t, here.Learn(second.Hashed()))
	if !here.Hashes(asked, false) || here.Hashes(other, false) {
		t.Errorf("known: asked %t, other %t; want the asked one alone", here.Hashes(asked, false), here.Hashes(other, false))
	}
}
