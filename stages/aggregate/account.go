package aggregate

import (
	"context"
	"math"
	"sync"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/count"
	"lapwear/stages/damage"
)

// Lap is what the account has to know of a season lap.
type Lap struct {
	ID      string
	Circuit string
	Chain   string  // laps of one chain were driven one after another; residues are carried along it
	Km      float64 // NaN = not known
}

// Planned is a circuit's part of the calendar.
type Planned struct {
	Circuit string
	Laps    float64
	Km      float64 // of all these laps; NaN = not known
	// Fleet borrows for the circuit whatever was recorded there; Fallback does where no
	// recording can be used.
	Fleet, Fallback bool
}

// Where the damage of a circuit's lap comes from.
const (
	Recorded = "recorded"
	Fleet    = "fleet"
)

// Account is the season's account of one hot spot under one scenario: the stage
// that weighs laps with the calendar, joins residues between laps and finds the
// stress reserve. It is a stage of the name "aggregate".
//
// Every lap l has its own damage d and, under carry, a part b of the damage between
// laps: of each joined cycle, half goes to the lap of either end. Season damage is
// the sum of w (d + b) with w = laps planned / laps recorded at the lap's circuit;
// without a calendar w is 1. A fleet circuit is charged the mean, over the recorded
// circuits, of damage per km, times its planned km; that adds to every w.
//
// Laps that the input AsideInput names are passed over. Of the other inputs the hot spot's figures, labelled by FiguresLabel, say what
// each lap's damage is, and their parts ResiduesOutput, labelled by FiguresPart, what is carried on; a lap's own damage and cycles, labelled by
// Label, are read where that is not enough.
type Account struct {
	Scenario, Hotspot, MaterialName string

	Strength damage.Strength
	Transfer fatigue.Transfer // Gain is ignored where the input transfer is given
	Laps     []Lap            // in driven order
	Calendar bool             // false: every recorded lap counts once
	Planned  []Planned        // a circuit once, in calendar order

	TargetSeasons, TargetLifeFactor float64

	// ThicknessExponent is the n of stress ~ thickness^-n, for what the reserve buys; 0 = not given.
	ThicknessExponent float64
}

// Outputs of the account: frames with the columns of the tables circuits and season.
const (
	CircuitsOutput = "circuits"
	SeasonOutput   = "season"
)

// BetweenOutput is the account's output of each usable lap's part of the damage between
// laps: the columns lap, damage and weight, which is how often the lap counts in the season.
const BetweenOutput = "between"

// PointsOutput is the account's output of where the damage between laps is done: the columns
// lap, sample (its number in the lap) and damage.
const PointsOutput = "points"

// Label is the label of a lap's input of one kind: damage or cycles.
func Label(kind, lap string) string { return kind + "/" + lap }

// Kinds of a lap's inputs.
const (
	DamageKind = "damage"
	CyclesKind = "cycles"
)

// Name returns "aggregate".
func (Account) Name() string { return Name }

// Revision returns the package's Revision.
func (Account) Revision() int { return Revision }

// Outputs names the circuits, the season, what is between laps and their points.
func (Account) Outputs() []string { return accountOutputs }

var accountOutputs = []string{CircuitsOutput, SeasonOutput, BetweenOutput, PointsOutput}

// AddTo adds the parameters to a key.
func (a Account) AddTo(h *key.Hasher) {
	h.String("table", "account")
	h.String("scenario", a.Scenario)
	h.String("hotspot", a.Hotspot)
	h.String("material", a.MaterialName)
	a.Strength.AddTo(h)
	h.Float("gain_mpa_per_unit", a.Transfer.Gain)
	h.Float("offset_mpa", a.Transfer.Offset)
	h.Float("stress_factor", a.Transfer.Factor)
	for _, l := range a.Laps {
		h.String("lap."+l.ID+".circuit", l.Circuit)
		h.String("lap."+l.ID+".chain", l.Chain)
		h.Float("lap."+l.ID+".km", l.Km)
	}
	h.Bool("calendar", a.Calendar)
	for _, p := range a.Planned {
		h.Float("calendar."+p.Circuit+".laps", p.Laps)
		h.Float("calendar."+p.Circuit+".km", p.Km)
		h.Bool("calendar."+p.Circuit+".fleet", p.Fleet)
		h.Bool("calendar."+p.Circuit+".fallback", p.Fallback)
	}
	h.Float("target.seasons", a.TargetSeasons)
	h.Float("target.life_factor", a.TargetLifeFactor)
	h.Float("thickness_exponent", a.ThicknessExponent)
}

