package calibrate

import (
	"math"
	"slices"

	"lapwear/fatigue"
)

// cycleDamage sums amplitude^slope over the rainflow cycles of v, the residue as half
// cycles: damage on a straight S-N curve, but for its constant. reach is the mean
// amplitude by damage: sum(a^(k+1)) / sum(a^k).
func cycleDamage(v []float64, slope float64) (damage, reach float64, err error) {
	c, err := fatigue.CountCycles(v, 0)
	if err != nil {
		return 0, 0, err
	}
	var above float64
	add := func(cs fatigue.Cycles, weight float64) {
		for i := range cs.From {
			a := cs.Amplitude(i)
			d := weight * math.Pow(a, slope)
			damage += d
			above += d * a
		}
	}
	add(c.Closed, 1)
	add(fatigue.HalfCycles(c.Residue), 0.5)
	if damage > 0 {
		reach = above / damage
	}
	return damage, reach, nil
}

// countAll counts channel and gauge of all laps and returns the channel's amplitude at
// which damage is done.
func countAll(laps []prepared, slope float64) (reach float64, err error) {
	var total, sum float64
	for i := range laps {
		l := &laps[i]
		var r float64
		if l.dx, r, err = cycleDamage(l.x, slope); err != nil {
			return 0, err
		}
		if l.ds, _, err = cycleDamage(l.s, slope); err != nil {
			return 0, err
		}
		total, sum = total+l.dx, sum+l.dx*r
	}
	if total == 0 {
		return 0, nil
	}
	return sum / total, nil
}

// matched is the gain, without sign, at which the damage predicted from the channel
// equals the gauge's.
func matched(laps []prepared, slope float64) float64 {
	var dx, ds float64
	for _, l := range laps {
		dx, ds = dx+l.dx, ds+l.ds
	}
	return math.Pow(ds/dx, 1/slope)
}

// ratio is damage predicted over damage measured.
func ratio(laps []prepared, gain, slope float64) float64 {
	var dx, ds float64
	for _, l := range laps {
		dx, ds = dx+l.dx, ds+l.ds
	}
	return math.Pow(math.Abs(gain), slope) * dx / ds
}

// heldOut is the damage predicted over the damage measured of parts that the transfer was
// not fitted on. It is NaN with fewer than two parts.
type heldOut struct {
	total     float64 // all parts together
	low, high float64 // of single parts
	sd        float64 // root mean square of the parts' log10
	parts     int
	worst     string // the part farthest from 1
}

// predictor fits a transfer on some laps and returns the damage that it predicts for
// others.
type predictor func(fitted, unseen []prepared) (float64, error)

// leaveOut fits on all laps but one part's and predicts that part, in turn.
func leaveOut(laps []prepared, part func(prepared) string, predict predictor) (heldOut, error) {
	var names []string
	for _, l := range laps {
		if n := part(l); !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	nan := math.NaN()
	h := heldOut{nan, nan, nan, nan, len(names), ""}
	if len(names) < 2 {
		return h, nil
	}
	var predicted, measured, squares, farthest float64
	h.low, h.high = math.Inf(1), 0
	for _, n := range names {
		var rest, group []prepared
		var ds float64
		for _, l := range laps {
			if part(l) != n {
				rest = append(rest, l)
				continue
			}
			group, ds = append(group, l), ds+l.ds
		}
		d, err := predict(rest, group)
		if err != nil {
			return h, err
		}
		if !(ds > 0) || !(d > 0) { // nothing to compare
			continue
		}
		off := math.Log10(d / ds)
		predicted, measured, squares = predicted+d, measured+ds, squares+off*off
		h.low, h.high = min(h.low, d/ds), max(h.high, d/ds)
		if math.Abs(off) >= farthest {
			farthest, h.worst = math.Abs(off), n
		}
	}
	if measured == 0 {
		return heldOut{nan, nan, nan, nan, len(names), ""}, nil
	}
	h.total, h.sd = predicted/measured, math.Sqrt(squares/float64(len(names)))
	return h, nil
}

func byLap(l prepared) string     { return l.lap }
func byCircuit(l prepared) string { return l.circuit }
