package ingest

import (
	"fmt"
	"math"
	"strings"
)

// spellings maps a unit's simplified spelling (see spelling) to the one that is
// compared. Common practice, no source; SI symbols after the SI brochure.
var spellings = map[string]string{
	"G": "g", "gn": "g", "g_n": "g",
	"m/s/s": "m/s2", "ms-2": "m/s2", "m*s-2": "m/s2",
	"ustrain": "um/m", "ue": "um/m", "microstrain": "um/m", "ustr": "um/m",
	"N/mm2": "MPa",
	"kph":   "km/h", "kmh": "km/h",
	"sec": "s", "second": "s", "seconds": "s", "msec": "ms", "usec": "us",
	"C": "degC", "°C": "degC",
	"rpm": "1/min", "RPM": "1/min",
}

var simplify = strings.NewReplacer(
	"µ", "u", "μ", "u", "ε", "e", "²", "2", "³", "3", "⁻", "-", "·", "*", "⋅", "*", "^", "", "**", "", " ", "",
)

// spelling returns the form of a unit in which equal units are equal texts.
func spelling(unit string) string {
	s := simplify.Replace(strings.TrimSpace(unit))
	if len(s) > 2 && (s[0] == '[' && s[len(s)-1] == ']' || s[0] == '(' && s[len(s)-1] == ')') {
		s = s[1 : len(s)-1]
	}
	if to, ok := spellings[s]; ok {
		return to
	}
	return s
}

// silent tells whether a unit cell says nothing about the unit.
func silent(unit string) bool {
	switch strings.ToLower(spelling(unit)) {
	case "", "-", "--", "[]", "[-]", "()", "1", "none", "n/a", "na":
		return true
	}
	return false
}

// contradicts tells whether two statements of a unit cannot both be true.
func contradicts(a, b string) bool {
	return !silent(a) && !silent(b) && spelling(a) != spelling(b)
}

// lengths are the units of time that a recording's time column may state, in s.
var lengths = map[string]float64{
	"s": 1, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60, "h": 3600,
}

// timeSpellings are other spellings of the units of time, in lower case: no two units
// of time differ in case alone. Common practice, no source.
var timeSpellings = map[string]string{
	"sec": "s", "secs": "s", "second": "s", "seconds": "s",
	"msec": "ms", "msecs": "ms", "millis": "ms", "millisec": "ms", "millisecs": "ms", "millisecond": "ms", "milliseconds": "ms",
	"usec": "us", "usecs": "us", "micros": "us", "microsec": "us", "microsecs": "us", "microsecond": "us", "microseconds": "us",
	"nsec": "ns", "nsecs": "ns", "nanos": "ns", "nanosec": "ns", "nanosecs": "ns", "nanosecond": "ns", "nanoseconds": "ns",
	"mins": "min", "minute": "min", "minutes": "min",
	"hr": "h", "hrs": "h", "hour": "h", "hours": "h",
}

// timeUnits lists the units of time for messages.
const timeUnits = "s, ms, us, ns, min, h"

// timeUnit is a stated unit of time as lengths has it; ok is false for any other text.
func timeUnit(unit string) (_ string, ok bool) {
	u := strings.ToLower(spelling(unit))
	if to, other := timeSpellings[u]; other {
		u = to
	}
	_, ok = lengths[u]
	return u, ok
}

// contradictsScale tells whether a stated unit of time has another length than
// scale, in s. A unit that is not known says nothing.
func contradictsScale(unit string, scale float64) bool {
	u, known := timeUnit(unit)
	return known && math.Abs(lengths[u]-scale) > 1e-9*lengths[u]
}

// scaleName is the unit of time of a length in s, or the length.
func scaleName(scale float64) string {
	for _, u := range strings.Split(timeUnits, ", ") {
		if math.Abs(lengths[u]-scale) <= 1e-9*scale {
			return u
		}
	}
	return fmt.Sprintf("%v s", scale)
}

// checkTime refuses a statement of the time column's unit that is another than the
// season's, or that is no unit of time. Of clock times the cells themselves say what
// they are, and only a unit that counts something else than seconds contradicts them.
func (p Params) checkTime(s *file, stated []string) error {
	for _, unit := range stated {
		_, known := timeUnit(unit)
		switch {
		case silent(unit):
		case known && contradictsScale(unit, p.Time.Scale):
			return s.refuse("column %q: the recording says %q, the season %q; correct the unit of time or the recording",
				p.Time.Column, unit, p.Time.unit())
		case !known && !p.Time.Clock:
			return s.refuse("column %q: the recording gives %q as the unit of time, which is none of %s; correct the recording, or name another time column",
				p.Time.Column, unit, timeUnits)
		}
	}
	return nil
}

// unit is the unit of the time column as a season states it.
func (t Time) unit() string {
	if t.Clock {
		return "clock"
	}
	return scaleName(t.Scale)
}

// bracketed splits a header cell such as "AZ [g]" or "AZ (g)" into name and unit.
func bracketed(cell string) (name, unit string, ok bool) {
	for _, pair := range [...]string{"[]", "()"} {
		open := strings.LastIndexByte(cell, pair[0])
		if open > 0 && cell[len(cell)-1] == pair[1] {
			return strings.TrimSpace(cell[:open]), strings.TrimSpace(cell[open+1 : len(cell)-1]), true
		}
	}
	return cell, "", false
}
