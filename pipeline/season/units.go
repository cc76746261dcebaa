package season

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"lapwear/fatigue"
)

// A dimension is what a unit measures; a quantity is read in its base unit.
type dimension string

const (
	stress       dimension = "stress"       // MPa
	acceleration dimension = "acceleration" // m/s2
	strain       dimension = "strain"       // 1
	duration     dimension = "time"         // s
	frequency    dimension = "frequency"    // Hz
	length       dimension = "length"       // m
	force        dimension = "force"        // N
	mass         dimension = "mass"         // kg
	speed        dimension = "speed"        // m/s
	share        dimension = "share"        // 1
)

// base is the unit in which a dimension's quantities are kept.
func (d dimension) base() string {
	switch d {
	case stress:
		return "MPa"
	case acceleration:
		return "m/s2"
	case strain:
		return "strain"
	case duration:
		return "s"
	case frequency:
		return "Hz"
	case length:
		return "m"
	case force:
		return "N"
	case mass:
		return "kg"
	case speed:
		return "m/s"
	}
	return "1"
}

// unit is a way to write a dimension: a value in it is value*mul/div in the base
// unit. Two numbers, as 3.4/1e3 rounds once and 3.4*1e-3 twice.
type unit struct {
	name string
	of   dimension
	mul  float64
	div  float64
}

// standardGravity is g in m/s2: exact, 3rd CGPM (1901); NIST SP 811 (2008), B.8.
const standardGravity = 9.80665

// The units of the season file. Prefixes and the hour: BIPM, The International
// System of Units (9th edition, 2019), tables 5, 7 and 8. ksi and psi: NIST SP 811 (2008),
// B.8, from the exact pound-force 4.4482216152605 N and the exact inch 0.0254 m. mi and
// ft: the same, international foot of 0.3048 m.
func units() []unit {
	return []unit{
		{"Pa", stress, 1, 1e6},
		{"kPa", stress, 1, 1e3},
		{"MPa", stress, 1, 1},
		{"GPa", stress, 1e3, 1},
		{"N/mm2", stress, 1, 1},
		{"ksi", stress, fatigue.KSI, 1},
		{"psi", stress, fatigue.KSI, 1e3},
		{"g", acceleration, standardGravity, 1},
		{"m/s2", acceleration, 1, 1},
		{"mm/s2", acceleration, 1, 1e3},
		{"strain", strain, 1, 1},
		{"mstrain", strain, 1, 1e3},
		{"ustrain", strain, 1, 1e6},
		{"um/m", strain, 1, 1e6},
		{"mm/m", strain, 1, 1e3},
		{"%", strain, 1, 100},
		{"s", duration, 1, 1},
		{"ms", duration, 1, 1e3},
		{"us", duration, 1, 1e6},
		{"min", duration, 60, 1},
		{"h", duration, 3600, 1},
		{"Hz", frequency, 1, 1},
		{"kHz", frequency, 1e3, 1},
		{"m", length, 1, 1},
		{"mm", length, 1, 1e3},
		{"km", length, 1e3, 1},
		{"mi", length, 1609.344, 1},
		{"ft", length, 0.3048, 1},
		{"N", force, 1, 1},
		{"kN", force, 1e3, 1},
		{"kg", mass, 1, 1},
		{"m/s", speed, 1, 1},
		{"km/h", speed, 1000, 3600},
		{"%", share, 1, 100},
	}
}

// unitTable looks units up by name.
type unitTable struct{ all []unit }

func newUnits() unitTable { return unitTable{units()} }

// find returns the unit of that name within a dimension; "" is any dimension, the
// first in the table.
func (t unitTable) find(name string, d dimension) (unit, bool) {
	name = plainUnit(name)
	for _, u := range t.all {
		if u.name == name && (d == "" || u.of == d) {
			return u, true
		}
	}
	return unit{}, false
}

// named is find with an error that says which units there are.
func (t unitTable) named(name string, d dimension) (unit, error) {
	if u, ok := t.find(name, d); ok {
		return u, nil
	}
	names := t.names(d)
	hint := ""
	if best := nearest(plainUnit(name), names); best != "" {
		hint = fmt.Sprintf("; did you mean %q?", best)
	}
	return unit{}, fmt.Errorf("%q is not a unit of %s, accepted: %s%s", name, d, strings.Join(names, ", "), hint)
}

// names lists the units of a dimension.
func (t unitTable) names(d dimension) []string {
	var out []string
	for _, u := range t.all {
		if u.of == d {
			out = append(out, u.name)
		}
	}
	return out
}

// plainUnit writes a unit as the table does: no spaces, u for micro (U+00B5 and
// U+03BC), 2 for ² and ^2.
func plainUnit(s string) string { return unitSpelling.Replace(s) }

// unitSpelling is made once: what it looks texts up by takes longer to make than a season file's units to read.
var unitSpelling = strings.NewReplacer(" ", "", "\t", "", "\u00a0", "", "µ", "u", "μ", "u", "²", "2", "^2", "2")

// UnitScale tells how a channel's unit relates to its base unit (MPa, m/s2,
// strain, s, Hz, m, N, kg or m/s): value in the unit times scale. ok is false for a unit
// that the season file leaves free, such as V or degC. A % is a strain.
func UnitScale(name string) (scale float64, base string, ok bool) {
	u, ok := newUnits().find(name, "")
	if !ok {
		return 0, "", false
	}
	return u.mul / u.div, u.of.base(), true
}

