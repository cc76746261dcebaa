package lanes

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// lengths are even and odd ones, about those of blocks.
var lengths = []int{1, 2, 3, 4, 5, 7, 8, 9, 31, 32, 33, 63, 64, 65, 66, 95, 96, 97, 1000, 1023, 1024, 1025, 4001}

// plainly runs what is to be done without kernels.
func plainly(of func()) {
	was := wide
	wide = false
	defer func() { wide = was }()
	of()
}

// thirds are samples that need all digits of double precision.
func thirds(x []float32) []float64 {
	out := widened(x)
	for i := range out {
		out[i] /= 3
	}
	return out
}

// Law: the kernels find the steps that the plain versions find.
func TestStepsOfKernels(t *testing.T) {
	needWide(t)
	for _, n := range lengths {
		x := steps(n)
		stepsAgree(t, x)
		stepsAgree(t, widened(x))
		stepsAgree(t, thirds(x))
	}
	large := thirds(steps(200))
	large[70], large[71] = -math.MaxFloat64, math.MaxFloat64 // too far apart for a number
	stepsAgree(t, large)
}

func stepsAgree[T Sample](t *testing.T, x []T) {
	t.Helper()
	n := len(x)
	most, want := make([]float64, n/Stride), make([]float64, n/Stride)
	var plain Span
	plainly(func() { plain = Steps(want, x) })
	if got := Steps(most, x); got != plain {
		t.Errorf("%d samples: %+v by the kernel, %+v plainly", n, got, plain)
	}
	sameBits(t, "steps", most, want)
	limit := make([]float64, len(most))
	for b := range limit {
		limit[b] = most[b] * rand.Float64()
	}
	smallAgree(t, x, limit)
}

func smallAgree[T Sample](t *testing.T, x []T, limit []float64) {
	t.Helper()
	few, want := make([]uint8, len(limit)), make([]uint8, len(limit))
	Small(few, x, limit)
	if plainly(func() { Small(want, x, limit) }); !slices.Equal(few, want) {
		t.Errorf("%d samples: small steps %v by the kernel, %v plainly", len(x), few, want)
	}
}

// Law: the kernels agree with the plain versions up to the ends of what they take.
func TestEndsOfWhatKernelsTake(t *testing.T) {
	needWide(t)
	for _, n := range []int{32, 64, 96, 131} {
		x := steps(n)
		y := widened(x)
		for _, edge := range []float64{0, math.SmallestNonzeroFloat64, math.MaxFloat64, math.Inf(1)} {
			limit := slices.Repeat([]float64{edge}, n/Stride)
			smallAgree(t, x, limit)
			smallAgree(t, y, limit)
			smallAgree(t, thirds(x), limit)
		}
		got, want := make([]float64, n), make([]float64, n)
		for _, total := range []float64{0, -1, math.SmallestNonzeroFloat64, math.MaxFloat64} {
			last, wantLast := Running(got, x, 0, total), Running(want, y, 0, total)
			sameBits(t, "running sums", append(slices.Clone(got), last), append(slices.Clone(want), wantLast))
		}
	}
}

// What Steps and Small say of a few samples that a person can check.
func TestStepsOfARamp(t *testing.T) {
	x := make([]float32, 2*Stride+5)
	for i := range x {
		x[i] = float32(i)
	}
	x[40] = x[39]
	most := make([]float64, 2)
	if got, want := Steps(most, x), (Span{0, 68, 1, true}); got != want || !slices.Equal(most, []float64{1, 2}) {
		t.Errorf("%+v and %v, want %+v and 1, 2", got, most, want)
	}
	few := make([]uint8, 2)
	if Small(few, x, []float64{1, 1.5}); !slices.Equal(few, []uint8{1, 31}) {
		t.Errorf("small steps %v, want 1, 31", few)
	}
	if got, want := Steps(nil, []float64{7}), (Span{7, 7, math.Inf(1), false}); got != want {
		t.Errorf("one sample: %+v, want %+v", got, want)
	}
}

func TestFiniteOfKernels(t *testing.T) {
	for _, n := range lengths {
		x := steps(n)
		if !Finite(x) || !Finite(widened(x)) {
			t.Fatalf("%d samples are not finite", n)
		}
		for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
			for range 20 {
				i := rand.IntN(n)
				was := x[i]
				if x[i] = float32(bad); Finite(x) || Finite(widened(x)) {
					t.Fatalf("%d samples with %v at %d are finite", n, bad, i)
				}
				x[i] = was
			}
		}
	}
}

