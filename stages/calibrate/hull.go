package calibrate

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// bounds is a range of a coefficient.
type bounds struct{ low, high float64 }

// products are the sums of products of a combination's channels and, last, the gauge.
type products []float64 // of a symmetric matrix, row by row

// productsOf sums over pieces of the laps, about two a segment of the plan, four a lap at
// least.
func productsOf(channels [][]prepared, p plan) []products {
	var out []products
	for i, l := range channels[0] {
		piece := max(1, min(p.samples(l.rate)*longestRun/2, len(l.s)/fewestRuns))
		for from := 0; from+piece <= len(l.s); from += piece {
			var v [][]float64
			for _, c := range channels {
				v = append(v, c[i].x[from:from+piece])
			}
			out = append(out, multiplied(append(v, l.s[from:from+piece])))
		}
	}
	return out
}

func multiplied(v [][]float64) products {
	var out products
	for _, a := range v {
		for _, b := range v {
			out = append(out, dot(a, b))
		}
	}
	return out
}

// exact is the share of noise that is granted to signals without any, whose products
// have no inverse.
const exact = 1e-10

// hull is the range of each coefficient over the direct regression and those of one
// channel on all else. Whatever the noise in each of the signals, as long as it is that
// signal's alone, the coefficients lie between these (Klepper and Leamer 1984,
// doi:10.2307/1911466); if a coefficient's signs differ, between nothing at all.
func hull(sum products) []bounds {
	n := int(math.Round(math.Sqrt(float64(len(sum)))))
	scaled := mat.NewDense(n, n, nil)
	size := func(i int) float64 { return math.Sqrt(sum[i*n+i]) }
	for i := range n {
		for j := range n {
			scaled.Set(i, j, sum[i*n+j]/(size(i)*size(j)))
		}
		scaled.Set(i, i, 1+exact)
	}
	var inverse mat.Dense
	if err := inverse.Inverse(scaled); err != nil && !errors.As(err, new(mat.Condition)) {
		return nil
	}
	out := make([]bounds, n-1)
	for k := range out {
		for on := range n {
			b := -inverse.At(on, k) / inverse.At(on, n-1) * size(n-1) / size(k)
			if on == 0 {
				out[k] = bounds{b, b}
			}
			out[k] = bounds{min(out[k].low, b), max(out[k].high, b)}
		}
		if out[k].low*out[k].high <= 0 {
			out[k] = bounds{math.Inf(-1), math.Inf(1)}
		}
	}
	return out
}

// coefficientRanges are 95 % ranges of a combination's coefficients: the hull, its ends
// from pieces drawn anew.
func (f Fitting) coefficientRanges(channels [][]prepared, p plan) []bounds {
	pieces := productsOf(channels, p)
	rng := rand.New(rand.NewPCG(uint64(f.Seed), 0x68756c6c))
	ends := make([][2][]float64, len(channels))
	for range resamples {
		sum := make(products, (len(channels)+1)*(len(channels)+1))
		for range pieces {
			for i, v := range pieces[rng.IntN(len(pieces))] {
				sum[i] += v
			}
		}
		for k, b := range hull(sum) {
			ends[k][0], ends[k][1] = append(ends[k][0], b.low), append(ends[k][1], b.high)
		}
	}
	out := make([]bounds, len(channels))
	for k, e := range ends {
		slices.Sort(e[0])
		slices.Sort(e[1])
		out[k] = bounds{math.Inf(-1), math.Inf(1)}
		if n := len(e[0]); n > 0 {
			out[k] = bounds{e[0][n/40], e[1][n-1-n/40]}
		}
	}
	return out
}

// widened is the interval of a combination's factor, by what its coefficients are not
// known: as far as each moves the stress's power.
func (c *candidate) widened(i interval) interval {
	var power, low, high float64
	for k, t := range c.terms {
		w := c.shares[k]
		r := bounds{c.ranges[k].low / t.taps[0], c.ranges[k].high / t.taps[0]}
		if t.taps[0] < 0 {
			r = bounds{r.high, r.low}
		}
		power, low, high = power+w, low+w*r.low, high+w*r.high
	}
	i.low, i.high = min(i.low, low/power), max(i.high, high/power)
	return i
}
