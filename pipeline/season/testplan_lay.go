package season

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages/calibrate"
	"lapwear/stages/condense"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
	"lapwear/stages/rig"
)

// layer lays a finished plan out, reading frames and keeping the first error.
type layer struct {
	*planner
	c    *candidate
	ctx  context.Context
	plan *TestPlan
	err  error
}

func (l *layer) fail(err error) {
	if l.err == nil {
		l.err = err
	}
}

func (l *layer) cutFrame(output string) *frame.Frame {
	f, err := l.session.Frame(l.ctx, l.c.cut, output)
	l.fail(err)
	return f
}

func (l *layer) driveFrame(output string) *frame.Frame {
	f, err := l.session.Frame(l.ctx, l.c.task, output)
	l.fail(err)
	return f
}

func (l *layer) table(name string, f *frame.Frame, err error) {
	l.fail(err)
	if f != nil && f.Rows() >= 0 {
		l.plan.Tables = append(l.plan.Tables, Table{Name: name, Frame: f})
	}
}

// lay lays the plan out: the manifest and its tables.
func (p *planner) lay(ctx context.Context, c *candidate) (*TestPlan, error) {
	l := &layer{planner: p, c: c, ctx: ctx, plan: &TestPlan{}}
	m := &l.plan.Plan
	m.Season, m.Component, m.Scenario = p.s.Season, p.s.Component, p.sc.Name
	l.plan.Drive = l.driveFrame(rig.Drive)
	pieces, curve := l.cutFrame(condense.Pieces), l.cutFrame(condense.Curve)
	motion, limits := l.driveFrame(rig.Motion), l.driveFrame(rig.LimitsOf)
	spectrum, levels := l.driveFrame(rig.Spectrum), l.driveFrame(rig.Levels)
	cut, signals := l.cutFrame(condense.Cut), l.driveFrame(rig.Spots)
	if l.err != nil {
		return nil, l.err
	}
	m.Cut = l.cutOf(cut, pieces)
	m.Drive = l.driveOf(motion)
	m.Hotspots, m.Rests = l.hotspots(), p.s.Rests()
	l.repeats()
	l.limits(limits)
	l.table("rank", l.rank(), nil)
	l.table("pieces", pieces, nil)
	l.table("outline", l.cutFrame(condense.Outline), nil)
	l.table("curve", curve, nil)
	l.table("motion", motion, nil)
	l.table("limits", rig.LimitsFrame(m.Limits, l.names()), nil)
	l.table("spectrum", spectrum, nil)
	l.table("levels", levels, nil)
	l.dwell()
	l.mix()
	l.equivalents(signals)
	m.Warnings = append([]string{}, l.warnings...)
	l.table("plan", planFrame(m), nil)
	l.responses()
	return l.plan, l.err
}

func (l *layer) cutOf(cut, pieces *frame.Frame) rig.CutOf {
	blend, _ := cut.Number("blend_s")
	out := rig.CutOf{LapID: l.c.lap.ID, Circuit: l.c.lap.Circuit, Before: rig.Real(l.c.before), After: rig.Real(l.c.after),
		Pieces: pieces.Rows(), Blend: rig.Real(blend), Wanted: rig.Real(l.s.Test.Share), Share: map[string]rig.Real{}, Joints: map[string]rig.Real{}}
	for _, s := range l.c.shares {
		out.Share[s.Hotspot], out.Joints[s.Hotspot] = rig.Real(s.Share), rig.Real(s.Joints)
	}
	return out
}

