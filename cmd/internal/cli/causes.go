package cli

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strconv"
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

	circuit string // of a calendar's row
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
	circuit map[string][]string // of recordings, by file: a recording may hold several circuits
	median  bool                // both runs are at a survival of 50 %
	store   *cache.Store
	records [2]*pipeline.Record
	close   func()
}

func (a *app) openCauses(from, to, cacheOption string) (*causes, error) {
	c := &causes{inputs: []cause{}, circuit: map[string][]string{}, close: func() {}}
	was, errWas := readInputs(from)
	is, errIs := readInputs(to)
	if err := errors.Join(errWas, errIs); err != nil {
		return nil, err
	}
	if was == nil || is == nil {
		a.warnf("not both folders have the file %s, so what they were made from is not compared; run the seasons again", inputsName)
	} else {
		c.inputs = append(c.inputs, compareInputs(was, is)...)
		c.median = was.median() && is.median()
	}
	for _, dir := range []string{from, to} {
		_, laps, err := readTable(dir, "laps")
		if err != nil {
			return nil, err
		}
		for _, l := range laps {
			if file, name := l.cells["file"], l.cells["circuit"]; !slices.Contains(c.circuit[file], name) {
				c.circuit[file] = append(c.circuit[file], name)
			}
		}
	}
	store, err := a.openCache(cacheOption)
	if err != nil {
		return c, nil // the folders say most of it
	}
	c.store, c.close = store, func() { a.closeStore(store) }
	c.records = [2]*pipeline.Record{ownRecord(store, from, was), ownRecord(store, to, is)}
	return c, nil
}

// ownRecord is the record of the run that wrote a folder's tables. That of another run into
// a folder of the same name, of which this may be a copy, says nothing of them.
func ownRecord(store *cache.Store, dir string, in *inputsJSON) *pipeline.Record {
	abs, err := filepath.Abs(dir)
	if err != nil || in == nil {
		return nil
	}
	if r := readRecord(store, abs).record; r != nil && r.Digest() == in.Run {
		return r
	}
	return nil
}

// compareInputs lists what differs, settings first.
func compareInputs(was, is *inputsJSON) []cause {
	out := differing(settingCauses(was), settingCauses(is))
	out = append(out, differing(calendarCauses(was), calendarCauses(is))...)
	out = append(out, differing(recordingCauses(was), recordingCauses(is))...)
	return append(out, differing(asideCauses(was), asideCauses(is))...)
}

// differing compares two lists of one kind, in which Is is the value.
func differing(before, after []cause) []cause {
	var out []cause
	old := map[string]string{}
	for _, c := range before {
		old[c.Name] = c.Is
	}
	now := map[string]bool{}
	for _, c := range after {
		now[c.Name] = true
		if v, ok := old[c.Name]; !ok || v != c.Is {
			c.Was = v
			out = append(out, c)
		}
	}
	for _, c := range before {
		if !now[c.Name] {
			c.Was, c.Is = c.Is, ""
			out = append(out, c)
		}
	}
	return out
}

func settingCauses(j *inputsJSON) (out []cause) {
	for _, s := range j.Settings {
		out = append(out, cause{Kind: causeSetting, Name: s.Path, Is: s.Value})
	}
	return out
}

func calendarCauses(j *inputsJSON) (out []cause) {
	for _, p := range j.Calendar {
		out = append(out, cause{Kind: causeCalendar, Name: strings.TrimSpace(p.Circuit + " " + p.Session), Is: plannedText(p), circuit: p.Circuit})
	}
	return out
}

func recordingCauses(j *inputsJSON) (out []cause) {
	for _, f := range j.Files {
		if f.Role == causeRecording {
			out = append(out, cause{Kind: causeRecording, Name: f.Path, Is: f.SHA256})
		}
	}
	return out
}

func asideCauses(j *inputsJSON) (out []cause) {
	for _, l := range j.SetAside {
		out = append(out, cause{Kind: causeAside, Name: l.Lap, Is: l.Reason})
	}
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
	out := c.bySteps(table, r)
	if len(out) == 0 {
		out = c.byInputs(table, r)
	}
	if n := len(out) - becauseShown; n > 1 {
		out = append(out[:becauseShown], fmt.Sprintf("%d more differences like these", n))
	}
	return out
}