// Run draws up the account.
func (a Account) Run(ctx context.Context, in stages.Inputs) ([]stages.Output, error) {
	b, err := a.open(in)
	if err != nil {
		return nil, err
	}
	if err := b.weigh(); err != nil {
		return nil, err
	}
	reserve, err := b.reserve(ctx)
	if err != nil {
		return nil, err
	}
	if b.gainSlope, err = b.slopeOfGain(ctx); err != nil {
		return nil, err
	}
	return []stages.Output{
		{Name: CircuitsOutput, Frame: b.circuitsFrame()},
		{Name: SeasonOutput, Frame: b.seasonFrame(reserve)},
		{Name: BetweenOutput, Frame: b.betweenFrame()},
		{Name: PointsOutput, Frame: b.pointsFrame()},
	}, nil
}

// entry is a usable lap of the account.
type entry struct {
	Lap
	damage    float64 // of the lap itself
	between   float64 // the lap's part of what happens between laps
	maxStress float64 // MPa
	breaking  bool    // a cycle of the lap, or of its residue, reaches the ultimate stress
	weight    float64 // how often it counts in the season
	residue   fatigue.Points
}

// joined is a cycle that closes, or stays half, across laps.
type joined struct {
	lo, hi   float64 // channel values
	count    float64 // 1 or 0.5
	from, to int     // places of the laps of its ends
	start    int32   // sample numbers of its ends
	end      int32
}

// book is an account being drawn up.
type book struct {
	Account
	inputs   func() map[string]stages.Input // by label: most accounts look at no lap's own damage and cycles
	law      *fatigue.Law
	laps     []entry
	joined   []joined
	circuits []circuit
	total    float64 // season damage
	between  float64 // of which between laps
	borrowed float64 // of which at circuits on the basis fleet
	among    spread  // of a recorded circuit's damage a km about their mean
	broken   int     // laps of which a cycle that counts breaks the part

	gainSD    float64 // of log10 of the gain; NaN = not known
	gainSlope float64 // by which power of the gain the season's damage grows; NaN = not known
	remark    string  // on the calibration

	kept []part // the cycles of all laps that count, once they were read
}

// open reads the usable laps and joins their residues.
func (a Account) open(in stages.Inputs) (*book, error) {
	law, err := a.Strength.Law()
	if err != nil {
		return nil, err
	}
	b := &book{Account: a, law: law, inputs: sync.OnceValue(in.ByLabel)}
	if b.Transfer, err = damage.FittedTransfer(a.Transfer, in); err != nil {
		return nil, err
	}
	if b.gainSD, err = readGainSD(in); err != nil {
		return nil, err
	}
	if b.remark, err = readRemark(in); err != nil {
		return nil, err
	}
	aside, err := readAside(in)
	if err != nil {
		return nil, err
	}
	all, _ := in.Labelled(FiguresLabel(a.Hotspot))
	figures, err := readSpotFigures(all)
	if err != nil {
		return nil, err
	}
	residues, err := partsOf(in, ResiduesOutput, len(a.Laps), count.ReadResidues)
	if err != nil {
		return nil, err
	}
	b.laps = make([]entry, 0, len(a.Laps))
	for _, l := range a.Laps {
		if _, out := aside[l.ID]; out {
			continue
		}
		if err := b.addLap(l, &figures, residues); err != nil {
			return nil, err
		}
	}
	if len(b.laps) == 0 {
		return nil, stages.Refuse("account of %s: no usable lap; every season lap was set aside", a.Hotspot)
	}
	if a.Strength.Residue == damage.Carry {
		b.join()
	}
	return b, nil
}

