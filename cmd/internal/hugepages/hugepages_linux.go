//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package hugepages

import (
	"fmt"
	"math"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"
)

// mostPage is the largest huge page that is asked for, in bytes. Systems with pages of 64 kB have huge ones of 512 MB.
const mostPage = 4 << 20

// arena is the alignment of the runtime's parcels of address space, in bytes (runtime/malloc.go, heapArenaBytes of 64-bit systems).
// A heap begins at such an address, by which the parcel's part that is in use already is asked for too.
const arena = 64 << 20

func advise(bytes int) string {
	page, reason := usable()
	if reason != "" {
		return reason
	}
	withFresh(bytes, func(at uintptr) { reason = ask(span(at, uintptr(bytes), page)) })
	return reason
}

// withFresh lends out where so many bytes of the heap are that nothing has touched. The pace of the collector does not come to
// know of them: while they are there none is begun, and one ends them.
func withFresh(bytes int, use func(at uintptr)) {
	percent := debug.SetGCPercent(-1)
	defer debug.SetGCPercent(percent)
	// A builder grows without clearing what it has gained; a slice might begin in memory that was in use and be cleared to its end.
	var fresh strings.Builder
	fresh.Grow(bytes)
	fresh.WriteByte(0)
	use(uintptr(unsafe.Pointer(unsafe.StringData(fresh.String()))))
	runtime.KeepAlive(&fresh)
	fresh.Reset()
	runtime.GC()
}

// span returns the whole huge pages between the beginning of the parcel in which size bytes at address at begin, and their end.
func span(at, size, page uintptr) (from, to uintptr) {
	return at &^ (arena - 1), (at + size) &^ (page - 1)
}

// ask gives the advice, which the system may follow or not, for addresses of the heap alone.
func ask(from, to uintptr) string {
	if to <= from {
		return "less than a page was asked for"
	}
	// A hole among the addresses is an error to the system, which advises what is about it all the same: madvise(2), ENOMEM.
	_, _, err := unix.Syscall(unix.SYS_MADVISE, from, to-from, unix.MADV_HUGEPAGE)
	if err != 0 && err != unix.ENOMEM {
		return fmt.Sprintf("the system refuses it: %v", err)
	}
	return ""
}

// usable returns the size of a huge page in bytes, or why none is to be asked for.
func usable() (page uintptr, reason string) {
	const folder = "/sys/kernel/mm/transparent_hugepage/"
	if when := setting(folder + "enabled"); !strings.Contains(when, "[madvise]") {
		return 0, fmt.Sprintf("huge pages are %q, not given on advice", when)
	}
	size, err := strconv.ParseUint(setting(folder+"hpage_pmd_size"), 10, 64)
	if err != nil || size == 0 || size > mostPage {
		return 0, fmt.Sprintf("a huge page has %d bytes", size)
	}
	if promise := setting("/proc/sys/vm/overcommit_memory"); promise == "2" || promise == "" {
		return 0, "memory is promised strictly"
	}
	var limit unix.Rlimit
	if err := unix.Getrlimit(unix.RLIMIT_AS, &limit); err != nil || limit.Cur != unix.RLIM_INFINITY {
		return 0, "address space is limited"
	}
	if debug.SetMemoryLimit(-1) != math.MaxInt64 {
		return 0, "the runtime's memory is limited"
	}
	return uintptr(size), ""
}

// setting reads one of the kernel's settings, "" where it has none of that name.
func setting(path string) string {
	text, _ := os.ReadFile(path)
	return strings.TrimSpace(string(text))
}
