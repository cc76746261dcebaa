package damage

import (
	"context"
	"math"
	"runtime"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/count"
	"lapwear/stages/frame"
)

// steel is a made-up material with round figures: N = 1e6 (S/100)^-4, so that a
// cycle of amplitude 100 MPa does 1e-6.
var steel = fatigue.Material{Name: "steel", Ultimate: 500,
	Curve: fatigue.Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 4}, Scatter: 0.2}

func inputs(t *testing.T, x []float64, more ...stages.Input) stages.Inputs {
	t.Helper()
	f := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", 50)}, frame.Col("value", "g", x))
	out, err := count.Params{}.Run(context.Background(), stages.Inputs{Frames: []stages.Input{{Label: count.Signal, Frame: f}}})
	if err != nil {
		t.Fatal(err)
	}
	return stages.Inputs{Frames: append([]stages.Input{
		{Label: CyclesInput, Frame: out[0].Frame}, {Label: ResidueInput, Frame: out[1].Frame}}, more...)}
}

func row(t *testing.T, p Params, in stages.Inputs) Row {
	t.Helper()
	out, err := p.Run(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	r, err := ReadRow(out[0].Frame)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// The history has one closed cycle, 1 to -1 (amplitude 1), inside the residue
// 0, 2, -2, 0 of half cycles with amplitudes 1, 2, 1. Expected values: arithmetic.
var history = []float64{0, 2, -1, 1, -2, 0}

func TestResidueModes(t *testing.T) {
	tests := []struct {
		mode           string
		cycles, damage float64
		reason         string
	}{
		{Carry, 1, 1e-6, "the closed cycle alone, at 100 MPa"},
		{Half, 2.5, 1e-6 * (1 + 0.5*(1+16+1)), "and three half cycles at 100, 200, 100 MPa"},
		{Repeat, 2, 1e-6 * (1 + 16), "and one full cycle at 200 MPa: 0 is no turning point of the repeated lap"},
	}
	for _, tt := range tests {
		p := Params{Strength: Strength{steel, 0.5, tt.mode}, Transfer: fatigue.Transfer{Gain: 100, Factor: 1}, ReferenceCycles: 1e6}
		got := row(t, p, inputs(t, history))
		// Whatever the mode: half cycles of 0.5, 8 and 0.5 beside the closed one's 1;
		// 2 and -2 each have two of them.
		want := Row{Gain: 100, Samples: 6, Duration: 6.0 / 50, Rate: 50, Cycles: tt.cycles, MaxAmplitude: 200, MaxStress: 200,
			Damage: tt.damage, EquivalentAmplitude: 100 * math.Pow(tt.damage, 0.25), LargestShare: 8.5 / 10,
			NarrowBand: math.NaN(), Dirlik: math.NaN(), SpectralNote: "no spectrum: the lap is too short, its time uneven, or nothing vibrates",
			Places: Places{[]int32{}, []float64{}}, Peaks: Peaks{[]Peak{{100, 1e-6}}, math.Inf(-1)},
			Residue: fatigue.Points{Value: []float64{0, 2, -2, 0}, Index: []int32{0, 1, 4, 5}}}
		if diff := cmp.Diff(want, got, cmpopts.EquateApprox(1e-12, 0), cmpopts.EquateNaNs()); diff != "" {
			t.Errorf("%s (%s) (-want +got):\n%s", tt.mode, tt.reason, diff)
		}
	}
}

func TestTransfer(t *testing.T) {
	base := Params{Strength: Strength{steel, 0.5, Half}, Transfer: fatigue.Transfer{Gain: 100, Factor: 1}, ReferenceCycles: 1e6}
	one := row(t, base, inputs(t, history)).Damage
	factor := base
	factor.Transfer.Factor = 1.1
	if got, want := row(t, factor, inputs(t, history)).Damage, one*math.Pow(1.1, 4); math.Abs(got/want-1) > 1e-12 {
		t.Errorf("stress factor 1.1: damage %v, want %v, the fourth power of it", got, want)
	}
	negative := base
	negative.Transfer.Gain = -100
	if got := row(t, negative, inputs(t, history)).Damage; got != one {
		t.Errorf("negative gain: damage %v, want %v", got, one)
	}
	offset := base
	offset.Transfer.Offset = 450
	if got := row(t, offset, inputs(t, history)); got.OverUltimate == 0 {
		t.Errorf("offset 450 MPa: no cycle reaches the ultimate stress of 500 MPa")
	}
	fitted := frame.Must([]frame.Attr{frame.Text("channel", "acc_z"), frame.Num("gain_mpa_per_unit", "MPa", 100)})
	given := base
	given.Transfer.Gain = 0
	if got := row(t, given, inputs(t, history, stages.Input{Label: TransferInput, Frame: fitted})).Damage; got != one {
		t.Errorf("fitted gain: damage %v, want %v", got, one)
	}
}

// log10 N_p = log10 N - z_p scatter: at 97.72499 % survival, z = 2, life is shorter
// by 10^0.4 (standard normal table; from memory).
func TestSurvivalShortensLife(t *testing.T) {
	p := Params{Strength: Strength{steel, 0.5, Half}, Transfer: fatigue.Transfer{Gain: 100, Factor: 1}, ReferenceCycles: 1e6}
	median := row(t, p, inputs(t, history)).Damage
	p.Strength.Survival = 0.9772498680518208
	if got, want := row(t, p, inputs(t, history)).Damage/median, math.Pow(10, 0.4); math.Abs(got/want-1) > 1e-9 {
		t.Errorf("damage ratio %v, want %v", got, want)
	}
}

// Every parameter must enter the key, or a change of it would go unnoticed.
func TestEveryParameterEntersTheKey(t *testing.T) {
	base := Params{Strength: Strength{steel, 0.5, Half}, Transfer: fatigue.Transfer{Gain: 100, Factor: 1}, ReferenceCycles: 1e6}
	sum := func(p Params) key.ID {
		h := key.New("damage", 1, "")
		p.AddTo(h)
		return h.Sum()
	}
	changes := map[string]func(p *Params){
		"gain":             func(p *Params) { p.Transfer.Gain++ },
		"offset":           func(p *Params) { p.Transfer.Offset++ },
		"factor":           func(p *Params) { p.Transfer.Factor++ },
		"survival":         func(p *Params) { p.Strength.Survival = 0.9 },
		"residue":          func(p *Params) { p.Strength.Residue = Carry },
		"reference cycles": func(p *Params) { p.ReferenceCycles++ },
		"ultimate":         func(p *Params) { p.Strength.Material.Ultimate++ },
		"scatter":          func(p *Params) { p.Strength.Material.Scatter++ },
		"curve survival":   func(p *Params) { p.Strength.Material.Survival = 0.95 },
		"rule":             func(p *Params) { p.Strength.Material.Mean.Rule = fatigue.MeanGoodman },
		"rule's ultimate":  func(p *Params) { p.Strength.Material.Mean.Ultimate = 1 },
		"fatigue strength": func(p *Params) { p.Strength.Material.Mean.FatigueStrength = 1 },
		"gamma":            func(p *Params) { p.Strength.Material.Mean.Gamma = 1 },
		"m":                func(p *Params) { p.Strength.Material.Mean.M = 1 },
		"amplitude": func(p *Params) {
			p.Strength.Material.Curve = fatigue.Power{RefAmplitude: 101, RefCycles: 1e6, Slope: 4}
		},
		"cycles": func(p *Params) {
			p.Strength.Material.Curve = fatigue.Power{RefAmplitude: 100, RefCycles: 2e6, Slope: 4}
		},
		"slope": func(p *Params) {
			p.Strength.Material.Curve = fatigue.Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 5}
		},
		"knee": func(p *Params) {
			p.Strength.Material.Curve = fatigue.Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 4, Knee: 5e6, Beyond: fatigue.Beyond{Form: "flat"}}
		},
		"beyond": func(p *Params) {
			p.Strength.Material.Curve = fatigue.Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 4, Knee: 5e6, Beyond: fatigue.Beyond{Form: "haibach"}}
		},
		"beyond's slope": func(p *Params) {
			p.Strength.Material.Curve = fatigue.Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 4, Knee: 5e6, Beyond: fatigue.Beyond{Slope: 6}}
		},
		"cut-off": func(p *Params) {
			p.Strength.Material.Curve = fatigue.Power{RefAmplitude: 100, RefCycles: 1e6, Slope: 4, Cutoff: 1e8}
		},
		"handbook": func(p *Params) {
			p.Strength.Material.Curve = fatigue.EquivalentStress{A1: 1, A2: -2, A3: 3, A4: 4, MPaPerUnit: 5}
		},
		"table": func(p *Params) {
			p.Strength.Material.Curve = fatigue.Table{Amplitudes: []float64{2, 1}, Lives: []float64{1, 2}}
		},
		"table's points": func(p *Params) {
			p.Strength.Material.Curve = fatigue.Table{Amplitudes: []float64{2, 1}, Lives: []float64{1, 3}}
		},
	}
	seen := map[key.ID]string{sum(base): "no change"}
	for name, change := range changes {
		p := base
		change(&p)
		if other, taken := seen[sum(p)]; taken {
			t.Errorf("%s: the key is that of %q", name, other)
		}
		seen[sum(p)] = name
	}
	named := base
	named.Strength.Material.Name, named.Strength.Material.Source = "other", "elsewhere"
	if sum(named) != sum(base) {
		t.Error("a material's name or source changes the key, though not the numbers")
	}
}

