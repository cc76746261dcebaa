package report

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"lapwear/cmd/internal/report/figure"
)

// verdict is the answer for a hot spot in the base scenario.
type verdict struct {
	Hotspot, Material string
	Holds             bool
	Factor, Wanted    string // life factor, that wanted
	Facts             []fact
	Notes             []string // what a reader must know before leaning on it
	Figure            template.HTML

	margin float64
}

// fact is a line of a verdict.
type fact struct{ Name, Text string }

// verdicts answers for each hot spot, the one with the least margin first.
func (p *Page) verdicts() []verdict {
	s := p.sheet("season")
	rows := s.where("scenario", base)
	margin := func(i int) float64 { return s.num("target_life_factor", i) / s.num("life_factor", i) }
	var out []verdict
	for n, i := range descending(rows, margin) {
		v := verdict{
			Hotspot: s.text("hotspot", i), Material: s.text("material", i),
			Factor: figure.Number(s.num("life_factor", i)), Wanted: figure.Number(s.num("target_life_factor", i)),
			Facts: p.facts(s, i), Notes: caveats(s, i), margin: 1 / margin(i), Holds: holds(s, i)}
		v.Figure = template.HTML(ruler(fmt.Sprintf("ruler-%d", n), v, s.num("life_factor", i), s.num("target_life_factor", i)).SVG())
		out = append(out, v)
	}
	return out
}

func seasonsText(v float64) string {
	switch {
	case math.IsInf(v, 1):
		return "no end of life in sight"
	case v == 1:
		return "1 season"
	}
	return figure.Number(v) + " seasons"
}

// reserveText says how far all stresses may grow, or must fall, and what sets that limit.
func reserveText(s sheet, i int) string {
	v, limit := s.num("stress_reserve", i), ""
	if s.text("reserve_limit", i) == "ultimate" {
		limit = ", to the ultimate stress"
	}
	switch {
	case math.IsNaN(v):
		return "not known"
	case math.IsInf(v, 1):
		return "without limit"
	case v >= 1:
		return fmt.Sprintf("all stresses may grow by %.1f %%%s", 100*(v-1), limit)
	}
	return fmt.Sprintf("all stresses must fall by %.1f %%%s", 100*(1-v), limit)
}

// probabilityText is that of failing within the target, with its sampling error where
// it was sampled.
func probabilityText(s sheet, i int) string {
	v := s.num("failure_probability", i)
	if math.IsNaN(v) {
		return "not known: the material's scatter is not given"
	}
	t := percentText(v)
	if e := s.num("failure_probability_error", i); e > 0.0005 {
		t += fmt.Sprintf(" (± %.1f from sampling)", 100*e)
	}
	return t
}

func holds(s sheet, i int) bool { return s.num("life_factor", i) >= s.num("target_life_factor", i) }

// facts are what is known of a hot spot's life; what is not known is left out.
func (p *Page) facts(s sheet, i int) []fact {
	life := seasonsText(s.num("life_seasons", i))
	if p.Survival > 0 {
		life += fmt.Sprintf(" at %.4g %% survival", 100*p.Survival)
	}
	out := []fact{{"Life", life}}
	if low, high := s.num("season_damage_low", i), s.num("season_damage_high", i); high > 0 {
		out = append(out, fact{"Life, 95 % interval from the laps’ scatter", figure.Number(1/high) + " to " + seasonsText(1/low)})
	}
	out = append(out, fact{"Stress reserve", reserveText(s, i)}, fact{"Fails within the target", probabilityText(s, i)})
	if basis := scatterText(s, i); basis != "" {
		out = append(out, fact{"Scatter counted", basis})
	}
	if wall := wallText(s.num("allowed_thickness_ratio", i)); wall != "" {
		out = append(out, fact{"Wall, and its mass", wall})
	}
	if others := p.holding(s, i); others != "" {
		out = append(out, fact{"What-ifs that hold", others})
	}
	return out
}

// scatterText says which scatters the probability counts; "" where there is none.
func scatterText(s sheet, i int) string {
	if math.IsNaN(s.num("failure_probability", i)) || !s.has("laps_log10_sd") {
		return ""
	}
	counted, missing := "material", ""
	for _, x := range []struct{ column, name string }{{"calibration_log10_sd", "calibration"}, {"laps_log10_sd", "laps"}} {
		if sd := s.num(x.column, i); sd > 0 {
			counted += ", " + x.name
		} else {
			missing += "; " + x.name + " not known"
		}
	}
	return counted + missing
}

// wallText says what the reserve buys, or what its lack costs.
func wallText(ratio float64) string {
	switch {
	case math.IsNaN(ratio):
		return ""
	case ratio > 1:
		return "needs at least " + figure.Number(ratio) + " of today’s"
	}
	return "may have " + figure.Number(ratio) + " of today’s"
}

