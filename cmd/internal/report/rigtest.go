package report

import (
	"fmt"
	"math"
	"slices"

	"lapwear/cmd/internal/report/figure"
)

// RigTest is what the commands of the rig test have left beside the season's tables.
type RigTest struct {
	Plan    []Table  // of testplan, the drive among them
	Check   []Table  // of rigcheck, iteration by iteration
	Ballast []Table  // of rigcheck with masses
	Notes   []string // what is left out, and why
}

// Leave notes what is left out, and returns the test.
func (t *RigTest) Leave(note string) *RigTest {
	t.Notes = append(t.Notes, note)
	return t
}

// rigFigureWide is the width of these figures, which a phone shows at its natural size.
const rigFigureWide = 360

// rigTest shows the planned test.
func (p *Page) rigTest() section {
	if p.Rig == nil {
		return section{}
	}
	out := section{ID: "rigtest", Title: "The rig test", Intro: slices.Clone(p.Rig.Notes)}
	plan := sheet{Find(p.Rig.Plan, "plan")}
	if plan.rows() == 0 {
		return out
	}
	said := []string{cutSentence(plan), hoursSentence(plan)}
	if v := plan.num("remedy_level", 0); !math.IsNaN(v) {
		said = append(said, fmt.Sprintf("The drive breaks limits of the rig’s motion. Level %s obeys all of them; the test then takes %.0f repeats and %s h.",
			figure.Number(v), plan.num("remedy_repeats", 0), figure.Number(plan.num("remedy_hours", 0))))
	}
	if w := plan.text("warnings", 0); w != "" {
		said = append(said, "To know of the plan: "+w+".")
	}
	out.Intro = append(said, out.Intro...)
	drive := sheet{Find(p.Rig.Plan, driveTable)}
	out.addOutline(sheet{Find(p.Rig.Plan, "outline")}, plan, drive)
	out.addCurve(sheet{Find(p.Rig.Plan, "curve")}, plan)
	motion, limits := sheet{Find(p.Rig.Plan, "motion")}, sheet{Find(p.Rig.Plan, "limits")}
	out.addSpectrum(sheet{Find(p.Rig.Plan, "spectrum")}, limits)
	out.addWorst(drive, motion)
	out.addMix(plan)
	out.Grids = append(out.Grids, planGrid(plan), motionGrid(motion))
	if limits.rows() > 0 {
		out.Grids = append(out.Grids, limitGrid(limits))
	}
	if mix := (sheet{Find(p.Rig.Plan, "mix")}); mix.rows() > 0 {
		out.Grids = append(out.Grids, mixGrid(mix))
	}
	return out
}

// driveTable holds the drive itself among a plan's tables.
const driveTable = "drive"

func cutSentence(plan sheet) string {
	return fmt.Sprintf("Lap %s (%s) is cut from %s to %s s, in %.0f pieces, and run over and over. At least %s of its damage is kept at every hot spot, as counted anew.",
		plan.text("lap_id", 0), plan.text("circuit", 0), figure.Number(plan.num("lap_seconds", 0)), figure.Number(plan.num("cut_seconds", 0)),
		plan.num("pieces", 0), percentText(least(plan, "share_kept")))
}

func hoursSentence(plan sheet) string {
	s := fmt.Sprintf("%.0f repeats take %s h with all stops, %s h of them running; %s decides (method %s).", plan.num("repeats", 0),
		figure.Number(plan.num("hours", 0)), figure.Number(plan.num("hours_running", 0)), plan.text("decided_by", 0), plan.text("method", 0))
	if why := plan.text("mix_refused", 0); why != "" {
		return s + " There is no mix of laps: " + why + "."
	}
	return s + fmt.Sprintf(" The quickest mix of laps that stays within %s above the wanted damage runs %s h.",
		percentText(plan.num("mix_band", 0)), figure.Number(plan.num("mix_hours_running", 0)))
}

// least is the smallest number of a column.
func least(s sheet, name string) float64 {
	out := math.Inf(1)
	for i := range s.rows() {
		out = math.Min(out, s.num(name, i))
	}
	return out
}

func (s *section) add(f *figure.Figure, caption string) {
	f.ID = fmt.Sprintf("%s-%d", s.ID, len(s.Figures))
	s.Figures = append(s.Figures, draw(f, caption))
}

// addOutline draws each axis of the lap, with what is kept of it before what is left out.
func (s *section) addOutline(o, plan, drive sheet) {
	for _, axis := range o.distinct("channel") {
		_, unit := driveColumn(drive, axis, "acceleration")
		kept, left := &figure.Extents{Name: "kept"}, &figure.Extents{Name: "left out", Faint: true}
		for _, i := range o.where("channel", axis) {
			to := left
			if o.num("kept", i) >= 0.5 {
				to = kept
			}
			to.From, to.To = append(to.From, o.num("from_s", i)), append(to.To, o.num("to_s", i))
			to.Low, to.High = append(to.Low, o.num("low_unit", i)), append(to.High, o.num("high_unit", i))
		}
		s.add(&figure.Figure{Title: axis + ": what is kept of lap " + plan.text("lap_id", 0),
			Desc:  fmt.Sprintf("Extents of channel %s over the lap; the parts that the cut keeps stand out from those that it leaves out.", axis),
			Width: rigFigureWide, X: figure.Axis{Label: "time in the lap", Unit: "s"}, Y: figure.Axis{Label: axis, Unit: unit}, Marks: []figure.Mark{left, kept}}, "")
	}
}

