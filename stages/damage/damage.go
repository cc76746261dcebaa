// Package damage is the stage that turns a lap's cycles into fatigue damage at one
// hot spot.
//
// Stress is Factor x (Gain x channel + Offset), in MPa. Damage is Miner's linear
// sum over the counted cycles; 1 is nominal failure at the stated survival.
package damage

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"sync"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/fatigue/lanes"
	"lapwear/stages"
	"lapwear/stages/count"
	"lapwear/stages/frame"
)

// Revision is raised whenever equal inputs may give other bytes than before.
const Revision = 3

// Labels of the inputs. Transfer is given only where calibration fitted the gain.
const (
	CyclesInput   = "cycles"
	ResidueInput  = "residue"
	TransferInput = "transfer"
)

// Output is the name of the single output, a frame that ReadRow reads.
const Output = "damage"

// What becomes of a lap's residue.
const (
	Half   = "half"   // each range of the residue is half a cycle
	Repeat = "repeat" // the residue closes as if the lap were repeated for ever
	Carry  = "carry"  // the residue is joined with the next lap's, outside this stage
)

// Strength is what a hot spot's material and the season's assumptions say about
// damage; laps and the season's account share it.
type Strength struct {
	Material fatigue.Material
	Survival float64 // probability, in (0, 1)
	Residue  string
}

// Law returns the strength ready to compute.
func (s Strength) Law() (*fatigue.Law, error) { return fatigue.NewLaw(s.Material, s.Survival) }

// AddTo adds everything that damage depends on; names and sources do not matter.
func (s Strength) AddTo(h *key.Hasher) {
	addCurve(h, s.Material.Curve)
	h.Float("sn.survival", s.Material.Survival)
	h.Float("scatter", s.Material.Scatter)
	h.Float("ultimate", s.Material.Ultimate)
	h.String("mean_stress.rule", s.Material.Mean.Rule)
	h.Float("mean_stress.ultimate", s.Material.Mean.Ultimate)
	h.Float("mean_stress.fatigue_strength", s.Material.Mean.FatigueStrength)
	h.Float("mean_stress.gamma", s.Material.Mean.Gamma)
	h.Float("mean_stress.m", s.Material.Mean.M)
	h.Float("survival", s.Survival)
	h.String("residue_mode", s.Residue)
}

func addCurve(h *key.Hasher, c fatigue.Curve) {
	switch c := c.(type) {
	case fatigue.Power:
		h.String("sn.kind", "power")
		h.Float("sn.amplitude", c.RefAmplitude)
		h.Float("sn.cycles", c.RefCycles)
		h.Float("sn.slope", c.Slope)
		h.Float("sn.knee", c.Knee)
		h.String("sn.beyond", c.Beyond.Form)
		h.Float("sn.beyond.slope", c.Beyond.Slope)
		h.Float("sn.cutoff", c.Cutoff)
	case fatigue.EquivalentStress:
		h.String("sn.kind", "equivalent-stress")
		h.Float("sn.a1", c.A1)
		h.Float("sn.a2", c.A2)
		h.Float("sn.a3", c.A3)
		h.Float("sn.a4", c.A4)
		h.Float("sn.unit", c.MPaPerUnit)
	case fatigue.Table:
		h.String("sn.kind", "table")
		for i := range c.Amplitudes {
			h.Float("sn.points."+strconv.Itoa(i)+".amplitude", c.Amplitudes[i])
			h.Float("sn.points."+strconv.Itoa(i)+".cycles", c.Lives[i])
		}
	default:
		panic(fmt.Sprintf("hash curve: unknown type %T", c))
	}
}

// Params are the stage's parameters.
type Params struct {
	Strength        Strength
	Transfer        fatigue.Transfer // Gain is ignored where the input transfer is given
	ReferenceCycles float64
	// Along says what a lap's places are counted along: AlongDistance, by the input
	// PlacesInput, or AlongTime.
	Along string
}

