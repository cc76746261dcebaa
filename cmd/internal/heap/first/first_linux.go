//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package first

import (
	"math"
	"runtime"
	"syscall"
	"unsafe"
)

const (
	start = 32 << 20  // bytes of address space: what a run takes until it knows what it has to do
	more  = 256 << 20 // and beside them: more than a season of some hundred laps takes; powers of two, as the sizes of stacks are
	page  = 2 << 20   // the usual size of a huge page, by which addresses are aligned
	spare = 32 << 10  // of a stack, for what is not the large frame

	mostTurns = 20 // for which a goroutine that has nothing more to do is waited for
)

// Advice of the kernel's that package syscall does not name (madvise(2)): the second is known from Linux 6.1 on, and refused before.
const (
	hugePage = 14
	collapse = 25
)

// from and to are where the room of the start is; both are 0 where there is none.
var from, to uintptr

func init() {
	makeRoom()
	if runtime.NumCPU() > 1 {
		go mapProgram() // not before: both change the address space, for which one waits for the other
	}
}

// makeRoom has the heap grow by the room of the start.
func makeRoom() {
	if !roomy() {
		return
	}
	var low uintptr
	low, to = room[[(start - spare) / 2]byte]()
	from = (low - 2*spare) &^ (page - 1) // the heap in use ends before the stack that was there
	if to < from+start/2 {
		from, to = 0, 0 // stacks are laid out in another way
		return
	}
	advise(from, to, hugePage)
	advise(from, low&^(page-1)+page, collapse) // both have pages of the usual size already
}

// Grow makes room for a season and returns the addresses from and to which the heap grows next, 0 and 0 where that is not seen to.
// It is called once.
func Grow() (uintptr, uintptr) {
	if to == 0 {
		return 0, 0
	}
	advise(to, to+page, collapse) // the stack that was there began in it, by which it has a page of the usual size
	low, high := room[[(more - spare) / 2]byte]()
	if low < from || low >= to || high < to {
		return 0, 0
	}
	return from, high
}

// advise gives the kernel advice. That a part of it is refused changes nothing but how long the program takes.
func advise(from, to uintptr, advice uintptr) {
	_, _, _ = syscall.RawSyscall(syscall.SYS_MADVISE, from, to-from, advice)
}

// room has the heap grow by a stack of about twice the size of half, and returns where that was.
func room[half any]() (low, high uintptr) {
	before := runtime.NumGoroutine()
	done := make(chan struct{})
	go func() {
		var top byte
		low, high = reserve[half](&top, nil)
		close(done)
	}()
	<-done
	// The stack is given back, and with that the heap has grown, when the goroutine is counted no more: soon.
	for turn := 0; turn < mostTurns && runtime.NumGoroutine() > before; turn++ {
		runtime.Gosched()
	}
	return low, high &^ (page - 1)
}

// reserve needs a stack of twice the size of half, since a call that never comes about would take its argument by value, from a copy.
// Stacks are memory of the heap, but their end is that of their goroutine: no garbage is collected to have them back.
//
//go:noinline
func reserve[half any](top *byte, never *half) (low, high uintptr) {
	if never != nil {
		take(*never)
	}
	return bottom(), uintptr(unsafe.Pointer(top))
}

//go:noinline
func take[half any](half) {}

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
	return syscall.Sysinfo(&info) == nil && uint64(info.Totalram)*uint64(info.Unit) >= 4*more && !strict()
}

// strict tells whether the system promises memory strictly: no more than it has. Then it counts what is reserved.
func strict() bool {
	var mode [1]byte
	return readHead("/proc/sys/vm/overcommit_memory", mode[:]) == 0 || mode[0] == '2'
}