// addCurve draws the share of damage over the cut's length.
func (s *section) addCurve(c, plan sheet) {
	if c.rows() == 0 {
		return
	}
	f := &figure.Figure{Title: "Damage kept over the length of a cut", Width: rigFigureWide,
		Desc: "Share of the lap's damage at each hot spot over the seconds that cuts of events alone take; the planned cut is marked.",
		X:    figure.Axis{Label: "length of the cut", Unit: "s", Zero: true}, Y: figure.Axis{Label: "share of the lap’s damage", Unit: "%", Zero: true}}
	for _, h := range c.distinct("hotspot") {
		rows := c.where("hotspot", h)
		f.Marks = append(f.Marks, &figure.Line{Name: h, X: c.column("seconds", rows), Y: hundred(c.column("share", rows))})
	}
	all := plan.where()
	f.Marks = append(f.Marks, &figure.Points{Name: "planned cut", X: plan.column("cut_seconds", all), Y: hundred(plan.column("share_kept", all))},
		&figure.Rule{Name: "wanted", At: 100 * plan.num("share_wanted", 0), OnY: true})
	s.add(f, "")
}

func hundred(x []float64) []float64 { return mapped(x, func(v float64) float64 { return 100 * v }) }

// addSpectrum draws the drive's spectrum; limits of frequency are marked.
func (s *section) addSpectrum(x, limits sheet) {
	if x.rows() == 0 {
		return
	}
	f := &figure.Figure{Title: "Spectrum of the drive", Width: rigFigureWide, Desc: "Power density of the drive over frequency, axis by axis.",
		X: figure.Axis{Label: "frequency", Unit: "Hz", Log: true}, Y: figure.Axis{Label: "density", Unit: "unit²/Hz", Log: true}}
	top := math.NaN()
	for _, i := range limits.where("quantity", "frequency") {
		top = limits.num("limit", i)
	}
	for _, axis := range x.distinct("axis") {
		rows := slices.DeleteFunc(x.where("axis", axis), func(i int) bool {
			return !(x.num("frequency_hz", i) > 0.5) || !(x.num("density_unit2_per_hz", i) > 1e-9)
		})
		f.Marks = append(f.Marks, &figure.Line{Name: axis, X: x.column("frequency_hz", rows), Y: x.column("density_unit2_per_hz", rows)})
	}
	if !math.IsNaN(top) {
		f.Marks = append(f.Marks, &figure.Rule{Name: "the rig’s limit", At: top})
	}
	s.add(f, "")
}

// worstAround is how much of the drive is drawn about its hardest moment, to either side.
const worstAround = 0.3 // s

// addWorst draws the drive about the moment that comes nearest to, or farthest beyond, what the rig can do.
func (s *section) addWorst(drive, motion sheet) {
	worst, most := -1, math.Inf(-1)
	for i := range motion.rows() {
		if used := useOf(motion, i); used > most {
			worst, most = i, used
		}
	}
	if worst < 0 || drive.rows() == 0 {
		return
	}
	axis, what, at := motion.text("axis", worst), motion.text("quantity", worst), motion.num("peak_at_s", worst)
	column, unit := driveColumn(drive, axis, what)
	if column == "" {
		return
	}
	rows := slices.DeleteFunc(drive.where(), func(i int) bool { return math.Abs(drive.num("time_s", i)-at) > worstAround })
	s.add(&figure.Figure{Title: fmt.Sprintf("Hardest moment for the rig: %s of %s", what, axis), Width: rigFigureWide,
		Desc: fmt.Sprintf("The drive about %s s, where its %s reaches %s of the limit.", figure.Number(at), what, percentText(most)),
		X:    figure.Axis{Label: "time in the drive", Unit: "s"}, Y: figure.Axis{Label: axis, Unit: unit},
		Marks: []figure.Mark{&figure.Line{X: drive.column("time_s", rows), Y: drive.column(column, rows)}, &figure.Rule{At: at}}},
		fmt.Sprintf("Peak %s %s, %s of the rig’s limit.", figure.Number(motion.num("peak", worst)), motion.text("unit", worst), percentText(most)))
}

// driveColumn finds the drive's column that shows a quantity of an axis: its displacement, else the channel itself.
func driveColumn(drive sheet, axis, quantity string) (name, unit string) {
	if drive.f == nil {
		return "", ""
	}
	displacement := axis + displacementEnd
	for _, c := range drive.f.Columns() {
		if c.Name == displacement && quantity == "displacement" || quantity != "displacement" && c.Name != displacement && hasAxis(c.Name, axis) {
			return c.Name, c.Unit
		}
	}
	return "", ""
}

