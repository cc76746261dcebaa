package damage

import (
	"math"
	"sort"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// What a lap's places are counted along.
const (
	AlongDistance = "distance" // each count.PlaceMetres long
	AlongTime     = "time"     // each PlaceSeconds long, from the lap's beginning
)

// PlaceSeconds is how long a place is along time.
const PlaceSeconds = 0.5

// PlacesInput is the label of an optional input: where samples were taken, of a lap with a distance.
const PlacesInput = "places"

// Places is a lap's damage by place. Half of a cycle's damage is put where either of its two
// turning points is: neither alone does it, and both lie in the lap. Damage between laps is not in it.
// No places, where they are not known.
type Places struct {
	First  []int32   // number of each place's first sample
	Damage []float64 // of each place
}

// At returns the place of a sample; -1 without places. What lies before the first place's first sample belongs to it.
func (p Places) At(sample int32) int {
	k := sort.Search(len(p.First), func(k int) bool { return p.First[k] > sample }) - 1
	return max(k, min(0, len(p.First)-1))
}

// places returns the lap's places, without damage yet.
func (p Params) places(in stages.Inputs, r Row) (Places, error) {
	var out Places
	switch p.Along {
	case AlongTime:
		n := min(math.Ceil(r.Samples/r.Rate/PlaceSeconds), 1e5)
		if n > 0 {
			out.First = alongTime(nil, r.Rate, int(n))
		}
	case AlongDistance:
		for _, i := range in.Frames {
			if i.Label != PlacesInput || i.Missing != "" {
				continue
			}
			f, err := i.Get()
			if err != nil {
				return out, err
			}
			if out.First, err = frame.Get[[]int32](f, "first"); err != nil {
				return out, err
			}
		}
	}
	out.Damage = make([]float64, len(out.First))
	if out.First == nil {
		out.First = []int32{}
	}
	return out, nil
}

// alongTime lengthens the list of the numbers of the first samples of places along time, at a rate in Hz, to n of them at least.
func alongTime(first []int32, rate float64, n int) []int32 {
	for k := len(first); k < n; k++ {
		first = append(first, int32(math.Ceil(float64(k)*PlaceSeconds*rate)))
	}
	return first
}

// addLap puts a lap's damage in its places; each is that of the closed cycles.
func (p Places) addLap(law *fatigue.Law, mode string, closed fatigue.Cycles, residue fatigue.Points, t fatigue.Transfer, each []float64) {
	if len(p.First) == 0 {
		return
	}
	p.add(closed, each)
	var rest fatigue.Cycles
	weight := 1.0
	switch mode {
	case Half:
		rest, weight = fatigue.HalfCycles(residue), 0.5
	case Repeat:
		rest = fatigue.RepeatCycles(residue)
	}
	each = make([]float64, rest.Len())
	law.SumEach(each, rest, weight, t)
	p.add(rest, each)
}

func (p Places) add(c fatigue.Cycles, each []float64) {
	k := 0 // cycles close one after another: the next place is near the last, and often it
	lo, hi := p.bounds(k)
	here := p.Damage[k]
	move := func(sample int32) {
		p.Damage[k] = here
		k = p.near(k, sample)
		lo, hi = p.bounds(k)
		here = p.Damage[k]
	}
	start, end := c.Start[:len(each)], c.End[:len(each)]
	for i, d := range each {
		if !(d > 0) {
			continue
		}
		d /= 2
		if s := start[i]; s < lo || s > hi {
			move(s)
		}
		here += d
		if e := end[i]; e < lo || e > hi {
			move(e)
		}
		here += d
	}
	p.Damage[k] = here
}

// bounds are the first and the last sample of a place.
func (p Places) bounds(k int) (lo, hi int32) {
	lo, hi = math.MinInt32, math.MaxInt32
	if k > 0 {
		lo = p.First[k]
	}
	if k+1 < len(p.First) {
		hi = p.First[k+1] - 1
	}
	return lo, hi
}

// near is At, by steps from a place.
func (p Places) near(k int, sample int32) int {
	for k+1 < len(p.First) && p.First[k+1] <= sample {
		k++
	}
	for k > 0 && p.First[k] > sample {
		k--
	}
	return k
}
