package season

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"unicode"

	"lapwear/fatigue"
)

const formatVersion = "1"

// clockUnit is the unit of a time column that holds times of day, or dates with times.
const clockUnit = "clock"

// decoder reads one version of the document: the base or a scenario's.
type decoder struct {
	*loader
	faults   *collector
	warnings *collector

	out       *Season
	channels  map[string]Channel
	materials map[string]material
	needsLaps pos // of a gauge, which needs calibration laps
}

func (d *decoder) season(doc *node) *Season {
	d.out = &Season{Path: d.path, Dir: d.folder.dir}
	o, _ := d.object(doc, d.shape, "the season file")
	d.version(o)
	d.out.Season, _ = o.required("season", `add season: "2031"`)
	d.out.Component, _ = o.required("component", "add component: with the name of the part")
	d.allowOutside(o)
	d.out.Time = d.time(o)
	d.out.Signal = d.signal(o)
	d.readChannels(o)
	d.readMaterials(o)
	d.out.Damage = d.damage(o)
	d.out.Target = d.target(o)
	d.out.Calibration = d.calibration(o)
	d.out.Quality = d.quality(o)
	d.out.Rig = d.rig(o)
	d.out.Test = d.test(o)
	d.readHotspots(o)
	d.readFiles(o)
	return d.out
}

func (d *decoder) version(o object) {
	text, ok := o.required("lapwear", "add lapwear: 1 as the first line")
	if ok && text != formatVersion {
		d.faults.add(o.at("lapwear"), "", "format version %q, expected %s", text, formatVersion)
	}
}

func (d *decoder) allowOutside(o object) { o.choice("allow_outside", "false", "true") }

func (d *decoder) time(o object) Time {
	const example = "write time: {column: TIME, unit: s}, time: {column: TIME, unit: clock} or time: {rate: 2000 Hz}"
	if !o.has("time") {
		o.missing("time", example)
		return Time{}
	}
	t, ok := d.object(o.node("time"), d.part("time"), "time")
	if !ok {
		return Time{}
	}
	rate := 0.0
	switch {
	case t.has("rate"):
		rate = t.quantity("rate", frequency, 0, rates())
	case !t.has("column"):
		d.faults.add(t.pos, example, "time needs a column or a rate")
		return Time{}
	}
	if !t.has("column") {
		if t.has("unit") {
			d.faults.add(t.at("unit"), "name the column, or leave the unit out", "time has a rate, and no column for a unit")
		}
		return Time{Rate: rate}
	}
	column, _ := t.scalar("column")
	name, ok := t.required("unit", "accepted are "+strings.Join(d.units.names(duration), ", ")+", and "+clockUnit+" for times of day")
	if !ok {
		return Time{Column: column, Rate: rate}
	}
	if name == clockUnit {
		return Time{Column: column, Scale: 1, Clock: true, Rate: rate}
	}
	u := d.unitOf(t.at("unit"), name, duration)
	return Time{Column: column, Scale: u.mul / u.div, Rate: rate}
}

// unitOf looks a bare unit up; a fault and a NaN scale if it is not of d.
func (d *decoder) unitOf(at pos, name string, dim dimension) unit {
	u, err := d.units.named(name, dim)
	if err != nil {
		d.faults.add(at, "", "%v", err)
		return unit{mul: math.NaN(), div: 1}
	}
	return u
}

// part is the shape of a top-level key.
func (d *decoder) part(key string) *shape {
	f, _ := d.shape.field(key)
	return f.of
}

func (d *decoder) signal(o object) Signal {
	s, ok := d.object(o.node("signal"), d.part("signal"), "signal")
	if !ok {
		return Signal{}
	}
	out := Signal{
		Rate: s.quantity("rate", frequency, 0, rates()),
		Gate: s.quantity("gate", share, 0, belowOne()),
	}
	out.BandLow, out.BandHigh = d.bandOf(s, "signal")
	d.checkBand(s, out)
	return out
}

