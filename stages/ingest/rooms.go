package ingest

import (
	"math"
	"slices"
	"sync"

	"lapwear/fatigue/lanes"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// rooms and leanRooms are columns' memory that no output holds on to: a lap's columns are as long as the next lap's.
var rooms, leanRooms sync.Pool

// stepRooms are the memory of numbers a block, which quality needs.
var stepRooms sync.Pool

// tooLong tells whether memory has room for more than twice n values. What a long recording has left would else serve short laps for good, and
// the engine counts values.
func tooLong[T real](room []T, n int) bool { return cap(room)/2 > n }

// sized returns n values in memory of the pool, or in new memory where that has none that fits.
func sized[T real](pool *sync.Pool, n int) []T {
	room := takeRoom[T](pool, n)
	if cap(room) < n {
		room = make([]T, n)
	}
	return room[:n]
}

// takeRoom returns memory for a column of n values, which may be too short; nil where there is none. What is too long is left to the
// collector.
func takeRoom[T real](pool *sync.Pool, n int) []T {
	if room := anyRoom[T](pool); !tooLong(room, n) {
		return room
	}
	return nil
}

// anyRoom is takeRoom where it is not known how many values there will be.
func anyRoom[T real](pool *sync.Pool) []T {
	if kept, ok := pool.Get().(*[]T); ok {
		return (*kept)[:0]
	}
	return nil
}

// giveRoom takes the memory of a column that is no longer needed.
func giveRoom[T real](pool *sync.Pool, v []T) {
	if cap(v) > 0 {
		pool.Put(&v)
	}
}

// cutOut is a part of a column. Most of one is moved to the beginning of its memory, which serves a later column whole; of a long recording a short
// lap gets memory of its own, and no more than it needs, so that it does not hold all of it.
func cutOut[T real](pool *sync.Pool, v []T, from, to int) []T {
	if to-from > len(v)/2 {
		copy(v, v[from:to])
		return v[:to-from]
	}
	out := slices.Clip(slices.Clone(v[from:to]))
	giveRoom(pool, v)
	return out
}

// Recycle takes the memory of a signal for a column of the next lap, with what lies behind its values, which is no other column's. That of a
// signal with stamps, which several have, is not taken, nor that of a short lap of a long recording, whose columns are longer. Where no more recordings
// are read it serves whoever else needs memory.
func (p Params) Recycle(f *frame.Frame, more bool) {
	if len(f.Columns()) != 1 {
		return
	}
	isCut := !math.IsNaN(p.StartS) || !math.IsNaN(p.EndS)
	switch v := f.Columns()[0].Values().(type) {
	case []float64:
		recycle(&rooms, v, isCut, more)
	case []float32:
		recycle(&leanRooms, v, isCut, more)
	}
}

// recycle takes the memory of a signal, but of a cut without room behind it, which is cutOut's short lap.
func recycle[T real](pool *sync.Pool, v []T, isCut, more bool) {
	switch {
	case isCut && cap(v) == len(v):
	case more:
		giveRoom(pool, v)
	default:
		lanes.Spare(v)
	}
}

// giveRooms gives the memory of columns back that no output uses.
func giveRooms(parts []*part, out []stages.Output) {
	wide, lean := map[*float64]bool{}, map[*float32]bool{}
	for _, o := range out {
		for _, c := range o.Frame.Columns() {
			switch v := c.Values().(type) {
			case []float64:
				unused(wide, v)
			case []float32:
				unused(lean, v)
			}
		}
	}
	for _, q := range parts {
		for _, c := range q.rec.cols {
			if unused(wide, c) {
				giveRoom(&rooms, c)
			}
		}
		for _, c := range q.rec.lean {
			if unused(lean, c) {
				giveRoom(&leanRooms, c)
			}
		}
	}
}

// unused tells whether memory is not among that in use, and from now on it is.
func unused[T real](used map[*T]bool, v []T) bool {
	if len(v) == 0 || used[&v[0]] {
		return false
	}
	used[&v[0]] = true
	return true
}
