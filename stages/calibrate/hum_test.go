package calibrate

import (
	"math"
	"testing"
)

// A sine of amplitude A has a root mean square of A/√2.
func TestHumIsNamed(t *testing.T) {
	for _, tt := range []struct {
		reason       string
		hz, mpa, g   float64 // of a sine in gauge and channel
		noise        float64
		wantHz, rms  float64
		gauge, found bool
	}{
		{"mains in the gauge", 50, 3, 0, 0.05, 50, 3 / math.Sqrt2, true, true},
		{"between two lines of the spectrum", 47.03, 3, 0, 0.05, 47.03, 3 / math.Sqrt2, true, true},
		{"a converter in the channel", 62.5, 0, 0.4, 0.05, 62.5, 0.4 / math.Sqrt2, false, true},
		{"in both: no wiring's fault", 50, 8.37, 1, 0.05, 0, 0, false, false},
		{"none", 0, 0, 0, 0.3, 0, 0, false, false},
	} {
		m := usual()
		m.laps, m.rate, m.noiseX, m.noiseS = 4, 256, tt.noise, tt.noise
		laps := m.make()
		for i := range laps {
			for k := range laps[i].z {
				sin := math.Sin(2*math.Pi*tt.hz*float64(k)/m.rate + float64(i))
				laps[i].toe[k] += tt.mpa * sin / testModulus
				laps[i].z[k] += tt.g * sin
			}
		}
		c := candidate{channel: "acc_z", unit: "g"}
		f := usualFitting()
		f.fit(&c, pairsOf(laps, m.rate))
		f.look(&c)
		if !tt.found {
			if len(c.hums) > 0 {
				t.Errorf("%s: found %+v", tt.reason, c.hums)
			}
			continue
		}
		if len(c.hums) != 1 {
			t.Errorf("%s: found %+v, want one", tt.reason, c.hums)
			continue
		}
		h := c.hums[0]
		if h.gauge != tt.gauge || math.Abs(h.hz-tt.wantHz) > 0.1 || math.Abs(h.rms/tt.rms-1) > 0.15 {
			t.Errorf("%s: found %+v, want %v Hz, rms %.3f within 15 %%, gauge %v", tt.reason, h, tt.wantHz, tt.rms, tt.gauge)
		}
	}
}
