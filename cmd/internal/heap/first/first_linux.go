//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package first

import (
	"math"
	"runtime"
	"syscall"
	"unsafe"
)

const (
	room  = 168 << 20 // bytes of address space: what a season of some hundred laps takes
	start = 24 << 20  // of which huge pages are asked for at once: what a run takes until it knows what it has to do
	page  = 2 << 20   // the usual size of a huge page, by which addresses are aligned
)

// Advice of the kernel's that package syscall does not name (madvise(2)): the second is known from Linux 5.14 on, and refused before.
const (
	hugePage      = 14
	populateWrite = 23
)

// from and to are where the room is; both are 0 where there is none.
var from, to uintptr

// Room returns the addresses from and to which the heap grows next, 0 and 0 where it was not seen to.
// Nothing has touched them when the program starts. Huge pages are asked for at their beginning only.
func Room() (uintptr, uintptr) { return from, to }

func init() {
	if !roomy() {
		return
	}
	reserve()
	runtime.GC() // what was reserved is free, and the heap has grown
}

// reserve has the heap grow by the room, and asks for pages at its beginning.
func reserve() {
	space := make([]byte, room) // new address space is not cleared, so it is not touched
	at := uintptr(unsafe.Pointer(&space[0]))
	from, to = (at+page-1)&^(page-1), (at+room)&^(page-1)
	// That a part is refused changes nothing but how long the start takes.
	_, _, _ = syscall.RawSyscall(syscall.SYS_MADVISE, from, start, hugePage)
	_, _, _ = syscall.RawSyscall(syscall.SYS_MADVISE, at, from-at, populateWrite) // a piece that is too small for a huge one
}

// roomy tells whether the system surely lets the heap grow by the room: where it does not, the runtime ends the process. Limits count what is reserved for
// writing, touched or not, and so does the runtime's limit of memory.
func roomy() bool {
	if _, limited := syscall.Getenv("GOMEMLIMIT"); limited {
		return false
	}
	for _, resource := range [...]int{syscall.RLIMIT_AS, syscall.RLIMIT_DATA} {
		var limit syscall.Rlimit
		if err := syscall.Getrlimit(resource, &limit); err != nil || limit.Cur != math.MaxUint64 {
			return false
		}
	}
	var info syscall.Sysinfo_t
	return syscall.Sysinfo(&info) == nil && uint64(info.Totalram)*uint64(info.Unit) >= 8*room && !strict()
}

// strict tells whether the system promises memory strictly: no more than it has. Then it counts what is reserved.
func strict() bool {
	file, err := syscall.Open("/proc/sys/vm/overcommit_memory", syscall.O_RDONLY|syscall.O_CLOEXEC, 0)
	if err != nil {
		return true
	}
	defer func() { _ = syscall.Close(file) }() // it was read only
	var mode [1]byte
	n, err := syscall.Read(file, mode[:])
	return err != nil || n == 0 || mode[0] == '2'
}
