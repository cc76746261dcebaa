package season

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/pipeline"
	"lapwear/stages"
	"lapwear/stages/aggregate"
	"lapwear/stages/calibrate"
	"lapwear/stages/count"
	"lapwear/stages/damage"
	"lapwear/stages/ingest"
	"lapwear/stages/resample"
)

// What a lap is used for, as the manifest says it.
const (
	useSeason      = "season"
	useCalibration = "calibration"
	useBoth        = "both"
)

// graphBuilder turns the scenarios of a season into tasks, step by step: calibrations,
// laps, season. Which channel a hot spot follows may be known only when it is
// calibrated, and whether a lap can be read for all at once only when that was tried. A
// step may be taken again: tasks that stay as they were are not added twice.
type graphBuilder struct {
	graph     *pipeline.Graph
	scenarios []Scenario
	size      func(path string) int64 // of a file in bytes; 0 = unknown

	readers   map[reader]pipeline.TaskID     // ingest, by what it reads
	channels  map[pipeline.TaskID][]string   // what a reader reads
	uses      map[pipeline.TaskID][][]string // what each use of a reader needs of it
	columns   map[*Season]int                // how each reads its channels; equal for those that read them alike
	selected  *selection                     // the last one
	labels    map[string]*lapLabels          // by lap
	drawn     map[*Season]*drawnLaps
	alone     map[string]bool // laps that every use reads by itself
	only      map[string]bool // the season's laps that are meant; nil = all
	rounds    int             // of calibrations so far
	spots     []*spot
	qualities []lapTask
	verdicts  []verdictTask
}

// spot is a hot spot under a scenario.
type spot struct {
	scenario *Scenario
	*Hotspot

	fitted   bool
	fit      pipeline.TaskID   // of its transfer, when fitted
	evidence pipeline.TaskID   // of what the transfer rests on, when fitted
	channel  string            // what it follows; "" when calibration failed
	counts   []pipeline.TaskID // of the season's laps
	damages  []pipeline.TaskID
	figures  *figuresOf // of the damages; nil = not added yet
	account  pipeline.TaskID

	// Its laps differ in nothing but their inputs, and there are many: they share what is equal.
	counting, summing *step
	summed            []summed // damage, in the order of the season's laps
}

// step is what tasks of many laps do alike.
type step struct {
	stage  stages.Stage
	fields []byte
}

func newStep(stage stages.Stage) *step { return &step{stage, key.AppendFields(nil, stage.AddTo)} }

// selection is what is read of a lap; most laps of a season have the same.
type selection struct {
	season   *Season
	need     []string
	channels []ingest.Channel
	ranges   []float64
	names    []string
	joined   string // the names
}

// lapLabels are the labels of a lap's results as inputs.
type lapLabels struct{ damage, cycles string }

// labelsOf returns a lap's labels, which all tasks share that draw laps together.
func (b *graphBuilder) labelsOf(lap string) *lapLabels {
	l := b.labels[lap]
	if l == nil {
		l = &lapLabels{aggregate.Label(aggregate.DamageKind, lap), aggregate.Label(aggregate.CyclesKind, lap)}
		b.labels[lap] = l
	}
	return l
}

// reader is what an ingest task of a lap depends on besides its channels.
type reader struct {
	lap, path  string
	start, end float64
	time       Time
	columns    int    // the channels' definitions, as columnsOf numbers them
	only       string // the channels themselves, where a lap is read for one use alone
}

func (b *graphBuilder) reader(s *Season, l *Lap, only string) reader {
	// NaN does not equal itself: no bound is written as infinity here.
	return reader{lap: l.ID, path: l.Path, start: bound(l.StartS, -1), end: bound(l.EndS, 1), time: s.Time, columns: b.columnsOf(s), only: only}
}

type lapTask struct {
	lap  string
	task pipeline.TaskID
}

// verdictTask judges the laps of a use under a scenario.
type verdictTask struct {
	scenario *Scenario
	use      string   // useSeason or useCalibration
	hotspots []string // of a calibration; of the season all are meant
	task     pipeline.TaskID
}

