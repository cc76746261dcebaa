package season

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"lapwear/fatigue"
)

// material is one of the season's own. A faulty one stays known by name, so that
// its use is not a second fault.
type material struct{ fatigue.Material }

func (d *decoder) readMaterials(o object) {
	d.materials = make(map[string]material)
	d.each(o, "materials", "material", func(name string, _ pos, n *node) {
		d.materials[name] = material{fatigue.Material{Name: name}}
		if p, ok := d.object(n, d.part("materials").each, fmt.Sprintf("material %q", name)); ok {
			d.materials[name] = material{d.material(name, p)}
		}
	})
}

func (d *decoder) material(name string, o object) fatigue.Material {
	before := len(d.faults.list) + d.faults.more
	m := fatigue.Material{Name: name, Survival: 0.5}
	m.Source, _ = o.scalar("source")
	m.Ultimate = o.quantity("ultimate", stress, 0, positive())
	m.Scatter = o.number("scatter", 0, fromZero())
	m.Curve = d.curve(o)
	m.Mean = d.meanStress(o)
	if m.Ultimate == 0 {
		m.Ultimate = m.Mean.Ultimate
	}
	if len(d.faults.list)+d.faults.more > before {
		return m
	}
	for _, err := range m.Check() {
		d.faults.add(o.pos, "", "%s: %v", o.what, err)
	}
	return m
}

// curveKeys are the keys of each kind of S-N curve: what it must have, and may.
type curveKeys struct {
	kind      string
	must, may []string
}

func curveKinds() []curveKeys {
	return []curveKeys{
		{"power", []string{"amplitude", "cycles", "slope"}, []string{"knee", "beyond", "cutoff"}},
		{"equivalent-stress", []string{"unit", "a1", "a2", "a3", "a4"}, nil},
		{"table", []string{"points"}, nil},
	}
}

// curve reads the S-N curve; nil after a fault.
func (d *decoder) curve(o object) fatigue.Curve {
	const example = "write sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 7}"
	if !o.has("sn") {
		o.missing("sn", example)
		return nil
	}
	materials := d.part("materials").each
	f, _ := materials.field("sn")
	sn, ok := d.object(o.node("sn"), f.of, "sn of "+o.what)
	if !ok {
		return nil
	}
	kinds := curveKinds()
	names := make([]string, len(kinds))
	for i, k := range kinds {
		names[i] = k.kind
	}
	kind, ok := sn.required("kind", "known are "+strings.Join(names, ", "))
	if !ok {
		return nil
	}
	i := slices.Index(names, kind)
	if i < 0 {
		sn.choice("kind", names...)
		return nil
	}
	if !d.fits(sn, kinds[i]) {
		return nil
	}
	switch kind {
	case "power":
		return d.power(sn)
	case "table":
		return d.table(sn)
	}
	return d.equivalentStress(sn)
}

// fits checks the keys of a curve against those of its kind.
func (d *decoder) fits(sn object, k curveKeys) bool {
	ok := true
	for _, key := range k.must {
		if !sn.has(key) {
			ok = false
			sn.missing(key, fmt.Sprintf("a curve of kind %s needs %s", k.kind, strings.Join(k.must, ", ")))
		}
	}
	takes := slices.Concat([]string{"kind"}, k.must, k.may)
	materials := d.part("materials").each
	f, _ := materials.field("sn")
	for _, key := range f.of.keys() {
		if sn.has(key) && !slices.Contains(takes, key) {
			ok = false
			d.faults.add(sn.keys[key].at, "its keys are "+strings.Join(takes, ", "), "a curve of kind %s has no %q", k.kind, key)
		}
	}
	return ok
}

func (d *decoder) power(sn object) fatigue.Curve {
	return fatigue.Power{
		RefAmplitude: sn.quantity("amplitude", stress, 0, positive()),
		RefCycles:    sn.number("cycles", 0, positive()),
		Slope:        sn.number("slope", 0, positive()),
		Knee:         sn.number("knee", 0, positive()),
		Beyond:       d.beyond(sn),
		Cutoff:       sn.number("cutoff", 0, positive()),
	}
}

// beyond reads a word or a slope. A knee without it goes on with the same slope.
func (d *decoder) beyond(sn object) fatigue.Beyond {
	text, ok := sn.scalar("beyond")
	if !ok {
		return fatigue.Beyond{Form: fatigue.BeyondSame}
	}
	if !sn.has("knee") {
		d.faults.add(sn.at("beyond"), "add the knee's cycles, such as knee: 5e6", "%q of %s needs a knee", "beyond", sn.what)
		return fatigue.Beyond{Form: fatigue.BeyondSame}
	}
	words := []string{fatigue.BeyondSame, fatigue.BeyondFlat, fatigue.BeyondHaibach}
	if slices.Contains(words, text) {
		return fatigue.Beyond{Form: text}
	}
	slope, err := parseNumber(text)
	if err != nil || slope <= 0 {
		d.faults.add(sn.at("beyond"), "", "%q of %s is %q, expected %s or a slope above 0", "beyond", sn.what, text, strings.Join(words, ", "))
	}
	return fatigue.Beyond{Form: fatigue.BeyondSlope, Slope: slope}
}

