package resample

import (
	"math"
	"sync"

	"lapwear/fatigue/lanes"
)

// coarseShare is how many times the stop edge a coarse rate is at least, so that
// the filters to and from that rate have room for a wide transition.
const coarseShare = 3

// lowpass is a low pass with a change of rate, as filters that follow each other.
//
// A sharp filter costs the less the lower the rate at which it runs. So a signal
// of a rate far above the stop edge is first thinned out by a short filter, whose
// transition may end where content would fold back below the stop edge; the sharp
// filter runs on the coarse grid; and another short filter interpolates.
type lowpass []*polyphase

// designLowpass designs for the rate ratio l/m and edges in cycles per input sample.
func designLowpass(l, m int, pass, stop float64) (lowpass, error) {
	var c lowpass
	add := func(l, m int, pass, stop float64) error {
		f, err := designPolyphase(l, m, pass, stop)
		c = append(c, f)
		return err
	}
	step := int(max(1, min(math.Floor(1/(coarseShare*stop)), maxTaps)))
	coarse := 1 / float64(step)
	if step > 1 {
		if err := add(1, step, stop, coarse-stop); err != nil {
			return nil, err
		}
	}
	pass, stop = pass/coarse, stop/coarse
	g := gcd(l*step, m)
	l, m = l*step/g, m/g
	if l <= m || coarseShare*stop > 1 {
		err := add(l, m, pass, stop)
		return c, err
	}
	if err := add(1, 1, pass, stop); err != nil {
		return nil, err
	}
	err := add(l, m, stop, 1-stop)
	return c, err
}

// apply filters a whole signal, output 0 at its first sample and the last output
// at or before its last one; l/m is the ratio of the whole.
func apply[T lanes.Sample](c lowpass, x []T, l, m int) []float64 {
	if len(x) == 0 {
		return []float64{}
	}
	from, to := make([]int, len(c)+1), make([]int, len(c)+1)
	to[len(c)] = (len(x) - 1) * l / m
	for i := len(c) - 1; i >= 0; i-- {
		from[i], to[i] = c[i].needs(from[i+1], to[i+1])
	}
	r := rooms.Get().(*room)
	defer rooms.Put(r)
	pad := max(-from[0], to[0]-len(x)+1)
	y, origin := r.of(0, len(x)+2*pad), pad
	extend(y, x, c.reach())
	for i, f := range c {
		n := to[i+1] - from[i+1] + 1
		z := r.of((i+1)%2, n)
		if i == len(c)-1 {
			z = make([]float64, n)
		}
		f.run(z, y, origin, from[i+1])
		y, origin = z, -from[i+1]
	}
	return y
}

// room is memory for what one filter hands to the next.
type room [2][]float64

// rooms are those that are not in use.
var rooms = sync.Pool{New: func() any { return new(room) }}

// of returns room k for n numbers, whatever it holds.
func (r *room) of(k, n int) []float64 {
	if cap(r[k]) < n {
		r[k] = make([]float64, n)
	}
	return r[k][:n]
}

// reach returns how many input samples the sharpest filter sees either side.
func (c lowpass) reach() int {
	longest, step := 0, 1
	for _, f := range c {
		longest = max(longest, f.half*step)
		step = max(1, step*f.m/f.l)
	}
	return longest
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}
