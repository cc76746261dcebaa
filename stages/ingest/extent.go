package ingest

import "math"

// real are the types of samples. Whatever is computed of them is computed with float64.
type real interface{ float32 | float64 }

// extent is a record's extremes, its smallest step that is not 0, and the most samples of one value in a row
// at an extreme, and anywhere, of which the first run begins at run. Steps are the largest step to a sample of each whole
// block of spikeReach.
type extent struct {
	low, high, resolution float64
	flat, longest, run    int
	steps                 []float64
}

func rangeOf[T real](x []T) extent {
	e := extent{resolution: math.Inf(1), steps: make([]float64, len(x)/spikeReach), longest: 1, flat: 1}
	p := sweep[T]{low: x[0], high: x[0], least: math.MaxUint64}
	for b := range e.steps {
		e.steps[b] = p.stretch(x, b*spikeReach, (b+1)*spikeReach)
	}
	p.stretch(x, len(e.steps)*spikeReach, len(x))
	e.low, e.high = float64(p.low), float64(p.high)
	if p.least < math.MaxUint64 {
		e.resolution = math.Float64frombits(p.least + 1)
	}
	// The step to the first sample is 0; with others, neighbours are equal.
	if p.still > 1 {
		e.longest, e.run = longestEqual(x)
		e.flat = e.longest
	}
	if e.longest >= clippedRun {
		e.flat = longestAt(x, T(e.low), T(e.high))
	}
	return e
}

// sweep is what one pass over a record finds: the extremes, the least bits of a step, less 1 so that steps of 0 come
// last, and the number of steps of 0.
type sweep[T real] struct {
	low, high T
	least     uint64
	still     uint64
}

// stretch takes in some samples. It returns the largest step to one of them. Steps are handled by their bits, which are
// in their order: their least and greatest ask for no branches, which could not be predicted.
func (p *sweep[T]) stretch(x []T, from, to int) float64 {
	last, low, high, least, still, most := float64(x[max(0, from-1)]), p.low, p.high, p.least, p.still, uint64(0)
	for _, v := range x[from:to] {
		d := math.Float64bits(math.Abs(float64(v) - last))
		most, least = max(most, d), min(least, d-1)
		still += (d - 1) >> 63
		if v < low {
			low = v
		}
		if v > high {
			high = v
		}
		last = float64(v)
	}
	p.low, p.high, p.least, p.still = low, high, least, still
	return math.Float64frombits(most)
}

// longestEqual is the most samples of one value in a row, and where the first run of so many begins.
func longestEqual[T real](x []T) (longest, from int) {
	longest = 1
	for i := 1; i < len(x); i++ {
		if x[i] == x[i-1] {
			end := endOfRun(x, i)
			if end-i+1 > longest {
				longest, from = end-i+1, i-1
			}
			i = end
		}
	}
	return longest, from
}

// longestAt is the most samples in a row that are one of two values.
func longestAt[T real](x []T, low, high T) int {
	most, run := 0, 0
	for _, v := range x {
		if run++; v != low && v != high {
			run = 0
		}
		most = max(most, run)
	}
	return most
}

// calm tells by blocks of spikeReach samples where no spike begins. Within a block no step is larger than its
// largest; where of the block and its two neighbours at most calmSmall steps are smaller than a tenth of that, the
// median of the steps near any of its samples is not.
type calm[T real] struct {
	x     []T
	most  []float64 // the largest step to a sample of each block
	small []uint8   // of each block, the steps smaller than a tenth of the largest of it and its neighbours
}

// calmSmall is half of the fewest steps that the spread within a record is the median of.
const calmSmall = (2*spikeReach - spikeWidth - 2) / 2

func calmOf[T real](x []T, most []float64) calm[T] {
	c := calm[T]{x, most, make([]uint8, len(most))}
	for b := range most {
		c.small[b] = uint8(c.below(b, max(most[max(b, 1)-1], most[b], most[min(b+1, len(most)-1)])))
	}
	return c
}

// below counts the steps to a sample of a block that are smaller than a tenth of another.
func (c *calm[T]) below(b int, step float64) (n int) {
	least := math.Float64bits(step / spikeTimes * (1 + 1e-12)) // rounded up
	last := float64(c.x[max(0, b*spikeReach-1)])
	for _, v := range c.x[b*spikeReach:][:spikeReach] {
		// Positive numbers are in the order of their bits: no branch, for it could not be predicted.
		n += int((math.Float64bits(math.Abs(float64(v)-last)) - least) >> 63)
		last = float64(v)
	}
	return n
}

// until returns the end of the calm block that begins at i; i where none does.
func (c *calm[T]) until(i int) int {
	b := i / spikeReach
	if i%spikeReach != 0 || b < 1 || b+2 >= len(c.most) {
		return i
	}
	// None is fewer than those that are smaller than a tenth of this block's.
	if int(c.small[b-1])+int(c.small[b])+int(c.small[b+1]) <= calmSmall {
		return i + spikeReach
	}
	if c.below(b-1, c.most[b])+c.below(b, c.most[b])+c.below(b+1, c.most[b]) > calmSmall {
		return i
	}
	return i + spikeReach
}