// displacementEnd ends the name of an axis' displacement.
const displacementEnd = "_displacement_mm"

// hasAxis tells whether a column of the drive is an axis' channel, which ends in its unit.
func hasAxis(column, axis string) bool {
	return len(column) > len(axis) && column[:len(axis)] == axis && column[len(axis)] == '_'
}

// useOf is the share of a limit that a motion takes: from end to end of a stroke, at its peak of all else. NaN without a limit.
func useOf(m sheet, i int) float64 {
	if m.text("quantity", i) == "displacement" {
		return m.num("span", i) / m.num("limit", i)
	}
	return m.num("peak", i) / m.num("limit", i)
}

// addMix sets the mix beside the repeats of one lap.
func (s *section) addMix(plan sheet) {
	one, mix := &figure.Intervals{Name: "one lap, cut"}, &figure.Intervals{Name: "mix"}
	f := &figure.Figure{Title: "Damage over the wanted: one lap and a mix of laps", Width: rigFigureWide, Height: rowsHigh(2 * plan.rows()),
		Desc: "Damage of the whole test over what is wanted, at each hot spot: repeats of the one lap, and the mix. 1 is as wanted, more is more than the season does.",
		X:    figure.Axis{Label: "damage over wanted"}}
	for i := range plan.rows() {
		h := plan.text("hotspot", i)
		one.Row, one.Value = append(one.Row, float64(len(f.Y.Names))), append(one.Value, plan.num("reached_over_wanted", i))
		f.Y.Names = append(f.Y.Names, h+", one lap")
		if v := plan.num("mix_reached_over_wanted", i); !math.IsNaN(v) {
			mix.Row, mix.Value = append(mix.Row, float64(len(f.Y.Names))), append(mix.Value, v)
			f.Y.Names = append(f.Y.Names, h+", mix")
		}
	}
	f.Height = rowsHigh(len(f.Y.Names))
	f.Marks = []figure.Mark{&figure.Rule{Name: "wanted", At: 1}, one}
	if len(mix.Row) > 0 {
		f.Marks = append(f.Marks, mix)
	}
	s.add(f, "")
}

func planGrid(plan sheet) *grid {
	g := &grid{ID: "plan-table", Caption: "The plan", Head: words("hot spot", "follows", "share kept#", "in joints#", "drive over cut#", "season damage#",
		"wanted#", "of a repeat#", "reached over wanted#", "mix over wanted#")}
	for i := range plan.rows() {
		g.Rows = append(g.Rows, []cell{text(plan.text("hotspot", i)), text(plan.text("channel", i)), percent(plan.num("share_kept", i)),
			percent(plan.num("share_in_joints", i)), number(plan.num("drive_over_cut", i)), number(plan.num("season_damage", i)),
			number(plan.num("damage_wanted", i)), number(plan.num("damage_per_repeat", i)), number(plan.num("reached_over_wanted", i)),
			number(plan.num("mix_reached_over_wanted", i))})
	}
	return g
}

func motionGrid(m sheet) *grid {
	g := &grid{ID: "motion-table", Caption: "What the rig has to do", Head: words("axis", "quantity", "peak#", "at|s#", "rms#", "end to end#", "limit#", "unit", "of the limit#", "verdict"),
		Note: "The stroke is held against the way from end to end, all other limits against the peak."}
	for i := range m.rows() {
		used := useOf(m, i)
		verdict := cell{}
		switch {
		case used > 1:
			verdict = cell{Text: "✗ beyond", Kind: "bad"}
		case used <= 1:
			verdict = cell{Text: "✓ within", Kind: "good"}
		}
		g.Rows = append(g.Rows, []cell{text(m.text("axis", i)), text(m.text("quantity", i)), number(m.num("peak", i)), number(m.num("peak_at_s", i)),
			number(m.num("rms", i)), number(m.num("span", i)), number(m.num("limit", i)), text(m.text("unit", i)), percent(used), verdict})
	}
	return g
}

func limitGrid(l sheet) *grid {
	g := &grid{ID: "limit-table", Caption: "Limits broken, and remedies", Head: words("axis", "quantity", "value#", "limit#", "unit",
		"first at|s#", "for|s#", "remedy", "setting#", "hot spot", "leaves#")}
	for i := range l.rows() {
		g.Rows = append(g.Rows, []cell{text(l.text("axis", i)), text(l.text("quantity", i)), number(l.num("value", i)), number(l.num("limit", i)),
			text(l.text("unit", i)), number(l.num("at_s", i)), number(l.num("beyond_s", i)), text(l.text("fix", i)), number(l.num("setting", i)),
			text(l.text("hotspot", i)), percent(l.num("damage_kept", i))})
	}
	return g
}

func mixGrid(m sheet) *grid {
	g := &grid{ID: "mix-table", Caption: "The mix", Head: words("lap", "what", "of|s#", "repeats#")}
	for i := range m.rows() {
		g.Rows = append(g.Rows, []cell{text(m.text("lap_id", i)), text(m.text("what", i)), number(m.num("seconds", i)), count(m.num("repeats", i))})
	}
	return g
}
