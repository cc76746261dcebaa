package season

import (
	"slices"
	"strconv"
	"strings"

	"lapwear/pipeline"
	"lapwear/stages/aggregate"
	"lapwear/stages/calibrate"
	"lapwear/stages/damage"
	"lapwear/stages/ingest"
)

// judgeSeason adds the tasks that judge a scenario's laps by the channels that its own
// hot spots follow, whatever else was read of them.
func (b *graphBuilder) judgeSeason(sc *Scenario, own, shared []string) pipeline.TaskID {
	t := verdictTask{scenario: sc, use: useSeason}
	v, in := b.verdictsOn(t, own, shared)
	for _, sp := range b.usable() {
		if sp.scenario != sc {
			continue
		}
		v.Spots = append(v.Spots, aggregate.JudgedSpot{Hotspot: sp.Name, Channel: sp.parts()[0]})
		in = append(in, pipeline.Ref{Label: aggregate.SpotFindingsLabel(sp.Name), Task: b.spotFindings(sp), Output: aggregate.FindingsOutput})
	}
	return b.addVerdicts(t, v, in)
}

// spotFindings adds the task that looks at the laps' damage at a hot spot.
func (b *graphBuilder) spotFindings(sp *spot) pipeline.TaskID {
	s := sp.scenario.Season
	f := aggregate.SpotFindings{Hotspot: sp.Name, Channel: sp.parts()[0], Factor: sp.StressFactor, BandHigh: s.Signal.BandHigh}
	for _, c := range s.Quality {
		if c.OfDamage() {
			f.Checks = append(f.Checks, c)
		}
	}
	t := pipeline.Task{Name: "findings damage " + sp.Name, Suffix: sp.scenario.Name, Stage: f,
		Inputs: []pipeline.Ref{{Label: aggregate.FiguresLabel(sp.Name), Task: b.figures(sp).all, Output: aggregate.Output}}}
	if sp.fitted {
		t.Inputs = append(t.Inputs, pipeline.Ref{Label: aggregate.TransferLabel(sp.Name), Task: sp.fit, Output: calibrate.Transfer, Optional: true})
	}
	return b.graph.Add(t)
}

// figuresOf are the tasks that lay out what the laps' damage at a hot spot amounts to: of all, and of laps taken together.
type figuresOf struct {
	all   pipeline.TaskID
	parts []pipeline.TaskID
}

// figures adds these tasks.
func (b *graphBuilder) figures(sp *spot) *figuresOf {
	if sp.figures != nil {
		return sp.figures
	}
	f := new(figuresOf)
	var in []pipeline.Ref
	laps := b.drawnLaps(sp.scenario.Season).ids
	for from := 0; from == 0 || from < len(laps); from += aggregate.LapsTogether {
		part := b.figuresPart(sp, laps, from)
		in = append(in, pipeline.Ref{Label: aggregate.FiguresPart(aggregate.Output, len(f.parts)), Task: part, Output: aggregate.Output})
		f.parts = append(f.parts, part)
	}
	f.all = in[0].Task
	if len(in) > 1 {
		f.all = b.graph.Add(pipeline.Task{Name: "figures " + sp.Name, Suffix: sp.scenario.Name, Stage: aggregate.Concat{Table: "figures"}, Inputs: in})
	}
	sp.figures = f
	return f
}

// figuresPart adds the task that lays out the figures of the laps from one on that are taken together.
func (b *graphBuilder) figuresPart(sp *spot, laps []string, from int) pipeline.TaskID {
	laps = laps[from:min(from+aggregate.LapsTogether, len(laps))]
	t := pipeline.Task{Name: "figures " + sp.Name + " from " + strconv.Itoa(from+1), Suffix: sp.scenario.Name, Stage: aggregate.Figures{Laps: laps},
		Inputs: make([]pipeline.Ref, 0, len(laps))}
	for i, id := range laps {
		t.Inputs = append(t.Inputs, pipeline.Ref{Label: b.labelsOf(id).damage, Task: sp.damages[from+i], Output: damage.Output, Optional: true})
	}
	return b.graph.Add(t)
}

// figuresRefs are the inputs of a task that reads the figures of all laps at a hot spot, and another output of their parts.
func (b *graphBuilder) figuresRefs(sp *spot, output string) []pipeline.Ref {
	f := b.figures(sp)
	in := make([]pipeline.Ref, 1, 1+len(f.parts))
	in[0] = pipeline.Ref{Label: aggregate.FiguresLabel(sp.Name), Task: f.all, Output: aggregate.Output}
	for n, t := range f.parts {
		in = append(in, pipeline.Ref{Label: aggregate.FiguresPart(output, n), Task: t, Output: output, Late: true})
	}
	return in
}

