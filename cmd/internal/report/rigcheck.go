package report

import (
	"fmt"
	"math"

	"lapwear/cmd/internal/report/figure"
)

// rigCheck shows what the rig did of the drive, and which mass gives the track's stress.
func (p *Page) rigCheck() section {
	if p.Rig == nil || len(p.Rig.Check)+len(p.Rig.Ballast) == 0 {
		return section{}
	}
	out := section{ID: "rigcheck", Title: "The rig against the drive"}
	iterations := sheet{Find(p.Rig.Check, "iterations")}
	if iterations.rows() > 0 {
		out.Intro = append(out.Intro, convergence(iterations)...)
		out.addConvergence(iterations)
		out.addRatios(sheet{Find(p.Rig.Check, "spectrum")})
		out.Grids = append(out.Grids, iterationGrid(iterations), axisGrid(sheet{Find(p.Rig.Check, "axes")}))
	}
	ballast, felt := sheet{Find(p.Rig.Ballast, "ballast")}, sheet{Find(p.Rig.Ballast, "felt")}
	for i := range ballast.rows() {
		out.Intro = append(out.Intro, ballastSentence(ballast, i))
	}
	if ballast.rows() > 0 {
		out.addBallast(ballast, felt)
		out.Grids = append(out.Grids, feltGrid(felt))
	}
	return out
}

// convergence says where the last recording stands, hot spot by hot spot.
func convergence(s sheet) []string {
	var out []string
	for _, h := range s.distinct("hotspot") {
		rows := s.where("hotspot", h)
		last := rows[len(rows)-1]
		out = append(out, fmt.Sprintf("%s: the last of %s, %s, does %s times the drive’s damage with an rms error of %s; all recordings so far make %s of the wanted damage.",
			h, plural(len(rows), "recording"), s.text("recording", last), figure.Number(s.num("damage_ratio", last)), percentText(s.num("rms_error", last)),
			percentText(s.num("so_far_over_wanted", last))))
	}
	return out
}

func (s *section) addConvergence(it sheet) {
	f := &figure.Figure{Title: "Damage over the drive’s, recording by recording", Width: rigFigureWide,
		Desc: "Ratio of the damage that the rig did to the drive’s for each recording in order, hot spot by hot spot; 1 is as planned.",
		X:    figure.Axis{Label: "recording", Names: it.distinct("recording")}, Y: figure.Axis{Label: "damage over the drive’s", Zero: true}}
	for n := range f.X.Names {
		f.X.Names[n] = fmt.Sprint(n + 1)
	}
	for _, h := range it.distinct("hotspot") {
		rows := it.where("hotspot", h)
		l := &figure.Points{Name: h, Y: it.column("damage_ratio", rows)}
		for n := range rows {
			l.X = append(l.X, float64(n))
		}
		f.Marks = append(f.Marks, &figure.Line{X: l.X, Y: l.Y}, l)
	}
	f.Marks = append(f.Marks, &figure.Rule{Name: "as planned", At: 1, OnY: true})
	s.add(f, "")
}

// addRatios draws the spectrum's ratio of the first and the last recording, axis by axis.
func (s *section) addRatios(x sheet) {
	names := x.distinct("recording")
	if len(names) == 0 {
		return
	}
	for _, axis := range x.distinct("axis") {
		f := &figure.Figure{Title: axis + ": power over the drive’s", Width: rigFigureWide,
			Desc: fmt.Sprintf("Power of %s in thirds of an octave over the drive’s, of the first and the last recording; 1 is as planned.", axis),
			X:    figure.Axis{Label: "frequency", Unit: "Hz", Log: true}, Y: figure.Axis{Label: "power ratio", Log: true}}
		for k, name := range names {
			if k > 0 && k < len(names)-1 {
				continue
			}
			rows := x.where("axis", axis, "recording", name)
			f.Marks = append(f.Marks, &figure.Line{Name: name, X: x.column("third_hz", rows), Y: x.column("power_ratio", rows)})
		}
		f.Marks = append(f.Marks, &figure.Rule{Name: "as planned", At: 1, OnY: true})
		s.add(f, "")
	}
}