// tasksOf is about how many tasks a season has, but for its scenarios, which may share most of them.
func tasksOf(s *Season) int { return len(s.Laps)*(1+2*len(s.Hotspots)) + 4*len(s.Hotspots) }

func newGraphBuilder(scenarios []Scenario, size func(string) int64) *graphBuilder {
	b := &graphBuilder{graph: pipeline.NewGraphFor(tasksOf(scenarios[0].Season)), scenarios: scenarios, size: size,
		readers: map[reader]pipeline.TaskID{}, channels: map[pipeline.TaskID][]string{},
		uses: map[pipeline.TaskID][][]string{}, columns: map[*Season]int{}, labels: map[string]*lapLabels{},
		drawn: map[*Season]*drawnLaps{}, alone: map[string]bool{}}
	b.graph.Weigh = b.weight
	for i := range scenarios {
		sc := &scenarios[i]
		for j := range sc.Season.Hotspots {
			h := &sc.Season.Hotspots[j]
			b.spots = append(b.spots, &spot{scenario: sc, Hotspot: h, fitted: h.Gauge != "", channel: h.Follow})
		}
	}
	return b
}

// calibrations adds the tasks that fit gains: the first step. It is taken again when
// the season's laps are read, with which those of the calibration are compared then;
// settled says that nothing else has changed since.
func (b *graphBuilder) calibrations(settled bool) {
	fits, need := map[*Scenario][]string{}, map[*Scenario][]string{}
	for _, sp := range b.spots {
		if sp.fitted {
			fits[sp.scenario] = append(fits[sp.scenario], sp.fits()...)
			need[sp.scenario] = append(append(need[sp.scenario], sp.fits()...), sp.rivals()...)
		}
	}
	for i := range b.scenarios {
		if sc := &b.scenarios[i]; len(need[sc]) > 0 {
			b.readOnce(sc, fits[sc], need[sc])
		}
	}
	b.verdicts = nil
	for _, sp := range b.spots {
		if sp.fitted {
			verdicts := b.judgeCalibration(sp, need[sp.scenario])
			if b.rounds == 0 || !settled || comparesLaps(sp.scenario.Season.Quality) {
				b.calibration(sp, need[sp.scenario], verdicts)
			}
		}
	}
	b.rounds++
}

// round tells the names of the tasks of one round of calibrations from those of the
// first.
func (b *graphBuilder) round() string {
	if b.rounds == 0 {
		return ""
	}
	return fmt.Sprint(" round ", b.rounds+1)
}

// comparesLaps tells whether a comparison with other laps may set one aside.
func comparesLaps(checks []aggregate.Check) bool {
	return slices.ContainsFunc(checks, func(c aggregate.Check) bool { return c.Severity == aggregate.SetAside && c.Compares() })
}

// fits lists the channels that a hot spot's calibration needs.
func (sp *spot) fits() []string { return append(sp.candidates(), sp.Gauge) }

// readOnce lets a lap that both calibrates and counts be read once, with what either
// use of it needs: fits of the calibrations, need with what is compared.
func (b *graphBuilder) readOnce(sc *Scenario, fits, need []string) {
	all := slices.Clone(need)
	for _, sp := range b.spots {
		if sp.scenario == sc && !sp.fitted {
			all = append(all, sp.channel)
		}
	}
	for i := range sc.Season.Laps {
		if l := &sc.Season.Laps[i]; l.Use == useBoth && !b.alone[l.ID] {
			b.ingest(sc, l, fits, all)
		}
	}
}

// needs lists, by scenario, the channels that its hot spots follow, and those that are
// read for it together with others.
func (b *graphBuilder) needs() (own, shared map[*Scenario][]string) {
	own, shared = map[*Scenario][]string{}, map[*Scenario][]string{}
	for _, sp := range b.usable() {
		own[sp.scenario] = append(own[sp.scenario], sp.parts()...)
		shared[sp.scenario] = append(shared[sp.scenario], sp.parts()...)
	}
	b.shareNeeds(shared)
	return own, shared
}

