package aggregate

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/count"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// PlacesTable lays out the table places: by hot spot, then by circuit. Its inputs are the outputs of Places, labelled by FiguresPart with the
// hot spot's number in Spots; hot spots without are passed over.
type PlacesTable struct{ Spots []PlacedSpot }

// PlacedSpot is a hot spot under a scenario.
type PlacedSpot struct {
	Scenario, Hotspot string
	Along             string // damage.AlongDistance or damage.AlongTime
}

// costliest is how many places of a hot spot are ranked.
const costliest = 10

// Name returns "aggregate".
func (PlacesTable) Name() string { return Name }

// Revision returns the package's Revision.
func (PlacesTable) Revision() int { return Revision }

// Outputs names the table.
func (PlacesTable) Outputs() []string { return tableAlone }

// Keeps tells that the table is not worth storing: it is several times as long as what it is made of, and made in less time than it is read.
func (PlacesTable) Keeps(string) bool { return false }

// AddTo adds the parameters to a key.
func (t PlacesTable) AddTo(h *key.Hasher) {
	h.String("table", "places")
	for _, s := range t.Spots {
		h.String("scenario", s.Scenario)
		h.String("hotspot", s.Hotspot)
		h.String("along", s.Along)
	}
}

// spotCircuit is a circuit's places at a hot spot: rows of the table.
type spotCircuit struct {
	*placedCircuit
	spot *PlacedSpot
}

// Run lays out the table.
func (t PlacesTable) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	inputs := in.ByLabel()
	of := make([][]placedCircuit, len(t.Spots))
	known := false
	for i := range t.Spots {
		circuits, places := inputs[FiguresPart(CircuitsOutput, i)], inputs[FiguresPart(PlacesOutput, i)]
		if circuits.Missing != "" || places.Missing != "" {
			continue
		}
		known = true
		var err error
		if of[i], err = readPlaced(circuits, places); err != nil {
			return nil, err
		}
	}
	if !known {
		return nil, nothingToShow("places")
	}
	return []stages.Output{{Name: Output, Frame: t.frame(of)}}, nil
}

// readPlaced reads a hot spot's circuits with their places.
func readPlaced(circuits, places stages.Input) ([]placedCircuit, error) {
	f, err := circuits.Get()
	if err != nil {
		return nil, err
	}
	names, err := frame.Get[[]string](f, "circuit")
	if err != nil {
		return nil, err
	}
	out := make([]placedCircuit, len(names))
	for i := range out {
		out[i].name = names[i]
	}
	if err := readPlacedFigures(f, out); err != nil {
		return nil, err
	}
	return out, readPlacedDamage(f, places, out)
}

// readPlacedFigures reads what circuits have of numbers.
func readPlacedFigures(f *frame.Frame, out []placedCircuit) error {
	for _, column := range []struct {
		name string
		at   func(c *placedCircuit) *int
	}{
		{"laps", func(c *placedCircuit) *int { return &c.laps }},
		{"laps_recorded", func(c *placedCircuit) *int { return &c.recorded }},
	} {
		v, err := frame.Get[[]int64](f, column.name)
		if err != nil {
			return err
		}
		for i := range out {
			*column.at(&out[i]) = int(v[i])
		}
	}
	for _, column := range []struct {
		name string
		at   func(c *placedCircuit) *float64
	}{
		{"damage", func(c *placedCircuit) *float64 { return &c.total }},
		{"season_damage", func(c *placedCircuit) *float64 { return &c.season }},
	} {
		v, err := frame.Get[[]float64](f, column.name)
		if err != nil {
			return err
		}
		for i := range out {
			*column.at(&out[i]) = v[i]
		}
	}
	return nil
}

// readPlacedDamage gives each circuit its places.
func readPlacedDamage(circuits *frame.Frame, places stages.Input, out []placedCircuit) error {
	f, err := places.Get()
	if err != nil {
		return err
	}
	damage, err := frame.Get[[]float64](f, "damage")
	if err != nil {
		return err
	}
	top, err := frame.Get[[]float64](f, "max")
	if err != nil {
		return err
	}
	n, err := frame.Get[[]int64](circuits, "places")
	if err != nil {
		return err
	}
	for i := range out {
		if n[i] < 0 || n[i] > int64(len(damage)) {
			return fmt.Errorf("read places: circuit %q has %d, of which %d are there", out[i].name, n[i], len(damage))
		}
		out[i].damage, damage = damage[:n[i]], damage[n[i]:]
		out[i].top, top = top[:n[i]], top[n[i]:]
	}
	if len(damage) > 0 {
		return fmt.Errorf("read places: %d are of no circuit", len(damage))
	}
	return nil
}

// placesLayout turns circuits into columns with a row a place.
type placesLayout struct {
	circuits []spotCircuit
	n        int // places
	cols     []frame.Column
}

