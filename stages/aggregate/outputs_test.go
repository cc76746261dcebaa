package aggregate

import (
	"context"
	"fmt"
	"runtime"
	"slices"
	"testing"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/damage"
)

// outputsGolden pins names and hashes of what the stages have at this Revision.
var outputsGolden = map[string]string{
	"aggregate.Figures table":         "b876e23541b216fd",
	"aggregate.Figures places":        "268d259edd5eefb1",
	"aggregate.Figures residues":      "efd26b4a4f588306",
	"aggregate.Account circuits":      "4045037feb244143",
	"aggregate.Account season":        "2a834b24ce94e443",
	"aggregate.Account between":       "2425a56d7026f2d1",
	"aggregate.Account points":        "496cd989b3485e17",
	"aggregate.Places circuits":       "c3d61f934b5965b2",
	"aggregate.Places places":         "908eddd3a2466c0a",
	"aggregate.PlacesTable table":     "0fcb7cbbbfe0c901",
	"aggregate.Verdicts table":        "bb738e91922222c4",
	"aggregate.Verdicts set aside":    "08b5a6dec7b8fb84",
	"aggregate.Verdicts flags":        "12475b138c1171bd",
	"aggregate.Quality table":         "59719dea1b68e5b6",
	"aggregate.Calibration table":     "b952c91598179629",
	"aggregate.Concat table":          "2a834b24ce94e443",
	"aggregate.Compare table":         "e0c001413a993ecb",
	"aggregate.Laps table":            "7cfe67793e96e735",
	"aggregate.Findings table":        "da500deec91efa48",
	"aggregate.Findings findings":     "7d86320b037af4ed",
	"aggregate.SpotFindings findings": "48717087d321933d",
}

// A stage that gains an output needs another Revision, as one whose numbers change does.
func TestRevisionPinsOutputs(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("pinned on amd64")
	}
	laps := randomLaps(4, "X", "Y")
	a := account(damage.Carry, laps)
	in := inputs(t, a.Strength, transfer, laps)
	f := Figures{Laps: []string{"L0", "L1", "L2", "L3"}}
	p := Places{Scenario: "base", Hotspot: "toe", Laps: []PlacedLap{{ID: "L0", Circuit: "X"}, {ID: "L1", Circuit: "Y"}}}
	v := trial{Checks: Checks(), Channels: []string{"z"}, Laps: []triedLap{{ID: "L", Circuit: "Hill"}}}
	run := func(s stages.Stage, in stages.Inputs) []stages.Output {
		out, err := s.Run(context.Background(), in)
		if err != nil {
			t.Fatalf("%T: %v", s, err)
		}
		var names []string
		for _, o := range out {
			names = append(names, o.Name)
			at := fmt.Sprintf("%T %s", s, o.Name)
			if got := key.Of(o.Frame.AppendEncoded(nil)).String()[:16]; got != outputsGolden[at] {
				t.Errorf("%q: %q: not as pinned: raise Revision, then pin it", at, got)
			}
		}
		if !slices.Equal(names, s.(stages.Namer).Outputs()) {
			t.Errorf("%T has outputs %q, names %q: name them and raise Revision", s, names, s.(stages.Namer).Outputs())
		}
		return out
	}
	laidOut := run(f, in)
	of := run(a, in)
	in.Frames = append(in.Frames, stages.Input{Label: CircuitsOutput, Frame: of[0].Frame}, stages.Input{Label: BetweenOutput, Frame: of[2].Frame}, stages.Input{Label: PointsOutput, Frame: of[3].Frame})
	run(PlacesTable{Spots: []PlacedSpot{{Scenario: "base", Hotspot: "toe", Along: damage.AlongTime}}}, stages.Inputs{Frames: placedInputs(run(p, in))})
	found := run(v.findings(), stages.Inputs{Frames: []stages.Input{{Label: ReadingLabel("L"), Frame: ingested(nil)}}})
	run(v.spot(triedSpot{"toe", "z", 1}), stages.Inputs{Frames: []stages.Input{{Label: FiguresLabel("toe"), Frame: laidOut[0].Frame}}})
	judged := run(v.verdicts(), stages.Inputs{Frames: []stages.Input{{Label: RowsInput, Frame: found[0].Frame}, {Label: FindingsInput, Frame: found[1].Frame}}})
	run(Quality{Parts: []QualityPart{{Use: "season", Scenario: "base"}}}, stages.Inputs{Frames: []stages.Input{{Label: QualityLabel(0), Frame: judged[0].Frame}}})
	run(Calibration{Given: []Given{{Scenario: "base", Hotspot: "bore", Channel: "b", Gain: 8}}}, stages.Inputs{})
	run(Concat{Table: "season"}, stages.Inputs{Frames: []stages.Input{{Frame: of[1].Frame}}})
	run(Compare{Factor: "rider"}, stages.Inputs{})
	run(Laps{}, stages.Inputs{})
}
