package aggregate

import (
	"context"
	"math"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// Places lays the laps over one another at a hot spot under one scenario: where on the lap damage is done, by circuit. PlacesTable
// makes rows of it.
//
//   - Half of a cycle's damage is put at either of its turning points, of damage between laps too.
//   - A place's damage per lap is the mean over the circuit's laps whose places are known.
//   - Its damage of the season is its share of that of the circuit's placed laps, times the circuit's season damage by the account: laps whose
//     places are not known are taken to do their damage where the others do. What is borrowed for a circuit where nothing was recorded is
//     in no place. It stands as damage, not as a share, so that a circuit's places stay as they are when another circuit's change.
//
// Its inputs are the account's BetweenOutput, PointsOutput and CircuitsOutput, labelled so, the figures, labelled by FiguresLabel, and their
// parts PlacesOutput, labelled by FiguresPart. Its output CircuitsOutput has a row a circuit, and PlacesOutput one a place, of the first
// circuit's first: the damage of all laps there, and the most that one of them does.
//
// Not guaranteed: that loggers count metres alike. A wheel that slips or wears moves a place by a per cent of the lap.
type Places struct {
	Scenario, Hotspot string

	Laps []PlacedLap
}

// PlacedLap is a season lap, in driven order.
type PlacedLap struct{ ID, Circuit string }

// Name returns "aggregate".
func (Places) Name() string { return Name }

// Revision returns the package's Revision.
func (Places) Revision() int { return Revision }

// Outputs names the circuits and their places.
func (Places) Outputs() []string { return placesOutputs }

var placesOutputs = []string{CircuitsOutput, PlacesOutput}

// AddTo adds the parameters to a key.
func (t Places) AddTo(h *key.Hasher) {
	h.String("table", "places of a hot spot")
	h.String("scenario", t.Scenario)
	h.String("hotspot", t.Hotspot)
	for _, l := range t.Laps {
		h.String("lap."+l.ID+".circuit", l.Circuit)
	}
}

// placedCircuit is a circuit's places, being summed up.
type placedCircuit struct {
	name        string
	recorded    int     // laps that count
	laps        int     // of these, laps whose places are known
	total       float64 // damage of these laps
	season      float64 // the circuit's damage of the season
	damage, top []float64
	lap         []float64 // room for the lap being laid over the others
}

// of is the share of a place in the damage of the circuit's laps.
func (c *placedCircuit) of(place int) float64 { return shareOf(c.damage[place], c.total) }

// seasonAt is the damage of the season at a place. Where that of the circuit has no end, that of a place that has one is not known.
func (c *placedCircuit) seasonAt(place int) float64 {
	if math.IsInf(c.season, 1) && math.IsInf(c.damage[place], 1) {
		return c.season
	}
	return c.of(place) * c.season
}

// Run lays the laps over one another.
func (t Places) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	circuits, err := t.overlay(in)
	if err != nil {
		return nil, err
	}
	l := layout[placedCircuit]{}
	n := 0
	for _, c := range circuits {
		n += len(c.damage)
	}
	damage, top := make([]float64, 0, n), make([]float64, 0, n)
	for _, c := range circuits {
		l.rows = append(l.rows, *c)
		damage, top = append(damage, c.damage...), append(top, c.top...)
	}
	l.text("circuit", func(c *placedCircuit) string { return c.name })
	l.count("places", func(c *placedCircuit) int64 { return int64(len(c.damage)) })
	l.count("laps", func(c *placedCircuit) int64 { return int64(c.laps) })
	l.count("laps_recorded", func(c *placedCircuit) int64 { return int64(c.recorded) })
	l.number("damage", "", func(c *placedCircuit) float64 { return c.total })
	l.number("season_damage", "", func(c *placedCircuit) float64 { return c.season })
	return []stages.Output{{Name: CircuitsOutput, Frame: l.frame()},
		{Name: PlacesOutput, Frame: frame.Must(nil, frame.Col("damage", "", damage), frame.Col("max", "", top))}}, nil
}

