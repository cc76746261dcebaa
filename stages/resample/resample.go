// Package resample brings channels to a common rate and band, uniform in time.
//
//   - The rate is changed at a ratio of whole numbers by polyphase low passes, up
//     or down. Half the lower of the two rates is the limit: up to 0.9 of it the
//     signal passes within 0.01 dB, from it on 80 dB are rejected. Where no ratio is
//     exact, as of a clock some parts in a million off, the result has the nearest rate
//     that has one, within 2.5e-4, and states it: times stay right.
//   - The band is a pass band in Hz. Inside it the signal passes within 0.01 dB.
//     Its lower end low rejects 80 dB from 0.5·low down (6 dB at 0.75·low), its
//     upper end high from 1.25·high up (6 dB at 1.125·high), or from the limit up
//     when that is nearer. A lower end takes away the mean.
//   - All filters are linear in phase and centred: nothing moves in time. Sample k
//     of a result is at k/rate_hz after the recording's first sample.
//   - Stamps that are not uniform are followed by a cubic spline first.
//
// At the ends of a lap the signal is continued by its own trend and vibration. A
// constant and a ramp stay as they are; a lower end makes both zero.
//
// Not guaranteed: the samples near the ends of a lap, which depend on that
// continuation, as far as the filter reaches (3 cycles of the width in Hz between
// the pass band and the stop edge: 0.12 s for 2000 to 512 Hz, 12 s for a lower end
// of 0.5 Hz); equal last digits on other architectures. A step overshoots by up to 14 % and rings, as any sharp filter's does.
package resample

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"lapwear/cache/key"
	"lapwear/fatigue/lanes"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Revision is raised whenever the numbers change.
const Revision = 2

// Params are the parameters of the stage. Its inputs are one frame a channel,
// labelled with the channel's name: column "value", attributes rate_hz and
// start_s, and column time_s where the stamps are not uniform. Its outputs have
// the channels' names: column "value" in the same unit, attributes rate_hz and
// start_s.
type Params struct {
	Rate     float64 // Hz; 0 keeps the recording's
	BandLow  float64 // Hz; 0 is open
	BandHigh float64 // Hz; 0 is open
	Channels []string
}

// Name returns the stage's name.
func (p Params) Name() string { return "resample" }

// Revision returns the package's revision.
func (p Params) Revision() int { return Revision }

// Keeps returns false: computing again costs less than reading back.
func (p Params) Keeps(string) bool { return false }

// AddTo adds the parameters.
func (p Params) AddTo(h *key.Hasher) {
	h.Float("rate", p.Rate)
	h.Float("band low", p.BandLow)
	h.Float("band high", p.BandHigh)
	for i, c := range p.Channels {
		h.String("channel "+strconv.Itoa(i+1), c)
	}
}

// Run computes one output a channel, in the order of Channels.
func (p Params) Run(ctx context.Context, in stages.Inputs) ([]stages.Output, error) {
	out := make([]stages.Output, 0, len(p.Channels))
	designs := make(map[float64]*Resampler) // by the recording's rate
	for _, name := range p.Channels {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		f, err := in.Frame(name)
		if err != nil {
			return nil, fmt.Errorf("resample: %w", err)
		}
		if f, err = p.channel(f, designs); err != nil {
			return nil, named(name, err)
		}
		out = append(out, stages.Output{Name: name, Frame: f})
	}
	return out, nil
}

// named adds the channel to an error, keeping a refusal a refusal.
func named(channel string, err error) error {
	var r *stages.Refusal
	if errors.As(err, &r) {
		return stages.Refuse("channel %q: %s", channel, r.Reason)
	}
	return fmt.Errorf("channel %q: %w", channel, err)
}

func (p Params) channel(f *frame.Frame, designs map[float64]*Resampler) (*frame.Frame, error) {
	if x, err := frame.Get[[]float32](f, "value"); err == nil {
		return channelOf(p, f, x, designs)
	}
	x, err := frame.Get[[]float64](f, "value")
	if err != nil {
		return nil, err
	}
	return channelOf(p, f, x, designs)
}

func channelOf[T lanes.Sample](p Params, f *frame.Frame, x []T, designs map[float64]*Resampler) (*frame.Frame, error) {
	s, err := readSignal(f)
	if err != nil {
		return nil, err
	}
	rate := p.Rate
	if rate == 0 {
		rate = s.rate
	}
	d := designs[s.rate]
	if d == nil {
		if d, err = NewResampler(s.rate, rate, Band{Low: p.BandLow, High: p.BandHigh}); err != nil {
			return nil, err
		}
		designs[s.rate] = d
	}
	if d.Changes() || s.stamps != nil {
		if err := usable(s, x); err != nil {
			return nil, err
		}
	}
	y, err := onGrid(d, s, x)
	if err != nil {
		return nil, err
	}
	return frame.New([]frame.Attr{frame.Num("rate_hz", "Hz", d.Rate()), frame.Num("start_s", "s", s.start)}, frame.Col("value", s.unit, y))
}

// onGrid resamples a signal, which is brought to a uniform grid first where it has none.
func onGrid[T lanes.Sample](d *Resampler, s signal, x []T) ([]float64, error) {
	if s.stamps == nil {
		return resampled(d, x), nil
	}
	y, err := Uniform(s.stamps, widened(x), s.rate)
	if err != nil {
		return nil, stages.Refuse("%v", err)
	}
	return d.Apply(y), nil
}

// signal is what is known of a channel as ingested, beside its samples.
type signal struct {
	stamps      []float64 // nil when uniform
	unit        string
	rate, start float64
}

func readSignal(f *frame.Frame) (signal, error) {
	c, _ := f.Column("value")
	s := signal{unit: c.Unit}
	var ok bool
	if s.rate, ok = f.Number("rate_hz"); !ok {
		return signal{}, fmt.Errorf("read frame: no attribute %q", "rate_hz")
	}
	if s.start, ok = f.Number("start_s"); !ok {
		return signal{}, fmt.Errorf("read frame: no attribute %q", "start_s")
	}
	if !(s.rate > 0) || math.IsInf(s.rate, 1) {
		return signal{}, stages.Refuse("the recording's rate is %g Hz: state it in the season file", s.rate)
	}
	if _, jittered := f.Column("time_s"); jittered {
		var err error
		if s.stamps, err = frame.Get[[]float64](f, "time_s"); err != nil {
			return signal{}, err
		}
	}
	if len(s.stamps) > 0 {
		s.start = s.stamps[0]
	}
	return s, nil
}

// usable refuses what no filter can be applied to.
func usable[T lanes.Sample](s signal, x []T) error {
	if len(x) == 0 {
		return stages.Refuse("the channel has no samples: cut the lap anew or leave it out")
	}
	if i := firstBad(x); i >= 0 {
		return stages.Refuse("sample %d, %g s after the start, is %g: repair the recording or leave the lap out; "+
			"a filter would spread it over its neighbours", i, float64(i)/s.rate, x[i])
	}
	if i := firstBad(s.stamps); i >= 0 {
		return stages.Refuse("time stamp %d is %g: repair the recording or leave the lap out", i, s.stamps[i])
	}
	return nil
}

// firstBad is the number of the first sample that is NaN or infinite, -1 where there is none.
func firstBad[T lanes.Sample](x []T) int {
	if lanes.Finite(x) {
		return -1
	}
	return slices.IndexFunc(x, func(v T) bool { return v-v != 0 })
}