// Name returns "damage".
func (Params) Name() string { return "damage" }

// Revision returns the package's Revision.
func (Params) Revision() int { return Revision }

// AddTo adds the parameters to a key.
func (p Params) AddTo(h *key.Hasher) {
	h.Float("gain_mpa_per_unit", p.Transfer.Gain)
	h.Float("offset_mpa", p.Transfer.Offset)
	h.Float("stress_factor", p.Transfer.Factor)
	p.Strength.AddTo(h)
	h.Float("reference_cycles", p.ReferenceCycles)
	h.String("along", p.Along)
}

// room is memory that the next lap's cycles may use.
type room struct {
	cycles count.Room
	each   []float64
}

// rooms are those that are not in use.
var rooms sync.Pool

// eachOf is memory for the damage of n cycles, whatever it holds.
func (r *room) eachOf(n int) []float64 {
	if cap(r.each) < n {
		r.each = lanes.Uncleared[float64](n + n/8)
	}
	return r.each[:n]
}

// Run sums the lap's damage.
func (p Params) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	f, err := in.Frame(CyclesInput)
	if err != nil {
		return nil, err
	}
	own, ok := rooms.Get().(*room)
	if !ok {
		own = new(room)
	}
	defer rooms.Put(own)
	closed, err := own.cycles.Read(f)
	if err != nil {
		return nil, err
	}
	rf, err := in.Frame(ResidueInput)
	if err != nil {
		return nil, err
	}
	residue, err := count.ReadResidue(rf)
	if err != nil {
		return nil, err
	}
	t, err := FittedTransfer(p.Transfer, in)
	if err != nil {
		return nil, err
	}
	law, err := p.Strength.Law()
	if err != nil {
		return nil, err
	}
	each := own.eachOf(closed.Len())
	sum := lap(law, p.Strength.Residue, closed, residue, t, each)
	row := p.row(f, law, sum, t)
	row.Peaks = peaksOf(law, closed, t)
	row.LargestShare = largestShare(sum.closed, law, residue, t)
	row.crossCheck(law, f, plainDamage(law, sum, closed, residue, t), t)
	if row.Places, err = p.places(in, row); err != nil {
		return nil, err
	}
	row.Places.addLap(law, p.Strength.Residue, closed, residue, t, each)
	row.Residue = residue
	return []stages.Output{{Name: Output, Frame: row.Frame()}}, nil
}

// FittedTransfer returns t with the gain that calibration fitted, where there is
// such an input.
func FittedTransfer(t fatigue.Transfer, in stages.Inputs) (fatigue.Transfer, error) {
	for _, i := range in.Frames {
		if i.Label != TransferInput {
			continue
		}
		f, err := i.Get()
		if err != nil {
			return t, err
		}
		gain, ok := f.Number("gain_mpa_per_unit")
		if !ok {
			return t, fmt.Errorf("read transfer: it has no gain")
		}
		t.Gain = gain
	}
	return t, nil
}

// lapSum is a lap's sum, and that of its closed cycles alone.
type lapSum struct {
	fatigue.Sum
	closed fatigue.Sum
	asHalf float64 // damage with the residue as half cycles, whatever its mode
}

// lap sums a lap's damage from its closed cycles, whose own damage it writes to each, and residue; under
// Carry only the closed cycles count here, but the residue's ranges still set the
// largest amplitude and stress.
func lap(law *fatigue.Law, mode string, closed fatigue.Cycles, residue fatigue.Points, t fatigue.Transfer, each []float64) lapSum {
	sum := law.SumEach(each, closed, 1, t)
	all := lapSum{closed: sum}
	half := law.Sum(fatigue.HalfCycles(residue), 0.5, t)
	all.asHalf = sum.Damage + half.Damage
	switch mode {
	case Half:
		all.Sum = add(sum, half)
		return all
	case Repeat:
		all.Sum = add(sum, law.Sum(fatigue.RepeatCycles(residue), 1, t))
		return all
	}
	sum.MaxAmplitude = max(sum.MaxAmplitude, half.MaxAmplitude)
	sum.MaxStress = max(sum.MaxStress, half.MaxStress)
	sum.OverUltimate += half.OverUltimate // it counts between laps, but this lap holds the peak
	all.Sum = sum
	return all
}

