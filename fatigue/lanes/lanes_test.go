package lanes

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// needWide skips a test that compares kernels where the processor has none.
func needWide(t *testing.T) {
	t.Helper()
	if !wide {
		t.Skip("no kernels for this processor")
	}
}

func noise(n int) []float64 {
	rng := rand.New(rand.NewPCG(uint64(n), 2))
	x := make([]float64, n)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	return x
}

// steps is noise in single precision with equal samples in a row, zeros of both signs and numbers of all sizes.
func steps(n int) []float32 {
	rng := rand.New(rand.NewPCG(uint64(n), 3))
	special := []float32{0, float32(math.Copysign(0, -1)), math.MaxFloat32, -math.MaxFloat32, math.SmallestNonzeroFloat32, -1e-40}
	x := make([]float32, n)
	for i := range x {
		switch k := rng.IntN(20); {
		case k < 4 && i > 0:
			x[i] = x[i-1]
		case k == 4:
			x[i] = special[rng.IntN(len(special))]
		default:
			x[i] = float32(rng.NormFloat64())
		}
	}
	return x
}

func widened(x []float32) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = float64(v)
	}
	return out
}

func sameBits(t *testing.T, what string, got, want []float64) {
	t.Helper()
	for i := range want {
		if math.Float64bits(got[i]) != math.Float64bits(want[i]) {
			t.Fatalf("%s: number %d of %d is %v by the kernel, %v plainly", what, i, len(want), got[i], want[i])
		}
	}
}

func TestStepsOfTransformGiveSameBits(t *testing.T) {
	needWide(t)
	for _, h := range []int{4, 8, 12, 64, 4096} {
		re, im := noise(2*h), noise(2*h + 1)[1:]
		r, i, turns := slices.Clone(re), slices.Clone(im), HalfTurns(h)
		Half(re, im, turns)
		half(r, i, turns)
		sameBits(t, "half, real", re, r)
		sameBits(t, "half, imaginary", im, i)
	}
	for _, q := range []int{4, 8, 20, 1024} {
		for _, blocks := range []int{1, 2, 3} {
			re, im := noise(4*q*blocks), noise(4*q*blocks + 1)[1:]
			r, i, turns := slices.Clone(re), slices.Clone(im), QuarterTurns(q)
			Quarter(re, im, turns)
			for b := range blocks {
				quarter(r[4*q*b:][:4*q], i[4*q*b:][:4*q], turns)
			}
			sameBits(t, "quarter, real", re, r)
			sameBits(t, "quarter, imaginary", im, i)
		}
	}
	for _, n := range []int{16, 48, 4096} {
		re, im := noise(n), noise(n + 1)[1:]
		sum, plain := noise(n), noise(n)
		Powers(sum, re, im)
		powers(plain, re, im)
		sameBits(t, "powers", sum, plain)
	}
}

// The steps together are the transform of the definition.
func TestStepsAreTransform(t *testing.T) {
	for _, plain := range []bool{false, true} {
		const n = 64
		re, im := noise(n), noise(n + 1)[1:]
		want := make([]float64, n)
		for k := range want {
			var r, i float64
			for j := range re {
				s, c := math.Sincos(-2 * math.Pi * float64(j*k%n) / n)
				r, i = r+re[j]*c-im[j]*s, i+re[j]*s+im[j]*c
			}
			want[k] = r*r + i*i
		}
		sum := make([]float64, n)
		if plain {
			quarter(re, im, QuarterTurns(16))
			for b := 0; b < n; b += 16 {
				quarter(re[b:b+16], im[b:b+16], QuarterTurns(4))
			}
			powers(sum, re, im)
		} else {
			Quarter(re, im, QuarterTurns(16))
			Quarter(re, im, QuarterTurns(4))
			Powers(sum, re, im)
		}
		for k := range want { // digits of k to the base of four in reverse, the last two exchanged
			at := 16*(k&3) + 4*(k>>4) + k>>2&3
			if math.Abs(sum[at]-want[k]) > 1e-12*want[k] {
				t.Errorf("plain %t: power %d is %v, want %v", plain, k, sum[at], want[k])
			}
		}
	}
}

func TestSumsGiveSameBits(t *testing.T) {
	needWide(t)
	for n := range 70 {
		for shift := range 3 {
			x := steps(n + shift)[shift:]
			for i, v := range x {
				x[i] = max(-1e30, min(1e30, v))
			}
			sumsAgree(t, x)
			sumsAgree(t, widened(x))
		}
	}
}

