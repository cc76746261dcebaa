package report

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"lapwear/cmd/internal/report/figure"
)

// verdict is the answer for a hot spot in the base scenario.
type verdict struct {
	Hotspot, Material string
	Holds             bool
	Factor, Wanted    string // life factor, that wanted
	Life              string
	Reserve           string // in words
	Probability       string
	Note              string // what a reader must know before leaning on it; "" = nothing
	Figure            template.HTML

	margin float64
}

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
			Life: seasonsText(s.num("life_seasons", i)), Reserve: reserveText(s.num("stress_reserve", i)),
			Probability: probabilityText(s, i), margin: 1 / margin(i),
			Holds: s.num("life_factor", i) >= s.num("target_life_factor", i)}
		v.Note = p.caveat(s, i)
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

// reserveText says how far all stresses may grow, or must fall.
func reserveText(v float64) string {
	switch {
	case math.IsNaN(v):
		return "not known"
	case math.IsInf(v, 1):
		return "without limit"
	case v >= 1:
		return fmt.Sprintf("all stresses may grow by %.1f %%", 100*(v-1))
	}
	return fmt.Sprintf("all stresses must fall by %.1f %%", 100*(1-v))
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
		t += fmt.Sprintf(" ± %.1f", 100*e)
	}
	return t
}

// caveat says what stands against a hot spot's answer: an overload, what was borrowed, what the probability leaves out, and what the calibration
// says of the gain.
func (p *Page) caveat(s sheet, i int) string {
	var out []string
	if n := s.num("laps_over_ultimate", i); n > 0 {
		out = append(out, fmt.Sprintf("The ultimate stress is reached in %s: a single such cycle breaks the part, whatever its life.", plural(int(n), "recorded lap")))
	}
	if strings.Contains(s.text("flags", i), "borrowed") {
		out = append(out, fmt.Sprintf("%s of the damage is borrowed for circuits where nothing was recorded.", percentText(s.num("borrowed_share", i))))
	}
	if r := s.text("scatter_note", i); r != "" {
		out = append(out, "Probability and interval: "+r+".")
	}
	if r := s.text("calibration_remark", i); r != "" {
		out = append(out, "Calibration: "+r)
	}
	return strings.Join(out, " ")
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
		return fmt.Sprintf("All %d hot spots hold. The nearest to its limit is %s: life factor %s, %s wanted.", len(v), worst.Hotspot, worst.Factor, worst.Wanted)
	case len(v) == 1:
		return fmt.Sprintf("%s falls short: life factor %s, %s wanted.", worst.Hotspot, worst.Factor, worst.Wanted)
	}
	return fmt.Sprintf("%d of %d hot spots fall short. The worst is %s: life factor %s, %s wanted.", short, len(v), worst.Hotspot, worst.Factor, worst.Wanted)
}
