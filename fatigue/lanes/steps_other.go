//go:build !amd64

package lanes

func stepsAVX2(most *float64, x *float32, blocks int, ends *stepEnds)                  {}
func smallAVX2(small *uint8, x *float32, limit *float64, blocks int)                   {}
func finiteAVX2(x *float32, n int) (worst uint32)                                      { return 0 }
func runningAVX2(out *float64, x *float32, n int, first, total float64) (last float64) { return 0 }
func contrastAVX2(l *[4]float64, n int, a, b *Around[float32])                         {}
func apartAVX2(x *float32, blocks int) int                                             { return 0 }

func steps64AVX2(most *float64, x *float64, blocks int, ends *stepEnds64) {}
func small64AVX2(small *uint8, x *float64, limit *float64, blocks int)    {}
func finite64AVX2(x *float64, n int) (worst uint32)                       { return 0 }
func contrast64AVX2(l *[4]float64, n int, a, b *Around[float64])          {}
