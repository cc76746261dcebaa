package season

import (
	"fmt"
	"math"
	"strings"
)

// BasisFleet is the basis of a calendar row whose damage is estimated from the
// recorded laps of all circuits, per kilometre.
const BasisFleet = "fleet"

const basisRecorded = "recorded"

// Planned is a row of the calendar: laps that the component will really run.
type Planned struct {
	Circuit, Session string
	Laps             float64
	LapKm            float64 // NaN when not given
	// Basis is BasisFleet, "recorded" where the row says so, or "": the recorded laps of
	// the circuit. The row's own word decides; without one, a calendar on the fleet
	// basis takes the fleet where the circuit was never recorded, and the recorded laps
	// elsewhere, if one of them can be used.
	Basis string
	Line  int
}

// calendar is a calendar file as read, before it meets the manifest.
type calendar struct {
	rows       []Planned // Basis as written
	at         []pos     // of each row's circuit
	unreadable string
	faults     *collector
}

func loadCalendar(path, shown string, read contents) *calendar {
	c := &calendar{faults: &collector{}}
	cols := []column{{"circuit", true}, {"laps", true}, {"session", false}, {"lap_km", false}, {"basis", false}}
	t, err := openTable(path, shown, maxCalendarBytes, cols, c.faults, read)
	if err != nil {
		c.unreadable = err.Error()
		return c
	}
	for t.next() {
		c.rows = append(c.rows, Planned{
			Circuit: t.required("circuit"), Session: t.text("session"),
			Laps: t.requiredNumber("laps", fromZero()), LapKm: t.number("lap_km", positive()),
			Basis: t.choice("basis", "", basisRecorded, BasisFleet), Line: t.line(),
		})
		c.at = append(c.at, t.place("circuit"))
	}
	if len(c.rows) == 0 && len(c.faults.list) == 0 {
		c.faults.add(pos{shown, 1, 1}, "add a row for each circuit, or leave the calendar out", "the calendar has no rows")
	}
	return c
}

// readCalendar reads the calendar that the document names, if any.
func (d *decoder) readCalendar(o object, m *manifest) {
	p, ok := d.object(o.node("calendar"), d.part("calendar"), "calendar")
	if !ok {
		return
	}
	d.out.CalendarBasis = p.choice("basis", "", basisRecorded, BasisFleet)
	if d.out.CalendarBasis == basisRecorded {
		d.out.CalendarBasis = ""
	}
	text, ok := p.required("file", "write calendar: {file: calendar.csv, basis: fleet}")
	if !ok {
		return
	}
	path, shown, ok := d.file(p.at("file"), text)
	if !ok {
		return
	}
	d.out.CalendarFile = path
	c, ok := d.calendars[path]
	if !ok {
		c = loadCalendar(path, shown, d.contents)
		d.calendars[path] = c
	}
	if c.unreadable != "" {
		d.faults.add(p.at("file"), "correct the path, or bring the file", "the calendar %q cannot be read: %s", text, c.unreadable)
		return
	}
	d.faults.take(c.faults)
	if m != nil && len(c.faults.list) == 0 {
		d.out.Calendar = d.plan(c, m)
	}
}