// laps adds the tasks that read and count the season's laps: the second step.
func (b *graphBuilder) laps() {
	own, shared := b.needs()
	read := map[*Scenario][]lapInputs{}
	for _, sp := range b.usable() {
		laps := b.seasonLaps(sp)
		if read[sp.scenario] == nil {
			read[sp.scenario] = make([]lapInputs, len(laps))
		}
		sp.counts = make([]pipeline.TaskID, len(laps))
		for i, l := range laps {
			r := &read[sp.scenario][i]
			if !r.known {
				*r = b.lapInputs(sp.scenario, l, own[sp.scenario], shared[sp.scenario])
			}
			sp.counts[i] = b.count(sp, l, r)
		}
	}
	b.earlyDamages()
}

// lapInputs are what the counts of a lap read, whatever the hot spot.
type lapInputs struct {
	known    bool
	signals  pipeline.TaskID
	position []pipeline.Ref
	only     string // as onlyOf names it
}

func (b *graphBuilder) lapInputs(sc *Scenario, l *Lap, own, shared []string) lapInputs {
	return lapInputs{true, b.signals(sc, l, own, shared), b.positionRef(sc, l, own, shared), b.onlyOf(l, own)}
}

// earlyDamages adds the damage of laps that no later step can have counted otherwise, nor at another gain: summed while
// their cycles are in memory, it need not read them back.
func (b *graphBuilder) earlyDamages() {
	parted := map[string]bool{} // laps that may yet be read by each use alone
	for _, q := range b.qualities {
		if b.parts(q) {
			parted[q.lap] = true
		}
	}
	for _, sp := range b.usable() {
		if sp.fitted && comparesLaps(sp.scenario.Season.Quality) {
			continue
		}
		for i, l := range b.seasonLaps(sp) {
			if !parted[l.ID] {
				b.damage(sp, i, l)
			}
		}
	}
}

// parts tells whether a lap's reading serves uses of which one needs less.
func (b *graphBuilder) parts(q lapTask) bool {
	less := func(own []string) bool { return !subset(b.channels[q.task], own) }
	return !b.alone[q.lap] && slices.ContainsFunc(b.uses[q.task], less)
}

// season adds damage, accounts and tables: the last step. It returns the tables' tasks
// by name.
func (b *graphBuilder) season() []tableTask {
	if slices.ContainsFunc(b.usable(), func(sp *spot) bool { return sp.counts == nil }) {
		b.laps()
	}
	own, shared := b.needs()
	b.addDamages()
	verdicts := map[*Scenario]pipeline.TaskID{}
	for i := range b.scenarios {
		if sc := &b.scenarios[i]; len(own[sc]) > 0 {
			verdicts[sc] = b.judgeSeason(sc, own[sc], shared[sc])
		}
	}
	for _, sp := range b.usable() {
		b.account(sp, verdicts[sp.scenario])
	}
	return b.tables(verdicts)
}

// addDamages adds the damage of the laps that are counted.
func (b *graphBuilder) addDamages() {
	for _, sp := range b.usable() {
		laps := b.seasonLaps(sp)
		sp.damages, sp.figures = make([]pipeline.TaskID, len(laps)), nil
		for i, l := range laps {
			sp.damages[i] = b.damage(sp, i, l)
		}
	}
}

// seasonLaps lists the laps that count toward the season and are meant.
func (b *graphBuilder) seasonLaps(sp *spot) []*Lap {
	all := sp.scenario.Season.seasonLaps()
	if b.only == nil {
		return all
	}
	return slices.DeleteFunc(all, func(l *Lap) bool { return !b.only[l.ID] })
}

// usable lists the hot spots that have a channel to follow.
func (b *graphBuilder) usable() []*spot {
	return slices.DeleteFunc(slices.Clone(b.spots), func(sp *spot) bool { return sp.channel == "" })
}

// shareNeeds lets scenarios that read the same columns read them together.
func (b *graphBuilder) shareNeeds(need map[*Scenario][]string) {
	shared := map[int][]string{}
	for i := range b.scenarios {
		sc := &b.scenarios[i]
		k := b.columnsOf(sc.Season)
		shared[k] = append(shared[k], need[sc]...)
	}
	for i := range b.scenarios {
		sc := &b.scenarios[i]
		need[sc] = shared[b.columnsOf(sc.Season)]
	}
}

