package lanes

// Rows computes inner products of taps with rows of x that begin stride apart: row r goes to dst[r·period], for as many rows as dst holds.
// Each is a sum of four lanes: lane k adds up the products k, k+4, k+8, …; then the lanes 0 and 2, 1 and 3, and both of these are added up.
func Rows(dst []float64, period int, x []float64, stride int, taps []float64) {
	if len(dst) == 0 {
		return
	}
	rows := (len(dst)-1)/period + 1
	mustFit(period > 0 && stride >= 0 && len(taps) > 0 && (rows-1)*stride+len(taps) <= len(x))
	done := 0
	if wide {
		mask := masks[len(taps)%4]
		for ; done+8 <= rows; done += 8 {
			rowsAVX2(&dst[done*period], period, &x[done*stride], stride, &taps[0], len(taps), &mask)
		}
	}
	for r := done; r < rows; r++ {
		dst[r*period] = row(x[r*stride:][:len(taps)], taps)
	}
}

// masks let through as many numbers as are left over.
var masks = [4][4]int64{{}, {-1}, {-1, -1}, {-1, -1, -1}}

func row(x, taps []float64) float64 {
	var a, b, c, d float64
	for ; len(x) >= 4 && len(taps) >= 4; x, taps = x[4:], taps[4:] {
		a += float64(x[0] * taps[0])
		b += float64(x[1] * taps[1])
		c += float64(x[2] * taps[2])
		d += float64(x[3] * taps[3])
	}
	rest := [4]float64{a, b, c, d}
	for k, v := range x {
		rest[k] += float64(v * taps[k])
	}
	return (rest[0] + rest[2]) + (rest[1] + rest[3])
}

// RowPairs is Rows for two sets of taps at once, which stand one after the other and are equally long, a multiple of 4: those of the first
// go to dst[r·period], those of the second to dst[r·period+1], where dst has it. x may end within the last rows where only zeros
// of the taps are beyond it. Zeros before or after a set of taps change no bits, since adding up the lanes does not depend on which is the first.
func RowPairs(dst []float64, period int, x []float64, stride int, taps []float64) {
	n := len(taps) / 2
	mustFit(period > 1 && stride > 0 && n > 0 && n%4 == 0 && len(taps) == 2*n)
	rows, done := (len(dst)+period-1)/period, 0
	if wide {
		whole := min(len(dst)/period, (len(x)-n)/stride+1)
		if len(dst)%period > 1 {
			whole = min(rows, (len(x)-n)/stride+1)
		}
		for ; done+4 <= whole && len(x) >= n; done += 4 {
			rowPairsAVX2(&dst[done*period], period, &x[done*stride], stride, &taps[0], n)
		}
	}
	for r := done; r < rows; r++ {
		from := x[r*stride:]
		m := min(n, len(from))
		dst[r*period] = row(from[:m], taps[:m])
		if r*period+1 < len(dst) {
			dst[r*period+1] = row(from[:m], taps[n:n+m])
		}
	}
}
