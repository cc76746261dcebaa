package season

import (
	"slices"
	"strings"

	"lapwear/fatigue"
	"lapwear/pipeline"
	"lapwear/stages/aggregate"
	"lapwear/stages/calibrate"
	"lapwear/stages/count"
)

// calibration adds the fit of a hot spot and its gate. Its laps are read with all that
// the scenario's calibrations need.
func (b *graphBuilder) calibration(sp *spot, need []string, verdicts pipeline.TaskID) {
	c := sp.scenario.Season.Calibration
	p := calibrate.Params{Gauge: sp.Gauge, GaugeScale: sp.GaugeScale, Candidates: sp.candidates(), Rivals: sp.rivals(), Fitting: c.Fitting}
	p.Fitting.Response = sp.Response
	in := []pipeline.Ref{{Label: calibrate.AsideInput, Task: verdicts, Output: aggregate.AsideOutput}}
	for i := range sp.scenario.Season.Laps {
		l := &sp.scenario.Season.Laps[i]
		if !l.Calibrates() {
			continue
		}
		p.Laps, p.Circuits = append(p.Laps, l.ID), append(p.Circuits, l.Circuit)
		signals := b.signals(sp.scenario, l, sp.fits(), need)
		read := sp.fits()
		if !b.alone[l.ID] { // else it is read without rivals
			read = append(read, p.Rivals...)
		}
		for _, c := range read {
			in = append(in, pipeline.Ref{Label: calibrate.Label(l.ID, c), Task: signals, Output: c, Optional: true})
		}
	}
	sp.evidence = b.graph.Add(pipeline.Task{Name: "calibrate " + sp.Name + b.round(), Suffix: sp.scenario.Name, Stage: p, Inputs: in})
	g := calibrate.Gate{Gauge: sp.Gauge, Direction: sp.Direction, Response: sp.Response, Slope: sp.rung(), Limits: c.limits(sp.rung()), Accepted: sp.Accepted}
	sp.fit = b.graph.Add(pipeline.Task{Name: "gate " + sp.Name + b.round(), Suffix: sp.scenario.Name, Stage: g, Inputs: []pipeline.Ref{
		{Label: calibrate.CandidatesInput, Task: sp.evidence, Output: calibrate.Candidates},
		{Label: calibrate.FittedInput, Task: sp.evidence, Output: calibrate.Fitted},
		{Label: calibrate.PerLapInput, Task: sp.evidence, Output: calibrate.PerLap}}})
}

// Lives over which a material's slope is looked at, in cycles: those at which what lasts
// a season is damaged. Common practice, no source.
const shortestLife, longestLife = 1e4, 1e7

// rung is the slope at which the hot spot's calibration is judged.
func (sp *spot) rung() float64 {
	return sp.scenario.Season.Calibration.Fitting.Rung(fatigue.Steepest(sp.Material.Curve, shortestLife, longestLife))
}

// candidates lists the channels that a hot spot may follow: the named one, or all
// that are neither a gauge nor a lap distance.
func (sp *spot) candidates() []string {
	if sp.Follow != followAuto {
		return []string{sp.Follow}
	}
	gauge := map[string]bool{}
	for _, h := range sp.scenario.Season.Hotspots {
		gauge[h.Gauge] = true
	}
	var out []string
	for _, c := range sp.scenario.Season.Channels {
		if c.Role == "" && !gauge[c.Name] {
			out = append(out, c.Name)
		}
	}
	return out
}

// rivals lists the channels that are no candidates because another is named: a mix-up of
// channels is told by them.
func (sp *spot) rivals() []string {
	own := append(sp.candidates(), sp.Gauge)
	var out []string
	for _, c := range sp.scenario.Season.Channels {
		gauge := slices.ContainsFunc(sp.scenario.Season.Hotspots, func(h Hotspot) bool { return h.Gauge == c.Name })
		if c.Role == "" && !gauge && !slices.Contains(own, c.Name) {
			out = append(out, c.Name)
		}
	}
	return out
}

// choose takes over what calibration found. A hot spot whose calibration failed
// keeps no channel and is left out of what follows; when only planning, the first
// candidate stands in for one that is not known yet.
func (b *graphBuilder) choose(chosen func(fit pipeline.TaskID) (channel string, known bool)) {
	for _, sp := range b.spots {
		if !sp.fitted {
			continue
		}
		channel, known := chosen(sp.fit)
		if !known {
			channel = sp.candidates()[0]
		}
		if sp.channel != channel || sp.predicted() {
			sp.channel, sp.counts = channel, nil
		}
	}
}

// parts lists the channels that a hot spot's stress comes from: one, or those of a
// combination.
func (sp *spot) parts() []string {
	if slices.ContainsFunc(sp.scenario.Season.Channels, func(c Channel) bool { return c.Name == sp.channel }) {
		return []string{sp.channel}
	}
	return strings.Split(sp.channel, "+")
}

// predicted tells whether laps' stress is computed before it is counted, and not after,
// as one gain allows.
func (sp *spot) predicted() bool { return sp.fitted && (sp.Response || len(sp.parts()) > 1) }

// counted names what is counted for a hot spot.
func (sp *spot) counted() string {
	if sp.predicted() {
		return "stress of " + sp.Name
	}
	return sp.channel
}

// stress returns what a lap's count reads: the channel, or the stress predicted from one
// or several.
func (b *graphBuilder) stress(sp *spot, l *Lap, r *lapInputs) pipeline.Ref {
	if !sp.predicted() {
		return pipeline.Ref{Label: count.Signal, Task: r.signals, Output: sp.channel}
	}
	in := []pipeline.Ref{{Label: calibrate.TransferInput, Task: sp.evidence, Output: calibrate.Fitted}}
	for _, c := range sp.parts() {
		in = append(in, pipeline.Ref{Label: c, Task: r.signals, Output: c})
	}
	id := b.graph.Add(pipeline.Task{Name: "predict " + l.ID + " " + sp.Name + r.only, Suffix: sp.scenario.Name, Lap: l.ID,
		Stage: calibrate.Predict{}, Inputs: in})
	return pipeline.Ref{Label: count.Signal, Task: id, Output: calibrate.Stress}
}

// calibrationTable adds the table calibration. Scenarios that calibrate as the base
// does have no rows of their own.
func (b *graphBuilder) calibrationTable() tableTask {
	var t aggregate.Calibration
	var in []pipeline.Ref
	fits := map[pipeline.TaskID]bool{}
	given := map[aggregate.Given]bool{}
	for _, sp := range b.spots {
		g := aggregate.Given{Scenario: sp.scenario.Name, Hotspot: sp.Name, Channel: sp.Follow, Gain: sp.Gain, Offset: sp.Offset}
		if sp.fitted {
			g.Slope = sp.rung()
		}
		same := g
		same.Scenario = ""
		switch {
		case sp.fitted && !fits[sp.fit]:
			fits[sp.fit] = true
			t.Fitted = append(t.Fitted, g)
			in = append(in,
				pipeline.Ref{Label: aggregate.FitLabel(g.Scenario, g.Hotspot), Task: sp.evidence, Output: calibrate.Candidates, Optional: true},
				pipeline.Ref{Label: aggregate.GateLabel(g.Scenario, g.Hotspot), Task: sp.fit, Output: calibrate.Transfer, Optional: true})
		case !sp.fitted && !given[same]:
			given[same] = true
			t.Given = append(t.Given, g)
		}
	}
	return tableTask{"calibration", b.graph.Add(pipeline.Task{Name: "table calibration", Stage: t, Inputs: in, Wanted: true})}
}