// columnsOf is a number for how a season reads its channels; seasons that read them alike have the same.
func (b *graphBuilder) columnsOf(s *Season) int {
	if n, ok := b.columns[s]; ok {
		return n
	}
	n := len(b.columns)
	for other, is := range b.columns {
		if columns(other) == columns(s) {
			n = is
		}
	}
	b.columns[s] = n
	return n
}

// columns spells out how a season reads its channels.
func columns(s *Season) string {
	var t strings.Builder
	for _, c := range s.Channels {
		t.WriteString(c.Name + "\x00" + c.Column + "\x00" + c.Unit + "\x00" + strconv.FormatFloat(c.Range, 'g', -1, 64) + "\x00" + c.Role + "\x01")
	}
	return t.String()
}

// signals returns the task that has a lap's channels ready to count: resampled and
// filtered where the season asks for it, else as recorded. own and shared are those of
// ingest.
func (b *graphBuilder) signals(sc *Scenario, l *Lap, own, shared []string) pipeline.TaskID {
	s := sc.Season
	read := b.ingest(sc, l, own, shared)
	if s.Signal.Rate == 0 && s.Signal.BandLow == 0 && s.Signal.BandHigh == 0 {
		return read
	}
	p := resample.Params{Rate: s.Signal.Rate, BandLow: s.Signal.BandLow, BandHigh: s.Signal.BandHigh, Channels: b.channels[read]}
	t := pipeline.Task{Name: "resample " + l.ID + b.onlyOf(l, own), Suffix: sc.Name, Lap: l.ID, Stage: p}
	for _, c := range p.Channels {
		t.Inputs = append(t.Inputs, pipeline.Ref{Label: c, Task: read, Output: c})
	}
	return b.graph.Add(t)
}

// ingest returns the task that reads a lap, an earlier one if that reads enough. own is
// what the use at hand needs, shared what is read for others on the way; of a lap that
// could not be read so, own alone is read.
func (b *graphBuilder) ingest(sc *Scenario, l *Lap, own, shared []string) pipeline.TaskID {
	s := sc.Season
	need := shared
	if b.alone[l.ID] {
		need = own
	}
	k := b.reader(s, l, b.onlyOf(l, own))
	if id, ok := b.readers[k]; ok && subset(need, b.channels[id]) {
		b.use(id, own)
		return id
	}
	what := b.selection(s, need)
	p := ingest.Params{Time: ingest.Time(s.Time), StartS: l.StartS, EndS: l.EndS, Position: s.position(l), Channels: what.channels, Ranges: what.ranges}
	id := b.graph.Add(pipeline.Task{Name: "ingest " + l.ID + " " + what.joined, Suffix: sc.Name,
		Lap: l.ID, Stage: p, Source: l.Path, Shown: l.File})
	if _, again := b.channels[id]; !again {
		b.qualities = append(b.qualities, lapTask{l.ID, id})
	}
	b.readers[k], b.channels[id] = id, what.names
	b.use(id, own)
	return id
}

// selection is what is read of a lap of which some channels are needed.
func (b *graphBuilder) selection(s *Season, need []string) *selection {
	if last := b.selected; last != nil && last.season == s && slices.Equal(last.need, need) {
		return last
	}
	v := &selection{season: s, need: need}
	for _, c := range s.Channels {
		if slices.Contains(need, c.Name) {
			v.channels = append(v.channels, ingest.Channel{Name: c.Name, Column: c.Column, Unit: c.Unit})
			v.ranges = append(v.ranges, c.Range)
			v.names = append(v.names, c.Name)
		}
	}
	v.joined = strings.Join(v.names, "+")
	b.selected = v
	return v
}

// use notes what a use of a reader needs; the hot spots of a scenario need the same.
func (b *graphBuilder) use(id pipeline.TaskID, own []string) {
	uses := b.uses[id]
	if n := len(uses); n > 0 && slices.Equal(uses[n-1], own) {
		return
	}
	b.uses[id] = append(uses, own)
}

