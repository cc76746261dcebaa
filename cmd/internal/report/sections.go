package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"lapwear/cmd/internal/report/figure"
)

// rowHigh is the height of a row of names in a figure.
const rowHigh = 19

func rowsHigh(n int) float64 { return 50 + rowHigh*float64(n) }

// Columns of a circuit's damage of a lap, what happens between laps included: the one by which
// circuits are ranked, wherever they are shown.
const lapMean, lapLow, lapHigh = "damage_per_lap_with_between_mean", "damage_per_lap_with_between_low", "damage_per_lap_with_between_high"

// bySeverity orders rows of one hot spot and scenario by the rank that the table gives them,
// circuits of which nothing is recorded last.
func bySeverity(s sheet, rows []int) []int {
	return descending(rows, func(i int) float64 {
		if v := s.num("severity", i); v > 0 {
			return -v
		}
		return math.NaN()
	})
}

// circuits shows what a lap of each circuit costs.
func (p *Page) circuits() section {
	s := p.sheet("circuits")
	if s.rows() == 0 {
		return section{}
	}
	out := section{ID: "circuits", Title: "Circuits by severity", Intro: []string{
		"What one lap takes from the part's life (1 is all of it), what happens between laps included: the mean over the recorded laps with its 95 % interval, the hardest circuit first. " +
			"At the right end of each row stands the circuit's share of the season."}}
	for n, h := range s.distinct("hotspot") {
		rows := bySeverity(s, s.where("scenario", base, "hotspot", h))
		if len(rows) > 0 {
			out.Figures = append(out.Figures, draw(circuitFigure(s, fmt.Sprintf("circuit-%d", n), h, rows), ""))
		}
	}
	out.Grids = []*grid{circuitGrid(s)}
	return out
}

func circuitFigure(s sheet, id, hotspot string, rows []int) *figure.Figure {
	f := &figure.Figure{ID: id, Title: hotspot + ": damage of a lap", Height: rowsHigh(len(rows)),
		X: figure.Axis{Label: "damage of a lap", Log: true}}
	dots := &figure.Intervals{Value: s.column(lapMean, rows), Low: s.column(lapLow, rows), High: s.column(lapHigh, rows)}
	for n, i := range rows {
		f.Y.Names = append(f.Y.Names, s.text("circuit", i))
		f.Y.Notes = append(f.Y.Notes, percentText(s.num("share", i)))
		dots.Row = append(dots.Row, float64(n))
	}
	f.Desc = fmt.Sprintf("Damage of a lap at %s by circuit, hardest first: %s. The table below has the values.", hotspot, strings.Join(f.Y.Names, ", "))
	f.Marks = []figure.Mark{dots}
	return f
}

func circuitGrid(s sheet) *grid {
	g := &grid{ID: "circuit-table", Caption: "Circuits", Filter: true,
		Head: words("circuit", "severity#", "damage of a lap#", "low#", "high#", "share#", "season damage#", "laps recorded#", "laps planned#", "flags",
			"hot spot", "scenario", "of it between laps#", "per km|1/km#", "recorded|km#", "planned|km#", "basis", "lap nearest the mean", "worst lap"),
		Note: "Severity ranks the recorded circuits by the damage of a lap, what happens between laps included. Low and high bound its mean at 95 %. " +
			"Per km is without damage between laps. Basis fleet: the mean of the recorded circuits stands in, and the interval is that of one circuit more like them."}
	g.pick("hot spot", "")
	g.pick("scenario", base)
	for _, i := range byScenario(s, bySeverity) {
		recorded := count(s.num("laps_recorded", i))
		if strings.Contains(s.text("flags", i), "few_laps") {
			recorded.Kind = "watch"
		}
		severity := count(s.num("severity", i))
		if s.num("severity", i) == 0 {
			severity = number(math.NaN())
		}
		g.Rows = append(g.Rows, []cell{text(s.text("circuit", i)), severity, number(s.num(lapMean, i)), number(s.num(lapLow, i)), number(s.num(lapHigh, i)),
			percent(s.num("share", i)), number(s.num("season_damage", i)), recorded, count(s.num("laps_planned", i)), {Text: s.text("flags", i), Kind: "watch"},
			text(s.text("hotspot", i)), text(s.text("scenario", i)), number(s.num("between_laps_damage_per_lap", i)), number(s.num("damage_per_km_mean", i)),
			number(s.num("km_recorded", i)), number(s.num("km_planned", i)), text(s.text("basis", i)), text(s.text("lap_nearest_mean", i)), text(s.text("lap_worst", i))})
	}
	return g
}