func sumsAgree[T Sample](t *testing.T, x []T) {
	t.Helper()
	whole := len(x) &^ 7
	var a, b [8]float64
	sum(x[:whole], &a)
	squares(x[:whole], 0.3, &b)
	for k, v := range x[whole:] {
		a[k] += float64(v)
		b[k] += square(float64(v) - 0.3)
	}
	what := fmt.Sprintf("%T of %d", x, len(x))
	sameBits(t, "sum of "+what, []float64{Sum(x)}, []float64{joined(&a)})
	sameBits(t, "squares of "+what, []float64{Squares(x, 0.3)}, []float64{joined(&b)})
	weights, got, want := noise(len(x)), make([]float64, len(x)), make([]float64, len(x))
	Weigh(got, x, weights, 0.7)
	weigh(want, x, weights, 0.7)
	sameBits(t, "weighed "+what, got, want)
}

// By the definition, in lanes that are added up in the end.
func TestSums(t *testing.T) {
	x := []float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}
	if got := Sum(x); got != 66 {
		t.Errorf("sum %v, want 66", got)
	}
	if got := Squares(x, 6); got != 110 {
		t.Errorf("squares %v, want 110", got)
	}
	if got := Sum([]float32{}); got != 0 {
		t.Errorf("sum of nothing %v, want 0", got)
	}
}

func TestOutline(t *testing.T) {
	for _, n := range []int{0, 1, 2, 63, 64, 65, 127, 128, 129, 191, 192, 200, 1000} {
		for shift := range 3 {
			x := steps(n + shift)[shift:]
			outlineIsRight(t, x)
			outlineIsRight(t, widened(x))
		}
	}
}

func outlineIsRight[T Sample](t *testing.T, x []T) {
	t.Helper()
	down, same := make([]uint64, Words(len(x))), make([]uint64, Words(len(x)))
	e := Outline(down, same, x)
	if !e.Finite || len(x) > 0 && (e.Lo != slices.Min(x) || e.Hi != slices.Max(x)) {
		t.Errorf("%T of %d: extent %+v, want %v to %v", x, len(x), e, slices.Min(x), slices.Max(x))
	}
	if len(x) > 0 && (e.Lo == 0 && 1/e.Lo < 0 || e.Hi == 0 && 1/e.Hi < 0) {
		t.Errorf("%T of %d: an end of the extent is -0", x, len(x))
	}
	for i := range 64 * len(down) {
		gotDown, gotSame := down[i/64]>>(i%64)&1 == 1, same[i/64]>>(i%64)&1 == 1
		wantDown := i > 0 && i < len(x) && x[i] < x[i-1]
		wantSame := i == 0 || i >= len(x) || x[i] == x[i-1]
		if gotDown != wantDown || gotSame != wantSame {
			t.Fatalf("%T of %d: sample %d: less %t, equal %t, want %t, %t", x, len(x), i, gotDown, gotSame, wantDown, wantSame)
		}
	}
}

func TestOutlineFindsWhatIsNotFinite(t *testing.T) {
	for _, n := range []int{1, 64, 70, 300} {
		for _, bad := range []float32{float32(math.NaN()), float32(math.Inf(1)), float32(math.Inf(-1))} {
			for at := range n {
				x := steps(n)
				x[at] = bad
				down, same := make([]uint64, Words(n)), make([]uint64, Words(n))
				if Outline(down, same, x).Finite || Outline(down, same, widened(x)).Finite {
					t.Fatalf("sample %d of %d is %v, but the outline says that all are finite", at, n, bad)
				}
			}
		}
	}
}

func BenchmarkTransform(b *testing.B) {
	const n = 4096
	re, im, sum := make([]float64, n), make([]float64, n), make([]float64, n)
	var turns [][]float64
	for q := n / 4; q > 1; q /= 4 {
		turns = append(turns, QuarterTurns(q))
	}
	b.Run("kernel", func(b *testing.B) {
		for b.Loop() {
			for _, t := range turns {
				Quarter(re, im, t)
			}
			Powers(sum, re, im)
		}
	})
	b.Run("plain", func(b *testing.B) {
		for b.Loop() {
			for _, t := range turns {
				size := len(t) / 6 * 4
				for from := 0; from < n; from += size {
					quarter(re[from:from+size], im[from:from+size], t)
				}
			}
			powers(sum, re, im)
		}
	})
}

func BenchmarkOutline(b *testing.B) {
	x := steps(200_000)
	down, same := make([]uint64, Words(len(x))), make([]uint64, Words(len(x)))
	benchOutline(b, "float32", down, same, x)
	benchOutline(b, "float64", down, same, widened(x))
}

