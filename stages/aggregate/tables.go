// Package aggregate is the stage that draws the season together: it weighs laps
// with the calendar (Account), judges the laps (Verdicts) and lays out the tables
// (Laps, Concat, Calibration, Quality, PlacesTable), each a stage of the name "aggregate".
//
// A table is a frame whose columns are those of the published tables, with units in
// the column names, in an order that depends on the season file alone.
package aggregate

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// Name is the name of every stage of this package.
const Name = "aggregate"

// Revision is raised whenever equal inputs may give other bytes than before.
const Revision = 6

// Output is the name of a table's single output.
const Output = "table"

// tableAlone is the outputs of stages that have no other.
var tableAlone = []string{Output}

// Concat lays frames with equal columns one under another, in the order of inputs;
// those that are missing are passed over.
type Concat struct{ Table string }

// Name returns "aggregate".
func (Concat) Name() string { return Name }

// Revision returns the package's Revision.
func (Concat) Revision() int { return Revision }

// Outputs names the table.
func (Concat) Outputs() []string { return tableAlone }

// AddTo adds the parameters to a key.
func (c Concat) AddTo(h *key.Hasher) { h.String("table", c.Table) }

// Run joins the inputs.
func (c Concat) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	var frames []*frame.Frame
	for _, i := range in.Frames {
		if i.Missing != "" {
			continue
		}
		f, err := i.Get()
		if err != nil {
			return nil, err
		}
		frames = append(frames, f)
	}
	if len(frames) == 0 {
		return nil, nothingToShow(c.Table)
	}
	f, err := frame.Stack(frames...)
	if err != nil {
		return nil, fmt.Errorf("lay out table %s: %w", c.Table, err)
	}
	return []stages.Output{{Name: Output, Frame: f}}, nil
}

// nothingToShow refuses a table none of whose parts is there.
func nothingToShow(table string) error {
	return stages.Refuse("table %s: there is nothing to show; every part of it failed", table)
}

// ManifestLap is a lap as the manifest has it.
type ManifestLap struct {
	ID, File, Circuit, Event, Session, Rider, Bike, Setup, Lap, Use, Accept string

	DistanceKm, StartS, EndS float64 // NaN = not given
}

// Group is a hot spot under a scenario, for the table laps.
type Group struct {
	Scenario, Hotspot, Material, Channel string
}

// Laps lays out a scenario's part of the table laps: by hot spot, then in driven
// order. Laps that were set aside, here by the input AsideInput, have no row; the table
// quality names them. The input FlagsInput has the verdicts' flags.
type Laps struct {
	Laps   []ManifestLap
	Km     []float64 // of each lap, for damage per km; NaN = not known
	Groups []Group
}

// BetweenLabel is the label of a hot spot's parts of the damage between laps.
func BetweenLabel(hotspot string) string { return "between/" + hotspot }

// Name returns "aggregate".
func (Laps) Name() string { return Name }

// Revision returns the package's Revision.
func (Laps) Revision() int { return Revision }

// Outputs names the table.
func (Laps) Outputs() []string { return tableAlone }

// AddTo adds the parameters to a key.
func (t Laps) AddTo(h *key.Hasher) {
	h.String("table", "laps")
	for i, l := range t.Laps {
		h.Float("lap."+l.ID+".km", t.Km[i])
		h.String("lap."+l.ID, strings.Join([]string{l.File, l.Circuit, l.Event, l.Session, l.Rider, l.Bike, l.Setup, l.Lap, l.Use, l.Accept}, "\x00"))
		h.Float("lap."+l.ID+".distance_km", l.DistanceKm)
		h.Float("lap."+l.ID+".start_s", l.StartS)
		h.Float("lap."+l.ID+".end_s", l.EndS)
	}
	for _, g := range t.Groups {
		h.String("scenario", g.Scenario)
		h.String("hotspot", g.Hotspot)
		h.String("material", g.Material)
		h.String("channel", g.Channel)
	}
}

// outsideShare is the share of the damage from stress ratios outside the tested ones
// from which on a lap is flagged.
const outsideShare = 0.05

// lapRow is a row of the table laps.
type lapRow struct {
	*ManifestLap
	group   *Group
	km      float64
	between float64 // the lap's part of the damage between laps; NaN where there is no account
	found   []Flag

	accepted bool // its calibration fails its gate and is accepted
	damage.Row
}

// Run lays out the table.
func (t Laps) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	inputs := in.ByLabel()
	aside, err := readAside(in)
	if err != nil {
		return nil, err
	}
	found, err := readFlags(in)
	if err != nil {
		return nil, err
	}
	rows := make([]lapRow, 0, len(t.Groups)*len(t.Laps))
	for gi := range t.Groups {
		if rows, err = t.addGroup(rows, &t.Groups[gi], inputs, aside, found); err != nil {
			return nil, err
		}
	}
	return []stages.Output{{Name: Output, Frame: lapsFrame(rows)}}, nil
}

