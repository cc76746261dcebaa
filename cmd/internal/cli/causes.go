package cli

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
	"lapwear/stages"
)

// cause is a difference between what two runs were made from.
type cause struct {
	Kind string `json:"kind"` // setting, calendar, recording, or lap set aside
	Name string `json:"name"` // the setting's path, the circuit, the file, the lap
	Was  string `json:"was"`  // "" = was not there
	Is   string `json:"is"`
}

// Kinds of causes.
const (
	causeSetting   = "setting"
	causeCalendar  = "calendar"
	causeRecording = "recording"
	causeAside     = "lap set aside"
)

// String says what changed.
func (c cause) String() string {
	was, is := c.Was, c.Is
	if c.Kind == causeRecording {
		switch {
		case was == "":
			return fmt.Sprintf("recording %s is new", oneLine(c.Name))
		case is == "":
			return fmt.Sprintf("recording %s is gone", oneLine(c.Name))
		}
		return fmt.Sprintf("recording %s changed, SHA-256 %.8s -> %.8s", oneLine(c.Name), was, is)
	}
	return fmt.Sprintf("%s %s: %s -> %s", c.Kind, oneLine(c.Name), oneLine(orNothing(was)), oneLine(orNothing(is)))
}

func orNothing(s string) string {
	if s == "" {
		return "nothing"
	}
	return s
}

// causes knows why the tables of two folders differ: by what the folders say they were
// made from, and by the records of both runs where the cache has them.
type causes struct {
	inputs  []cause
	circuit map[string]string // of recordings, by file
	store   *cache.Store
	records [2]*pipeline.Record
	close   func()
}

func (a *app) openCauses(from, to, cacheOption string) (*causes, error) {
	c := &causes{inputs: []cause{}, circuit: map[string]string{}, close: func() {}}
	was, errWas := readInputs(from)
	is, errIs := readInputs(to)
	if err := errors.Join(errWas, errIs); err != nil {
		return nil, err
	}
	if was == nil || is == nil {
		a.warnf("not both folders have the file %s, so what they were made from is not compared; run the seasons again", inputsName)
	} else {
		c.inputs = append(c.inputs, compareInputs(was, is)...)
	}
	for _, dir := range []string{from, to} {
		_, laps, err := readTable(dir, "laps")
		if err != nil {
			return nil, err
		}
		for _, l := range laps {
			c.circuit[l.cells["file"]] = l.cells["circuit"]
		}
	}
	store, err := a.openCache(cacheOption)
	if err != nil {
		return c, nil // the folders say most of it
	}
	c.store, c.close = store, func() { a.closeStore(store) }
	for i, dir := range []string{from, to} {
		if abs, err := filepath.Abs(dir); err == nil {
			c.records[i], _ = readRecord(store, abs)
		}
	}
	return c, nil
}

// compareInputs lists what differs, settings first.
func compareInputs(was, is *inputsJSON) []cause {
	var out []cause
	compare := func(kind string, list func(j *inputsJSON) [][2]string) {
		before, after := list(was), list(is)
		old := map[string]string{}
		for _, p := range before {
			old[p[0]] = p[1]
		}
		now := map[string]bool{}
		for _, p := range after {
			now[p[0]] = true
			if v, ok := old[p[0]]; !ok || v != p[1] {
				out = append(out, cause{kind, p[0], v, p[1]})
			}
		}
		for _, p := range before {
			if !now[p[0]] {
				out = append(out, cause{kind, p[0], p[1], ""})
			}
		}
	}
	compare(causeSetting, func(j *inputsJSON) (out [][2]string) {
		for _, s := range j.Settings {
			out = append(out, [2]string{s.Path, s.Value})
		}
		return out
	})
	compare(causeCalendar, func(j *inputsJSON) (out [][2]string) {
		for _, p := range j.Calendar {
			out = append(out, [2]string{strings.TrimSpace(p.Circuit + " " + p.Session), plannedText(p)})
		}
		return out
	})
	compare(causeRecording, func(j *inputsJSON) (out [][2]string) {
		for _, f := range j.Files {
			if f.Role == causeRecording {
				out = append(out, [2]string{f.Path, f.SHA256})
			}
		}
		return out
	})
	compare(causeAside, func(j *inputsJSON) (out [][2]string) {
		for _, l := range j.SetAside {
			out = append(out, [2]string{l.Lap, l.Reason})
		}
		return out
	})
	return out
}

func plannedText(p calendarJSON) string {
	s := fmt.Sprintf("%v laps of %v km", float64(p.Laps), float64(p.LapKm))
	if p.Basis != "" {
		s += ", basis " + p.Basis
	}
	return s
}

// because is how many causes of a row are named.
const becauseShown = 4

