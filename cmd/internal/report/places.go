package report

import (
	"fmt"
	"math"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"

	"lapwear/cmd/internal/report/figure"
)

// places shows where on the lap the damage is done.
func (p *Page) places() section {
	s := p.sheet("places")
	out := section{ID: "places", Title: "Where on the lap", Intro: []string{
		"Damage along the lap, the circuit’s laps laid over one another. Within a row, the higher and darker, the more; each row is drawn to its own greatest place. " +
			"At the right end stands the circuit’s share of the season."}}
	total := seasonDamage(p.sheet("season"))
	out.Figures = placeFigures(s, total)
	if len(out.Figures) == 0 {
		return section{}
	}
	out.Grids = []*grid{placeGrid(s, total)}
	return out
}

// seasonDamage returns the damage of the season of a scenario and hot spot, NaN where it is not known.
func seasonDamage(season sheet) func(scenario, hotspot string) float64 {
	spots := season.spots()
	return func(scenario, hotspot string) float64 {
		rows := spots[[2]string{scenario, hotspot}]
		if len(rows) == 0 {
			return math.NaN()
		}
		return season.num("season_damage", rows[0])
	}
}

// placeFigures draws the hot spots side by side, as far as there are processors.
func placeFigures(s sheet, total func(scenario, hotspot string) float64) []drawing {
	spots, rows := s.distinct("hotspot"), s.spots()
	out := make([]drawing, len(spots))
	var work errgroup.Group
	work.SetLimit(runtime.GOMAXPROCS(0))
	for n, h := range spots {
		if r := rows[[2]string{base, h}]; len(r) > 0 {
			work.Go(func() error {
				out[n] = draw(placeFigure(s, fmt.Sprintf("place-%d", n), h, lapsOver(s, r, total(base, h))), "")
				return nil
			})
		}
	}
	work.Wait()
	return slices.DeleteFunc(out, func(d drawing) bool { return d.SVG == "" })
}

// lapOver is a circuit's places.
type lapOver struct {
	circuit string
	rows    []int
	share   float64
}

// lapsOver are a hot spot's circuits, the one that costs most of the season's damage first.
func lapsOver(s sheet, rows []int, total float64) []*lapOver {
	var out []*lapOver
	at := map[string]*lapOver{}
	circuit, damage := s.texts("circuit"), s.nums("season_damage")
	for start, end := 0, 0; start < len(rows); start = end {
		name := circuit(rows[start])
		for end = start + 1; end < len(rows) && circuit(rows[end]) == name; { // a circuit's rows mostly stand together
			end++
		}
		o := at[name]
		if o == nil {
			o = &lapOver{circuit: name}
			at[name] = o
			out = append(out, o)
		}
		o.rows = append(o.rows, rows[start:end]...)
		for _, i := range rows[start:end] {
			if v := damage(i) / total; !math.IsNaN(v) {
				o.share += v
			}
		}
	}
	index := make([]int, len(out))
	for i := range index {
		index[i] = i
	}
	sorted := make([]*lapOver, len(out))
	for n, i := range descending(index, func(i int) float64 { return out[i].share }) {
		sorted[n] = out[i]
	}
	return sorted
}

// ends returns places' ends along the lap and their unit, the columns looked up once.
func ends(s sheet) func(i int) (from, to float64, unit string) {
	fromM, toM, fromS, toS := s.nums("from_m"), s.nums("to_m"), s.nums("from_s"), s.nums("to_s")
	return func(i int) (from, to float64, unit string) {
		if from = fromM(i); !math.IsNaN(from) {
			return from, toM(i), "m"
		}
		return fromS(i), toS(i), "s"
	}
}

func placeFigure(s sheet, id, hotspot string, over []*lapOver) *figure.Figure {
	along := ends(s)
	_, _, unit := along(over[0].rows[0])
	f := &figure.Figure{ID: id, Title: hotspot + ": damage along the lap", X: figure.Axis{Label: "distance into the lap", Unit: unit}}
	if unit == "s" {
		f.X.Label = "time into the lap"
	}
	f.Height = 50 + 26*float64(len(over))
	for n, o := range over {
		strip := &figure.Strip{Row: float64(n), Value: s.column("damage_per_lap_mean", o.rows), Edges: make([]float64, 1+len(o.rows))}
		strip.Edges[0], _, _ = along(o.rows[0])
		for k, i := range o.rows {
			_, strip.Edges[1+k], _ = along(i)
		}
		f.Y.Names, f.Y.Notes = append(f.Y.Names, o.circuit), append(f.Y.Notes, percentText(o.share))
		f.Marks = append(f.Marks, strip)
	}
	f.Desc = fmt.Sprintf("Where on the lap damage is done at %s, by circuit. The table below names the places that cost most.", hotspot)
	return f
}

func placeGrid(s sheet, total func(scenario, hotspot string) float64) *grid {
	g := &grid{ID: "place-table", Caption: "Places that cost most", Filter: true,
		Head: words("circuit", "hot spot", "scenario", "rank#", "from#", "to#", "along", "damage of a lap#", "at most#", "of the circuit#", "of the season#")}
	g.pick("hot spot", "")
	g.pick("scenario", base)
	along := ends(s)
	for _, i := range byScenario(s, ranked) {
		from, to, unit := along(i)
		g.Rows = append(g.Rows, []cell{text(s.text("circuit", i)), text(s.text("hotspot", i)), text(s.text("scenario", i)), count(s.num("rank", i)),
			count(from), count(to), text(unit), number(s.num("damage_per_lap_mean", i)), number(s.num("damage_per_lap_max", i)),
			percent(s.num("share_of_circuit", i)), percent(s.num("season_damage", i) / total(s.text("scenario", i), s.text("hotspot", i)))})
	}
	return g
}

// ranked keeps the rows that have a rank, in its order.
func ranked(s sheet, rows []int) []int {
	rank := s.nums("rank")
	rows = slices.DeleteFunc(rows, func(i int) bool { return !(rank(i) > 0) })
	return descending(rows, func(i int) float64 { return -rank(i) })
}
