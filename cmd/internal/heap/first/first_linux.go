//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package first

import (
	"syscall"
	"unsafe"
)

// chunk is by what the runtime's heap grows, and how such parts are aligned, in bytes (runtime/mpalloc.go, pallocChunkBytes).
const chunk = 4 << 20

// Advice of the kernel's that package syscall does not name (madvise(2)): the second is known from Linux 5.14 on, and refused before.
const (
	hugePage      = 14
	populateWrite = 23
)

// from and to are between which addresses pages were asked for.
var from, to uintptr

func init() {
	free := make([]byte, 64<<10+1) // too large for a stack, and for what small objects share: it lies where the unused heap begins, and is not touched
	from = uintptr(unsafe.Pointer(&free[0]))
	to = (from + chunk) &^ (chunk - 1)
	// That a part is refused changes nothing but how long the start takes.
	_, _, _ = syscall.RawSyscall(syscall.SYS_MADVISE, from, to-from, hugePage)
	_, _, _ = syscall.RawSyscall(syscall.SYS_MADVISE, from, to-from, populateWrite)
}
