package cache

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

// counting counts how often files are read, and may change one while it is read.
type counting struct {
	fsx.Disk
	mu      sync.Mutex
	opens   map[string]int
	reading func(name string)
}

type countedFile struct {
	fsx.File
	read func()
}

func (f countedFile) Read(b []byte) (int, error) {
	n, err := f.File.Read(b)
	f.read()
	return n, err
}

func (f countedFile) ReadAt(b []byte, at int64) (int, error) {
	n, err := f.File.ReadAt(b, at)
	f.read()
	return n, err
}

func (c *counting) Open(name string) (fsx.File, error) {
	c.mu.Lock()
	if c.opens == nil {
		c.opens = map[string]int{}
	}
	c.opens[filepath.Base(name)]++
	c.mu.Unlock()
	f, err := c.Disk.Open(name)
	if err != nil || c.reading == nil {
		return f, err
	}
	return countedFile{f, func() { c.reading(name) }}, nil
}

// A file is read again exactly when its record cannot be trusted.
func TestFileID(t *testing.T) {
	start := time.Now()
	at := func(d time.Duration) time.Time { return start.Add(d) }
	tests := []struct {
		reason   string
		mtime    time.Time // of the file when it was hashed first, at start
		between  func(t *testing.T, path string)
		reopen   bool
		rehash   bool
		wantRead bool
		want     string
	}{
		{"nothing changed", at(-time.Hour), nil, false, false, false, "lap 1"},
		{"nothing changed, next process", at(-time.Hour), nil, true, false, false, "lap 1"},
		{"changed just before it was hashed", at(-time.Second), nil, true, false, true, "lap 1"},
		{"changed 2.1 s before", at(-2100 * time.Millisecond), nil, true, false, false, "lap 1"},
		{"dated in the future", at(time.Hour), nil, true, false, true, "lap 1"},
		{"other length, old date put back", at(-time.Hour), func(t *testing.T, path string) {
			write(t, path, "lap 1 and more")
			must(t, os.Chtimes(path, at(-time.Hour), at(-time.Hour)))
		}, true, false, true, "lap 1 and more"},
		{"same length, later date", at(-time.Hour), func(t *testing.T, path string) { write(t, path, "lap 2") }, true, false, true, "lap 2"},
		{"same length and date, another file put there", at(-time.Hour), func(t *testing.T, path string) {
			write(t, path+".new", "lap 3")
			must(t, os.Chtimes(path+".new", at(-time.Hour), at(-time.Hour)))
			must(t, os.Rename(path+".new", path))
		}, true, false, true, "lap 3"},
		{"same length, edited in place, old date put back", at(-time.Hour), func(t *testing.T, path string) {
			if runtime.GOOS != "linux" {
				t.Skip("the platform's time of status change is not read")
			}
			time.Sleep(20 * time.Millisecond) // a tick of the kernel's clock
			must(t, os.WriteFile(path, []byte("lap 5"), 0o666))
			must(t, os.Chtimes(path, at(-time.Hour), at(-time.Hour)))
		}, true, false, true, "lap 5"},
		{"edited within a tick of the clock after hashing", at(0), func(t *testing.T, path string) {
			write(t, path, "lap 4")
			must(t, os.Chtimes(path, at(0), at(0)))
		}, true, false, true, "lap 4"},
		{"rehash reads", at(-time.Hour), nil, true, true, true, "lap 1"},
		{"rehash trusts what this store read", at(-time.Hour), nil, false, true, false, "lap 1"},
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			dir, path := t.TempDir(), filepath.Join(t.TempDir(), "lap.csv")
			disk := &counting{}
			o := Options{Now: func() time.Time { return start }, fs: disk}
			write(t, path, "lap 1")
			must(t, os.Chtimes(path, tt.mtime, tt.mtime))
			s := open(t, dir, o)
			if id, err := s.FileID(path, false); err != nil || id != key.Of([]byte("lap 1")) {
				t.Fatal(id, err)
			}
			if tt.between != nil {
				tt.between(t, path)
			}
			if tt.reopen {
				must(t, s.Close())
				s = open(t, dir, o)
			}
			id, content, err := s.FileContent(path, tt.rehash, func(size int64) []byte { return make([]byte, size) }, nil)
			if err != nil || id != key.Of([]byte(tt.want)) {
				t.Errorf("id %v, %v; want that of %q", id, err, tt.want)
			}
			if want := tt.want; tt.wantRead && string(content) != want || !tt.wantRead && content != nil {
				t.Errorf("content %q; it was read: %t, of %q", content, tt.wantRead, want)
			}
			if got := disk.opens["lap.csv"] > 1; got != tt.wantRead {
				t.Errorf("read again: %t, want %t", got, tt.wantRead)
			}
		})
	}
}

