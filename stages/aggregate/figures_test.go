package aggregate

import (
	"context"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages"
	"lapwear/stages/damage"
)

// Figures hold what the laps' damage held, and why a lap has none.
func TestFigures(t *testing.T) {
	row := damage.Row{Gain: 4.1, Samples: 1000, Duration: 2, Rate: 500, Damage: 1e-7, LargestShare: 0.25, NarrowBand: 0.5, SpectralNote: "short",
		Places: damage.Places{First: []int32{0}, Damage: []float64{1e-7}}, Peaks: damage.Peaks{Rest: 3}}
	out, err := Figures{Laps: []string{"B", "A"}}.Run(context.Background(), stages.Inputs{Frames: []stages.Input{
		{Label: Label(DamageKind, "A"), Frame: row.Frame()}, {Label: Label(DamageKind, "B"), Missing: "cannot be read"}}})
	if err != nil {
		t.Fatal(err)
	}
	g, err := readSpotFigures(stages.Input{Frame: out[0].Frame})
	if err != nil {
		t.Fatal(err)
	}
	want := row
	want.Places, want.Peaks = damage.Places{}, damage.Peaks{}
	if got, missing, err := g.of("A"); err != nil || missing != "" || !cmp.Equal(want, got) {
		t.Errorf("lap A: missing %q, error %v, -want +got\n%s", missing, err, cmp.Diff(want, got))
	}
	places, err := damage.ReadOverlay(out[1].Frame)
	if err != nil || !cmp.Equal(row.Places, places.Of(1)) || len(places.Of(0).Damage)+len(places.Of(2).Damage) > 0 {
		t.Errorf("places %v, of others %v and %v, error %v", places.Of(1), places.Of(0), places.Of(2), err)
	}
	if _, missing, err := g.of("B"); err != nil || missing != "cannot be read" {
		t.Errorf("lap B: missing %q, error %v", missing, err)
	}
	if _, _, err := g.of("C"); err == nil || !strings.Contains(err.Error(), `"C"`) {
		t.Errorf("lap C: error %v", err)
	}
	if _, err := readSpotFigures(stages.Input{Frame: row.Frame()}); err == nil {
		t.Error("a lap's own damage is read as figures")
	}
}
