package ingest

import (
	"encoding/hex"
	"math"
	"slices"
	"strconv"

	"github.com/zeebo/xxh3"

	"lapwear/fatigue/lanes"
	"lapwear/stages/frame"
)

// quality is what a channel's samples show about the measurement. It judges
// nothing. Common practice, no source; the definitions are this package's own. A place
// is that of the first row concerned. Of a run under 0.1 s and of a shift smaller than
// the level, which sound recordings have, it is the time alone: rows are counted as the
// recording does, and a sound one gives the same quality in any format.
type quality struct {
	// samples is the number of samples that are left.
	samples int64
	// missing is the number of rows of the lap in which the channel has no finite value
	// or, as every channel, no stamp. Of a channel that is slower than its file only
	// the rows count that its other samples ask for.
	missing   int64
	missingAt site
	// backward is the number of rows whose stamp does not advance beyond all before
	// it. They are left out, for all channels, and do not count as missing.
	backward   int64
	backwardAt site
	// rate is the nominal rate in Hz.
	rate float64
	// gaps is the number of the channel's time steps longer than 1.5 nominal steps. It
	// is 0 where the time stamps are those of uniform samples, rounded. Rows left out
	// make gaps.
	gaps int64
	// gapSteps is the longest gap in nominal steps, 0 without one, and gapAt the row
	// after the first gap of that length.
	gapSteps float64
	gapAt    site
	// unsteady is by how much, as a share, the local rate departs from the nominal
	// one where it does so most: the mean step of each of up to 64 stretches of equally
	// many steps. Gaps are left out unless they are more than one in ten steps of the
	// stretch. It is 0 for uniform samples.
	unsteady float64
	// lostShare is the share of the samples that the lap should have at the nominal
	// rate which are not there: in gaps, missing or backward.
	lostShare float64
	// duration is the lap's in s, the same for all channels: the rows' number over the
	// rate, or, where the stamps are not uniform, the time from the first to the last and
	// a nominal step.
	duration float64
	// present is the number of samples over the duration, in Hz.
	present float64
	// spikes is the number of excursions of one to three samples that stand out from
	// both neighbours to the same side by more than 10 times the local spread and do not
	// ring; of the first sample and of the last, from the one neighbour. The local
	// spread is the median size of the steps between neighbours within 32 samples, the
	// spike's own left out, and at least the smallest step of the record, its
	// resolution. What rings, as a real shock does, has another step within 8 samples
	// that is larger than a quarter of the smaller of its two and does not belong to
	// another such excursion, at rest on either side.
	spikes   int64
	spikesAt site
	// sentinel is the first value that stands for none, as -9999 does, and sentinels the
	// number of samples with such values: of a fixed list, and more than 10 times as
	// large as any other sample.
	sentinel    float64
	sentinels   int64
	sentinelsAt site
	// clipped is the number of samples in runs of three or more at the largest or the
	// smallest value of the record, and, where the sensor's range is known, of those
	// within half a per cent of the range or beyond it. A record of one value has no
	// such runs. Where equal neighbours are usual, as with a coarse resolution, only runs
	// count that are so long that they would come about once in a thousand: with a share
	// p of equal neighbours elsewhere, n samples where p to the power n-1 is below 0.001.
	clipped   int64
	clippedAt site
	// flat is the duration in s of the longest run of one value, from its first sample
	// to its last; 0 when no two neighbours are equal.
	flat   float64
	flatAt site
	// drift is the slope of a robust line times the record's duration, in the
	// channel's unit. The line is the Theil-Sen line (P. K. Sen, J. Am. Stat. Assoc. 63
	// (1968) 1379, doi:10.1080/01621459.1968.10480934) through the means of up to 64
	// blocks of equally many samples: the median of all slopes between two of them. NaN
	// when the numbers are too large.
	drift float64
	// step is the largest lasting shift in the channel's unit: the median of the means
	// of 16 blocks after an instant less that of 16 before it, at the instant between
	// two of 64 blocks at which its size is largest. 0 with fewer than 256 samples.
	step   float64
	stepAt site
	// level is how strongly the channel vibrates, in its unit: the median, over up to
	// 64 blocks of equally many samples, of the root mean square within the block of a
	// mean over 5 ms less one over 250 ms around the same sample. That passes some 3 to
	// 80 Hz at any rate, see window, and a few shocks or spikes do not move it. NaN where it cannot
	// be told: in a record under 250 ms, in one that varies but, as far as float64 can
	// tell, does not vibrate, and when the numbers are too large to add up.
	level float64
	// dead is the share of the samples that show no life: those of the level's blocks
	// whose root mean square is under 5 % of what a quarter of the blocks exceed, where a
	// block lasts 0.1 s or more, and those in runs of one value over 0.1 s. 0 in a
	// record of one value. The place is that of the first.
	dead   float64
	deadAt site
	// digest is the 128-bit XXH3 hash of the samples, little-endian, as float32 if each is one exactly, else as
	// float64, in hexadecimal; empty for a record of one value. It tells equal samples, and guards against nothing worse.
	digest string
	// sketch tells records apart that differ by more than how they were written: 64
	// means of blocks less their median, then the root mean squares that level is the
	// median of, in thousandths of the level, with a blank between two. Empty where there
	// is no level, and under 512 samples.
	sketch string
}

