package season

import (
	"math"
	"path/filepath"
	"slices"
	"strings"

	"lapwear/cache/key"
	"lapwear/fatigue"
	"lapwear/stages"
	"lapwear/stages/aggregate"
	"lapwear/stages/calibrate"
	"lapwear/stages/damage"
)

// Season is a season file, read and valid. Quantities are in MPa, Hz and s, shares
// are fractions. It does not change once loaded.
type Season struct {
	Path, Dir         string // the season file as it was named; its folder, absolute
	Season, Component string

	LapsFile, CalendarFile string // as they can be opened; CalendarFile "" without a calendar
	CalendarBasis          string // "" or "fleet"; what it does to a row is in Planned.Basis

	Time     Time
	Channels []Channel // in file order
	Signal   Signal
	Hotspots []Hotspot // in file order
	Damage   Damage
	Target   Target
	Rig      Rig
	Test     Test

	Specimens Specimens

	Calibration Calibration

	Quality []aggregate.Check // all of them, in the order of aggregate.Checks

	Laps     []Lap     // in driven order
	Calendar []Planned // nil without a calendar
	Warnings []Warning

	scenarios []Scenario
	settings  []Override
	manifest  *manifest
	contents  contents
}

// Contents are the files that the season was read from, by path, with the SHA-256 of what they held; zero where that changed
// meanwhile.
func (s *Season) Contents() map[string]key.ID { return s.contents }

// Time says when a recording's samples were taken.
type Time struct {
	Column string  // "" when the recordings have no time column
	Scale  float64 // seconds per unit of the column; 0 without one
	Rate   float64 // Hz; with a column, of samples whose stamps are those of packets or rounded; 0 = by the stamps
	Clock  bool    // the column holds times of day or dates with times; Scale is 1
}

// Channel is a recorded signal.
type Channel struct {
	Name   string
	Column string  // in the recording
	Unit   string  // as written; UnitScale tells what it is in base units
	Role   string  // "" or "distance"
	Range  float64 // what the sensor measures to either side, in Unit; 0 when not known
}

// RoleDistance is the role of the channel that holds the distance into the lap.
const RoleDistance = "distance"

// Signal says what happens to a channel before counting.
type Signal struct {
	Rate     float64 // Hz; 0 keeps each recording's own
	BandLow  float64 // Hz; 0 is open
	BandHigh float64 // Hz; 0 is open
	Gate     float64 // share of the full range; 0 drops nothing
}

// followAuto is Hotspot.Follow where calibration chooses the channel.
const followAuto = "auto"

// Hotspot is a place on the component whose stress follows a channel.
type Hotspot struct {
	Name         string
	Gauge        string  // channel; "" when the gain is given
	GaugeScale   float64 // MPa per unit of the gauge channel, modulus included; 0 without a gauge
	Follow       string  // followAuto or a channel
	Gain         float64 // MPa per unit of the followed channel; NaN when calibration finds it
	Offset       float64 // MPa
	StressFactor float64
	Response     bool                   // the transfer is a frequency response, not a gain
	Direction    string                 // sign that the gain must have; "" = either
	Accepted     []calibrate.Acceptance // what may be wrong with its calibration
	// ThicknessExponent is the n of stress ~ thickness^-n, 0 when not given.
	ThicknessExponent float64

	MaterialName string
	Material     fatigue.Material
}

// The treatments of a residue.
const (
	ResidueCarry  = damage.Carry
	ResidueHalf   = damage.Half
	ResidueRepeat = damage.Repeat
)

// Damage says how cycles become damage. Without the key the residue is counted as
// half cycles, at 50 % survival and 1e6 reference cycles.
type Damage struct {
	Residue         string
	Survival        float64 // probability, within 0 and 1
	ReferenceCycles float64
}

// Target is what the component has to last; 1 season and a life factor of 1
// without the key.
type Target struct{ Seasons, LifeFactor float64 }

// LoadOptions are what a caller adds to a season file.
type LoadOptions struct {
	Set []string // "hotspots.weld_toe.material=ti": values replaced in the season itself, before its scenarios
}

