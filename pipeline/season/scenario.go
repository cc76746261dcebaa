package season

import (
	"fmt"
	"strings"
	"unicode/utf8"
)

// BaseScenario is the name of the season as it is written.
const BaseScenario = "base"

// Bounds of the scenarios: each is validated as a season of its own.
const (
	maxScenarios     = 1_000
	maxScenarioNodes = 10_000_000 // scenarios times the values of the season file
)

// Scenario is the season with some values replaced.
type Scenario struct {
	Name   string
	Season *Season    // with the values replaced; shares Laps and Calendar unless their files were
	Set    []Override // in file order; nil for the base
}

// Override is a value that a scenario replaces.
type Override struct {
	Path  string // dotted, as written
	Value string // on one line
}

// Scenarios returns the base and then the scenarios in file order. A scenario's
// own Season has none.
func (s *Season) Scenarios() []Scenario { return s.scenarios }

// scenarios reads and validates all scenarios of the document.
func (l *loader) scenarios(doc *node) []Scenario {
	n := doc.get("scenarios")
	if n == nil {
		return nil
	}
	if n.kind != mapNode {
		l.faults.add(n.pos, "write scenarios: {thicker: {hotspots.weld_toe.stress_factor: 0.93}}", "scenarios is %s, expected a mapping", n.kind)
		return nil
	}
	if len(n.keys) > maxScenarios || len(n.keys)*(doc.size-n.size) > maxScenarioNodes {
		l.faults.add(n.pos, "split the season file", "too many scenarios (%d) for a season file of this size", len(n.keys))
		return nil
	}
	out := make([]Scenario, 0, len(n.keys))
	for _, e := range n.keys {
		if sc, ok := l.scenario(doc, e); ok {
			out = append(out, sc)
		}
	}
	return out
}

func (l *loader) scenario(doc *node, e entry) (Scenario, bool) {
	out := Scenario{Name: e.key}
	switch why := badName(e.key); {
	case why != "":
		l.faults.add(e.at, "give it another name", "scenario name %q %s", e.key, why)
		return out, false
	case e.key == BaseScenario:
		l.faults.add(e.at, "give it another name", "scenario name %q is kept for the season as it is written", e.key)
		return out, false
	case e.value.kind != mapNode || len(e.value.keys) == 0:
		l.faults.add(e.value.pos, "write a path and its value, such as hotspots.weld_toe.stress_factor: 0.93", "scenario %q replaces nothing", e.key)
		return out, false
	}
	doc, ok := l.replaceAll(doc, e, &out)
	if !ok {
		return out, false
	}
	d := &decoder{loader: l, faults: &collector{}, warnings: &collector{}}
	out.Season = d.season(doc)
	out.Season.Warnings = d.warnings.sorted()
	l.faults.addNew(e.key, d.faults.list, l.faults)
	l.warnings.addNew(e.key, d.warnings.list, l.warnings)
	return out, len(d.faults.list) == 0
}

// replaceAll applies a scenario's values in file order. A path above one already
// replaced would undo it and is a fault.
func (l *loader) replaceAll(doc *node, e entry, out *Scenario) (*node, bool) {
	valid, above := true, make(map[string]string)
	for _, set := range e.value.keys {
		if below, undone := above[set.key]; undone {
			l.faults.add(set.at, "put it first, or write one of the two", "scenario %q: %q undoes %q before it", e.key, set.key, below)
			valid = false
			continue
		}
		for i, r := range set.key {
			if r == '.' {
				above[set.key[:i]] = set.key
			}
		}
		next, why := l.replace(doc, l.shape, "", set.key, set.value)
		if why != nil {
			l.faults.add(set.at, why.remedy, "scenario %q: %s", e.key, why.message)
			valid = false
			continue
		}
		doc = next
		out.Set = append(out.Set, Override{set.key, set.value.String()})
	}
	return doc, valid
}

// set applies one "path=value" to the document, read as YAML.
func (l *loader) set(doc *node, text string) *node {
	file := fmt.Sprintf("--set %q", text)
	path, value, found := strings.Cut(text, "=")
	if !found || strings.TrimSpace(path) == "" {
		l.faults.add(pos{file, 1, 1}, "", "expected a path and a value, such as hotspots.weld_toe.material=ti-6al-4v")
		return doc
	}
	if strings.TrimSpace(value) == "" {
		l.faults.add(pos{file, 1, utf8.RuneCountInString(path) + 2}, "write it after the equals sign", "the value is empty")
		return doc
	}
	// The value stays in its column, so that faults in it point into the text.
	n := parse(file, []byte(strings.Repeat(" ", utf8.RuneCountInString(path)+1)+value), l.faults)
	if n == nil || doc == nil {
		return doc
	}
	next, why := l.replace(doc, l.shape, "", strings.TrimSpace(path), n)
	if why != nil {
		l.faults.add(pos{file, 1, 1}, why.remedy, "%s", why.message)
		return doc
	}
	return next
}