const (
	spikeTimes  = 10
	spikeReach  = lanes.Stride
	spikeWidth  = 3
	ringReach   = 8
	ringShare   = 0.25
	clippedRun  = 3
	clippedOdds = 1e-3
	driftBlocks = 64
	stepBlocks  = 16
	stepSamples = 256
	levelShort  = 0.005 // s
	levelLong   = 0.25  // s
	levelBlock  = 8     // samples of a block at least
	atRange     = 0.995
	stillness   = 1e-9 // of the range
	namedFlat   = 0.1  // s
	deadBlock   = 0.1  // s of a block at least
	deadBelow   = 0.05

	sentinelTimes = 10
)

// assess computes the quality of a channel whose sensor has a range, 0 if it is not
// known; spot is the place of a sample. What concerns rows without a sample is not in it.
func assess[T real](x []T, ax *axis, sensor float64, spot func(int) site) quality {
	r, n := rangeOf(x), float64(len(x))
	defer giveRoom(&stepRooms, r.steps)
	q := quality{samples: int64(len(x)), rate: ax.rate, gaps: int64(ax.gaps), gapSteps: ax.gapSteps, unsteady: ax.unsteady,
		lostShare: max(0, (ax.nominal-n)/ax.nominal), duration: ax.duration, present: n / ax.duration}
	found := func(n int64, first int) (int64, site) {
		if n == 0 {
			return 0, nowhere()
		}
		return n, spot(first)
	}
	q.spikes, q.spikesAt = found(spikes(x, r))
	value, n9, first9 := sentinel(x, r)
	q.sentinel = value
	q.sentinels, q.sentinelsAt = found(n9, first9)
	q.clipped, q.clippedAt = found(clipped(x, r, sensor))
	q.flatAt, q.stepAt, q.deadAt = nowhere(), nowhere(), nowhere()
	flat, from := longestRun(x, ax, r)
	if q.flat = math.Round(flat*1e9) / 1e9; flat > 0 { // stamps are no finer than that
		q.flatAt = spot(from).unless(flat < namedFlat)
	}
	t, y := blockMeans(x, ax)
	if d := drift(t, y) * (ax.at(len(x)-1) - ax.at(0)); d-d == 0 {
		q.drift = d
	} else {
		q.drift = math.NaN()
	}
	blocks := levels(x, ax.rate)
	q.level = median(blocks)
	if r.low < r.high {
		q.digest = digestOf(x)
		n, first := dead(x, blocks, ax.rate, r)
		n, q.deadAt = found(n, first)
		q.dead = float64(n) / float64(len(x))
		if !(q.level > stillness*(r.high-r.low)) {
			q.level = math.NaN()
		}
		if len(blocks) == driftBlocks && len(y) == driftBlocks {
			q.sketch = sketch(y, blocks, q.level)
		}
	}
	if len(x) < stepSamples {
		return q
	}
	block := 0
	if q.step, block = step(y); q.step != 0 {
		q.stepAt = spot(block * len(x) / len(y)).unless(math.Abs(q.step) < q.level)
	}
	return q
}

