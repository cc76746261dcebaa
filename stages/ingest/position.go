package ingest

import (
	"context"
	"errors"
	"slices"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// readWithPosition reads the channels and, where the recording has it, the lap distance.
// What is wrong with the distance costs nothing but the distance: its output is then empty.
func (p Params) readWithPosition(ctx context.Context, in stages.Inputs) ([]stages.Output, error) {
	if p.Position.Column == "" {
		return p.read(ctx, in)
	}
	with := p
	with.Channels = append(slices.Clone(p.Channels), p.Position)
	with.Ranges = p.Ranges[:min(len(p.Ranges), len(p.Channels))]
	out, err := with.read(ctx, in)
	var refused *stages.Refusal
	if !errors.As(err, &refused) {
		return out, err
	}
	if out, err = p.read(ctx, in); err != nil {
		return nil, err
	}
	none := frame.Must(nil, frame.Col("value", p.Position.Unit, []float64{}))
	return slices.Insert(out, len(p.Channels), stages.Output{Name: p.Position.Name, Frame: none}), nil
}

// besidePosition leaves out a part of the lap that holds its distance alone: how long a
// lap is and what it lacks is told by the channels that are judged.
func (p Params) besidePosition(parts []*part) []*part {
	last := len(p.Channels) - 1
	if p.Position.Column == "" || p.Channels[last] != p.Position {
		return parts
	}
	return slices.DeleteFunc(slices.Clone(parts), func(q *part) bool {
		return q.of[last] >= 0 && !slices.ContainsFunc(q.of[:last], func(column int) bool { return column >= 0 })
	})
}
