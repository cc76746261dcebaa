package lanes

// Sums are those of eight lanes: lane k adds up the numbers k, k+8, k+16, …, and the last ones that fill no row of eight; then the lanes
// are added up by joined.

func joined(l *[8]float64) float64 {
	return ((l[0] + l[4]) + (l[1] + l[5])) + ((l[2] + l[6]) + (l[3] + l[7]))
}

// Sum is the sum of numbers.
func Sum[T Sample](x []T) float64 {
	var l [8]float64
	whole := len(x) &^ 7
	switch x := any(x).(type) {
	case []float32:
		if wide && whole > 0 {
			sumAVX2(&x[0], whole, &l)
		} else {
			sum(x[:whole], &l)
		}
	case []float64:
		if wide && whole > 0 {
			sum64AVX2(&x[0], whole, &l)
		} else {
			sum(x[:whole], &l)
		}
	}
	for k, v := range x[whole:] {
		l[k] += float64(v)
	}
	return joined(&l)
}

func sum[T Sample](x []T, l *[8]float64) {
	a, b, c, d, e, f, g, h := l[0], l[1], l[2], l[3], l[4], l[5], l[6], l[7]
	for ; len(x) >= 8; x = x[8:] {
		a, b, c, d = a+float64(x[0]), b+float64(x[1]), c+float64(x[2]), d+float64(x[3])
		e, f, g, h = e+float64(x[4]), f+float64(x[5]), g+float64(x[6]), h+float64(x[7])
	}
	*l = [8]float64{a, b, c, d, e, f, g, h}
}

// Squares is the sum of the squares of numbers less mean.
func Squares[T Sample](x []T, mean float64) float64 {
	var l [8]float64
	whole := len(x) &^ 7
	switch x := any(x).(type) {
	case []float32:
		if wide && whole > 0 {
			squaresAVX2(&x[0], whole, mean, &l)
		} else {
			squares(x[:whole], mean, &l)
		}
	case []float64:
		if wide && whole > 0 {
			squares64AVX2(&x[0], whole, mean, &l)
		} else {
			squares(x[:whole], mean, &l)
		}
	}
	for k, v := range x[whole:] {
		l[k] += square(float64(v) - mean)
	}
	return joined(&l)
}

func squares[T Sample](x []T, mean float64, l *[8]float64) {
	a, b, c, d, e, f, g, h := l[0], l[1], l[2], l[3], l[4], l[5], l[6], l[7]
	for ; len(x) >= 8; x = x[8:] {
		a, b = a+square(float64(x[0])-mean), b+square(float64(x[1])-mean)
		c, d = c+square(float64(x[2])-mean), d+square(float64(x[3])-mean)
		e, f = e+square(float64(x[4])-mean), f+square(float64(x[5])-mean)
		g, h = g+square(float64(x[6])-mean), h+square(float64(x[7])-mean)
	}
	*l = [8]float64{a, b, c, d, e, f, g, h}
}

// square converts, so that no processor fuses the product with a sum.
func square(x float64) float64 { return float64(x * x) }

// Weigh writes samples less mean, times their weights.
func Weigh[T Sample](dst []float64, x []T, weights []float64, mean float64) {
	mustFit(len(x) == len(dst) && len(weights) == len(dst))
	whole := 0
	if wide && len(x) >= 8 {
		whole = len(x) &^ 7
		switch x := any(x).(type) {
		case []float32:
			weighAVX2(&dst[0], &x[0], &weights[0], whole, mean)
		case []float64:
			weigh64AVX2(&dst[0], &x[0], &weights[0], whole, mean)
		}
	}
	weigh(dst[whole:], x[whole:], weights[whole:], mean)
}

func weigh[T Sample](dst []float64, x []T, weights []float64, mean float64) {
	x, weights = x[:len(dst)], weights[:len(dst)]
	for i := range dst {
		dst[i] = (float64(x[i]) - mean) * weights[i]
	}
}
