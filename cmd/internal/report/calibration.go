package report

import (
	"fmt"
	"math"
	"strings"

	"lapwear/cmd/internal/report/figure"
)

// calibration shows what was fitted, and on what evidence.
func (p *Page) calibration() section {
	s := p.sheet("calibration")
	if s.rows() == 0 {
		return section{}
	}
	out := section{ID: "calibration", Title: "Calibration", Intro: []string{
		"Which channel stands in for the gauge at each hot spot, with which gain, and what was passed over. " +
			"A damage ratio is predicted over measured damage; not fitted means that the lap, or all of its circuit, was left out of the fit that predicts it."}}
	for _, i := range baseFirst(s, s.where()) {
		if settled(s, i) {
			out.Intro = append(out.Intro, fitWords(s, i))
		}
	}
	for n, e := range p.Evidence {
		for _, d := range e.Drawings() {
			d.Figure.ID = fmt.Sprintf("%s-%d", d.Name, n)
			out.Figures = append(out.Figures, draw(d.Figure, ""))
		}
	}
	out.Grids = []*grid{candidateGrid(s)}
	if g := p.fittedLaps(); len(g.Rows) > 0 {
		out.Grids = append(out.Grids, g)
	}
	return out
}

const refusedFit = "not used"

// settled tells whether a row is what its hot spot's calibration came to: the channel
// chosen, or refused.
func settled(s sheet, i int) bool {
	return s.text("chosen", i) == "true" || strings.HasPrefix(s.text("reason", i), refusedFit)
}

// fitWords tells a calibration in sentences: the choice, how far the next is, the gains,
// whether stress is linear in the channel, and how well it predicts what it has not seen.
func fitWords(s sheet, i int) string {
	spot := Evidence{Scenario: s.text("scenario", i), Hotspot: s.text("hotspot", i)}
	if s.text("channel", i) == "" {
		return fmt.Sprintf("%s: no calibration; %s.", spot.name(), s.text("reason", i))
	}
	said := []string{fmt.Sprintf("%s follows %s%s.", spot.name(), s.text("channel", i), gainWords(s, i))}
	if math.IsNaN(s.num("coherence", i)) {
		return said[0] + " It is given in the season file."
	}
	said = append(said, nextWords(s, i), gainsWords(s, i), linearWords(s, i), unseenWords(s, i), gateWords(s, i))
	if h := s.text("hum", i); h != "" {
		said = append(said, "There is a hum at "+h+".")
	}
	var out []string
	for _, t := range said {
		if t != "" {
			out = append(out, t)
		}
	}
	return strings.Join(out, " ")
}

// fitNumber is a gain, or the factor that stands for it.
func fitNumber(s sheet, i int, kind string) float64 {
	if v := s.num("factor"+kind, i); !math.IsNaN(v) {
		return v
	}
	return s.num("gain"+kind+"_mpa_per_unit", i)
}

func gainWords(s sheet, i int) string {
	by := " with %s " + perUnit(s.text("unit", i))
	switch s.text("transfer", i) {
	case "frf":
		by = " through a frequency response, times %s"
	case "sum":
		by = ", a sum of channels, times %s"
	}
	out := fmt.Sprintf(by, figure.Number(fitNumber(s, i, "")))
	if low, high := fitNumber(s, i, "_low"), fitNumber(s, i, "_high"); !math.IsNaN(low) {
		out += fmt.Sprintf(" (95 %% interval %s to %s)", figure.Number(low), figure.Number(high))
	}
	return out
}

// nextWords says how far the best of the others is behind.
func nextWords(s sheet, i int) string {
	next := -1
	for _, k := range s.where("scenario", s.text("scenario", i), "hotspot", s.text("hotspot", i)) {
		if c := s.num("coherence", k); k != i && !math.IsNaN(c) && (next < 0 || c > s.num("coherence", next)) {
			next = k
		}
	}
	own := figure.Number(s.num("coherence", i))
	if next < 0 {
		return fmt.Sprintf("Its coherence is %s; there is no other channel to compare.", own)
	}
	return fmt.Sprintf("Its coherence is %s, that of the next, %s, %s.", own, s.text("channel", next), figure.Number(s.num("coherence", next)))
}

func gainsWords(s sheet, i int) string {
	if math.IsNaN(fitNumber(s, i, "_tls")) {
		return ""
	}
	return fmt.Sprintf("Least squares gives %s, total least squares %s, equal damage %s.",
		figure.Number(fitNumber(s, i, "_ls")), figure.Number(fitNumber(s, i, "_tls")), figure.Number(fitNumber(s, i, "_damage")))
}

func linearWords(s sheet, i int) string {
	bend := ""
	if t := s.text("nonlinearity_term", i); t != "" && t != "none" {
		bend = fmt.Sprintf(" (%s, %+.2g %% where the damage is done)", t, 100*s.num("nonlinearity", i))
	}
	switch s.text("linear", i) {
	case "true":
		return "Stress is linear in it" + bend + "."
	case "false":
		return "Stress is not linear in it" + bend + "."
	}
	return ""
}

