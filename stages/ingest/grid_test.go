package ingest

import (
	"fmt"
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// How loggers stamp packets is common practice, no source; the wanted times follow from
// how the stamps were made.
func TestStatedRateOfStamps(t *testing.T) {
	packet := func(size int, rate float64, lost int) func(i int) string {
		return func(i int) string {
			k := i / size
			if k >= 100 {
				k += lost
			}
			return fmt.Sprintf("%.6f", float64(k*size)/rate)
		}
	}
	tests := []struct {
		reason     string
		rate       float64
		at         func(i int) string
		start, end float64
		samples    int
		first      float64 // s
		gaps       int64
		steps      float64 // of the longest gap
		lost       float64 // samples
	}{
		{"packets of ten, none lost", 1000, packet(10, 1000, 0), nan, nan, 2000, 0, 0, 0, 0},
		{"three packets are lost", 1000, packet(10, 1000, 3), nan, nan, 2000, 0, 1, 31, 30},
		{"a cut within packets is as exact as the samples", 1000, packet(10, 1000, 3), 0.503, 1.507, 974, 0.503, 1, 31, 30},
		{"1024 Hz with stamps in whole ms", 1024, func(i int) string { return fmt.Sprintf("%.3f", float64(i)/1024) }, nan, nan, 2000, 0, 0, 0, 0},
		{"a clock that is 0.03 % slow moves nothing", 1000, packet(10, 1000*1.0003, 0), nan, nan, 2000, 0, 0, 0, 0},
		{"and does not hide what is lost", 1000, packet(10, 1000*1.0003, 1), nan, nan, 2000, 0, 1, 11, 10},
	}
	for _, tt := range tests {
		p := cradle
		p.Time.Rate, p.StartS, p.EndS = tt.rate, tt.start, tt.end
		outs, err := run(t, p, "a.csv", paced(2000, tt.at))
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		f := figuresOf(t, outs, 0)
		rate := f["rate_hz"].(float64)
		start, _ := outs[0].Frame.Number("start_s")
		got := []float64{rate, start, f["samples"].(float64), f["gaps"].(float64), f["gap_steps"].(float64)}
		want := []float64{tt.rate, tt.first, float64(tt.samples), float64(tt.gaps), tt.steps}
		if d := cmp.Diff(want, got, cmpopts.EquateApprox(0, 1e-9)); d != "" {
			t.Errorf("%s: rate, start, samples, gaps, longest (-want +got)\n%s", tt.reason, d)
		}
		lost := f["lost_share"].(float64) * (float64(tt.samples) + tt.lost)
		if math.Abs(lost-tt.lost) > 1e-6 {
			t.Errorf("%s: %v samples lost, want %v", tt.reason, lost, tt.lost)
		}
	}
}
