package calibrate

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"runtime"
	"testing"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// lap is a made-up calibration lap: the gauge follows z with a gain of 8 MPa/g
// through a modulus of 70 GPa, with a zero of its own.
type lap struct {
	name      string
	z, x, toe []float64
}

func makeLap(name string, seed uint64, zero, noise float64) lap {
	rng := rand.New(rand.NewPCG(seed, 1))
	l := lap{name: name}
	for range 4000 {
		z, x := rng.NormFloat64(), rng.NormFloat64()
		l.z, l.x = append(l.z, z), append(l.x, x)
		l.toe = append(l.toe, (8*z+noise*rng.NormFloat64())/0.07+zero)
	}
	return l
}

func inputs(laps ...lap) stages.Inputs {
	var in stages.Inputs
	add := func(lap, channel, unit string, v []float64) {
		f := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", 1000)}, frame.Col("value", unit, v))
		in.Frames = append(in.Frames, stages.Input{Label: Label(lap, channel), Frame: f})
	}
	for _, l := range laps {
		add(l.name, "acc_x", "g", l.x)
		add(l.name, "acc_z", "g", l.z)
		add(l.name, "toe", "ustrain", l.toe)
	}
	return in
}

func names(laps []lap) []string {
	var n []string
	for _, l := range laps {
		n = append(n, l.name)
	}
	return n
}

func params(laps []lap) Params {
	return Params{Laps: names(laps), Gauge: "toe", GaugeScale: 0.07, Candidates: []string{"acc_x", "acc_z"}}
}

func threeLaps(noise float64) []lap {
	return []lap{makeLap("A", 1, 300, noise), makeLap("B", 2, -120, noise), makeLap("C", 3, 0, noise)}
}

func TestChoosesTheChannelThatTheGaugeFollows(t *testing.T) {
	laps := threeLaps(0.5)
	out, err := params(laps).Run(context.Background(), inputs(laps...))
	if err != nil {
		t.Fatal(err)
	}
	channel, _ := out[0].Frame.Text("channel")
	gain, _ := out[0].Frame.Number("gain_mpa_per_unit")
	if channel != "acc_z" || math.Abs(gain-8) > 0.05 {
		t.Errorf("chose %s with %v MPa/g; the laps were made with acc_z and 8", channel, gain)
	}
	low, _ := frame.Get[[]float64](out[1].Frame, "gain_low_mpa_per_unit")
	high, _ := frame.Get[[]float64](out[1].Frame, "gain_high_mpa_per_unit")
	if !(low[1] < gain && gain < high[1]) {
		t.Errorf("interval %v to %v does not hold the gain %v", low[1], high[1], gain)
	}
}

func TestGaugeZeroOfALapDoesNotEnter(t *testing.T) {
	clean := threeLaps(0)
	out, err := params(clean).Run(context.Background(), inputs(clean...))
	if err != nil {
		t.Fatal(err)
	}
	gain, _ := out[0].Frame.Number("gain_mpa_per_unit")
	r, _ := frame.Get[[]float64](out[1].Frame, "correlation")
	if math.Abs(gain-8) > 1e-9 || math.Abs(r[1]-1) > 1e-12 {
		t.Errorf("gain %v, r %v; without noise want 8 and 1 whatever each lap's zero", gain, r[1])
	}
}

func TestMissingLapIsPassedOver(t *testing.T) {
	laps := threeLaps(0)
	in := inputs(laps...)
	for i := range in.Frames {
		if in.Frames[i].Label[0] == 'B' {
			in.Frames[i] = stages.Input{Label: in.Frames[i].Label, Missing: "set aside"}
		}
	}
	out, err := params(laps).Run(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	n, _ := frame.Get[[]float64](out[1].Frame, "laps")
	if n[0] != 2 {
		t.Errorf("fitted on %v laps, want 2", n[0])
	}
}

func TestNothingToFitIsRefused(t *testing.T) {
	flat := lap{name: "A", z: make([]float64, 9), x: make([]float64, 9), toe: make([]float64, 9)}
	gone := inputs(makeLap("A", 1, 0, 0))
	for i := range gone.Frames {
		gone.Frames[i] = stages.Input{Label: gone.Frames[i].Label, Missing: "set aside"}
	}
	for reason, in := range map[string]stages.Inputs{"flat signals": inputs(flat), "no lap is left": gone} {
		_, err := params([]lap{{name: "A"}}).Run(context.Background(), in)
		var r *stages.Refusal
		if !errors.As(err, &r) {
			t.Errorf("%s: error %v, want a refusal", reason, err)
		}
	}
}

// golden pins the numbers of this Revision.
const golden = "bad4185c321d0436efa55504f8a4b2f59dbdbf9a390977a6b42493fca66c6254"

func TestRevisionPinsNumbers(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("pinned on amd64; other processors may round differently, which is why a key holds the architecture")
	}
	laps := threeLaps(1)
	out, err := params(laps).Run(context.Background(), inputs(laps...))
	if err != nil {
		t.Fatal(err)
	}
	got := key.Of(out[1].Frame.AppendEncoded(out[0].Frame.AppendEncoded(nil))).String()
	if got != golden {
		t.Errorf("output hash %s, pinned %s: if the numbers changed, raise Revision and pin the new hash", got, golden)
	}
}