// plan settles each row's basis and checks it against the recorded laps. Scenarios
// with the same files and basis share one plan.
func (d *decoder) plan(c *calendar, m *manifest) []Planned {
	key := planKey{c, m, d.out.CalendarBasis}
	if done, ok := d.plans[key]; ok {
		d.faults.take(done.faults)
		d.warnings.take(done.warnings)
		return done.rows
	}
	p := plan{faults: &collector{}, warnings: &collector{}, rows: make([]Planned, len(c.rows))}
	fleet := false
	first := map[string]string{}
	for i, row := range c.rows {
		row.Basis = settle(row, m, d.out.CalendarBasis)
		checkRow(row, c.at[i], m, p.faults)
		if was, ok := first[row.Circuit]; !ok {
			first[row.Circuit] = row.Basis
		} else if (was == BasisFleet) != (row.Basis == BasisFleet) {
			p.faults.add(c.at[i], "give all rows of a circuit one basis", "circuit %q is on the fleet basis in one row and not in another", row.Circuit)
		}
		fleet = fleet || row.Basis == BasisFleet
		p.rows[i] = row
	}
	if fleet && m.noDistance > 0 {
		others := ""
		if m.noDistance > 1 {
			others = fmt.Sprintf(", nor have %d others", m.noDistance-1)
		}
		p.faults.add(m.noDistanceAt, "give every lap that counts its distance, or take the calendar off the fleet basis",
			"lap %q has no distance_km%s, and the calendar's fleet basis is per kilometre", m.noDistanceID, others)
	}
	p.compare(c, m)
	d.plans[key] = p
	d.faults.take(p.faults)
	d.warnings.take(p.warnings)
	return p.rows
}

type planKey struct {
	calendar *calendar
	manifest *manifest
	basis    string
}

type plan struct {
	rows             []Planned
	faults, warnings *collector
}

// compare holds what is planned against what was recorded.
func (p *plan) compare(c *calendar, m *manifest) {
	laps := map[string]float64{}
	total := 0.0
	for _, r := range p.rows {
		laps[r.Circuit] += r.Laps
		total += r.Laps
	}
	if total == 0 && len(p.rows) > 0 {
		p.faults.add(c.at[0], "give the laps that the component will run, or leave the calendar out", "the calendar plans no laps at all")
		return
	}
	var left []string
	for _, name := range m.circuits() {
		if laps[name] == 0 {
			left = append(left, fmt.Sprintf("%q", name))
		}
	}
	if n := len(left); n > 0 {
		more := ""
		if n > circuitsNamed {
			left, more = left[:circuitsNamed], fmt.Sprintf(" and %d more", n-circuitsNamed)
		}
		p.warnings.add(c.at[0], "add rows if the component will run there", "the calendar plans no lap of what was recorded at %s%s: it adds nothing to the season",
			strings.Join(left, ", "), more)
	}
	lengths := m.lengths()
	for i, r := range p.rows {
		if median := lengths[r.Circuit]; otherLength(r.LapKm, median) {
			p.warnings.add(c.at[i], "correct lap_km, or give another layout a name of its own",
				"lap_km %g of circuit %q is %.3g times the recorded laps' median of %g km", r.LapKm, r.Circuit, r.LapKm/median, median)
		}
	}
}

// circuitsNamed is how many circuits a warning names.
const circuitsNamed = 5

// lengthMost is by how much laps of one circuit may differ in length before it is said. Common
// practice, no source.
const lengthMost = 0.1

// otherLength tells whether a lap is another layout, or its length a slip; unknown lengths are not,
// nor laps of a circuit of which none has a length (median 0).
func otherLength(km, median float64) bool { return median > 0 && math.Abs(km/median-1) > lengthMost }

func settle(row Planned, m *manifest, basis string) string {
	switch {
	case row.Basis == "" && basis == BasisFleet && !m.recorded[row.Circuit]:
		return BasisFleet
	}
	return row.Basis
}

func checkRow(row Planned, at pos, m *manifest, c *collector) {
	switch {
	case row.Basis == BasisFleet && math.IsNaN(row.LapKm):
		c.add(at, "add lap_km to the row", "circuit %q is on the fleet basis, which is per kilometre, and has no lap_km", row.Circuit)
	case row.Basis != BasisFleet && !m.recorded[row.Circuit]:
		remedy := "record a lap of it, or give the row the basis fleet"
		if best := nearest(row.Circuit, m.circuits()); best != "" {
			remedy = fmt.Sprintf("did you mean %q? otherwise give the row the basis fleet", best)
		}
		c.add(at, remedy, "circuit %q has no recorded lap that counts toward the season", row.Circuit)
	}
}
