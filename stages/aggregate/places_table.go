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

// placeRow is a row of the table.
type placeRow struct {
	*placedCircuit
	spot        *PlacedSpot
	place, rank int
	season      float64 // damage of the season
}

// Run lays out the table.
func (t PlacesTable) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	inputs := in.ByLabel()
	of := make([][]placedCircuit, len(t.Spots))
	known, n := false, 0
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
		for k := range of[i] {
			n += len(of[i][k].damage)
		}
	}
	if !known {
		return nil, nothingToShow("places")
	}
	rows := make([]placeRow, 0, n)
	for i := range t.Spots {
		rows = appendPlaces(rows, &t.Spots[i], of[i])
	}
	return []stages.Output{{Name: Output, Frame: placesFrame(rows)}}, nil
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

// appendPlaces appends the rows of a hot spot, the costliest of which are ranked.
func appendPlaces(rows []placeRow, spot *PlacedSpot, circuits []placedCircuit) []placeRow {
	from := len(rows)
	for i := range circuits {
		c := &circuits[i]
		for k := range c.damage {
			rows = append(rows, placeRow{placedCircuit: c, spot: spot, place: k, season: c.seasonAt(k)})
		}
	}
	for i, r := range topPlaces(rows[from:]) {
		if r.season > 0 {
			r.rank = i + 1
		}
	}
	return rows
}

// topPlaces lists the costliest rows, the costliest first and the earlier one of equals.
func topPlaces(rows []placeRow) []*placeRow {
	top := make([]*placeRow, 0, costliest+1)
	for i := range rows {
		at := len(top)
		for at > 0 && cmp.Compare(top[at-1].season, rows[i].season) < 0 {
			at--
		}
		if at < costliest {
			top = slices.Insert(top, at, &rows[i])
			top = top[:min(len(top), costliest)]
		}
	}
	return top
}

func placesFrame(rows []placeRow) *frame.Frame {
	edge := func(along string, size float64, end int) func(r *placeRow) float64 {
		return func(r *placeRow) float64 {
			if r.spot.Along != along {
				return math.NaN()
			}
			return size * float64(r.place+end)
		}
	}
	l := layout[placeRow]{rows: rows}
	l.text("circuit", func(r *placeRow) string { return r.name })
	l.text("hotspot", func(r *placeRow) string { return r.spot.Hotspot })
	l.text("scenario", func(r *placeRow) string { return r.spot.Scenario })
	l.text("along", func(r *placeRow) string { return r.spot.Along })
	l.number("from_m", "m", edge(damage.AlongDistance, count.PlaceMetres, 0))
	l.number("to_m", "m", edge(damage.AlongDistance, count.PlaceMetres, 1))
	l.number("from_s", "s", edge(damage.AlongTime, damage.PlaceSeconds, 0))
	l.number("to_s", "s", edge(damage.AlongTime, damage.PlaceSeconds, 1))
	l.count("laps", func(r *placeRow) int64 { return int64(r.laps) })
	l.count("laps_recorded", func(r *placeRow) int64 { return int64(r.recorded) })
	l.number("damage_per_lap_mean", "", func(r *placeRow) float64 { return r.damage[r.place] / float64(r.laps) })
	l.number("damage_per_lap_max", "", func(r *placeRow) float64 { return r.top[r.place] })
	l.number("share_of_circuit", "", func(r *placeRow) float64 { return r.of(r.place) })
	l.number("season_damage", "", func(r *placeRow) float64 { return r.season })
	l.count("rank", func(r *placeRow) int64 { return int64(r.rank) })
	return l.frame()
}