// bandOf reads [low, high]; an end that is 0, empty or left out is open.
func (d *decoder) bandOf(s object, what string) (low, high float64) {
	n := s.node("band")
	if n == nil {
		return 0, 0
	}
	if n.kind != listNode || len(n.items) > 2 {
		d.faults.add(n.pos, "write band: [0.5 Hz, 50 Hz]", "%q of %s is not a list of two frequencies", "band", what)
		return math.NaN(), math.NaN()
	}
	ends := [2]float64{}
	for i, item := range n.items {
		if item.kind == nullNode {
			continue
		}
		end := object{d: d, what: what, keys: map[string]entry{"band": {"band", item.pos, item}}}
		ends[i] = end.quantity("band", frequency, 0, fromZero())
	}
	return ends[0], ends[1]
}

func (d *decoder) checkBand(s object, out Signal) {
	at := s.at("band")
	if n := s.node("band"); n != nil && n.kind == listNode && len(n.items) == 2 {
		at = n.items[1].pos
	}
	low, high, rate := out.BandLow, out.BandHigh, out.Rate
	switch {
	case high > 0 && low >= high:
		d.faults.add(at, "", "band ends at %g Hz, expected more than its beginning at %g Hz", high, low)
	case rate > 0 && max(low, high) > rate/2:
		d.faults.add(at, fmt.Sprintf("raise the rate to %g Hz or more, or lower the band", minSamples*max(low, high)),
			"band reaches %g Hz, expected at most half of the rate of %g Hz", max(low, high), rate)
	case rate > 0 && high > 0 && rate < minSamples*high:
		d.warnings.add(at, fmt.Sprintf("raise the rate to %g Hz", minSamples*high),
			"%.3g samples per cycle at the band's upper end, expected %d or more: peaks are missed", rate/high, minSamples)
	}
}

// minSamples per cycle of the band's upper end: at 10 a sine's peak is read up to
// 1-cos(pi/10) = 5 % low.
const minSamples = 10

// each calls do for every entry of a mapping with the user's own names.
func (d *decoder) each(o object, key, one string, do func(name string, at pos, n *node)) {
	n := o.node(key)
	if n == nil {
		return
	}
	if n.kind != mapNode || len(n.keys) == 0 {
		d.faults.add(n.pos, "", "%q is %s, expected a mapping of names to a %s each", key, emptyOr(n), one)
		return
	}
	for _, e := range n.keys {
		if why := badName(e.key); why != "" {
			d.faults.add(e.at, "", "%s name %q %s", one, e.key, why)
		}
		do(e.key, e.at, e.value)
	}
}

func emptyOr(n *node) string {
	if n.kind == mapNode {
		return "empty"
	}
	return n.kind.String()
}

// badName says why a name would not do in a table or a path; "" if it would.
func badName(name string) string {
	switch {
	case name == "":
		return "is empty"
	case strings.TrimSpace(name) != name:
		return "begins or ends with a space"
	case len(name) > 200:
		return "is longer than 200 bytes"
	case strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }):
		return "has a character that does not print"
	}
	return ""
}

func (d *decoder) readChannels(o object) {
	d.channels = make(map[string]Channel)
	if !o.has("channels") {
		o.missing("channels", "write channels: {acc_z: {column: AZ, unit: g}}")
	}
	distance := ""
	d.each(o, "channels", "channel", func(name string, at pos, n *node) {
		c := d.channel(name, at, n)
		if c.Role == RoleDistance && distance != "" {
			d.faults.add(at, "keep one", "channel %q has the role distance, and so has %q", name, distance)
		}
		if c.Role == RoleDistance {
			distance = name
		}
		d.channels[name] = c
		d.out.Channels = append(d.out.Channels, c)
	})
}

