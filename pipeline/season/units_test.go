package season

import (
	"math"
	"strings"
	"testing"
)

// Every unit against its definition. Values that the definitions give exactly are
// compared to one unit in the last place.
func TestUnits(t *testing.T) {
	const (
		si   = "BIPM, The International System of Units, 9th edition (2019), tables 4, 5, 7 and 8"
		sp   = "NIST SP 811 (2008), appendix B"
		gram = "3rd CGPM (1901), declaration on g_n; NIST SP 811 (2008), B.8: 9.80665 m/s2 exactly"
	)
	pound, inch := 0.45359237*9.80665, 0.0254 // NIST SP 811, B.8: both exact
	rows := []struct {
		text   string
		of     dimension
		want   float64
		source string
	}{
		{"2500000 Pa", stress, 2.5, si},
		{"2500 kPa", stress, 2.5, si},
		{"2.5 MPa", stress, 2.5, si},
		{"71 GPa", stress, 71000, si},
		{"2.5 N/mm2", stress, 2.5, si + ": 1 N/mm2 = 1e6 N/m2"},
		{"2.5 N/mm^2", stress, 2.5, si},
		{"2.5 N/mm²", stress, 2.5, si},
		{"2.5 N / mm2", stress, 2.5, si},
		{"1 psi", stress, pound / (inch * inch) / 1e6, sp + ": lbf/in2"},
		{"1 ksi", stress, pound / (inch * inch) / 1e3, sp + ": 1000 lbf/in2"},
		{"1 ksi", stress, 6.894757, sp + ", B.8: 6.894 757 E+06 Pa"},
		{"1 g", acceleration, 9.80665, gram},
		{"2 m/s2", acceleration, 2, si},
		{"2 m/s^2", acceleration, 2, si},
		{"2 m/s²", acceleration, 2, si},
		{"2500 mm/s2", acceleration, 2.5, si},
		{"0.002 strain", strain, 0.002, "a ratio of lengths"},
		{"2 mstrain", strain, 0.002, si},
		{"2000 ustrain", strain, 0.002, si},
		{"2000 µstrain", strain, 0.002, si + ", U+00B5"},
		{"2000 μstrain", strain, 0.002, si + ", U+03BC"},
		{"2000 um/m", strain, 0.002, si},
		{"2 mm/m", strain, 0.002, si},
		{"0.2 %", strain, 0.002, si + ", 5.4.7: 1 % = 0.01"},
		{"2 s", duration, 2, si},
		{"3.4 ms", duration, 0.0034, si},
		{"3.4 us", duration, 0.0000034, si},
		{"2 min", duration, 120, si},
		{"2 h", duration, 7200, si},
		{"1024 Hz", frequency, 1024, si},
		{"2.5 kHz", frequency, 2500, si},
		{"3 m", length, 3, si},
		{"3 mm", length, 0.003, si},
		{"4.2 km", length, 4200, si},
		{"1 mi", length, 1609.344, sp + ", B.8: 5280 ft of 0.3048 m"},
		{"1 ft", length, 0.3048, sp + ", B.8: exact"},
		{"3 N", force, 3, si},
		{"3 kN", force, 3000, si},
		{"3 kg", mass, 3, si},
		{"3 m/s", speed, 3, si},
		{"36 km/h", speed, 10, si},
		{"0.5 %", share, 0.005, si + ", 5.4.7: 1 % = 0.01"},
		{"50%", share, 0.5, si},
		{"0", stress, 0, "a zero needs no unit: common practice, no source"},
		{"-12 MPa", stress, -12, "a sign"},
		{"+1.5e3 Hz", frequency, 1500, "an exponent"},
	}
	units := newUnits()
	for _, row := range rows {
		got, err := units.quantity(row.text, row.of)
		tolerance := 1e-15
		if row.want == 6.894757 { // printed to seven figures
			tolerance = 1e-7
		}
		if err != nil || math.Abs(got-row.want) > tolerance*math.Abs(row.want) {
			t.Errorf("quantity(%q) = %v %s, %v, expected %v (%s)", row.text, got, row.of.base(), err, row.want, row.source)
		}
	}
	tested := make(map[string]bool)
	for _, row := range rows {
		_, name, _ := splitQuantity(row.text)
		tested[string(row.of)+" "+plainUnit(name)] = true
	}
	for _, u := range units.all {
		if !tested[string(u.of)+" "+u.name] {
			t.Errorf("unit %q of %s has no row in this table", u.name, u.of)
		}
	}
}

