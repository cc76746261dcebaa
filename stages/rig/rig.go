// Package rig makes a rig test of a cut lap and holds what the rig did against it.
//
//   - An axis is a direction in which the rig shakes; it follows one of the bike's
//     channels.
//   - A drive is what the rig shall do at every axis: one repeat, which joins its own
//     beginning and is run over and over. The rig's own ramps start and stop it.
//   - A limit is what the rig can do; a fix is a change to the drive that keeps it within
//     a limit, at a cost in damage.
//   - A demand is the damage that a hot spot has to take in the test.
//   - A mix is a number of repeats of each of several cuts or laps.
//
// Not guaranteed: that a rig can follow a drive that breaks no limit, and that the
// part on the rig moves as it does on the bike. A recording of the rig tells: see Compare.
package rig

import (
	"context"
	"fmt"
	"math"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/condense"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// Revision is raised whenever equal inputs may give other bytes than before.
const Revision = 1

// Labels of the inputs: the cut and its shares.
const (
	CutInput    = "cut"
	SharesInput = "shares"
)

// Output names. Drive has the columns time_s and for each axis the channel's own and
// CHANNEL_displacement_mm; Spots the signals that the hot spots follow, as they are in the
// drive, named after the hot spots; Damage hotspot, damage_once, damage_per_repeat,
// damage_per_repeat_median and kept, the part of the cut's; Motion, Limits, Spectrum and
// Levels are tables.
const (
	Drive    = "drive"
	Spots    = "spots"
	Damage   = "damage"
	Motion   = "motion"
	LimitsOf = "limits"
	Spectrum = "spectrum"
	Levels   = "levels"
)

// Axis is a channel that the rig follows.
type Axis struct {
	Channel string
	Scale   float64 // m/s² per unit of the channel; 0 where it is no acceleration
}

// Limits are what the rig can do; 0 where it is not known.
type Limits struct {
	Low, High    float64 // Hz
	Stroke       float64 // m, from end to end
	Velocity     float64 // m/s
	Acceleration float64 // m/s²
}

// Params are the stage's parameters.
type Params struct {
	Spots  []damage.Spot
	Axes   []Axis
	Rate   float64 // Hz, of the drive; 0 keeps the cut's
	Drift  float64 // Hz; what is slower is no motion of the rig, where its band does not say so
	Level  float64 // factor on all that moves; 1 is as on the bike
	Limits Limits
}

// Name returns "drive".
func (Params) Name() string { return "drive" }

// Revision returns the package's Revision.
func (Params) Revision() int { return Revision }

// AddTo adds the parameters to a key.
func (p Params) AddTo(h *key.Hasher) {
	for _, s := range p.Spots {
		s.AddTo(h)
	}
	for _, a := range p.Axes {
		h.String("axis", a.Channel)
		h.Float("m_per_s2_per_unit", a.Scale)
	}
	h.Float("rate_hz", p.Rate)
	h.Float("drift_hz", p.Drift)
	h.Float("level", p.Level)
	h.Float("low_hz", p.Limits.Low)
	h.Float("high_hz", p.Limits.High)
	h.Float("stroke_m", p.Limits.Stroke)
	h.Float("velocity_m_per_s", p.Limits.Velocity)
	h.Float("acceleration_m_per_s2", p.Limits.Acceleration)
}

// Run makes the drive.
func (p Params) Run(ctx context.Context, in stages.Inputs) ([]stages.Output, error) {
	d, err := p.read(in)
	if err != nil {
		return nil, err
	}
	if err := d.move(p.band(), p.Level); err != nil {
		return nil, err
	}
	damages, err := d.damages()
	if err != nil {
		return nil, err
	}
	limits, err := d.limits(ctx)
	if err != nil {
		return nil, err
	}
	spectrum, err := d.spectrum()
	if err != nil {
		return nil, err
	}
	return []stages.Output{
		{Name: Drive, Frame: d.frame()}, {Name: Spots, Frame: d.spotFrame()}, {Name: Damage, Frame: damages},
		{Name: Motion, Frame: d.motionFrame()}, {Name: LimitsOf, Frame: limits},
		{Name: Spectrum, Frame: spectrum}, {Name: Levels, Frame: d.levels()}}, nil
}

// band is what the drive may hold, in Hz; high is infinite where nothing bounds it.
func (p Params) band() band {
	b := band{low: p.Limits.Low, high: p.Limits.High}
	if b.low == 0 {
		b.low = p.Drift
	}
	if b.high == 0 {
		b.high = math.Inf(1)
	}
	return b
}

// drive is a drive under work.
type drive struct {
	p      Params
	meters []damage.Meter
	median []damage.Meter
	before []damage.Tally // of the cut

	rate  float64 // of the drive, Hz
	units []string
	spots []*wave // that the hot spots follow
	axes  []*wave

	moved      []motion
	spotSignal [][]float64
}

// motion is how an axis moves, sample by sample.
type motion struct {
	signal       []float64 // in the channel's unit, its steady level included
	acceleration []float64 // m/s², without the steady level
	velocity     []float64 // m/s
	displacement []float64 // m
}

func (p Params) read(in stages.Inputs) (*drive, error) {
	cut, err := in.Frame(CutInput)
	if err != nil {
		return nil, err
	}
	sf, err := in.Frame(SharesInput)
	if err != nil {
		return nil, err
	}
	shares, err := condense.ReadShares(sf)
	if err != nil {
		return nil, err
	}
	d := &drive{p: p, rate: p.Rate}
	from, _ := cut.Number("rate_hz")
	if d.rate == 0 {
		d.rate = from
	}
	for i, s := range p.Spots {
		if i >= len(shares) || shares[i].Hotspot != s.Name {
			return nil, fmt.Errorf("make drive: the shares are not those of hot spot %q", s.Name)
		}
		if err := d.addSpot(s, shares[i], cut, from); err != nil {
			return nil, err
		}
	}
	for _, a := range p.Axes {
		w, c, err := d.wave(cut, condense.ChannelInput(a.Channel), from)
		if err != nil {
			return nil, err
		}
		d.axes, d.units = append(d.axes, w), append(d.units, c.Unit)
	}
	return d, nil
}

func (d *drive) addSpot(s damage.Spot, share condense.Share, cut *frame.Frame, rate float64) error {
	s.Transfer.Gain = share.Gain
	m, err := damage.NewMeter(s, share.Gate)
	if err != nil {
		return err
	}
	s.Strength.Survival = 0.5
	median, err := damage.NewMeter(s, share.Gate)
	if err != nil {
		return err
	}
	w, _, err := d.wave(cut, condense.SpotInput(s.Name), rate)
	d.meters, d.median = append(d.meters, m), append(d.median, median)
	d.before, d.spots = append(d.before, share.Cut), append(d.spots, w)
	return err
}

func (d *drive) wave(cut *frame.Frame, label string, rate float64) (*wave, frame.Column, error) {
	c, _ := cut.Column(label)
	x, err := frame.Get[[]float64](cut, label)
	if err != nil {
		return nil, c, err
	}
	w, err := newWave(x, rate, d.rate)
	return w, c, err
}

// move finds what the drive is within a band and at a level.
func (d *drive) move(b band, level float64) error {
	d.moved, d.spotSignal = nil, nil
	for i, w := range d.axes {
		d.moved = append(d.moved, w.motion(b, level, d.p.Axes[i].Scale))
	}
	for _, w := range d.spots {
		d.spotSignal = append(d.spotSignal, w.signal(b, level))
	}
	return nil
}

// kept is what the hot spots' damage would be in another band and at another level,
// over what it is in the drive.
func (d *drive) kept(b band, level float64) ([]float64, error) {
	out := make([]float64, len(d.meters))
	for i, m := range d.meters {
		now, err := m.Tally(d.spotSignal[i])
		if err != nil {
			return nil, err
		}
		then, err := m.Tally(d.spots[i].signal(b, level))
		if err != nil {
			return nil, err
		}
		out[i] = then.Repeated / now.Repeated
		if now.Repeated == 0 {
			out[i] = math.NaN()
		}
	}
	return out, nil
}

func (d *drive) damages() (*frame.Frame, error) {
	var names []string
	var once, each, median, kept []float64
	for i, m := range d.meters {
		t, err := m.Tally(d.spotSignal[i])
		if err != nil {
			return nil, err
		}
		half, err := d.median[i].Tally(d.spotSignal[i])
		if err != nil {
			return nil, err
		}
		names = append(names, m.Spot.Name)
		once, each, median = append(once, t.Once), append(each, t.Repeated), append(median, half.Repeated)
		kept = append(kept, t.Over(d.before[i]))
	}
	return frame.New(nil, frame.Col("hotspot", "", names), frame.Col("damage_once", "", once),
		frame.Col("damage_per_repeat", "", each), frame.Col("damage_per_repeat_median", "", median), frame.Col("kept", "", kept))
}

func (d *drive) spectrum() (*frame.Frame, error) {
	var axis []string
	var freq, density []float64
	for i, m := range d.moved {
		n := min(spectrumLength, len(m.signal))
		f, p, err := fatigue.Welch{Window: fatigue.Hann, Length: n, Overlap: n / 2}.Density(m.signal, d.rate)
		if err != nil {
			return nil, fmt.Errorf("make drive: %w", err)
		}
		for range f {
			axis = append(axis, d.p.Axes[i].Channel)
		}
		freq, density = append(freq, f...), append(density, p...)
	}
	return frame.New(nil, frame.Col("axis", "", axis), frame.Col("frequency_hz", "Hz", freq),
		frame.Col("density_unit2_per_hz", "", density))
}

// spectrumLength is the length of a spectrum's segments, in samples.
const spectrumLength = 1024

// levelCount is how many levels the table of level crossings has.
const levelCount = 33

// levels counts how often each axis rises through each of its levels in a repeat.
func (d *drive) levels() *frame.Frame {
	var axis []string
	var level, count []float64
	for i, m := range d.moved {
		at, n := crossings(m.signal)
		for range at {
			axis = append(axis, d.p.Axes[i].Channel)
		}
		level, count = append(level, at...), append(count, n...)
	}
	return frame.Must(nil, frame.Col("axis", "", axis), frame.Col("level_unit", "", level), frame.Col("rises_per_repeat", "", count))
}

// crossings counts the rises of a signal that repeats through levels evenly spread over its range.
func crossings(x []float64) (level, count []float64) {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range x {
		lo, hi = min(lo, v), max(hi, v)
	}
	if !(hi > lo) {
		return nil, nil
	}
	for k := range levelCount {
		level = append(level, lo+(hi-lo)*(float64(k)+0.5)/levelCount)
	}
	return level, risesThrough(x, level)
}

func risesThrough(x, level []float64) []float64 {
	count := make([]float64, len(level))
	for i, v := range x {
		before := x[(i+len(x)-1)%len(x)]
		for k, l := range level {
			if before < l && v >= l {
				count[k]++
			}
		}
	}
	return count
}