func (b *book) addLap(l Lap, figures *spotFigures, residues []fatigue.Points) error {
	row, missing, err := figures.of(l.ID)
	if err != nil || missing != "" {
		return err
	}
	b.laps = append(b.laps, entry{Lap: l, damage: row.Damage, maxStress: row.MaxStress, breaking: row.OverUltimate > 0,
		residue: residues[figures.at[l.ID]]})
	return nil
}

// join carries residues along each chain and gives every lap its part of the damage.
func (b *book) join() {
	var order []string
	chains := map[string][]int{}
	for i, l := range b.laps {
		if chains[l.Chain] == nil {
			order = append(order, l.Chain)
		}
		chains[l.Chain] = append(chains[l.Chain], i)
	}
	for _, c := range order {
		places := chains[c]
		points := make([]fatigue.Points, len(places))
		for i, p := range places {
			points[i] = b.laps[p].residue
		}
		closed, half := fatigue.Join(points)
		b.addJoined(closed, 1, places)
		b.addJoined(half, 0.5, places)
	}
	for _, j := range b.joined {
		d := j.count * damageOf(b.law, j, b.Transfer)
		b.laps[j.from].between += d / 2
		b.laps[j.to].between += d / 2
	}
}

func (b *book) addJoined(c fatigue.Joined, n float64, places []int) {
	for i := range c.From {
		b.joined = append(b.joined, joined{
			lo: min(c.From[i], c.To[i]), hi: max(c.From[i], c.To[i]), count: n,
			from: places[c.FromLap[i]], to: places[c.ToLap[i]], start: c.Start[i], end: c.End[i]})
	}
}

func damageOf(law *fatigue.Law, j joined, t fatigue.Transfer) float64 {
	return law.Damage(t.Stress(j.lo), t.Stress(j.hi))
}

// weightOf is how often a cycle between two laps counts in the season.
func (b *book) weightOf(j joined) float64 { return (b.laps[j.from].weight + b.laps[j.to].weight) / 2 }

// reserve finds the factor by which all stresses may grow until the season's damage
// just meets the target.
func (b *book) reserve(ctx context.Context) (float64, error) {
	limit := 1 / (b.TargetSeasons * b.TargetLifeFactor)
	if r, ok := b.closedReserve(limit); ok {
		return r, nil
	}
	if r, ok, err := b.powerReserve(ctx, limit); ok || err != nil {
		return r, err
	}
	return b.searchedReserve(ctx, limit)
}

// searchedReserve is the reserve under any law: every cycle anew for every factor that is tried.
func (b *book) searchedReserve(ctx context.Context, limit float64) (float64, error) {
	damage, err := b.underTransfer(ctx)
	if err != nil {
		return 0, err
	}
	total := func(scale float64) float64 {
		t := b.Transfer
		t.Factor *= scale
		return damage(t)
	}
	return fatigue.Reserve(total, limit)
}

// closedReserve is the exact answer where damage is a power of the stress for every
// cycle and none reaches the ultimate stress, neither now nor with the reserve used.
func (b *book) closedReserve(limit float64) (float64, bool) {
	k, ok := b.law.Homogeneous()
	if !ok || !(b.total > 0) {
		return 0, false
	}
	r := math.Pow(limit/b.total, 1/k)
	u := b.Strength.Material.Ultimate
	return r, u == 0 || b.top()*max(r, 1) < u
}

// top is the greatest stress of what counts in the season.
func (b *book) top() float64 {
	var top float64
	for _, l := range b.laps {
		if l.weight > 0 {
			top = max(top, l.maxStress)
		}
	}
	for _, j := range b.joined { // also of a lap that itself does not count
		if b.weightOf(j) > 0 {
			top = max(top, b.peak(j))
		}
	}
	return top
}

// peak is the greatest stress of a cycle between laps.
func (b *book) peak(j joined) float64 {
	return max(b.Transfer.Stress(j.lo), b.Transfer.Stress(j.hi))
}

// verge is a cycle that may reach the ultimate stress before the reserve is used up.
type verge struct{ peak, damage, weight float64 }

