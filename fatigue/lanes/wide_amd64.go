package lanes

import "golang.org/x/sys/cpu"

// wide says whether the kernels can run. Tests set it.
var wide = cpu.X86.HasAVX2

//go:noescape
func halfAVX2(re, im, turns *float64, h int)

//go:noescape
func quarterAVX2(re, im, turns *float64, blocks, q int)

//go:noescape
func powersAVX2(sum, re, im *float64, n int)

//go:noescape
func sumAVX2(x *float32, n int, lanes *[8]float64)

//go:noescape
func squaresAVX2(x *float32, n int, mean float64, lanes *[8]float64)

//go:noescape
func weighAVX2(dst *float64, x *float32, weights *float64, n int, mean float64)

//go:noescape
func sum64AVX2(x *float64, n int, lanes *[8]float64)

//go:noescape
func squares64AVX2(x *float64, n int, mean float64, lanes *[8]float64)

//go:noescape
func weigh64AVX2(dst *float64, x *float64, weights *float64, n int, mean float64)

//go:noescape
func outlineAVX2(down, same *uint64, x *float32, words int, ends *[3][8]float32)

//go:noescape
func outline64AVX2(down, same *uint64, x *float64, words int, ends *[3][4]float64)

//go:noescape
func rowsAVX2(dst *float64, period int, x *float64, stride int, taps *float64, n int, mask *[4]int64)

//go:noescape
func rowPairsAVX2(dst *float64, period int, x *float64, stride int, taps *float64, n int)
