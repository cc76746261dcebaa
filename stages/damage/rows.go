package damage

import (
	"fmt"

	"lapwear/stages/frame"
)

// Figures are laps' rows under one another, without places and peaks: what tables, verdicts and accounts are made of.
type Figures struct {
	Laps    []string
	Missing []string // why a lap has no row; "" where it has one
	Rows    []Row
}

// Overlay is the places of laps, one lap's behind the other's.
type Overlay struct {
	lap    []int16 // number of the lap, from 0; rising
	first  []int32
	damage []float64
}

// NewOverlay lays the places of laps, in the order of their numbers, behind one another.
func NewOverlay(laps []Places) Overlay {
	n := 0
	for _, p := range laps {
		n += len(p.Damage)
	}
	o := Overlay{make([]int16, 0, n), make([]int32, 0, n), make([]float64, 0, n)}
	for k, p := range laps {
		for range p.Damage {
			o.lap = append(o.lap, int16(k))
		}
		o.first, o.damage = append(o.first, p.First...), append(o.damage, p.Damage...)
	}
	return o
}

// Laps returns the places of the first n laps by their numbers, none where they are not known.
func (o *Overlay) Laps(n int) []Places {
	laps := make([]Places, n)
	from := 0
	for k := range laps {
		to := from
		for to < len(o.lap) && int(o.lap[to]) == k {
			to++
		}
		laps[k] = Places{First: o.first[from:to:to], Damage: o.damage[from:to:to]}
		from = to
	}
	return laps
}

// Frame returns the frame that ReadOverlay reads, a row a place.
func (o *Overlay) Frame() *frame.Frame {
	return frame.Must(nil, frame.Col("lap", "", o.lap), frame.Col("first", "", o.first), frame.Col("damage", "", o.damage))
}

// ReadOverlay returns what Frame has written.
func ReadOverlay(f *frame.Frame) (o Overlay, err error) {
	if o.lap, err = frame.Get[[]int16](f, "lap"); err != nil {
		return o, fmt.Errorf("read places: %w", err)
	}
	p, err := ReadPlaces(f)
	o.first, o.damage = p.First, p.Damage
	return o, err
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