// byScenario lists rows by scenario, the base first, then by hot spot, then as sorted.
func byScenario(s sheet, sorted func(s sheet, rows []int) []int) []int {
	var out []int
	rows := s.spots()
	for _, c := range s.distinct("scenario") {
		for _, h := range s.distinct("hotspot") {
			out = append(out, sorted(s, rows[[2]string{c, h}])...)
		}
	}
	return baseFirst(s, out)
}

// baseFirst puts the rows of the base scenario before the others.
func baseFirst(s sheet, rows []int) []int {
	out := slices.Clone(rows)
	slices.SortStableFunc(out, func(a, b int) int {
		x, y := s.text("scenario", a) != base, s.text("scenario", b) != base
		switch {
		case x == y:
			return 0
		case y:
			return -1
		}
		return 1
	})
	return out
}

// scenarios sets the scenarios side by side.
func (p *Page) scenarios() section {
	s := p.sheet("season")
	if len(s.distinct("scenario")) < 2 {
		return section{}
	}
	out := section{ID: "scenarios", Title: "Scenarios side by side", Intro: []string{
		"The season with some values replaced. The dotted line is the life factor wanted; what stands left of it falls short."}}
	for n, h := range s.distinct("hotspot") {
		out.Figures = append(out.Figures, draw(scenarioFigure(s, fmt.Sprintf("scenario-%d", n), h, s.where("hotspot", h)), ""))
	}
	g := &grid{ID: "scenario-table", Caption: "Scenarios", Filter: true,
		Head: words("scenario", "hot spot", "verdict", "life factor#", "wanted#", "stress reserve#", "fails in time#", "wall|of today’s#", "mass|of today’s#",
			"season damage#", "low#", "high#", "life|seasons#", "reserve is to", "material")}
	g.pick("hot spot", "")
	bought := false
	for i := range s.rows() {
		g.Rows = append(g.Rows, []cell{text(s.text("scenario", i)), text(s.text("hotspot", i)), holdsCell(s, i),
			number(s.num("life_factor", i)), number(s.num("target_life_factor", i)), number(s.num("stress_reserve", i)), percent(s.num("failure_probability", i)),
			number(s.num("allowed_thickness_ratio", i)), number(s.num("mass_ratio", i)),
			number(s.num("season_damage", i)), number(s.num("season_damage_low", i)), number(s.num("season_damage_high", i)), number(s.num("life_seasons", i)),
			text(s.text("reserve_limit", i)), text(s.text("material", i))})
		bought = bought || s.num("allowed_thickness_ratio", i) > 0
	}
	if bought {
		g.Note = thinnerWall
	}
	out.Grids = []*grid{g}
	return out
}

func holdsCell(s sheet, i int) cell {
	if holds(s, i) {
		return cell{Text: "✓ holds", Kind: "good"}
	}
	return cell{Text: "✗ too short", Kind: "bad"}
}

func scenarioFigure(s sheet, id, hotspot string, rows []int) *figure.Figure {
	f := &figure.Figure{ID: id, Title: hotspot + ": life factor", Height: rowsHigh(len(rows)), X: figure.Axis{Label: "life factor", Log: true}}
	good, short := &figure.Intervals{Name: "holds"}, &figure.Intervals{Name: "too short"}
	for n, i := range rows {
		f.Y.Names = append(f.Y.Names, s.text("scenario", i))
		f.Y.Notes = append(f.Y.Notes, figure.Number(s.num("life_factor", i)))
		to := short
		if holds(s, i) {
			to = good
		}
		to.Row, to.Value = append(to.Row, float64(n)), append(to.Value, s.num("life_factor", i))
	}
	f.Desc = fmt.Sprintf("Life factor of %s under each scenario; the table below has the values.", hotspot)
	f.Marks = []figure.Mark{&figure.Rule{Name: "wanted", At: s.num("target_life_factor", rows[0])}, good, short}
	return f
}

