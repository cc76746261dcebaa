package aggregate

import (
	"context"
	"math"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/calibrate"
	"lapwear/stages/damage"
)

// readGainSD returns the standard deviation of log10 of a fitted gain, NaN where it is not known.
func readGainSD(in stages.Inputs) (float64, error) {
	for _, i := range in.Frames {
		if i.Label != damage.TransferInput {
			continue
		}
		f, err := i.Get()
		if err != nil {
			return math.NaN(), err
		}
		if sd, ok := f.Number(calibrate.GainSD); ok && sd >= 0 {
			return sd, nil
		}
	}
	return math.NaN(), nil
}

// leastStep is the least step of ln gain over which the slope is taken.
const leastStep = 0.005

// slopeOfGain returns by which power of the gain the season's damage grows: d ln D / d ln gain. The static stress does not
// grow with the gain. Where the curve is no single power it is the mean over one standard deviation of the gain
// to either side, found on the real cycles. NaN where the gain's scatter is not known or there is no damage.
func (b *book) slopeOfGain(ctx context.Context) (float64, error) {
	if !(b.gainSD >= 0) || !(b.total > 0) || math.IsInf(b.total, 1) {
		return math.NaN(), nil
	}
	step := max(leastStep, b.gainSD*math.Ln10)
	if k, ok := b.law.Homogeneous(); ok && b.scalesWithGain() && !b.reaches(math.Exp(step)) {
		return k, nil
	}
	total, err := b.underTransfer(ctx)
	if err != nil {
		return math.NaN(), err
	}
	at := func(x float64) float64 {
		t := b.Transfer
		t.Gain *= math.Exp(x)
		return math.Log(total(t))
	}
	low, high := at(-step), at(step)
	if math.IsInf(low, -1) { // with a lesser gain there is no damage at all
		return (high - at(0)) / step, nil
	}
	return (high - low) / (2 * step), nil
}

// scalesWithGain says whether a cycle's damage depends on the gain as on a factor on all stresses.
func (b *book) scalesWithGain() bool {
	_, own := b.Strength.Material.Curve.(fatigue.EquivalentStress)
	return b.Transfer.Offset == 0 || !own && b.Strength.Material.Mean.None()
}

// reaches says whether a cycle that counts may reach the ultimate stress with all stresses times a factor.
func (b *book) reaches(factor float64) bool {
	u := b.Strength.Material.Ultimate
	if u == 0 {
		return false
	}
	static := math.Abs(b.Transfer.Factor * b.Transfer.Offset)
	for _, l := range b.laps {
		if (l.maxStress+static)*factor >= u {
			return true
		}
	}
	return false
}

// underTransfer returns the season's damage as a function of the transfer; it never falls as stress grows.
func (b *book) underTransfer(ctx context.Context) (func(fatigue.Transfer) float64, error) {
	if b.kept == nil {
		var err error
		if b.kept, err = b.parts(ctx); err != nil {
			return nil, err
		}
	}
	law := b.law.Rising()
	return func(t fatigue.Transfer) float64 {
		var sum float64
		for _, p := range b.kept {
			sum += p.weight * law.Sum(p.cycles, p.count, t).Damage
		}
		for _, j := range b.joined {
			if w := b.weightOf(j); w > 0 {
				sum += w * j.count * damageOf(law, j, t)
			}
		}
		return sum
	}, nil
}

// overUltimate counts the laps of which a cycle that counts in the season breaks the part at once. A lap at a circuit that is not
// planned may lend its peak to a cycle that closes in the next lap.
func (b *book) overUltimate() int {
	at := make([]bool, len(b.laps))
	for i, l := range b.laps {
		at[i] = l.breaking && l.weight > 0
	}
	for _, j := range b.joined {
		if b.weightOf(j) > 0 && b.law.Breaks(b.Transfer.Stress(j.lo), b.Transfer.Stress(j.hi)) {
			whose := b.laps[j.from].breaking || b.laps[j.to].breaking // else it is neither lap's alone
			at[j.from] = at[j.from] || b.laps[j.from].breaking || !whose
			at[j.to] = at[j.to] || b.laps[j.to].breaking || !whose
		}
	}
	n := 0
	for _, is := range at {
		if is {
			n++
		}
	}
	return n
}