func add(a, b fatigue.Sum) fatigue.Sum {
	a.Cycles += b.Cycles
	a.Damage += b.Damage
	a.OverUltimate += b.OverUltimate
	a.OutsideR += b.OutsideR
	a.MaxAmplitude = max(a.MaxAmplitude, b.MaxAmplitude)
	a.MaxStress = max(a.MaxStress, b.MaxStress)
	a.Largest = max(a.Largest, b.Largest)
	return a
}

func (p Params) row(cycles *frame.Frame, law *fatigue.Law, s lapSum, t fatigue.Transfer) Row {
	attr := func(name string) float64 {
		v, ok := cycles.Number(name)
		if !ok {
			return math.NaN()
		}
		return v
	}
	share := func(part float64) float64 {
		if s.Damage == 0 {
			return 0
		}
		return part / s.Damage
	}
	return Row{
		Gain: t.Gain, Samples: attr("samples"), Duration: attr("duration_s"), Rate: attr("rate_hz"),
		Cycles: s.Cycles, MaxAmplitude: s.MaxAmplitude, MaxStress: s.MaxStress, Damage: s.Damage,
		EquivalentAmplitude: law.EquivalentAmplitude(s.Damage, p.ReferenceCycles),
		OverUltimate:        s.OverUltimate, OutsideShare: share(s.OutsideR)}
}

// largestShare returns which part of the lap's damage hangs on one turning point:
// on the worst closed cycle, or on the two ranges of the residue that meet in its
// worst point. The residue counts as half cycles here whatever its mode, for a lap's
// one peak, be it a kerb or a spike, always ends up there.
func largestShare(all fatigue.Sum, law *fatigue.Law, residue fatigue.Points, t fatigue.Transfer) float64 {
	worst, total, before := all.Largest, all.Damage, 0.0
	for i := 1; i < residue.Len(); i++ {
		d := law.Damage(t.Stress(residue.Value[i-1]), t.Stress(residue.Value[i])) / 2
		worst, total, before = max(worst, before+d), total+d, d
	}
	if total == 0 {
		return 0
	}
	return worst / total
}

// Row is a lap's damage at one hot spot.
type Row struct {
	Gain                float64 // MPa per unit of the channel
	Samples             float64
	Duration            float64 // s
	Rate                float64 // Hz, at which cycles were counted
	Cycles              float64 // half cycles count 0.5
	MaxAmplitude        float64 // MPa, of the residue's ranges too
	MaxStress           float64 // MPa
	Damage              float64
	EquivalentAmplitude float64 // MPa; NaN where no amplitude does this damage
	LargestShare        float64 // of the damage, in the cycles of the one turning point that does most
	OverUltimate        float64 // cycles whose maximum reaches the ultimate stress
	OutsideShare        float64 // of the damage, outside the curve's tested stress ratios

	// NarrowBand and Dirlik are the lap's rainflow damage by the curve alone, without mean-stress rule and ultimate stress, its residue
	// as half cycles, over that of a Gaussian signal of the same spectrum. Both are NaN where SpectralNote says why, Dirlik alone where his
	// formula gives no damage.
	NarrowBand, Dirlik float64
	SpectralNote       string

	Places  Places
	Peaks   Peaks
	Residue fatigue.Points // of the channel, as it was counted: what draws laps together reads it here with the rest
}

