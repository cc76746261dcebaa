package report

import (
	"fmt"
	"math"
	"slices"

	"lapwear/cmd/internal/report/figure"
)

// places shows where on the lap the damage is done.
func (p *Page) places() section {
	s := p.sheet("places")
	out := section{ID: "places", Title: "Where on the lap", Intro: []string{
		"Damage along the lap, the circuit’s laps laid over one another. Within a row, the higher and darker, the more; each row is drawn to its own greatest place. " +
			"At the right end stands the circuit’s share of the season."}}
	of, total := s.spots(), seasonDamage(p.sheet("season"))
	out.Figures = placeFigures(s, of, total)
	if len(out.Figures) == 0 {
		return section{}
	}
	out.Grids = []*grid{placeGrid(s, of, total)}
	return out
}

// seasonDamage returns the damage of the season of a scenario and hot spot, NaN where it is not known.
func seasonDamage(season sheet) func(scenario, hotspot string) float64 {
	of := season.spots()
	return func(scenario, hotspot string) float64 {
		rows := of.rows[[2]string{scenario, hotspot}]
		if len(rows) == 0 {
			return math.NaN()
		}
		return season.num("season_damage", rows[0].from)
	}
}

func placeFigures(s sheet, of spots, total func(scenario, hotspot string) float64) []drawing {
	var out []drawing
	for n, h := range of.hotspots {
		if r := of.rows[[2]string{base, h}]; len(r) > 0 {
			out = append(out, drawing{Figure: placeFigure(s, fmt.Sprintf("place-%d", n), h, lapsOver(s, r, total(base, h)))})
		}
	}
	return out
}

// lapOver is a circuit's places.
type lapOver struct {
	circuit string
	rows    []stretch
	share   float64
}

// lapsOver are a hot spot's circuits, the one that costs most of the season's damage first.
func lapsOver(s sheet, rows []stretch, total float64) []*lapOver {
	var out []*lapOver
	at := map[string]*lapOver{}
	circuit, damage := s.runs("circuit"), s.numbers("season_damage")
	for _, r := range rows {
		for start, end := r.from, 0; start < r.to; start = end {
			var name string
			name, end = circuit(start)
			end = min(end, r.to)
			o := at[name]
			if o == nil {
				o = &lapOver{circuit: name}
				at[name] = o
				out = append(out, o)
			}
			o.rows = append(o.rows, stretch{start, end})
			for i := start; i < end; i++ {
				if v := damage.at(i) / total; !math.IsNaN(v) {
					o.share += v
				}
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
	fromM, toM, fromS, toS := s.numbers("from_m"), s.numbers("to_m"), s.numbers("from_s"), s.numbers("to_s")
	return func(i int) (from, to float64, unit string) {
		if from = fromM.at(i); !math.IsNaN(from) {
			return from, toM.at(i), "m"
		}
		return fromS.at(i), toS.at(i), "s"
	}
}

func placeFigure(s sheet, id, hotspot string, over []*lapOver) *figure.Figure {
	along := ends(s)
	_, _, unit := along(over[0].rows[0].from)
	f := &figure.Figure{ID: id, Title: hotspot + ": damage along the lap", X: figure.Axis{Label: "distance into the lap", Unit: unit}}
	if unit == "s" {
		f.X.Label = "time into the lap"
	}
	f.Height = 50 + 26*float64(len(over))
	for n, o := range over {
		from, to := bins(s, along, o.rows)
		f.Y.Names, f.Y.Notes = append(f.Y.Names, o.circuit), append(f.Y.Notes, percentText(o.share))
		f.Marks = append(f.Marks, &figure.Strip{Row: float64(n), Value: s.shared("damage_per_lap_mean", o.rows), From: from, To: to})
	}
	f.Desc = fmt.Sprintf("Where on the lap damage is done at %s, by circuit. The table below names the places that cost most.", hotspot)
	return f
}

// bins are where the first of some places begins and where each ends, to be read alone.
func bins(s sheet, along func(int) (from, to float64, unit string), rows []stretch) (from float64, to []float64) {
	from, _, unit := along(rows[0].from)
	if metres := s.numbers("from_m"); !slices.ContainsFunc(rows, func(r stretch) bool { return metres.mixed(r, unit == "m") }) {
		return from, s.shared("to_"+unit, rows)
	}
	for _, i := range list(rows) {
		_, end, _ := along(i)
		to = append(to, end)
	}
	return from, to
}

// mixed tells whether a number of a stretch is not known where the others are, or the other way round.
func (n numbers) mixed(rows stretch, known bool) bool {
	for i := rows.from; i < rows.to; i++ {
		if math.IsNaN(n.at(i)) == known {
			return true
		}
	}
	return false
}

func placeGrid(s sheet, of spots, total func(scenario, hotspot string) float64) *grid {
	g := &grid{ID: "place-table", Caption: "Places that cost most", Filter: true,
		Head: words("circuit", "hot spot", "scenario", "rank#", "from#", "to#", "along", "damage of a lap#", "at most#", "of the circuit#", "of the season#")}
	g.pick("hot spot", "")
	g.pick("scenario", base)
	circuit, hotspot, scenario, along := s.texts("circuit"), s.texts("hotspot"), s.texts("scenario"), ends(s)
	rank, mean, most, share, damage := s.numbers("rank"), s.numbers("damage_per_lap_mean"), s.numbers("damage_per_lap_max"), s.numbers("share_of_circuit"), s.numbers("season_damage")
	for _, i := range byScenario(s, of, ranked) {
		from, to, unit := along(i)
		g.Rows = append(g.Rows, []cell{text(circuit(i)), text(hotspot(i)), text(scenario(i)), count(rank.at(i)),
			count(from), count(to), text(unit), number(mean.at(i)), number(most.at(i)),
			percent(share.at(i)), percent(damage.at(i) / total(scenario(i), hotspot(i)))})
	}
	return g
}

// ranked keeps the rows that have a rank, in its order.
func ranked(s sheet, rows []stretch) []int {
	rank := s.numbers("rank")
	var out []int
	for _, r := range rows {
		for i := r.from; i < r.to; i++ {
			if rank.at(i) > 0 {
				out = append(out, i)
			}
		}
	}
	return descending(out, func(i int) float64 { return -rank.at(i) })
}
