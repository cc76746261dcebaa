package damage

import (
	"fmt"

	"lapwear/stages/count"
	"lapwear/stages/frame"
)

// Figures are laps' rows under one another, without places and peaks: what tables, verdicts and accounts are made of.
type Figures struct {
	Laps    []string
	Missing []string // why a lap has no row; "" where it has one
	Rows    []Row
}

// OverlayFrame lays the places of laps, in the order of their numbers from 0, behind one another, a row a place.
func OverlayFrame(laps []Places) *frame.Frame {
	attrs, lap, n := count.NumberLaps(laps, func(p Places) int { return len(p.Damage) })
	first, damage := make([]int32, 0, n), make([]float64, 0, n)
	for _, p := range laps {
		first, damage = append(first, p.First...), append(damage, p.Damage...)
	}
	return frame.Must(attrs, lap, frame.Col("first", "", first), frame.Col("damage", "", damage))
}

// ReadOverlay returns the laps' places by their numbers, none where they are not known.
func ReadOverlay(f *frame.Frame) ([]Places, error) {
	all, err := ReadPlaces(f)
	if err != nil {
		return nil, err
	}
	laps, err := count.ByLap(f, func(from, to int) Places {
		return Places{First: all.First[from:to:to], Damage: all.Damage[from:to:to]}
	})
	if err != nil {
		return nil, fmt.Errorf("read places: %w", err)
	}
	return laps, nil
}

// Frame returns the frame that ReadFigures reads, a row a lap.
func (g Figures) Frame() *frame.Frame {
	n := len(g.Laps)
	cols := []frame.Column{frame.Col("lap", "", g.Laps), frame.Col("missing", "", g.Missing)}
	for _, field := range fields {
		v := make([]float64, n)
		for i := range g.Rows {
			v[i] = *field.at(&g.Rows[i])
		}
		cols = append(cols, frame.Col(field.name, field.unit, v))
	}
	notes := make([]string, n)
	for i := range g.Rows {
		notes[i] = g.Rows[i].SpectralNote
	}
	return frame.Must(nil, append(cols, frame.Col("spectral_note", "", notes))...)
}

// ReadFigures returns what Frame has written.
func ReadFigures(f *frame.Frame) (Figures, error) {
	var g Figures
	var notes []string
	for name, to := range map[string]*[]string{"lap": &g.Laps, "missing": &g.Missing, "spectral_note": &notes} {
		v, err := frame.Get[[]string](f, name)
		if err != nil {
			return g, fmt.Errorf("read figures: %w", err)
		}
		*to = v
	}
	g.Rows = make([]Row, len(g.Laps))
	for _, field := range fields {
		v, err := frame.Get[[]float64](f, field.name)
		if err != nil {
			return g, fmt.Errorf("read figures: %w", err)
		}
		for i := range g.Rows {
			*field.at(&g.Rows[i]) = v[i]
		}
	}
	for i := range g.Rows {
		g.Rows[i].SpectralNote = notes[i]
	}
	return g, nil
}

// AddMissing adds a lap without row.
func (g *Figures) AddMissing(lap, reason string) {
	g.Laps, g.Missing, g.Rows = append(g.Laps, lap), append(g.Missing, reason), append(g.Rows, Row{})
}

// Add adds a lap's frame.
func (g *Figures) Add(lap string, f *frame.Frame) error {
	r, err := ReadScalars(f)
	g.Laps, g.Missing, g.Rows = append(g.Laps, lap), append(g.Missing, ""), append(g.Rows, r)
	return err
}
