package damage

import (
	"fmt"
	"slices"

	"lapwear/stages/count"
	"lapwear/stages/frame"
)

// Figures are laps' rows under one another, without places and peaks: what tables, verdicts and accounts are made of.
type Figures struct {
	Laps    []string
	Missing []string // why a lap has no row; "" where it has one
	Rows    []Row
}

// OverlayFrame lays the places of laps, in the order of their numbers from 0, behind one another, a row a place. rows are the laps'; where
// their places are along time and their rate is one, that is stated instead of each place's first sample.
func OverlayFrame(laps []Places, rows []Row) *frame.Frame {
	attr, n := count.NumberLaps(laps, func(p Places) int { return len(p.Damage) })
	damage := make([]float64, 0, n)
	for _, p := range laps {
		damage = append(damage, p.Damage...)
	}
	if rate, ok := timed(laps, rows); ok {
		return frame.Must([]frame.Attr{attr, frame.Num("rate_hz", "Hz", rate)}, frame.Col("damage", "", damage))
	}
	first := make([]int32, 0, n)
	for _, p := range laps {
		first = append(first, p.First...)
	}
	return frame.Must([]frame.Attr{attr}, frame.Col("first", "", first), frame.Col("damage", "", damage))
}

// timed returns the rate at which the places of all laps are along time, if there is one.
func timed(laps []Places, rows []Row) (rate float64, ok bool) {
	var first []int32
	for k, p := range laps {
		switch {
		case len(p.First) == 0:
			continue
		case !ok:
			rate, ok = rows[k].Rate, true
		}
		if first = alongTime(first, rate, len(p.First)); rows[k].Rate != rate || !slices.Equal(p.First, first[:len(p.First)]) {
			return 0, false
		}
	}
	return rate, ok
}

// ReadOverlay returns the laps' places by their numbers, none where they are not known.
func ReadOverlay(f *frame.Frame) ([]Places, error) {
	damage, err := frame.Get[[]float64](f, "damage")
	if err != nil {
		return nil, err
	}
	var first []int32
	rate, timed := f.Number("rate_hz")
	if !timed {
		if first, err = frame.Get[[]int32](f, "first"); err != nil {
			return nil, err
		}
	}
	laps, err := count.ByLap(f, func(from, to int) Places {
		p := Places{Damage: damage[from:to:to]}
		if timed {
			first = alongTime(first, rate, to-from)
			p.First = first[: to-from : to-from]
		} else {
			p.First = first[from:to:to]
		}
		return p
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
