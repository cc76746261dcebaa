package calibrate

import (
	"iter"
	"math"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// sameRate is how far the rates of a gauge and a channel may differ, relative.
const sameRate = 0.01

// common is the samples that a lap's gauge and channel both have, pair by pair.
type common struct {
	gauge, channel []float64
	rate           float64 // Hz, nominal
	late           float64 // s by which the gauge's samples are taken after the channel's, half a step at most; the mean
	uniform        bool    // the pairs follow each other at the rate
}

// signal is a channel of a lap.
type signal struct {
	x, times    []float64 // times in s; nil where uniform
	rate, start float64
}

// at is the time of a sample in s.
func (s signal) at(i int) float64 {
	if s.times != nil {
		return s.times[i]
	}
	return s.start + float64(i)/s.rate
}

// readSignal reads the column value, the attributes rate_hz and start_s and, where the
// samples are not uniform, the column time_s, in s.
func readSignal(f *frame.Frame) (s signal, err error) {
	if s.x, err = frame.Numbers(f, "value", nil); err != nil {
		return s, err
	}
	if _, stamped := f.Column("time_s"); stamped {
		s.times, err = frame.Get[[]float64](f, "time_s")
	}
	s.rate, _ = f.Number("rate_hz")
	s.start, _ = f.Number("start_s")
	return s, err
}

// aligned pairs the samples of a lap's gauge and channel that are nearest in time,
// which is within half a step: either may begin later, end earlier or lack samples.
// Nothing is interpolated. It refuses signals of unlike rates, and those that have
// fewer than two samples in common.
func aligned(gauge, channel *frame.Frame) (common, error) {
	g, err := readSignal(gauge)
	if err != nil {
		return common{}, err
	}
	x, err := readSignal(channel)
	if err != nil {
		return common{}, err
	}
	if !(g.rate > 0) || !(math.Abs(x.rate-g.rate) <= sameRate*g.rate) {
		return common{}, stages.Refuse("the gauge has %g Hz, the channel %g Hz; give both one rate: set rate under signal in the season file", g.rate, x.rate)
	}
	c := byTime(g, x)
	if g.times == nil && x.times == nil && g.rate == x.rate {
		c = byStart(g, x)
	}
	if len(c.gauge) < 2 {
		return common{}, stages.Refuse("the gauge goes from %.10g to %.10g s, the channel from %.10g to %.10g s, and they have %d samples in common; "+
			"correct the recording or take the lap out of the calibration", g.at(0), g.at(len(g.x)-1), x.at(0), x.at(len(x.x)-1), len(c.gauge))
	}
	return c, nil
}

// byStart pairs uniform samples of one rate by where the signals begin.
func byStart(g, x signal) common {
	behind := (g.start - x.start) * g.rate
	whole := math.Round(behind)
	skipX := int(min(max(whole, 0), float64(len(x.x))))
	skipG := int(min(max(-whole, 0), float64(len(g.x))))
	n := min(len(g.x)-skipG, len(x.x)-skipX)
	return common{gauge: g.x[skipG : skipG+n], channel: x.x[skipX : skipX+n],
		rate: g.rate, late: (behind - whole) / g.rate, uniform: true}
}

// byTime pairs samples by their times.
func byTime(g, x signal) common {
	c := common{rate: g.rate}
	for i, k := range nearest(g, x) {
		c.gauge, c.channel = append(c.gauge, g.x[i]), append(c.channel, x.x[k])
		c.late += g.at(i) - x.at(k)
	}
	c.late /= max(1, float64(len(c.gauge)))
	return c
}

// nearest goes over the samples of two signals that are nearest in time, within half a
// step of the first. A sample is in one pair at most.
func nearest(g, x signal) iter.Seq2[int, int] {
	return func(yield func(i, k int) bool) {
		for i, k := 0, 0; i < len(g.x) && k < len(x.x); {
			behind := g.at(i) - x.at(k)
			switch {
			case behind*g.rate > 0.5:
				k++
			case behind*g.rate < -0.5:
				i++
			case k+1 < len(x.x) && math.Abs(g.at(i)-x.at(k+1)) < math.Abs(behind):
				k++
			default:
				if !yield(i, k) {
					return
				}
				i, k = i+1, k+1
			}
		}
	}
}
