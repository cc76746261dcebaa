package season

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"lapwear/pipeline"
	"lapwear/stages/aggregate"
	"lapwear/stages/frame"
)

// Laps counts the manifest's laps. A lap is used when the base scenario uses it for the
// season or for a calibration.
type Laps struct {
	Total    int               `json:"total"`
	Used     int               `json:"used"`
	SetAside []Aside           `json:"set_aside"`         // those that are not used
	InPart   []Aside           `json:"set_aside_in_part"` // uses of laps that are used otherwise
	Warned   []Warned          `json:"warned"`
	Accepted []AcceptedFinding `json:"accepted"`

	NotCompared []string `json:"not_compared"` // laps that are used, with a level that no other's could be compared with
}

// AsideIn lists the laps that do not count in a scenario's season.
func (l *Laps) AsideIn(scenario string) []Aside {
	out := slices.Clone(l.SetAside)
	for _, a := range l.InPart {
		if a.Scenario == scenario && a.Use == useSeason {
			out = append(out, a)
		}
	}
	return out
}

// Aside is a lap that is set aside, or a use of it.
type Aside struct {
	Lap      string   `json:"lap_id"`
	Reason   string   `json:"reason"`
	Checks   []string `json:"checks,omitempty"` // that may be accepted; none if the lap cannot be used at all
	Scenario string   `json:"scenario,omitempty"`
	Use      string   `json:"use,omitempty"`
	Hotspots []string `json:"hotspots,omitempty"` // whose calibration it is; none if all are meant
}

// Warned is a lap that is used though something may be wrong with it.
type Warned struct {
	Lap    string   `json:"lap_id"`
	Checks []string `json:"checks"` // those that gave a warning, in the base or any scenario
}

// AcceptedFinding is a person's word in the manifest. It is stale when the check finds
// nothing in the lap.
type AcceptedFinding struct {
	Lap    string `json:"lap_id"`
	Check  string `json:"check"`
	Reason string `json:"reason"`
	Stale  bool   `json:"stale,omitempty"`
}

// lapsKnown counts the laps by what is known before anything is computed.
func (s *Season) lapsKnown(b *graphBuilder, session *pipeline.Session) Laps {
	l := Laps{Total: len(s.Laps), SetAside: []Aside{}, InPart: []Aside{}, Warned: []Warned{}, Accepted: s.accepted(nil), NotCompared: []string{}}
	for _, a := range session.SetAside() {
		if !b.usesPart(a.Lap, session) {
			l.SetAside = append(l.SetAside, Aside{Lap: a.Lap, Reason: a.Reason})
		}
	}
	l.Used = l.Total - len(l.SetAside)
	return l
}

// usesPart tells whether a lap that could not be read for all uses together may be for
// one of them.
func (b *graphBuilder) usesPart(lap string, session *pipeline.Session) bool {
	return b.alone[lap] && slices.ContainsFunc(b.qualities, func(q lapTask) bool {
		st := session.State(q.task)
		return q.lap == lap && (st.OK() || st.Status == pipeline.Unknown)
	})
}

// judgement is what one verdict says.
type judgement struct {
	verdictTask
	laps  map[string]bool // that it judges
	aside map[string]aggregate.AsideLap
	flags map[string][]aggregate.Flag
}

// judged counts the laps by the verdicts, in driven order.
func (s *Season) judged(ctx context.Context, b *graphBuilder, session *pipeline.Session, quality *frame.Frame) (Laps, error) {
	l := s.lapsKnown(b, session)
	stale, err := aggregate.Stale(quality)
	if err != nil {
		return l, err
	}
	l.Accepted = s.accepted(stale)
	alone, err := aggregate.Uncompared(quality)
	if err != nil {
		return l, err
	}
	if looksFor(s.Quality, aggregate.Level) {
		l.NotCompared = append(l.NotCompared, alone...)
	}
	judgements, err := b.judgements(ctx, session)
	if err != nil {
		return l, fmt.Errorf("read verdicts: %w", err)
	}
	failed := map[string]string{} // by laps that no verdict could be given on
	for _, a := range l.SetAside {
		failed[a.Lap] = a.Reason
	}
	l.SetAside = []Aside{}
	for i := range s.Laps {
		l.add(&s.Laps[i], judgements, failed[s.Laps[i].ID])
	}
	l.Used = l.Total - len(l.SetAside)
	return l, nil
}

// looksFor tells whether a check is on.
func looksFor(checks []aggregate.Check, name string) bool {
	return slices.ContainsFunc(checks, func(c aggregate.Check) bool { return c.Name == name && c.Severity != aggregate.Off })
}

func (l *Laps) add(lap *Lap, judgements []judgement, failed string) {
	whole, parts := sentence(lap, judgements)
	if whole == nil && len(parts) == 0 && failed != "" && !slices.ContainsFunc(judgements, func(j judgement) bool { return j.laps[lap.ID] }) {
		whole = &Aside{Lap: lap.ID, Reason: failed}
	}
	if whole != nil {
		l.SetAside = append(l.SetAside, *whole)
		return
	}
	l.InPart = append(l.InPart, parts...)
	var checks []string
	for _, j := range judgements {
		for _, f := range j.flags[lap.ID] {
			if f.Severity == aggregate.Warn && !f.Accepted && !slices.Contains(checks, f.Check) {
				checks = append(checks, f.Check)
			}
		}
	}
	if len(checks) > 0 {
		l.Warned = append(l.Warned, Warned{lap.ID, checks})
	}
}