// fields ties the row to its attributes.
var fields = []struct {
	name, unit string
	at         func(r *Row) *float64
}{
	{"gain_mpa_per_unit", "MPa", func(r *Row) *float64 { return &r.Gain }},
	{"samples", "", func(r *Row) *float64 { return &r.Samples }},
	{"duration_s", "s", func(r *Row) *float64 { return &r.Duration }},
	{"rate_hz", "Hz", func(r *Row) *float64 { return &r.Rate }},
	{"cycles", "", func(r *Row) *float64 { return &r.Cycles }},
	{"max_amplitude_mpa", "MPa", func(r *Row) *float64 { return &r.MaxAmplitude }},
	{"max_stress_mpa", "MPa", func(r *Row) *float64 { return &r.MaxStress }},
	{"damage", "", func(r *Row) *float64 { return &r.Damage }},
	{"equivalent_amplitude_mpa", "MPa", func(r *Row) *float64 { return &r.EquivalentAmplitude }},
	{"largest_share", "", func(r *Row) *float64 { return &r.LargestShare }},
	{"over_ultimate", "", func(r *Row) *float64 { return &r.OverUltimate }},
	{"outside_share", "", func(r *Row) *float64 { return &r.OutsideShare }},
	{"rainflow_over_narrow_band", "", func(r *Row) *float64 { return &r.NarrowBand }},
	{"rainflow_over_dirlik", "", func(r *Row) *float64 { return &r.Dirlik }},
}

// Frame returns the frame that ReadRow reads: the figures as attributes, the places as columns, whose attribute places numbers them, and behind their
// rows those of the residue's points: number of the sample, value.
func (r Row) Frame() *frame.Frame {
	attrs := make([]frame.Attr, len(fields))
	for i, f := range fields {
		attrs[i] = frame.Num(f.name, f.unit, *f.at(&r))
	}
	attrs = append(attrs, frame.Text("spectral_note", r.SpectralNote), frame.Text("peaks", r.Peaks.text()),
		frame.Num("places", "", float64(len(r.Places.First))))
	return frame.Must(attrs, frame.Col("sample", "", slices.Concat(r.Places.First, r.Residue.Index)),
		frame.Col("value", "", slices.Concat(r.Places.Damage, r.Residue.Value)))
}

// ReadRow returns the row that a frame of this stage holds.
func ReadRow(f *frame.Frame) (Row, error) {
	r, err := ReadScalars(f)
	if err != nil {
		return r, err
	}
	if r.Peaks, err = ReadPeaks(f); err != nil {
		return r, err
	}
	r.Places, r.Residue, err = ReadPlaces(f)
	return r, err
}

// ReadScalars returns the row without its places, residue and peaks, which take longer to read.
func ReadScalars(f *frame.Frame) (Row, error) {
	var r Row
	for _, field := range fields {
		v, ok := f.Number(field.name)
		if !ok {
			return r, fmt.Errorf("read damage: no figure %q", field.name)
		}
		*field.at(&r) = v
	}
	r.SpectralNote, _ = f.Text("spectral_note")
	return r, nil
}

// ReadPeaks returns the row's peaks.
func ReadPeaks(f *frame.Frame) (Peaks, error) {
	peaks, _ := f.Text("peaks")
	return readPeaks(peaks)
}

// ReadPlaces returns the row's places and its residue.
func ReadPlaces(f *frame.Frame) (p Places, residue fatigue.Points, err error) {
	sample, err := frame.Get[[]int32](f, "sample")
	if err != nil {
		return p, residue, err
	}
	value, err := frame.Get[[]float64](f, "value")
	if err != nil {
		return p, residue, err
	}
	places, ok := f.Number("places")
	if !ok || !(places >= 0 && places <= float64(len(sample))) || places != math.Trunc(places) {
		return p, residue, fmt.Errorf("read damage: %v places in %d rows", places, len(sample))
	}
	n := int(places)
	return Places{sample[:n:n], value[:n:n]}, fatigue.Points{Value: value[n:], Index: sample[n:]}, nil
}
