package count

import (
	"fmt"
	"math"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// Places is the name of the output that says where on the lap samples were taken: the
// column first, the number of the first sample at or beyond k times PlaceMetres for k from 0. It
// has no rows where the distance is not known.
const Places = "places"

// PlaceMetres is the length of a place: about what a bike at 180 km/h does in half a second.
const PlaceMetres = 25

// maxPlaces bounds what a distance in the wrong unit may make the program do: 500 km.
const maxPlaces = 20000

// places finds where the signal's samples were taken. A distance that is no lap's is as good
// as none.
func (p Params) places(in stages.Inputs, signal *frame.Frame, samples int, rate float64) (*frame.Frame, error) {
	none := frame.Must(nil, frame.Col("first", "", []int32{}))
	var f *frame.Frame
	for _, i := range in.Frames {
		if i.Label != Position || i.Missing != "" {
			continue
		}
		var err error
		if f, err = i.Get(); err != nil {
			return nil, err
		}
	}
	if f == nil || f.Rows() < 2 {
		return none, nil
	}
	travelled, err := frame.Numbers(f, "value", nil)
	if err != nil {
		return nil, err
	}
	metres := progress(travelled, p.Metres)
	if metres == nil {
		return none, nil
	}
	at, err := clock(f, len(travelled))
	if err != nil {
		return nil, err
	}
	when, err := clock(signal, samples)
	if err != nil {
		return nil, err
	}
	first := crossings(at, metres, when, samples)
	return frame.Must(nil, frame.Col("first", "", first)), nil
}

// clock returns when the samples of a signal were taken, in s.
func clock(f *frame.Frame, n int) (func(i int) float64, error) {
	if _, stamped := f.Column("time_s"); stamped {
		t, err := frame.Get[[]float64](f, "time_s")
		if err != nil {
			return nil, err
		}
		return func(i int) float64 { return t[i] }, nil
	}
	rate, ok := f.Number("rate_hz")
	if !ok || !(rate > 0) {
		return nil, fmt.Errorf("find places: the %d samples have no sampling rate", n)
	}
	start, _ := f.Number("start_s")
	return func(i int) float64 { return start + float64(i)/rate }, nil
}

// progress turns what a logger calls distance into metres from the line that never fall, nil
// where it is no lap's.
//
//   - A distance that begins beyond one place and is not seen to start anew counts from a session's
//     or the bike's beginning: the lap's first value is taken off. Whichever is right, laps of one
//     circuit are within a place of each other.
//   - One fall by more than half of the range is where the logger starts anew at the line. Within a twentieth of the samples from
//     either end it is a cut just off the line, and what is beyond it counts as the lap's first or last place.
//   - A wheel's small steps back are held.
func progress(x []float64, unit float64) []float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil
		}
		lo, hi = min(lo, v), max(hi, v)
	}
	span := hi - lo
	if !(span > 0) || span*unit > maxPlaces*PlaceMetres {
		return nil
	}
	begin, end := 0, len(x)
	for i := 1; i < len(x); i++ {
		if x[i-1]-x[i] <= span/2 {
			continue
		}
		switch {
		case i <= len(x)/20 && begin == 0:
			begin = i
		case i >= len(x)-len(x)/20 && end == len(x):
			end = i
		default:
			return nil
		}
	}
	return held(x, begin, end, unit)
}

// held returns the metres of x, which counts from begin to end.
func held(x []float64, begin, end int, unit float64) []float64 {
	zero, covered := x[begin], x[end-1]-x[begin]
	if !(covered > 0) {
		return nil
	}
	anew := begin > 0 || end < len(x)
	if anew || math.Abs(zero)*unit <= PlaceMetres {
		zero = 0
	}
	out := make([]float64, len(x))
	top := 0.0
	for i := range x {
		if i >= begin && i < end {
			top = max(top, (x[i]-zero)*unit)
		}
		out[i] = top
	}
	return out
}

// crossings returns the first sample at or beyond each multiple of PlaceMetres, with the
// distance straight between its own samples and held beyond them.
func crossings(at func(int) float64, metres []float64, when func(int) float64, samples int) []int32 {
	var first []int32
	j := 0
	for i := range samples {
		t := when(i)
		for j < len(metres)-2 && at(j+1) <= t {
			j++
		}
		share := min(1, max(0, (t-at(j))/(at(j+1)-at(j))))
		here := metres[j] + share*(metres[j+1]-metres[j])
		for float64(len(first))*PlaceMetres <= here && len(first) < maxPlaces {
			first = append(first, int32(i))
		}
	}
	return first
}