func (l *layer) driveOf(motion *frame.Frame) rig.DriveOf {
	st := l.drive()
	f := l.plan.Drive
	rate, _ := f.Number("rate_hz")
	low := st.Limits.Low
	if low == 0 {
		low = st.Drift
	}
	d := rig.DriveOf{Rate: rig.Real(rate), Samples: f.Rows(), Seconds: rig.Real(float64(f.Rows()) / rate),
		Low: rig.Real(low), High: rig.Real(math.NaN()), Level: rig.Real(st.Level)}
	if st.Limits.High > 0 {
		d.High = rig.Real(st.Limits.High)
	}
	cols := f.Columns()[1:]
	for i, a := range st.Axes {
		one := rig.AxisOf{Channel: a.Channel, Unit: l.axes[i].Unit, Scale: rig.Real(a.Scale), Column: cols[0].Name}
		x, err := frame.Get[[]float64](f, cols[0].Name)
		l.fail(err)
		one.Steady = rig.Real(mean(x))
		cols = cols[1:]
		if a.Scale != 0 {
			one.Displacement, cols = cols[0].Name, cols[1:]
		}
		one.Motion, err = rig.ReadMotion(motion, a.Channel)
		l.fail(err)
		d.Axes = append(d.Axes, one)
	}
	return d
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// strengthName names all that turns a hot spot's stress into damage.
func strengthName(s damage.Strength) string {
	h := key.New("strength", 1, "")
	s.AddTo(h)
	return h.Sum().String()
}

func (l *layer) hotspots() []rig.PlannedSpot {
	var out []rig.PlannedSpot
	for i, sp := range l.spots {
		s, d := l.c.shares[i], l.c.per[i]
		out = append(out, rig.PlannedSpot{Hotspot: sp.Name, Channel: sp.channel, Material: sp.MaterialName,
			Gain: rig.Real(s.Gain), Offset: rig.Real(sp.Offset), Factor: rig.Real(sp.StressFactor), Gate: rig.Real(s.Gate),
			Strength: strengthName(sp.strength()), SeasonDamage: rig.Real(l.demand[i].Season), Lap: rig.Real(s.Lap.Repeated),
			Cut: rig.Real(s.Cut.Repeated), Once: rig.Real(d.once), PerRepeat: rig.Real(d.each), Median: rig.Real(d.median), Kept: rig.Real(d.kept),
			Wanted: rig.Real(l.c.repeats[i].Wanted), Reached: rig.Real(l.c.count * l.c.repeats[i].PerRepeat / l.c.repeats[i].Wanted)})
	}
	return out
}

// repeats lays out the repeats by every method, the hours and the sequence of the wanted one.
func (l *layer) repeats() {
	m := &l.plan.Plan
	m.Method, m.Repeats, m.Governs = l.s.Test.Method, rig.Real(l.c.count), l.spots[l.c.governs].Name
	h := l.c.hours
	m.Hours, m.Running, m.Inspecting, m.Inspections = rig.Real(h.Total), rig.Real(h.Running), rig.Real(h.Inspecting), h.Inspections
	for _, r := range l.c.repeats {
		m.Sums = append(m.Sums, r.Hotspot+": "+r.Sum)
	}
	m.Sums = append(m.Sums, h.Sum)
	var all []rig.Repeats
	for _, method := range []string{rig.Pass, rig.Demonstration, rig.Failure} {
		for i := range l.spots {
			all = append(all, rig.RepeatsOf(l.demandOf(i, l.c), method, l.target()))
		}
	}
	l.table("repeats", repeatsFrame(all, l.c.after, l.stops()), nil)
	steps, err := rig.Sequence(l.c.count, l.c.after, l.stops())
	if err != nil {
		l.warnings = append(l.warnings, fmt.Sprintf("no sequence: %v; a repeat does %.3g times the wanted damage at %s, and %.3g times what the cut does there (rig: band and test: level take the rest)",
			err, l.c.per[l.c.governs].each/l.c.repeats[l.c.governs].Wanted, m.Governs, l.c.per[l.c.governs].kept))
	}
	l.table("sequence", sequenceFrame(steps), nil)
}

func repeatsFrame(all []rig.Repeats, seconds float64, s rig.Stops) *frame.Frame {
	var spot, method, sum, note []string
	var wanted, per, exact, count, hours []float64
	for _, r := range all {
		spot, method, sum, note = append(spot, r.Hotspot), append(method, r.Method), append(sum, r.Sum), append(note, r.Note)
		wanted, per, exact, count = append(wanted, r.Wanted), append(per, r.PerRepeat), append(exact, r.Exact), append(count, r.Count)
		h := math.NaN()
		if !math.IsNaN(r.Count) {
			h = rig.HoursOf(r.Count, seconds, s).Total
		}
		hours = append(hours, h)
	}
	return frame.Must(nil, frame.Col("hotspot", "", spot), frame.Col("method", "", method), frame.Col("damage_wanted", "", wanted),
		frame.Col("damage_per_repeat", "", per), frame.Col("repeats_exact", "", exact), frame.Col("repeats", "", count),
		frame.Col("hours", "h", hours), frame.Col("arithmetic", "", sum), frame.Col("note", "", note))
}

func sequenceFrame(steps []rig.Step) *frame.Frame {
	var n []int64
	var kind []string
	var first, last, begins, ends, done []float64
	for i, s := range steps {
		n, kind = append(n, int64(i+1)), append(kind, s.Kind)
		first, last, begins, ends, done = append(first, s.First), append(last, s.Last), append(begins, s.Begins), append(ends, s.Ends), append(done, s.Done)
	}
	if n == nil {
		n = []int64{}
	}
	return frame.Must(nil, frame.Col("step", "", n), frame.Col("does", "", kind), frame.Col("first_repeat", "", first), frame.Col("last_repeat", "", last),
		frame.Col("begins_h", "h", begins), frame.Col("ends_h", "h", ends), frame.Col("done", "", done))
}

// limits takes the findings over, the payload's among them.
func (l *layer) limits(f *frame.Frame) {
	m := &l.plan.Plan
	found, err := rig.ReadLimits(f)
	l.fail(err)
	m.Limits = found
	r, t := l.s.Rig, l.s.Test
	if r.Payload > 0 && t.Mass > r.Payload {
		m.Limits = append(m.Limits, rig.LimitOf{Axis: "", Quantity: "payload", Unit: "kg", Value: rig.Real(t.Mass), Limit: rig.Real(r.Payload),
			AtS: rig.Real(math.NaN()), BeyondS: rig.Real(math.NaN()),
			Fixes: []rig.FixOf{{Fix: "move no more than the rig carries, fixture included, in kg", Setting: rig.Real(r.Payload), Kept: map[string]rig.Real{}}}})
	}
	m.FindRemedy(l.stops())
	for i, a := range m.Drive.Axes {
		if a.Scale == 0 {
			l.warnings = append(l.warnings, fmt.Sprintf("axis %s is in %s, no acceleration: its motion is not known and no limit of it checked", a.Channel, l.axes[i].Unit))
		}
	}
	if r.Payload > 0 && t.Mass == 0 {
		l.warnings = append(l.warnings, "the rig's payload is not checked: test: mass is not given")
	}
	for _, s := range l.c.shares {
		if s.Joints > 0.01 {
			l.warnings = append(l.warnings, fmt.Sprintf("cycles that turn within joints do %.1f %% of the cut's damage at %s; give test: blend %s", 100*s.Joints, s.Hotspot, l.blendAdvice()))
		}
	}
	for _, c := range l.cuts {
		if c.why != "" {
			l.warnings = append(l.warnings, fmt.Sprintf("lap %s is left out: %s", c.lap.ID, c.why))
		}
	}
}

// atRest is up to which part of its greatest motion an axis is at rest.
const atRest = 0.01

// dwell says from what motion the rig has to come to rest to dwell, for the drive joins its own beginning.
func (l *layer) dwell() {
	if l.s.Test.Dwell == 0 {
		return
	}
	for _, a := range l.plan.Plan.Drive.Axes {
		if a.Displacement == "" || len(a.Motion) == 0 {
			continue
		}
		x, err := frame.Get[[]float64](l.plan.Drive, a.Displacement)
		if err != nil {
			l.fail(err)
			return
		}
		if span := 1000 * float64(a.Motion[0].Span); math.Abs(x[0]) > atRest*span {
			l.warnings = append(l.warnings, fmt.Sprintf("a repeat of the drive begins and ends in motion, %s at %.3g mm of %.3g mm from end to end: "+
				"for test: dwell the rig has to ramp to rest and back within %g s, which does no planned damage; rigcheck counts what it does",
				a.Channel, x[0], span, l.s.Test.Dwell))
		}
	}
}

// longJoints is from which share of a cut's time on its joints are rather too long (common practice, no source).
const longJoints = 0.1

func (l *layer) blendAdvice() string {
	c := l.plan.Plan.Cut
	if float64(c.Blend)*float64(c.Pieces) > longJoints*float64(c.After) {
		return "less"
	}
	return "more"
}

func (l *layer) names() []string {
	var out []string
	for _, sp := range l.spots {
		out = append(out, sp.Name)
	}
	return out
}

// rank lists the laps by damage per second, for every hot spot.
func (l *layer) rank() *frame.Frame {
	var spot, id, circuit []string
	var place []int64
	var rate, wear, seconds []float64
	laps := l.usable()
	for _, sp := range l.spots {
		for i, lap := range ranked(laps, func(x *Lap) float64 { return -l.planner.table[sp.Name][x.ID].perSecond }) {
			w := l.planner.table[sp.Name][lap.ID]
			spot, id, circuit, place = append(spot, sp.Name), append(id, lap.ID), append(circuit, lap.Circuit), append(place, int64(i+1))
			rate, wear, seconds = append(rate, w.perSecond), append(wear, w.damage), append(seconds, w.seconds)
		}
	}
	return frame.Must(nil, frame.Col("hotspot", "", spot), frame.Col("rank", "", place), frame.Col("lap_id", "", id), frame.Col("circuit", "", circuit),
		frame.Col("damage_per_s", "1/s", rate), frame.Col("damage", "", wear), frame.Col("duration_s", "s", seconds))
}

// mix finds the least time for all hot spots from the candidates, cut and whole, and
// compares it with repeats of the one lap.
func (l *layer) mix() {
	m := &l.plan.Plan
	m.Mix = rig.MixOf{Band: rig.Real(l.s.Test.MixBand), Parts: []rig.MixPart{}, Reached: map[string]rig.Real{}, Hours: rig.Real(math.NaN()), Single: m.Running}
	names := l.names()
	var wanted []float64
	for _, r := range l.c.repeats {
		wanted = append(wanted, r.Wanted)
	}
	if m.Method == rig.Failure {
		m.Mix.Why = "a mix reproduces the season's damage; a test to failure has no such target"
		return
	}
	items, parts := l.ingredients()
	mixed, err := rig.Mix(names, items, wanted, l.s.Test.MixBand)
	var none *rig.Infeasible
	switch {
	case errors.As(err, &none) || err != nil:
		m.Mix.Why = err.Error()
	default:
		m.Mix.Hours = rig.Real(mixed.Hours)
		for j, n := range mixed.Repeats {
			if n > 0 {
				parts[j].Repeats = rig.Real(n)
				m.Mix.Parts = append(m.Mix.Parts, parts[j])
			}
		}
		for h, n := range names {
			m.Mix.Reached[n] = rig.Real(mixed.Reached[h])
		}
	}
	l.table("mix", mixFrame(m.Mix.Parts), nil)
}

// ingredients are the candidates' drives and their whole laps, these by what the rig
// makes of the cut.
func (l *layer) ingredients() ([]rig.Ingredient, []rig.MixPart) {
	var items []rig.Ingredient
	var parts []rig.MixPart
	for _, c := range l.cuts {
		if c.per == nil {
			continue
		}
		cut := rig.Ingredient{Name: c.lap.ID, Seconds: c.after + l.s.Test.Dwell}
		whole := rig.Ingredient{Name: c.lap.ID, Seconds: c.before + l.s.Test.Dwell}
		for i := range l.spots {
			cut.Damage = append(cut.Damage, c.per[i].each)
			kept := 0.0
			if c.shares[i].Cut.Repeated > 0 {
				kept = c.per[i].each / c.shares[i].Cut.Repeated
			}
			whole.Damage = append(whole.Damage, c.shares[i].Lap.Repeated*kept)
		}
		items = append(items, cut, whole)
		parts = append(parts, rig.MixPart{LapID: c.lap.ID, What: "cut", Seconds: rig.Real(c.after)}, rig.MixPart{LapID: c.lap.ID, What: "lap", Seconds: rig.Real(c.before)})
	}
	return items, parts
}

// responses keeps the transfers that are more than a gain, from which the rig's recordings are turned into stress.
func (l *layer) responses() {
	var spot, channel []string
	var rate, weight []float64
	for _, sp := range l.spots {
		if !sp.predicted() {
			continue
		}
		f, err := l.session.Frame(l.ctx, sp.fit, calibrate.Transfer)
		if err != nil {
			l.fail(err)
			return
		}
		channels, err1 := frame.Get[[]string](f, "channel")
		weights, err2 := frame.Get[[]float64](f, "weight")
		l.fail(errors.Join(err1, err2))
		at, _ := f.Number("rate_hz")
		for range channels {
			spot, rate = append(spot, sp.Name), append(rate, at)
		}
		channel, weight = append(channel, channels...), append(weight, weights...)
	}
	if spot != nil {
		l.table(responsesTable, frame.Must(nil, frame.Col("hotspot", "", spot), frame.Col("channel", "", channel),
			frame.Col("rate_hz", "Hz", rate), frame.Col("weight_mpa_per_unit", "", weight)), nil)
	}
}

// responsesTable is the plan's table of transfers that are more than a gain.
const responsesTable = "responses"

// planFrame sums the plan up, a row a hot spot; what holds for all of them stands in every row.
func planFrame(m *rig.Plan) *frame.Frame {
	l := &frame.Layout[rig.PlannedSpot]{Rows: m.Hotspots}
	every := func(v string) func(*rig.PlannedSpot) string { return func(*rig.PlannedSpot) string { return v } }
	all := func(v rig.Real) func(*rig.PlannedSpot) float64 {
		return func(*rig.PlannedSpot) float64 { return float64(v) }
	}
	l.Text("hotspot", func(h *rig.PlannedSpot) string { return h.Hotspot })
	l.Text("scenario", every(m.Scenario))
	l.Text("channel", func(h *rig.PlannedSpot) string { return h.Channel })
	l.Text("lap_id", every(m.Cut.LapID))
	l.Text("circuit", every(m.Cut.Circuit))
	l.Number("lap_seconds", "s", all(m.Cut.Before))
	l.Number("cut_seconds", "s", all(m.Cut.After))
	l.Count("pieces", func(*rig.PlannedSpot) int { return m.Cut.Pieces })
	planShares(l, m)
	l.Text("method", every(m.Method))
	l.Number("repeats", "", all(m.Repeats))
	l.Text("decided_by", every(m.Governs))
	l.Number("hours", "h", all(m.Hours))
	l.Number("hours_running", "h", all(m.Running))
	l.Number("reached_over_wanted", "", func(h *rig.PlannedSpot) float64 { return float64(h.Reached) })
	l.Number("mix_hours_running", "h", all(m.Mix.Hours))
	l.Number("mix_reached_over_wanted", "", ofSpot(m.Mix.Reached))
	l.Number("mix_band", "", all(m.Mix.Band))
	l.Text("mix_refused", every(m.Mix.Why))
	l.Text("warnings", every(strings.Join(m.Warnings, "; ")))
	remedy := rig.RemedyOf{Level: rig.Real(math.NaN()), Repeats: rig.Real(math.NaN()), Hours: rig.Real(math.NaN())}
	if m.Remedy != nil {
		remedy = *m.Remedy
	}
	l.Number("remedy_level", "", all(remedy.Level))
	l.Number("remedy_repeats", "", all(remedy.Repeats))
	l.Number("remedy_hours", "h", all(remedy.Hours))
	return l.Frame()
}

// ofSpot looks a hot spot's figure up.
func ofSpot(m map[string]rig.Real) func(*rig.PlannedSpot) float64 {
	return func(h *rig.PlannedSpot) float64 {
		if v, ok := m[h.Hotspot]; ok {
			return float64(v)
		}
		return math.NaN()
	}
}

func planShares(l *frame.Layout[rig.PlannedSpot], m *rig.Plan) {
	l.Number("share_wanted", "", func(*rig.PlannedSpot) float64 { return float64(m.Cut.Wanted) })
	l.Number("share_kept", "", ofSpot(m.Cut.Share))
	l.Number("share_in_joints", "", ofSpot(m.Cut.Joints))
	for _, c := range []struct {
		name string
		of   func(h *rig.PlannedSpot) rig.Real
	}{
		{"drive_over_cut", func(h *rig.PlannedSpot) rig.Real { return h.Kept }},
		{"season_damage", func(h *rig.PlannedSpot) rig.Real { return h.SeasonDamage }},
		{"damage_wanted", func(h *rig.PlannedSpot) rig.Real { return h.Wanted }},
		{"damage_per_repeat", func(h *rig.PlannedSpot) rig.Real { return h.PerRepeat }},
		{"damage_per_repeat_median", func(h *rig.PlannedSpot) rig.Real { return h.Median }},
	} {
		l.Number(c.name, "", func(h *rig.PlannedSpot) float64 { return float64(c.of(h)) })
	}
}

func mixFrame(parts []rig.MixPart) *frame.Frame {
	id, what := []string{}, []string{}
	var seconds, repeats []float64
	for _, p := range parts {
		id, what = append(id, p.LapID), append(what, p.What)
		seconds, repeats = append(seconds, float64(p.Seconds)), append(repeats, float64(p.Repeats))
	}
	return frame.Must(nil, frame.Col("lap_id", "", id), frame.Col("what", "", what), frame.Col("seconds", "s", seconds), frame.Col("repeats", "", repeats))
}

// equivalents lays out tests of equal damage: constant amplitude, blocks, and a shaped
// random shaking of each axis.
func (l *layer) equivalents(signals *frame.Frame) {
	m := &l.plan.Plan
	m.Equivalents = rig.Equivalents{Constant: []rig.ConstantOf{}, Random: []rig.RandomFor{}}
	var spot []string
	var amplitude, unit, cycles, done []float64
	for i, d := range l.damageSpots() {
		d.Transfer.Gain = l.c.shares[i].Gain
		meter, err := damage.NewMeter(d, l.c.shares[i].Gate)
		l.fail(err)
		x, err := frame.Get[[]float64](signals, d.Name)
		l.fail(err)
		if l.err != nil {
			return
		}
		per := math.Abs(d.Transfer.Gain * d.Transfer.Factor)
		one := rig.Constant(meter, l.c.per[i].each*l.c.count, l.s.Damage.ReferenceCycles)
		m.Equivalents.Constant = append(m.Equivalents.Constant, rig.ConstantOf{Hotspot: d.Name, Amplitude: rig.Real(one.Amplitude),
			Channel: rig.Real(one.Amplitude / per), Cycles: rig.Real(one.Cycles)})
		blocks, err := rig.Blocks(meter, x, l.c.count)
		l.fail(err)
		for _, b := range blocks {
			spot, amplitude, unit = append(spot, d.Name), append(amplitude, b.Amplitude), append(unit, b.Amplitude/per)
			cycles, done = append(cycles, b.Cycles), append(done, b.Damage)
		}
	}
	l.table("blocks", frame.Must(nil, frame.Col("hotspot", "", spot), frame.Col("amplitude_mpa", "MPa", amplitude),
		frame.Col("amplitude_unit", "", unit), frame.Col("cycles", "", cycles), frame.Col("damage", "", done)), nil)
	l.random()
}

// slope is the S-N slope that the random equivalent is made for.
func (l *layer) slope() float64 {
	if l.s.Test.Slope > 0 {
		return l.s.Test.Slope
	}
	top := 0.0
	for _, sp := range l.spots {
		switch c := sp.Material.Curve.(type) {
		case fatigue.Power:
			top = max(top, c.Slope)
		case fatigue.EquivalentStress:
			top = max(top, -c.A2)
		}
	}
	if top == 0 {
		return defaultSlope
	}
	return top
}

// defaultSlope stands for curves without one slope (common practice, no source).
const defaultSlope = 5

func (l *layer) random() {
	m := &l.plan.Plan
	var axis []string
	var freq, density, reached, largest []float64
	for i, a := range m.Drive.Axes {
		if a.Scale == 0 {
			continue
		}
		x, err := frame.Get[[]float64](l.plan.Drive, a.Column)
		l.fail(err)
		acc := make([]float64, len(x))
		for k, v := range x {
			acc[k] = (v - float64(a.Steady)) * float64(a.Scale)
		}
		r, f, err := l.randomOf(acc)
		if err != nil {
			l.warnings = append(l.warnings, fmt.Sprintf("no random equivalent of axis %s: %v", l.axes[i].Name, err))
			continue
		}
		f.Axis = l.axes[i].Name
		m.Equivalents.Random = append(m.Equivalents.Random, f)
		for range r.Freq {
			axis = append(axis, f.Axis)
		}
		freq, density = append(freq, r.Freq...), append(density, r.Density...)
		reached, largest = append(reached, r.Reached...), append(largest, r.Largest...)
	}
	if axis == nil {
		axis = []string{}
	}
	l.table("equivalents", frame.Must(nil, frame.Col("axis", "", axis), frame.Col("frequency_hz", "Hz", freq),
		frame.Col("density_m2_per_s4_per_hz", "(m/s2)2/Hz", density), frame.Col("damage_over_wanted", "", reached),
		frame.Col("largest_response_over_drive", "", largest)), nil)
}

func (l *layer) randomOf(acc []float64) (rig.Random, rig.RandomFor, error) {
	m, t := &l.plan.Plan, l.s.Test
	running := float64(m.Drive.Seconds) * float64(m.Repeats)
	seconds := t.Random
	if seconds == 0 {
		seconds = running
	}
	high := float64(m.Drive.High)
	if math.IsNaN(high) {
		high = l.s.Signal.BandHigh
	}
	if high == 0 {
		high = math.Inf(1)
	}
	s := rig.Shaking{Acceleration: acc, Rate: float64(m.Drive.Rate), Repeats: float64(m.Repeats), Low: float64(m.Drive.Low), High: high,
		Seconds: seconds, Q: t.Q, Slope: l.slope()}
	r, err := rig.RandomOf(s)
	if err != nil {
		return r, rig.RandomFor{}, err
	}
	faster := running / seconds
	f := rig.RandomFor{RMS: rig.Real(r.RMS), Hours: rig.Real(seconds / 3600), Q: rig.Real(t.Q), Slope: rig.Real(s.Slope),
		Largest: rig.Real(r.Over), Faster: rig.Real(faster), Level: rig.Real(math.Pow(faster, 1/s.Slope)),
		Least: rig.Real(slices.Min(r.Reached)), Most: rig.Real(slices.Max(r.Reached)), Matches: rig.Real(r.Matches / 3600)}
	f.Warning = randomWarning(f)
	if f.Warning != "" {
		l.warnings = append(l.warnings, "random equivalent: "+f.Warning)
	}
	return r, f, nil
}

// unequal is from which ratio to the wanted damage on it is said that a random equivalent is none everywhere (common practice, no source).
const unequal = 1.25

// randomWarning says in what a random shaking is not the drive's equal: damage, and peaks, which are those of Gaussian noise and, beyond
// that, of a test made shorter.
func randomWarning(f rig.RandomFor) string {
	var out []string
	if f.Most > unequal || f.Least < 1/unequal {
		out = append(out, fmt.Sprintf("resonances take from %.3g to %.3g times the wanted damage, for a spectrum so broad about each cannot match all; see the table equivalents",
			float64(f.Least), float64(f.Most)))
	}
	if f.Largest > 1 {
		why := "the peaks of random shaking exceed the drive's, not made shorter as it is"
		if f.Faster > 1 {
			why = fmt.Sprintf("over-compressed: %.3g times as fast as the drive (twice the level takes 1/%.3g of the time)", float64(f.Faster), fatigue.TimeCompression(2, float64(f.Slope)))
		}
		text := fmt.Sprintf("%s: responses up to %.3g times the drive's are to be expected, which may yield, loosen or rattle what the bike does not", why, float64(f.Largest))
		if !math.IsNaN(float64(f.Matches)) {
			text += fmt.Sprintf("; give test: random %.3g h to match its peaks", float64(f.Matches))
		}
		out = append(out, text)
	}
	return strings.Join(out, "; ")
}
