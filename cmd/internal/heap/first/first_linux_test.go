//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package first

import (
	"os"
	"syscall"
	"testing"
	"unsafe"
)

// The assumption: the heap grows into the pages that were asked for, and they are there.
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
	if there < len(pages) {
		t.Skipf("the system gave %d of %d pages", there, len(pages))
	}
}
