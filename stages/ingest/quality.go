package ingest

import (
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"math"
	"slices"

	"lapwear/stages/frame"
)

// quality is what a channel's samples show about the measurement. It judges
// nothing. Common practice, no source; the definitions are this package's own.
type quality struct {
	// samples is the number of samples that are left.
	samples int64
	// missing is the number of rows of the lap in which the channel has no finite
	// value, and missingAt names the first. The rows are left out for all channels.
	missing   int64
	missingAt string
	// backward is the number of rows whose stamp does not advance beyond all before
	// it, and backwardAt names the first. They are left out.
	backward   int64
	backwardAt string
	// rate is the nominal rate in Hz.
	rate float64
	// gaps is the number of time steps longer than 1.5 nominal steps. It is 0 where
	// the time stamps are those of uniform samples, rounded. Rows left out make gaps.
	gaps int64
	// gapSteps is the longest gap in nominal steps, 0 without one, and gapAt names the
	// row after it.
	gapSteps float64
	gapAt    string
	// unsteady is by how much, as a share, the local rate departs from the nominal
	// one where it does so most: the mean step of each of up to 64 stretches of equally
	// many steps, gaps left out. It is 0 for uniform samples.
	unsteady float64
	// duration is the samples' number over the rate, or, where the samples are not
	// uniform, the time from the first to the last and a nominal step, in s.
	duration float64
	// spikes is the number of single samples that stand out from both neighbours to
	// the same side by more than 10 times the local spread and do not ring. The local
	// spread is the median size of the steps between neighbours within 32 samples, the
	// spike's own two left out, and at least the smallest step of the record, its
	// resolution. What rings, as a real shock does, has another step within 8 samples
	// that is larger than a quarter of the smaller of its two.
	spikes int64
	// clipped is the number of samples in runs of three or more at the largest or the
	// smallest value of the record, and, where the sensor's range is known, of those
	// within half a per cent of the range or beyond it. A record of one value has no
	// such runs.
	clipped int64
	// flat is the duration in s of the longest run of one value, from its first sample
	// to its last; 0 when no two neighbours are equal.
	flat float64
	// drift is the slope of a robust line times the record's duration, in the
	// channel's unit. The line is the Theil-Sen line (P. K. Sen, J. Am. Stat. Assoc. 63
	// (1968) 1379, doi:10.1080/01621459.1968.10480934) through the means of up to 64
	// blocks of equally many samples: the median of all slopes between two of them.
	drift float64
	// step is the largest lasting shift in the channel's unit: the median of the means
	// of 16 blocks after an instant less that of 16 before it, at the instant between
	// two of 64 blocks at which its size is largest. 0 with fewer than 256 samples.
	step float64
	// level is how strongly the channel vibrates, in its unit: the median, over up to
	// 64 blocks of equally many samples, of the root mean square within the block of a
	// mean over 5 ms less one over 250 ms around the same sample. That passes some 3 to
	// 80 Hz at any rate, and a few shocks or spikes do not move it.
	level float64
	// digest is the SHA-256 of the samples as little-endian float64, in hexadecimal;
	// empty for a record of one value.
	digest string
}

const (
	spikeTimes  = 10
	spikeReach  = 32
	ringReach   = 8
	ringShare   = 0.25
	clippedRun  = 3
	driftBlocks = 64
	stepBlocks  = 16
	stepSamples = 256
	levelShort  = 0.005 // s
	levelLong   = 0.25  // s
	levelBlock  = 8     // samples of a block at least
	atRange     = 0.995
)

// assess computes the quality of a channel whose sensor has a range, 0 if it is not
// known. What concerns rows that were left out is not in it.
func assess(x []float64, ax axis, sensor float64) quality {
	at := func(i int) float64 { return float64(i) / ax.rate }
	if ax.times != nil {
		at = func(i int) float64 { return ax.times[i] }
	}
	r := rangeOf(x)
	q := quality{samples: int64(len(x)), rate: ax.rate, gaps: int64(ax.gaps), gapSteps: ax.gapSteps, gapAt: ax.gapAt, unsteady: ax.unsteady}
	q.duration = at(len(x)-1) - at(0) + 1/ax.rate
	q.spikes = int64(spikes(x, r.resolution))
	q.flat, q.clipped = runs(x, r, at)
	q.clipped += beyond(x, r, sensor)
	t, y := blockMeans(x, at)
	q.drift = drift(t, y) * (at(len(x)-1) - at(0))
	if len(x) >= stepSamples {
		q.step = step(y)
	}
	q.level = level(x, ax.rate)
	if r.low < r.high {
		q.digest = digestOf(x)
	}
	return q
}

// digestOf returns the hash of samples.
func digestOf(x []float64) string {
	h := sha256.New()
	var buf [8 * 512]byte
	for len(x) > 0 {
		n := min(len(x), 512)
		for i, v := range x[:n] {
			binary.LittleEndian.PutUint64(buf[8*i:], math.Float64bits(v))
		}
		h.Write(buf[:8*n])
		x = x[n:]
	}
	return hex.EncodeToString(h.Sum(nil))
}

