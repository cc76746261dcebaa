package aggregate

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Factors lists what laps may be compared by, columns of the table laps.
func Factors() []string { return []string{"rider", "bike", "setup", "session"} }

// CompareTable is the name of the table that compares laps by a factor.
func CompareTable(factor string) string { return "compare_" + factor }

// Compare lays out the table of a factor's levels (riders, bikes, setups or sessions) from parts of the table laps:
// by which ratio a level's damage a km departs, with circuits accounted for. A row is a
// level, hot spot and scenario.
//
//   - log10 of a lap's damage a km is fitted by circuit + level; see fitLevels. Where fewer than measuredEnough of a hot
//     spot's laps have a distance, damage a lap stands in: a circuit's length is the circuit's.
//   - The ratio is against the geometric mean of the levels that share circuits, each
//     counting once, or against the level Reference.
//   - Laps without damage have no logarithm. They and laps without a level or a distance are counted
//     and left out of the fit.
//   - A lap's part of the damage between laps is in it.
//
// Not guaranteed: that laps of one session are independent, as intervals suppose; nor that a level's effect is its
// own where the note says what goes with it.
type Compare struct {
	Factor    string
	Reference string // a level; "" = the mean of the levels
}

// Name returns "aggregate".
func (Compare) Name() string { return Name }

// Revision returns the package's Revision.
func (Compare) Revision() int { return Revision }

// Outputs names the table.
func (Compare) Outputs() []string { return tableAlone }

// AddTo adds the parameters to a key.
func (c Compare) AddTo(h *key.Hasher) {
	h.String("table", "compare")
	h.String("factor", c.Factor)
	h.String("reference", c.Reference)
}

// Run compares each part's laps.
func (c Compare) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	var rows []comparedRow
	for _, i := range in.Frames {
		if i.Missing != "" {
			continue
		}
		f, err := i.Get()
		if err != nil {
			return nil, err
		}
		more, err := c.part(f)
		if err != nil {
			return nil, err
		}
		rows = append(rows, more...)
	}
	return []stages.Output{{Name: Output, Frame: c.frame(rows)}}, nil
}

// Table compares the laps of one frame with the columns of the table laps.
func (c Compare) Table(laps *frame.Frame) (*frame.Frame, error) {
	rows, err := c.part(laps)
	if err != nil {
		return nil, err
	}
	return c.frame(rows), nil
}

// comparedLap is what the comparison reads of a lap.
type comparedLap struct {
	id, circuit, scenario, hotspot string
	level                          string
	other                          map[string]string // levels of the other factors
	km, damage, perKm              float64
}

// comparedRow is a row of the table.
type comparedRow struct {
	scenario, hotspot, level  string
	laps, undamaged, left     int // all of the level; of them without damage; of them not in the fit
	measured, unmeasured      int // of a known distance; without one, though not without damage, and so not in the fit
	circuits                  int
	km, perKm, perLap         float64 // raw: the sum, and means over all laps of which it is known
	ratio, low, high, p, holm float64
	freedom                   float64
	group                     int
	against, basis, note      string
}

func (c Compare) part(f *frame.Frame) ([]comparedRow, error) {
	laps, err := c.laps(f)
	if err != nil {
		return nil, err
	}
	var rows []comparedRow
	for len(laps) > 0 { // by scenario and hot spot, as they stand in the table
		first := laps[0]
		var own, rest []comparedLap
		for _, l := range laps {
			if l.scenario == first.scenario && l.hotspot == first.hotspot {
				own = append(own, l)
			} else {
				rest = append(rest, l)
			}
		}
		rows = append(rows, c.compare(own)...)
		laps = rest
	}
	return rows, nil
}