// onlyOf names the channels of one use of a lap that every use reads by itself; it is
// empty for other laps.
func (b *graphBuilder) onlyOf(l *Lap, own []string) string {
	if !b.alone[l.ID] {
		return ""
	}
	names := slices.Clone(own)
	slices.Sort(names)
	return " only " + strings.Join(slices.Compact(names), "+")
}

// part lets the uses of laps read by themselves that could not be read for all of
// them: what one use lacks must not take the lap from another. failed tells which
// tasks have no result. It returns whether there are such laps.
func (b *graphBuilder) part(failed func(pipeline.TaskID) bool) bool {
	found := false
	for _, q := range b.qualities {
		if b.parts(q) && failed(q.task) {
			b.alone[q.lap], found = true, true
		}
	}
	return found
}

func bound(v float64, sign int) float64 {
	if math.IsNaN(v) {
		return math.Inf(sign)
	}
	return v
}

func subset(need, have []string) bool {
	for _, n := range need {
		if !slices.Contains(have, n) {
			return false
		}
	}
	return true
}

// weight guesses what reading a recording occupies in memory: packed columns
// unfold, text shrinks to numbers of about its own size.
func (b *graphBuilder) weight(path string) int64 {
	const unfold = 6
	size := max(b.size(path), 1<<16)
	if strings.EqualFold(filepath.Ext(path), ".csv") {
		return size
	}
	return size * unfold
}

// count adds the task that counts a lap for a hot spot.
func (b *graphBuilder) count(sp *spot, l *Lap, r *lapInputs) pipeline.TaskID {
	if sp.counting == nil {
		sp.counting = newStep(sp.scenario.Season.countStage())
	}
	return b.graph.Add(pipeline.Task{
		Name: "count " + l.ID + " " + sp.counted() + r.only, Suffix: sp.scenario.Name, Lap: l.ID,
		Stage: sp.counting.stage, Fields: sp.counting.fields,
		Inputs: append([]pipeline.Ref{b.stress(sp, l, r)}, r.position...)})
}

// summed is what the damage of a lap at a hot spot depends on, and the task that sums it.
type summed struct {
	known              bool
	counted, fit, task pipeline.TaskID
}

// damage adds the task that sums the damage of a lap, the season's i-th, at a hot spot.
func (b *graphBuilder) damage(sp *spot, i int, l *Lap) pipeline.TaskID {
	if len(sp.summed) < len(sp.counts) {
		sp.summed = make([]summed, len(sp.counts))
	}
	counted := sp.counts[i]
	if d := sp.summed[i]; d.known && d.counted == counted && d.fit == sp.fit {
		return d.task
	}
	if sp.summing == nil {
		sp.summing = newStep(damage.Params{Strength: sp.strength(), Transfer: sp.transfer(), ReferenceCycles: sp.scenario.Season.Damage.ReferenceCycles,
			Along: sp.scenario.Season.along()})
	}
	t := pipeline.Task{
		Name: "damage " + l.ID + " " + sp.Name, Suffix: sp.scenario.Name, Lap: l.ID,
		Stage: sp.summing.stage, Fields: sp.summing.fields,
		Inputs: []pipeline.Ref{
			{Label: damage.CyclesInput, Task: counted, Output: count.Cycles},
			{Label: damage.ResidueInput, Task: counted, Output: count.Residue}}}
	t.Inputs = append(append(t.Inputs, placesRef(sp.scenario.Season, counted)...), sp.transferRef()...)
	id := b.graph.Add(t)
	sp.summed[i] = summed{true, counted, sp.fit, id}
	return id
}

func (sp *spot) strength() damage.Strength {
	d := sp.scenario.Season.Damage
	return damage.Strength{Material: sp.Material, Survival: d.Survival, Residue: d.Residue}
}

// transfer returns the given transfer; the gain of a fitted one comes as an input.
func (sp *spot) transfer() fatigue.Transfer {
	t := fatigue.Transfer{Gain: sp.Gain, Offset: sp.Offset, Factor: sp.StressFactor}
	if sp.fitted {
		t.Gain = 0
	}
	return t
}

