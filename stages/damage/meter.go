package damage

import (
	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages"
)

// Spot is a hot spot whose damage is counted from a signal.
type Spot struct {
	Name     string
	Transfer fatigue.Transfer // Gain is ignored where there is an input SpotTransfer
	Strength Strength
}

// SpotTransfer labels the input with the gain that calibration fitted for a hot spot.
func SpotTransfer(hotspot string) string { return "transfer " + hotspot }

// AddTo adds everything that the spot's damage depends on.
func (s Spot) AddTo(h *key.Hasher) {
	h.String("spot", s.Name)
	h.Float("gain_mpa_per_unit", s.Transfer.Gain)
	h.Float("offset_mpa", s.Transfer.Offset)
	h.Float("stress_factor", s.Transfer.Factor)
	s.Strength.AddTo(h)
}

// Fitted returns the spot with the gain of its transfer input, where there is one.
func (s Spot) Fitted(in stages.Inputs) (Spot, error) {
	own := stages.Inputs{}
	for _, i := range in.Frames {
		if i.Label == SpotTransfer(s.Name) {
			i.Label = TransferInput
			own.Frames = append(own.Frames, i)
		}
	}
	var err error
	s.Transfer, err = FittedTransfer(s.Transfer, own)
	return s, err
}

// Tally is the damage of a signal: of one run, where what stays open counts as half
// cycles, and of each run where it is run over and over, so that all of it closes.
type Tally struct{ Once, Repeated float64 }

// Meter counts the damage of signals at a hot spot, as its laps are counted.
type Meter struct {
	Spot Spot
	Gate float64 // in the signal's unit; closer turning points are dropped
	law  *fatigue.Law
}

// NewMeter returns a meter of a spot.
func NewMeter(s Spot, gate float64) (Meter, error) {
	law, err := s.Strength.Law()
	return Meter{Spot: s, Gate: gate, law: law}, err
}

// Law is what the meter counts by.
func (m Meter) Law() *fatigue.Law { return m.law }

// Tally counts a signal.
func (m Meter) Tally(x []float64) (Tally, error) {
	c, err := fatigue.CountCycles(x, m.Gate)
	if err != nil {
		return Tally{}, err
	}
	return m.Sum(c), nil
}

// Sum is the tally of a count.
func (m Meter) Sum(c fatigue.Count) Tally {
	closed := m.law.Sum(c.Closed, 1, m.Spot.Transfer).Damage
	return Tally{
		Once:     closed + m.law.Sum(fatigue.HalfCycles(c.Residue), 0.5, m.Spot.Transfer).Damage,
		Repeated: closed + m.law.Sum(fatigue.RepeatCycles(c.Residue), 1, m.Spot.Transfer).Damage}
}

// Over is the lesser of the shares of two tallies; 1 where there is no damage to share.
func (t Tally) Over(whole Tally) float64 {
	share := func(part, whole float64) float64 {
		if whole == 0 {
			return 1
		}
		return part / whole
	}
	return min(share(t.Once, whole.Once), share(t.Repeated, whole.Repeated))
}

// EachRepeated calls do with the damage and the turning points' sample numbers of every
// cycle of a count that is run over and over.
func (m Meter) EachRepeated(c fatigue.Count, do func(damage float64, start, end int32)) {
	for _, cycles := range []fatigue.Cycles{c.Closed, fatigue.RepeatCycles(c.Residue)} {
		for i := range cycles.From {
			do(m.law.Damage(m.Spot.Transfer.Stress(cycles.From[i]), m.Spot.Transfer.Stress(cycles.To[i])), cycles.Start[i], cycles.End[i])
		}
	}
}
