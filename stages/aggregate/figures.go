package aggregate

import (
	"context"
	"fmt"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/damage"
)

// Figures lays the figures of the laps' damage at a hot spot under one another, so that what looks at all hot spots
// reads one result of each. Its inputs are each lap's damage, labelled by Label; those that are missing
// are noted with their reasons. The output PlacesOutput holds the laps' places, by their number in Laps.
type Figures struct {
	Laps []string // in driven order
}

// PlacesOutput is the output of Figures that damage.ReadOverlay reads.
const PlacesOutput = "places"

// FiguresLabel is the label of a hot spot's figures.
func FiguresLabel(hotspot string) string { return "figures/" + hotspot }

// Name returns "aggregate".
func (Figures) Name() string { return Name }

// Revision returns the package's Revision.
func (Figures) Revision() int { return Revision }

// Outputs names the figures and the places.
func (Figures) Outputs() []string { return figuresOutputs }

var figuresOutputs = []string{Output, PlacesOutput}

// AddTo adds the parameters to a key.
func (t Figures) AddTo(h *key.Hasher) {
	h.String("table", "figures")
	for _, l := range t.Laps {
		h.String("lap", l)
	}
}

// Run lays the figures out.
func (t Figures) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	inputs := in.ByLabel()
	var g damage.Figures
	places := make([]damage.Places, len(t.Laps))
	for k, l := range t.Laps {
		i := inputs[Label(DamageKind, l)]
		if i.Missing != "" {
			g.AddMissing(l, i.Missing)
			continue
		}
		f, err := i.Get()
		if err != nil {
			return nil, err
		}
		if err := g.Add(l, f); err != nil {
			return nil, err
		}
		if places[k], err = damage.ReadPlaces(f); err != nil {
			return nil, err
		}
	}
	overlay := damage.NewOverlay(places)
	return []stages.Output{{Name: Output, Frame: g.Frame()}, {Name: PlacesOutput, Frame: overlay.Frame()}}, nil
}

// spotFigures is a hot spot's figures by lap.
type spotFigures struct {
	damage.Figures
	at map[string]int
}

func readSpotFigures(in stages.Input) (spotFigures, error) {
	f, err := in.Get()
	if err != nil {
		return spotFigures{}, err
	}
	g, err := damage.ReadFigures(f)
	if err != nil {
		return spotFigures{}, err
	}
	out := spotFigures{g, make(map[string]int, len(g.Laps))}
	for i, l := range g.Laps {
		out.at[l] = i
	}
	return out, nil
}

// of returns a lap's figures, or why it has none.
func (g *spotFigures) of(lap string) (r damage.Row, missing string, err error) {
	i, ok := g.at[lap]
	if !ok {
		return r, "", fmt.Errorf("read figures: there are none of lap %q", lap)
	}
	return g.Rows[i], g.Missing[i], nil
}