func (c Compare) laps(f *frame.Frame) ([]comparedLap, error) {
	laps := make([]comparedLap, f.Rows())
	var failed error
	text := func(name string, set func(l *comparedLap, v string)) {
		v, err := frame.Get[[]string](f, name)
		if err != nil {
			failed = fmt.Errorf("compare laps: %w", err)
			return
		}
		for i := range laps {
			set(&laps[i], v[i])
		}
	}
	number := func(name string, set func(l *comparedLap, v float64)) {
		v, err := frame.Get[[]float64](f, name)
		if err != nil {
			failed = fmt.Errorf("compare laps: %w", err)
			return
		}
		for i := range laps {
			set(&laps[i], v[i])
		}
	}
	text("lap_id", func(l *comparedLap, v string) { l.id, l.other = v, map[string]string{} })
	text("circuit", func(l *comparedLap, v string) { l.circuit = v })
	text("scenario", func(l *comparedLap, v string) { l.scenario = v })
	text("hotspot", func(l *comparedLap, v string) { l.hotspot = v })
	for _, factor := range Factors() {
		if factor == c.Factor {
			text(factor, func(l *comparedLap, v string) { l.level = v })
		} else {
			text(factor, func(l *comparedLap, v string) { l.other[factor] = v })
		}
	}
	number("damage", func(l *comparedLap, v float64) { l.damage = v })
	number("damage_per_km", func(l *comparedLap, v float64) { l.perKm, l.km = v, l.damage/v })
	number("distance_km", func(l *comparedLap, v float64) {
		if !math.IsNaN(v) {
			l.km = v // also of a lap without damage
		}
	})
	number("between_laps_damage", func(l *comparedLap, v float64) {
		if v > 0 {
			l.damage += v
			l.perKm = l.damage / l.km
		}
	})
	return laps, failed
}

// names numbers texts in order of first appearance.
type names struct {
	list []string
	at   map[string]int
}

func (n *names) number(s string) int {
	if i, ok := n.at[s]; ok {
		return i
	}
	if n.at == nil {
		n.at = map[string]int{}
	}
	n.at[s] = len(n.list)
	n.list = append(n.list, s)
	return n.at[s]
}

// measuredEnough is the share of the laps from which on damage is taken a km and the few laps without a distance
// are left out. Common practice, no source.
const measuredEnough = 0.9

// basisOf says over what damage is taken: km, or lap where too few laps have a distance.
func basisOf(laps []comparedLap) string {
	var all, measured float64
	for _, l := range laps {
		if l.level == "" || l.damage == 0 {
			continue
		}
		all++
		if !math.IsNaN(l.perKm) {
			measured++
		}
	}
	if measured > 0 && measured >= measuredEnough*all {
		return "km"
	}
	return "lap"
}

// compare compares the laps of one hot spot under one scenario.
func (c Compare) compare(laps []comparedLap) []comparedRow {
	basis := basisOf(laps)
	var levels, circuits names
	var rows []comparedRow
	var obs []observed
	var fitted []comparedLap
	for _, l := range laps {
		i := levels.number(l.level)
		if i == len(rows) {
			rows = append(rows, comparedRow{scenario: l.scenario, hotspot: l.hotspot, level: l.level, basis: basis})
		}
		rows[i].add(l)
		d := l.over(basis)
		if l.level == "" || !(d > 0) || math.IsInf(d, 1) {
			rows[i].left++
			continue
		}
		obs = append(obs, observed{lap: l.id, level: i, circuit: circuits.number(l.circuit), y: math.Log10(d)})
		fitted = append(fitted, l)
	}
	effects := fitLevels(obs, len(rows), len(circuits.list), c.reference(levels.list))
	for i := range rows {
		rows[i].finish(c, effects[i], obs, i)
	}
	c.addConfounded(rows, effects, obs, fitted)
	return rows
}

// over is the lap's damage a km or a lap.
func (l *comparedLap) over(basis string) float64 {
	if basis == "km" {
		return l.perKm
	}
	return l.damage
}

// reference is the place of the level to compare with.
func (c Compare) reference(levels []string) int {
	if c.Reference == "" {
		return noReference
	}
	if i := slices.Index(levels, c.Reference); i >= 0 {
		return i
	}
	return len(levels) // no lap of it is left here: nothing compares with it
}

func (r *comparedRow) add(l comparedLap) {
	r.laps++
	r.perLap += l.damage
	if !math.IsNaN(l.perKm) {
		r.measured++
		r.km += l.km
		r.perKm += l.perKm
	} else if l.damage > 0 {
		r.unmeasured++
	}
	if l.damage == 0 {
		r.undamaged++
	}
}

