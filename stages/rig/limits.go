package rig

import (
	"context"
	"math"
	"strings"

	"lapwear/stages/frame"
)

// figures are the greatest, the root mean square and the range of a motion.
type figures struct {
	peak, at, rms, span float64 // at in s
}

func (d *drive) figures(x []float64) figures {
	var f figures
	lo, hi, sum := math.Inf(1), math.Inf(-1), 0.0
	for i, v := range x {
		lo, hi = min(lo, v), max(hi, v)
		sum += v * v
		if math.Abs(v) > f.peak {
			f.peak, f.at = math.Abs(v), float64(i)/d.rate
		}
	}
	f.rms, f.span = math.Sqrt(sum/float64(len(x))), hi-lo
	return f
}

// quantity is one of the things that a rig limits.
type quantity struct {
	name, unit string
	of         func(m motion) []float64
	value      func(f figures) float64
	limit      func(l Limits) float64
	tune       func(b band, t float64) band // a narrower band, t from 0 to 1
	fix        string
}

// quantities are the motions that are checked. Slow motion takes stroke and velocity:
// a higher low end of the band spares them; fast motion takes acceleration.
var quantities = []quantity{
	{"displacement", "m", func(m motion) []float64 { return m.displacement },
		func(f figures) float64 { return f.span }, func(l Limits) float64 { return l.Stroke }, raiseLow, "raise the low end of rig: band to"},
	{"velocity", "m/s", func(m motion) []float64 { return m.velocity },
		func(f figures) float64 { return f.peak }, func(l Limits) float64 { return l.Velocity }, raiseLow, "raise the low end of rig: band to"},
	{"acceleration", "m/s2", func(m motion) []float64 { return m.acceleration },
		func(f figures) float64 { return f.peak }, func(l Limits) float64 { return l.Acceleration }, lowerHigh, "lower the high end of rig: band to"},
}

// raiseLow moves the low end up to ten times, over its decade.
func raiseLow(b band, t float64) band {
	b.low *= math.Pow(10, t)
	return b
}

// lowerHigh moves the high end down to a tenth.
func lowerHigh(b band, t float64) band {
	b.high *= math.Pow(10, -t)
	return b
}

// motionFrame lists what each axis does.
func (d *drive) motionFrame() *frame.Frame {
	var axis, what, unit []string
	var peak, at, rms, span, limit []float64
	for i, m := range d.moved {
		for _, q := range quantities {
			x := q.of(m)
			if x == nil {
				continue
			}
			f := d.figures(x)
			axis, what, unit = append(axis, d.p.Axes[i].Channel), append(what, q.name), append(unit, q.unit)
			peak, at, rms, span = append(peak, f.peak), append(at, f.at), append(rms, f.rms), append(span, f.span)
			limit = append(limit, orNaN(q.limit(d.p.Limits)))
		}
	}
	return frame.Must(nil, frame.Col("axis", "", axis), frame.Col("quantity", "", what), frame.Col("unit", "", unit),
		frame.Col("peak", "", peak), frame.Col("peak_at_s", "s", at), frame.Col("rms", "", rms), frame.Col("span", "", span),
		frame.Col("limit", "", limit))
}

func orNaN(v float64) float64 {
	if v == 0 {
		return math.NaN()
	}
	return v
}

// Finding is a limit that the drive breaks.
type Finding struct {
	Axis, Quantity, Unit string
	Value, Limit         float64
	AtS                  float64 // when, first; NaN where it is always
	BeyondS              float64 // how long in all
	Fixes                []Fix
}

// Fix keeps a drive within a limit.
type Fix struct {
	Text    string
	Setting float64   // Hz, or a factor
	Kept    []float64 // part of the drive's damage, by hot spot; NaN where there is none
}

// findings lists the limits that are broken.
func (d *drive) findings(ctx context.Context) ([]Finding, error) {
	var out []Finding
	for i := range d.axes {
		if f, ok := d.beyondBand(i); ok {
			out = append(out, f)
		}
		for _, q := range quantities {
			if err := ctx.Err(); err != nil {
				return nil, err
			}
			f, ok, err := d.check(i, q)
			if err != nil {
				return nil, err
			}
			if ok {
				out = append(out, f)
			}
		}
	}
	return out, nil
}

// bandRest is the share of a signal's power that may lie beyond the rig's band unsaid.
const bandRest = 1e-3

// beyondBand says what the rig's band takes from an axis. The drive is within the band
// already.
func (d *drive) beyondBand(i int) (Finding, bool) {
	high := d.p.Limits.High
	reach := d.axes[i].reach(bandRest)
	if high == 0 || reach <= high {
		return Finding{}, false
	}
	kept := make([]float64, len(d.meters))
	for h, m := range d.meters {
		t, err := m.Tally(d.spotSignal[h])
		if err != nil || d.before[h].Repeated == 0 {
			kept[h] = math.NaN()
			continue
		}
		kept[h] = t.Repeated / d.before[h].Repeated
	}
	return Finding{Axis: d.p.Axes[i].Channel, Quantity: "frequency", Unit: "Hz", Value: reach, Limit: high,
		AtS: math.NaN(), BeyondS: math.NaN(),
		Fixes: []Fix{{Text: "done: the drive is filtered to the rig's band, up to", Setting: high, Kept: kept}}}, true
}

