package aggregate

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/count"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// Figures hold what the laps' damage and residues held, and why a lap has none; those of laps taken together elsewhere follow.
func TestFigures(t *testing.T) {
	residue := fatigue.Points{Value: []float64{1.5, 0.1, -2}, Index: []int32{3, 4, 90_000}}
	row := damage.Row{Gain: 4.1, Samples: 1000, Duration: 2, Rate: 500, Damage: 1e-7, LargestShare: 0.25, NarrowBand: 0.5, SpectralNote: "short",
		Places: damage.Places{First: []int32{0, 7}, Damage: []float64{1e-7, 0}}, Peaks: damage.Peaks{Rest: 3}, Residue: residue}
	short := row
	short.Residue = fatigue.Points{Value: residue.Value[:1], Index: residue.Index[:1]}
	own := stages.Inputs{Frames: []stages.Input{
		{Label: Label(DamageKind, "A"), Frame: row.Frame()}, {Label: Label(DamageKind, "B"), Missing: "cannot be read"},
		{Label: Label(DamageKind, "D"), Frame: short.Frame()}}}
	var in, parts stages.Inputs
	add := func(label string, f *frame.Frame) {
		in.Frames = append(in.Frames, stages.Input{Label: label, Frame: f})
	}
	for n, laps := range [][]string{{"B", "A"}, {"D"}} {
		out := must(t, Figures{Laps: laps}, own)
		parts.Frames = append(parts.Frames, stages.Input{Frame: out[0].Frame})
		add(FiguresPart(PlacesOutput, n), out[1].Frame)
		add(FiguresPart(ResiduesOutput, n), out[2].Frame)
	}
	add(FiguresLabel("toe"), must(t, Concat{Table: "figures"}, parts)[0].Frame)
	all, _ := in.Labelled(FiguresLabel("toe"))
	g, err := readSpotFigures(all)
	if err != nil {
		t.Fatal(err)
	}
	want := row
	want.Places, want.Peaks, want.Residue = damage.Places{}, damage.Peaks{}, fatigue.Points{}
	for _, lap := range []string{"A", "D"} {
		if got, missing, err := g.of(lap); err != nil || missing != "" || !cmp.Equal(want, got) {
			t.Errorf("lap %s: missing %q, error %v, -want +got\n%s", lap, missing, err, cmp.Diff(want, got))
		}
	}
	if _, missing, err := g.of("B"); err != nil || missing != "cannot be read" {
		t.Errorf("lap B: missing %q, error %v", missing, err)
	}
	if _, _, err := g.of("C"); err == nil || !strings.Contains(err.Error(), `"C"`) {
		t.Errorf("lap C: error %v", err)
	}
	places, err := readLapPlaces(in, "toe", 4)
	if err != nil || !cmp.Equal(row.Places, places("A")) || !cmp.Equal(row.Places, places("D")) || len(places("B").Damage)+len(places("C").Damage) > 0 {
		t.Errorf("places %v and %v, of others %v and %v, error %v", places("A"), places("D"), places("B"), places("C"), err)
	}
	residues, err := partsOf(in, ResiduesOutput, 4, count.ReadResidues)
	if err != nil || len(residues) != 3 || residues[0].Len() > 0 || !cmp.Equal(residue, residues[1]) || !cmp.Equal(residue.Value[:1], residues[2].Value) {
		t.Errorf("residues %v, error %v", residues, err)
	}
	if _, err := readSpotFigures(stages.Input{Frame: row.Frame()}); err == nil {
		t.Error("a lap's own damage is read as figures")
	}
	if _, err := damage.ReadOverlay(row.Frame()); err == nil {
		t.Error("a lap's own damage is read as places of several")
	}
}
