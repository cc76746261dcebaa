package lanes

import (
	"strings"
	"unsafe"
)

// leastUncleared is from how many bytes on memory is worth a detour, by which the runtime does not clear it.
const leastUncleared = 32 << 10

// Uncleared returns n numbers of any value whatever, for those who write each before they read it: memory that make clears
// is touched twice. With the columns of recordings and what is stored of them made so, a cold season of 20 laps of 16
// channels took 1.73 s of processor time instead of 1.82, and 1.49 instead of 1.65 uncompressed, as the least of five runs on a busy machine.
func Uncleared[T float64 | float32 | int64 | int32 | byte](n int) []T {
	size := int(unsafe.Sizeof(*new(T)))
	if n <= leastUncleared/size {
		return make([]T, n)
	}
	// A builder's memory holds no pointers, begins where a number of any of these kinds may, and is this function's alone:
	// the text that it is part of is forgotten here.
	var b strings.Builder
	b.Grow(n * size)
	b.WriteByte(0)
	return unsafe.Slice((*T)(unsafe.Pointer(unsafe.StringData(b.String()))), n)
}