// Load reads the season file at path with its manifest and calendar, and
// validates all of it. The faults are nil if, and only if, the season is valid;
// then they are all that was found, not just the first. Recordings are not opened: see
// MissingRecordings.
func Load(path string, o LoadOptions) (*Season, Faults) {
	l := newLoader(path)
	doc := l.read()
	for _, set := range o.Set {
		doc = l.set(doc, set)
	}
	if doc == nil {
		return nil, l.faults.sorted()
	}
	s := l.season(doc)
	if faults := l.faults.sorted(); faults != nil {
		return nil, faults
	}
	s.Warnings = l.warnings.sorted()
	s.settings = leaves(nil, "", doc)
	s.contents = l.contents
	return s, nil
}

// Names returns what a season file that may be faulty says of its component and season, ""
// where it does not say.
func Names(path string) (component, name string) {
	doc := newLoader(path).read()
	if n := doc.get("component"); n != nil && n.kind == scalarNode {
		component = n.text
	}
	if n := doc.get("season"); n != nil && n.kind == scalarNode {
		name = n.text
	}
	return component, name
}

// loader is one Load under way.
type loader struct {
	path     string
	folder   folder
	shape    *shape
	units    unitTable
	faults   *collector
	warnings *collector

	manifests map[string]*manifest // by path: scenarios share them
	calendars map[string]*calendar
	results   map[string]resultsFile
	plans     map[planKey]plan
	contents  contents
}

func newLoader(path string) *loader {
	dir, err := filepath.Abs(filepath.Dir(path))
	if err != nil { // no working directory: stay relative
		dir = filepath.Dir(path)
	}
	return &loader{
		path: path, folder: newFolder(dir), shape: documentShape(), units: newUnits(),
		faults: &collector{}, warnings: &collector{},
		manifests: make(map[string]*manifest), calendars: make(map[string]*calendar),
		results: make(map[string]resultsFile), plans: make(map[planKey]plan), contents: contents{},
	}
}

func (l *loader) read() *node {
	start := pos{l.path, 1, 1}
	text, err := readText(l.path, maxSeasonBytes, l.contents)
	if err != nil {
		l.faults.add(start, "name a season file", "the season file cannot be read: %v", err)
		return nil
	}
	doc := parse(l.path, text, l.faults)
	if doc != nil && doc.kind != mapNode {
		l.faults.add(doc.pos, "begin with `lapwear: 1`", "the season file is %s, expected a mapping", doc.kind)
		return nil
	}
	return doc
}

// season decodes the document and then each scenario's version of it.
func (l *loader) season(doc *node) *Season {
	if b := doc.get("allow_outside"); b != nil {
		l.folder.outside = b.kind == scalarNode && b.text == "true"
	}
	base := (&decoder{loader: l, faults: l.faults, warnings: l.warnings}).season(doc)
	base.scenarios = append([]Scenario{{Name: BaseScenario, Season: base}}, l.scenarios(doc)...)
	return base
}

// shape is the form of the season file: what may stand where. It serves the
// decoder's unknown keys and the scenarios' paths alike.
type shape struct {
	fields []field // the keys of a mapping with fixed keys
	each   *shape  // of a mapping with the user's own names
	open   bool    // a scenario may add an entry to each
	bare   string  // the key that a single value in the mapping's place stands for
}

type field struct {
	key    string
	of     *shape
	locked bool // no scenario replaces it
}

func (s *shape) keys() []string {
	out := make([]string, len(s.fields))
	for i, f := range s.fields {
		out[i] = f.key
	}
	return out
}

func (s *shape) field(key string) (field, bool) {
	for _, f := range s.fields {
		if f.key == key {
			return f, true
		}
	}
	return field{}, false
}

// keysOf is a mapping of single values.
func keysOf(keys ...string) *shape {
	s := &shape{}
	for _, k := range keys {
		s.fields = append(s.fields, field{key: k, of: &shape{}})
	}
	return s
}