func (d *decoder) channel(name string, at pos, n *node) Channel {
	if name == followAuto {
		d.faults.add(at, "give it another name", "channel name %q is kept for follow: auto", name)
	}
	c := Channel{Name: name}
	o, ok := d.object(n, d.part("channels").each, fmt.Sprintf("channel %q", name))
	if !ok {
		return c
	}
	c.Column, _ = o.required("column", "name the recording's column")
	c.Unit, _ = o.required("unit", "name the unit that the recording is in")
	c.Role = o.choice("role", "", RoleDistance)
	c.Range = d.sensorRange(o, c.Unit)
	if c.Role == RoleDistance && c.Unit != "" {
		d.unitOf(o.at("unit"), c.Unit, length)
	}
	return c
}

func (d *decoder) channelNames() []string {
	out := make([]string, len(d.out.Channels))
	for i, c := range d.out.Channels {
		out[i] = c.Name
	}
	return out
}

func (d *decoder) damage(o object) Damage {
	p, _ := d.object(o.node("damage"), d.part("damage"), "damage")
	return Damage{
		Residue:         p.choice("residue", ResidueHalf, ResidueCarry, ResidueRepeat),
		Survival:        p.quantity("survival", share, 0.5, within()),
		ReferenceCycles: p.number("reference_cycles", 1e6, positive()),
	}
}

func (d *decoder) target(o object) Target {
	p, _ := d.object(o.node("target"), d.part("target"), "target")
	return Target{
		Seasons:    p.number("seasons", 1, positive()),
		LifeFactor: p.number("life_factor", 1, positive()),
	}
}

func (d *decoder) readHotspots(o object) {
	if !o.has("hotspots") {
		o.missing("hotspots", "name at least one place whose damage counts")
	}
	d.each(o, "hotspots", "hotspot", func(name string, _ pos, n *node) {
		h := Hotspot{Name: name, Gain: math.NaN()}
		if p, ok := d.object(n, d.part("hotspots").each, fmt.Sprintf("hotspot %q", name)); ok {
			d.hotspot(p, &h)
		}
		d.out.Hotspots = append(d.out.Hotspots, h)
	})
	d.checkCandidates(o)
}

// checkCandidates: follow: auto needs a channel that is neither a gauge nor the
// distance.
func (d *decoder) checkCandidates(o object) {
	gauges := make(map[string]bool)
	for _, h := range d.out.Hotspots {
		gauges[h.Gauge] = true
	}
	for _, c := range d.out.Channels {
		if c.Role == "" && !gauges[c.Name] {
			return
		}
	}
	for i, h := range d.out.Hotspots {
		if h.Gauge != "" && h.Follow == followAuto && len(d.channels) > 0 {
			d.faults.add(o.node("hotspots").keys[i].at, "add the channels that every lap has, such as accelerations",
				"hotspot %q follows auto, but there is no channel beside gauges and the distance", h.Name)
		}
	}
}

func (d *decoder) hotspot(o object, h *Hotspot) {
	h.Offset = o.quantity("offset", stress, 0, anyNumber())
	h.StressFactor = o.number("stress_factor", 1, positive())
	h.ThicknessExponent = o.number("thickness_exponent", 0, positive())
	d.hotspotMaterial(o, h)
	d.follow(o, h)
	d.transferOf(o, h)
	switch {
	case o.has("gauge") && o.has("gain"):
		d.gauge(o, h)
		d.gainBesideGauge(o, h)
	case o.has("gauge"):
		d.gauge(o, h)
	case o.has("gain"):
		d.gain(o, h)
	default:
		d.faults.add(o.pos, "calibrate with gauge: and follow: auto, or give follow: a channel and gain: 4.1 MPa/g",
			"%s has neither a gauge nor a gain", o.what)
	}
	if o.has("modulus") && !o.has("gauge") {
		d.faults.add(o.at("modulus"), "leave it out", "%s has a modulus but no gauge", o.what)
	}
}

