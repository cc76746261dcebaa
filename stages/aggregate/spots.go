package aggregate

import (
	"context"
	"math"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/damage"
)

// SpotFindings tells what is to be found in laps by their damage at a hot spot. Its inputs are the hot
// spot's figures, labelled by FiguresLabel, and its transfer where it was fitted, labelled by
// TransferLabel; the transfer may be missing. The output is as FindingsOutput, of a lap that could
// not be counted one of no check that says why.
type SpotFindings struct {
	Checks           []Check
	Hotspot, Channel string
	Factor           float64 // multiplies its stress
	BandHigh         float64 // Hz, the upper end of the pass band; 0 = open
}

// Name returns "aggregate".
func (SpotFindings) Name() string { return Name }

// Revision returns the package's Revision.
func (SpotFindings) Revision() int { return Revision }

// Outputs names the findings.
func (SpotFindings) Outputs() []string { return spotFindingsOutputs }

var spotFindingsOutputs = []string{FindingsOutput}

// AddTo adds the parameters to a key.
func (t SpotFindings) AddTo(h *key.Hasher) {
	h.String("table", "findings of damage")
	limits(t.Checks).addTo(h)
	h.String("hotspot", t.Hotspot)
	h.String("channel", t.Channel)
	h.Float("stress_factor", t.Factor)
	h.Float("band_high_hz", t.BandHigh)
}

// Run looks at the laps' damage.
func (t SpotFindings) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	inputs := in.ByLabel()
	figures, err := readSpotFigures(inputs[FiguresLabel(t.Hotspot)])
	if err != nil {
		return nil, err
	}
	calibrated, err := readAmplitude(inputs[TransferLabel(t.Hotspot)])
	if err != nil {
		return nil, err
	}
	var all found
	for i, lap := range figures.Laps {
		var own findings
		if figures.Missing[i] == "" {
			own = t.judge(&figures.Rows[i], calibrated*t.Factor)
		}
		all.add(lap, figures.Missing[i], own)
	}
	return []stages.Output{{Name: FindingsOutput, Frame: all.frame()}}, nil
}

// nearRate is by how much, as a share, a rate may fall short of a limit: a clock that is
// off by parts in a million makes no difference.
const nearRate = 1e-3

// judge looks at a lap's damage; calibrated is the widest amplitude of stress of the calibration in MPa, NaN if there was none.
func (t *SpotFindings) judge(row *damage.Row, calibrated float64) findings {
	var own findings
	find := func(check string, figure float64) bool {
		return own.find(t.Checks, check, t.Channel, t.Hotspot, figure)
	}
	if row.OverUltimate > 0 {
		own = append(own, finding{check: OverUltimate, place: checkPlace(OverUltimate), severity: Warn, channel: t.Channel, hotspot: t.Hotspot})
	}
	if find(SinglePeak, row.LargestShare) {
		own.say("%s: one cycle does %s %% of the damage at %s", t.Channel, brief(100*row.LargestShare), t.Hotspot)
	}
	few := t.BandHigh > 0 && row.Rate < (1-nearRate)*limits(t.Checks).of(FewSamples)*t.BandHigh
	if few && find(FewSamples, math.Inf(1)) {
		own.say("%s: %s samples per cycle at the band's upper end", t.Channel, brief(row.Rate/t.BandHigh))
	}
	if times := row.MaxAmplitude / calibrated; find(OutsideCalibrated, times) {
		own.say("%s: stress at %s reaches an amplitude of %s MPa, %s times the widest of its calibration: the gain is not proven there",
			t.Channel, t.Hotspot, brief(row.MaxAmplitude), brief(times))
	}
	return own
}
