package count

import (
	"context"
	"testing"
)

func BenchmarkLap(b *testing.B) {
	x := make([]float64, 100_000)
	state := uint32(1)
	for i := range x {
		state = state*1664525 + 1013904223
		x[i] = float64(int32(state)) / (1 << 31)
		if i > 1 {
			x[i] += 1.6*x[i-1] - 0.9*x[i-2]
		}
	}
	in := signal(x)
	b.SetBytes(int64(len(x)))
	for b.Loop() {
		if _, err := (Params{}).Run(context.Background(), in); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkMoments(b *testing.B) {
	x := make([]float64, 100_000)
	for i := range x {
		x[i] = float64(i*7919%1000) / 1000
	}
	f, own := signal(x).Frames[0].Frame, new(packer)
	b.SetBytes(int64(len(x)))
	for b.Loop() {
		if _, err := moments(Params{BandHigh: 100}, f, x, 1024, own); err != nil {
			b.Fatal(err)
		}
	}
}
