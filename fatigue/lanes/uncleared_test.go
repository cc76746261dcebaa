package lanes

import (
	"runtime"
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