func (d *decoder) equivalentStress(sn object) fatigue.Curve {
	e := fatigue.EquivalentStress{
		A1: sn.number("a1", 0, anyNumber()),
		A2: sn.number("a2", 0, negative()),
		A3: sn.number("a3", 0, upToOne()),
		A4: sn.number("a4", 0, anyNumber()),
	}
	if text, ok := sn.scalar("unit"); ok {
		u := d.unitOf(sn.at("unit"), text, stress)
		e.MPaPerUnit = u.mul / u.div
	}
	return e
}

func (d *decoder) table(sn object) fatigue.Curve {
	n := sn.node("points")
	if n.kind != listNode || len(n.items) < 2 {
		d.faults.add(n.pos, "write points: [[120 MPa, 1e5], [80 MPa, 1e6]]", "%q of %s is not a list of two points or more", "points", sn.what)
		return nil
	}
	var t fatigue.Table
	for i, item := range n.items {
		s, life, ok := d.point(item, fmt.Sprintf("point %d of %s", i+1, sn.what))
		if !ok {
			return nil
		}
		t.Amplitudes, t.Lives = append(t.Amplitudes, s), append(t.Lives, life)
	}
	return t
}

func (d *decoder) point(n *node, what string) (s, life float64, ok bool) {
	if n.kind != listNode || len(n.items) != 2 {
		d.faults.add(n.pos, "write [120 MPa, 1e5]", "%s is not an amplitude and a life", what)
		return 0, 0, false
	}
	o := object{d: d, what: what, pos: n.pos, keys: map[string]entry{
		"amplitude": {"amplitude", n.items[0].pos, n.items[0]},
		"life":      {"life", n.items[1].pos, n.items[1]},
	}}
	return o.quantity("amplitude", stress, 0, positive()), o.number("life", 0, positive()), true
}

// meanStress reads the rule. Its parameters stand with the rule or with the
// material; those with the rule must be the rule's own.
func (d *decoder) meanStress(o object) fatigue.MeanStress {
	materials := d.part("materials").each
	f, _ := materials.field("mean_stress")
	r, _ := d.object(o.node("mean_stress"), f.of, "mean_stress of "+o.what)
	if len(r.keys) > 0 && !r.has("rule") {
		r.missing("rule", "say which, such as rule: goodman")
		return fatigue.MeanStress{Rule: fatigue.MeanNone}
	}
	m := fatigue.MeanStress{Rule: r.choice("rule", fatigue.MeanNone, fatigue.MeanGoodman, fatigue.MeanGerber, fatigue.MeanMorrow,
		fatigue.MeanSWT, fatigue.MeanWalker, fatigue.MeanSensitivity)}
	if m.Rule == "" {
		return m
	}
	m.Ultimate = d.parameter(o, r, "ultimate", m.Rule == fatigue.MeanGoodman || m.Rule == fatigue.MeanGerber)
	m.FatigueStrength = d.parameter(o, r, "fatigue_strength", m.Rule == fatigue.MeanMorrow)
	m.Gamma = d.parameter(o, r, "gamma", m.Rule == fatigue.MeanWalker)
	m.M = d.parameter(o, r, "m", m.Rule == fatigue.MeanSensitivity)
	d.checkOwnRule(o, r, m)
	return m
}

// parameter reads a rule's parameter from the material o or from beside the rule
// r, which must agree and one of which the rule may need. 0 if there is none or the
// rule has no use for it.
func (d *decoder) parameter(o, r object, key string, needed bool) float64 {
	own, beside := o.parameter(key), r.parameter(key)
	switch {
	case r.has(key) && !needed:
		d.faults.add(r.keys[key].at, "leave it out", "the rule of %s has no %q", r.what, key)
	case r.has(key) && o.has(key) && own != beside && !math.IsNaN(own+beside):
		d.faults.add(r.at(key), "keep one of the two", "%q of %s differs from the material's own in line %d", key, r.what, o.at(key).line)
	case needed && !r.has(key) && !o.has(key):
		d.faults.add(r.pos, "add it to mean_stress or to the material", "the rule of %s needs %q", r.what, key)
	}
	switch {
	case !needed:
		return 0
	case r.has(key):
		return beside
	}
	return own
}

func (o object) parameter(key string) float64 {
	switch key {
	case "gamma":
		return o.number(key, 0, positiveUpToOne())
	case "m":
		return o.number(key, 0, upToOne())
	}
	return o.quantity(key, stress, 0, positive())
}

// checkOwnRule: the handbook form accounts for the mean stress itself.
func (d *decoder) checkOwnRule(o, r object, m fatigue.MeanStress) {
	kind := o.node("sn").get("kind")
	if kind != nil && kind.text == "equivalent-stress" && m.Rule != fatigue.MeanNone {
		d.faults.add(r.at("rule"), "write mean_stress: none", "%s has an equivalent-stress curve, which holds its own mean-stress rule, and the rule %q on top", o.what, m.Rule)
	}
}