func benchOutline[T Sample](b *testing.B, name string, down, same []uint64, x []T) {
	b.Run(name+"/kernel", func(b *testing.B) {
		for b.Loop() {
			Outline(down, same, x)
		}
	})
	b.Run(name+"/plain", func(b *testing.B) {
		for b.Loop() {
			var e Extent[T]
			for w := range len(x) / 64 {
				down[w], same[w] = e.word(x[0], x[64*w:][:64])
			}
		}
	})
}

func BenchmarkSums(b *testing.B) {
	benchSums(b, "float32", steps(8192))
	benchSums(b, "float64", noise(8192))
}

func benchSums[T Sample](b *testing.B, name string, x []T) {
	weights, dst := noise(len(x)), make([]float64, len(x))
	b.Run(name+"/kernel", func(b *testing.B) {
		for b.Loop() {
			Weigh(dst, x, weights, Sum(x))
			Squares(x, 0.5)
		}
	})
	b.Run(name+"/plain", func(b *testing.B) {
		for b.Loop() {
			var l [8]float64
			sum(x, &l)
			weigh(dst, x, weights, joined(&l))
			squares(x, 0.5, &l)
		}
	})
}

func BenchmarkRows(b *testing.B) {
	x, taps, dst := noise(5000), noise(240), make([]float64, 16)
	b.Run("kernel", func(b *testing.B) {
		for b.Loop() {
			Rows(dst, 1, x, 250, taps)
		}
	})
	pairs := noise(2 * 244)
	b.Run("pairs", func(b *testing.B) {
		for b.Loop() {
			RowPairs(dst, 2, x, 250, pairs)
		}
	})
	b.Run("plain", func(b *testing.B) {
		for b.Loop() {
			for r := range dst {
				dst[r] = row(x[250*r:][:len(taps)], taps)
			}
		}
	})
}

func TestRowsGiveSameBits(t *testing.T) {
	for n := 1; n < 30; n++ {
		for _, rows := range []int{1, 7, 8, 9, 25} {
			for _, stride := range []int{1, n, n + 3} {
				const period = 3
				x, taps := noise((rows-1)*stride+n), noise(n + 50)[50:]
				got := make([]float64, (rows-1)*period+1)
				Rows(got, period, x, stride, taps)
				for r := range rows {
					want := row(x[r*stride:][:n], taps)
					if math.Float64bits(got[r*period]) != math.Float64bits(want) {
						t.Fatalf("%d taps: row %d of %d is %v, plainly %v", n, r, rows, got[r*period], want)
					}
				}
			}
		}
	}
}

func TestRowsDoNotDependOnZerosBeside(t *testing.T) {
	x, taps := noise(40), noise(21)[:20]
	for before := range 8 {
		moved := make([]float64, 28)
		copy(moved[before:], taps)
		got, want := row(x[8-before:][:28], moved), row(x[8:28], taps)
		if math.Float64bits(got) != math.Float64bits(want) {
			t.Errorf("%d zeros before: %v, want %v", before, got, want)
		}
	}
}

func TestRows(t *testing.T) {
	got := make([]float64, 3)
	Rows(got, 2, []float64{1, 2, 3, 4, 5, 6, 7}, 2, []float64{1, 10, 100, 1000, 10000})
	if want := []float64{54321, 0, 76543}; !slices.Equal(got, want) {
		t.Errorf("rows %v, want %v", got, want)
	}
}

// Two sets of taps at once give the bits of each alone, wherever x ends beyond their last ones.
func TestRowPairsGiveSameBits(t *testing.T) {
	for _, n := range []int{4, 8, 20} {
		for _, outputs := range []int{1, 2, 3, 4, 11, 12, 13, 28, 36, 37} {
			for zeros := range 4 {
				const period, stride = 3, 2
				rows := (outputs + period - 1) / period
				taps := noise(2 * n)
				clear(taps[n-zeros : n])
				clear(taps[2*n-zeros:])
				x := noise((rows-1)*stride + n - zeros)
				got := make([]float64, outputs)
				RowPairs(got, period, x, stride, taps)
				for i := range got {
					want := 0.
					if i%period < 2 {
						m := n - zeros
						want = row(x[i/period*stride:][:m], taps[i%period*n:][:m])
					}
					if math.Float64bits(got[i]) != math.Float64bits(want) {
						t.Fatalf("%d taps, %d of them zero: output %d of %d is %v, plainly %v", n, zeros, i, outputs, got[i], want)
					}
				}
			}
		}
	}
}