// misfit says why a path cannot be replaced.
type misfit struct{ message, remedy string }

// replace returns a copy of n, of shape s, in which the value at the dotted path
// rest is value. done is the path to n with its dot.
func (l *loader) replace(n *node, s *shape, done, rest string, value *node) (*node, *misfit) {
	if len(s.fields) == 0 && s.each == nil {
		return nil, &misfit{fmt.Sprintf("path %q goes on below %q, which is a single value", done+rest, strings.TrimSuffix(done, ".")),
			"end the path there"}
	}
	switch {
	case n != nil && n.kind == scalarNode && s.bare != "":
		n = &node{pos: n.pos, kind: mapNode, keys: []entry{{s.bare, n.pos, n}}}
	case n == nil || n.kind == nullNode:
		n = &node{pos: value.pos, kind: mapNode}
	case n.kind != mapNode:
		return nil, &misfit{fmt.Sprintf("path %q goes through %q, which is %s", done+rest, strings.TrimSuffix(done, "."), n.kind),
			"mend that first"}
	}
	key, below, why := l.step(n, s, done, rest, value)
	if why != nil {
		return nil, why
	}
	if below == "" {
		return n.with(key, value), nil
	}
	child := s.each
	if child == nil {
		f, _ := s.field(key)
		child = f.of
	}
	next, why := l.replace(n.get(key), child, done+key+".", below, value)
	if why != nil {
		return nil, why
	}
	return n.with(key, next), nil
}

// step splits the first key off a path: one of the shape's fields, or the longest
// of the user's names that fits, since names may have dots.
func (l *loader) step(n *node, s *shape, done, rest string, value *node) (key, below string, why *misfit) {
	if s.each != nil {
		return l.stepName(n, s, done, rest, value)
	}
	key, below, dotted := strings.Cut(rest, ".")
	f, known := s.field(key)
	switch {
	case !known:
		return "", "", &misfit{fmt.Sprintf("unknown path %q", done+rest), l.nearestPath(n, s, done, key, rest)}
	case f.locked:
		return "", "", &misfit{fmt.Sprintf("path %q cannot be replaced", done+rest), "write it in the season file itself"}
	case dotted && below == "":
		return "", "", &misfit{fmt.Sprintf("path %q ends with a dot", done+rest), "leave the dot out"}
	}
	return key, below, nil
}

func (l *loader) stepName(n *node, s *shape, done, rest string, value *node) (key, below string, why *misfit) {
	found := false
	for _, e := range n.keys {
		if after, fits := strings.CutPrefix(rest, e.key); fits && (!found || len(e.key) > len(key)) && (after == "" || len(after) > 1 && after[0] == '.') {
			key, below, found = e.key, strings.TrimPrefix(after, "."), true
		}
	}
	switch {
	case found:
		return key, below, nil
	case s.open && value.kind == mapNode && s.wholeName(rest):
		return rest, "", nil
	}
	first, _, _ := strings.Cut(rest, ".")
	return "", "", &misfit{fmt.Sprintf("unknown path %q", done+rest), l.nearestPath(n, s, done, first, rest)}
}

// wholeName tells whether a path names a new entry and not a key below one, which
// would be an entry that is not there.
func (s *shape) wholeName(rest string) bool {
	for _, k := range s.each.keys() {
		if strings.Contains(rest+".", "."+k+".") {
			return false
		}
	}
	return true
}

// nearestPath suggests a path for one that goes wrong at key, below done.
func (l *loader) nearestPath(n *node, s *shape, done, key, rest string) string {
	known := s.keys()
	if s.each != nil {
		for _, e := range n.keys {
			known = append(known, e.key)
		}
	}
	if best := nearest(key, known); best != "" {
		return fmt.Sprintf("did you mean %q?", done+best+strings.TrimPrefix(rest, key))
	}
	if done == "" { // a path that begins with the user's own name
		for _, section := range []string{"hotspots", "channels", "materials"} {
			if n.get(section).get(key) != nil {
				return fmt.Sprintf("did you mean %q?", section+"."+rest)
			}
		}
	}
	if best := nearest(rest, known); best != "" {
		return fmt.Sprintf("did you mean %q?", done+best)
	}
	if len(known) == 0 {
		return "write it in the season file first"
	}
	for i, k := range known {
		known[i] = done + k
	}
	return suggest(done+rest, known)
}
