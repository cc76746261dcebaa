package frame

import (
	"fmt"

	"lapwear/fatigue/lanes"
)

// Stack lays frames one under another. The columns are the first frame's; every
// frame must have them, with the same kinds. The result has no attributes.
func Stack(frames ...*Frame) (*Frame, error) {
	if len(frames) == 0 {
		return nil, fmt.Errorf("stack frames: there is none")
	}
	cols := make([]Column, len(frames[0].cols))
	for i, c := range frames[0].cols {
		parts := make([]Column, len(frames))
		for j, f := range frames {
			part, ok := f.Column(c.Name)
			if !ok || part.Kind() != c.Kind() {
				return nil, fmt.Errorf("stack frames: part %d has no %v column %q", j+1, c.Kind(), c.Name)
			}
			parts[j] = part
		}
		cols[i] = Column{Name: c.Name, Unit: c.Unit, data: joinData(parts)}
	}
	return New(nil, cols...)
}

func joinData(parts []Column) any {
	switch parts[0].data.(type) {
	case []float64:
		return joined[float64](parts)
	case []float32:
		return joined[float32](parts)
	case []int64:
		return joined[int64](parts)
	case []int32:
		return joined[int32](parts)
	case []int16:
		return joined[int16](parts)
	case []string:
		return joined[string](parts)
	default:
		return joined[bool](parts)
	}
}

// Room returns memory for n values of a column, each of which is to be written before it is read.
func Room[E any](n int) []E {
	switch any(*new(E)).(type) {
	case float64:
		return any(lanes.Uncleared[float64](n)).([]E)
	case float32:
		return any(lanes.Uncleared[float32](n)).([]E)
	case int64:
		return any(lanes.Uncleared[int64](n)).([]E)
	case int32:
		return any(lanes.Uncleared[int32](n)).([]E)
	}
	return make([]E, n)
}

func joined[E any](parts []Column) []E {
	n := 0
	for _, p := range parts {
		n += p.Len()
	}
	all := Room[E](n)[:0]
	for _, p := range parts {
		all = append(all, p.data.([]E)...)
	}
	return all
}
