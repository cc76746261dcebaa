package count

import (
	"fmt"

	"lapwear/fatigue"
	"lapwear/stages/frame"
)

// ResiduesFrame lays the residues of laps, in the order of their numbers from 0, behind one another, a row a turning point.
func ResiduesFrame(laps []fatigue.Points) *frame.Frame {
	attrs, lap, n := NumberLaps(laps, fatigue.Points.Len)
	value, index := make([]float64, 0, n), make([]int32, 0, n)
	for _, p := range laps {
		value, index = append(value, p.Value...), append(index, p.Index...)
	}
	return frame.Must(attrs, lap, frame.Lean("value", "", value), frame.Col("index", "", index))
}

// ReadResidues returns the laps' residues by their numbers.
func ReadResidues(f *frame.Frame) ([]fatigue.Points, error) {
	all, err := ReadResidue(f)
	if err != nil {
		return nil, err
	}
	laps, err := ByLap(f, func(from, to int) fatigue.Points {
		return fatigue.Points{Value: all.Value[from:to:to], Index: all.Index[from:to:to]}
	})
	if err != nil {
		return nil, fmt.Errorf("read residues: %w", err)
	}
	return laps, nil
}

// NumberLaps returns what of a frame says whose its n rows are, for ByLap, where laps lie behind one another, each of so many rows.
func NumberLaps[L any](laps []L, rows func(L) int) (attrs []frame.Attr, lap frame.Column, n int) {
	for _, l := range laps {
		n += rows(l)
	}
	number := make([]int16, 0, n)
	for k, l := range laps {
		for range rows(l) {
			number = append(number, int16(k))
		}
	}
	return []frame.Attr{frame.Num("laps", "", float64(len(laps)))}, frame.Col("lap", "", number), n
}

// ByLap returns what of makes of each lap's rows, in a frame with the attribute laps, their number, and the column lap, a lap's number
// from 0, rising.
func ByLap[V any](f *frame.Frame, of func(from, to int) V) ([]V, error) {
	n, ok := f.Number("laps")
	if !ok || !(n >= 0 && n <= 1<<15) {
		return nil, fmt.Errorf("%v laps, want up to %d", n, 1<<15)
	}
	lap, err := frame.Get[[]int16](f, "lap")
	if err != nil {
		return nil, err
	}
	out := make([]V, int(n))
	to := 0
	for k := range out {
		from := to
		for to < len(lap) && int(lap[to]) == k {
			to++
		}
		out[k] = of(from, to)
	}
	return out, nil
}
