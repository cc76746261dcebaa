package ingest

import (
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

// contradictsScale tells whether a stated unit of time has another length than
// scale, in s. A unit that is not known says nothing.
func contradictsScale(unit string, scale float64) bool {
	s, known := lengths[spelling(unit)]
	return known && math.Abs(s-scale) > 1e-9*s
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
