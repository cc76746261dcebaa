package season

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"slices"
	"strings"

	"lapwear/stages/aggregate"
)

// Lap is one row of the manifest.
type Lap struct {
	ID, File, Path           string // Path is File as it can be opened, absolute
	Circuit, Event, Session  string
	Rider, Bike, Setup, Lap  string
	DistanceKm, StartS, EndS float64              // NaN when not given
	Use                      string               // "season", "calibration" or "both"
	Accept                   []aggregate.Accepted // findings that a person accepts
	Overlaps                 []string             // laps of the same use with which it shares a part of its recording
	Line                     int                  // in the manifest; of a Parquet manifest the row, from 1
}

// unknownCircuit stands in a manifest that was made from recordings which do not say
// where they come from.
const unknownCircuit = "?"

// Counts tells whether the lap counts toward the season.
func (l *Lap) Counts() bool { return l.Use != useCalibration }

// Calibrates tells whether the lap serves calibration.
func (l *Lap) Calibrates() bool { return l.Use != useSeason }

// manifest is a manifest with what the rest of the season asks of it.
type manifest struct {
	laps       []Lap
	at         []pos  // of each lap's file
	unreadable string // why; "" if it was read
	faults     *collector

	counting, calibration int             // laps of each use
	recorded              map[string]bool // circuits with a lap that counts
	noDistance            int             // laps that count and have no distance
	noDistanceAt          pos             // of the first
	noDistanceID          string
}

func manifestColumns() []column {
	cols := []column{{"lap_id", true}, {"file", true}, {"circuit", true}}
	for _, name := range []string{"event", "session", "rider", "bike", "setup", "lap", "distance_km", "start_s", "end_s", "use", "accept"} {
		cols = append(cols, column{name, false})
	}
	return cols
}

func (l *loader) loadManifest(path, shown string) *manifest {
	m := &manifest{faults: &collector{}, recorded: make(map[string]bool)}
	t, err := openTable(path, shown, maxManifestBytes, manifestColumns(), m.faults, l.contents)
	if err != nil {
		m.unreadable = err.Error()
		return m
	}
	r := lapReader{loader: l, table: t, m: m, lines: make(map[string]int, t.about)}
	m.laps, m.at = make([]Lap, 0, t.about), make([]pos, 0, t.about)
	for t.next() {
		r.lap()
	}
	m.findOverlaps(l.warnings)
	m.findSpellings(l.warnings)
	m.findLengths(l.warnings)
	if len(m.laps) == 0 && len(m.faults.list) == 0 {
		m.faults.add(pos{shown, 1, 1}, "add a row for each lap", "the manifest has no laps")
	}
	return m
}

type lapReader struct {
	*loader
	table *table
	m     *manifest
	lines map[string]int // of each lap_id
}

func (r *lapReader) lap() {
	t := r.table
	lap := Lap{
		ID: t.required("lap_id"), File: t.required("file"), Circuit: t.required("circuit"),
		Event: t.text("event"), Session: t.text("session"),
		Rider: t.text("rider"), Bike: t.text("bike"), Setup: t.text("setup"), Lap: t.text("lap"),
		DistanceKm: t.number("distance_km", positive()), StartS: t.number("start_s", anyNumber()), EndS: t.number("end_s", anyNumber()),
		Use:    t.choice("use", useSeason, useCalibration, useBoth),
		Accept: t.accepted(),
		Line:   t.line(),
	}
	if first, twice := r.lines[lap.ID]; twice && lap.ID != "" {
		t.fault("lap_id", "give every lap an id of its own", "lap_id %q occurs twice, first in line %d", lap.ID, first)
	}
	r.lines[lap.ID] = lap.Line
	if lap.Circuit == unknownCircuit {
		t.fault("circuit", "write the circuit's name, as in the calendar", "the circuit of lap %q is not known: %q", lap.ID, lap.Circuit)
	}
	if lap.EndS <= lap.StartS {
		t.fault("end_s", "correct the two, in s on the recording's time axis", "end_s %g is not after start_s %g", lap.EndS, lap.StartS)
	}
	lap.Path = r.recording(lap.File)
	r.m.add(lap, t)
}

