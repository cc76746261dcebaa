package cache

import (
	"math/rand/v2"
	"os"
	"strings"
	"sync/atomic"
	"testing"

	"lapwear/cache/internal/fsx"
)

// metered counts the bytes that are read in place.
type metered struct {
	fsx.Disk
	bytes *atomic.Int64
}

type meteredFile struct {
	fsx.File
	bytes *atomic.Int64
}

func (m metered) Open(name string) (fsx.File, error) {
	f, err := m.Disk.Open(name)
	if err != nil {
		return nil, err
	}
	return meteredFile{f, m.bytes}, nil
}

func (f meteredFile) ReadAt(b []byte, off int64) (int, error) {
	n, err := f.File.ReadAt(b, off)
	f.bytes.Add(int64(n))
	return n, err
}

// The entries of a pack are read about once, in whatever order they are asked for, where they fit the windows.
func TestEntriesInAnyOrderAreReadOnce(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	const n = 1000
	for i := range n {
		put(t, s, benchID(i), Entry{Stage: "count", Made: noon, Refused: strings.Repeat("why ", 250)})
	}
	must(t, s.Sync())
	info, err := os.Stat(packOf(s, benchID(0)))
	must(t, err)
	size := info.Size()
	if windows := size / windowStep; windows < 4 || windows >= mostWindows {
		t.Fatalf("the pack of %d bytes takes %d windows, want some, and less than are kept", size, windows)
	}
	var read atomic.Int64
	again := open(t, s.Dir(), Options{fs: metered{bytes: &read}})
	for _, i := range rand.New(rand.NewPCG(1, 2)).Perm(n) {
		if _, miss := again.Lookup(benchID(i)); miss != "" {
			t.Fatal(miss)
		}
	}
	if most := 2 * size; read.Load() > most {
		t.Errorf("%d bytes were read of a pack of %d, want at most %d", read.Load(), size, most)
	}
}
