package frame

import "fmt"

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

func joined[E any](parts []Column) []E {
	n := 0
	for _, p := range parts {
		n += p.Len()
	}
	all := make([]E, 0, n)
	for _, p := range parts {
		all = append(all, p.data.([]E)...)
	}
	return all
}