// sketch writes what tells records apart; see quality.
func sketch(means, levels []float64, level float64) string {
	if !(level > 0) {
		return ""
	}
	out := make([]byte, 0, 10*driftBlocks)
	middle := median(means)
	put := func(v float64) {
		if len(out) > 0 {
			out = append(out, ' ')
		}
		out = strconv.AppendFloat(out, math.Round(1000*(v/level)), 'f', 0, 64)
	}
	for _, v := range means {
		put(v - middle)
	}
	for _, v := range levels {
		put(v)
	}
	return string(out)
}

// digestOf returns the hash of samples.
func digestOf[T real](x []T) string {
	h := xxh3.New()
	frame.WriteNumbers(h, x) // a hash never fails to write
	sum := h.Sum128().Bytes()
	return hex.EncodeToString(sum[:])
}

// leastSelected is from how many values on the middle is selected and not sorted for.
const leastSelected = 128

// selected moves the value to place m that sorting would move there, and to places before it none that is greater (C. A. R. Hoare,
// Communications of the ACM 4 (1961) 321, doi:10.1145/366622.366647). None may be NaN.
func selected(s []float64, m int) {
	for low, high := 0, len(s)-1; low < high; {
		i, j, pivot := low, high, max(min(s[low], s[high]), min(max(s[low], s[high]), s[(low+high)/2]))
		for i <= j {
			for s[i] < pivot {
				i++
			}
			for s[j] > pivot {
				j--
			}
			if i <= j {
				s[i], s[j] = s[j], s[i]
				i, j = i+1, j-1
			}
		}
		switch {
		case m <= j:
			high = j
		case m >= i:
			low = i
		default:
			return
		}
	}
}

// step finds the largest lasting shift between block means, see quality, and the block
// that it is before: medians show it for half of their blocks to either side, of which
// it is where neighbours differ most in its direction.
func step(y []float64) (most float64, block int) {
	for k := stepBlocks; k+stepBlocks <= len(y); k++ {
		if d := median(y[k:k+stepBlocks]) - median(y[k-stepBlocks:k]); math.Abs(d) > math.Abs(most) {
			most, block = d, k
		}
	}
	if most == 0 {
		return 0, 0
	}
	jump := func(k int) float64 { return (y[k] - y[k-1]) * math.Copysign(1, most) }
	at := block
	for k := block - stepBlocks/2; k <= block+stepBlocks/2; k++ {
		if jump(k) > jump(at) {
			at = k
		}
	}
	return most, at
}

// median returns the middle of values, the mean of the middle two.
func median(v []float64) float64 { return medianOf(slices.Clone(v)) }

// medianOf is median of values that it may reorder.
func medianOf(s []float64) float64 {
	m := len(s) / 2
	if len(s) < leastSelected || slices.ContainsFunc(s, func(v float64) bool { return v != v }) {
		slices.Sort(s)
	} else {
		selected(s, m)
		if len(s)%2 == 0 {
			s[m-1] = slices.Max(s[:m])
		}
	}
	if len(s)%2 == 0 {
		return s[m-1]/2 + s[m]/2
	}
	return s[m]
}

// dead counts the samples that show no life, see quality, and returns the first.
func dead[T real](x []T, blocks []float64, rate float64, e extent) (n int64, first int) {
	sorted := slices.Sorted(slices.Values(blocks))
	below := deadBelow * sorted[len(sorted)*3/4]
	if float64(len(x)) < deadBlock*rate*float64(len(blocks)) {
		below = 0
	}
	first = len(x)
	if float64(e.longest) <= namedFlat*rate+1 && !(sorted[0] < below) {
		return 0, first
	}
	run := 0 // the end of the run of one value that is looked at
	still := false
	for b, level := range blocks {
		for i := b * len(x) / len(blocks); i < (b+1)*len(x)/len(blocks); i++ {
			if i >= run {
				run = endOfRun(x, i)
				still = float64(run-i) > namedFlat*rate+1
			}
			if still || level < below {
				n, first = n+1, min(first, i)
			}
		}
	}
	return n, first
}

