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
		"Each lap’s damage per kilometre over the geometric mean of its circuit: 1 is an ordinary lap, 2 costs twice as much. " +
			"The large mark is the effect of the rider, setup or bike with circuits accounted for, with its 95 % interval; where that is not known, the laps’ median."}}
	for _, f := range factors {
		if len(s.distinct(f.column)) < 2 { // of nearly all seasons one of the three is the same in all laps
			continue
		}
		for n, h := range s.distinct("hotspot") {
			levels := levelsOf(s, overCircuit(s, s.where("scenario", base, "hotspot", h)), f.column)
			if len(levels) < 2 {
				continue
			}
			effects := p.effects(f.column, h)
			for k, together := range comparable(levels, effects) {
				title := f.plural
				if k > 0 {
					title += ", on other circuits: not comparable with those before"
				}
				out.Figures = append(out.Figures, draw(groupFigure(fmt.Sprintf("%s-%d-%d", f.column, n, k), h, title, together, effects), ""))
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
	type mean struct{ logs, n float64 }
	means := map[string]*mean{}
	for _, i := range rows {
		if v := s.num("damage_per_km", i); v > 0 && !math.IsInf(v, 0) {
			m := means[s.text("circuit", i)]
			if m == nil {
				m = &mean{}
				means[s.text("circuit", i)] = m
			}
			m.logs, m.n = m.logs+math.Log(v), m.n+1
		}
	}
	var out []lapRatio
	for _, i := range rows {
		if v := s.num("damage_per_km", i); v > 0 && !math.IsInf(v, 0) {
			m := means[s.text("circuit", i)]
			out = append(out, lapRatio{i, v / math.Exp(m.logs/m.n)})
		}
	}
	return out
}

// effect is a level's ratio with its interval; NaN = not known. Levels of one group can be compared.
type effect struct {
	ratio, low, high float64
	group            int
}

// comparable splits levels by the group in which they can be compared; a level of which no effect is known goes
// with the first.
func comparable(levels []level, effects map[string]effect) [][]level {
	var out [][]level
	at := map[int]int{}
	for _, l := range levels {
		e, known := effects[l.name]
		if _, seen := at[e.group]; known && !seen {
			at[e.group] = len(out)
			out = append(out, nil)
		}
	}
	if len(out) == 0 {
		return [][]level{levels}
	}
	for _, l := range levels {
		k := at[effects[l.name].group] // 0, the first, where there is none
		out[k] = append(out[k], l)
	}
	return out
}

// effects reads the base scenario's ratios at a hot spot from the table that compares by
// a factor.
func (p *Page) effects(factor, hotspot string) map[string]effect {
	s := p.sheet("compare_" + factor)
	out := map[string]effect{}
	for _, i := range s.where("scenario", base, "hotspot", hotspot) {
		if r := s.num("ratio", i); r > 0 {
			out[s.text(factor, i)] = effect{r, s.num("ratio_low", i), s.num("ratio_high", i), group(s.num("comparable_group", i))}
		}
	}
	return out
}

func group(v float64) int {
	if math.IsNaN(v) {
		return 0
	}
	return int(v)
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

func groupFigure(id, hotspot, what string, levels []level, effects map[string]effect) *figure.Figure {
	f := &figure.Figure{ID: id, Title: hotspot + ": " + what, Height: rowsHigh(len(levels)),
		X: figure.Axis{Label: "damage per km, ratio", Log: true}}
	laps, mid, known := &figure.Points{Name: "a lap", Small: true}, &figure.Intervals{Name: "median"}, &figure.Intervals{Name: "effect"}
	for n, l := range levels {
		row := float64(n)
		f.Y.Names = append(f.Y.Names, l.name)
		f.Y.Notes = append(f.Y.Notes, plural(len(l.ratios), "lap"))
		for k, r := range l.ratios {
			laps.X = append(laps.X, r)
			laps.Y = append(laps.Y, row+0.3*spread(k)) // so that laps of one value are told apart
		}
		if e, ok := effects[l.name]; ok {
			known.Row, known.Value, known.Low, known.High = append(known.Row, row), append(known.Value, e.ratio), append(known.Low, e.low), append(known.High, e.high)
		} else {
			mid.Row, mid.Value = append(mid.Row, row), append(mid.Value, median(l.ratios))
		}
	}
	f.Desc = fmt.Sprintf("Damage per kilometre at %s by %s, relative to each circuit’s geometric mean.", hotspot, what)
	f.Marks = []figure.Mark{&figure.Rule{At: 1}, laps}
	for _, m := range []*figure.Intervals{known, mid} {
		if len(m.Row) > 0 {
			f.Marks = append(f.Marks, m)
		}
	}
	return f
}

// spread is the k-th number of a sequence that fills -1..1 evenly (the fractional parts
// of multiples of the golden ratio).
func spread(k int) float64 {
	return 2*math.Mod(float64(k)*0.6180339887498949, 1) - 1
}

// compareGrid shows the effects of a factor.
func compareGrid(s sheet, factor string) *grid {
	g := &grid{ID: "compare-" + factor, Caption: "Effect of the " + factor, Filter: s.rows() > 12,
		Head: words(factor, "hot spot", "scenario", "laps#", "in the fit#", "circuits#", "ratio#", "low#", "high#", "p, adjusted#", "mean per km|1/km, raw#", "against"),
		Note: "Circuits are accounted for. Low and high bound the ratio at 95 %. p is adjusted for the number of comparisons; laps of one session are taken as independent."}
	g.pick("hot spot", "")
	g.pick("scenario", base)
	g.Filter = g.Filter || len(s.distinct("scenario")) > 1
	for _, i := range baseFirst(s, s.where()) {
		if note := s.text("note", i); note != "" {
			if line := s.text(factor, i) + ", " + s.text("hotspot", i) + ": " + note; !slices.Contains(g.Notes, line) {
				g.Notes = append(g.Notes, line)
			}
		}
		g.Rows = append(g.Rows, []cell{text(s.text(factor, i)), text(s.text("hotspot", i)), text(s.text("scenario", i)),
			count(s.num("laps", i)), count(s.num("laps_fitted", i)), count(s.num("circuits", i)), number(s.num("ratio", i)), number(s.num("ratio_low", i)), number(s.num("ratio_high", i)),
			number(s.num("p_holm", i)), number(s.num("damage_per_km_mean", i)), text(s.text("against", i))})
	}
	return g
}
