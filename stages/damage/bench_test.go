package damage

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/count"
	"lapwear/stages/frame"
)

// BenchmarkLap is of 100 s at 2000 Hz in a logger's counts.
func BenchmarkLap(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([]float32, 200_000)
	var road, last float64
	for i := range x {
		road, last = 1.93*road-0.935*last+18*rng.NormFloat64(), road
		x[i] = float32(math.Round(8*road+800*math.Sin(float64(i)/1000)+20*rng.NormFloat64())) / 2048
	}
	f := frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", 2000)}, frame.Col("value", "g", x))
	out, err := count.Params{}.Run(context.Background(), stages.Inputs{Frames: []stages.Input{{Label: count.Signal, Frame: f}}})
	if err != nil {
		b.Fatal(err)
	}
	in := stages.Inputs{Frames: []stages.Input{{Label: CyclesInput, Frame: out[0].Frame}, {Label: ResidueInput, Frame: out[1].Frame}}}
	material := fatigue.Material{Ultimate: 310, Scatter: 0.15, Curve: fatigue.Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 7,
		Knee: 5e6, Beyond: fatigue.Beyond{Form: fatigue.BeyondSame}}}
	p := Params{Strength: Strength{material, 0.5, Carry}, Transfer: fatigue.Transfer{Gain: 70, Offset: 12, Factor: 1}, ReferenceCycles: 1e6, Along: AlongTime}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := p.Run(context.Background(), in); err != nil {
			b.Fatal(err)
		}
	}
	cycles, _ := out[0].Frame.Number("cycles")
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/cycles, "ns/cycle")
	b.ReportMetric(cycles, "cycles")
}