func (r *lapReader) recording(file string) string {
	if file == "" {
		return ""
	}
	path, err := r.folder.resolve(file)
	if err != nil {
		r.table.fault("file", "keep recordings in the season file's folder, or add allow_outside: true to it", "%v", err)
	}
	return path
}

func (m *manifest) add(lap Lap, t *table) {
	m.laps = append(m.laps, lap)
	m.at = append(m.at, t.place("file"))
	if lap.Calibrates() {
		m.calibration++
	}
	if !lap.Counts() {
		return
	}
	m.counting++
	m.recorded[lap.Circuit] = true
	if !math.IsNaN(lap.DistanceKm) {
		return
	}
	if m.noDistance == 0 {
		m.noDistanceAt, m.noDistanceID = t.place("distance_km"), lap.ID
	}
	m.noDistance++
}

// cuts are the laps of one use that are cut from one recording, by their places.
type cuts struct {
	path   string
	counts bool
}

// findOverlaps warns of laps of one use that are cut from one recording and share a part
// of it, pair by pair. Laps that take the whole of it are no cuts: the check
// for duplicates is theirs.
func (m *manifest) findOverlaps(warnings *collector) {
	all := map[cuts][]int{}
	var order []cuts
	for i := range m.laps {
		l := &m.laps[i]
		k := cuts{l.Path, l.Counts()}
		if all[k] == nil {
			order = append(order, k)
		}
		all[k] = append(all[k], i)
	}
	for _, k := range order {
		if of := all[k]; len(of) > 1 && k.path != "" {
			m.findOverlap(of, warnings)
		}
	}
}

// findOverlap looks at laps of one recording in the order of their beginnings: one that
// overlaps any before it does so with the one that ends last.
func (m *manifest) findOverlap(of []int, warnings *collector) {
	slices.SortStableFunc(of, func(a, b int) int {
		return cmp.Compare(bound(m.laps[a].StartS, -1), bound(m.laps[b].StartS, -1))
	})
	var open []int // those before that end last, the last one first
	n := 0
	for _, i := range of {
		for _, k := range open {
			if m.laps[i].overlaps(&m.laps[k]) {
				if n++; n <= overlapsNamed {
					m.tellOverlap(k, i, warnings)
				}
				m.laps[i].Overlaps = append(m.laps[i].Overlaps, m.laps[k].ID)
				m.laps[k].Overlaps = append(m.laps[k].Overlaps, m.laps[i].ID)
			}
		}
		open = append(open, i)
		slices.SortStableFunc(open, func(a, b int) int { return cmp.Compare(bound(m.laps[b].EndS, 1), bound(m.laps[a].EndS, 1)) })
		open = open[:min(len(open), overlapsNamed)]
	}
	if n > overlapsNamed {
		warnings.add(m.at[of[0]], "see the check overlap in the table quality", "of recording %q, laps share a part in %d pairs beyond those named", m.laps[of[0]].File, n-overlapsNamed)
	}
}

// overlapsNamed is how many pairs of laps of a recording are warned of, and with how many
// before it a lap is compared.
const overlapsNamed = 20

// tellOverlap warns of two laps.
func (m *manifest) tellOverlap(first, second int, warnings *collector) {
	a, b := &m.laps[first], &m.laps[second]
	shared := ""
	if s := min(bound(a.EndS, 1), bound(b.EndS, 1)) - max(bound(a.StartS, -1), bound(b.StartS, -1)); !math.IsInf(s, 0) {
		shared = fmt.Sprintf(", %.4g s", s)
	}
	warnings.add(m.at[second], "correct start_s and end_s, else that part counts twice",
		"laps %q and %q share a part of recording %q%s", a.ID, b.ID, b.File, shared)
}

// overlaps tells whether two laps of one recording, of which at least one is a cut,
// share a part.
func (l *Lap) overlaps(o *Lap) bool {
	cut := func(l *Lap) bool { return !math.IsNaN(l.StartS) || !math.IsNaN(l.EndS) }
	return (cut(l) || cut(o)) && bound(l.StartS, -1) < bound(o.EndS, 1) && bound(o.StartS, -1) < bound(l.EndS, 1)
}

