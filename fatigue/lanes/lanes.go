// Package lanes holds the innermost loops that are worth a kernel for the processor's wide registers: the steps of a Fourier transform,
// sums over samples, the comparison of samples with the ones before them. It also hands out memory that is used again without being cleared (Uncleared, Spare).
//
//   - Each has a plain version in Go, which says what it computes, and one for AVX2, which takes four or eight numbers at a time.
//   - Both give the same bits for the numbers that a function says it takes, and for finite ones where it says nothing: sums are those of
//     lanes in the plain version too, and no product is fused with a sum.
//   - Which one runs follows from the processor alone.
//
// Arguments of lengths that do not fit each other panic.
//
// What the kernels are worth, as the least of six runs of the benchmarks here on a shared AMD EPYC server, plain and by kernel: steps of a transform of
// 4096 numbers 68 and 9.6 µs; sum, window and squares of a sample 3.8 and 0.66 ns (of double precision 2.1 and 0.59); outline of a sample
// 2.6 and 0.20 ns (3.9 and 0.79); a product of a row 0.58 and 0.10 ns, and in pairs two thirds of that. A lap's channel of 200,000
// samples so takes 2 ms less to count, and 6 ms less to resample from 2000 to 512 Hz. Of a sample too, plain (of double precision) and
// by the kernels of single precision: largest steps 2.6 and 0.29 ns, small ones 1.0 and 0.17, running sums 0.66 and 0.33, contrast of
// two windows 4.1 and 0.72, search of equal samples 0.52 and 0.05. Judging such a channel so takes over 1 ms
// less. By those of double precision, while others used the server as well: largest steps 2.4 and 0.72 ns, small ones 1.9 and 0.28,
// contrast 10 and 1.1, what is not finite 1.0 and 0.44. A cold run of 20 laps of text, 64 million samples of double precision, takes 0.8 s
// of processor time less with them.
package lanes

// Sample is a number of a signal.
type Sample interface{ float32 | float64 }