// beyond counts the samples at the sensor's range or beyond, but those that runs
// counts.
func beyond(x []float64, e extent, sensor float64) (n int64) {
	limit := atRange * sensor
	if sensor == 0 || e.high < limit && e.low > -limit {
		return 0
	}
	for i := 0; i < len(x); {
		end := i + 1
		for end < len(x) && x[end] == x[i] {
			end++
		}
		counted := end-i >= clippedRun && e.low < e.high && (x[i] == e.low || x[i] == e.high)
		if math.Abs(x[i]) >= limit && !counted {
			n += int64(end - i)
		}
		i = end
	}
	return n
}

// step finds the largest lasting shift between block means; see quality.
func step(y []float64) float64 {
	most := 0.0
	for k := stepBlocks; k+stepBlocks <= len(y); k++ {
		if d := median(y[k:k+stepBlocks]) - median(y[k-stepBlocks:k]); math.Abs(d) > math.Abs(most) {
			most = d
		}
	}
	return most
}

// median returns the middle of values, the mean of the middle two.
func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	m := len(s) / 2
	if len(s)%2 == 0 {
		return s[m-1]/2 + s[m]/2
	}
	return s[m]
}

// level returns how strongly a channel vibrates; see quality. NaN when the numbers
// are too large to add up.
func level(x []float64, rate float64) float64 {
	n := len(x)
	half := func(s float64) int { return int(min(math.Round(s*rate), float64(n))) / 2 }
	short, long := half(levelShort), max(half(levelLong), 1)
	reach, ofShort, ofLong := max(short, long), 1/float64(2*short+1), 1/float64(2*long+1)
	sum := make([]float64, n+1) // of the samples before, from the first sample's value
	for i, v := range x {
		sum[i+1] = sum[i] + (v - x[0])
	}
	mean := func(i, reach int) float64 {
		from, to := max(i-reach, 0), min(i+reach+1, n)
		return (sum[to] - sum[from]) / float64(to-from)
	}
	blocks := max(1, min(n/levelBlock, driftBlocks))
	rms := make([]float64, blocks)
	for b := range blocks {
		from, to := b*n/blocks, (b+1)*n/blocks
		square := 0.0
		for i := from; i < to; i++ {
			var d float64
			if i >= reach && i+reach < n { // both windows are whole: the same, faster
				d = float64((sum[i+short+1]-sum[i-short])*ofShort) - float64((sum[i+long+1]-sum[i-long])*ofLong)
			} else {
				d = mean(i, short) - mean(i, long)
			}
			square += float64(d * d)
		}
		rms[b] = math.Sqrt(square / float64(to-from))
		if v := rms[b]; v-v != 0 {
			return math.NaN()
		}
	}
	return median(rms)
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

// blockMeans returns the middle times and the means of up to 64 blocks.
func blockMeans(x []float64, at func(int) float64) (t, y []float64) {
	blocks := min(len(x), driftBlocks)
	t, y = make([]float64, blocks), make([]float64, blocks)
	for b := range blocks {
		from, to := b*len(x)/blocks, (b+1)*len(x)/blocks
		share, mean := 1/float64(to-from), 0.0
		for _, v := range x[from:to] {
			mean += float64(v * share)
		}
		y[b] = mean
		t[b] = (at(from) + at(to-1)) / 2
	}
	return t, y
}

// drift is the slope of the Theil-Sen line; see quality.
func drift(t, y []float64) float64 {
	var slopes []float64
	for i := range t {
		for j := i + 1; j < len(t); j++ {
			slopes = append(slopes, (y[j]-y[i])/(t[j]-t[i]))
		}
	}
	return median(slopes)
}

// qualityFrame tables the channels' quality, a row each.
func qualityFrame(names []string, all []quality) *frame.Frame {
	number := func(name, unit string, get func(q *quality) float64) frame.Column {
		return frame.Col(name, unit, eachOf(all, get))
	}
	count := func(name string, get func(q *quality) int64) frame.Column {
		return frame.Col(name, "", eachOf(all, get))
	}
	text := func(name string, get func(q *quality) string) frame.Column {
		return frame.Col(name, "", eachOf(all, get))
	}
	return frame.Must(nil,
		frame.Col("channel", "", names),
		count("samples", func(q *quality) int64 { return q.samples }),
		number("rate_hz", "Hz", func(q *quality) float64 { return q.rate }),
		count("gaps", func(q *quality) int64 { return q.gaps }),
		count("spikes", func(q *quality) int64 { return q.spikes }),
		count("clipped", func(q *quality) int64 { return q.clipped }),
		number("flat_s", "s", func(q *quality) float64 { return q.flat }),
		number("drift", "", func(q *quality) float64 { return q.drift }),
		count("missing", func(q *quality) int64 { return q.missing }),
		text("missing_at", func(q *quality) string { return q.missingAt }),
		count("backward", func(q *quality) int64 { return q.backward }),
		text("backward_at", func(q *quality) string { return q.backwardAt }),
		number("gap_steps", "", func(q *quality) float64 { return q.gapSteps }),
		text("gap_at", func(q *quality) string { return q.gapAt }),
		number("unsteady", "", func(q *quality) float64 { return q.unsteady }),
		number("duration_s", "s", func(q *quality) float64 { return q.duration }),
		number("step", "", func(q *quality) float64 { return q.step }),
		number("level", "", func(q *quality) float64 { return q.level }),
		text("digest", func(q *quality) string { return q.digest }),
	)
}

// eachOf takes a value of every channel's quality.
func eachOf[V any](all []quality, get func(q *quality) V) []V {
	out := make([]V, len(all))
	for i := range all {
		out[i] = get(&all[i])
	}
	return out
}
