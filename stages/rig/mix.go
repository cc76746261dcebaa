package rig

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize/convex/lp"
)

// Ingredient is a cut or a whole lap that a mix may hold.
type Ingredient struct {
	Name    string
	Seconds float64   // of a repeat, dwell included
	Damage  []float64 // of a repeat, by hot spot
}

// Mixture is the least time that gives every hot spot its damage.
type Mixture struct {
	Repeats []float64 // by ingredient, whole
	Hours   float64   // of these repeats
	Least   float64   // hours, before rounding
	Reached []float64 // damage over the wanted, by hot spot
}

// Infeasible says why no mix stays within the band.
type Infeasible struct {
	Band   float64  // the narrowest band with a mix
	Over   []string // hot spots that then take the most
	Under  []string // hot spots that force it
	Wanted float64  // the band asked for
}

// Error tells which hot spot breaks which bound.
func (e *Infeasible) Error() string {
	return fmt.Sprintf("mix laps: none stays within %.3g %%: where %s just takes its damage, %s takes %.3g %% more than its own; "+
		"set test: mix_band to %.3g %% or more, or give more --mix laps",
		100*e.Wanted, strings.Join(e.Under, ", "), strings.Join(e.Over, ", "), 100*e.Band, math.Ceil(1000*e.Band)/10)
}

// Mix finds the repeats that give every hot spot at least its wanted damage and at most
// that times 1+width, in the least time: a linear programme in the hours of each
// ingredient, solved by the simplex method. Repeats are then rounded up, by which the
// upper bound may be passed by less than one repeat of each.
func Mix(hotspots []string, ingredients []Ingredient, wanted []float64, width float64) (Mixture, error) {
	p := newProgramme(hotspots, ingredients, wanted)
	if err := p.check(); err != nil {
		return Mixture{}, err
	}
	hours, err := p.solve(width)
	if errors.Is(err, lp.ErrInfeasible) {
		return Mixture{}, p.explain(width)
	}
	if err != nil {
		return Mixture{}, fmt.Errorf("mix laps: %w; try other laps with --mix", err)
	}
	return p.mixture(ingredients, hours), nil
}

// programme has a row for each hot spot that has to take damage.
type programme struct {
	names  []string
	rates  [][]float64 // part of the wanted damage in an hour, by hot spot and ingredient
	hour   float64     // the unit of time: the shortest in which one ingredient does all of one spot's
	wanted []float64
	rows   []int
	all    int
}

func newProgramme(hotspots []string, ingredients []Ingredient, wanted []float64) *programme {
	p := &programme{wanted: wanted, all: len(hotspots)}
	top := 0.0
	for h, w := range wanted {
		if !(w > 0) {
			continue
		}
		row := make([]float64, len(ingredients))
		for j, i := range ingredients {
			row[j] = i.Damage[h] / w * 3600 / i.Seconds
			top = max(top, row[j])
		}
		p.names, p.rates, p.rows = append(p.names, hotspots[h]), append(p.rates, row), append(p.rows, h)
	}
	if p.hour = 1; top > 0 {
		p.hour = 1 / top
	}
	return p
}

func (p *programme) check() error {
	if len(p.rows) == 0 {
		return fmt.Errorf("mix laps: no hot spot takes damage in the season")
	}
	for h, row := range p.rates {
		if allZero(row) {
			return fmt.Errorf("mix laps: no lap damages hot spot %q; give others with --mix", p.names[h])
		}
	}
	return nil
}

func allZero(x []float64) bool {
	for _, v := range x {
		if v != 0 {
			return false
		}
	}
	return true
}

// tolerance of the simplex method, on rows whose right sides are about 1.
const tolerance = 1e-10

// solve finds the hours of each ingredient.
func (p *programme) solve(width float64) ([]float64, error) {
	n, m := len(p.rates[0]), len(p.rates)
	cost := make([]float64, n+2*m)
	for j := range n {
		cost[j] = 1
	}
	a, b := p.bounds(width, 0)
	return p.simplex(cost, a, b)
}

// bounds are the rows: each hot spot's least and most, with extra columns after them.
func (p *programme) bounds(width float64, extra int) (*mat.Dense, []float64) {
	n, m := len(p.rates[0]), len(p.rates)
	a := mat.NewDense(2*m, n+2*m+extra, nil)
	b := make([]float64, 2*m)
	for h, row := range p.rates {
		for j, v := range row {
			a.Set(2*h, j, v*p.hour)
			a.Set(2*h+1, j, v*p.hour)
		}
		a.Set(2*h, n+2*h, -1)
		a.Set(2*h+1, n+2*h+1, 1)
		b[2*h], b[2*h+1] = 1, 1+width
	}
	return a, b
}

// simplex solves for the programme's own time and returns hours; what a column of
// zeros stands for is left out of it.
func (p *programme) simplex(cost []float64, a *mat.Dense, b []float64) (x []float64, err error) {
	defer func() {
		if r := recover(); r != nil {
			err = fmt.Errorf("the simplex method failed: %v", r)
		}
	}()
	var keep []int
	rows, cols := a.Dims()
	for j := range cols {
		if mat.Norm(a.ColView(j), 1) > 0 {
			keep = append(keep, j)
		}
	}
	less := mat.NewDense(rows, len(keep), nil)
	c := make([]float64, len(keep))
	for k, j := range keep {
		less.SetCol(k, mat.Col(nil, j, a))
		c[k] = cost[j]
	}
	_, found, err := lp.Simplex(c, less, b, tolerance, nil)
	if err != nil {
		return nil, err
	}
	x = make([]float64, cols)
	for k, j := range keep {
		x[j] = max(0, found[k])
	}
	for j := range p.rates[0] {
		x[j] *= p.hour
	}
	return x, nil
}

// explain finds the narrowest band that has a mix, and the hot spots at its ends: the
// same programme with one more unknown, by which all upper bounds are raised, as its cost.
func (p *programme) explain(width float64) error {
	n, m := len(p.rates[0]), len(p.rates)
	a, b := p.bounds(0, 1)
	cost := make([]float64, n+2*m+1)
	cost[n+2*m] = 1
	for h := range m {
		a.Set(2*h+1, n+2*m, -1)
	}
	x, err := p.simplex(cost, a, b)
	if err != nil {
		return fmt.Errorf("mix laps: none stays within %.3g %%; give test: mix_band more", 100*width)
	}
	e := &Infeasible{Wanted: width, Band: x[n+2*m]}
	for h, row := range p.rates {
		reached := 0.0
		for j, v := range row {
			reached += v * x[j]
		}
		if reached > 1+e.Band-1e-6 {
			e.Over = append(e.Over, p.names[h])
		} else if reached < 1+1e-6 {
			e.Under = append(e.Under, p.names[h])
		}
	}
	return e
}

func (p *programme) mixture(ingredients []Ingredient, hours []float64) Mixture {
	m := Mixture{Repeats: make([]float64, len(ingredients)), Reached: make([]float64, p.all)}
	for j, i := range ingredients {
		m.Least += hours[j]
		exact := hours[j] * 3600 / i.Seconds
		m.Repeats[j] = math.Ceil(exact - 1e-9)
		m.Hours += m.Repeats[j] * i.Seconds / 3600
	}
	for h, w := range p.wanted {
		sum := 0.0
		for j, i := range ingredients {
			sum += m.Repeats[j] * i.Damage[h]
		}
		m.Reached[h] = sum / w
		if w == 0 {
			m.Reached[h] = math.NaN()
		}
	}
	return m
}
