package flush

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"testing"
)

// What a file's own method does, File does, of whatever kind the file is; and so do many at once.
func TestFile(t *testing.T) {
	dir := t.TempDir()
	folder, err := os.Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer folder.Close()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	defer w.Close()
	closed, err := os.Create(filepath.Join(dir, "closed"))
	if err != nil {
		t.Fatal(err)
	}
	closed.Close()
	for reason, f := range map[string]*os.File{"a folder": folder, "a pipe": w, "closed": closed, "none": nil} {
		got, want := File(f), f.Sync()
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s: %v, want %v", reason, got, want)
		}
		var a, b *fs.PathError
		if errors.As(got, &a) != errors.As(want, &b) || a != nil && a.Err != b.Err {
			t.Errorf("%s: %#v, want %#v", reason, got, want)
		}
	}
	written(t, dir, 300, File)
}

// written writes and flushes so many files side by side.
func written(t testing.TB, dir string, n int, flush func(*os.File) error) {
	t.Helper()
	var work sync.WaitGroup
	for i := range n {
		work.Go(func() {
			f, err := os.Create(filepath.Join(dir, fmt.Sprint(i)))
			if err == nil {
				defer f.Close()
				_, err = f.Write(make([]byte, 10_000))
			}
			if err == nil {
				err = flush(f)
			}
			if err != nil {
				t.Errorf("file %d: %v", i, err)
			}
		})
	}
	work.Wait()
}

// Work on all processors beside 14 files that are flushed: how long both take.
func BenchmarkFile(b *testing.B) { beside(b, File) }
func BenchmarkSync(b *testing.B) { beside(b, (*os.File).Sync) }

// computed keeps the work from being left out.
var computed atomic.Uint64

func compute(n int) (x uint64) {
	for i := range n {
		x = x*6364136223846793005 + uint64(i)
	}
	return x
}

func beside(b *testing.B, flush func(*os.File) error) {
	dir := b.TempDir()
	for b.Loop() {
		var work sync.WaitGroup
		for range 2 {
			work.Go(func() { computed.Add(compute(4e7)) })
		}
		work.Go(func() { written(b, dir, 14, flush) })
		work.Wait()
	}
}