// addGroup adds a row for each usable lap at a hot spot.
func (t Laps) addGroup(rows []lapRow, g *Group, inputs map[string]stages.Input, aside map[string]string, found map[string][]Flag) ([]lapRow, error) {
	between, err := readBetween(inputs[BetweenLabel(g.Hotspot)])
	if err != nil {
		return nil, err
	}
	accepted, err := readAccepted(inputs[TransferLabel(g.Hotspot)])
	if err != nil {
		return nil, err
	}
	figures, err := readSpotFigures(inputs[FiguresLabel(g.Hotspot)])
	if err != nil {
		return nil, err
	}
	for i := range t.Laps {
		l := &t.Laps[i]
		row, missing, err := figures.of(l.ID)
		if err != nil {
			return nil, err
		}
		if _, out := aside[l.ID]; out || missing != "" {
			continue
		}
		r := lapRow{ManifestLap: l, group: g, km: t.Km[i], between: math.NaN(), found: found[l.ID], accepted: accepted, Row: row}
		if v, ok := between[l.ID]; ok {
			r.between = v
		}
		rows = append(rows, r)
	}
	return rows, nil
}

// readBetween reads each lap's part of the damage between laps; nil when the account
// failed.
func readBetween(in stages.Input) (map[string]float64, error) {
	if in.Missing != "" || in.Label == "" {
		return nil, nil
	}
	return readBy(in, "lap", "damage")
}

func lapsFrame(rows []lapRow) *frame.Frame {
	t := layout[lapRow]{rows: rows}
	t.text("lap_id", func(r *lapRow) string { return r.ID })
	t.text("file", func(r *lapRow) string { return r.File })
	t.text("circuit", func(r *lapRow) string { return r.Circuit })
	t.text("event", func(r *lapRow) string { return r.Event })
	t.text("session", func(r *lapRow) string { return r.Session })
	t.text("rider", func(r *lapRow) string { return r.Rider })
	t.text("bike", func(r *lapRow) string { return r.Bike })
	t.text("setup", func(r *lapRow) string { return r.Setup })
	t.text("lap", func(r *lapRow) string { return r.Lap })
	t.number("distance_km", "km", func(r *lapRow) float64 { return r.DistanceKm })
	t.number("start_s", "s", func(r *lapRow) float64 { return r.StartS })
	t.number("end_s", "s", func(r *lapRow) float64 { return r.EndS })
	t.text("use", func(r *lapRow) string { return r.Use })
	t.text("scenario", func(r *lapRow) string { return r.group.Scenario })
	t.text("hotspot", func(r *lapRow) string { return r.group.Hotspot })
	t.text("material", func(r *lapRow) string { return r.group.Material })
	t.text("channel", func(r *lapRow) string { return r.group.Channel })
	t.number("gain_mpa_per_unit", "MPa", func(r *lapRow) float64 { return r.Gain })
	t.count("samples", func(r *lapRow) int64 { return int64(r.Samples) })
	t.number("duration_s", "s", func(r *lapRow) float64 { return r.Duration })
	t.number("cycles", "", func(r *lapRow) float64 { return r.Cycles })
	t.number("max_amplitude_mpa", "MPa", func(r *lapRow) float64 { return r.MaxAmplitude })
	t.number("max_stress_mpa", "MPa", func(r *lapRow) float64 { return r.MaxStress })
	t.number("damage", "", func(r *lapRow) float64 { return r.Damage })
	t.number("damage_per_km", "1/km", func(r *lapRow) float64 { return r.Damage / r.km })
	t.number("damage_per_s", "1/s", func(r *lapRow) float64 { return r.Damage / r.Duration })
	t.number("equivalent_amplitude_mpa", "MPa", func(r *lapRow) float64 { return r.EquivalentAmplitude })
	t.number("largest_share", "", func(r *lapRow) float64 { return r.LargestShare })
	t.number("between_laps_damage", "", func(r *lapRow) float64 { return r.between })
	t.number("rainflow_over_narrow_band", "", func(r *lapRow) float64 { return r.NarrowBand })
	t.number("rainflow_over_dirlik", "", func(r *lapRow) float64 { return r.Dirlik })
	t.text("spectral_note", func(r *lapRow) string { return r.SpectralNote })
	t.text("accept", func(r *lapRow) string { return r.Accept })
	t.text("flags", flags)
	return t.frame()
}

// follows tells whether the stress comes from a channel, be it one of several.
func (g *Group) follows(channel string) bool {
	return g.Channel == channel || slices.Contains(strings.Split(g.Channel, "+"), channel)
}

// flags names what a careful reader of the row should know, separated by ";".
func flags(r *lapRow) string {
	var f []string
	if r.OverUltimate > 0 {
		f = append(f, OverUltimate)
	}
	for _, x := range r.found {
		here := (x.Channel == "" || r.group.follows(x.Channel)) && (x.Hotspot == "" || x.Hotspot == r.group.Hotspot)
		if name := x.name(); here && !slices.Contains(f, name) {
			f = append(f, name)
		}
	}
	if r.accepted {
		f = append(f, AcceptedCalibration)
	}
	if r.OutsideShare > outsideShare {
		f = append(f, "outside_tested_ratio")
	}
	return strings.Join(f, ";")
}