func TestFileIDFails(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "lap.csv")
	write(t, path, strings.Repeat("x", 1<<20))
	grows := true
	s := open(t, t.TempDir(), Options{fs: &counting{reading: func(name string) {
		if name == path && grows {
			grows = false
			f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
			must(t, err)
			_, err = f.WriteString("more")
			must(t, err)
			must(t, f.Close())
		}
	}}})
	for _, hands := range []Hands{nil, alone, together} {
		grows = true
		if _, content, err := s.FileContent(path, false, func(size int64) []byte { return make([]byte, size) }, hands); err == nil || content != nil {
			t.Errorf("content of a file that grows: %d bytes, error %v", len(content), err)
		}
	}
	grows = true
	for _, tt := range []struct{ path, want string }{
		{path, "it changed while it was read; try again when it is complete"},
		{filepath.Join(dir, "absent"), "no such file"},
		{dir, "not a regular file"},
	} {
		if _, err := s.FileID(tt.path, false); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: error %v, want %q", tt.path, err, tt.want)
		}
	}
	id, content, err := s.FileContent(path, false, func(size int64) []byte { return make([]byte, size) }, together)
	if whole := read(t, path); err != nil || id != key.Of([]byte(whole)) || string(content) != whole {
		t.Errorf("complete at last: %v, %d bytes, %v", id, len(content), err)
	}
	if id, content, err := s.FileContent(path, true, func(int64) []byte { return nil }, nil); err != nil || id == (key.ID{}) || content != nil {
		t.Errorf("without room: %v, %d bytes, %v", id, len(content), err)
	}
}

// What a file held stands while it looks as it did when it was read, also shortly after it was written.
func TestStands(t *testing.T) {
	dir, path := t.TempDir(), filepath.Join(t.TempDir(), "lap.csv")
	write(t, path, "lap 1")
	disk := &counting{}
	s := open(t, dir, Options{fs: disk})
	if s.Stands(path, key.Of([]byte("lap 1"))) {
		t.Error("what was never read stands")
	}
	id, err := s.FileID(path, false)
	must(t, err)
	if !s.Stands(path, id) || s.Stands(path, key.Of([]byte("lap 2"))) {
		t.Error("the content that was read does not stand, or another does")
	}
	if n := disk.opens["lap.csv"]; n != 1 {
		t.Errorf("the file was opened %d times, want 1", n)
	}
	write(t, path, "lap 10")
	if s.Stands(path, id) {
		t.Error("what was replaced stands")
	}
	must(t, os.Remove(path))
	if s.Stands(path, id) {
		t.Error("what was removed stands")
	}
}

// Many tasks that need one recording at once read it once.
func TestFileIDReadsOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lap.csv")
	write(t, path, strings.Repeat("x", 1<<20))
	old := time.Now().Add(-time.Hour)
	must(t, os.Chtimes(path, old, old))
	disk := &counting{}
	s := open(t, t.TempDir(), Options{fs: disk})
	var wg sync.WaitGroup
	for range 16 {
		wg.Go(func() {
			if id, err := s.FileID(path, false); err != nil || id == (key.ID{}) {
				t.Error(id, err)
			}
		})
	}
	wg.Wait()
	if n := disk.opens["lap.csv"]; n != 1 {
		t.Errorf("read %d times", n)
	}
}

// Stores that save the index one after the other keep each other's records.
func TestIndexMerges(t *testing.T) {
	dir, files := t.TempDir(), t.TempDir()
	one, two := open(t, dir, Options{}), open(t, dir, Options{})
	for i, s := range []*Store{one, two} {
		path := filepath.Join(files, []string{"a", "b"}[i])
		write(t, path, path)
		_, err := s.FileID(path, false)
		must(t, err)
	}
	must(t, one.Close())
	must(t, two.Close())
	three := open(t, dir, Options{})
	if st, err := three.Stat(); err != nil || st.Records != 2 {
		t.Errorf("%+v, %v", st, err)
	}
}

func TestMerge(t *testing.T) {
	mine := map[string]record{"both": {size: 1, recorded: 10, used: 10}, "newer here": {size: 1, recorded: 30, used: 30}}
	merge(mine, map[string]record{"both": {size: 2, recorded: 20, used: 5}, "newer here": {size: 2, recorded: 20, used: 99}, "theirs": {size: 3}})
	want := map[string]record{"both": {size: 2, recorded: 20, used: 10}, "newer here": {size: 1, recorded: 30, used: 99}, "theirs": {size: 3}}
	for path, w := range want {
		if mine[path] != w {
			t.Errorf("%s: %+v, want %+v", path, mine[path], w)
		}
	}
}
