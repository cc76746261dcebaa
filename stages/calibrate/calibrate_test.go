package calibrate

import (
	"context"
	"fmt"
	"testing"
	"time"

	"lapwear/stages"
	"lapwear/stages/frame"
)

func gateInputs(out []stages.Output) stages.Inputs {
	return stages.Inputs{Frames: []stages.Input{{Label: CandidatesInput, Frame: out[0].Frame}, {Label: FittedInput, Frame: out[1].Frame}, {Label: PerLapInput, Frame: out[2].Frame}}}
}

func TestExplore(t *testing.T) {
	for _, c := range []struct {
		name string
		mod  func(m *made)
	}{
		{"usual", func(m *made) {}},
		{"no noise", func(m *made) { m.noiseX, m.noiseS, m.lag = 0, 0, 0 }},
		{"noise 20", func(m *made) { m.noiseX, m.noiseS = 0.2, 0.2 }},
		{"noise x 30", func(m *made) { m.noiseX, m.noiseS = 0.3, 0 }},
		{"noise s 30", func(m *made) { m.noiseX, m.noiseS = 0, 0.3 }},
		{"drift", func(m *made) { m.drift = 800 }},
		{"negative", func(m *made) { m.gain = -8.37 }},
		{"hard", func(m *made) { m.bend = func(v float64) float64 { return v + 0.03*v*v*v } }},
		{"hard small", func(m *made) { m.bend = func(v float64) float64 { return v + 0.003*v*v*v } }},
		{"dead", func(m *made) {
			m.bend = func(v float64) float64 {
				if v > 0.5 {
					return v - 0.5
				}
				if v < -0.5 {
					return v + 0.5
				}
				return 0
			}
		}},
		{"quadratic", func(m *made) { m.bend = func(v float64) float64 { return v + 0.08*v*v } }},
		{"resonant", func(m *made) {
			m.filter = func(f float64) complex128 {
				r := f / 30
				return 1 / complex(1-r*r, 2*0.05*r)
			}
		}},
		{"lag 90 ms", func(m *made) { m.lag = 0.09 }},
		{"also y", func(m *made) { m.also = 4 }},
		{"lap gains", func(m *made) { m.lapGain = 0.05 }},
	} {
		m := usual()
		c.mod(&m)
		laps := m.make()
		start := time.Now()
		p := paramsOf(laps)
		out, err := p.Run(context.Background(), inputsOf(laps, m.rate))
		if err != nil {
			t.Fatal(err)
		}
		f := out[0].Frame
		fmt.Println("==", c.name, time.Since(start))
		for i := range f.Rows() {
			for _, col := range f.Columns() {
				if v, err := frame.Get[[]float64](f, col.Name); err == nil && (i == 2) {
					fmt.Printf("%s=%.5g ", col.Name, v[i])
				}
				if v, err := frame.Get[[]string](f, col.Name); err == nil {
					fmt.Printf("%s=%s ", col.Name, v[i])
				}
			}
			fmt.Println()
		}
		_, err = Gate{Gauge: "toe", Limits: usualLimits()}.Run(context.Background(), gateInputs(out))
		fmt.Println("GATE", err)
	}
}