// sentence says whether a lap is set aside as a whole, because the base scenario has
// no use for it, or else in which parts.
func sentence(lap *Lap, judgements []judgement) (whole *Aside, parts []Aside) {
	used := false
	for _, j := range judgements {
		a, aside := j.aside[lap.ID]
		used = used || j.scenario.Name == BaseScenario && j.laps[lap.ID] && !aside
		if !aside {
			continue
		}
		part := Aside{Lap: lap.ID, Reason: reasonOf(lap, a), Checks: a.Checks, Scenario: j.scenario.Name, Use: j.use, Hotspots: j.hotspots}
		same := func(o Aside) bool { return o.Scenario == part.Scenario && o.Use == part.Use && o.Reason == part.Reason }
		if i := slices.IndexFunc(parts, same); i >= 0 {
			parts[i].Hotspots = append(slices.Clone(parts[i].Hotspots), part.Hotspots...)
			continue
		}
		parts = append(parts, part)
	}
	for i := range parts {
		parts[i].widen(judgements)
		parts[i].Reason = parts[i].about() + parts[i].Reason
	}
	base := slices.IndexFunc(parts, func(a Aside) bool { return a.Scenario == BaseScenario })
	if used || base < 0 {
		return nil, parts
	}
	return together(parts), nil
}

// together joins all that the base says of a lap.
func together(parts []Aside) *Aside {
	out := Aside{Lap: parts[0].Lap}
	var reasons []string
	for _, p := range parts {
		if p.Scenario != BaseScenario {
			continue
		}
		reasons = append(reasons, p.Reason)
		for _, c := range p.Checks {
			if !slices.Contains(out.Checks, c) {
				out.Checks = append(out.Checks, c)
			}
		}
	}
	// What failed once for the season and once for the calibration is said once.
	bare := slices.IndexFunc(parts, func(a Aside) bool { return a.Scenario == BaseScenario && a.Use == useSeason })
	if bare >= 0 {
		reasons = slices.DeleteFunc(reasons, func(r string) bool {
			return r != parts[bare].Reason && strings.HasSuffix(r, ": "+parts[bare].Reason)
		})
	}
	out.Reason = strings.Join(slices.Compact(reasons), "; ")
	return &out
}

// widen leaves the hot spots out where all calibrations of the scenario are meant.
func (a *Aside) widen(judgements []judgement) {
	for _, j := range judgements {
		if j.scenario.Name != a.Scenario || j.use != a.Use || !j.laps[a.Lap] {
			continue
		}
		for _, h := range j.hotspots {
			if !slices.Contains(a.Hotspots, h) {
				return
			}
		}
	}
	a.Hotspots = nil
}

// about says what a lap is set aside for, "" if for the base's season.
func (a *Aside) about() string {
	out := ""
	if a.Scenario != BaseScenario {
		out = fmt.Sprintf("in scenario %q: ", a.Scenario)
	}
	switch {
	case a.Use != useCalibration:
	case len(a.Hotspots) > 0:
		out += "for the calibration of " + strings.Join(a.Hotspots, ", ") + ": "
	default:
		out += "for the calibration: "
	}
	return out
}

// reasonOf names the recording, unless the reason does so already.
func reasonOf(lap *Lap, a aggregate.AsideLap) string {
	if len(a.Checks) == 0 {
		return a.Reason
	}
	return fmt.Sprintf("recording %q: %s", lap.File, a.Reason)
}

// judgements reads the verdicts that there are.
func (b *graphBuilder) judgements(ctx context.Context, session *pipeline.Session) ([]judgement, error) {
	var out []judgement
	for _, v := range b.verdicts {
		if st := session.State(v.task); !st.OK() {
			continue
		}
		j := judgement{verdictTask: v, laps: map[string]bool{}, aside: map[string]aggregate.AsideLap{}, flags: map[string][]aggregate.Flag{}}
		for _, l := range b.graph.Task(v.task).Stage.(aggregate.Verdicts).Laps {
			j.laps[l.ID] = true
		}
		f, err := session.Frame(ctx, v.task, aggregate.AsideOutput)
		if err != nil {
			return nil, err
		}
		aside, err := aggregate.AsideLaps(f)
		if err != nil {
			return nil, err
		}
		for _, a := range aside {
			j.aside[a.Lap] = a
		}
		if f, err = session.Frame(ctx, v.task, aggregate.FlagsOutput); err != nil {
			return nil, err
		}
		flags, err := aggregate.Flags(f)
		if err != nil {
			return nil, err
		}
		for _, f := range flags {
			j.flags[f.Lap] = append(j.flags[f.Lap], f)
		}
		out = append(out, j)
	}
	return out, nil
}

// accepted lists what was accepted, in driven order; stale is by lap.
func (s *Season) accepted(stale map[string][]string) []AcceptedFinding {
	out := []AcceptedFinding{}
	for i := range s.Laps {
		l := &s.Laps[i]
		for _, a := range l.Accept {
			out = append(out, AcceptedFinding{l.ID, a.Check, a.Reason, slices.Contains(stale[l.ID], a.Check)})
		}
	}
	return out
}

// failures lists what has no result, but for calibrations that were done again.
func (b *graphBuilder) failures(session *pipeline.Session) []pipeline.Failure {
	fits := map[string]bool{}
	for _, sp := range b.spots {
		if sp.fitted {
			fits[b.graph.Task(sp.fit).Name] = true
			fits[b.graph.Task(sp.evidence).Name] = true
		}
	}
	return slices.DeleteFunc(session.Failures(), func(f pipeline.Failure) bool {
		id, _ := b.graph.Find(f.Task)
		return b.graph.Task(id).Stage.Name() == "calibrate" && !fits[f.Task]
	})
}

// tableOf returns the frame of a table; nil without it.
func tableOf(tables []Table, name string) *frame.Frame {
	for _, t := range tables {
		if t.Name == name {
			return t.Frame
		}
	}
	return nil
}
