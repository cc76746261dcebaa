package season

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"lapwear/pipeline"
	"lapwear/stages/condense"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
	"lapwear/stages/rig"
)

// TestOptions choose what a test is planned for.
type TestOptions struct {
	Scenario string
	Lap      string   // to cut; "" for the one of the shortest test
	Mix      []string // laps to mix; nil for the hardest
}

// TestPlan is a planned rig test: its manifest, its tables, and the drive as a table.
type TestPlan struct {
	Plan   rig.Plan // without files
	Tables []Table
	Drive  *frame.Frame
}

// How many laps are cut to find the best: of those that take the shortest time
// uncut, and of each hot spot's hardest.
const (
	bestLaps    = 3
	hardestEach = 2
)

// driftHz is where a drive's displacement ends at the low side when neither the rig's
// band nor the season's says so; slower motion would take any stroke (common practice, no
// source).
const driftHz = 0.5

// planner plans a test from a season that is up to date.
type planner struct {
	o       TestOptions
	sc      *Scenario
	s       *Season // the scenario's
	b       *graphBuilder
	session *pipeline.Session
	laps    []Aside // set aside

	spots    []*spot // that are tested
	axes     []Channel
	demand   []rig.Demand // by spot; damages of repeats are those of a candidate
	table    lapTable
	warnings []string
	cuts     []*candidate
}

// candidate is a lap that is cut.
type candidate struct {
	lap       *Lap
	cut, task pipeline.TaskID
	why       string // it cannot be used

	shares  []condense.Share
	before  float64 // s
	after   float64
	per     []repeatDamage
	repeats []rig.Repeats // by the wanted method, by spot
	count   float64
	governs int
	hours   rig.Hours
}

// repeatDamage is the table damage of a drive for a hot spot.
type repeatDamage struct{ once, each, median, kept float64 }

// TestPlan brings the season up to date and plans a rig test from it.
func (s *Season) TestPlan(ctx context.Context, o pipeline.Options, earlier func() *pipeline.Record, t TestOptions) (*Outcome, *TestPlan, error) {
	var plan *TestPlan
	out, err := s.run(ctx, o, earlier, func(b *graphBuilder, session *pipeline.Session, out *Outcome) error {
		p := &planner{o: t, b: b, session: session, laps: out.Laps.AsideIn(t.Scenario)}
		var err error
		plan, err = p.plan(ctx, out.Tables)
		return err
	})
	return out, plan, err
}

func (p *planner) plan(ctx context.Context, tables []Table) (*TestPlan, error) {
	if err := p.begin(tables); err != nil {
		return nil, err
	}
	if err := p.candidates(); err != nil {
		return nil, err
	}
	if err := p.addTasks(); err != nil {
		return nil, err
	}
	if err := p.session.Run(ctx); err != nil {
		return nil, err
	}
	for _, c := range p.cuts {
		if err := p.take(ctx, c); err != nil {
			return nil, err
		}
	}
	best, err := p.best()
	if err != nil {
		return nil, err
	}
	return p.lay(ctx, best)
}

// begin finds the scenario, what the rig drives and which hot spots that tests.
func (p *planner) begin(tables []Table) error {
	for i := range p.b.scenarios {
		if p.b.scenarios[i].Name == p.o.Scenario {
			p.sc = &p.b.scenarios[i]
		}
	}
	if p.sc == nil {
		return fmt.Errorf("plan test: the season has no scenario %q", p.o.Scenario)
	}
	p.s = p.sc.Season
	var lost []string
	for _, sp := range p.b.usable() {
		switch {
		case sp.scenario != p.sc:
		case len(p.s.Rig.Drive) > 0 && !subset(sp.parts(), p.s.Rig.Drive):
			lost = append(lost, fmt.Sprintf("%s, which follows %s", sp.Name, strings.Join(sp.parts(), " and ")))
		default:
			p.spots = append(p.spots, sp)
		}
	}
	if len(lost) > 0 {
		p.warnings = append(p.warnings, fmt.Sprintf("the rig drives %s only and says nothing of %s", strings.Join(p.s.Rig.Drive, ", "), strings.Join(lost, "; ")))
	}
	if len(p.spots) == 0 {
		return fmt.Errorf("plan test: no hot spot of scenario %q follows a channel that the rig drives; correct rig: drive", p.sc.Name)
	}
	p.axes = p.driven()
	return p.read(tables)
}