// circuits lists the circuits with a lap that counts, sorted.
func (m *manifest) circuits() []string {
	out := make([]string, 0, len(m.recorded))
	for c := range m.recorded {
		out = append(out, c)
	}
	slices.Sort(out)
	return out
}

// MissingRecordings lists the laps whose recording is not there or is no file. A
// run sets such laps aside and goes on.
func (s *Season) MissingRecordings() []Fault {
	var out []Fault
	known := make(map[string]string) // why a file is missing, by path
	for i, lap := range s.Laps {
		why, looked := known[lap.Path]
		if !looked {
			why = whyMissing(lap.Path)
			known[lap.Path] = why
		}
		if why == "" {
			continue
		}
		remedy := "the lap will be set aside"
		if strings.Contains(lap.File, `\`) && os.PathSeparator == '/' {
			remedy = "write / between folders"
		}
		at := s.manifest.at[i]
		out = append(out, Fault{at.file, at.line, at.col, fmt.Sprintf("recording %q of lap %q: %s", lap.File, lap.ID, why), remedy})
	}
	return out
}

func whyMissing(path string) string {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "no such file"
	case err != nil:
		return plainError(err).Error()
	case !info.Mode().IsRegular():
		return "not a file"
	}
	return ""
}

// lengths is the median distance_km of the laps of each circuit that count.
func (m *manifest) lengths() map[string]float64 {
	by := map[string][]float64{}
	for i := range m.laps {
		if l := &m.laps[i]; l.Counts() && l.DistanceKm > 0 {
			by[l.Circuit] = append(by[l.Circuit], l.DistanceKm)
		}
	}
	out := make(map[string]float64, len(by))
	for name, v := range by {
		slices.Sort(v)
		out[name] = v[(len(v)-1)/2]
	}
	return out
}

// lapsNamed is how many laps of other lengths are named.
const lapsNamed = 5

// findLengths warns of laps whose distance_km departs from the circuit's median.
func (m *manifest) findLengths(warnings *collector) {
	lengths := m.lengths()
	n, first := 0, 0
	for i := range m.laps {
		l := &m.laps[i]
		median := lengths[l.Circuit]
		if !l.Counts() || !otherLength(l.DistanceKm, median) {
			continue
		}
		if n++; n == 1 {
			first = i
		}
		if n <= lapsNamed {
			warnings.add(m.at[i], "correct it, else damage per km is wrong; or give another layout a name of its own",
				"distance_km %g of lap %q is %.3g times the median of circuit %q, %g km", l.DistanceKm, l.ID, l.DistanceKm/median, l.Circuit, median)
		}
	}
	if n > lapsNamed {
		warnings.add(m.at[first], "look through the column distance_km", "%d laps more than those named depart from their circuit's length", n-lapsNamed)
	}
}

// findSpellings warns of names that differ in case or spaces alone: they count as two.
func (m *manifest) findSpellings(warnings *collector) {
	for _, c := range []struct {
		column string
		get    func(l *Lap) string
	}{
		{"circuit", func(l *Lap) string { return l.Circuit }}, {"rider", func(l *Lap) string { return l.Rider }},
		{"bike", func(l *Lap) string { return l.Bike }}, {"setup", func(l *Lap) string { return l.Setup }},
		{"session", func(l *Lap) string { return l.Session }}, {"event", func(l *Lap) string { return l.Event }},
	} {
		first := map[string]string{}
		said := map[string]bool{}
		for i := range m.laps {
			name := c.get(&m.laps[i])
			if said[name] {
				continue
			}
			said[name] = true
			folded := strings.ToLower(strings.Join(strings.Fields(name), " "))
			if was, ok := first[folded]; ok {
				warnings.add(m.at[i], "spell them alike if they are one", "%s %q and %q count as two", c.column, was, name)
				continue
			}
			first[folded] = name
		}
	}
}