// unseenWords says how well damage is predicted, all in all and on what was not fitted.
func unseenWords(s sheet, i int) string {
	if math.IsNaN(s.num("damage_ratio", i)) {
		return ""
	}
	out := fmt.Sprintf("The damage ratio is %s", figure.Number(s.num("damage_ratio", i)))
	for _, of := range []string{"laps", "circuits"} {
		if v := s.num("held_out_"+of, i); !math.IsNaN(v) {
			out += fmt.Sprintf(", on %s not fitted %s (%s to %s)", of, figure.Number(v),
				figure.Number(s.num("held_out_"+of+"_low", i)), figure.Number(s.num("held_out_"+of+"_high", i)))
		}
	}
	out += fmt.Sprintf("; %s on %s.", plural(int(s.num("laps", i)), "lap"), plural(int(s.num("circuits", i)), "circuit"))
	if sd := s.num("calibration_log10_sd", i); !math.IsNaN(sd) {
		out += fmt.Sprintf(" In the probability of failure it counts as a standard deviation of damage by a factor of %s.", figure.Number(math.Pow(10, sd)))
	}
	return out
}

func gateWords(s sheet, i int) string {
	switch reason := s.text("reason", i); {
	case strings.HasPrefix(reason, refusedFit):
		return "It fails its gate and is not used."
	case strings.Contains(reason, "accepted although"):
		return "It fails its gate and is accepted by name: see the reason in the table."
	}
	return "It passes its gate."
}

func candidateGrid(s sheet) *grid {
	g := &grid{ID: "candidate-table", Caption: "Candidates", Filter: true,
		Head: words("hot spot", "channel", "chosen", "reason", "transfer", "gain|MPa per unit#", "low#", "high#", "least squares#", "total least squares#", "damage-matched#",
			"factor|of the prediction#", "low|factor#", "high|factor#", "unit",
			"correlation#", "coherence#", "lag|ms#", "damage ratio#", "laps not fitted#", "from#", "to#", "circuits not fitted#", "residual|MPa#",
			"linear", "bend", "bend by|%#", "ripple|%#", "at|Hz#", "hum", "laps#", "circuits#", "scenario"),
		Note: "A factor is no gain: it multiplies the stress that a frequency response or a sum of channels predicts already. Ripple: how far the transfer function is from one gain, and where most."}
	for _, i := range baseFirst(s, s.where()) {
		chosen, reason := cell{}, text(s.text("reason", i))
		if s.text("chosen", i) == "true" {
			chosen = cell{Text: "✓ chosen", Kind: "good"}
		} else if strings.HasPrefix(reason.Text, refusedFit) {
			chosen = cell{Text: "✗ refused", Kind: "bad"}
		}
		row := []cell{text(s.text("hotspot", i)), text(s.text("channel", i)), chosen, reason, text(s.text("transfer", i))}
		for _, c := range []string{"gain_mpa_per_unit", "gain_low_mpa_per_unit", "gain_high_mpa_per_unit", "gain_ls_mpa_per_unit", "gain_tls_mpa_per_unit",
			"gain_damage_mpa_per_unit", "factor", "factor_low", "factor_high"} {
			row = append(row, number(s.num(c, i)))
		}
		row = append(row, text(s.text("unit", i)))
		for _, c := range []string{"correlation", "coherence", "lag_ms", "damage_ratio", "held_out_laps", "held_out_laps_low", "held_out_laps_high",
			"held_out_circuits", "residual_mpa"} {
			row = append(row, number(s.num(c, i)))
		}
		g.Rows = append(g.Rows, append(row, text(s.text("linear", i)), text(s.text("nonlinearity_term", i)), number(100*s.num("nonlinearity", i)),
			number(100*s.num("ripple", i)), number(s.num("ripple_hz", i)), text(s.text("hum", i)), count(s.num("laps", i)), count(s.num("circuits", i)),
			text(s.text("scenario", i))))
	}
	return g
}

// fittedLaps lists each calibration lap under what its hot spot follows.
func (p *Page) fittedLaps() *grid {
	g := &grid{ID: "fit-table", Caption: "Calibration laps", Filter: true,
		Head: words("lap", "circuit", "hot spot", "gain|MPa per unit#", "factor|of the prediction#", "damage ratio#", "correlation#", "coherence#", "lag|ms#",
			"residual|MPa#", "gauge drift|MPa#", "follows better"),
		Note: "Each lap's own gain; a negative one is of the opposite sense."}
	for _, e := range p.Evidence {
		if e.PerLap == nil {
			continue
		}
		s := sheet{e.PerLap}
		for i := range s.rows() {
			gain, factor := s.num("gain_mpa_per_unit", i), math.NaN()
			if e.Response != nil && factorOnly(sheet{e.Response}) {
				gain, factor = factor, gain
			}
			g.Rows = append(g.Rows, []cell{text(s.text("lap_id", i)), text(s.text("circuit", i)), text(e.name()), number(gain), number(factor),
				number(s.num("damage_ratio", i)), number(s.num("correlation", i)), number(s.num("coherence", i)), number(s.num("lag_ms", i)),
				number(s.num("residual_mpa", i)), number(s.num("drift_mpa", i)), {Text: s.text("better_channel", i), Kind: "bad"}})
		}
	}
	return g
}
