package count

import (
	"fmt"

	"lapwear/fatigue"
	"lapwear/stages/frame"
)

// ResiduesFrame lays the residues of laps, in the order of their numbers from 0, behind one another.
func ResiduesFrame(laps []fatigue.Points) *frame.Frame {
	n := 0
	for _, p := range laps {
		n += p.Len()
	}
	lap, value, index := make([]int16, 0, n), make([]float64, 0, n), make([]int32, 0, n)
	for k, p := range laps {
		for range p.Value {
			lap = append(lap, int16(k))
		}
		value, index = append(value, p.Value...), append(index, p.Index...)
	}
	return frame.Must(nil, frame.Col("lap", "", lap), frame.Lean("value", "", value), frame.Col("index", "", index))
}

// ReadResidues returns the residues of the first n laps by their numbers, as ResiduesFrame laid them.
func ReadResidues(f *frame.Frame, n int) ([]fatigue.Points, error) {
	lap, err := frame.Get[[]int16](f, "lap")
	if err != nil {
		return nil, fmt.Errorf("read residues: %w", err)
	}
	all, err := ReadResidue(f)
	if err != nil {
		return nil, err
	}
	laps := make([]fatigue.Points, n)
	from := 0
	for k := range laps {
		to := from
		for to < len(lap) && int(lap[to]) == k {
			to++
		}
		laps[k] = fatigue.Points{Value: all.Value[from:to:to], Index: all.Index[from:to:to]}
		from = to
	}
	return laps, nil
}