// quality names the laps that are not used and what was found in others.
func (p *Page) quality() section {
	q := p.sheet("quality")
	out := section{ID: "quality", Title: "Quality and laps set aside"}
	used := p.Total - len(p.SetAside)
	out.Intro = []string{fmt.Sprintf("%d of %s used, %d set aside.", used, plural(p.Total, "lap"), len(p.SetAside))}
	if len(p.SetAside) > 0 {
		g := &grid{ID: "aside-table", Caption: "Set aside", Filter: len(p.SetAside) > 12, Head: words("lap", "reason")}
		for _, a := range p.SetAside {
			g.Rows = append(g.Rows, []cell{text(a.Lap), text(a.Reason)})
		}
		out.Grids = append(out.Grids, g)
	}
	if q.rows() > 0 {
		g := findingGrid(q)
		g.bulk("the table quality")
		out.Grids = append(out.Grids, g)
	}
	return out
}

// shownMost bounds the rows of a grid that grows with the season, so that a page stays
// light; the published tables hold all.
const shownMost = 1000

func findingGrid(q sheet) *grid {
	g := &grid{ID: "finding-table", Caption: "Findings", Filter: true,
		Head: words("lap", "channel", "verdict", "why", "accepted", "rate|Hz#", "gaps#", "spikes#", "clipped#", "flat|s#", "use", "scenario")}
	clean, more := 0, 0
	for i := range q.rows() {
		verdict := q.text("verdict", i)
		switch {
		case verdict == "ok" && q.text("reason", i) == "":
			clean++
			continue
		case len(g.Rows) == shownMost:
			more++
			continue
		}
		g.Rows = append(g.Rows, []cell{text(q.text("lap_id", i)), text(q.text("channel", i)), {Text: verdict, Kind: verdictKind(verdict)},
			text(q.text("reason", i)), text(q.text("accepted", i)), number(q.num("rate_hz", i)), count(q.num("gaps", i)), count(q.num("spikes", i)),
			count(q.num("clipped", i)), number(q.num("flat_s", i)), text(q.text("use", i)), text(q.text("scenario", i))})
	}
	g.Note = fmt.Sprintf("%d further rows of laps and channels are clean.", clean)
	if more > 0 {
		g.Note += fmt.Sprintf(" %d more findings are in the table quality.", more)
	}
	return g
}

func verdictKind(v string) string {
	switch v {
	case "ok", "accepted":
		return ""
	case "set aside":
		return "bad"
	}
	return "watch"
}

// laps lists the laps of the base scenario, a row a lap.
func (p *Page) laps() section {
	s := p.sheet("laps")
	rows := s.where("scenario", base)
	if len(rows) == 0 {
		return section{}
	}
	spots := s.distinct("hotspot")
	g := &grid{ID: "lap-table", Caption: "Laps", Filter: true, Head: words("lap", "circuit", "event", "session", "rider", "bike", "setup", "km#")}
	for _, h := range spots {
		g.Head = append(g.Head, head{Text: "damage at " + h, Num: true}, head{Text: "largest cycle’s share", Unit: h, Num: true},
			head{Text: "over Dirlik’s", Unit: h, Num: true})
	}
	g.Head = append(g.Head, head{Text: "flags"})
	g.Rows = lapRows(s, rows, spots)
	if s.has("rainflow_over_dirlik") {
		g.Note = "Over Dirlik’s: damage over what Dirlik’s formula makes of the lap’s spectrum; far from 1, the lap is far from a steady Gaussian load. Mean stress is left out of both."
	}
	g.pick("circuit", "")
	g.bulk("the table laps")
	out := section{ID: "laps", Title: "Every lap", Grids: []*grid{g}}
	if n := len(g.Rows); n > shownMost {
		g.Rows = hardest(g.Rows, len(spots))
		g.Note = strings.TrimSpace(fmt.Sprintf("The hardest %d of %d laps; the table laps has all. %s", shownMost, n, g.Note))
	}
	return out
}

// A lap's row begins with lapHead cells; then each hot spot has spotCells, the damage first.
const lapHead, spotCells = 8, 3