// follow reads the channel that the stress follows.
func (d *decoder) follow(o object, h *Hotspot) {
	h.Follow = followAuto
	text, ok := o.scalar("follow")
	if !ok || text == followAuto {
		return
	}
	h.Follow = text
	c, found := d.known(o, "follow")
	switch {
	case found && c.Role == RoleDistance:
		d.faults.add(o.at("follow"), "follow a signal", "%s follows %q, which is the distance", o.what, text)
	case found && o.has("gauge") && o.node("gauge").text == text:
		d.faults.add(o.at("follow"), "follow a channel that every lap has", "%s follows its own gauge %q", o.what, text)
	}
}

// known looks up the channel that a key names.
func (d *decoder) known(o object, key string) (Channel, bool) {
	text, ok := o.scalar(key)
	if !ok {
		return Channel{}, false
	}
	c, ok := d.channels[text]
	if !ok {
		d.faults.add(o.at(key), suggest(text, d.channelNames()), "%q of %s is %q, expected the name of a channel", key, o.what, text)
	}
	return c, ok
}

func (d *decoder) gauge(o object, h *Hotspot) {
	h.Gauge, _ = o.scalar("gauge")
	d.needsLaps = o.at("gauge")
	modulus := o.quantity("modulus", stress, 0, positive())
	c, ok := d.known(o, "gauge")
	if !ok || c.Unit == "" {
		return
	}
	if u, is := d.units.find(c.Unit, stress); is {
		h.GaugeScale = u.mul / u.div
		if o.has("modulus") {
			d.faults.add(o.at("modulus"), "leave it out", "%s has a modulus, but its gauge %q is a stress already (%s)", o.what, c.Name, c.Unit)
		}
		return
	}
	u, is := d.units.find(c.Unit, strain)
	if !is {
		accepted := slices.Concat(d.units.names(strain), d.units.names(stress))
		d.faults.add(o.at("gauge"), "accepted are "+strings.Join(accepted, ", "),
			"gauge %q of %s is in %q, expected a strain or a stress", c.Name, o.what, c.Unit)
		return
	}
	if !o.has("modulus") {
		o.missing("modulus", fmt.Sprintf("its gauge %q is a strain (%s): add modulus: 71 GPa", c.Name, c.Unit))
	}
	if gpa := modulus / 1e3; o.has("modulus") && (gpa < leastModulus || gpa > mostModulus) {
		d.warnings.add(o.at("modulus"), "write modulus: 71 GPa for aluminium, 210 GPa for steel",
			"%s has a modulus of %.3g GPa; structural materials have %g to %g GPa: is the unit right?", o.what, gpa, leastModulus, mostModulus)
	}
	h.GaugeScale = modulus * u.mul / u.div
}

// Between these moduli in GPa lies whatever a bracket is made of, from plastics to
// carbides. Common practice, no source.
const leastModulus, mostModulus = 1.0, 1000.0

func (d *decoder) gain(o object, h *Hotspot) {
	if h.Follow == followAuto {
		d.faults.add(o.at("gain"), "add follow: with a channel", "%s has a gain but follows no named channel", o.what)
		return
	}
	c, known := d.channels[h.Follow]
	text, ok := o.scalar("gain")
	if !ok || !known || c.Unit == "" || c.Role == RoleDistance {
		return
	}
	v, err := d.units.gain(text, c.Unit)
	if err != nil {
		d.faults.add(o.at("gain"), "", "%q of %s: %v", "gain", o.what, err)
		return
	}
	h.Gain = o.limited("gain", text, v, nonZero())
}

// gainBesideGauge: with follow: auto a gain belongs to no channel, so calibration
// finds it and the one given rests. With a named channel there would be two for it.
func (d *decoder) gainBesideGauge(o object, h *Hotspot) {
	if h.Follow != followAuto {
		d.faults.add(o.at("gain"), "leave one of the two out", "%s has both a gauge and a gain", o.what)
		return
	}
	text, ok := o.scalar("gain")
	if !ok {
		return
	}
	if _, _, err := d.units.stressPerUnit(text, "g"); err != nil {
		d.faults.add(o.at("gain"), "", "%q of %s: %v", "gain", o.what, err)
		return
	}
	d.warnings.add(o.at("gain"), "leave it out, or take out the gauge and name the channel to follow",
		"the gain of %s is not used: its gauge calibrates it", o.what)
}