// driven lists the channels that the rig follows, as the season file does.
func (p *planner) driven() []Channel {
	var names []string
	for _, sp := range p.spots {
		names = append(names, sp.parts()...)
	}
	names = append(names, p.s.Rig.Drive...)
	var out []Channel
	for _, c := range p.s.Channels {
		if slices.Contains(names, c.Name) {
			out = append(out, c)
		}
	}
	return out
}

// read takes what the tables of the season say.
func (p *planner) read(tables []Table) error {
	var err error
	if p.table, err = readLapTable(tableOf(tables, "laps"), p.sc.Name); err != nil {
		return err
	}
	seasons := tableOf(tables, "season")
	if seasons == nil {
		return fmt.Errorf("plan test: the season has no account; see what 'lapwear run' says")
	}
	scenario, err1 := frame.Get[[]string](seasons, "scenario")
	hotspot, err2 := frame.Get[[]string](seasons, "hotspot")
	total, err3 := frame.Get[[]float64](seasons, "season_damage")
	for _, err := range []error{err1, err2, err3} {
		if err != nil {
			return err
		}
	}
	for _, sp := range p.spots {
		d := rig.Demand{Hotspot: sp.Name, Season: math.NaN(), Scatter: sp.Material.Scatter}
		for i := range scenario {
			if scenario[i] == p.sc.Name && hotspot[i] == sp.Name {
				d.Season = total[i]
			}
		}
		if math.IsNaN(d.Season) {
			return fmt.Errorf("plan test: hot spot %q has no season damage; see what 'lapwear run' says", sp.Name)
		}
		p.demand = append(p.demand, d)
	}
	return nil
}

// lapTable is what the table laps says of a scenario.
type lapTable map[string]map[string]lapWear // by hot spot and lap

type lapWear struct{ damage, perSecond, seconds float64 }

func readLapTable(f *frame.Frame, scenario string) (lapTable, error) {
	if f == nil {
		return nil, fmt.Errorf("plan test: there is no table laps; see what 'lapwear run' says")
	}
	text := func(name string) []string { v, _ := frame.Get[[]string](f, name); return v }
	num := func(name string) []float64 { v, _ := frame.Get[[]float64](f, name); return v }
	of, laps, spots := text("scenario"), text("lap_id"), text("hotspot")
	wear, rate, seconds := num("damage"), num("damage_per_s"), num("duration_s")
	t := lapTable{}
	for i := range of {
		if of[i] != scenario || i >= len(wear) || i >= len(rate) || i >= len(seconds) {
			continue
		}
		if t[spots[i]] == nil {
			t[spots[i]] = map[string]lapWear{}
		}
		t[spots[i]][laps[i]] = lapWear{wear[i], rate[i], seconds[i]}
	}
	return t, nil
}

// usable lists the laps that count, in driven order.
func (p *planner) usable() []*Lap {
	aside := map[string]bool{}
	for _, a := range p.laps {
		aside[a.Lap] = true
	}
	var out []*Lap
	for _, l := range p.s.seasonLaps() {
		if w, ok := p.table[p.spots[0].Name][l.ID]; ok && !aside[l.ID] && w.seconds > 0 {
			out = append(out, l)
		}
	}
	return out
}

// testSeconds is how long a lap, run whole over and over, takes for the season's damage
// at every hot spot.
func (p *planner) testSeconds(l *Lap) float64 {
	worst := 0.0
	for i, sp := range p.spots {
		if p.demand[i].Season > 0 {
			worst = math.Max(worst, p.demand[i].Season/p.table[sp.Name][l.ID].perSecond)
		}
	}
	return worst
}

// ranked sorts laps by a figure, the least first; equal ones stay in driven order.
func ranked(laps []*Lap, figure func(*Lap) float64) []*Lap {
	out := slices.Clone(laps)
	slices.SortStableFunc(out, func(a, b *Lap) int {
		x, y := figure(a), figure(b)
		switch {
		case x < y || math.IsNaN(y) && !math.IsNaN(x):
			return -1
		case x > y || math.IsNaN(x) && !math.IsNaN(y):
			return 1
		}
		return 0
	})
	return out
}