func documentShape() *shape {
	calendar := keysOf("file", "basis")
	calendar.bare = "file"
	mean := keysOf("rule", "ultimate", "fatigue_strength", "gamma", "m")
	mean.bare = "rule"
	material := keysOf("source", "ultimate", "scatter", "fatigue_strength", "gamma", "m")
	sn := keysOf("kind", "amplitude", "cycles", "slope", "knee", "beyond", "cutoff", "unit", "a1", "a2", "a3", "a4", "points")
	material.fields = append(material.fields, field{key: "sn", of: sn}, field{key: "mean_stress", of: mean})
	hotspot := keysOf("gauge", "modulus", "follow", "gain", "offset", "material", "stress_factor", "thickness_exponent", "transfer", "direction")
	hotspot.fields = append(hotspot.fields, field{key: "accept", of: keysOf(calibrate.Tests()...)})
	leaf := &shape{}
	specimens := &shape{fields: []field{{key: "file", of: leaf}, {key: "damage_per_repeat", of: &shape{each: leaf}}}, bare: "file"}
	return &shape{fields: []field{
		{key: "lapwear", of: leaf, locked: true},
		{key: "season", of: leaf},
		{key: "component", of: leaf},
		{key: "laps", of: leaf},
		{key: "calendar", of: calendar},
		{key: "allow_outside", of: leaf, locked: true},
		{key: "time", of: keysOf("column", "unit", "rate")},
		{key: "channels", of: &shape{each: keysOf("column", "unit", "role", "range")}},
		{key: "signal", of: keysOf("rate", "band", "gate")},
		{key: "hotspots", of: &shape{each: hotspot}},
		{key: "materials", of: &shape{each: material, open: true}},
		{key: "damage", of: keysOf("residue", "survival", "reference_cycles")},
		{key: "target", of: keysOf("seasons", "life_factor")},
		{key: "specimens", of: specimens, locked: true},
		{key: "calibration", of: calibrationShape()},
		{key: "rig", of: rigShape()},
		{key: "test", of: testShape()},
		{key: "quality", of: qualityShape()},
		{key: "scenarios", of: leaf, locked: true},
	}}
}

// object is a mapping with fixed keys, being read.
type object struct {
	d    *decoder
	what string // how messages name it
	pos
	keys map[string]entry
}

// object checks that n is a mapping of that shape. Absent or unfit nodes give an
// object without keys; ok is false for them.
func (d *decoder) object(n *node, s *shape, what string) (o object, ok bool) {
	o = object{d: d, what: what}
	if n == nil {
		return o, false
	}
	o.pos = n.pos
	if n.kind == scalarNode && s.bare != "" {
		o.keys = map[string]entry{s.bare: {s.bare, n.pos, n}}
		return o, true
	}
	if n.kind != mapNode {
		d.faults.add(n.pos, "its keys are "+strings.Join(s.keys(), ", "), "%s is %s, expected a mapping", what, n.kind)
		return o, false
	}
	o.keys = make(map[string]entry, len(n.keys))
	for _, e := range n.keys {
		if _, known := s.field(e.key); !known {
			d.faults.add(e.at, suggest(e.key, s.keys()), "unknown key %q in %s", e.key, what)
			continue
		}
		o.keys[e.key] = e
	}
	return o, true
}

func (o object) has(key string) bool { _, ok := o.keys[key]; return ok }

func (o object) node(key string) *node { return o.keys[key].value }

// at is the place of a key's value, or of the object without the key.
func (o object) at(key string) pos {
	if e, ok := o.keys[key]; ok {
		return e.value.pos
	}
	return o.pos
}

// missing says that the object lacks a key.
func (o object) missing(key, remedy string) {
	o.d.faults.add(o.pos, remedy, "%s has no %q", o.what, key)
}