func (sp *spot) transferRef() []pipeline.Ref {
	if !sp.fitted {
		return nil
	}
	return []pipeline.Ref{{Label: damage.TransferInput, Task: sp.fit, Output: calibrate.Transfer}}
}

// account adds the season's account of a hot spot.
func (b *graphBuilder) account(sp *spot, verdicts pipeline.TaskID) {
	s := sp.scenario.Season
	a := aggregate.Account{
		Scenario: sp.scenario.Name, Hotspot: sp.Name, MaterialName: sp.MaterialName,
		Strength: sp.strength(), Transfer: sp.transfer(),
		Calendar: s.CalendarFile != "", Planned: s.planned(),
		TargetSeasons: s.Target.Seasons, TargetLifeFactor: s.Target.LifeFactor, ThicknessExponent: sp.ThicknessExponent}
	a.Laps = b.drawnLaps(s).account
	figures := b.figuresRefs(sp, aggregate.ResiduesOutput)
	in := make([]pipeline.Ref, 0, 2+len(figures)+2*len(a.Laps))
	in = append(append(in, sp.transferRef()...), pipeline.Ref{Label: aggregate.AsideInput, Task: verdicts, Output: aggregate.AsideOutput})
	in = append(in, figures...)
	for i := range a.Laps {
		label, d := b.labelsOf(a.Laps[i].ID), sp.damages[i]
		counted := b.graph.Task(d).Inputs[0].Task
		in = append(in,
			pipeline.Ref{Label: label.damage, Task: d, Output: damage.Output, Optional: true, Large: true},
			pipeline.Ref{Label: label.cycles, Task: counted, Output: count.Cycles, Optional: true, Large: true})
	}
	sp.account = b.graph.Add(pipeline.Task{Name: "account " + sp.Name + " " + sp.scenario.Name, Stage: a, Inputs: in})
}

// drawnLaps are a season's laps as those tasks see them that draw them together; all its hot spots' tasks share them.
type drawnLaps struct {
	ids     []string
	account []aggregate.Lap
	placed  []aggregate.PlacedLap
}

func (b *graphBuilder) drawnLaps(s *Season) *drawnLaps {
	if d := b.drawn[s]; d != nil {
		return d
	}
	laps := s.seasonLaps()
	d := &drawnLaps{make([]string, len(laps)), make([]aggregate.Lap, len(laps)), make([]aggregate.PlacedLap, len(laps))}
	chains := map[[3]string]string{}
	for i, l := range laps {
		k := [3]string{l.Event, l.Session, l.Bike}
		if _, ok := chains[k]; !ok {
			chains[k] = strings.Join(k[:], "\x00")
		}
		d.ids[i] = l.ID
		d.account[i] = aggregate.Lap{ID: l.ID, Circuit: l.Circuit, Km: s.km(l), Chain: chains[k]}
		d.placed[i] = aggregate.PlacedLap{ID: l.ID, Circuit: l.Circuit}
	}
	b.drawn[s] = d
	return d
}

// seasonLaps lists the laps that count toward the season, in driven order.
func (s *Season) seasonLaps() []*Lap {
	out := make([]*Lap, 0, len(s.Laps))
	for i := range s.Laps {
		if s.Laps[i].Use != useCalibration {
			out = append(out, &s.Laps[i])
		}
	}
	return out
}

// km returns a lap's distance: its own, else the calendar's for its circuit, that of
// its own session before another's.
func (s *Season) km(l *Lap) float64 {
	if !math.IsNaN(l.DistanceKm) {
		return l.DistanceKm
	}
	km := math.NaN()
	for _, p := range s.Calendar {
		switch {
		case p.Circuit != l.Circuit || math.IsNaN(p.LapKm):
		case p.Session == l.Session:
			return p.LapKm
		case math.IsNaN(km):
			km = p.LapKm
		}
	}
	return km
}