// holdingShown is how many scenarios a verdict names.
const holdingShown = 3

// holding names the scenarios in which a hot spot that falls short would hold.
func (p *Page) holding(s sheet, base int) string {
	others := slices.DeleteFunc(s.where("hotspot", s.text("hotspot", base)), func(i int) bool { return i == base })
	if holds(s, base) || len(others) == 0 {
		return ""
	}
	var names []string
	for _, i := range others {
		if holds(s, i) {
			names = append(names, s.text("scenario", i))
		}
	}
	switch n := len(names) - holdingShown; {
	case len(names) == 0:
		return "none"
	case n > 0:
		names = append(names[:holdingShown], fmt.Sprintf("%d more", n))
	}
	return strings.Join(names, ", ")
}

// muchBorrowed is the share of a season's damage from which on it is said to be borrowed.
const muchBorrowed = 0.1

// caveats are what speaks against leaning on a hot spot's figures.
func caveats(s sheet, i int) []string {
	var out []string
	if n := s.num("laps_over_ultimate", i); n > 0 {
		out = append(out, fmt.Sprintf("The ultimate stress is reached in %s: a single such cycle breaks the part, whatever its life.", plural(int(n), "recorded lap")))
	}
	if share := s.num("borrowed_share", i); share >= muchBorrowed {
		out = append(out, fmt.Sprintf("%s of the damage is borrowed for circuits where nothing was recorded.", percentText(share)))
	}
	if r := s.text("calibration_remark", i); r != "" {
		out = append(out, "Calibration: "+r)
	}
	if r := s.text("scatter_note", i); r != "" {
		out = append(out, "Probability and interval: "+r+".")
	}
	if s.num("allowed_thickness_ratio", i) > 0 {
		out = append(out, thinnerWall)
	}
	return out
}

// thinnerWall is the caution that goes with an allowed thickness.
const thinnerWall = "A thinner wall moves stiffness and resonance too; allowed thickness and mass suppose that the loads stay."

// coverage says how much of what is planned was recorded; "" where it is not known.
func (p *Page) coverage() string {
	s := p.sheet("season")
	if s.rows() == 0 {
		return ""
	}
	recorded, planned := s.num("km_recorded", 0), s.num("km_planned", 0)
	text := fmt.Sprintf("%d of %s used", p.Total-len(p.SetAside), plural(p.Total, "lap"))
	if recorded > 0 && planned > 0 {
		text += fmt.Sprintf("; recorded %.0f km, planned %.0f km", recorded, planned)
	}
	return text + "."
}

// ruler shows a life factor and what is wanted along a scale.
func ruler(id string, v verdict, factor, wanted float64) *figure.Figure {
	f := &figure.Figure{
		ID: id, Height: 74,
		Desc: fmt.Sprintf("Life factor %s on a logarithmic scale; wanted is %s.", v.Factor, v.Wanted),
		X:    figure.Axis{Label: "life factor", Log: true, Low: 0.1, High: 100},
		Y:    figure.Axis{Names: []string{""}},
	}
	if factor > 0 && factor < 0.1 || factor > 100 && !math.IsInf(factor, 1) {
		f.X.Low, f.X.High = math.Min(0.1, factor/2), math.Max(100, factor*2)
	}
	f.Marks = []figure.Mark{&figure.Rule{Name: "wanted " + v.Wanted, At: wanted},
		&figure.Intervals{Name: "reached " + v.Factor, Row: []float64{0}, Value: []float64{factor}}}
	return f
}

// lede sums the verdicts up in a sentence.
func lede(v []verdict) string {
	if len(v) == 0 {
		return "There is no account of the season yet: what failed is named below."
	}
	short := 0
	for _, x := range v {
		if !x.Holds {
			short++
		}
	}
	worst := v[0]
	switch {
	case len(v) == 1 && short == 0:
		return fmt.Sprintf("%s holds: life factor %s, %s wanted.", worst.Hotspot, worst.Factor, worst.Wanted)
	case short == 0:
		all := fmt.Sprintf("All %d", len(v))
		if len(v) == 2 {
			all = "Both"
		}
		return fmt.Sprintf("%s hot spots hold. The nearest to its limit is %s: life factor %s, %s wanted.", all, worst.Hotspot, worst.Factor, worst.Wanted)
	case len(v) == 1:
		return fmt.Sprintf("%s falls short: life factor %s, %s wanted.", worst.Hotspot, worst.Factor, worst.Wanted)
	}
	return fmt.Sprintf("%d of %d hot spots fall short. The worst is %s: life factor %s, %s wanted.", short, len(v), worst.Hotspot, worst.Factor, worst.Wanted)
}
