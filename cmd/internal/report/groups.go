package report

import (
	"fmt"
	"math"
	"slices"

	"lapwear/cmd/internal/report/figure"
)

// factors are what laps are grouped by.
var factors = []struct{ column, plural string }{{"rider", "riders"}, {"setup", "setups"}, {"bike", "bikes"}}

// groups compares riders, setups and bikes.
func (p *Page) groups() section {
	s := p.sheet("laps")
	out := section{ID: "groups", Title: "Riders and setups", Intro: []string{
		"Each lap’s damage per kilometre over the mean of its circuit: 1 is an ordinary lap, 2 costs twice as much. The large mark is the median.",
		"These are plain figures: who rode which setup, and when, is not taken apart. “lapwear compare” does that and gives intervals."}}
	for _, f := range factors {
		for n, h := range s.distinct("hotspot") {
			levels := levelsOf(s, overCircuit(s, s.where("scenario", base, "hotspot", h)), f.column)
			if len(levels) > 1 {
				out.Figures = append(out.Figures, draw(groupFigure(fmt.Sprintf("%s-%d", f.column, n), h, f.plural, levels), ""))
			}
		}
	}
	for _, f := range append(slices.Clone(factors), struct{ column, plural string }{"session", "sessions"}) {
		if g := compareGrid(p.sheet("compare_"+f.column), f.column); len(g.Rows) > 0 {
			out.Grids = append(out.Grids, g)
		}
	}
	if len(out.Figures) == 0 && len(out.Grids) == 0 {
		return section{}
	}
	return out
}

// lapRatio is a lap's damage per kilometre over the mean of its circuit.
type lapRatio struct {
	row   int
	ratio float64
}

func overCircuit(s sheet, rows []int) []lapRatio {
	type mean struct{ sum, n float64 }
	means := map[string]*mean{}
	for _, i := range rows {
		if v := s.num("damage_per_km", i); !math.IsNaN(v) && !math.IsInf(v, 0) {
			m := means[s.text("circuit", i)]
			if m == nil {
				m = &mean{}
				means[s.text("circuit", i)] = m
			}
			m.sum, m.n = m.sum+v, m.n+1
		}
	}
	var out []lapRatio
	for _, i := range rows {
		m := means[s.text("circuit", i)]
		if v := s.num("damage_per_km", i); m != nil && m.sum > 0 && !math.IsNaN(v) && !math.IsInf(v, 0) {
			out = append(out, lapRatio{i, v / (m.sum / m.n)})
		}
	}
	return out
}

// level is a rider, a setup or a bike with its laps.
type level struct {
	name   string
	ratios []float64
}

func levelsOf(s sheet, ratios []lapRatio, column string) []level {
	var out []level
	for _, r := range ratios {
		name := s.text(column, r.row)
		if name == "" {
			continue
		}
		i := slices.IndexFunc(out, func(l level) bool { return l.name == name })
		if i < 0 {
			i = len(out)
			out = append(out, level{name: name})
		}
		out[i].ratios = append(out[i].ratios, r.ratio)
	}
	slices.SortStableFunc(out, func(a, b level) int { return compareFloat(median(b.ratios), median(a.ratios)) })
	if len(out) > levelsMost {
		out = out[:levelsMost]
	}
	return out
}

// levelsMost is how many riders, setups or bikes a figure shows: the hardest.
const levelsMost = 20

func compareFloat(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func median(v []float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	if n := len(s); n%2 == 0 {
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[len(s)/2]
}

func groupFigure(id, hotspot, what string, levels []level) *figure.Figure {
	f := &figure.Figure{ID: id, Title: hotspot + ": " + what, Height: rowsHigh(len(levels)),
		X: figure.Axis{Label: "damage per km over the circuit’s mean", Log: true}}
	laps, mid := &figure.Points{Name: "a lap", Small: true}, &figure.Intervals{Name: "median"}
	for n, l := range levels {
		f.Y.Names = append(f.Y.Names, l.name)
		f.Y.Notes = append(f.Y.Notes, plural(len(l.ratios), "lap"))
		mid.Row, mid.Value = append(mid.Row, float64(n)), append(mid.Value, median(l.ratios))
		for k, r := range l.ratios {
			laps.X = append(laps.X, r)
			laps.Y = append(laps.Y, float64(n)+0.3*spread(k)) // so that laps of one value are told apart
		}
	}
	f.Desc = fmt.Sprintf("Damage per kilometre at %s by %s, relative to each circuit’s mean.", hotspot, what)
	f.Marks = []figure.Mark{&figure.Rule{At: 1}, laps, mid}
	return f
}

// spread is the k-th number of a sequence that fills -1..1 evenly (the fractional parts
// of multiples of the golden ratio).
func spread(k int) float64 {
	return 2*math.Mod(float64(k)*0.6180339887498949, 1) - 1
}

// compareGrid shows a table of effects as it stands.
func compareGrid(s sheet, factor string) *grid {
	g := &grid{ID: "compare-" + factor, Caption: "Effect of " + factor + ", circuits accounted for", Filter: s.rows() > 12}
	if s.rows() == 0 {
		return g
	}
	for _, c := range s.f.Columns() {
		g.Head = append(g.Head, head{Text: c.Name, Unit: c.Unit, Num: isNumber(c.Kind())})
	}
	for i := range s.rows() {
		var r []cell
		for k, c := range s.f.Columns() {
			if g.Head[k].Num {
				r = append(r, number(s.num(c.Name, i)))
			} else {
				r = append(r, text(s.text(c.Name, i)))
			}
		}
		g.Rows = append(g.Rows, r)
	}
	return g
}
