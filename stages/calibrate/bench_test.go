package calibrate

import (
	"context"
	"testing"
)

func BenchmarkFit(b *testing.B) {
	m := usual()
	m.laps, m.seconds, m.rate = 6, 100, 1024
	laps := m.make()
	p, in := paramsOf(laps), inputsOf(laps, m.rate)
	for b.Loop() {
		if _, err := p.Run(context.Background(), in); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(m.seconds*m.rate*6*3), "ns/sample")
}
