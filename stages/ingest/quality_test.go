package ingest

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// shaken is a record of n samples at 1000 Hz: a sine of 20 Hz and noise.
func shaken(n int) []float64 {
	rng := rand.New(rand.NewPCG(5, 6))
	x := make([]float64, n)
	for i := range x {
		x[i] = 3*math.Sin(2*math.Pi*20*float64(i)/1000) + 0.2*rng.NormFloat64()
	}
	return x
}

// ramp climbs by 1 a sample, but by 0.01 far from a single sample that is too high.
func ramp(high float64) []float64 {
	x := make([]float64, 400)
	for i := 1; i < len(x); i++ {
		x[i] = x[i-1] + 1
		if i == 350 {
			x[i] -= 0.99
		}
	}
	x[100] += high
	return x
}

func TestQuality(t *testing.T) {
	const n = 6400
	with := func(change func(x []float64)) []float64 {
		x := shaken(n)
		change(x)
		return x
	}
	tests := []struct {
		reason  string
		x       []float64
		spikes  int64
		clipped int64
		flat    float64
	}{
		{"nothing wrong", shaken(n), 0, 0, 0},
		{"two single samples, up and down", with(func(x []float64) { x[1000] += 30; x[4000] -= 30 }), 2, 0, 0},
		{"a step of two samples is none", with(func(x []float64) { x[1000] += 30; x[1001] += 30 }), 0, 0, 0},
		{"a shock rings", with(func(x []float64) {
			for k := range 12 {
				x[1000+k] += 30 * math.Exp(-float64(k)/6) * math.Cos(math.Pi*float64(k))
			}
		}), 0, 0, 0},
		{"too small to stand out", with(func(x []float64) { x[1000] += 2 }), 0, 0, 0},
		{"a spike of 11 times the local step on a ramp", ramp(12), 1, 0, 0},
		{"one of 5 times does not stand out, though it does not ring", ramp(6), 0, 0, 0},
		{"steps of one resolution on a constant are no spikes; its value is an extreme", func() []float64 {
			x := make([]float64, 100)
			x[30], x[31], x[60] = 1, 1, 1
			return x
		}(), 0, 97, 0.038},
		{"clipped at both ends", with(func(x []float64) {
			for i, v := range x {
				x[i] = min(max(v, -2), 2.5)
			}
		}), 0, -1, -1},
		{"a run of two at the extreme is not clipped", with(func(x []float64) { x[10], x[11] = 5, 5 }), 0, 0, 0.001},
		{"frozen for half a second", with(func(x []float64) {
			for i := range 501 {
				x[3000+i] = 0.5
			}
		}), 0, 0, 0.5},
		{"constant", make([]float64, n), 0, 0, float64(n-1) / 1000},
	}
	for _, tt := range tests {
		got := assess(tt.x, nil, 1000, 3)
		want := quality{samples: int64(len(tt.x)), rate: 1000, gaps: 3, spikes: tt.spikes, clipped: tt.clipped, flat: tt.flat, drift: got.drift}
		if tt.clipped < 0 { // counted here the slow way
			want.clipped, want.flat = countClipped(tt.x)
		}
		if diff := cmp.Diff(want, got, cmp.AllowUnexported(quality{}), cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 1e-12 })); diff != "" {
			t.Errorf("%s: %s", tt.reason, diff)
		}
	}
}

// countClipped counts the samples at the bounds -2 and 2.5 that have two equal
// neighbours in a row around them, and the longest such run in s.
func countClipped(x []float64) (n int64, longest float64) {
	equal := func(i, j int) bool { return i >= 0 && j < len(x) && x[i] == x[j] }
	run := 0
	for i, v := range x {
		if i > 0 && x[i-1] == v {
			run++
		} else {
			run = 0
		}
		longest = max(longest, float64(run)/1000)
		if v != -2 && v != 2.5 {
			continue
		}
		if equal(i-2, i-1) && equal(i-1, i) || equal(i-1, i) && equal(i, i+1) || equal(i, i+1) && equal(i+1, i+2) {
			n++
		}
	}
	return n, longest
}

func TestDrift(t *testing.T) {
	line := func(n int, slope float64) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = 7 + slope*float64(i)/1000
		}
		return x
	}
	noisy := shaken(6400)
	for i := range noisy {
		noisy[i] += 10 * float64(i) / 6399
	}
	for i := range 1000 { // an outlying stretch does not move the line far
		noisy[2000+i] += 500
	}
	late := []float64{0, 1, 2, 4, 8}
	tests := []struct {
		reason   string
		x, times []float64
		want     float64
		within   float64
	}{
		{"a straight line", line(6400, 2), nil, 2 * 6.399, 1e-9},
		{"two samples", line(2, -5), nil, -0.005, 1e-12},
		{"a sine, noise, an outlying stretch", noisy, nil, 10, 0.5},
		{"no drift", shaken(6400), nil, 0, 0.1},
		{"times that are not uniform", []float64{0, 3, 6, 12, 24}, late, 24, 1e-12},
		{"large numbers do not overflow", []float64{-8e307, -8e307, -8e307}, nil, 0, 0},
	}
	for _, tt := range tests {
		if got := assess(tt.x, tt.times, 1000, 0).drift; !(math.Abs(got-tt.want) <= tt.within) {
			t.Errorf("%s: drift %v, want %v within %v", tt.reason, got, tt.want, tt.within)
		}
	}
}
