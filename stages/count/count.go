// Package count is the stage that counts a channel's cycles over one lap.
//
// It stores every closed cycle exactly and the residue, in the channel's unit.
// Rainflow commutes with scaling and shifting, so a gain, an offset or a material
// is applied later to the cycles and never asks for a new count.
package count

import (
	"context"
	"fmt"
	"sync"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Revision is raised whenever equal inputs may give other bytes than before.
const Revision = 4

// Output names. Cycles are packed as packed.go says: values of both ends (channel's unit; from occurred first) and
// their sample numbers, read by ReadCycles; Residue has value and index. Cycles carries
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

// packers are those that are not in use.
var packers = sync.Pool{New: func() any { return new(packer) }}

// Run counts the signal.
func (p Params) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	f, err := in.Frame(Signal)
	if err != nil {
		return nil, err
	}
	if x, err := frame.Get[[]float32](f, "value"); err == nil {
		return countSignal(p, in, f, x)
	}
	x, err := frame.Get[[]float64](f, "value")
	if err != nil {
		return nil, err
	}
	return countSignal(p, in, f, x)
}

// countSignal counts a signal of either precision as it is. Outputs do not depend on which it is.
func countSignal[T fatigue.Sample](p Params, in stages.Inputs, f *frame.Frame, x []T) ([]stages.Output, error) {
	rate, ok := f.Number("rate_hz")
	if !ok || !(rate > 0) {
		return nil, fmt.Errorf("count cycles: the signal has no sampling rate")
	}
	duration, err := durationOf(f, len(x), rate)
	if err != nil {
		return nil, err
	}
	own := packers.Get().(*packer)
	defer packers.Put(own)
	m, span, err := fatigue.CountMarks(&own.counter, x, p.Gate)
	if err != nil {
		return nil, stages.Refuse("%v", err)
	}
	unit := f.Columns()[0].Unit
	spectrum, err := moments(p, f, x, rate, own)
	if err != nil {
		return nil, err
	}
	columns, step, per := own.pack(m, unit, x)
	attrs := []frame.Attr{
		frame.Num("samples", "", float64(len(x))), frame.Num("rate_hz", "Hz", rate), frame.Num("duration_s", "s", duration),
		frame.Num("range", unit, span), frame.Num("cycles", "", float64(len(m.Start))), frame.Num("step", unit, step),
		frame.Num("per", "", per),
	}
	cycles := frame.Must(append(attrs, momentAttrs(spectrum, unit)...), columns...)
	residue := frame.Must(nil, values("value", unit, fatigue.At(x, m.Residue)), frame.Col("index", "", m.Residue))
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

// values is a column of single precision where all of its numbers are.
func values(name, unit string, v any) frame.Column {
	if v, ok := v.([]float32); ok {
		return frame.Col(name, unit, v)
	}
	return frame.Lean(name, unit, v.([]float64))
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
