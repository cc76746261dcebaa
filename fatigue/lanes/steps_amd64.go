package lanes

//go:noescape
func stepsAVX2(most *float64, x *float32, blocks int, ends *stepEnds)

//go:noescape
func steps64AVX2(most *float64, x *float64, blocks int, ends *stepEnds64)

//go:noescape
func small64AVX2(small *uint8, x *float64, limit *float64, blocks int)

//go:noescape
func finite64AVX2(x *float64, n int) (worst uint32)

//go:noescape
func contrast64AVX2(l *[4]float64, n int, a, b *Around[float64])

//go:noescape
func smallAVX2(small *uint8, x *float32, limit *float64, blocks int)

//go:noescape
func finiteAVX2(x *float32, n int) (worst uint32)

//go:noescape
func runningAVX2(out *float64, x *float32, n int, first, total float64) float64

//go:noescape
func contrastAVX2(l *[4]float64, n int, a, b *Around[float32])

// apartAVX2 is how many blocks, from the first on, hold no sample that is as the one before it.
//
//go:noescape
func apartAVX2(x *float32, blocks int) int