func TestBadQuantities(t *testing.T) {
	rows := []struct {
		text   string
		of     dimension
		want   string
		reason string
	}{
		{"", stress, `"" does not begin with a number`, "nothing"},
		{"MPa", stress, `"MPa" does not begin with a number`, "a unit alone"},
		{"12", stress, `"12" has no unit, accepted for a stress: Pa, kPa, MPa, GPa, N/mm2, ksi, psi`, "a bare number"},
		{"12 Mpa", stress, `"Mpa" is not a unit of stress`, "the case of a unit counts: mPa and MPa differ"},
		{"12 MHz", frequency, `"MHz" is not a unit of frequency`, "a unit that is not listed"},
		{"1_000 Hz", frequency, `has a "_" in its number`, "a separator"},
		{"1,5 Hz", frequency, `has a "," in its number`, "a decimal comma"},
		{"1.2.3 Hz", frequency, `".3 Hz" is not a unit of frequency`, "two points"},
		{"0x10 Hz", frequency, `"x10 Hz" is not a unit of frequency`, "hexadecimal"},
		{"inf Hz", frequency, `does not begin with a number`, "infinity"},
		{"nan Hz", frequency, `does not begin with a number`, "not a number"},
		{"1e400 Hz", frequency, `is too large`, "beyond float64"},
		{"1e308 kHz", frequency, `is too large`, "beyond float64 in the base unit"},
		{"--1 Hz", frequency, `does not begin with a number`, "two signs"},
		{"5 %", stress, `"%" is not a unit of stress`, "a share of what?"},
	}
	for _, row := range rows {
		v, err := newUnits().quantity(row.text, row.of)
		if err == nil || !strings.Contains(err.Error(), strings.TrimSpace(row.want)) {
			t.Errorf("quantity(%q) = %v, %v, expected an error with %q (%s)", row.text, v, err, row.want, row.reason)
		}
	}
}

