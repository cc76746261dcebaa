package ingest

import (
	"sync"

	"lapwear/stages"
)

// rooms are columns' memory that no output holds on to: a lap's columns are as long as the next lap's, and most
// outputs are of single precision, and so have memory of their own.
var rooms sync.Pool

// takeRooms returns memory for so many columns, nil where there is none.
func takeRooms(n int) [][]float64 {
	out := make([][]float64, n)
	for i := range out {
		kept, ok := rooms.Get().(*[]float64)
		if !ok {
			break
		}
		out[i] = (*kept)[:0]
	}
	return out
}

// giveRooms gives the memory of columns back that no output uses.
func giveRooms(parts []*part, out []stages.Output) {
	used := map[*float64]bool{}
	for _, o := range out {
		for _, c := range o.Frame.Columns() {
			if v, ok := c.Values().([]float64); ok && len(v) > 0 {
				used[&v[0]] = true
			}
		}
	}
	for _, q := range parts {
		for _, c := range q.rec.cols {
			if len(c) > 0 && !used[&c[0]] {
				used[&c[0]] = true
				rooms.Put(&c)
			}
		}
	}
}
