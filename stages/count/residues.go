package count

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"lapwear/fatigue"
	"lapwear/stages/frame"
)

// ResiduesFrame lays the residues of laps, in the order of their numbers from 0, behind one another, a row a turning point.
func ResiduesFrame(laps []fatigue.Points) *frame.Frame {
	attr, n := NumberLaps(laps, fatigue.Points.Len)
	value, index := make([]float64, 0, n), make([]int32, 0, n)
	for _, p := range laps {
		value, index = append(value, p.Value...), append(index, p.Index...)
	}
	return frame.Must([]frame.Attr{attr}, frame.Lean("value", "", value), frame.Col("index", "", index))
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

// NumberLaps returns the attribute that tells ByLap how many rows each lap has, where laps lie behind one another, and how many all have.
func NumberLaps[L any](laps []L, rows func(L) int) (attr frame.Attr, n int) {
	var text []byte
	for _, l := range laps {
		n += rows(l)
		text = append(strconv.AppendInt(text, int64(rows(l)), 10), ' ')
	}
	return frame.Text("laps", string(text)), n
}

// ByLap returns what of makes of each lap's rows, in a frame with the attribute that NumberLaps gives.
func ByLap[V any](f *frame.Frame, of func(from, to int) V) ([]V, error) {
	text, ok := f.Text("laps")
	if !ok {
		return nil, errors.New("the number of each lap's rows is not stated")
	}
	numbers := strings.Fields(text)
	out := make([]V, len(numbers))
	from := 0
	for k, number := range numbers {
		n, err := strconv.Atoi(number)
		if err != nil || n < 0 || n > f.Rows()-from {
			return nil, fmt.Errorf("%q rows from row %d on, of %d", number, from+1, f.Rows())
		}
		out[k] = of(from, from+n)
		from += n
	}
	if from < f.Rows() {
		return nil, fmt.Errorf("%d of %d rows are of no lap", f.Rows()-from, f.Rows())
	}
	return out, nil
}