// text adds a column of texts that all places of a circuit have in common.
func (l *placesLayout) text(name string, get func(c *spotCircuit) string) {
	l.cols = append(l.cols, frame.Col(name, "", eachPlace(l, func(c *spotCircuit, v []string) { repeat(v, get(c)) })))
}

// count adds a column of whole numbers that all places of a circuit have in common.
func (l *placesLayout) count(name string, get func(c *spotCircuit) int) {
	l.cols = append(l.cols, frame.Col(name, "", eachPlace(l, func(c *spotCircuit, v []int64) { repeat(v, int64(get(c))) })))
}

// number adds a column of numbers, of which set gives those of a circuit.
func (l *placesLayout) number(name, unit string, set func(c *spotCircuit, v []float64)) {
	l.cols = append(l.cols, frame.Col(name, unit, eachPlace(l, set)))
}

// eachPlace has set write what a column holds of each circuit.
func eachPlace[V any](l *placesLayout, set func(c *spotCircuit, v []V)) []V {
	all := frame.Room[V](l.n)
	rest := all
	for i := range l.circuits {
		c := &l.circuits[i]
		set(c, rest[:len(c.damage)])
		rest = rest[len(c.damage):]
	}
	return all
}

func repeat[V any](v []V, value V) {
	for i := range v {
		v[i] = value
	}
}

// edge gives the edges of places, so many ends from the first, where they are counted along what the hot spot's are; NaN otherwise.
func edge(along string, size float64, end int) func(c *spotCircuit, v []float64) {
	return func(c *spotCircuit, v []float64) {
		if c.spot.Along != along {
			repeat(v, math.NaN())
			return
		}
		for k := range v {
			v[k] = size * float64(k+end)
		}
	}
}

// frame lays out the table, of each hot spot's circuits.
func (t PlacesTable) frame(of [][]placedCircuit) *frame.Frame {
	var l placesLayout
	ends := make([]int, len(of)) // of the hot spots' rows
	for i := range of {
		for k := range of[i] {
			l.circuits = append(l.circuits, spotCircuit{&of[i][k], &t.Spots[i]})
			l.n += len(of[i][k].damage)
		}
		ends[i] = l.n
	}
	season := eachPlace(&l, func(c *spotCircuit, v []float64) {
		for k := range v {
			v[k] = c.seasonAt(k)
		}
	})
	l.text("circuit", func(c *spotCircuit) string { return c.name })
	l.text("hotspot", func(c *spotCircuit) string { return c.spot.Hotspot })
	l.text("scenario", func(c *spotCircuit) string { return c.spot.Scenario })
	l.text("along", func(c *spotCircuit) string { return c.spot.Along })
	l.number("from_m", "m", edge(damage.AlongDistance, count.PlaceMetres, 0))
	l.number("to_m", "m", edge(damage.AlongDistance, count.PlaceMetres, 1))
	l.number("from_s", "s", edge(damage.AlongTime, damage.PlaceSeconds, 0))
	l.number("to_s", "s", edge(damage.AlongTime, damage.PlaceSeconds, 1))
	l.count("laps", func(c *spotCircuit) int { return c.laps })
	l.count("laps_recorded", func(c *spotCircuit) int { return c.recorded })
	l.number("damage_per_lap_mean", "", func(c *spotCircuit, v []float64) {
		for k, d := range c.damage {
			v[k] = d / float64(c.laps)
		}
	})
	l.number("damage_per_lap_max", "", func(c *spotCircuit, v []float64) { copy(v, c.top) })
	l.number("share_of_circuit", "", func(c *spotCircuit, v []float64) {
		for k := range v {
			v[k] = c.of(k)
		}
	})
	l.cols = append(l.cols, frame.Col("season_damage", "", season), frame.Col("rank", "", ranks(season, ends)))
	return frame.Must(nil, l.cols...)
}

// ranks numbers the costliest places of each hot spot from 1 on; the others have 0. Ends are where the rows of each end.
func ranks(season []float64, ends []int) []int64 {
	out := make([]int64, len(season))
	from := 0
	for _, to := range ends {
		for i, k := range topPlaces(season[from:to]) {
			if season[from+k] > 0 {
				out[from+k] = int64(i + 1)
			}
		}
		from = to
	}
	return out
}

// topPlaces lists the costliest places by their damage of the season, the costliest first and the earlier one of equals.
func topPlaces(season []float64) []int {
	top := make([]int, 0, costliest+1)
	for i, d := range season {
		at := len(top)
		for at > 0 && cmp.Compare(season[top[at-1]], d) < 0 {
			at--
		}
		if at < costliest {
			top = slices.Insert(top, at, i)
			top = top[:min(len(top), costliest)]
		}
	}
	return top
}
