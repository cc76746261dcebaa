//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package heap

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"unsafe"

	"golang.org/x/sys/unix"

	"lapwear/cmd/internal/heap/first"
)

// mostPage is the largest huge page that is asked for, in bytes. Systems with pages of 64 kB have huge ones of 512 MB.
const mostPage = 4 << 20

// mostAdvised is for how many bytes of the heap huge pages are asked for at most.
const mostAdvised = 1 << 30

// arena is the alignment of the runtime's parcels of address space, in bytes (runtime/malloc.go, heapArenaBytes of 64-bit systems).
// A heap begins at such an address, by which the parcel's part that is in use already is asked for too.
const arena = 64 << 20

func advise(bytes int) (asked int, reason string) {
	page, reason := usable()
	if reason != "" {
		return 0, reason
	}
	bytes = within(bytes, memory(), groupMemory("/sys/fs/cgroup", setting("/proc/self/cgroup")))
	if uintptr(bytes) < page {
		return 0, "there is too little memory"
	}
	from, to := first.Grow()
	if to > from {
		reason = ask(from, min(to, (from+uintptr(bytes))&^(page-1)))
	}
	if uintptr(bytes) > to-from {
		withFresh(bytes, func(at uintptr) { reason = ask(span(at, uintptr(bytes), page)) })
	}
	if reason != "" {
		return 0, reason
	}
	return bytes, ""
}

// within is how much of so many bytes is asked for where these memories, in bytes, are to be had: a quarter of each at most. A heap may
// grow beyond, in pages of the usual size. An address range larger than all memory is refused, by which the runtime ends the process.
func within(bytes int, memories ...uint64) int {
	bytes = min(bytes, mostAdvised)
	for _, m := range memories {
		bytes = int(min(uint64(bytes), m/4))
	}
	return bytes
}

// memory is how many bytes the machine has, 0 where it does not say.
func memory() uint64 {
	var info unix.Sysinfo_t
	if err := unix.Sysinfo(&info); err != nil {
		return 0
	}
	return uint64(info.Totalram) * uint64(info.Unit)
}

// groupMemory is the least limit in bytes of the control groups that a process is in and those about them, as they can be read
// below root, where groups is what the kernel says of the process: lines "number:controllers:/path", cgroups(7).
func groupMemory(root, groups string) uint64 {
	least := uint64(math.MaxUint64)
	for line := range strings.Lines(groups) {
		_, rest, _ := strings.Cut(strings.TrimSpace(line), ":")
		controllers, path, found := strings.Cut(rest, ":")
		folder, file := root, "memory.max"
		if controllers != "" { // version 1
			folder, file = filepath.Join(root, "memory"), "memory.limit_in_bytes"
		}
		if !found || controllers != "" && !slices.Contains(strings.Split(controllers, ","), "memory") {
			continue
		}
		// Within a container the path may be that of the world outside: then the files are at its end, the root.
		for path = filepath.Join("/", path); ; path = filepath.Dir(path) {
			if limit, err := strconv.ParseUint(setting(filepath.Join(folder, path, file)), 10, 64); err == nil {
				least = min(least, limit)
			}
			if path == "/" {
				break
			}
		}
	}
	return least
}

// withFresh lends out where so many bytes of the heap are that nothing has touched. The pace of the collector does not come to
// know of them: while they are there none is begun, and one ends them.
func withFresh(bytes int, use func(at uintptr)) {
	percent := debug.SetGCPercent(-1)
	// A builder grows without clearing what it has gained; a slice might begin in memory that was in use and be cleared to its end.
	var fresh strings.Builder
	fresh.Grow(bytes)
	fresh.WriteByte(0)
	use(uintptr(unsafe.Pointer(unsafe.StringData(fresh.String()))))
	runtime.KeepAlive(&fresh)
	fresh.Reset()
	debug.SetGCPercent(percent) // before the collection: after one without a goal the runtime would give all that is free back to the system
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
	// It counts what is reserved for writing, touched or not. Near it no stack is left for a new thread, by which the process ends.
	if err := unix.Getrlimit(unix.RLIMIT_DATA, &limit); err != nil || limit.Cur != unix.RLIM_INFINITY {
		return 0, "the data segment is limited"
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
