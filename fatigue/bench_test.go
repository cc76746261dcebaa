package fatigue

import (
	"math"
	"math/rand/v2"
	"testing"
)

func BenchmarkCountCycles(b *testing.B) {
	const n = 1 << 20
	for _, bench := range []struct {
		name string
		gate float64
		make func() []float64
	}{
		{"white_noise", 0, func() []float64 { return noise(n) }},
		{"every_second_sample", 0, func() []float64 { return zigzag(n) }},
		{"quantised_noise", 0, func() []float64 { return quantise(noise(n), 4) }},
		{"smooth", 0, func() []float64 { return smooth(n) }},
		{"constant_amplitude", 0, func() []float64 { return sine(n, 20) }},
		{"ramp", 0, func() []float64 { return ramp(n) }},
		{"white_noise_gate", 1, func() []float64 { return noise(n) }},
		{"smooth_gate", 0.1, func() []float64 { return smooth(n) }},
	} {
		b.Run(bench.name, func(b *testing.B) {
			x := bench.make()
			p, err := TurningPoints(x, 0)
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := CountCycles(x, bench.gate); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds()/1e6, "Msamples/s")
			b.ReportMetric(float64(p.Len())/n, "points/sample")
		})
	}
}

func noise(n int) []float64 {
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([]float64, n)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	return x
}

// zigzag is noise with turning points at half of its samples.
func zigzag(n int) []float64 {
	rng := rand.New(rand.NewPCG(3, 4))
	x := make([]float64, n)
	for i := 2; i < n; i += 2 {
		x[i] = rng.NormFloat64()
	}
	for i := 1; i+1 < n; i += 2 {
		x[i] = (x[i-1] + x[i+1]) / 2
	}
	for i := 3; i < n; i += 4 {
		x[i] = rng.NormFloat64()
	}
	return x
}

// smooth is band-limited: about 30 samples a cycle, like a resampled recording.
func smooth(n int) []float64 {
	rng := rand.New(rand.NewPCG(5, 6))
	x := make([]float64, n)
	for range 12 {
		w, phase := 2*math.Pi/(20+40*rng.Float64()), 2*math.Pi*rng.Float64()
		for i := range x {
			x[i] += math.Sin(w*float64(i) + phase)
		}
	}
	return x
}

func sine(n, period int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = math.Sin(2 * math.Pi * float64(i%period) / float64(period))
	}
	return x
}

func ramp(n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = float64(i)
	}
	return x
}

// quantise rounds to steps of 1/perUnit, which makes plateaus and ties.
func quantise(x []float64, perUnit float64) []float64 {
	for i, v := range x {
		x[i] = math.Round(v*perUnit) / perUnit
	}
	return x
}

// BenchmarkCountMarks is of 100 s at 2000 Hz in a logger's counts.
func BenchmarkCountMarks(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([]float32, 200_000)
	var road, last float64
	for i := range x {
		road, last = 1.93*road-0.935*last+18*rng.NormFloat64(), road
		x[i] = float32(math.Round(8*road + 800*math.Sin(float64(i)/1000) + 20*rng.NormFloat64()))
	}
	var c Counter
	cycles := 0
	for b.Loop() {
		m, _, err := CountMarks(&c, x, 0)
		if err != nil {
			b.Fatal(err)
		}
		cycles = len(m.Start)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(cycles), "ns/cycle")
}
