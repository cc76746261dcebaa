//go:build !amd64

package lanes

var wide = false // tests set it

func halfAVX2(re, im, turns *float64, h int)                                       {}
func quarterAVX2(re, im, turns *float64, blocks, q int)                            {}
func powersAVX2(sum, re, im *float64, n int)                                       {}
func sumAVX2(x *float32, n int, lanes *[8]float64)                                 {}
func squaresAVX2(x *float32, n int, mean float64, lanes *[8]float64)               {}
func weighAVX2(dst *float64, x *float32, weights *float64, n int, mean float64)    {}
func sum64AVX2(x *float64, n int, lanes *[8]float64)                               {}
func squares64AVX2(x *float64, n int, mean float64, lanes *[8]float64)             {}
func weigh64AVX2(dst *float64, x, weights *float64, n int, mean float64)           {}
func outlineAVX2(down, same *uint64, x *float32, words int, ends *[3][8]float32)   {}
func outline64AVX2(down, same *uint64, x *float64, words int, ends *[3][4]float64) {}
func rowsAVX2(dst *float64, period int, x *float64, stride int, taps *float64, n int, mask *[4]int64) {
}
func rowPairsAVX2(dst *float64, period int, x *float64, stride int, taps *float64, n int) {}