// Law: the kernels sum as the plain versions do, to the bit.
func TestWindowsOfKernels(t *testing.T) {
	needWide(t)
	for _, n := range lengths {
		x := make([]float32, n+40)
		for i := range x {
			x[i] = float32(5 + rand.NormFloat64())
		}
		y := widened(x)
		got, want := make([]float64, len(x)), make([]float64, len(x))
		last, wantLast := Running(got, x, float64(x[0]), 0.1), Running(want, y, float64(x[0]), 0.1)
		sameBits(t, "running sums", append(got, last), append(want, wantLast))
		l, wantL := [4]float64{1, 2, 3, 4}, [4]float64{1, 2, 3, 4}
		Contrast(&l, aroundOf(x, got, n, 3), aroundOf(x, got, n, 17))
		plainly(func() { Contrast(&wantL, aroundOf(y, want, n, 3), aroundOf(y, want, n, 17)) })
		sameBits(t, "squares", l[:], wantL[:])
		z := thirds(x)
		Contrast(&l, aroundOf(z, got, n, 3), aroundOf(z, got, n, 17))
		plainly(func() { Contrast(&wantL, aroundOf(z, want, n, 3), aroundOf(z, want, n, 17)) })
		sameBits(t, "squares of double precision", l[:], wantL[:])
	}
}

func aroundOf[T Sample](x []T, sum []float64, n, reach int) *Around[T] {
	at := 20
	return &Around[T]{x[at-reach:][:n], x[at+reach:][:n], sum[at-reach:][:n], sum[at+reach:][:n], float64(x[0]), 0.3 / float64(reach), 0.01}
}

// A sum of ones is its number of terms, a window of a line has its middle as mean.
func TestRunningOfOnes(t *testing.T) {
	x, out := make([]float32, 11), make([]float64, 11)
	for i := range x {
		x[i] = 3
	}
	Running(out, x, 2, 10)
	for i, v := range out {
		if v != float64(11+i) {
			t.Errorf("sum %d is %v, want %d", i, v, 11+i)
		}
	}
}

// Law: where the kernels stop is where the plain versions do.
func TestSearchesOfKernels(t *testing.T) {
	needWide(t)
	for _, n := range lengths {
		x := make([]float32, n)
		for i := range x {
			x[i] = float32(i%7) - 3
		}
		for range 30 {
			y := slices.Clone(x)
			i := rand.IntN(n)
			y[i] = []float32{-4, 4, 9, -9, y[max(i, 1)-1]}[rand.IntN(5)]
			if got, want := Apart(y), Apart(widened(y)); got != want {
				t.Errorf("%d samples: %d differ, plainly %d", n, got, want)
			}
		}
	}
	if got := Apart([]float64{1, 2, 1, 1}); got != 3 {
		t.Errorf("3 samples differ, got %d", got)
	}
}

func BenchmarkSteps(b *testing.B) {
	x := steps(200000)
	most, few := make([]float64, len(x)/Stride), make([]uint8, len(x)/Stride)
	y := widened(x)
	run := func(name string, of func()) {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(4 * int64(len(x)))
			for b.Loop() {
				of()
			}
		})
	}
	out := make([]float64, 4000)
	both := func(name string, of func()) {
		run(name, of)
		run(name+"/plain", func() { plainly(of) })
	}
	both("steps", func() { Steps(most, x) })
	both("steps/double", func() { Steps(most, y) })
	both("small", func() { Small(few, x, most) })
	both("small/double", func() { Small(few, y, most) })
	both("finite", func() { Finite(x) })
	both("finite/double", func() { Finite(y) })
	ramp := make([]float32, len(x))
	for i := range ramp {
		ramp[i] = float32(i)
	}
	slope := widened(ramp)
	run("apart", func() { Apart(ramp) })
	run("apart/plain", func() { Apart(slope) })
	each := func(of func(i int)) func() {
		return func() {
			for i := 0; i < len(x); i += len(out) {
				of(i)
			}
		}
	}
	run("running", each(func(i int) { Running(out, x[i:i+len(out)], 1, 0) }))
	run("running/plain", each(func(i int) { Running(out, y[i:i+len(out)], 1, 0) }))
	var l [4]float64
	n := len(out) - 40
	both("contrast", each(func(i int) { Contrast(&l, aroundOf(x[i:], out, n, 3), aroundOf(x[i:], out, n, 17)) }))
	both("contrast/double", each(func(i int) { Contrast(&l, aroundOf(y[i:], out, n, 3), aroundOf(y[i:], out, n, 17)) }))
}
