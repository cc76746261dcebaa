package ingest

import (
	"math"
	"slices"
	"sync"

	"lapwear/fatigue/lanes"
)

// window is a mean of 2*whole+1 samples and of the next one to either side, which count
// with the weight end. The weight is that with which the window's second moment is
// that of a mean over a time, so that signals of low frequency pass alike at any rate.
type window struct {
	whole       int
	end, weight float64 // weight: one over the sum of the weights
}

// windowOf returns the window for a mean over length samples, which need not be whole.
func windowOf(length float64) window {
	moment := length * length / 12
	m := math.Floor((math.Sqrt(1+length*length) - 1) / 2)
	within, next := m*(m+1)*(2*m+1)/3, 2*(m+1)*(m+1)
	end := (moment*(2*m+1) - within) / (next - 2*moment)
	return window{int(m), end, 1 / (2*m + 1 + 2*end)}
}

// sums are running sums of samples, less the first one, over a stretch that moves on.
type sums[T real] struct {
	x     []T
	first float64
	sum   []float64 // sum[i-base] is the sum of the samples before i
	base  int
	total float64 // of all samples summed so far
}

// sumRooms are memory of sums that are no longer needed.
var sumRooms sync.Pool

func sumsOf[T real](x []T) *sums[T] {
	s := &sums[T]{x: x, first: float64(x[0]), sum: anyRoom[float64](&sumRooms)}
	s.sum = append(s.sum, 0)
	return s
}

// drop gives the memory back.
func (s *sums[T]) drop() { giveRoom(&sumRooms, s.sum) }

// move makes the sums ready from one sample to another, neither of which lies before those of the last call. Samples
// are added four at a time, counted from the first of all.
func (s *sums[T]) move(from, to int) {
	n := copy(s.sum, s.sum[from-s.base:])
	s.base, s.sum = from, s.sum[:n]
	done := from + n - 1
	if done >= to {
		return
	}
	end := min(len(s.x), (to+3)/4*4)
	s.sum = slices.Grow(s.sum, end-done)[:n+end-done]
	s.total = lanes.Running(s.sum[n:], s.x[done:end], s.first, s.total)
}

// inside adds the squares of the differences of two means around samples, from one to before another, of all of which
// both windows are whole, to four lanes.
func (s *sums[T]) inside(l *[4]float64, from, to int, short, long window) {
	if from >= to {
		return
	}
	n, at := to-from, from-s.base
	value := func(by int) []T { return s.x[from+by:][:n] }
	sum := func(by int) []float64 { return s.sum[at+by:][:n] }
	of := func(w window) *lanes.Around[T] {
		return &lanes.Around[T]{Left: value(-w.whole - 1), Right: value(w.whole + 1), Before: sum(-w.whole), After: sum(w.whole + 1),
			First: s.first, Within: w.weight, Ends: w.end * w.weight}
	}
	lanes.Contrast(l, of(short), of(long))
}

// beside is inside where the windows need not be whole.
func (s *sums[T]) beside(l *[4]float64, from, to int, short, long window) {
	for i := from; i < to; i++ {
		d := s.at(i, short) - s.at(i, long)
		l[i%4] += float64(d * d)
	}
}

// at is the mean of what there is of the window around sample i.
func (s *sums[T]) at(i int, w window) float64 {
	from, to := max(i-w.whole, 0), min(i+w.whole+1, len(s.x))
	sum, weight := s.sum[to-s.base]-s.sum[from-s.base], float64(to-from)
	for _, k := range [...]int{i - w.whole - 1, i + w.whole + 1} {
		if k >= 0 && k < len(s.x) {
			sum, weight = sum+float64(w.end*(float64(s.x[k])-s.first)), weight+w.end
		}
	}
	return sum / weight
}

// levels returns how strongly a channel vibrates in each block, see quality; one NaN
// when the record is too short or the numbers are too large to add up.
func levels[T real](x []T, rate float64) []float64 {
	n := len(x)
	if float64(n) < levelLong*rate {
		return []float64{math.NaN()}
	}
	short, long, s := windowOf(levelShort*rate), windowOf(levelLong*rate), sumsOf(x)
	defer s.drop()
	reach := long.whole + 1
	rms := make([]float64, max(1, min(n/levelBlock, driftBlocks)))
	for b := range rms {
		from, to := b*n/len(rms), (b+1)*n/len(rms)
		whole, end := min(max(from, reach), to), max(from, min(to, n-reach))
		end = max(whole, end)
		s.move(max(0, from-reach), min(n, to+reach))
		var square [4]float64
		s.beside(&square, from, whole, short, long)
		s.inside(&square, whole, end, short, long)
		s.beside(&square, end, to, short, long)
		rms[b] = math.Sqrt(((square[0] + square[1]) + (square[2] + square[3])) / float64(to-from))
		if v := rms[b]; v-v != 0 {
			return []float64{math.NaN()}
		}
	}
	return rms
}