// lapRows lays a lap's rows, one a hot spot, side by side.
func lapRows(s sheet, rows []int, spots []string) [][]cell {
	var out [][]cell
	at := map[string]int{}
	column := map[string]int{}
	for k, h := range spots {
		column[h] = lapHead + spotCells*k
	}
	lap, hotspot, flags := s.texts("lap_id"), s.texts("hotspot"), s.texts("flags")
	damage, largest, dirlik, unknown := s.nums("damage"), s.nums("largest_share"), s.nums("rainflow_over_dirlik"), number(math.NaN())
	for _, i := range rows {
		id := lap(i)
		n, ok := at[id]
		if !ok {
			n = len(out)
			at[id] = n
			r := append(make([]cell, 0, lapHead+spotCells*len(spots)+1), text(id))
			for _, name := range []string{"circuit", "event", "session", "rider", "bike", "setup"} {
				r = append(r, text(s.text(name, i)))
			}
			r = append(r, number(s.num("distance_km", i)))
			for range spots {
				r = append(r, unknown, unknown, unknown)
			}
			out = append(out, append(r, cell{}))
		}
		r := out[n]
		k := column[hotspot(i)]
		r[k], r[k+1], r[k+2] = number(damage(i)), percent(largest(i)), number(dirlik(i))
		if f := flags(i); f != "" {
			last := &r[len(r)-1]
			last.Kind, last.Text = "watch", joined(last.Text, f)
		}
	}
	return out
}

// joined adds flags to others, each once.
func joined(have, more string) string {
	for f := range strings.SplitSeq(more, ";") {
		if !strings.Contains("; "+have+";", "; "+f+";") {
			have = strings.TrimPrefix(have+"; "+f, "; ")
		}
	}
	return have
}

// hardest keeps the laps with the greatest damage at any hot spot, in their order.
func hardest(rows [][]cell, spots int) [][]cell {
	index := make([]int, len(rows))
	for i := range index {
		index[i] = i
	}
	keep := map[int]bool{}
	for _, i := range descending(index, func(i int) float64 { return greatest(rows[i], spots) })[:shownMost] {
		keep[i] = true
	}
	var out [][]cell
	for i, r := range rows {
		if keep[i] {
			out = append(out, r)
		}
	}
	return out
}

func greatest(r []cell, spots int) float64 {
	g := math.NaN()
	for k := range spots {
		var v float64
		if _, err := fmt.Sscan(r[lapHead+spotCells*k].Sort, &v); err == nil && !(v <= g) {
			g = v
		}
	}
	return g
}

// provenance says where all came from.
func (p *Page) provenance() section {
	out := section{ID: "provenance", Title: "Where the numbers come from", Intro: []string{
		"Equal files and settings give this page again, byte for byte. “lapwear why” traces a single row of a table to its recordings."}}
	if len(p.Inputs) > 0 {
		g := &grid{ID: "input-table", Caption: "Files", Filter: true, Head: words("role", "file", "laps#", "SHA-256")}
		for _, f := range p.Inputs {
			laps := number(math.NaN())
			if f.Laps > 0 {
				laps = count(float64(f.Laps))
			}
			sum := cell{Text: f.SHA256, Kind: "sum"}
			if f.SHA256 == "" {
				sum = cell{Text: "could not be read", Kind: "bad"}
			}
			g.Rows = append(g.Rows, []cell{text(f.Role), text(f.Path), laps, sum})
		}
		if len(g.Rows) > shownMost {
			g.Note = fmt.Sprintf("The first %d of %d files.", shownMost, len(g.Rows))
			g.Rows = g.Rows[:shownMost]
		}
		g.bulk("the file inputs.json")
		out.Grids = append(out.Grids, g)
	}
	if len(p.Tables) > 0 {
		g := &grid{ID: "table-table", Caption: "Tables beside this page, as CSV and Parquet", Head: words("table", "rows#", "columns#")}
		for _, t := range p.Tables {
			g.Rows = append(g.Rows, []cell{text(t.Name), count(float64(t.Frame.Rows())), count(float64(len(t.Frame.Columns())))})
		}
		out.Grids = append(out.Grids, g)
	}
	out.Files = &files{p.Settings, p.Replaced}
	return out
}