func iterationGrid(s sheet) *grid {
	g := &grid{ID: "iteration-table", Caption: "Recordings of the rig in order", Head: words("recording", "hot spot", "by", "repeats#", "judged#", "correlation#",
		"rms error#", "damage ratio#", "least#", "most#", "nearer", "done so far over wanted#")}
	for i := range s.rows() {
		g.Rows = append(g.Rows, []cell{text(s.text("recording", i)), text(s.text("hotspot", i)), text(s.text("by", i)), count(s.num("repeats", i)),
			count(s.num("repeats_judged", i)), number(s.num("correlation", i)), percent(s.num("rms_error", i)), number(s.num("damage_ratio", i)),
			number(s.num("damage_ratio_low", i)), number(s.num("damage_ratio_high", i)), text(s.text("nearer", i)), percent(s.num("so_far_over_wanted", i))})
	}
	return g
}

func axisGrid(s sheet) *grid {
	g := &grid{ID: "axis-table", Caption: "The rig’s axes", Head: words("recording", "axis", "rms error#", "rms ratio#", "power in band, ratio#", "power beyond it#",
		"worst third|Hz#", "its power ratio#", "max#", "planned#", "min#", "planned#", "crossings off#")}
	for i := range s.rows() {
		g.Rows = append(g.Rows, []cell{text(s.text("recording", i)), text(s.text("axis", i)), percent(s.num("rms_error", i)), number(s.num("rms_ratio", i)),
			number(s.num("band_power_ratio", i)), percent(s.num("power_beyond_band", i)), number(s.num("worst_third_hz", i)), number(s.num("worst_third_power_ratio", i)),
			number(s.num("max_unit", i)), number(s.num("drive_max_unit", i)), number(s.num("min_unit", i)), number(s.num("drive_min_unit", i)),
			percent(s.num("level_crossings_off", i))})
	}
	return g
}

func ballastSentence(b sheet, i int) string {
	head := fmt.Sprintf("Ballast for %s by %s: ", b.text("hotspot", i), b.text("by", i))
	if why := b.text("refused", i); why != "" {
		return head + "none is given; " + why + "."
	}
	within := "two runs give no interval"
	if low := b.num("mass_low_kg", i); !math.IsNaN(low) {
		within = fmt.Sprintf("95 %%: %s to %s kg", figure.Number(low), figure.Number(b.num("mass_high_kg", i)))
	}
	return head + fmt.Sprintf("%s kg gives the track’s stress (%s).", figure.Number(b.num("mass_kg", i)), within)
}

// addBallast draws stress over mass with the fitted line, hot spot by hot spot.
func (s *section) addBallast(b, felt sheet) {
	for _, h := range b.distinct("hotspot") {
		f := &figure.Figure{Title: h + ": stress over the track’s", Width: rigFigureWide,
			Desc: fmt.Sprintf("Stress at %s on the rig over that on the track, run by run over the mass, with the lines fitted; at 1 the rig does what the track does.", h),
			X:    figure.Axis{Label: "mass", Unit: "kg"}, Y: figure.Axis{Label: "stress over the track’s"}}
		for _, i := range b.where("hotspot", h) {
			by := b.text("by", i)
			rows := felt.where("hotspot", h, "by", by)
			p := &figure.Points{Name: "by " + by, X: felt.column("mass_kg", rows), Y: felt.column("stress_over_track", rows)}
			f.Marks = append(f.Marks, p)
			if slope, fixed := b.num("stress_over_track_per_kg", i), b.num("stress_over_track_fixed", i); len(p.X) > 1 {
				f.Marks = append(f.Marks, &figure.Line{X: p.X, Y: mapped(p.X, func(m float64) float64 { return slope*m + fixed })})
			}
		}
		f.Marks = append(f.Marks, &figure.Rule{Name: "as on the track", At: 1, OnY: true})
		s.add(f, "")
	}
}

func feltGrid(s sheet) *grid {
	g := &grid{ID: "felt-table", Caption: "Runs with known masses", Head: words("recording", "hot spot", "by", "mass|kg#", "stress over the track’s#")}
	for i := range s.rows() {
		g.Rows = append(g.Rows, []cell{text(s.text("recording", i)), text(s.text("hotspot", i)), text(s.text("by", i)), number(s.num("mass_kg", i)),
			number(s.num("stress_over_track", i))})
	}
	return g
}
