package season

import (
	"math"
	"slices"
	"strings"

	"lapwear/stages/aggregate"
)

// limitOf says what a check's limit may be and how it is written: dim is "" for a
// plain number.
func limitOf(check string) (dim dimension, lim limits) {
	switch check {
	case aggregate.Flat:
		return duration, positive()
	case aggregate.Rate, aggregate.SinglePeak, aggregate.Lost, aggregate.Dead:
		return share, limits{func(v float64) bool { return v > 0 && v <= 1 }, "above 0 and up to 100 %"}
	case aggregate.Duration, aggregate.Level, aggregate.Swapped, aggregate.OutsideCalibrated:
		return "", limits{func(v float64) bool { return v > 1 }, "a factor above 1"}
	case aggregate.Duplicate:
		return "", limits{func(v float64) bool { return v >= 2 }, "2 laps or more"}
	}
	return "", positive()
}

func qualityShape() *shape {
	s := &shape{}
	for _, c := range aggregate.Checks() {
		one := keysOf("limit", "severity")
		if c.Aside > 0 {
			one = keysOf("limit", "severity", "set_aside")
		}
		one.bare = "severity"
		s.fields = append(s.fields, field{key: c.Name, of: one})
	}
	return s
}

// quality reads the checks; those that are not written keep their defaults.
func (d *decoder) quality(o object) []aggregate.Check {
	out := aggregate.Checks()
	q, ok := d.object(o.node("quality"), d.part("quality"), "quality")
	if !ok {
		return out
	}
	for i := range out {
		c := &out[i]
		f, _ := d.part("quality").field(c.Name)
		one, ok := d.object(q.node(c.Name), f.of, c.Name+" of quality")
		if !ok {
			continue
		}
		dim, lim := limitOf(c.Name)
		number := func(key string, unset float64) float64 {
			if dim == "" {
				return one.number(key, unset, lim)
			}
			return one.quantity(key, dim, unset, lim)
		}
		c.Limit = number("limit", c.Limit)
		if c.Aside > 0 {
			c.Aside = number("set_aside", c.Aside)
		}
		words := []string{string(c.Severity)}
		for _, s := range aggregate.Severities() {
			if s != c.Severity {
				words = append(words, string(s))
			}
		}
		c.Severity = aggregate.Severity(one.choice("severity", words...))
	}
	return out
}

// sensorRange reads what a channel's sensor can measure, in the channel's unit.
func (d *decoder) sensorRange(o object, channelUnit string) float64 {
	text, ok := o.scalar("range")
	if !ok || channelUnit == "" {
		return 0
	}
	v, name, err := splitQuantity(text)
	if err != nil {
		d.faults.add(o.at("range"), "", "%q of %s: %v, expected a quantity such as \"50 %s\"", "range", o.what, err, channelUnit)
		return 0
	}
	if plainUnit(name) != plainUnit(channelUnit) {
		from, known := d.units.find(name, "")
		to, fits := d.units.find(channelUnit, from.of)
		if !known || !fits {
			d.faults.add(o.at("range"), "", "%q of %s is %q but the channel is in %q, expected one such as \"50 %s\"",
				"range", o.what, text, channelUnit, channelUnit)
			return 0
		}
		v *= from.mul * to.div / (from.div * to.mul)
	}
	if v = o.limited("range", text, v, positive()); math.IsNaN(v) {
		return 0
	}
	return v
}

// accepted reads the field accept of a row: "spikes: kerb at turn 4; gaps: harmless".
func (t *table) accepted() []aggregate.Accepted {
	const example = "write a check and the reason, such as spikes: kerb at turn 4, seen on video; put ; between two"
	text := t.text("accept")
	if text == "" {
		return nil
	}
	var out []aggregate.Accepted
	for part := range strings.SplitSeq(text, ";") {
		name, reason, found := strings.Cut(part, ":")
		name, reason = strings.TrimSpace(name), strings.TrimSpace(reason)
		switch {
		case strings.TrimSpace(part) == "":
			t.fault("accept", example, "accept has an empty entry in %q", text)
		case !slices.Contains(checkNames(), name):
			remedy := suggest(name, checkNames())
			if !found {
				remedy = example
			}
			t.fault("accept", remedy, "accept names %q, which is no check", name)
		case reason == "":
			t.fault("accept", example, "accept gives no reason for %q", name)
		case slices.ContainsFunc(out, func(a aggregate.Accepted) bool { return a.Check == name }):
			t.fault("accept", "keep one", "accept names %q twice", name)
		default:
			out = append(out, aggregate.Accepted{Check: name, Reason: reason})
		}
	}
	return out
}

func checkNames() []string {
	var out []string
	for _, c := range aggregate.Checks() {
		out = append(out, c.Name)
	}
	return out
}
