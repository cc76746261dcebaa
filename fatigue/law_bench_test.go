package fatigue

import (
	"math/rand/v2"
	"testing"
)

func BenchmarkSum(b *testing.B) {
	const n = 1 << 20
	rng := rand.New(rand.NewPCG(1, 2))
	var c Cycles
	for range n {
		mean := 20 * rng.NormFloat64()
		amplitude := 30 * rng.ExpFloat64()
		c.From = append(c.From, mean-amplitude)
		c.To = append(c.To, mean+amplitude)
	}
	power := Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 7}
	bilinear := power
	bilinear.Knee, bilinear.Beyond = 5e6, Beyond{Form: BeyondHaibach}
	for _, bench := range []struct {
		name     string
		material Material
	}{
		{"power", Material{Curve: power, Ultimate: 310}},
		{"power_goodman", Material{Curve: power, Ultimate: 310, Mean: MeanStress{Rule: MeanGoodman}}},
		{"haibach_goodman", Material{Curve: bilinear, Ultimate: 310, Mean: MeanStress{Rule: MeanGoodman}}},
		{"power_swt", Material{Curve: power, Mean: MeanStress{Rule: MeanSWT}}},
		{"power_walker", Material{Curve: power, Mean: MeanStress{Rule: MeanWalker, Gamma: 0.65}}},
		{"power_sensitivity", Material{Curve: power, Mean: MeanStress{Rule: MeanSensitivity, M: 0.3}}},
		{"handbook", mustLookup(b, "al-6061-t6")},
		{"handbook_limit", mustLookup(b, "al-7075-t6-sheet-kt2")},
		{"weld", mustLookup(b, "weld-71")},
	} {
		b.Run(bench.name, func(b *testing.B) {
			law := mustLaw(b, bench.material, 0.5)
			b.ReportAllocs()
			for b.Loop() {
				law.Sum(c, 1, Transfer{Gain: 1, Factor: 1})
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/cycle")
		})
	}
}

func mustLookup(tb testing.TB, name string) Material {
	tb.Helper()
	m, found := Lookup(name)
	if !found {
		tb.Fatalf("no built-in curve %q", name)
	}
	return m
}

func mustLaw(tb testing.TB, m Material, survival float64) *Law {
	tb.Helper()
	law, err := NewLaw(m, survival)
	if err != nil {
		tb.Fatal(err)
	}
	return law
}
