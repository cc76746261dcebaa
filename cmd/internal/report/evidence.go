package report

// Evidence is what shows how a hot spot's gain was found.
type Evidence struct{ Hotspot string }

// calibration shows what was fitted, and on what evidence.
func (p *Page) calibration() section {
	s := p.sheet("calibration")
	if s.rows() == 0 {
		return section{}
	}
	out := section{ID: "calibration", Title: "Calibration", Intro: []string{
		"Which channel stands in for the gauge at each hot spot, with which gain, and what was passed over."}}
	out.Grids = []*grid{candidateGrid(s)}
	return out
}

func candidateGrid(s sheet) *grid {
	g := &grid{ID: "candidate-table", Caption: "Candidates", Filter: true,
		Head: words("hot spot", "channel", "chosen", "gain|MPa per unit#", "low#", "high#", "least squares#", "total least squares#", "damage-matched#",
			"correlation#", "coherence#", "lag|ms#", "damage ratio#", "residual|MPa#", "linear", "reason", "scenario")}
	for i := range s.rows() {
		chosen := cell{}
		if s.text("chosen", i) == "true" {
			chosen = cell{Text: "✓ chosen", Kind: "good"}
		}
		g.Rows = append(g.Rows, []cell{text(s.text("hotspot", i)), text(s.text("channel", i)), chosen,
			number(s.num("gain_mpa_per_unit", i)), number(s.num("gain_low_mpa_per_unit", i)), number(s.num("gain_high_mpa_per_unit", i)),
			number(s.num("gain_ls_mpa_per_unit", i)), number(s.num("gain_tls_mpa_per_unit", i)), number(s.num("gain_damage_mpa_per_unit", i)),
			number(s.num("correlation", i)), number(s.num("coherence", i)), number(s.num("lag_ms", i)), number(s.num("damage_ratio", i)),
			number(s.num("residual_mpa", i)), text(s.text("linear", i)), text(s.text("reason", i)), text(s.text("scenario", i))})
	}
	return g
}
