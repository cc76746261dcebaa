package season

import (
	"math"
	"slices"

	"lapwear/stages/life"
)

// Specimens are the results of a rig test that belong to a season; none without the key.
type Specimens struct {
	File    string // as it can be opened; "" without the key
	Results life.Results
	// DamagePerRepeat is the predicted damage of one repeat by hot spot; NaN where it is not given. In the order of Hotspots.
	DamagePerRepeat []float64
}

// resultsFile is a file of results as read.
type resultsFile struct {
	results life.Results
	faults  Faults
}

// readSpecimens reads the results of the rig test, once for all scenarios.
func (d *decoder) readSpecimens(o object) {
	if !o.has("specimens") {
		return
	}
	p, ok := d.object(o.node("specimens"), d.part("specimens"), "specimens")
	if !ok {
		return
	}
	d.damagePerRepeat(p)
	text, ok := p.required("file", "write specimens: {file: specimens.csv}")
	if !ok {
		return
	}
	path, shown, ok := d.file(p.at("file"), text)
	if !ok {
		return
	}
	r, known := d.results[path]
	if !known {
		r.results, r.faults = readResults(path, shown, d.hotspotNames(), d.contents)
		d.results[path] = r
	}
	for _, f := range r.faults {
		d.faults.put(f)
	}
	s := &d.out.Specimens
	s.File, s.Results = path, r.results
	if r.faults == nil && r.results.Unit != "repeats" && p.has("damage_per_repeat") {
		d.faults.add(p.at("damage_per_repeat"), "count the lives in repeats, or leave it out",
			"the results in %q count %s, not repeats", text, r.results.Unit)
	}
}

func (d *decoder) hotspotNames() []string {
	names := make([]string, len(d.out.Hotspots))
	for i, h := range d.out.Hotspots {
		names[i] = h.Name
	}
	return names
}

// damagePerRepeat reads what the prediction has of each hot spot.
func (d *decoder) damagePerRepeat(p object) {
	names := d.hotspotNames()
	out := make([]float64, len(names))
	for i := range out {
		out[i] = math.NaN()
	}
	d.out.Specimens.DamagePerRepeat = out
	n := p.node("damage_per_repeat")
	if n == nil {
		return
	}
	if n.kind != mapNode || len(n.keys) == 0 {
		d.faults.add(n.pos, "write damage_per_repeat: {weld_toe: 1.9e-4}", "damage_per_repeat is %s, expected a mapping of hot spots to a damage each", emptyOr(n))
		return
	}
	for _, e := range n.keys {
		i := slices.Index(names, e.key)
		if i < 0 {
			d.faults.add(e.at, suggest(e.key, names), "there is no hot spot %q", e.key)
			continue
		}
		v, err := parseNumber(e.value.text)
		if e.value.kind != scalarNode || err != nil || !(v > 0) {
			d.faults.add(e.value.pos, "write the damage of one repeat, such as 1.9e-4", "the damage of a repeat at %q is not a number above 0", e.key)
			continue
		}
		out[i] = v
	}
}
