package calibrate

import (
	"math"
	"slices"

	"lapwear/fatigue"
)

// standardSlopes are the slopes at which damage is compared. An error of the gain counts with the
// slope as its power, so that what is proven at one slope is not at a steeper one; among
// these every material finds its own without another fit.
var standardSlopes = []float64{3, 5, 8, 12}

// slopes lists them with the fitting's own slope, from the least on.
func (f Fitting) slopes() []float64 {
	out := append(slices.Clone(standardSlopes), f.Slope)
	slices.Sort(out)
	return slices.Compact(out)
}

// Rung is the slope at which a fit is judged for an S-N curve of the slope given: the
// next at or above it; the highest for a steeper one, the fitting's own for
// none.
func (f Fitting) Rung(slope float64) float64 {
	all := f.slopes()
	if math.IsNaN(slope) {
		return f.Slope
	}
	for _, k := range all {
		if k >= slope*(1-1e-6) {
			return k
		}
	}
	return all[len(all)-1]
}

// own is the place of the fitting's own slope among its slopes.
func (f Fitting) own() int { return slices.Index(f.slopes(), f.Slope) }

// cycleDamages sums amplitude^slope over the rainflow cycles of v, the residue as half
// cycles: damage on straight S-N curves, but for their constants, slope by slope. reach
// is the mean amplitude by damage at each: sum(a^(k+1)) / sum(a^k).
func cycleDamages(v, slopes []float64) (damage, reach []float64, err error) {
	c, err := fatigue.CountCycles(v, 0)
	if err != nil {
		return nil, nil, err
	}
	damage, reach = make([]float64, len(slopes)), make([]float64, len(slopes))
	add := func(cs fatigue.Cycles, weight float64) {
		for i := range cs.From {
			a := cs.Amplitude(i)
			for j, k := range slopes {
				d := weight * math.Pow(a, k)
				damage[j] += d
				reach[j] += d * a
			}
		}
	}
	add(c.Closed, 1)
	add(fatigue.HalfCycles(c.Residue), 0.5)
	for j := range reach {
		if damage[j] > 0 {
			reach[j] /= damage[j]
		}
	}
	return damage, reach, nil
}

// countAll counts channel and gauge of all laps and returns the channel's amplitude at
// which damage is done at a slope, by its place.
func countAll(laps []prepared, slopes []float64, place int) (reach float64, err error) {
	var total, sum float64
	for i := range laps {
		l := &laps[i]
		var r []float64
		if l.dx, r, err = cycleDamages(l.x, slopes); err != nil {
			return 0, err
		}
		if l.ds, _, err = cycleDamages(l.s, slopes); err != nil {
			return 0, err
		}
		total, sum = total+l.dx[place], sum+l.dx[place]*r[place]
	}
	if total == 0 {
		return 0, nil
	}
	return sum / total, nil
}

// measuredOver is the damage of the laps' gauge over that of their channel at a gain of
// 1, at the slope of a place.
func measuredOver(laps []prepared, place int) float64 {
	var dx, ds float64
	for _, l := range laps {
		dx, ds = dx+l.dx[place], ds+l.ds[place]
	}
	return ds / dx
}

// heldOut is the damage predicted and measured of parts that the transfer was not fitted
// on, by slope. It is empty with fewer than two parts, or of nothing to compare.
type heldOut struct {
	parts     int
	names     []string
	predicted [][]float64 // by part, then slope
	measured  [][]float64
}

// predictor fits a transfer on some laps and returns the damage that it predicts for
// others, by slope.
type predictor func(fitted, unseen []prepared) ([]float64, error)

// leaveOut fits on all laps but one part's and predicts that part, in turn.
func leaveOut(laps []prepared, part func(prepared) string, predict predictor) (heldOut, error) {
	var names []string
	for _, l := range laps {
		if n := part(l); !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	h := heldOut{parts: len(names)}
	if len(names) < 2 {
		return h, nil
	}
	for _, n := range names {
		var rest, group []prepared
		for _, l := range laps {
			if part(l) == n {
				group = append(group, l)
			} else {
				rest = append(rest, l)
			}
		}
		d, err := predict(rest, group)
		if err != nil {
			return h, err
		}
		h.names, h.predicted, h.measured = append(h.names, n), append(h.predicted, d), append(h.measured, measuredOf(group))
	}
	return h, nil
}

// measuredOf is the gauge's damage of laps, by slope.
func measuredOf(laps []prepared) []float64 {
	out := make([]float64, len(laps[0].ds))
	for _, l := range laps {
		for k, d := range l.ds {
			out[k] += d
		}
	}
	return out
}

// outcome sums up what was held out, at one slope: NaN where nothing was.
type outcome struct {
	total     float64 // damage predicted over measured, all parts together
	low, high float64 // of single parts; 0 and +Inf where one does no damage
	sd        float64 // root mean square of the parts' log10
}

// farthestOff is the most that log10 of a part's damage ratio counts in the spread, so that
// a part of which no damage is predicted, or none measured, counts as a factor of 1000.
const farthestOff = 3

func (h heldOut) at(place int) outcome {
	nan := math.NaN()
	o := outcome{nan, nan, nan, nan}
	var predicted, measured, squares, n float64
	for i := range h.names {
		p, m := h.predicted[i][place], h.measured[i][place]
		r := p / m
		if math.IsNaN(r) { // neither moves: it shows nothing
			continue
		}
		if n == 0 {
			o.low, o.high = r, r
		}
		predicted, measured = predicted+p, measured+m
		o.low, o.high = min(o.low, r), max(o.high, r)
		off := within(math.Log10(r), -farthestOff, farthestOff)
		squares, n = squares+off*off, n+1
	}
	if n > 0 {
		o.total, o.sd = predicted/measured, math.Sqrt(squares/n)
	}
	return o
}

// ratio is predicted over measured damage of a part; NaN of one that was not held out.
func (h heldOut) ratio(part string, place int) float64 {
	i := slices.Index(h.names, part)
	if i < 0 {
		return math.NaN()
	}
	return h.predicted[i][place] / h.measured[i][place]
}

func byLap(l prepared) string     { return l.lap }
func byCircuit(l prepared) string { return l.circuit }