// longestRun returns the duration of the first of the longest runs of one value, and
// where it begins.
func longestRun[T real](x []T, ax *axis, e extent) (longest float64, from int) {
	if e.longest < 2 {
		return 0, 0
	}
	if ax.times == nil {
		return ax.at(e.run+e.longest-1) - ax.at(e.run), e.run
	}
	for i := 1; i < len(x); i++ {
		if x[i] != x[i-1] {
			continue
		}
		end := endOfRun(x, i)
		if d := ax.at(end-1) - ax.at(i-1); d > longest*(1+1e-9) {
			longest, from = d, i-1
		}
		i = end
	}
	return longest, from
}

// endOfRun is where the run of one value ends that begins at i.
func endOfRun[T real](x []T, i int) int {
	end := i + 1
	for end < len(x) && x[end] == x[i] {
		end++
	}
	return end
}

// clipped counts the samples in long runs at an extreme, and those at the sensor's range
// or beyond it, and returns the first of them.
func clipped[T real](x []T, e extent, sensor float64) (n int64, first int) {
	limit := math.Inf(1)
	if sensor > 0 {
		limit = atRange * sensor
	}
	if e.flat < clippedRun && max(-e.low, e.high) < limit {
		return 0, 0
	}
	long := longAtExtreme(x, e)
	for i := 0; i < len(x); {
		v := float64(x[i])
		if v != e.low && v != e.high && math.Abs(v) < limit {
			i++
			continue
		}
		end := endOfRun(x, i)
		cut := end-i >= long && e.low < e.high && (v == e.low || v == e.high)
		if cut || math.Abs(v) >= limit {
			if n == 0 {
				first = i
			}
			n += int64(end - i)
		}
		i = end
	}
	return n, first
}

// longAtExtreme is how many equal samples at an extreme are clipped, see quality. The
// longest run is left out: a channel may stand still once.
func longAtExtreme[T real](x []T, e extent) int {
	steps, equal, longest := 0, 0, 0
	for i := 0; i < len(x); {
		end := endOfRun(x, i)
		if v := float64(x[i]); v != e.low && v != e.high {
			steps, equal, longest = steps+end-i, equal+end-i-1, max(longest, end-i)
		}
		i = end
	}
	steps, equal = steps-longest, equal-max(longest-1, 0)
	if equal <= 0 {
		return clippedRun
	}
	odds := float64(equal) / float64(steps)
	return max(clippedRun, 1+int(math.Ceil(math.Log(clippedOdds)/math.Log(odds))))
}

// spikes counts excursions that stand out, see quality, and returns the first.
func spikes[T real](x []T, e extent) (n int64, first int) {
	var near [2 * spikeReach]float64
	calm := calmOf(x, e.steps)
	for i := 0; i < len(x); {
		if to := calm.until(i); to > i {
			i = to
			continue
		}
		width := spikeAt(x, i, e.resolution, near[:0])
		if width == 0 {
			i++
			continue
		}
		if n++; n == 1 {
			first = i
		}
		i += width
	}
	return n, first
}

// spikeAt is the number of samples of the spike that begins at i, 0 if none does.
func spikeAt[T real](x []T, i int, resolution float64, near []float64) int {
	for width := 1; width <= spikeWidth && i+width <= len(x); width++ {
		size := excursion(x, i, width)
		if size > spikeTimes*resolution && !rings(x, i, width, size) && size > spikeTimes*spread(x, i, width, near) {
			return width
		}
	}
	return 0
}