// overlay sums the laps' places by circuit.
func (t Places) overlay(in stages.Inputs) (circuits []*placedCircuit, err error) {
	inputs := in.ByLabel()
	weights, err := readBy(inputs[BetweenOutput], "lap", "weight")
	if err != nil {
		return nil, err
	}
	seasons, err := readBy(inputs[CircuitsOutput], "circuit", "season_damage")
	if err != nil {
		return nil, err
	}
	points, err := readPoints(inputs[PointsOutput])
	if err != nil {
		return nil, err
	}
	places, err := readLapPlaces(in, t.Hotspot, len(t.Laps))
	if err != nil {
		return nil, err
	}
	at := map[string]*placedCircuit{}
	for _, l := range t.Laps {
		if _, used := weights[l.ID]; !used {
			continue
		}
		c := at[l.Circuit]
		if c == nil {
			c = &placedCircuit{name: l.Circuit, season: seasons[l.Circuit]}
			at[l.Circuit] = c
			circuits = append(circuits, c)
		}
		c.add(places(l.ID), points[l.ID])
	}
	return circuits, nil
}

// readLapPlaces reads where the damage of some n laps at a hot spot is, by lap.
func readLapPlaces(in stages.Inputs, hotspot string, n int) (func(lap string) damage.Places, error) {
	f, err := in.Frame(FiguresLabel(hotspot))
	if err != nil {
		return nil, err
	}
	laps, err := frame.Get[[]string](f, "lap")
	if err != nil {
		return nil, err
	}
	at := numbered(laps)
	all, err := partsOf(in, PlacesOutput, n, damage.ReadOverlay)
	return func(lap string) damage.Places {
		i, ok := at[lap]
		if !ok {
			return damage.Places{}
		}
		return all[i]
	}, err
}

// add lays one lap over the others.
func (c *placedCircuit) add(p damage.Places, points []lapPoint) {
	c.recorded++
	if len(p.Damage) == 0 {
		return
	}
	c.lap = append(c.lap[:0], p.Damage...)
	for _, x := range points {
		c.lap[p.At(x.sample)] += x.damage
	}
	if more := len(c.lap) - len(c.damage); more > 0 {
		c.damage, c.top = append(c.damage, make([]float64, more)...), append(c.top, make([]float64, more)...)
	}
	c.laps++
	total, damage, top := c.total, c.damage[:len(c.lap)], c.top[:len(c.lap)]
	for k, d := range c.lap {
		total += d
		damage[k] += d
		if d > top[k] {
			top[k] = d
		}
	}
	c.total = total
}

// lapPoint is damage between laps at a lap's sample.
type lapPoint struct {
	sample int32
	damage float64
}

func readPoints(in stages.Input) (map[string][]lapPoint, error) {
	f, err := in.Get()
	if err != nil {
		return nil, err
	}
	samples, err := frame.Get[[]int64](f, "sample")
	if err != nil {
		return nil, err
	}
	out := map[string][]lapPoint{}
	i := 0
	err = eachBy(f, "lap", "damage", func(lap string, d float64) {
		out[lap] = append(out[lap], lapPoint{int32(samples[i]), d})
		i++
	})
	return out, err
}

// readBy reads a column of numbers by what stands in another, the lap say.
func readBy(in stages.Input, by, column string) (map[string]float64, error) {
	f, err := in.Get()
	if err != nil {
		return nil, err
	}
	out := make(map[string]float64, f.Rows())
	return out, eachBy(f, by, column, func(name string, v float64) { out[name] = v })
}

// eachBy goes through a column of numbers beside one of names.
func eachBy(f *frame.Frame, by, column string, row func(name string, v float64)) error {
	names, err := frame.Get[[]string](f, by)
	if err != nil {
		return err
	}
	v, err := frame.Get[[]float64](f, column)
	if err != nil {
		return err
	}
	for i, n := range names {
		row(n, v[i])
	}
	return nil
}