func TestGains(t *testing.T) {
	const g = 9.80665 // m/s2, 3rd CGPM (1901)
	rows := []struct {
		text, channel string
		want          float64
		reason        string
	}{
		{"4.1 MPa/g", "g", 4.1, "the channel's own unit"},
		{"4.1 MPa / g", "g", 4.1, "blanks"},
		{"0.418 MPa/(m/s2)", "g", 0.418 * g, "1 g is 9.80665 m/s2"},
		{"0.418 MPa/m/s2", "g", 0.418 * g, "without brackets"},
		{"0.418 MPa/(m/s^2)", "m/s²", 0.418, "three ways to write a square"},
		{"4.1 MPa/g", "m/s2", 4.1 / g, "the other way"},
		{"4.1 MPa/g", "mm/s2", 4.1 / g / 1000, "a thousandth"},
		{"4.1 N/mm2/g", "g", 4.1, "a stress with a slash of its own"},
		{"4.1 N/mm^2/(m/s2)", "m/s2", 4.1, "slashes on both sides"},
		{"0.6 ksi/g", "g", 0.6 * 6.894757293168361, "ksi: NIST SP 811 (2008), B.8"},
		{"0.071 MPa/ustrain", "ustrain", 0.071, "a strain"},
		{"0.071 MPa/µstrain", "um/m", 0.071, "the same strain by another name"},
		{"71 MPa/mstrain", "ustrain", 0.071, "another prefix"},
		{"3 MPa/kN", "N", 0.003, "a force"},
		{"3 MPa/V", "V", 3, "a unit that is not in the table"},
		{"1 MPa/MPa", "N/mm2", 1, "a stress channel"},
		{"-2 MPa/g", "g", -2, "the sensor's axis points the other way"},
	}
	for _, row := range rows {
		got, err := newUnits().gain(row.text, row.channel)
		if err != nil || math.Abs(got-row.want) > 1e-14*math.Abs(row.want) {
			t.Errorf("gain(%q) on a channel in %q = %v, %v, expected %v (%s)", row.text, row.channel, got, err, row.want, row.reason)
		}
	}
	for _, row := range []struct{ text, channel, want, reason string }{
		{"4.1", "g", "is not a stress per channel unit", "bare"},
		{"4.1 MPa", "g", "is not a stress per channel unit", "per what?"},
		{"4.1 /g", "g", "is not a stress per channel unit", "no stress"},
		{"4.1 Hz/g", "g", "is not a stress per channel unit", "no stress"},
		{"4.1 MPa/", "g", "is not a stress per channel unit", "per nothing"},
		{"4.1 MPa/()", "g", "is not a stress per channel unit", "per nothing"},
		{"4.1 MPa/g", "V", `is per "g" but the channel is in "V"`, "no way from one to the other"},
		{"4.1 MPa/V", "g", `is per "V" but the channel is in "g"`, "no way from one to the other"},
		{"4.1 MPa/m", "m/s2", `is per "m" but the channel is in "m/s2", expected one such as "4.1 MPa/(m/s2)"`, "a length is no acceleration"},
		{"much MPa/g", "g", "does not begin with a number", "no number"},
	} {
		v, err := newUnits().gain(row.text, row.channel)
		if err == nil || !strings.Contains(err.Error(), row.want) {
			t.Errorf("gain(%q) on a channel in %q = %v, %v, expected an error with %q (%s)", row.text, row.channel, v, err, row.want, row.reason)
		}
	}
}

func TestUnitScale(t *testing.T) {
	for _, row := range []struct {
		name  string
		scale float64
		base  string
		ok    bool
	}{
		{"km", 1000, "m", true},
		{"g", 9.80665, "m/s2", true},
		{"ustrain", 1e-6, "strain", true},
		{"%", 0.01, "strain", true},
		{"degC", 0, "", false},
	} {
		scale, base, ok := UnitScale(row.name)
		if scale != row.scale || base != row.base || ok != row.ok {
			t.Errorf("UnitScale(%q) = %v, %q, %v, expected %v, %q, %v", row.name, scale, base, ok, row.scale, row.base, row.ok)
		}
	}
}

// What is read as a quantity is finite, and reads the same without its blanks.
func FuzzQuantity(f *testing.F) {
	for _, s := range []string{"4.1 MPa/g", "1024 Hz", "0.5 %", "71 GPa", "3.4 ms", "-1e-3N/mm^2/(m/s2)", "1e999 s", ".", "e5", "0"} {
		f.Add(s)
	}
	units := newUnits()
	dimensions := []dimension{stress, acceleration, strain, duration, frequency, length, force, mass, speed, share}
	f.Fuzz(func(t *testing.T, text string) {
		for _, d := range dimensions {
			checkReading(t, text, func(s string) (float64, error) { return units.quantity(s, d) })
		}
		for _, channel := range []string{"g", "m/s2", "ustrain", "V", ""} {
			checkReading(t, text, func(s string) (float64, error) { return units.gain(s, channel) })
		}
	})
}

func checkReading(t *testing.T, text string, read func(string) (float64, error)) {
	v, err := read(text)
	if err != nil {
		return
	}
	if math.IsNaN(v) || math.IsInf(v, 0) {
		t.Errorf("%q reads as %v", text, v)
	}
	if again, err := read(strings.ReplaceAll(text, " ", "")); err != nil || again != v {
		t.Errorf("%q reads as %v, without blanks as %v, %v", text, v, again, err)
	}
}