// powerReserve is the reserve where damage is a power of the stress for every cycle and none reaches the ultimate stress
// now: all but the few cycles that come near to it grow together, and no more than if none of them broke.
func (b *book) powerReserve(ctx context.Context, limit float64) (float64, bool, error) {
	k, ok := b.law.Homogeneous()
	u := b.Strength.Material.Ultimate
	if !ok || !(b.total > 0) || b.top() >= u {
		return 0, false, nil
	}
	least := u / math.Pow(limit/b.total, 1/k)
	few, err := b.verges(ctx, least)
	if err != nil {
		return 0, false, err
	}
	r, err := fatigue.Reserve(func(scale float64) float64 {
		grown := math.Pow(scale, k)
		sum := grown * b.total
		for _, c := range few {
			if c.peak*scale >= u {
				sum += c.weight * max(0, 1-c.damage*grown)
			}
		}
		return sum
	}, limit)
	return r, true, err
}

// verges lists the cycles that count in the season and have a stress from least on.
func (b *book) verges(ctx context.Context, least float64) ([]verge, error) {
	var out []verge
	for _, l := range b.laps {
		if l.weight == 0 || l.maxStress < least {
			continue
		}
		parts := b.residueOf(l)
		own, err := b.inputs()[Label(DamageKind, l.ID)].Get()
		if err != nil {
			return nil, err
		}
		known, err := damage.ReadPeaks(own)
		if err != nil {
			return nil, err
		}
		peaks, all := known.From(least)
		for _, p := range peaks {
			out = append(out, verge{p.Stress, p.Damage, l.weight})
		}
		if !all {
			closed, err := b.closedOf(ctx, l)
			if err != nil {
				return nil, err
			}
			parts = append([]part{closed}, parts...)
		}
		for _, p := range parts {
			out = b.appendVerges(out, p, least)
		}
	}
	for _, j := range b.joined {
		if w := b.weightOf(j); w > 0 && b.peak(j) >= least {
			out = append(out, verge{b.peak(j), damageOf(b.law, j, b.Transfer), w * j.count})
		}
	}
	return out, nil
}

// appendVerges appends the cycles of a part that have a stress from least on.
func (b *book) appendVerges(out []verge, p part, least float64) []verge {
	for i, from := range p.cycles.From {
		x, y := b.Transfer.Stress(from), b.Transfer.Stress(p.cycles.To[i])
		if peak := max(x, y); peak >= least {
			out = append(out, verge{peak, b.law.Damage(x, y), p.weight * p.count})
		}
	}
	return out
}

// What a stress reserve reaches first.
const (
	toLife     = "life"
	toUltimate = "ultimate"
)

// reserveLimit says what the reserve is to: the life factor, or the ultimate stress before it; "" where there
// is no end.
func (b *book) reserveLimit(reserve float64) string {
	switch u := b.Strength.Material.Ultimate; {
	case math.IsInf(reserve, 1) || math.IsNaN(reserve):
		return ""
	case u > 0 && b.top()*reserve >= u*(1-1e-6): // the reserve is found to less than that
		return toUltimate
	}
	return toLife
}

// part is cycles that count alike.
type part struct {
	cycles        fatigue.Cycles
	count, weight float64
}

// parts reads the cycles of all laps that count in the season.
func (b *book) parts(ctx context.Context) ([]part, error) {
	var out []part
	for _, l := range b.laps {
		if l.weight == 0 {
			continue
		}
		closed, err := b.closedOf(ctx, l)
		if err != nil {
			return nil, err
		}
		out = append(append(out, closed), b.residueOf(l)...)
	}
	return out, nil
}

// closedOf reads the closed cycles of a lap.
func (b *book) closedOf(ctx context.Context, l entry) (part, error) {
	if err := ctx.Err(); err != nil {
		return part{}, err
	}
	f, err := b.inputs()[Label(CyclesKind, l.ID)].Get()
	if err != nil {
		return part{}, err
	}
	closed, err := count.ReadCycles(f)
	closed.Start, closed.End = nil, nil // a third of the memory, and not needed here
	return part{closed, 1, l.weight}, err
}

// residueOf returns what counts of a lap's residue in the lap itself.
func (b *book) residueOf(l entry) []part {
	switch b.Strength.Residue {
	case damage.Half:
		return []part{{fatigue.HalfCycles(l.residue), 0.5, l.weight}}
	case damage.Repeat:
		return []part{{fatigue.RepeatCycles(l.residue), 1, l.weight}}
	}
	return nil
}
