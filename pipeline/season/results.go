package season

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"lapwear/stages/life"
)

// maxResultsBytes is more than any laboratory's specimens take.
const maxResultsBytes = 4 << 20

// lifeUnits are the columns of which the results have one: in what lives are counted.
func lifeUnits() []string { return []string{"cycles", "repeats", "hours"} }

// ReadResults reads the specimens of a rig test, CSV or Parquet, with the columns specimen, one of cycles, repeats and hours, status
// (failed or runout), and optionally hotspot, note and level, which all specimens have or none. Hot spots must be among the known ones, if any are given. The faults are nil
// if, and only if, the results are valid.
func ReadResults(path string, known []string) (life.Results, Faults) {
	return readResults(path, path, known, nil)
}

func readResults(path, shown string, known []string, read contents) (life.Results, Faults) {
	faults := &collector{}
	cols := []column{{"specimen", true}, {"status", true}, {"hotspot", false}, {"note", false}, {"level", false}}
	for _, u := range lifeUnits() {
		cols = append(cols, column{u, false})
	}
	t, err := openTable(path, shown, maxResultsBytes, cols, faults, read)
	if err != nil {
		faults.add(pos{shown, 1, 1}, "name a CSV or Parquet file of the specimens' lives", "read results: %v", err)
		return life.Results{}, faults.sorted()
	}
	r := resultsReader{table: t, known: known, lines: map[[2]string]int{}}
	if r.unit() {
		for t.next() {
			r.specimen()
		}
		r.unnamed()
	}
	if len(r.out.Specimens) == 0 && len(faults.list) == 0 {
		faults.add(pos{shown, 1, 1}, "add a row for each specimen", "the results have no specimens")
	}
	return r.out, faults.sorted()
}

type resultsReader struct {
	*table
	known []string
	out   life.Results
	lines map[[2]string]int // of each specimen and hot spot
	named int               // failures that say where
	blank []pos             // of those that do not
}

// unit finds the one column of lives.
func (r *resultsReader) unit() bool {
	if len(r.faults.list) > 0 {
		return false
	}
	var have []string
	for _, u := range lifeUnits() {
		if _, ok := r.index[u]; ok {
			have = append(have, u)
		}
	}
	if len(have) != 1 {
		what := "none"
		if len(have) > 1 {
			what = quoteAll(have)
		}
		r.faults.add(r.at(0), "keep the one in which the lives are counted",
			"the header has %s of the columns %s, expected one", what, quoteAll(lifeUnits()))
		return false
	}
	r.out.Unit = have[0]
	return true
}

func (r *resultsReader) specimen() {
	s := life.Specimen{Name: r.required("specimen"), Life: r.requiredNumber(r.out.Unit, positive()),
		Hotspot: r.text("hotspot"), Note: r.text("note")}
	status := r.required("status")
	runOut, ok := endings()[plainWord(status)]
	if status != "" && !ok {
		r.fault("status", nearestHint(status, []string{life.Failed, life.RunOut}), "status is %q, expected one of %s",
			status, quoteAll([]string{life.Failed, life.RunOut}))
	}
	s.RunOut = runOut
	if s.Hotspot != "" && len(r.known) > 0 && !slices.Contains(r.known, s.Hotspot) {
		r.fault("hotspot", suggest(s.Hotspot, r.known), "the season has no hot spot %q", s.Hotspot)
	}
	if s.Hotspot == life.Part {
		r.fault("hotspot", "give the hot spot another name", "hot spot %q: the name stands for the whole part", s.Hotspot)
	}
	if _, levelled := r.index["level"]; levelled {
		s.Level = r.requiredNumber("level", positive())
	}
	id := [2]string{s.Name, s.Hotspot}
	if first, twice := r.lines[id]; twice && s.Name != "" {
		r.fault("specimen", "give every specimen a name of its own", "specimen %q occurs twice%s, first in line %d", s.Name, atHotspot(s.Hotspot), first)
	}
	r.lines[id] = r.line()
	switch {
	case runOut || !ok:
	case s.Hotspot == "":
		r.blank = append(r.blank, r.place("hotspot"))
	default:
		r.named++
	}
	if !math.IsNaN(s.Life) {
		r.out.Specimens = append(r.out.Specimens, s)
	}
}

func atHotspot(name string) string {
	if name == "" {
		return ""
	}
	return fmt.Sprintf(" at hot spot %q", name)
}

// unnamed refuses failures that do not say where, where others do: they would be run-outs of every hot spot.
func (r *resultsReader) unnamed() {
	if r.named == 0 {
		return
	}
	for _, at := range r.blank {
		r.faults.add(at, "write where the specimen broke, or take the hot spots out of all rows",
			"hotspot is empty, expected one in the row of every failure, as other rows have it")
	}
}

// endings are the words for a specimen's status and whether it is a run-out.
func endings() map[string]bool {
	return map[string]bool{
		life.Failed: false, "failure": false, "fail": false, "broken": false, "cracked": false,
		life.RunOut: true, "suspended": true, "suspension": true, "survived": true, "unbroken": true, "censored": true,
	}
}

// plainWord drops case, spaces, hyphens and underscores.
func plainWord(s string) string {
	return strings.NewReplacer(" ", "", "-", "", "_", "").Replace(strings.ToLower(s))
}
