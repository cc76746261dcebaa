package condense

import (
	"context"
	"fmt"
	"strings"

	"lapwear/stages/frame"
)

func (l *lap) cutFrame(c *cut) *frame.Frame {
	var cols []frame.Column
	for i, label := range l.labels {
		cols = append(cols, frame.Col(label, l.units[i], c.signals[i]))
	}
	return frame.Must([]frame.Attr{
		frame.Num("rate_hz", "Hz", l.rate),
		frame.Num("seconds_before", "s", float64(len(l.signals[0]))/l.rate),
		frame.Num("seconds_after", "s", float64(c.len())/l.rate),
		frame.Num("blend_s", "s", float64(l.blend)/l.rate)}, cols...)
}

func (l *lap) piecesFrame(c *cut) *frame.Frame {
	var from, to, at []float64
	for i, p := range c.pieces {
		from, to = append(from, float64(p.from)/l.rate), append(to, float64(p.to)/l.rate)
		at = append(at, float64(c.at[i])/l.rate)
	}
	return frame.Must(nil, frame.Col("from_s", "s", from), frame.Col("to_s", "s", to), frame.Col("at_s", "s", at))
}

// outlineBins is how many bins a channel's outline has at most.
const outlineBins = 480

// outline lists every channel's extents in bins of equal length, with the share of each bin that the cut keeps.
func (l *lap) outline(c *cut) *frame.Frame {
	n := len(l.signals[0])
	bins := min(outlineBins, n)
	var channel []string
	var from, to, low, high, kept []float64
	for i := len(l.meters); i < len(l.labels); i++ {
		for b := range bins {
			a, z := b*n/bins, (b+1)*n/bins
			lo, hi := l.signals[i][a], l.signals[i][a]
			for _, v := range l.signals[i][a:z] {
				lo, hi = min(lo, v), max(hi, v)
			}
			channel = append(channel, strings.TrimPrefix(l.labels[i], ChannelInput("")))
			from, to = append(from, float64(a)/l.rate), append(to, float64(z)/l.rate)
			low, high, kept = append(low, lo), append(high, hi), append(kept, float64(c.covers(a, z))/float64(z-a))
		}
	}
	if channel == nil {
		channel = []string{}
	}
	return frame.Must(nil, frame.Col("channel", "", channel), frame.Col("from_s", "s", from), frame.Col("to_s", "s", to),
		frame.Col("low_unit", "", low), frame.Col("high_unit", "", high), frame.Col("kept", "", kept))
}

// covers counts the lap's samples from a up to z that the pieces hold.
func (c *cut) covers(a, z int) int {
	n := 0
	for _, p := range c.pieces {
		n += max(0, min(z, p.to)-max(a, p.from))
	}
	return n
}

// curve cuts the lap again and again, by events alone, each time with another goal.
func (l *lap) curve(ctx context.Context) (*frame.Frame, error) {
	var wanted, seconds, share []float64
	var hotspots []string
	for _, goal := range wantedShares {
		c, err := l.assemble(l.greedy(goal))
		if err != nil {
			return nil, err
		}
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		for _, s := range c.shares {
			wanted, seconds = append(wanted, goal), append(seconds, float64(c.len())/l.rate)
			hotspots, share = append(hotspots, s.Hotspot), append(share, s.Share)
		}
	}
	return frame.New(nil, frame.Col("wanted", "", wanted), frame.Col("seconds", "s", seconds),
		frame.Col("hotspot", "", hotspots), frame.Col("share", "", share))
}

// shareFields ties a share to its columns.
var shareFields = []struct {
	name, unit string
	at         func(s *Share) *float64
}{
	{"gain_mpa_per_unit", "MPa", func(s *Share) *float64 { return &s.Gain }},
	{"gate", "", func(s *Share) *float64 { return &s.Gate }},
	{"lap_damage_once", "", func(s *Share) *float64 { return &s.Lap.Once }},
	{"lap_damage_repeated", "", func(s *Share) *float64 { return &s.Lap.Repeated }},
	{"cut_damage_once", "", func(s *Share) *float64 { return &s.Cut.Once }},
	{"cut_damage_repeated", "", func(s *Share) *float64 { return &s.Cut.Repeated }},
	{"share", "", func(s *Share) *float64 { return &s.Share }},
	{"joints_share", "", func(s *Share) *float64 { return &s.Joints }},
}

func sharesFrame(shares []Share) *frame.Frame {
	var names []string
	for _, s := range shares {
		names = append(names, s.Hotspot)
	}
	cols := []frame.Column{frame.Col("hotspot", "", names)}
	for _, f := range shareFields {
		v := make([]float64, len(shares))
		for i := range shares {
			v[i] = *f.at(&shares[i])
		}
		cols = append(cols, frame.Col(f.name, f.unit, v))
	}
	return frame.Must(nil, cols...)
}

// ReadShares returns the shares that a frame of this stage holds.
func ReadShares(f *frame.Frame) ([]Share, error) {
	names, err := frame.Get[[]string](f, "hotspot")
	if err != nil {
		return nil, fmt.Errorf("read shares: %w", err)
	}
	out := make([]Share, len(names))
	for i := range out {
		out[i].Hotspot = names[i]
	}
	for _, field := range shareFields {
		v, err := frame.Get[[]float64](f, field.name)
		if err != nil {
			return nil, fmt.Errorf("read shares: %w", err)
		}
		for i := range out {
			*field.at(&out[i]) = v[i]
		}
	}
	return out, nil
}
