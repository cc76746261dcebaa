package lanes

import (
	"runtime"
	"slices"
	"sync"
	"testing"
	"unsafe"
)

// What is handed out is as long as was asked for, lies where such numbers may, and is nobody else's, also after collections of garbage.
func TestUncleared(t *testing.T) {
	for _, n := range []int{0, 1, leastUncleared / 8, leastUncleared/8 + 1, leastUncleared + 1, 200_003} {
		testUncleared[byte](t, n)
		testUncleared[int32](t, n)
		testUncleared[int64](t, n)
		testUncleared[float32](t, n)
		testUncleared[float64](t, n)
	}
}

func testUncleared[T float64 | float32 | int64 | int32 | byte](t *testing.T, n int) {
	t.Helper()
	var all [4][]T
	for k := range all {
		v := Uncleared[T](n)
		if len(v) != n {
			t.Fatalf("%d numbers of %T, want %d", len(v), v, n)
		}
		if at := uintptr(unsafe.Pointer(unsafe.SliceData(v))); at%unsafe.Sizeof(*new(T)) != 0 {
			t.Fatalf("%d numbers of %T begin at %#x", n, v, at)
		}
		for i := range v {
			v[i] = T(k + i%7)
		}
		all[k] = v
	}
	runtime.GC()
	for k, v := range all {
		for i, x := range v {
			if x != T(k+i%7) {
				t.Fatalf("number %d of %d of %T is %v, want %v", i, n, v, x, T(k+i%7))
			}
		}
	}
}

// What is cut out of spare memory lies in it, where such numbers may, with no part in common; what does not fit is had elsewhere.
func TestSpare(t *testing.T) {
	const room = 1 << 20
	whole := make([]byte, room-3, room)
	begin := uintptr(unsafe.Pointer(unsafe.SliceData(whole)))
	served := 0
	for range 100 { // a pool may lose what it is given
		spare = sync.Pool{}
		Spare(whole)
		wide, bytes, more := Uncleared[float64](10_001), Uncleared[byte](leastSpare+1), Uncleared[int16](100_003)
		Uncleared[byte](leastSpare)[0] = 9 // too little to be taken from it
		large := Uncleared[byte](room)
		fill(large, 4)
		for _, b := range [][]byte{raw(wide), bytes, raw(more)} {
			if at := uintptr(unsafe.Pointer(unsafe.SliceData(b))); at >= begin && at+uintptr(len(b)) <= begin+room {
				served++
			}
		}
		fill(raw(wide), 1)
		fill(bytes, 2)
		fill(raw(more), 3)
		for k, b := range [][]byte{raw(wide), bytes, raw(more), large} {
			if i := slices.IndexFunc(b, func(x byte) bool { return x != byte(k+1) }); i >= 0 {
				t.Fatalf("byte %d of %d of piece %d is %d", i, len(b), k, b[i])
			}
		}
		if at := uintptr(unsafe.Pointer(unsafe.SliceData(wide))); at%unsafe.Sizeof(wide[0]) != 0 {
			t.Fatalf("numbers begin at %#x", at)
		}
	}
	if served == 0 {
		t.Error("nothing is taken from spare memory")
	}
}

func raw[T any](v []T) []byte {
	return unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(v))), len(v)*int(unsafe.Sizeof(*new(T))))
}

func fill(b []byte, v byte) {
	for i := range b {
		b[i] = v
	}
}

var sink []float32

// Beside a heap of the size that a run has, for which garbage is collected seldom.
func BenchmarkUncleared(b *testing.B) {
	const n = 200_000
	ballast := Uncleared[byte](256 << 20)
	b.Run("uncleared", func(b *testing.B) {
		for b.Loop() {
			sink = Uncleared[float32](n)
		}
	})
	b.Run("make", func(b *testing.B) {
		for b.Loop() {
			sink = make([]float32, n)
		}
	})
	runtime.KeepAlive(ballast)
}
