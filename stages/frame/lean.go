package frame

import "fmt"

// Lean builds a column over numbers that takes half the memory where each of them is a float32 exactly, as of a
// recording of single precision or of few bits; else it is of float64 and v must not be written to afterwards. Which
// it is follows from the numbers alone.
func Lean(name, unit string, v []float64) Column {
	if lean := Narrow(v, nil); lean != nil || len(v) == 0 {
		return Col(name, unit, lean)
	}
	return Col(name, unit, v)
}

// Narrow returns numbers as float32, in room, which is grown where it is too short and may be nil; nil unless each is a
// float32 exactly, or not a number.
func Narrow(v []float64, room []float32) []float32 {
	const tried = 64 // before memory is taken
	if !single(v[:min(len(v), tried)]) {
		return nil
	}
	if cap(room) < len(v) {
		room = make([]float32, len(v))
	}
	room = room[:len(v)]
	for i, x := range v {
		y := float32(x)
		if float64(y) != x && x == x {
			return nil
		}
		room[i] = y
	}
	return room
}

// Widen returns numbers as float64, in room, which is grown where it is too short and may be nil.
func Widen(v []float32, room []float64) []float64 {
	if cap(room) < len(v) {
		room = make([]float64, len(v))
	}
	room = room[:len(v)]
	for i, x := range v {
		room[i] = float64(x)
	}
	return room
}

// single tells whether all numbers are a float32 exactly.
func single(v []float64) bool {
	for _, x := range v {
		if float64(float32(x)) != x && x == x {
			return false
		}
	}
	return true
}

// Numbers returns the values of a float column. Those of float64 are the frame's own, without a copy; those of
// float32 are written to room, which is grown where it is too short and may be nil.
func Numbers(f *Frame, name string, room []float64) ([]float64, error) {
	c, ok := f.Column(name)
	if !ok {
		return nil, fmt.Errorf("read frame: no column %q", name)
	}
	switch v := c.data.(type) {
	case []float64:
		return v, nil
	case []float32:
		return Widen(v, room), nil
	}
	return nil, fmt.Errorf("read frame: column %q holds %v", name, c.Kind())
}
