package ingest

import (
	"math"

	"lapwear/fatigue/lanes"
)

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
	e := extent{steps: sized[float64](&stepRooms, len(x)/lanes.Stride), longest: 1, flat: 1}
	span := lanes.Steps(e.steps, x)
	e.low, e.high, e.resolution = span.Lo, span.Hi, span.Least
	if span.Equal {
		equalRuns(&e, x)
	}
	return e
}

// equalRuns finds the runs of one value in x, whose extremes are known.
func equalRuns[T real](e *extent, x []T) {
	for i := 1; i < len(x); i++ {
		if i += lanes.Apart(x[i-1:]) - 1; i >= len(x) {
			return
		}
		end := endOfRun(x, i)
		n, v := end-i+1, float64(x[i])
		if n > e.longest {
			e.longest, e.run = n, i-1
		}
		if v == e.low || v == e.high {
			e.flat = max(e.flat, n)
		}
		i = end
	}
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
	limit := sized[float64](&stepRooms, len(most))
	defer giveRoom(&stepRooms, limit)
	for b := range most {
		limit[b] = tenth(max(most[max(b, 1)-1], most[b], most[min(b+1, len(most)-1)]))
	}
	lanes.Small(c.small, x, limit)
	return c
}

// tenth is the size below which a step is smaller than a tenth of another, rounded up.
func tenth(step float64) float64 { return step / spikeTimes * (1 + 1e-12) }

// below counts the steps to a sample of a block that are smaller than a tenth of another.
func (c *calm[T]) below(b int, step float64) (n int) {
	least := math.Float64bits(tenth(step))
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
