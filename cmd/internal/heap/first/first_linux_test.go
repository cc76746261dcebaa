//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package first

import (
	"os"
	"syscall"
	"testing"
	"unsafe"
)

// grown is what is allocated once package first has been initialised, as other packages' memory is: two chunks, so that gaps below the pages are filled too.
var grown [2 * chunk / (8 << 10)]*[8 << 10]byte

func init() {
	for i := range grown {
		grown[i] = new([8 << 10]byte)
	}
}

// The assumption: the heap grows into the pages that were asked for.
func TestHeapGrowsThere(t *testing.T) {
	within := 0
	for _, p := range grown {
		if at := uintptr(unsafe.Pointer(p)); at >= from && at < to {
			within++
		}
	}
	if within == 0 {
		t.Errorf("none of %d allocations lies from %#x to %#x; the first is at %p", len(grown), from, to, grown[0])
	}
}

// The pages that were asked for are there.
func TestPagesAreThere(t *testing.T) {
	if from == 0 || to <= from || to-from > chunk {
		t.Fatalf("pages from %#x to %#x were asked for", from, to)
	}
	pages := make([]byte, (to-from)/uintptr(os.Getpagesize()))
	if _, _, err := syscall.Syscall(syscall.SYS_MINCORE, from, to-from, uintptr(unsafe.Pointer(&pages[0]))); err != 0 {
		t.Fatalf("the pages are not mapped: %v", err)
	}
	there := 0
	for _, p := range pages {
		there += int(p & 1)
	}
	if there == len(pages) {
		return
	}
	if _, _, err := syscall.Syscall(syscall.SYS_MADVISE, from, to-from, populateWrite); err != 0 {
		t.Skipf("the system gave %d of %d pages: %v", there, len(pages), err) // as one older than Linux 5.14 does, or one without memory
	}
	t.Errorf("%d of %d pages are there, and more can be had", there, len(pages))
}