// Places and residue share their columns; a number of places that these cannot hold is an error.
func TestReadPlaces(t *testing.T) {
	want := Row{Places: Places{First: []int32{0, 7}, Damage: []float64{1e-7, 0}}, Residue: fatigue.Points{Value: []float64{0.1}, Index: []int32{90_000}}}
	f := want.Frame()
	places, residue, err := ReadPlaces(f)
	if err != nil || !cmp.Equal(want.Places, places) || !cmp.Equal(want.Residue, residue) {
		t.Errorf("places %v, residue %v, error %v", places, residue, err)
	}
	for _, n := range []float64{-1, 0.5, 4, math.NaN(), math.Inf(1)} {
		if _, _, err := ReadPlaces(frame.Must([]frame.Attr{frame.Num("places", "", n)}, f.Columns()...)); err == nil {
			t.Errorf("%v places in %d rows are read", n, f.Rows())
		}
	}
	if _, _, err := ReadPlaces(frame.Must(nil, f.Columns()...)); err == nil {
		t.Error("rows are read whose places are not numbered")
	}
}

// golden pins the numbers of this Revision.
const golden = "bf890b7df214391244270ed80b97de5c94c1ee3c857f2078086b27f6b03efdc6"

func TestRevisionPinsNumbers(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("pinned on amd64; other processors may round differently, which is why a key holds the architecture")
	}
	x := make([]float64, 2000)
	state := uint32(7)
	for i := range x {
		state = state*1664525 + 1013904223
		x[i] = float64(int32(state)>>16) / 8192
	}
	m := steel
	m.Mean = fatigue.MeanStress{Rule: fatigue.MeanGoodman}
	p := Params{Strength: Strength{m, 0.9, Repeat}, Transfer: fatigue.Transfer{Gain: 20, Offset: 30, Factor: 1.1}, ReferenceCycles: 1e6}
	out, err := p.Run(context.Background(), inputs(t, x))
	if err != nil {
		t.Fatal(err)
	}
	if got := key.Of(out[0].Frame.AppendEncoded(nil)).String(); got != golden {
		t.Errorf("output hash %s, pinned %s: if the numbers changed, raise Revision and pin the new hash", got, golden)
	}
}