// planned sums the calendar's rows by circuit.
func (s *Season) planned() []aggregate.Planned {
	var out []aggregate.Planned
	at := map[string]int{}
	for _, row := range s.Calendar {
		i, ok := at[row.Circuit]
		if !ok {
			i = len(out)
			at[row.Circuit] = i
			out = append(out, aggregate.Planned{Circuit: row.Circuit})
		}
		out[i].Laps += row.Laps
		out[i].Km += row.Laps * row.LapKm
		out[i].Fleet = out[i].Fleet || row.Basis == BasisFleet
		out[i].Fallback = out[i].Fallback || row.Basis == "" && s.CalendarBasis == BasisFleet
	}
	return out
}

// tableTask is the task whose output is a table.
type tableTask struct {
	name string
	task pipeline.TaskID
}

// tables adds the tasks that lay out the tables.
func (b *graphBuilder) tables(verdicts map[*Scenario]pipeline.TaskID) []tableTask {
	add := func(name string, st aggregate.Concat, in []pipeline.Ref) tableTask {
		return tableTask{name, b.graph.Add(pipeline.Task{Name: "table " + name, Stage: st, Inputs: in, Wanted: true})}
	}
	var circuits, seasons []pipeline.Ref
	for _, sp := range b.usable() {
		label := sp.scenario.Name + "/" + sp.Name
		circuits = append(circuits, pipeline.Ref{Label: label, Task: sp.account, Output: aggregate.CircuitsOutput, Optional: true})
		seasons = append(seasons, pipeline.Ref{Label: label, Task: sp.account, Output: aggregate.SeasonOutput, Optional: true})
	}
	laps := b.lapParts(verdicts)
	out := []tableTask{
		add("laps", aggregate.Concat{Table: "laps"}, laps),
		add("circuits", aggregate.Concat{Table: "circuits"}, circuits),
		add("season", aggregate.Concat{Table: "season"}, seasons),
	}
	out = append(out, b.calibrationTable(), b.qualityTable())
	return append(append(out, b.placesTable()), b.comparisons(laps)...)
}

// lapParts adds each scenario's part of the table laps.
func (b *graphBuilder) lapParts(verdicts map[*Scenario]pipeline.TaskID) []pipeline.Ref {
	var parts []pipeline.Ref
	for i := range b.scenarios {
		sc := &b.scenarios[i]
		laps := sc.Season.seasonLaps()
		var p aggregate.Laps
		for _, l := range laps {
			p.Laps = append(p.Laps, aggregate.ManifestLap{
				ID: l.ID, File: l.File, Circuit: l.Circuit, Event: l.Event, Session: l.Session, Rider: l.Rider,
				Bike: l.Bike, Setup: l.Setup, Lap: l.Lap, Use: l.Use,
				Accept: aggregate.AcceptedText(l.Accept), DistanceKm: l.DistanceKm, StartS: l.StartS, EndS: l.EndS})
			p.Km = append(p.Km, sc.Season.km(l))
		}
		var in []pipeline.Ref
		if v, ok := verdicts[sc]; ok {
			in = append(in,
				pipeline.Ref{Label: aggregate.AsideInput, Task: v, Output: aggregate.AsideOutput},
				pipeline.Ref{Label: aggregate.FlagsInput, Task: v, Output: aggregate.FlagsOutput})
		}
		for _, sp := range b.usable() {
			if sp.scenario != sc {
				continue
			}
			p.Groups = append(p.Groups, aggregate.Group{Scenario: sc.Name, Hotspot: sp.Name,
				Material: sp.MaterialName, Channel: sp.channel})
			in = append(in, pipeline.Ref{Label: aggregate.BetweenLabel(sp.Name), Task: sp.account, Output: aggregate.BetweenOutput, Optional: true})
			in = append(in, pipeline.Ref{Label: aggregate.FiguresLabel(sp.Name), Task: b.figures(sp).all, Output: aggregate.Output})
			if sp.fitted {
				in = append(in, pipeline.Ref{Label: aggregate.TransferLabel(sp.Name), Task: sp.fit, Output: calibrate.Transfer, Optional: true})
			}
		}
		part := b.graph.Add(pipeline.Task{Name: "laps " + sc.Name, Stage: p, Inputs: in})
		parts = append(parts, pipeline.Ref{Label: sc.Name, Task: part, Output: aggregate.Output})
	}
	return parts
}
