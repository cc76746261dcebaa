package calibrate

import (
	"strings"
	"testing"

	"lapwear/stages/frame"
)

// Noise is told of only where it matters: by the reliability ratio, a channel whose noise is
// a fifth of its signal's root mean square flattens least squares by 1/26 or 3.8 %.
func TestNoiseIsToldOfWhereItMatters(t *testing.T) {
	for _, tt := range []struct {
		reason string
		noise  float64
		want   string
	}{
		{"none", 0, ""},
		{"a fiftieth: nothing to speak of", 0.02, ""},
		{"a fifth", 0.2, "noise in the channel would flatten a least-squares gain by 3."},
	} {
		m := usual()
		m.noiseX, m.noiseS = tt.noise, 0.01
		laps := m.make()
		reasons, err := frame.Get[[]string](fit(t, paramsOf(laps), inputsOf(laps, m.rate))[Candidates], "reason")
		if err != nil {
			t.Fatal(err)
		}
		reason := reasons[2] // acc_z
		if tt.want == "" && strings.Contains(reason, "noise") || !strings.Contains(reason, tt.want) {
			t.Errorf("%s: %q, want it to say %q of noise", tt.reason, reason, tt.want)
		}
	}
}
