package condense

import (
	"math"

	"lapwear/fatigue"
)

// event is the samples from, including, to to, excluding, of the lap.
type event struct{ from, to int }

// split finds the lap's events. Boundaries are where, within a joint's length, no
// signal strays far from its mean: every joint then begins and ends near one level.
// The next boundary is the quietest place between one and six joints further on.
func (l *lap) split() {
	quiet := l.loudness()
	n, m := len(quiet), l.blend
	at := m // joints need room before the first piece and after the last
	for at+m < n-m {
		lo, hi := at+m, min(at+6*m, n-m)
		if hi+m > n-m {
			hi = n - m
		}
		next := lo
		for i := lo; i <= hi; i++ {
			if quiet[i-1] < quiet[next-1] {
				next = i
			}
		}
		if n-m-next < m {
			next = n - m
		}
		l.events = append(l.events, event{at, next})
		at = next
	}
}

// loudness is, for every sample, how far any signal strays from its mean within half a
// joint before and after, over the signal's greatest stray.
func (l *lap) loudness() []float64 {
	out := make([]float64, len(l.signals[0]))
	for _, x := range l.signals {
		stray := deviation(x)
		top := 0.0
		for _, v := range stray {
			top = max(top, v)
		}
		if top == 0 {
			continue
		}
		for i, v := range runningMax(stray, l.blend) {
			out[i] = max(out[i], v/top)
		}
	}
	return out
}

func deviation(x []float64) []float64 {
	var mean float64
	for _, v := range x {
		mean += v
	}
	mean /= float64(len(x))
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = math.Abs(v - mean)
	}
	return out
}

// runningMax is the greatest of x within half samples before and after.
func runningMax(x []float64, half int) []float64 {
	out := make([]float64, len(x))
	var queue []int // of falling values
	next := 0
	for i := range x {
		for ; next < len(x) && next <= i+half; next++ {
			for len(queue) > 0 && x[queue[len(queue)-1]] <= x[next] {
				queue = queue[:len(queue)-1]
			}
			queue = append(queue, next)
		}
		if queue[0] < i-half {
			queue = queue[1:]
		}
		out[i] = x[queue[0]]
	}
	return out
}

// attribute shares the damage of every hot spot out to the events: half of a cycle's
// to each of its two turning points.
func (l *lap) attribute() error {
	l.parts = make([][]float64, len(l.meters))
	owner := make([]int, len(l.signals[0]))
	for i := range owner {
		owner[i] = -1
	}
	for e, ev := range l.events {
		for i := ev.from; i < ev.to; i++ {
			owner[i] = e
		}
	}
	for h, m := range l.meters {
		l.parts[h] = make([]float64, len(l.events))
		c, err := fatigue.CountCycles(l.signals[h], m.Gate)
		if err != nil {
			return err
		}
		if l.whole[h].Repeated == 0 {
			continue
		}
		m.EachRepeated(c, func(damage float64, start, end int32) {
			for _, at := range [2]int32{start, end} {
				if e := owner[at]; e >= 0 {
					l.parts[h][e] += damage / l.whole[h].Repeated / 2
				}
			}
		})
	}
	return nil
}