// of names the causes of a changed row: what its steps say, else the differing inputs that
// bear on it.
func (c *causes) of(table string, r *rowDiff) []string {
	out := c.bySteps(table, r.cells)
	if len(out) == 0 {
		out = c.byInputs(table, r.cells)
	}
	if n := len(out) - becauseShown; n > 1 {
		out = append(out[:becauseShown], fmt.Sprintf("%d more differences like these", n))
	}
	return out
}

func (c *causes) byInputs(table string, row map[string]string) []string {
	var out []string
	for _, x := range c.inputs {
		if c.bears(x, table, row) {
			out = append(out, x.String())
		}
	}
	return out
}

// bears tells whether a difference may have changed a row.
func (c *causes) bears(x cause, table string, row map[string]string) bool {
	ofSeason := table != "laps" && table != "quality"
	switch x.Kind {
	case causeRecording:
		switch {
		case row["file"] != "":
			return x.Name == row["file"]
		case row["circuit"] != "":
			return c.circuit[x.Name] == "" || c.circuit[x.Name] == row["circuit"]
		}
		return ofSeason
	case causeCalendar:
		return (table == "season" || table == "circuits") && (row["circuit"] == "" || x.Name == row["circuit"] || strings.HasPrefix(x.Name, row["circuit"]+" "))
	case causeAside:
		return ofSeason && row["lap_id"] == "" || x.Name == row["lap_id"]
	}
	top, rest, _ := strings.Cut(x.Name, ".")
	below := func(column string) bool { return row[column] == "" || strings.HasPrefix(rest+".", row[column]+".") }
	switch top {
	case "hotspots":
		return below("hotspot")
	case "materials":
		return below("material")
	case "channels":
		return below("channel")
	case "scenarios":
		return row["scenario"] != "" && strings.HasPrefix(rest, row["scenario"]+".")
	case "quality", "calendar":
		return ofSeason
	case "target":
		return table == "season"
	}
	return true
}

// bySteps compares the steps of the two runs that a row comes from, down to the ones whose
// own parameters or recordings differ.
func (c *causes) bySteps(table string, row map[string]string) []string {
	if c.records[0] == nil || c.records[1] == nil {
		return nil
	}
	names, err := season.Origin(c.records[1], table, row)
	if err != nil {
		return nil
	}
	s := stepDiff{c: c, seen: map[string]bool{}}
	s.task(names[0], 0)
	for _, n := range names[1:] {
		s.task(n, 0)
	}
	return s.out
}

// stepDiff gathers what differs between the steps of two runs.
type stepDiff struct {
	c    *causes
	seen map[string]bool
	out  []string
}

func (s *stepDiff) task(name string, depth int) {
	if s.seen[name] || depth > depthMost {
		return
	}
	s.seen[name] = true
	was, ok := s.c.records[0].Task(name)
	is, there := s.c.records[1].Task(name)
	if !there {
		return
	}
	if !ok {
		s.say(fmt.Sprintf("%s is new", stages.Cut(name)))
		return
	}
	if was.Action == is.Action {
		return
	}
	for _, f := range s.changed(was.Action, is.Action) {
		if strings.HasPrefix(f.Label, pipeline.InputLabel("")) || f.Label == "input" {
			continue
		}
		what := f.Label
		if f.Label == "recording" {
			s.say(fmt.Sprintf("recording %s changed, SHA-256 %.8s -> %.8s", stages.Cut(is.Source), f.Old, f.New))
			continue
		}
		s.say(fmt.Sprintf("%s: %s -> %s", what, oneLine(orNone(f.Old)), oneLine(orNone(f.New))))
	}
	for _, in := range is.Inputs {
		s.task(s.c.records[1].Tasks[in.Task].Name, depth+1)
	}
}

// changed lists the fields in which the keys of two actions differ.
func (s *stepDiff) changed(was, is key.ID) []key.Change {
	before, missWas := s.c.store.Lookup(was)
	after, missIs := s.c.store.Lookup(is)
	if missWas != "" || missIs != "" {
		return nil
	}
	return key.Diff(before.Transcript, after.Transcript)
}

func (s *stepDiff) say(what string) {
	if !slices.Contains(s.out, what) {
		s.out = append(s.out, what)
	}
}

// showCauses prints what two runs were made from, as far as it differs.
func (a *app) showCauses(list []cause) {
	if len(list) == 0 {
		return
	}
	fmt.Fprintln(a.out, "What they were made from differs:")
	count := map[string]int{}
	for _, c := range list {
		count[c.Kind]++
		if n := count[c.Kind]; n <= 2*namesShown {
			fmt.Fprintf(a.out, "  %v\n", c)
		}
	}
	for _, kind := range []string{causeSetting, causeCalendar, causeRecording, causeAside} {
		if n := count[kind] - 2*namesShown; n > 0 {
			fmt.Fprintf(a.out, "  and %d more of the kind %s\n", n, kind)
		}
	}
}
