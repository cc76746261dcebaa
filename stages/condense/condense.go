// Package condense is the stage that makes a lap shorter without taking away what
// wears the part.
//
//   - An event is a stretch of the lap between two quiet places: something that
//     happens, with its rise and its decay.
//   - A piece is one event or several in a row that are kept.
//   - A joint leads from the end of a piece into the beginning of the next one, and
//     from the last into the first, for the cut is run over and over. Across it the
//     two signals are blended, so that every sample lies between samples of the lap.
//   - The share of a hot spot is the damage of the finished cut over that of the
//     lap, both counted anew, the lesser of two ways: run once (what stays open counts as
//     half cycles) and run over and over.
//
// Not guaranteed: that no shorter cut exists. Events are chosen by what they add, then
// dropped one by one where the recount allows it.
package condense

import (
	"context"
	"fmt"
	"math"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// Revision is raised whenever equal inputs may give other bytes than before.
const Revision = 1

// SpotInput labels the signal that a hot spot's stress follows.
func SpotInput(hotspot string) string { return "spot " + hotspot }

// ChannelInput labels a channel that is cut along, for the rig to follow.
func ChannelInput(channel string) string { return "channel " + channel }

// Output names. Cut has a column for each spot and channel, named as the inputs are,
// with the attributes rate_hz, seconds_before and seconds_after; Pieces the columns from_s
// and to_s, in the lap, and at_s, in the cut; Shares is what ReadShares reads; Curve has
// the columns wanted, seconds, hotspot and share; Outline has the columns channel, from_s, to_s, low_unit, high_unit
// and kept: the lap's channels as their extents bin by bin, and the share of each bin that is kept.
const (
	Cut     = "cut"
	Pieces  = "pieces"
	Shares  = "shares"
	Curve   = "curve"
	Outline = "outline"
)

// Params are the stage's parameters.
type Params struct {
	Spots    []damage.Spot
	Channels []string
	Share    float64 // of the lap's damage, wanted at every hot spot, in (0, 1)
	Blend    float64 // s, how long a joint takes
	Gate     float64 // share of the lap's full range, as in the count
	Multiple int     // the cut's number of samples is a multiple of it; 0 is 1
}

// Name returns "condense".
func (Params) Name() string { return "condense" }

// Revision returns the package's Revision.
func (Params) Revision() int { return Revision }

// AddTo adds the parameters to a key.
func (p Params) AddTo(h *key.Hasher) {
	for _, s := range p.Spots {
		s.AddTo(h)
	}
	for _, c := range p.Channels {
		h.String("channel", c)
	}
	h.Float("share", p.Share)
	h.Float("blend_s", p.Blend)
	h.Float("gate", p.Gate)
	h.Int("multiple", int64(p.Multiple))
}

// Run cuts the lap.
func (p Params) Run(ctx context.Context, in stages.Inputs) ([]stages.Output, error) {
	l, err := p.lap(in)
	if err != nil {
		return nil, err
	}
	c, err := l.condense(ctx, p.Share)
	if err != nil {
		return nil, err
	}
	curve, err := l.curve(ctx)
	if err != nil {
		return nil, err
	}
	return []stages.Output{
		{Name: Cut, Frame: l.cutFrame(c)},
		{Name: Pieces, Frame: l.piecesFrame(c)},
		{Name: Shares, Frame: sharesFrame(c.shares)},
		{Name: Curve, Frame: curve},
		{Name: Outline, Frame: l.outline(c)}}, nil
}

// lap is a lap's signals, all of one rate and length, with the meters of its hot spots.
type lap struct {
	labels  []string // of the signals: first the spots', then the channels'
	units   []string
	signals [][]float64
	rate    float64
	blend   int // samples
	step    int // multiple of the cut's length

	meters []damage.Meter
	whole  []damage.Tally // of the lap, by hot spot
	events []event        // in order
	parts  [][]float64    // share of the damage, by hot spot and event
}

// minBlend is the shortest joint, in samples.
const minBlend = 4

func (p Params) lap(in stages.Inputs) (*lap, error) {
	l := &lap{step: max(1, p.Multiple)}
	if err := l.read(p, in); err != nil {
		return nil, err
	}
	l.blend = max(minBlend, int(math.Round(p.Blend*l.rate)))
	n := len(l.signals[0])
	if n < 8*l.blend {
		return nil, stages.Refuse("condense lap: it lasts %.3g s, too short for joints of %.3g s; make test: blend shorter or choose another lap",
			float64(n)/l.rate, float64(l.blend)/l.rate)
	}
	for i, s := range p.Spots {
		if err := l.meter(s, l.signals[i], p.Gate, in); err != nil {
			return nil, err
		}
	}
	l.split()
	return l, l.attribute()
}

// read takes the stretch that all signals cover.
func (l *lap) read(p Params, in stages.Inputs) error {
	for _, s := range p.Spots {
		l.labels = append(l.labels, SpotInput(s.Name))
	}
	for _, c := range p.Channels {
		l.labels = append(l.labels, ChannelInput(c))
	}
	var starts []float64
	for _, label := range l.labels {
		f, err := in.Frame(label)
		if err != nil {
			return err
		}
		x, err := frame.Numbers(f, "value", nil)
		if err != nil {
			return err
		}
		rate, _ := f.Number("rate_hz")
		start, _ := f.Number("start_s")
		if _, stamped := f.Column("time_s"); stamped || l.rate != 0 && rate != l.rate || !(rate > 0) {
			return stages.Refuse("condense lap: its channels have no common even rate; give the season a signal: rate")
		}
		l.rate = rate
		l.signals, l.units, starts = append(l.signals, x), append(l.units, f.Columns()[0].Unit), append(starts, start)
	}
	if len(l.signals) == 0 {
		return fmt.Errorf("condense lap: there is no signal")
	}
	l.align(starts)
	return nil
}

// align leaves of every signal what lies within all of them.
func (l *lap) align(starts []float64) {
	begin, n := starts[0], math.MaxInt
	for _, s := range starts {
		begin = math.Max(begin, s)
	}
	for i, s := range starts {
		skip := min(int(math.Round((begin-s)*l.rate)), len(l.signals[i]))
		l.signals[i] = l.signals[i][skip:]
		n = min(n, len(l.signals[i]))
	}
	for i := range l.signals {
		l.signals[i] = l.signals[i][:n]
	}
}

// meter adds a hot spot's meter and what it counts in the whole lap.
func (l *lap) meter(s damage.Spot, x []float64, gate float64, in stages.Inputs) error {
	s, err := s.Fitted(in)
	if err != nil {
		return err
	}
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range x {
		lo, hi = min(lo, v), max(hi, v)
	}
	if gate *= hi - lo; math.IsNaN(gate) || math.IsInf(gate, 0) {
		gate = 0 // some sample is not finite: the count says which
	}
	m, err := damage.NewMeter(s, gate)
	if err != nil {
		return err
	}
	d, err := m.Tally(x)
	if err != nil {
		return stages.Refuse("condense lap: %v", err)
	}
	l.meters, l.whole = append(l.meters, m), append(l.whole, d)
	return nil
}
