package ingest

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"testing"
)

// stamps makes n times, each written and read back as the format has it.
func stamps(n int, format string, at func(i int) float64) []float64 {
	t := make([]float64, n)
	for i := range t {
		v, err := strconv.ParseFloat(fmt.Sprintf(format, at(i)), 64)
		if err != nil {
			panic(err)
		}
		t[i] = v
	}
	return t
}

func evenly(rate, start float64) func(int) float64 {
	return func(i int) float64 { return start + float64(i)/rate }
}

func TestPace(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	single := stamps(60000, "%.17g", evenly(1000, 40))
	for i, v := range single {
		single[i] = float64(float32(v))
	}
	dropped := func(at ...int) func(int) float64 {
		return func(i int) float64 {
			for _, d := range at {
				if i >= d {
					i++
				}
			}
			return float64(i) / 100
		}
	}
	tests := []struct {
		reason  string
		t       []float64
		rate    float64 // Hz, exact
		uniform bool
		gaps    int
	}{
		{"exact", stamps(1000, "%.17g", evenly(2000, 0)), 2000, true, 0},
		{"two samples", []float64{3, 3.5}, 2, true, 0},
		{"seconds since 1970, microseconds", stamps(5000, "%.6f", evenly(2000, 1.9e9)), 2000, true, 0},
		{"milliseconds at 1024 Hz", stamps(60000, "%.3f", evenly(1024, 12.3)), 1024, true, 0},
		{"milliseconds at 700 Hz: steps of 1 and 2 ms", stamps(60000, "%.3f", evenly(700, 0)), 700, true, 0},
		{"a third of a hertz", stamps(600, "%.3f", evenly(100.0/3, 0)), 100.0 / 3, true, 0},
		{"seven significant digits: coarser with time", stamps(600000, "%.7g", evenly(3000, 0)), 3000, true, 0},
		{"single precision", single, 1000, true, 0},
		{"a rate that is no round number", stamps(60000, "%.9f", evenly(1999.37, 0)), 1999.37, true, 0},
		{"jitter of a tenth of a step", stamps(20000, "%.9f", func(i int) float64 {
			return (float64(i) + 0.1*rng.Float64()) / 500
		}), 500, false, 0},
		{"one sample lost", stamps(5000, "%.2f", dropped(1234)), 100, false, 1},
		{"one sample lost in the middle: within half of the stamps' rounding, yet a gap", stamps(5000, "%.2f", dropped(2500)), 100, false, 1},
		{"three lost, two of them at once", stamps(5000, "%.3f", dropped(100, 101, 3000)), 100, false, 2},
	}
	for _, tt := range tests {
		p := paceOf(tt.t)
		rate := p.rate(1)
		if p.uniform != tt.uniform || p.gaps != tt.gaps {
			t.Errorf("%s: uniform %v with %d gaps, want %v with %d", tt.reason, p.uniform, p.gaps, tt.uniform, tt.gaps)
		}
		if rate != tt.rate && math.Abs(rate-tt.rate) > 1e-9*tt.rate {
			t.Errorf("%s: rate %v, want %v", tt.reason, rate, tt.rate)
		}
	}
}

func TestRoundRate(t *testing.T) {
	tests := []struct{ rate, rel, want float64 }{
		{2000.0000001, 1e-8, 2000},
		{2000.0000001, 1e-12, 2000.0000001},
		{33.33333, 1e-6, 100.0 / 3},
		{12.5, 0, 12.5},
		{0.1, 0, 0.1},
		{1999.37, 1e-6, 1999.37},
	}
	for _, tt := range tests {
		if got, _ := roundRate(tt.rate, tt.rel); got != tt.want {
			t.Errorf("roundRate(%v, %v) = %v, want %v", tt.rate, tt.rel, got, tt.want)
		}
	}
}

// The rate of samples that are not uniform has a ratio of small whole numbers to any
// round one, for it need not be exact; that of uniform ones is theirs, and however little
// is known of it, it is rounded by no more than a thousandth.
func TestRateOfUnevenSamples(t *testing.T) {
	rng := rand.New(rand.NewPCG(13, 7))
	for _, rate := range []float64{0.7, 3.1, 7, 9.97, 13.37, 49.83, 50, 133.3, 416.6, 1000, 1999.37} {
		for _, n := range []int{20, 200, 2000} {
			p := paceOf(stamps(n, "%.9f", func(i int) float64 { return (float64(i) + 0.2*rng.Float64()) / rate }))
			got, whole := p.rate(1), false
			for d := 1.0; d <= 10; d++ {
				whole = whole || math.Abs(got*d-math.Round(got*d)) < 1e-9
			}
			if p.uniform || !whole || math.Abs(got/rate-1) > 0.06 {
				t.Errorf("%v Hz, %d samples: %v Hz, uniform %v; want a ratio to a number up to ten near it", rate, n, got, p.uniform)
			}
		}
	}
	p := pace{step: 1 / 0.3017, rel: 1, uniform: true}
	if got := p.rate(1); math.Abs(got-0.3017) > 1e-15 {
		t.Errorf("uniform samples at 0.3017 Hz have %v Hz", got)
	}
}

// The stamps follow from how they were made: those of a logger that stamps each sample
// when it gets to it. Common practice, no source.
func TestJitterLosesNothing(t *testing.T) {
	tests := []struct {
		reason string
		jitter float64 // of a step, to either side
		lost   map[int]int
		gaps   int
		most   float64 // steps of the longest gap
	}{
		{"a little", 0.2, nil, 0, 0},
		{"nearly half a step", 0.4, nil, 0, 0},
		{"nearly half a step, and twenty samples lost at once", 0.4, map[int]int{9000: 20}, 1, 21},
		{"single samples lost here and there", 0.3, map[int]int{3000: 1, 9000: 1, 15000: 2}, 3, 3},
	}
	for _, tt := range tests {
		rng := rand.New(rand.NewPCG(3, 5))
		var stamps []float64
		late, missing := 0, 0
		for i := range 20000 {
			late += tt.lost[i]
			stamps = append(stamps, math.Round((float64(i+late)+tt.jitter*(2*rng.Float64()-1))*1e3)/1e6)
		}
		for _, n := range tt.lost {
			missing += n
		}
		p := paceOf(stamps)
		if p.rate(1) != 1000 || p.gaps != tt.gaps || math.Abs(p.most-tt.most) > 0.4 {
			t.Errorf("%s: %v Hz, %d gaps, the longest %.3f steps; want 1000 Hz, %d and %v", tt.reason, p.rate(1), p.gaps, p.most, tt.gaps, tt.most)
		}
		if samples := math.Round((stamps[len(stamps)-1]-stamps[0])/p.step) + 1; math.Abs(samples-float64(20000+missing)) > 2 {
			t.Errorf("%s: room for %v samples, want %d", tt.reason, samples, 20000+missing)
		}
	}
}