// candidates chooses the laps to cut.
func (p *planner) candidates() error {
	laps := p.usable()
	var chosen []*Lap
	add := func(l *Lap) {
		if !slices.Contains(chosen, l) {
			chosen = append(chosen, l)
		}
	}
	if p.o.Lap != "" {
		l, err := namedLap(laps, p.o.Lap)
		if err != nil {
			return err
		}
		add(l)
	} else {
		for _, l := range first(ranked(laps, p.testSeconds), bestLaps) {
			add(l)
		}
	}
	for _, id := range p.o.Mix {
		l, err := namedLap(laps, id)
		if err != nil {
			return err
		}
		add(l)
	}
	if p.o.Mix == nil {
		for _, sp := range p.spots {
			for _, l := range first(ranked(laps, func(l *Lap) float64 { return -p.table[sp.Name][l.ID].perSecond }), hardestEach) {
				add(l)
			}
		}
	}
	if len(chosen) == 0 {
		return fmt.Errorf("plan test: no lap of scenario %q is usable", p.sc.Name)
	}
	for _, l := range chosen {
		p.cuts = append(p.cuts, &candidate{lap: l})
	}
	return nil
}

func first(laps []*Lap, n int) []*Lap { return laps[:min(n, len(laps))] }

func namedLap(laps []*Lap, id string) (*Lap, error) {
	for _, l := range laps {
		if l.ID == id {
			return l, nil
		}
	}
	return nil, fmt.Errorf("plan test: lap %q does not count in the season; see the table laps", id)
}

// addTasks adds what cuts the candidates and drives the rig with them.
func (p *planner) addTasks() error {
	multiple := 1
	if p.s.Signal.Rate > 0 {
		var err error
		if multiple, err = rig.Multiple(p.s.Signal.Rate, p.s.Rig.Rate); err != nil {
			return err
		}
	} else if p.s.Rig.Rate > 0 {
		return fmt.Errorf("plan test: rig: rate needs laps of one rate; give the season a signal: rate, or leave it out")
	}
	own, shared := p.b.needs()
	for _, c := range p.cuts {
		c.cut = p.b.graph.Add(p.condense(c.lap, multiple, own[p.sc], shared[p.sc]))
		c.task = p.b.graph.Add(pipeline.Task{Name: "drive " + c.lap.ID, Suffix: p.sc.Name, Lap: c.lap.ID, Stage: p.drive(),
			Inputs: []pipeline.Ref{
				{Label: rig.CutInput, Task: c.cut, Output: condense.Cut},
				{Label: rig.SharesInput, Task: c.cut, Output: condense.Shares}}})
	}
	return nil
}

func (p *planner) damageSpots() []damage.Spot {
	var out []damage.Spot
	for _, sp := range p.spots {
		out = append(out, damage.Spot{Name: sp.Name, Transfer: sp.transfer(), Strength: sp.strength()})
	}
	return out
}

func (p *planner) condense(l *Lap, multiple int, own, shared []string) pipeline.Task {
	st := condense.Params{Spots: p.damageSpots(), Share: p.s.Test.Share, Blend: p.s.Test.Blend, Gate: p.s.Signal.Gate, Multiple: multiple}
	t := pipeline.Task{Name: "condense " + l.ID, Suffix: p.sc.Name, Lap: l.ID}
	at := slices.Index(p.s.seasonLaps(), l)
	for _, sp := range p.spots {
		ref := p.b.graph.Task(sp.counts[at]).Inputs[0] // what is counted is what is cut
		ref.Label = condense.SpotInput(sp.Name)
		t.Inputs = append(t.Inputs, ref)
		for _, r := range sp.transferRef() {
			r.Label = damage.SpotTransfer(sp.Name)
			t.Inputs = append(t.Inputs, r)
		}
	}
	for _, c := range p.axes {
		st.Channels = append(st.Channels, c.Name)
		t.Inputs = append(t.Inputs, pipeline.Ref{Label: condense.ChannelInput(c.Name), Task: p.b.signals(p.sc, l, own, shared), Output: c.Name})
	}
	t.Stage = st
	return t
}

func (p *planner) drive() rig.Params {
	r := p.s.Rig
	st := rig.Params{Spots: p.damageSpots(), Rate: r.Rate, Drift: p.s.Signal.BandLow, Level: p.s.Test.Level,
		Limits: rig.Limits{Low: r.BandLow, High: r.BandHigh, Stroke: r.Stroke, Velocity: r.Velocity, Acceleration: r.Acceleration}}
	if st.Drift == 0 {
		st.Drift = driftHz
	}
	for _, c := range p.axes {
		a := rig.Axis{Channel: c.Name}
		if scale, base, ok := UnitScale(c.Unit); ok && base == acceleration.base() {
			a.Scale = scale
		}
		st.Axes = append(st.Axes, a)
	}
	return st
}