func (d *drive) check(i int, q quantity) (Finding, bool, error) {
	limit, x := q.limit(d.p.Limits), q.of(d.moved[i])
	if limit == 0 || x == nil {
		return Finding{}, false, nil
	}
	fig := d.figures(x)
	value := q.value(fig)
	if value <= limit {
		return Finding{}, false, nil
	}
	f := Finding{Axis: d.p.Axes[i].Channel, Quantity: q.name, Unit: q.unit, Value: value, Limit: limit}
	bound := limit
	if q.name == "displacement" { // a range: half of it to either side
		bound /= 2
	}
	f.AtS, f.BeyondS = d.beyond(x, bound, fig.at)
	fixes, err := d.fixes(i, q, value, limit)
	f.Fixes = fixes
	return f, true, err
}

// beyond is when x first goes beyond a bound, else at its peak, and how long in all.
func (d *drive) beyond(x []float64, bound, peak float64) (first, total float64) {
	first = math.NaN()
	for i, v := range x {
		if math.Abs(v) > bound {
			if math.IsNaN(first) {
				first = float64(i) / d.rate
			}
			total += 1 / d.rate
		}
	}
	if math.IsNaN(first) {
		first = peak
	}
	return first, total
}

// levelFix is the fix that holds for every motion.
const levelFix = "set test: level to"

func (d *drive) fixes(i int, q quantity, value, limit float64) ([]Fix, error) {
	factor := math.Floor(limit/value*1000) / 1000
	kept, err := d.kept(d.p.band(), d.p.Level*factor)
	if err != nil {
		return nil, err
	}
	out := []Fix{{Text: levelFix, Setting: d.p.Level * factor, Kept: kept}}
	b, ok := d.narrower(i, q, limit)
	if !ok {
		return out, nil
	}
	kept, err = d.kept(b, d.p.Level)
	setting := b.low
	if b.low == d.p.band().low {
		setting = b.high
	}
	return append(out, Fix{Text: q.fix, Setting: setting, Kept: kept}), err
}

// narrower finds the widest band, in hundredths of a decade, in which the axis stays
// within the limit.
func (d *drive) narrower(i int, q quantity, limit float64) (band, bool) {
	whole := d.p.band()
	if math.IsInf(whole.high, 1) && q.name == "acceleration" {
		whole.high = d.axes[i].reach(bandRest) / 0.9 // all of it passes still
	}
	holds := func(t float64) bool {
		b := q.tune(whole, t)
		if !(b.low < b.high) {
			return false
		}
		return q.value(d.figures(q.of(d.axes[i].motion(b, d.p.Level, d.p.Axes[i].Scale)))) <= limit
	}
	const steps = 100
	for k := 1; k <= steps; k++ {
		if t := float64(k) / steps; holds(t) {
			return rounded(q.tune(whole, t), whole), true
		}
	}
	return band{}, false
}

// rounded gives the end that moved three digits, away from where it was.
func rounded(b, whole band) band {
	if b.low != whole.low {
		p := math.Pow(10, 2-math.Floor(math.Log10(b.low)))
		b.low = math.Ceil(b.low*p) / p
		return b
	}
	p := math.Pow(10, 2-math.Floor(math.Log10(b.high)))
	b.high = math.Floor(b.high*p) / p
	return b
}

// limits lists the findings, a row for each fix and hot spot.
func (d *drive) limits(ctx context.Context) (*frame.Frame, error) {
	found, err := d.findings(ctx)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, m := range d.meters {
		names = append(names, m.Spot.Name)
	}
	return findingsFrame(found, names), nil
}

func findingsFrame(found []Finding, hotspots []string) *frame.Frame {
	var axis, what, unit, text, spot []string
	var value, limit, at, beyond, setting, kept []float64
	for _, f := range found {
		for _, x := range f.Fixes {
			for h, k := range x.Kept {
				axis, what, unit = append(axis, f.Axis), append(what, f.Quantity), append(unit, f.Unit)
				value, limit, at, beyond = append(value, f.Value), append(limit, f.Limit), append(at, f.AtS), append(beyond, f.BeyondS)
				text, setting = append(text, x.Text), append(setting, x.Setting)
				spot, kept = append(spot, hotspots[h]), append(kept, k)
			}
		}
	}
	return frame.Must(nil, frame.Col("axis", "", axis), frame.Col("quantity", "", what), frame.Col("unit", "", unit),
		frame.Col("value", "", value), frame.Col("limit", "", limit), frame.Col("at_s", "s", at), frame.Col("beyond_s", "s", beyond),
		frame.Col("fix", "", text), frame.Col("setting", "", setting), frame.Col("hotspot", "", spot), frame.Col("damage_kept", "", kept))
}

// frame lays the drive out.
func (d *drive) frame() *frame.Frame {
	t := make([]float64, len(d.moved[0].signal))
	for i := range t {
		t[i] = float64(i) / d.rate
	}
	cols := []frame.Column{frame.Col("time_s", "s", t)}
	for i, m := range d.moved {
		name := d.p.Axes[i].Channel
		cols = append(cols, frame.Col(name+"_"+unitName(d.units[i]), d.units[i], m.signal))
		if m.displacement == nil {
			continue
		}
		mm := make([]float64, len(t))
		for k, v := range m.displacement {
			mm[k] = v * 1000
		}
		cols = append(cols, frame.Col(name+"_displacement_mm", "mm", mm))
	}
	return frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", d.rate)}, cols...)
}

// unitName is a unit as it stands in a column's name.
func unitName(u string) string {
	return strings.ToLower(strings.NewReplacer("/", "_per_", " ", "", "%", "percent", "²", "2", "(", "", ")", "").Replace(u))
}

func (d *drive) spotFrame() *frame.Frame {
	var cols []frame.Column
	for i, m := range d.meters {
		cols = append(cols, frame.Col(m.Spot.Name, "", d.spotSignal[i]))
	}
	return frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", d.rate)}, cols...)
}