// finish turns sums into means and the effect into ratios.
func (r *comparedRow) finish(c Compare, e effect, obs []observed, level int) {
	r.perKm /= float64(r.measured)
	r.perLap /= float64(r.laps)
	var at []int
	for _, o := range obs {
		if o.level == level && !slices.Contains(at, o.circuit) {
			at = append(at, o.circuit)
		}
	}
	r.circuits, r.group, r.note = len(at), e.group, e.note
	r.ratio, r.low, r.high = math.Pow(10, e.value), math.Pow(10, e.low), math.Pow(10, e.high)
	r.p, r.holm, r.freedom = e.p, e.holm, e.freedom
	r.against = c.Reference
	if c.Reference == "" {
		r.against = "mean of " + c.Factor + "s"
	}
	switch {
	case r.level == "":
		r.note = "laps that name no " + c.Factor + " are left out"
		return
	case e.group == 0 && r.basis == "km" && r.unmeasured > 0:
		r.note = "no lap with damage and a distance to compare"
	case e.group == 0:
		r.note = "no lap with damage to compare"
	case math.IsNaN(e.value) && c.Reference == "":
		r.note = join(r.note, fmt.Sprintf("shares no circuit with another %s: circuit and %s cannot be told apart", c.Factor, c.Factor))
	case math.IsNaN(e.value):
		r.note = join(r.note, fmt.Sprintf("shares no circuit with %s, directly or through others", c.Reference))
	}
	if r.undamaged > 0 && e.group != 0 {
		r.note = join(r.note, fmt.Sprintf("%d of %d laps do no damage and are left out: the true figure is lower", r.undamaged, r.laps))
	}
	switch {
	case r.unmeasured == 0:
	case r.basis == "km":
		r.note = join(r.note, fmt.Sprintf("%d of %d laps have no distance and are left out", r.unmeasured, r.laps))
	default:
		r.note = join(r.note, fmt.Sprintf("%d of %d laps have no distance: compared by damage a lap", r.unmeasured, r.laps))
	}
}

// addConfounded says in words what else a level's laps have in common.
func (c Compare) addConfounded(rows []comparedRow, effects []effect, obs []observed, laps []comparedLap) {
	groups := 0
	for _, e := range effects {
		groups = max(groups, e.group)
	}
	for g := 1; g <= groups; g++ {
		var members []int
		for i, e := range effects {
			if e.group == g {
				members = append(members, i)
			}
		}
		if len(members) < 2 {
			continue
		}
		c.nameGroup(rows, effects, members)
		circuits := 0
		for _, o := range obs {
			circuits = max(circuits, o.circuit+1)
		}
		fit := newLevelFit(obs, members, len(rows), circuits)
		for _, factor := range Factors() {
			if factor != c.Factor {
				c.addOther(factor, fit, rows, effects, obs, laps)
			}
		}
	}
}

// levelsNamed is how many levels a text names.
const levelsNamed = 5

// nameGroup says whose mean the ratio is against, and who shares no circuit with the group, where not all do.
func (c Compare) nameGroup(rows []comparedRow, effects []effect, members []int) {
	var in, out []string
	for i, e := range effects {
		switch {
		case slices.Contains(members, i):
			in = append(in, rows[i].level)
		case e.group > 0 && rows[i].level != "":
			out = append(out, rows[i].level)
		}
	}
	if len(out) == 0 {
		return
	}
	for _, l := range members {
		if c.Reference == "" {
			rows[l].against = "mean of " + someNames(in)
		}
		rows[l].note = join(rows[l].note, "shares no circuit with "+someNames(out)+": not to be compared with them")
	}
}

func someNames(list []string) string {
	if n := len(list) - levelsNamed; n > 0 {
		return fmt.Sprintf("%s and %d more", strings.Join(list[:levelsNamed], ", "), n)
	}
	return strings.Join(list, ", ")
}

// addOther notes which levels of the fit go with levels of another factor.
func (c Compare) addOther(factor string, fit *levelFit, rows []comparedRow, effects []effect, obs []observed, laps []comparedLap) {
	var values names
	var numbers []int
	used := map[int][]string{}
	for i, o := range obs {
		if !slices.Contains(fit.members, o.level) {
			continue
		}
		v := laps[i].other[factor]
		numbers = append(numbers, values.number(v))
		if !slices.Contains(used[o.level], v) {
			used[o.level] = append(used[o.level], v)
		}
	}
	if len(values.list) < 2 {
		return // what all laps have in common sets no level apart
	}
	told := fit.separable(numbers, len(values.list))
	mixes := mixesOf(factor, fit.members, obs, laps)
	for _, l := range fit.members {
		only := ""
		if len(used[l]) == 1 && used[l][0] != "" {
			only = used[l][0]
		}
		note := ""
		switch contrast := effects[l].contrast; {
		case contrast != nil && !told(contrast) && only != "":
			note = fmt.Sprintf("%s and %s cannot be told apart: only %s", c.Factor, factor, only)
		case contrast != nil && !told(contrast):
			note = fmt.Sprintf("%s and %s cannot be told apart", c.Factor, factor)
			if others := tied(rows, fit.members, used); c.Reference == "" && others != "" {
				note += ": the mean holds " + others
			}
		case only != "":
			note = fmt.Sprintf("only %s %s, whose effect is in this figure", factor, only)
		case uneven(mixes):
			note = fmt.Sprintf("%s is not accounted for: %s", factor, mixes[l])
		}
		if note != "" {
			rows[l].note = join(rows[l].note, note)
		}
	}
}