// excursion is the smaller of the two steps from samples i to i+width-1 to their
// neighbours, 0 unless all of them are to the same side of both by so much. Single
// samples at either end have one neighbour.
func excursion[T real](x []T, i, width int) float64 {
	last := i + width - 1
	switch {
	case len(x) < 2 || width > 1 && (i == 0 || last == len(x)-1):
		return 0
	case i == 0:
		return apart(x, 0, 1)
	case last == len(x)-1:
		return apart(x, i, i-1)
	}
	up, down := float64(x[i])-float64(x[i-1]), float64(x[last])-float64(x[last+1])
	if up > 0 != (down > 0) || up == 0 || down == 0 {
		return 0
	}
	size := min(math.Abs(up), math.Abs(down))
	if width > 1 && apart(x, last+1, i-1) > ringShare*size {
		return 0
	}
	for k := i + 1; k < last; k++ {
		if d := (float64(x[k]) - float64(x[i-1])) * math.Copysign(1, up); d < size {
			return 0
		}
	}
	return size
}

// apart is the size of the step between two samples.
func apart[T real](x []T, i, k int) float64 { return math.Abs(float64(x[i]) - float64(x[k])) }

// rings tells whether there is a large step near the excursion of samples i to
// i+width-1, its own two left out, that is no part of another one. Near ones come first:
// in most signals they decide.
func rings[T real](x []T, i, width int, size float64) bool {
	large, last := ringShare*size, i+width-1
	for k := 1; k < ringReach; k++ {
		if s := i - k; s >= 1 && apart(x, s, s-1) > large {
			if k = excursed(x, s, -1, k, large); k == 0 {
				return true
			}
		}
	}
	for k := 1; k < ringReach; k++ {
		if s := last + 1 + k; s < len(x) && apart(x, s, s-1) > large {
			if k = excursed(x, s, 1, k, large); k == 0 {
				return true
			}
		}
	}
	return false
}

// excursed follows a large step s, the k-th from a spike on, away from it (way is 1 to
// the right, -1 to the left), and returns which step brings the signal back to where it
// was; 0 where none does within the width of a spike, or where it does not rest there,
// nor did before.
func excursed[T real](x []T, s, way, k int, large float64) int {
	at, rest := s-1, s // the sample before the step, seen from the spike
	if way < 0 {
		at, rest = s, s-1
	}
	if k == 1 {
		return 0
	}
	for width := 1; width <= spikeWidth; width++ {
		back := rest + way*width
		if back < 0 || back >= len(x) {
			return 0
		}
		if apart(x, back, at) > large {
			continue
		}
		if next := back + way; next >= 0 && next < len(x) && apart(x, next, back) > large {
			return 0
		}
		return k + width
	}
	return 0
}

// spread is the median size of the steps near the excursion of samples i to i+width-1,
// its own left out; infinite where there are too few to tell.
func spread[T real](x []T, i, width int, near []float64) float64 {
	for k := max(1, i-spikeReach+1); k < min(len(x), i+spikeReach+1); k++ {
		if k < i || k > i+width {
			near = append(near, apart(x, k, k-1))
		}
	}
	if len(near) < ringReach {
		return math.Inf(1)
	}
	slices.Sort(near)
	return near[len(near)/2]
}

// sentinels are what loggers write where they have no value. Common practice, no source.
var sentinels = []float64{999, 9999, 99999, 999999, 32767, 32768, 65535, 2147483647, 2147483648, 1e20, 1e30, 1e37}

// sentinel returns the value of the samples that stand for none, see quality, their
// number and the first.
func sentinel[T real](x []T, e extent) (value float64, n int64, first int) {
	if max(-e.low, e.high) < leastSentinel {
		return 0, 0, 0
	}
	most := 0.0
	for _, v := range x {
		if a := math.Abs(float64(v)); a > most && !isSentinel(a) {
			most = a
		}
	}
	for i, v := range x {
		if a := math.Abs(float64(v)); a > sentinelTimes*most && isSentinel(a) {
			if n++; n == 1 {
				value, first = float64(v), i
			}
		}
	}
	if n == int64(len(x)) {
		return 0, 0, 0
	}
	return value, n, first
}

// leastSentinel is below what isSentinel takes for one.
const leastSentinel = 998

// isSentinel allows for numbers that were kept with single precision.
func isSentinel(a float64) bool {
	if a < sentinels[0] {
		return false
	}
	return slices.ContainsFunc(sentinels, func(s float64) bool { return math.Abs(a-s) <= 1e-7*s })
}

