// Package lanes holds the innermost loops that are worth a kernel for the processor's wide registers: the steps of a Fourier transform,
// sums over samples, the comparison of samples with the ones before them.
//
//   - Each has a plain version in Go, which says what it computes, and one for AVX2, which takes four or eight numbers at a time.
//   - Both give the same bits: sums are those of lanes in the plain version too, and no product is fused with a sum.
//   - Which one runs follows from the processor alone.
//
// Arguments of lengths that do not fit each other panic.
package lanes

// Sample is a number of a signal.
type Sample interface{ float32 | float64 }
