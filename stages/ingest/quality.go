package ingest

import (
	"cmp"
	"math"
	"slices"

	"lapwear/stages/frame"
)

// quality is what a channel's samples show about the measurement. It judges
// nothing. Common practice, no source; the definitions are this package's own.
type quality struct {
	// samples is the number of samples.
	samples int64
	// rate is the nominal rate in Hz.
	rate float64
	// gaps is the number of time steps longer than 1.5 nominal steps. It is 0 where
	// the time stamps are those of uniform samples, rounded.
	gaps int64
	// spikes is the number of single samples that stand out from both neighbours to
	// the same side by more than 10 times the local spread and do not ring. The local
	// spread is the median size of the steps between neighbours within 32 samples, the
	// spike's own two left out, and at least the smallest step of the record, its
	// resolution. What rings, as a real shock does, has another step within 8 samples
	// that is larger than a quarter of the smaller of its two.
	spikes int64
	// clipped is the number of samples in runs of three or more at the largest or the
	// smallest value of the record. A record of one value has none.
	clipped int64
	// flat is the duration in s of the longest run of one value, from its first sample
	// to its last; 0 when no two neighbours are equal.
	flat float64
	// drift is the slope of a robust line times the record's duration, in the
	// channel's unit. The line is the Theil-Sen line (P. K. Sen, J. Am. Stat. Assoc. 63
	// (1968) 1379, doi:10.1080/01621459.1968.10480934) through the means of up to 64
	// blocks of equally many samples: the median of all slopes between two of them.
	drift float64
}

const (
	spikeTimes  = 10
	spikeReach  = 32
	ringReach   = 8
	ringShare   = 0.25
	clippedRun  = 3
	driftBlocks = 64
)

// assess computes the quality of a channel. Times are in s; nil for uniform samples.
func assess(x, times []float64, rate float64, gaps int) quality {
	at := func(i int) float64 { return float64(i) / rate }
	if times != nil {
		at = func(i int) float64 { return times[i] }
	}
	r := rangeOf(x)
	q := quality{samples: int64(len(x)), rate: rate, gaps: int64(gaps)}
	q.spikes = int64(spikes(x, r.resolution))
	q.flat, q.clipped = runs(x, r, at)
	q.drift = drift(x, at)
	return q
}

// extent is a record's extremes and its smallest step that is not 0.
type extent struct{ low, high, resolution float64 }

func rangeOf(x []float64) extent {
	e := extent{x[0], x[0], math.Inf(1)}
	for i := 1; i < len(x); i++ {
		v := x[i]
		if v < e.low {
			e.low = v
		}
		if v > e.high {
			e.high = v
		}
		if d := math.Abs(v - x[i-1]); d > 0 && d < e.resolution {
			e.resolution = d
		}
	}
	return e
}

// runs returns the longest duration of a run of one value, and the samples in long
// runs at an extreme.
func runs(x []float64, e extent, at func(int) float64) (longest float64, clipped int64) {
	for i := 0; i < len(x); {
		end := i + 1
		for end < len(x) && x[end] == x[i] {
			end++
		}
		if end > i+1 {
			longest = max(longest, at(end-1)-at(i))
		}
		if end-i >= clippedRun && e.low < e.high && (x[i] == e.low || x[i] == e.high) {
			clipped += int64(end - i)
		}
		i = end
	}
	return longest, clipped
}

// spikes counts single samples that stand out; see quality.
func spikes(x []float64, resolution float64) int {
	n := 0
	var near [2 * spikeReach]float64
	for i := 1; i+1 < len(x); i++ {
		up, down := x[i]-x[i-1], x[i]-x[i+1]
		if up*down <= 0 {
			continue
		}
		size := min(math.Abs(up), math.Abs(down))
		if size > spikeTimes*resolution && !rings(x, i, size) && size > spikeTimes*spread(x, i, near[:0]) {
			n++
		}
	}
	return n
}

// rings tells whether a step near sample i, its own two left out, is large. Near ones
// come first: in most signals they decide.
func rings(x []float64, i int, size float64) bool {
	large := ringShare * size
	for k := 1; k < ringReach; k++ {
		if i-k >= 1 && math.Abs(x[i-k]-x[i-k-1]) > large {
			return true
		}
		if i+k+1 < len(x) && math.Abs(x[i+k+1]-x[i+k]) > large {
			return true
		}
	}
	return false
}

// spread is the median size of the steps near sample i, its own two left out;
// infinite where there are too few to tell.
func spread(x []float64, i int, near []float64) float64 {
	for k := max(1, i-spikeReach+1); k < min(len(x), i+spikeReach+1); k++ {
		if k != i && k != i+1 {
			near = append(near, math.Abs(x[k]-x[k-1]))
		}
	}
	if len(near) < ringReach {
		return math.Inf(1)
	}
	slices.Sort(near)
	return near[len(near)/2]
}

// drift is the change along the Theil-Sen line; see quality.
func drift(x []float64, at func(int) float64) float64 {
	blocks := min(len(x), driftBlocks)
	t, y := make([]float64, blocks), make([]float64, blocks)
	for b := range blocks {
		from, to := b*len(x)/blocks, (b+1)*len(x)/blocks
		share, mean := 1/float64(to-from), 0.0
		for _, v := range x[from:to] {
			mean += float64(v * share)
		}
		y[b] = mean
		t[b] = (at(from) + at(to-1)) / 2
	}
	var slopes []float64
	for i := range blocks {
		for j := i + 1; j < blocks; j++ {
			slopes = append(slopes, (y[j]-y[i])/(t[j]-t[i]))
		}
	}
	slices.SortFunc(slopes, cmp.Compare[float64])
	middle := len(slopes) / 2
	slope := slopes[middle]
	if len(slopes)%2 == 0 {
		slope = slopes[middle-1]/2 + slopes[middle]/2
	}
	return slope * (at(len(x)-1) - at(0))
}

// qualityFrame tables the channels' quality, a row each.
func qualityFrame(names []string, all []quality) *frame.Frame {
	rate, flat, drift := make([]float64, len(all)), make([]float64, len(all)), make([]float64, len(all))
	count := [4][]int64{}
	for i, q := range all {
		rate[i], flat[i], drift[i] = q.rate, q.flat, q.drift
		for k, v := range [...]int64{q.samples, q.gaps, q.spikes, q.clipped} {
			count[k] = append(count[k], v)
		}
	}
	return frame.Must(nil,
		frame.Col("channel", "", names),
		frame.Col("samples", "", count[0]),
		frame.Col("rate_hz", "Hz", rate),
		frame.Col("gaps", "", count[1]),
		frame.Col("spikes", "", count[2]),
		frame.Col("clipped", "", count[3]),
		frame.Col("flat_s", "s", flat),
		frame.Col("drift", "", drift),
	)
}
