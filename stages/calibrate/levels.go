package calibrate

import (
	"math"

	"lapwear/fatigue"
)

// level is the gain within a range of amplitudes.
type level struct {
	from, to float64 // of the channel's cycles' amplitudes, in its unit
	gain     float64 // MPa per unit
	cycles   int
}

// levelCount is into how many ranges amplitudes are cut.
const levelCount = 6

// levels returns the gain by amplitude: over the channel's rainflow cycles in each range
// of amplitudes, the gauge's change from one turning point to the other against the
// channel's, by least squares. Noise flattens the lower ranges.
func levels(laps []prepared) ([]level, error) {
	var top float64
	counts := make([]fatigue.Cycles, len(laps))
	for i, l := range laps {
		c, err := fatigue.CountCycles(l.x, 0)
		if err != nil {
			return nil, err
		}
		counts[i] = c.Closed
		for k := range c.Closed.From {
			top = max(top, c.Closed.Amplitude(k))
		}
	}
	out := make([]level, levelCount)
	num, den := make([]float64, levelCount), make([]float64, levelCount)
	for i, c := range counts {
		for k := range c.From {
			j := min(int(c.Amplitude(k)/top*levelCount), levelCount-1)
			dx := c.To[k] - c.From[k]
			num[j] += dx * (laps[i].s[c.End[k]] - laps[i].s[c.Start[k]])
			den[j] += dx * dx
			out[j].cycles++
		}
	}
	for j := range out {
		out[j].from, out[j].to = top*float64(j)/levelCount, top*float64(j+1)/levelCount
		out[j].gain = math.NaN()
		if den[j] > 0 {
			out[j].gain = num[j] / den[j]
		}
	}
	return out, nil
}
