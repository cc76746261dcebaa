package damage

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/count"
	"lapwear/stages/frame"
)

func noise(seed uint64, n int) []float64 {
	rng := rand.New(rand.NewPCG(seed, 9))
	x := make([]float64, n)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	return x
}

// Law: the places' damage adds up to the lap's, whatever the residue's treatment.
func TestPlacesAddUp(t *testing.T) {
	for _, mode := range []string{Carry, Half, Repeat} {
		p := Params{Strength: Strength{steel, 0.5, mode}, Transfer: fatigue.Transfer{Gain: 50, Factor: 1}, ReferenceCycles: 1e6, Along: AlongTime}
		got := row(t, p, inputs(t, noise(1, 1000)))
		var sum float64
		for _, d := range got.Places.Damage {
			sum += d
		}
		if math.Abs(sum/got.Damage-1) > 1e-12 || len(got.Places.Damage) != 40 {
			t.Errorf("%s: %d places add up to %v, the lap does %v", mode, len(got.Places.Damage), sum, got.Damage)
		}
	}
}

// The cycle of history closes between samples 2 and 3; the half cycles lie between samples 0, 1, 4 and 5.
// Damage as in TestResidueModes: 1 for the cycle, 0.5, 8 and 0.5 for the halves, in 1e-6.
func TestHalfOfACycleIsAtEitherEnd(t *testing.T) {
	places := frame.Must(nil, frame.Col("first", "", []int32{0, 2, 3, 4, 4}))
	p := Params{Strength: Strength{steel, 0.5, Half}, Transfer: fatigue.Transfer{Gain: 100, Factor: 1}, ReferenceCycles: 1e6, Along: AlongDistance}
	got := row(t, p, inputs(t, history, stages.Input{Label: PlacesInput, Frame: places})).Places
	want := Places{First: []int32{0, 2, 3, 4, 4}, Damage: []float64{4.5e-6, 0.5e-6, 0.5e-6, 0, 4.5e-6}}
	if diff := cmp.Diff(want, got, cmpopts.EquateApprox(1e-12, 0)); diff != "" {
		t.Errorf("places (-want +got):\n%s", diff)
	}
	missing := row(t, p, inputs(t, history, stages.Input{Label: PlacesInput, Missing: "no distance"})).Places
	if len(missing.First) != 0 || missing.At(3) != -1 {
		t.Errorf("places %v of a lap without a distance", missing)
	}
}

// gaussian is stationary Gaussian noise about 20 Hz at 1000 Hz: white noise through a damped
// resonance of the second order.
func gaussian(n int) []float64 {
	x := noise(3, n)
	w, damping := 2*math.Pi*20/1000, 0.95
	for i := 2; i < n; i++ {
		x[i] += 2*damping*math.Cos(w)*x[i-1] - damping*damping*x[i-2]
	}
	return x
}

// The rainflow damage of a Gaussian signal is Dirlik's within some per cent, and at most the narrow band's (T. Dirlik,
// thesis, University of Warwick, 1985; figures from memory). Bursts of the same spectrum's shape do more.
func TestSpectralCrossCheck(t *testing.T) {
	check := func(x []float64, m fatigue.Material) Row {
		f := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", 1000)}, frame.Col("value", "g", x))
		out, err := count.Params{}.Run(context.Background(), stages.Inputs{Frames: []stages.Input{{Label: count.Signal, Frame: f}}})
		if err != nil {
			t.Fatal(err)
		}
		p := Params{Strength: Strength{m, 0.5, Carry}, Transfer: fatigue.Transfer{Gain: 2, Factor: 1}, ReferenceCycles: 1e6}
		return row(t, p, stages.Inputs{Frames: []stages.Input{{Label: CyclesInput, Frame: out[0].Frame}, {Label: ResidueInput, Frame: out[1].Frame}}})
	}
	x := gaussian(300_000)
	plain := check(x, steel)
	if math.Abs(plain.Dirlik-1) > 0.15 || !(plain.NarrowBand < plain.Dirlik) || plain.SpectralNote != "" {
		t.Errorf("Gaussian: %v of Dirlik's, %v of the narrow band's; note %q", plain.Dirlik, plain.NarrowBand, plain.SpectralNote)
	}
	for i := range x {
		if i%30_000 < 3000 {
			x[i] *= 4
		}
	}
	if bursts := check(x, steel); !(bursts.Dirlik > 3) {
		t.Errorf("bursts: %v of Dirlik's", bursts.Dirlik)
	}
	handbook, _ := fatigue.Lookup("al-6061-t6")
	goodman := steel
	goodman.Mean = fatigue.MeanStress{Rule: fatigue.MeanGoodman}
	if r := check(x, handbook); !math.IsNaN(r.Dirlik) || r.SpectralNote == "" {
		t.Errorf("a curve with its own mean-stress rule: %v, note %q", r.Dirlik, r.SpectralNote)
	}
	if r := check(x, goodman); math.IsNaN(r.Dirlik) || r.SpectralNote == "" {
		t.Errorf("a mean-stress rule beside it: %v, note %q", r.Dirlik, r.SpectralNote)
	}
}

// Places come back as they were laid behind one another: along time by the rate alone, otherwise by each place's first sample.
func TestOverlay(t *testing.T) {
	along := func(rate float64, n int) Places { return Places{First: alongTime(nil, rate, n), Damage: noise(1, n)} }
	none := Places{First: []int32{}, Damage: []float64{}}
	for _, c := range []struct {
		reason string
		laps   []Places
		rates  []float64
		timed  bool
	}{
		{"laps of several lengths, one without places", []Places{along(2000, 3), none, along(2000, 7), along(2000, 5)}, []float64{2000, 0, 2000, 2000}, true},
		{"another rate", []Places{along(2000, 3), along(1000.5, 3)}, []float64{2000, 1000.5}, false},
		{"along distance", []Places{{First: []int32{0, 1001, 2000}, Damage: noise(2, 3)}}, []float64{2000}, false},
		{"no places", []Places{none}, []float64{2000}, false},
		{"no laps", nil, nil, false},
	} {
		rows := make([]Row, len(c.rates))
		for k, r := range c.rates {
			rows[k].Rate = r
		}
		f := OverlayFrame(c.laps, rows)
		got, err := ReadOverlay(f)
		if err != nil {
			t.Fatalf("%s: %v", c.reason, err)
		}
		if diff := cmp.Diff(c.laps, got, cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.reason, diff)
		}
		if _, stated := f.Column("first"); stated == c.timed {
			t.Errorf("%s: first samples are stated: %v", c.reason, stated)
		}
	}
}