// tied lists the levels that go with one level of another factor alone.
func tied(rows []comparedRow, members []int, used map[int][]string) string {
	var out []string
	for _, l := range members {
		if len(used[l]) == 1 && used[l][0] != "" {
			out = append(out, fmt.Sprintf("%s, only %s", rows[l].level, used[l][0]))
		}
	}
	return strings.Join(out, "; ")
}

// mix is how many of a level's laps in the fit are of each level of another factor.
type mix struct {
	values names
	laps   []int
	all    int
}

// String says it as "firm in 14 of 16 laps, soft in 2".
func (m *mix) String() string {
	var out []string
	for k, n := range m.laps {
		name := m.values.list[k]
		if name == "" {
			name = "not named"
		}
		text := fmt.Sprintf("%s in %d", name, n)
		if k == 0 {
			text += fmt.Sprintf(" of %d laps", m.all)
		}
		out = append(out, text)
	}
	return strings.Join(out, ", ")
}

func mixesOf(factor string, members []int, obs []observed, laps []comparedLap) map[int]*mix {
	out := map[int]*mix{}
	for i, o := range obs {
		if !slices.Contains(members, o.level) {
			continue
		}
		m := out[o.level]
		if m == nil {
			m = &mix{}
			out[o.level] = m
		}
		k := m.values.number(laps[i].other[factor])
		if k == len(m.laps) {
			m.laps = append(m.laps, 0)
		}
		m.laps[k]++
		m.all++
	}
	return out
}

// unevenFrom is by how much levels' shares of laps may differ before it is said. Common practice, no source.
const unevenFrom = 0.5

// uneven tells whether some level of another factor is in one level's laps much more than in another's.
func uneven(mixes map[int]*mix) bool {
	low, high := map[string]float64{}, map[string]float64{}
	for _, m := range mixes {
		for k, name := range m.values.list {
			high[name] = max(high[name], float64(m.laps[k])/float64(m.all))
		}
	}
	for name := range high {
		low[name] = 1
		for _, m := range mixes {
			share := 0.0
			if k := slices.Index(m.values.list, name); k >= 0 {
				share = float64(m.laps[k]) / float64(m.all)
			}
			low[name] = min(low[name], share)
		}
		if high[name]-low[name] > unevenFrom {
			return true
		}
	}
	return false
}

func (c Compare) frame(rows []comparedRow) *frame.Frame {
	t := layout[comparedRow]{rows: rows}
	t.text(c.Factor, func(r *comparedRow) string { return r.level })
	t.text("scenario", func(r *comparedRow) string { return r.scenario })
	t.text("hotspot", func(r *comparedRow) string { return r.hotspot })
	t.count("laps", func(r *comparedRow) int64 { return int64(r.laps) })
	t.count("laps_fitted", func(r *comparedRow) int64 { return int64(r.laps - r.left) })
	t.count("laps_left_out", func(r *comparedRow) int64 { return int64(r.left) })
	t.count("laps_without_damage", func(r *comparedRow) int64 { return int64(r.undamaged) })
	t.count("laps_without_distance", func(r *comparedRow) int64 { return int64(r.laps - r.measured) })
	t.count("circuits", func(r *comparedRow) int64 { return int64(r.circuits) })
	t.number("km", "km", func(r *comparedRow) float64 { return r.km })
	t.number("damage_per_km_mean", "1/km", func(r *comparedRow) float64 { return r.perKm })
	t.number("damage_per_lap_mean", "", func(r *comparedRow) float64 { return r.perLap })
	t.number("ratio", "", func(r *comparedRow) float64 { return r.ratio })
	t.number("ratio_low", "", func(r *comparedRow) float64 { return r.low })
	t.number("ratio_high", "", func(r *comparedRow) float64 { return r.high })
	t.number("p_value", "", func(r *comparedRow) float64 { return r.p })
	t.number("p_holm", "", func(r *comparedRow) float64 { return r.holm })
	t.number("degrees_of_freedom", "", func(r *comparedRow) float64 { return r.freedom })
	t.count("comparable_group", func(r *comparedRow) int64 { return int64(r.group) })
	t.text("against", func(r *comparedRow) string { return r.against })
	t.text("per", func(r *comparedRow) string { return r.basis })
	t.text("note", func(r *comparedRow) string { return strings.TrimSpace(r.note) })
	return t.frame()
}