// blockMeans returns the middle times and the means of up to 64 blocks.
func blockMeans[T real](x []T, ax *axis) (t, y []float64) {
	blocks := min(len(x), driftBlocks)
	t, y = make([]float64, blocks), make([]float64, blocks)
	for b := range blocks {
		from, to := b*len(x)/blocks, (b+1)*len(x)/blocks
		y[b] = meanOf(x[from:to])
		t[b] = (ax.at(from) + ax.at(to-1)) / 2
	}
	return t, y
}

// meanOf is the mean, also of samples whose sum is too large for a number.
func meanOf[T real](x []T) float64 {
	share := 1 / float64(len(x))
	if mean := lanes.Sum(x) * share; mean-mean == 0 {
		return mean
	}
	mean := 0.0
	for _, v := range x {
		mean += float64(float64(v) * share)
	}
	return mean
}

// drift is the slope of the Theil-Sen line; see quality.
func drift(t, y []float64) float64 {
	slopes := make([]float64, 0, driftBlocks*(driftBlocks-1)/2)
	for i := range t {
		for j := i + 1; j < len(t); j++ {
			slopes = append(slopes, (y[j]-y[i])/(t[j]-t[i]))
		}
	}
	return medianOf(slopes)
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
	at := func(name string, get func(q *quality) site) []frame.Column {
		return []frame.Column{
			text(name, func(q *quality) string { return get(q).at }),
			number(name+"_s", "s", func(q *quality) float64 { return get(q).s }),
		}
	}
	columns := []frame.Column{
		frame.Col("channel", "", names),
		count("samples", func(q *quality) int64 { return q.samples }),
		number("rate_hz", "Hz", func(q *quality) float64 { return q.rate }),
		count("gaps", func(q *quality) int64 { return q.gaps }),
		count("spikes", func(q *quality) int64 { return q.spikes }),
		count("clipped", func(q *quality) int64 { return q.clipped }),
		number("flat_s", "s", func(q *quality) float64 { return q.flat }),
		number("drift", "", func(q *quality) float64 { return q.drift }),
		count("missing", func(q *quality) int64 { return q.missing }),
		count("backward", func(q *quality) int64 { return q.backward }),
		number("gap_steps", "", func(q *quality) float64 { return q.gapSteps }),
		number("unsteady", "", func(q *quality) float64 { return q.unsteady }),
		number("duration_s", "s", func(q *quality) float64 { return q.duration }),
		number("step", "", func(q *quality) float64 { return q.step }),
		number("level", "", func(q *quality) float64 { return q.level }),
		text("digest", func(q *quality) string { return q.digest }),
		text("sketch", func(q *quality) string { return q.sketch }),
		number("lost_share", "", func(q *quality) float64 { return q.lostShare }),
		number("dead_share", "", func(q *quality) float64 { return q.dead }),
		number("present_rate_hz", "Hz", func(q *quality) float64 { return q.present }),
		number("sentinel", "", func(q *quality) float64 { return q.sentinel }),
		count("sentinels", func(q *quality) int64 { return q.sentinels }),
	}
	return frame.Must(nil, slices.Concat(columns,
		at("missing_at", func(q *quality) site { return q.missingAt }),
		at("backward_at", func(q *quality) site { return q.backwardAt }),
		at("gap_at", func(q *quality) site { return q.gapAt }),
		at("spikes_at", func(q *quality) site { return q.spikesAt }),
		at("sentinels_at", func(q *quality) site { return q.sentinelsAt }),
		at("clipped_at", func(q *quality) site { return q.clippedAt }),
		at("flat_at", func(q *quality) site { return q.flatAt }),
		at("dead_at", func(q *quality) site { return q.deadAt }),
		at("steps_at", func(q *quality) site { return q.stepAt }))...)
}

// eachOf takes a value of every channel's quality.
func eachOf[V any](all []quality, get func(q *quality) V) []V {
	out := make([]V, len(all))
	for i := range all {
		out[i] = get(&all[i])
	}
	return out
}
