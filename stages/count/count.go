// Package count is the stage that counts a channel's cycles over one lap.
//
// It stores every closed cycle exactly and the residue, in the channel's unit.
// Rainflow commutes with scaling and shifting, so a gain, an offset or a material
// is applied later to the cycles and never asks for a new count.
package count

import (
	"context"
	"fmt"
	"math"
	"slices"
	"sync"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Revision is raised whenever equal inputs may give other bytes than before.
const Revision = 1

// Output names. Cycles has the columns from, to (channel's unit; from occurred
// first), start, end (sample numbers); Residue has value and index. Cycles carries
// the attributes samples, rate_hz, range and duration_s, which is the samples' number
// over the rate, or, where the signal has stamps, the time from the first to the last
// and a step of the rate.
const (
	Cycles  = "cycles"
	Residue = "residue"
)

// Signal is the label of the input: a frame with the column value, the attribute
// rate_hz and, where the samples are not uniform, the column time_s.
const Signal = "signal"

// Position is the label of an optional input: a frame as Signal's with the distance into
// the lap, of its own rate, empty where it is not known.
const Position = "position"

// Params are the stage's parameters.
type Params struct {
	// Metres is what one unit of the position is, in m; 0 where laps have none. With it there is the
	// output Places.
	Metres float64
	// BandHigh is the upper end of the band that the signal was filtered to, in Hz; 0 = open.
	BandHigh float64

	// Gate drops turning points that lie closer together than this share of the
	// lap's full range; 0 keeps all.
	Gate float64
}

// Name returns "count".
func (Params) Name() string { return "count" }

// Revision returns the package's Revision.
func (Params) Revision() int { return Revision }

// AddTo adds the parameters to a key.
func (p Params) AddTo(h *key.Hasher) {
	h.Float("gate", p.Gate)
	h.Float("band_high", p.BandHigh)
	if p.Metres != 0 {
		h.Float("position_m", p.Metres)
	}
}

// desk is memory for one count after another.
type desk struct {
	room    []float64
	counter fatigue.Counter
}

// desks are those that are not in use.
var desks sync.Pool

// signal returns a frame's samples, until the next call.
func (d *desk) signal(f *frame.Frame) ([]float64, error) {
	x, err := frame.Numbers(f, "value", d.room)
	if c, ok := f.Column("value"); ok && c.Kind() == frame.Float32 {
		d.room = x
	}
	return x, err
}

// kept is a column over numbers that will change.
func kept(name, unit string, v []float64) frame.Column {
	if c := frame.Lean(name, unit, v); c.Kind() == frame.Float32 {
		return c
	}
	return frame.Col(name, unit, slices.Clone(v))
}

// Run counts the signal.
func (p Params) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	f, err := in.Frame(Signal)
	if err != nil {
		return nil, err
	}
	d, ok := desks.Get().(*desk)
	if !ok {
		d = new(desk)
	}
	defer desks.Put(d)
	x, err := d.signal(f)
	if err != nil {
		return nil, err
	}
	rate, ok := f.Number("rate_hz")
	if !ok || !(rate > 0) {
		return nil, fmt.Errorf("count cycles: the signal has no sampling rate")
	}
	duration, err := durationOf(f, len(x), rate)
	if err != nil {
		return nil, err
	}
	span := fullRange(x)
	gate := p.Gate * span
	if math.IsNaN(gate) || math.IsInf(gate, 0) {
		gate = 0 // some sample is not finite: the count says which
	}
	c, err := d.counter.Count(x, gate)
	if err != nil {
		return nil, stages.Refuse("count cycles: %v", err)
	}
	unit := f.Columns()[0].Unit
	spectrum, err := moments(p, f, x, rate)
	if err != nil {
		return nil, err
	}
	cycles := frame.Must(
		append([]frame.Attr{
			frame.Num("samples", "", float64(len(x))),
			frame.Num("rate_hz", "Hz", rate),
			frame.Num("duration_s", "s", duration),
			frame.Num("range", unit, span),
		}, momentAttrs(spectrum, unit)...),
		kept("from", unit, c.Closed.From), kept("to", unit, c.Closed.To),
		frame.Col("start", "", slices.Clone(c.Closed.Start)), frame.Col("end", "", slices.Clone(c.Closed.End)))
	residue := frame.Must(nil,
		frame.Lean("value", unit, c.Residue.Value), frame.Col("index", "", c.Residue.Index))
	out := []stages.Output{{Name: Cycles, Frame: cycles}, {Name: Residue, Frame: residue}}
	if p.Metres == 0 {
		return out, nil
	}
	places, err := p.places(in, f, len(x), rate)
	if err != nil {
		return nil, err
	}
	return append(out, stages.Output{Name: Places, Frame: places}), nil
}

// durationOf is how long a signal of n samples lasts, in s.
func durationOf(f *frame.Frame, n int, rate float64) (float64, error) {
	if _, stamped := f.Column("time_s"); !stamped || n == 0 {
		return float64(n) / rate, nil
	}
	t, err := frame.Get[[]float64](f, "time_s")
	if err != nil {
		return 0, err
	}
	return t[n-1] - t[0] + 1/rate, nil
}

func fullRange(x []float64) float64 {
	if len(x) == 0 {
		return 0
	}
	lo, hi := x[0], x[0]
	for _, v := range x {
		if v < lo {
			lo = v
		}
		if v > hi {
			hi = v
		}
	}
	return hi - lo
}

// ReadCycles returns the closed cycles that a count's frame holds.
func ReadCycles(f *frame.Frame) (fatigue.Cycles, error) {
	var r Room
	return r.Read(f)
}

// Room is memory into which cycles are read, one frame's after another's. The zero value is ready for use.
type Room struct{ from, to []float64 }

// Read is ReadCycles; what it returns holds until the next call.
func (r *Room) Read(f *frame.Frame) (c fatigue.Cycles, err error) {
	if c.From, err = frame.Numbers(f, "from", r.from); err != nil {
		return c, err
	}
	if c.To, err = frame.Numbers(f, "to", r.to); err != nil {
		return c, err
	}
	if col, _ := f.Column("from"); col.Kind() == frame.Float32 {
		r.from = c.From
	}
	if col, _ := f.Column("to"); col.Kind() == frame.Float32 {
		r.to = c.To
	}
	if c.Start, err = frame.Get[[]int32](f, "start"); err != nil {
		return c, err
	}
	c.End, err = frame.Get[[]int32](f, "end")
	return c, err
}

// ReadResidue returns the residue that a count's frame holds.
func ReadResidue(f *frame.Frame) (fatigue.Points, error) {
	var p fatigue.Points
	var err error
	if p.Value, err = frame.Numbers(f, "value", nil); err != nil {
		return p, err
	}
	p.Index, err = frame.Get[[]int32](f, "index")
	return p, err
}
