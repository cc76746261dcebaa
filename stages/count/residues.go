package count

import (
	"fmt"

	"lapwear/fatigue"
	"lapwear/stages/frame"
)

// ResiduesFrame lays the residues of laps, in the order of their numbers from 0, behind one another, a row a turning point.
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
	attrs := []frame.Attr{frame.Num("laps", "", float64(len(laps)))}
	return frame.Must(attrs, frame.Col("lap", "", lap), frame.Lean("value", "", value), frame.Col("index", "", index))
}

// ReadResidues returns the laps' residues by their numbers.
func ReadResidues(f *frame.Frame) ([]fatigue.Points, error) {
	ends, err := LapEnds(f)
	if err != nil {
		return nil, fmt.Errorf("read residues: %w", err)
	}
	all, err := ReadResidue(f)
	if err != nil {
		return nil, err
	}
	laps := make([]fatigue.Points, len(ends))
	from := 0
	for k, to := range ends {
		laps[k] = fatigue.Points{Value: all.Value[from:to:to], Index: all.Index[from:to:to]}
		from = to
	}
	return laps, nil
}

// LapEnds returns behind which row each lap's rows end, in a frame with the attribute laps, their number, and the column lap, a lap's number from 0, rising.
func LapEnds(f *frame.Frame) ([]int, error) {
	n, ok := f.Number("laps")
	if !ok || !(n >= 0 && n <= 1<<15) {
		return nil, fmt.Errorf("%v laps, want up to %d", n, 1<<15)
	}
	lap, err := frame.Get[[]int16](f, "lap")
	if err != nil {
		return nil, err
	}
	ends := make([]int, int(n))
	at := 0
	for k := range ends {
		for at < len(lap) && int(lap[at]) == k {
			at++
		}
		ends[k] = at
	}
	return ends, nil
}
