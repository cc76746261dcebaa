//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package first

import (
	"math"
	"runtime"
	"syscall"
	"unsafe"
)

const (
	room  = 256 << 20 // bytes of address space: more than a season of some hundred laps takes; a power of two, as the sizes of stacks are
	start = 24 << 20  // of which huge pages are asked for at once: what a run takes until it knows what it has to do
	page  = 2 << 20   // the usual size of a huge page, by which addresses are aligned

	mostTurns = 1000 // for which a goroutine's end is waited
)

// Advice of the kernel's that package syscall does not name (madvise(2)): the second is known from Linux 6.1 on, and refused before.
const (
	hugePage = 14
	collapse = 25
)

// from and to are where the room is; both are 0 where there is none.
var from, to uintptr

// Room returns the addresses from and to which the heap grows next, 0 and 0 where it was not seen to.
// When the program starts nothing but a part of the first huge page is touched. Huge pages are asked for at their beginning only.
func Room() (uintptr, uintptr) { return from, to }

func init() {
	if !roomy() {
		return
	}
	before := runtime.NumGoroutine()
	done := make(chan struct{})
	go func() {
		var top byte
		reserve(&top, nil)
		close(done)
	}()
	<-done
	// The stack is given back, and with that the heap has grown, when the goroutine is counted no more: soon.
	for turn := 0; turn < mostTurns && runtime.NumGoroutine() > before; turn++ {
		runtime.Gosched()
	}
}

// halfFrame is half of what reserve has on its stack, which has some kB beside.
type halfFrame [room/2 - 16<<10]byte

// reserve needs a stack of the size of the room, since a call that never comes about would take its argument by value, from a copy.
// Stacks are memory of the heap, but their end is that of their goroutine: no garbage is collected to have them back.
// That a part of the advice is refused changes nothing but how long the start takes.
//
//go:noinline
func reserve(top *byte, never *halfFrame) {
	if never != nil {
		take(*never)
	}
	from, to = bottom()&^(page-1), uintptr(unsafe.Pointer(top))&^(page-1)
	if to < from+start {
		from, to = 0, 0 // stacks are laid out in another way
		return
	}
	_, _, _ = syscall.RawSyscall(syscall.SYS_MADVISE, from, start, hugePage)
	_, _, _ = syscall.RawSyscall(syscall.SYS_MADVISE, from, page, collapse) // the heap in use ends there
}

//go:noinline
func take(halfFrame) {}

// bottom is where the stack in use ends.
//
//go:noinline
func bottom() uintptr {
	var here byte
	return uintptr(unsafe.Pointer(&here))
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
	return syscall.Sysinfo(&info) == nil && uint64(info.Totalram)*uint64(info.Unit) >= 4*room && !strict()
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