// scalar returns a key's value as written. ok is false without the key, and for
// what is no single value, which is a fault.
func (o object) scalar(key string) (text string, ok bool) {
	n := o.node(key)
	if n == nil {
		return "", false
	}
	if n.kind == nullNode || n.kind == scalarNode && strings.TrimSpace(n.text) == "" {
		o.d.faults.add(n.pos, "give a value or leave the key out", "%q of %s is empty", key, o.what)
		return "", false
	}
	if n.kind != scalarNode {
		o.d.faults.add(n.pos, "", "%q of %s is %s, expected a single value", key, o.what, n.kind)
		return "", false
	}
	return strings.TrimSpace(n.text), true
}

// required is scalar for a key that must be there.
func (o object) required(key, remedy string) (string, bool) {
	if !o.has(key) {
		o.missing(key, remedy)
		return "", false
	}
	return o.scalar(key)
}

// choice is one of the words given; the first without the key, "" for a bad one.
func (o object) choice(key string, words ...string) string {
	text, ok := o.scalar(key)
	if !ok {
		return words[0]
	}
	for _, w := range words {
		if text == w {
			return w
		}
	}
	words = slices.DeleteFunc(slices.Clone(words), func(w string) bool { return w == "" })
	o.d.faults.add(o.at(key), nearestHint(text, words), "%q of %s is %q, expected one of %s", key, o.what, text, quoteAll(words))
	return ""
}

// limits is the range of a number, in the words of a message.
type limits struct {
	holds func(float64) bool
	words string
}

func anyNumber() limits { return limits{func(float64) bool { return true }, "a number"} }
func positive() limits  { return limits{func(v float64) bool { return v > 0 }, "above 0"} }

// rates bounds sampling rates at what no logger of vibration goes beyond (common
// practice, no source).
func rates() limits {
	return limits{func(v float64) bool { return v > 0 && v <= 1e7 }, "above 0 and up to 10 MHz"}
}
func fromZero() limits { return limits{func(v float64) bool { return v >= 0 }, "0 or more"} }
func nonZero() limits  { return limits{func(v float64) bool { return v != 0 }, "other than 0"} }
func within() limits {
	return limits{func(v float64) bool { return v > 0 && v < 1 }, "between 0 and 100 %"}
}
func belowOne() limits {
	return limits{func(v float64) bool { return v >= 0 && v < 1 }, "from 0 to less than 100 %"}
}
func upToOne() limits {
	return limits{func(v float64) bool { return v >= 0 && v <= 1 }, "from 0 to 1"}
}
func positiveUpToOne() limits {
	return limits{func(v float64) bool { return v > 0 && v <= 1 }, "above 0 and up to 1"}
}
func negative() limits { return limits{func(v float64) bool { return v < 0 }, "below 0"} }

// number reads a plain number; def without the key and NaN for a bad one.
func (o object) number(key string, def float64, lim limits) float64 {
	text, ok := o.scalar(key)
	if !ok {
		return o.absent(key, def)
	}
	v, err := parseNumber(text)
	if err != nil {
		o.d.faults.add(o.at(key), "", "%q of %s: %v, expected a plain number without a unit", key, o.what, err)
		return math.NaN()
	}
	return o.limited(key, text, v, lim)
}

// quantity reads a number with a unit, in the dimension's base unit; def without
// the key and NaN for a bad one.
func (o object) quantity(key string, dim dimension, def float64, lim limits) float64 {
	text, ok := o.scalar(key)
	if !ok {
		return o.absent(key, def)
	}
	v, err := o.d.units.quantity(text, dim)
	if err != nil {
		o.d.faults.add(o.at(key), "", "%q of %s: %v", key, o.what, err)
		return math.NaN()
	}
	return o.limited(key, text, v, lim)
}

func (o object) absent(key string, def float64) float64 {
	if o.has(key) { // and unfit, a fault already
		return math.NaN()
	}
	return def
}

func (o object) limited(key, text string, v float64, lim limits) float64 {
	if lim.holds(v) {
		return v
	}
	o.d.faults.add(o.at(key), "", "%q of %s is %s, expected %s", key, o.what, stages.Cut(text), lim.words)
	return math.NaN()
}