func (c *causes) byInputs(table string, r *rowDiff) []string {
	var out []string
	for _, x := range c.inputs {
		if c.bears(x, table, r.cells) && !(c.median && strings.HasSuffix(x.Name, ".scatter") && !r.hangsOnScatter()) {
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
			return len(c.circuit[x.Name]) == 0 || slices.Contains(c.circuit[x.Name], row["circuit"])
		}
		return ofSeason
	case causeCalendar:
		return (table == "season" || table == "circuits" || table == "places") && (row["circuit"] == "" || x.circuit == row["circuit"])
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
func (c *causes) bySteps(table string, r *rowDiff) []string {
	if c.records[0] == nil || c.records[1] == nil {
		return nil
	}
	names, err := season.Origin(c.records[1], table, r.cells)
	if err != nil {
		return nil
	}
	s := stepDiff{c: c, seen: map[string]bool{}, scatter: r.hangsOnScatter()}
	s.task(names[0], 0)
	for _, n := range names[1:] {
		s.task(n, 0)
	}
	return s.out
}

// stepDiff gathers what differs between the steps of two runs.
type stepDiff struct {
	c       *causes
	seen    map[string]bool
	scatter bool // the row has changed where the material's scatter counts whatever the survival
	out     []string
}

// ofScatter are the columns that hang on the material's scatter even at a survival of 50 %.
var ofScatter = []string{"failure_probability", "failure_probability_error", "failure_probability_material", "material_log10_sd"}

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
		if f.Label == "recording" {
			s.say(fmt.Sprintf("recording %s changed, SHA-256 %.8s -> %.8s", stages.Cut(is.Source), f.Old, f.New))
			continue
		}
		s.say(stepWords(f))
	}
	inputs, _ := s.c.records[1].Inputs(is) // a damaged record explains less
	for _, in := range inputs {
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
	changes := key.Diff(before.Transcript, after.Transcript)
	if !s.scatter && median50(before.Transcript) && median50(after.Transcript) {
		changes = slices.DeleteFunc(changes, func(f key.Change) bool { return f.Label == "scatter" })
	}
	return changes
}

// hangsOnScatter tells whether a row has changed where scatter counts whatever the survival.
func (r *rowDiff) hangsOnScatter() bool {
	return slices.ContainsFunc(r.Cells, func(x cellDiff) bool { return slices.Contains(ofScatter, x.Column) })
}

// median50 tells whether a step is at a survival of 50 %, where scatter shifts no curve.
func median50(fields []key.Field) bool {
	return slices.ContainsFunc(fields, func(f key.Field) bool {
		v, err := strconv.ParseFloat(f.Value, 64)
		return f.Label == "survival" && err == nil && v == 0.5
	})
}

// stepWords says which parameter of a step changed, for those whose label is not a path of
// the season file.
func stepWords(f key.Change) string {
	top, rest, _ := strings.Cut(f.Label, ".")
	name, last := rest, ""
	if i := strings.LastIndex(rest, "."); i >= 0 {
		name, last = rest[:i], rest[i+1:]
	}
	what := f.Label
	switch top {
	case "lap":
		switch {
		case f.Old == "":
			return fmt.Sprintf("lap %s is new", oneLine(stages.Cut(name)))
		case f.New == "":
			return fmt.Sprintf("lap %s is gone", oneLine(stages.Cut(name)))
		case last == "chain":
			last = "event, session and bike"
		case last == "km":
			last = "distance, km,"
		}
		what = fmt.Sprintf("%s of lap %s", last, oneLine(stages.Cut(name)))
	case "calendar":
		if last != "" {
			what = fmt.Sprintf("calendar: %s planned at %s", last, oneLine(name))
		}
	case "given":
		scenario, hotspot, _ := strings.Cut(name, ".")
		what = fmt.Sprintf("%s at %s (%s)", strings.ReplaceAll(last, "_", " "), oneLine(hotspot), oneLine(scenario))
	}
	return fmt.Sprintf("%s: %s -> %s", what, oneLine(orNone(f.Old)), oneLine(orNone(f.New)))
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