// judgeCalibration adds the tasks that judge the laps of a hot spot's calibration by
// its gauge and candidates. They are compared with all laps of which these are read.
func (b *graphBuilder) judgeCalibration(sp *spot, shared []string) pipeline.TaskID {
	t := verdictTask{scenario: sp.scenario, use: useCalibration, hotspots: []string{sp.Name}}
	v, in := b.verdictsOn(t, sp.fits(), shared)
	for i := range sp.scenario.Season.Laps {
		if l := &sp.scenario.Season.Laps[i]; l.Calibrates() {
			in = append(in, pipeline.Ref{Label: aggregate.SignalsLabel(l.ID), Task: b.signals(sp.scenario, l, sp.fits(), shared),
				Output: sp.Gauge, Optional: true, Presence: true})
		}
	}
	return b.addVerdicts(t, v, in)
}

// judges tells whether a lap is of the use.
func (t *verdictTask) judges(l *Lap) bool {
	if t.use == useCalibration {
		return l.Calibrates()
	}
	return l.Counts()
}

// named names a task that judges.
func (b *graphBuilder) named(what string, t verdictTask) string {
	return strings.Join(append([]string{what, t.use}, t.hotspots...), " ") + b.round()
}

// verdictsOn prepares verdicts on the laps of a use by some channels.
func (b *graphBuilder) verdictsOn(t verdictTask, own, shared []string) (aggregate.Verdicts, []pipeline.Ref) {
	var v aggregate.Verdicts
	for i := range t.scenario.Season.Laps {
		if l := &t.scenario.Season.Laps[i]; t.judges(l) {
			v.Laps = append(v.Laps, aggregate.JudgedLap{ID: l.ID, Accepted: l.Accept})
		}
	}
	found := b.findings(t, own, shared)
	return v, []pipeline.Ref{
		{Label: aggregate.FindingsInput, Task: found, Output: aggregate.FindingsOutput},
		{Label: aggregate.RowsInput, Task: found, Output: aggregate.Output}}
}

// findings adds the task that looks at the samples of the laps of a use. Witnesses are the other laps
// that are read already.
func (b *graphBuilder) findings(v verdictTask, own, shared []string) pipeline.TaskID {
	s := v.scenario.Season
	var f aggregate.Findings
	for _, c := range s.Quality {
		if !c.OfDamage() {
			f.Checks = append(f.Checks, c)
		}
	}
	for _, c := range s.Channels {
		if slices.Contains(own, c.Name) {
			f.Channels = append(f.Channels, c.Name)
		}
	}
	t := pipeline.Task{Name: b.named("findings", v), Suffix: v.scenario.Name}
	for i := range s.Laps {
		l := &s.Laps[i]
		witness := !v.judges(l)
		reading, known := b.reading(v.scenario, l, f.Channels)
		switch {
		case !witness:
			reading = b.ingest(v.scenario, l, own, shared)
		case !known:
			continue
		}
		f.Laps = append(f.Laps, aggregate.ReadLap{ID: l.ID, Circuit: l.Circuit, Bike: l.Bike, Overlaps: l.Overlaps, Witness: witness})
		t.Inputs = append(t.Inputs, pipeline.Ref{Label: aggregate.ReadingLabel(l.ID), Task: reading, Output: ingest.QualityOutput, Optional: true, Late: true})
	}
	t.Stage = f
	return b.graph.Add(t)
}

// reading returns a task that reads any of some channels of a lap, if there is one.
func (b *graphBuilder) reading(sc *Scenario, l *Lap, channels []string) (pipeline.TaskID, bool) {
	id, ok := b.readers[b.reader(sc.Season, l, "")]
	wanted := func(c string) bool { return slices.Contains(channels, c) }
	return id, ok && !b.alone[l.ID] && slices.ContainsFunc(b.channels[id], wanted)
}

func (b *graphBuilder) addVerdicts(t verdictTask, v aggregate.Verdicts, in []pipeline.Ref) pipeline.TaskID {
	t.task = b.graph.Add(pipeline.Task{Name: b.named("verdicts", t), Suffix: t.scenario.Name, Stage: v, Inputs: in, Wanted: true})
	i := slices.IndexFunc(b.verdicts, func(o verdictTask) bool { return o.task == t.task })
	switch {
	case i < 0:
		b.verdicts = append(b.verdicts, t)
	case b.verdicts[i].scenario == t.scenario:
		b.verdicts[i].hotspots = append(b.verdicts[i].hotspots, t.hotspots...)
	}
	return t.task
}

// qualityTable adds the table quality over all verdicts.
func (b *graphBuilder) qualityTable() tableTask {
	var t aggregate.Quality
	var in []pipeline.Ref
	for i, v := range b.verdicts {
		t.Parts = append(t.Parts, aggregate.QualityPart{Use: v.use, Scenario: v.scenario.Name, Hotspots: v.hotspots})
		in = append(in, pipeline.Ref{Label: aggregate.QualityLabel(i), Task: v.task, Output: aggregate.Output})
	}
	return tableTask{"quality", b.graph.Add(pipeline.Task{Name: "table quality", Stage: t, Inputs: in, Wanted: true})}
}