// quantity reads a number with a unit of dimension d, in d's base unit. A bare 0
// needs no unit.
func (t unitTable) quantity(text string, d dimension) (float64, error) {
	v, name, err := splitQuantity(text)
	if err != nil {
		return 0, fmt.Errorf("%w, expected a %s such as \"%s\"", err, d, t.example(d))
	}
	if name == "" && v == 0 {
		return 0, nil
	}
	if name == "" {
		return 0, fmt.Errorf("%q has no unit, accepted for a %s: %s", text, d, strings.Join(t.names(d), ", "))
	}
	u, err := t.named(name, d)
	if err != nil {
		return 0, err
	}
	return finiteOr(v*u.mul/u.div, text)
}

func (t unitTable) example(d dimension) string {
	switch d {
	case stress:
		return "120 MPa"
	case frequency:
		return "50 Hz"
	case share:
		return "0.5 %"
	}
	return "1 " + d.base()
}

// gain reads a stress per unit of a channel, as MPa per the channel's own unit.
// The divisor may stand in brackets: MPa/(m/s2), MPa/m/s2 and N/mm2/g are all read.
func (t unitTable) gain(text, channelUnit string) (float64, error) {
	v, per, err := t.stressPerUnit(text, channelUnit)
	if err != nil || per == plainUnit(channelUnit) {
		return v, err
	}
	from, known := t.find(per, "")
	to, fits := t.find(channelUnit, from.of)
	if !known || !fits {
		return 0, fmt.Errorf("%q is per %q but the channel is in %q, expected one such as %s", text, per, channelUnit, exampleGain(channelUnit))
	}
	return finiteOr(v*from.div*to.mul/(from.mul*to.div), text)
}

// stressPerUnit splits a gain into MPa and the unit it is per. channelUnit serves
// the messages.
func (t unitTable) stressPerUnit(text, channelUnit string) (v float64, per string, err error) {
	v, name, err := splitQuantity(text)
	if err != nil {
		return 0, "", fmt.Errorf("%w, expected a stress per channel unit such as %s", err, exampleGain(channelUnit))
	}
	over, per, ok := t.splitGain(plainUnit(name))
	if !ok {
		return 0, "", fmt.Errorf("%q is not a stress per channel unit, expected one such as %s", text, exampleGain(channelUnit))
	}
	v, err = finiteOr(v*over.mul/over.div, text)
	return v, per, err
}

func exampleGain(channelUnit string) string {
	if strings.Contains(channelUnit, "/") {
		channelUnit = "(" + channelUnit + ")"
	}
	return strconv.Quote("4.1 MPa/" + channelUnit)
}

// splitGain splits at the slash that leaves a stress on the left; the longest such
// stress, since N/mm2 has a slash of its own.
func (t unitTable) splitGain(name string) (over unit, per string, ok bool) {
	for i := len(name) - 1; i > 0; i-- {
		if name[i] != '/' {
			continue
		}
		u, found := t.find(unbracket(name[:i]), stress)
		if per = unbracket(name[i+1:]); found && per != "" {
			return u, per, true
		}
	}
	return unit{}, "", false
}

func unbracket(s string) string {
	if strings.HasPrefix(s, "(") && strings.HasSuffix(s, ")") {
		return s[1 : len(s)-1]
	}
	return s
}

// splitQuantity splits "4.1 MPa/g" into the number and what follows it.
func splitQuantity(text string) (v float64, unit string, err error) {
	text = strings.TrimSpace(text)
	n := numberLength(text)
	if n == 0 {
		return 0, "", fmt.Errorf("%q does not begin with a number", text)
	}
	rest := text[n:]
	if rest != "" && (rest[0] == ',' || rest[0] == '_') {
		return 0, "", fmt.Errorf("%q has a %q in its number", text, rest[:1])
	}
	v, err = parseNumber(text[:n])
	return v, strings.TrimSpace(rest), err
}

// numberLength is the length of the decimal number that s begins with; 0 if none.
func numberLength(s string) int {
	i, digits := 0, 0
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	for dot := false; i < len(s); i++ {
		if s[i] == '.' && !dot {
			dot = true
			continue
		}
		if s[i] < '0' || s[i] > '9' {
			break
		}
		digits++
	}
	if digits == 0 {
		return 0
	}
	return i + exponentLength(s[i:])
}

// exponentLength is the length of an e with digits; 0 if s does not begin so.
func exponentLength(s string) int {
	if s == "" || (s[0] != 'e' && s[0] != 'E') {
		return 0
	}
	i := 1
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	first := i
	for i < len(s) && s[i] >= '0' && s[i] <= '9' {
		i++
	}
	if i == first {
		return 0
	}
	return i
}

// parseNumber reads a plain decimal number: no hexadecimal, no inf, no nan.
func parseNumber(text string) (float64, error) {
	if text == "" || numberLength(text) != len(text) {
		return 0, fmt.Errorf("%q is not a number", text)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, tooLarge(text)
	}
	return v, nil
}

func finiteOr(v float64, text string) (float64, error) {
	if math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, tooLarge(text)
	}
	return v, nil
}

func tooLarge(text string) error { return errors.New(strconv.Quote(text) + " is too large") }