func (d *decoder) hotspotMaterial(o object, h *Hotspot) {
	name, ok := o.required("material", "name one of the season's materials or a built-in one")
	if !ok {
		return
	}
	h.MaterialName = name
	at := o.at("material")
	if m, own := d.materials[name]; own {
		h.Material = m.Material
	} else if h.Material, ok = fatigue.Lookup(name); !ok {
		d.faults.add(at, d.suggestMaterial(name), "material %q of %s is neither in materials nor built in", name, o.what)
		return
	}
	d.checkSurvival(at, h.Material)
}

func (d *decoder) suggestMaterial(name string) string {
	var names []string
	for n := range d.materials {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, m := range fatigue.Published() {
		names = append(names, m.Name)
	}
	if hint := nearestHint(name, names); hint != "" {
		return hint
	}
	return "add it to materials, or see `lapwear materials` for the built-in ones"
}

// checkSurvival warns where the survival asked for cannot shift the curve.
func (d *decoder) checkSurvival(at pos, m fatigue.Material) {
	own := m.Survival
	if own == 0 {
		own = 0.5
	}
	if p := d.out.Damage.Survival; m.Scatter == 0 && p != own && !math.IsNaN(p) {
		d.warnings.add(at, "give the material a scatter, or take the curve's own survival",
			"material %q has no scatter, so its curve stays at %g %% survival, not the %g %% asked for", m.Name, own*100, p*100)
	}
}

// readFiles reads the manifest and the calendar and checks them against the rest.
func (d *decoder) readFiles(o object) {
	m := d.readLaps(o)
	if m != nil {
		d.out.Laps, d.out.manifest = m.laps, m
		d.checkLaps(o, m)
	}
	d.readCalendar(o, m)
	d.readSpecimens(o)
}

func (d *decoder) readLaps(o object) *manifest {
	text, ok := o.required("laps", "write laps: laps.csv")
	if !ok {
		return nil
	}
	path, shown, ok := d.file(o.at("laps"), text)
	if !ok {
		return nil
	}
	d.out.LapsFile = path
	m, ok := d.manifests[path]
	if !ok {
		m = d.loadManifest(path, shown)
		d.manifests[path] = m
	}
	if m.unreadable != "" {
		d.faults.add(o.at("laps"), "correct the path, or bring the file", "the manifest %q cannot be read: %s", text, m.unreadable)
		return nil
	}
	d.faults.take(m.faults)
	if len(m.faults.list) > 0 {
		return nil
	}
	return m
}

// file resolves a path of the season file: as it can be opened, and as messages
// show it.
func (d *decoder) file(at pos, text string) (path, shown string, ok bool) {
	path, err := d.folder.resolve(text)
	if err != nil {
		d.faults.add(at, "keep the season's files in its folder, or add allow_outside: true", "%v", err)
		return "", "", false
	}
	if filepath.IsAbs(filepath.FromSlash(text)) {
		return path, path, true
	}
	return path, filepath.Join(filepath.Dir(d.path), filepath.FromSlash(text)), true
}

func (d *decoder) checkLaps(o object, m *manifest) {
	if d.needsLaps != (pos{}) && m.calibration == 0 {
		d.faults.add(d.needsLaps, "mark the laps with fitted gauges by use = calibration or both",
			"a gauge needs calibration laps, and the manifest has none")
	}
	if m.counting == 0 {
		d.faults.add(o.at("laps"), "give at least one lap use = season or both", "no lap of the manifest counts toward the season")
	}
}