// take reads what came of a candidate and works out its test.
func (p *planner) take(ctx context.Context, c *candidate) error {
	for _, id := range []pipeline.TaskID{c.cut, c.task} {
		if st := p.session.State(id); !st.OK() {
			c.why = st.Reason
			return nil
		}
	}
	cut, err := p.session.Frame(ctx, c.cut, condense.Cut)
	if err != nil {
		return err
	}
	c.before, _ = cut.Number("seconds_before")
	c.after, _ = cut.Number("seconds_after")
	f, err := p.session.Frame(ctx, c.cut, condense.Shares)
	if err != nil {
		return err
	}
	if c.shares, err = condense.ReadShares(f); err != nil {
		return err
	}
	if f, err = p.session.Frame(ctx, c.task, rig.Damage); err != nil {
		return err
	}
	if c.per, err = readRepeatDamage(f); err != nil {
		return err
	}
	p.work(c)
	return nil
}

func readRepeatDamage(f *frame.Frame) ([]repeatDamage, error) {
	out := make([]repeatDamage, f.Rows())
	for _, col := range []struct {
		name string
		at   func(*repeatDamage) *float64
	}{
		{"damage_once", func(r *repeatDamage) *float64 { return &r.once }},
		{"damage_per_repeat", func(r *repeatDamage) *float64 { return &r.each }},
		{"damage_per_repeat_median", func(r *repeatDamage) *float64 { return &r.median }},
		{"kept", func(r *repeatDamage) *float64 { return &r.kept }},
	} {
		v, err := frame.Get[[]float64](f, col.name)
		if err != nil {
			return nil, err
		}
		for i := range out {
			*col.at(&out[i]) = v[i]
		}
	}
	return out, nil
}

// demandOf is a hot spot's demand with a candidate's damage of a repeat.
func (p *planner) demandOf(i int, c *candidate) rig.Demand {
	d := p.demand[i]
	d.PerRepeat, d.Median = c.per[i].each, c.per[i].median
	return d
}

func (p *planner) target() rig.Target {
	t, x := p.s.Target, p.s.Test
	return rig.Target{Seasons: t.Seasons, LifeFactor: t.LifeFactor, Specimens: x.Specimens, Reliability: x.Reliability, Confidence: x.Confidence}
}

func (p *planner) stops() rig.Stops {
	return rig.Stops{Dwell: p.s.Test.Dwell, Every: p.s.Test.InspectEvery, Takes: p.s.Test.InspectTakes}
}

// work finds a candidate's repeats: as many as the slowest hot spot needs, or, until
// failure, as the first one lasts.
func (p *planner) work(c *candidate) {
	c.governs, c.count = -1, math.NaN()
	for i := range p.spots {
		r := rig.RepeatsOf(p.demandOf(i, c), p.s.Test.Method, p.target())
		c.repeats = append(c.repeats, r)
		more := r.Count > c.count
		if p.s.Test.Method == rig.Failure {
			more = r.Count < c.count
		}
		if !math.IsNaN(r.Count) && (c.governs < 0 || more) {
			c.governs, c.count = i, r.Count
		}
		if math.IsNaN(r.Count) && r.Note != "" && p.s.Test.Method != rig.Failure {
			c.why = fmt.Sprintf("hot spot %q: %s", p.spots[i].Name, r.Note)
		}
	}
	if c.governs < 0 {
		c.why = fmt.Sprintf("hot spot %q: %s", p.spots[0].Name, c.repeats[0].Note)
		return
	}
	c.hours = rig.HoursOf(c.count, c.after, p.stops())
}

// best is the candidate of the shortest test, or of the lap that was asked for.
func (p *planner) best() (*candidate, error) {
	var best *candidate
	for _, c := range p.cuts {
		if c.why != "" || p.o.Lap != "" && c.lap.ID != p.o.Lap {
			continue
		}
		if best == nil || c.hours.Total < best.hours.Total {
			best = c
		}
	}
	if best != nil {
		return best, nil
	}
	return nil, fmt.Errorf("plan test: lap %s: %s", p.cuts[0].lap.ID, p.cuts[0].why)
}
