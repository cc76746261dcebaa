package aggregate

import (
	"context"
	"fmt"
	"strconv"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/count"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// Figures lays the results of some laps at a hot spot under one another. A season's laps are taken LapsTogether at a time, in driven order, and a Concat
// lays the figures of all under one another: what looks at all laps reads one result of each hot spot, a lap that changes has
// those of its neighbours alone read again, and a new lap those from it on.
//
// Its inputs are each lap's damage, which holds its residue, labelled by Label; laps without damage are noted with their reasons. PlacesOutput holds
// the laps' places and ResiduesOutput their residues, by their number in Laps.
type Figures struct {
	Laps []string // in driven order
}

// LapsTogether is how many laps one Figures takes.
const LapsTogether = 16

// Outputs of Figures beside the figures: those that damage.ReadOverlay and count.ReadResidues read.
const (
	PlacesOutput   = "places"
	ResiduesOutput = "residues"
)

// FiguresLabel is the label of a hot spot's figures of all laps.
func FiguresLabel(hotspot string) string { return "figures/" + hotspot }

// FiguresPart is the label of an output of the figures of the n-th laps taken together, from 0.
func FiguresPart(output string, n int) string { return output + "/" + strconv.Itoa(n) }

// Name returns "aggregate".
func (Figures) Name() string { return Name }

// Revision returns the package's Revision.
func (Figures) Revision() int { return Revision }

// Outputs names the figures, the places and the residues.
func (Figures) Outputs() []string { return figuresOutputs }

var figuresOutputs = []string{Output, PlacesOutput, ResiduesOutput}

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
	places, residues := make([]damage.Places, len(t.Laps)), make([]fatigue.Points, len(t.Laps))
	for k, l := range t.Laps {
		own := inputs[Label(DamageKind, l)]
		if own.Missing != "" {
			g.AddMissing(l, own.Missing)
			continue
		}
		f, err := own.Get()
		if err != nil {
			return nil, err
		}
		if err := g.Add(l, f); err != nil {
			return nil, err
		}
		if places[k], residues[k], err = damage.ReadPlaces(f); err != nil {
			return nil, err
		}
	}
	return []stages.Output{{Name: Output, Frame: g.Frame()}, {Name: PlacesOutput, Frame: damage.OverlayFrame(places, g.Rows)},
		{Name: ResiduesOutput, Frame: count.ResiduesFrame(residues)}}, nil
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
	return spotFigures{g, numbered(g.Laps)}, nil
}

// numbered returns the laps' numbers.
func numbered(laps []string) map[string]int {
	at := make(map[string]int, len(laps))
	for i, l := range laps {
		at[l] = i
	}
	return at
}

// partsOf reads another output of a hot spot's figures, with read for the laps taken together; what it returns has the order of all laps, of which
// there are some so many.
func partsOf[V any](in stages.Inputs, output string, laps int, read func(f *frame.Frame) ([]V, error)) ([]V, error) {
	all := make([]V, 0, laps)
	for n := 0; ; n++ {
		part, ok := in.Labelled(FiguresPart(output, n))
		if !ok {
			return all, nil
		}
		f, err := part.Get()
		if err != nil {
			return nil, err
		}
		some, err := read(f)
		if err != nil {
			return nil, err
		}
		all = append(all, some...)
	}
}

// of returns a lap's figures, or why it has none.
func (g *spotFigures) of(lap string) (r damage.Row, missing string, err error) {
	i, ok := g.at[lap]
	if !ok {
		return r, "", fmt.Errorf("read figures: there are none of lap %q", lap)
	}
	return g.Rows[i], g.Missing[i], nil
}
