package season

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// damagedFile is a change to one file of testdata/season and all the faults that
// it must cause. Without an old text the file's whole content is replaced.
type damagedFile struct {
	reason    string
	file      string
	old, text string
	want      []string
}

func TestFaults(t *testing.T) {
	for _, row := range damagedFiles() {
		t.Run(row.reason, func(t *testing.T) {
			dir := copyTree(t, "testdata/season")
			row.apply(t, dir)
			s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
			if s != nil {
				t.Error("a season was returned beside faults")
			}
			if diff := cmp.Diff(row.want, short(dir, faults)); diff != "" {
				t.Errorf("faults (-want +got):\n%s", diff)
			}
		})
	}
}

func (row damagedFile) apply(t *testing.T, dir string) {
	t.Helper()
	path := filepath.Join(dir, row.file)
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if row.old == "" {
		write(t, path, row.text)
		return
	}
	if n := strings.Count(string(before), row.old); n != 1 {
		t.Fatalf("%q occurs %d times in %s, expected once", row.old, n, row.file)
	}
	write(t, path, strings.Replace(string(before), row.old, row.text, 1))
}

// Every file's faults are found in one go.
func TestFaultsAllAtOnce(t *testing.T) {
	dir := copyTree(t, "testdata/season")
	for _, row := range []damagedFile{
		{file: "season.yaml", old: "target: {seasons: 2", text: "target: {seasons: -2"},
		{file: "season.yaml", old: "gate: 0.5 %", text: "gate: 0.5"},
		{file: "season.yaml", old: "stress_factor: 0.93", text: "stress_factor: none"},
		{file: "laps.csv", old: ",both", text: ",all"},
		{file: "laps.csv", old: "L4,", text: ","},
		{file: "calendar.csv", old: "120", text: "x"},
	} {
		row.apply(t, dir)
	}
	_, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
	want := []string{
		`calendar.csv:2:15: laps is "x", expected a number; write a plain number such as 4.2, without a unit`,
		`laps.csv:4:49: use is "all", expected one of "season", "calibration", "both"`,
		`laps.csv:5:1: lap_id is empty, expected a value in every row`,
		`season.yaml:13:54: "gate" of signal: "0.5" has no unit, accepted for a share: %`,
		`season.yaml:40:19: "seasons" of target is -2, expected above 0`,
		`season.yaml:42:46: scenario "thicker": "stress_factor" of hotspot "weld-toe": "none" is not a number, expected a plain number without a unit`,
	}
	if diff := cmp.Diff(want, short(dir, faults)); diff != "" {
		t.Errorf("faults (-want +got):\n%s", diff)
	}
}

func damagedFiles() []damagedFile {
	return []damagedFile{
		{"not YAML: the bracket is never closed", "season.yaml", "gate: 0.5 %}", "gate: 0.5 %", []string{
			"season.yaml:14:1: not valid YAML: ',' or '}' must be specified; look here and just above for a wrong indentation or a missing colon, quote or bracket",
		}},
		{"a key in the wrong column", "season.yaml", `season: "2031"`, `  season: "2031"`, []string{
			"season.yaml:1:10: not valid YAML: mapping value is not allowed in this context; look here and just above for a wrong indentation or a missing colon, quote or bracket",
		}},
		{"a tab as indentation", "season.yaml", "  acc_z: {", "\tacc_z: {", []string{
			"season.yaml:8:1: not valid YAML: found character '\\t' that cannot start any token; indent with spaces, not with tabs",
		}},
		{"Latin-1 text", "season.yaml", "inverter cradle", "Gest\xff", []string{
			"season.yaml:3:16: the byte 0xff is not UTF-8 text; save the file as UTF-8",
		}},
		{"a zero byte", "season.yaml", "inverter cradle", "inverter\x00cradle", []string{
			"season.yaml:3:20: a zero byte, expected UTF-8 text; save the file as UTF-8",
		}},
		{"two seasons in one file", "season.yaml", "lapwear: 1", "lapwear: 1\n---\nlapwear: 1", []string{
			"season.yaml:3:1: a second document; keep one season to a file",
		}},
		{"an alias without its anchor", "season.yaml", "component: inverter cradle", "component: *nothing", []string{
			`season.yaml:3:12: alias "nothing" has no anchor before it; write &nothing before it`,
		}},
		{"a merge key", "season.yaml", "  acc_z: {column: AZ, unit: g}", "  acc_z: {<<: {unit: g}, column: AZ}", []string{
			`season.yaml:8:13: a merge key "<<" is not read here; repeat the keys`,
		}},
		{"a tag", "season.yaml", "component: inverter cradle", "component: !!str cradle", []string{
			"season.yaml:3:12: a tag is not read here; write the value alone",
		}},
		{"a question-mark key", "season.yaml", "component: inverter cradle", "? component\n: cradle", []string{
			`season.yaml:3:1: a "?" key is not read here; write key: value`,
		}},
		{"a key twice", "season.yaml", "component: inverter cradle", "component: inverter cradle\ncomponent: swingarm", []string{
			`season.yaml:4:1: key "component" occurs twice, first in line 3; keep one of the two`,
		}},
		{"a key twice within a mapping", "season.yaml", "stress_factor: 1.2", "gain: 0.5 MPa/g", []string{
			`season.yaml:24:5: key "gain" occurs twice, first in line 23; keep one of the two`,
		}},
		{"an unknown key at the top, one letter off", "season.yaml", "signal:", "signl:", []string{
			`season.yaml:13:1: unknown key "signl" in the season file; did you mean "signal"?`,
		}},
		{"an unknown key of a hotspot", "season.yaml", "modulus: 71 GPa", "modul: 71 GPa", []string{
			`season.yaml:16:5: hotspot "weld-toe" has no "modulus"; its gauge "toe" is a strain (ustrain): add modulus: 71 GPa`,
			`season.yaml:17:5: unknown key "modul" in hotspot "weld-toe"; did you mean "modulus"?`,
		}},
		{"an unknown key that is near to none", "season.yaml", "target: {seasons: 2,", "target: {quarters: 2,", []string{
			`season.yaml:40:10: unknown key "quarters" in target; known are "seasons", "life_factor"`,
		}},
		{"a list where a mapping is due", "season.yaml", "target: {seasons: 2, life_factor: 1.5}", "target: [2, 1.5]", []string{
			"season.yaml:40:9: target is a list, expected a mapping; its keys are seasons, life_factor",
		}},
		{"a mapping where a value is due", "season.yaml", "component: inverter cradle", "component: {name: cradle}", []string{
			`season.yaml:3:12: "component" of the season file is a mapping, expected a single value`,
		}},
		{"a key without a value", "season.yaml", "component: inverter cradle", "component:", []string{
			`season.yaml:3:11: "component" of the season file is empty; give a value or leave the key out`,
		}},
		{"no format version", "season.yaml", "lapwear: 1\n", "\n", []string{
			`season.yaml:2:1: the season file has no "lapwear"; add lapwear: 1 as the first line`,
		}},
		{"a later format version", "season.yaml", "lapwear: 1\n", "lapwear: 2\n", []string{
			`season.yaml:1:10: format version "2", expected 1`,
		}},
		{"no season, no component", "season.yaml", "season: \"2031\"\ncomponent: inverter cradle\n", "\n\n", []string{
			`season.yaml:1:1: the season file has no "component"; add component: with the name of the part`,
			`season.yaml:1:1: the season file has no "season"; add season: "2031"`,
		}},
		{"a bare number where a unit is due", "season.yaml", "rate: 1024 Hz", "rate: 1024", []string{
			`season.yaml:13:16: "rate" of signal: "1024" has no unit, accepted for a frequency: Hz, kHz`,
		}},
		{"a bare share", "season.yaml", "gate: 0.5 %", "gate: 0.005", []string{
			`season.yaml:13:54: "gate" of signal: "0.005" has no unit, accepted for a share: %`,
		}},
		{"a bare survival", "season.yaml", "survival: 99 %", "survival: 0.99", []string{
			`season.yaml:39:36: "survival" of damage: "0.99" has no unit, accepted for a share: %`,
		}},
		{"a unit of another dimension", "season.yaml", "modulus: 71 GPa", "modulus: 71 Hz", []string{
			`season.yaml:17:14: "modulus" of hotspot "weld-toe": "Hz" is not a unit of stress, accepted: Pa, kPa, MPa, GPa, N/mm2, ksi, psi`,
		}},
		{"a unit in the wrong case", "season.yaml", "offset: 12 MPa", "offset: 12 mpa", []string{
			`season.yaml:19:13: "offset" of hotspot "weld-toe": "mpa" is not a unit of stress, accepted: Pa, kPa, MPa, GPa, N/mm2, ksi, psi; did you mean "MPa"?`,
		}},
		{"a decimal comma", "season.yaml", "modulus: 71 GPa", "modulus: 71,5 GPa", []string{
			`season.yaml:17:14: "modulus" of hotspot "weld-toe": "71,5 GPa" has a "," in its number, expected a stress such as "120 MPa"`,
		}},
		{"text where a number is due", "season.yaml", "modulus: 71 GPa", "modulus: stiff", []string{
			`season.yaml:17:14: "modulus" of hotspot "weld-toe": "stiff" does not begin with a number, expected a stress such as "120 MPa"`,
		}},
		{"a unit on a plain number", "season.yaml", "stress_factor: 1.2", "stress_factor: 1.2 MPa", []string{
			`season.yaml:24:20: "stress_factor" of hotspot "lug": "1.2 MPa" is not a number, expected a plain number without a unit`,
		}},
		{"hexadecimal is no number", "season.yaml", "stress_factor: 1.2", "stress_factor: 0x10", []string{
			`season.yaml:24:20: "stress_factor" of hotspot "lug": "0x10" is not a number, expected a plain number without a unit`,
		}},
		{"infinity is no number", "season.yaml", "stress_factor: 1.2", "stress_factor: .inf", []string{
			`season.yaml:24:20: "stress_factor" of hotspot "lug": ".inf" is not a number, expected a plain number without a unit`,
		}},
		{"a number beyond float64", "season.yaml", "stress_factor: 1.2", "stress_factor: 1e999", []string{
			`season.yaml:24:20: "stress_factor" of hotspot "lug": "1e999" is too large, expected a plain number without a unit`,
		}},
		{"a negative rate", "season.yaml", "rate: 1024 Hz", "rate: -1 Hz", []string{
			`season.yaml:13:16: "rate" of signal is -1 Hz, expected above 0 and up to 10 MHz`,
		}},
		{"a gate of the full range", "season.yaml", "gate: 0.5 %", "gate: 100 %", []string{
			`season.yaml:13:54: "gate" of signal is 100 %, expected from 0 to less than 100 %`,
		}},
		{"a survival of 100 %", "season.yaml", "survival: 99 %", "survival: 100 %", []string{
			`season.yaml:39:36: "survival" of damage is 100 %, expected between 0 and 100 %`,
		}},
		{"a time column and a rate, without the column's unit", "season.yaml", "time: {column: TIME, unit: s}", "time: {column: TIME, rate: 2 kHz}", []string{
			`season.yaml:6:7: time has no "unit"; accepted are s, ms, us, min, h, and clock for times of day`,
		}},
		{"a rate and a unit, without a column", "season.yaml", "time: {column: TIME, unit: s}", "time: {unit: s, rate: 2 kHz}", []string{
			`season.yaml:6:14: time has a rate, and no column for a unit; name the column, or leave the unit out`,
		}},
		{"neither a time column nor a rate", "season.yaml", "time: {column: TIME, unit: s}", "time: {unit: s}", []string{
			"season.yaml:6:7: time needs a column or a rate; write time: {column: TIME, unit: s}, time: {column: TIME, unit: clock} or time: {rate: 2000 Hz}",
		}},
		{"a time column without its unit", "season.yaml", "time: {column: TIME, unit: s}", "time: {column: TIME}", []string{
			`season.yaml:6:7: time has no "unit"; accepted are s, ms, us, min, h, and clock for times of day`,
		}},
		{"a time unit that is none", "season.yaml", "time: {column: TIME, unit: s}", "time: {column: TIME, unit: sec}", []string{
			`season.yaml:6:28: "sec" is not a unit of time, accepted: s, ms, us, min, h; did you mean "s"?`,
		}},
		{"no time at all", "season.yaml", "time: {column: TIME, unit: s}\n", "\n", []string{
			`season.yaml:1:1: the season file has no "time"; write time: {column: TIME, unit: s}, time: {column: TIME, unit: clock} or time: {rate: 2000 Hz}`,
		}},
		{"a channel without a column", "season.yaml", "acc_z: {column: AZ, unit: g}", "acc_z: {unit: g}", []string{
			`season.yaml:8:10: channel "acc_z" has no "column"; name the recording's column`,
		}},
		{"a channel without a unit", "season.yaml", "acc_z: {column: AZ, unit: g}", "acc_z: {column: AZ}", []string{
			`season.yaml:8:10: channel "acc_z" has no "unit"; name the unit that the recording is in`,
		}},
		{"an unknown role", "season.yaml", "role: distance", "role: distanse", []string{
			`season.yaml:12:40: "role" of channel "dist" is "distanse", expected one of "distance"; did you mean "distance"?`,
		}},
		{"a distance that is no length", "season.yaml", "unit: km, role", "unit: s, role", []string{
			`season.yaml:12:30: "s" is not a unit of length, accepted: m, mm, km, mi, ft`,
		}},
		{"two distances", "season.yaml", "unit: degC}", "unit: m, role: distance}", []string{
			`season.yaml:12:3: channel "dist" has the role distance, and so has "tmp"; keep one`,
		}},
		{"a channel with a kept name", "season.yaml", "acc_z: {", "auto: {", []string{
			`season.yaml:8:3: channel name "auto" is kept for follow: auto; give it another name`,
		}},
		{"a band that ends before it begins", "season.yaml", "[0.5 Hz, 50 Hz]", "[50 Hz, 0.5 Hz]", []string{
			"season.yaml:13:39: band ends at 0.5 Hz, expected more than its beginning at 50 Hz",
		}},
		{"a band above half of the rate", "season.yaml", "[0.5 Hz, 50 Hz]", "[0.5 Hz, 600 Hz]", []string{
			"season.yaml:13:40: band reaches 600 Hz, expected at most half of the rate of 1024 Hz; raise the rate to 6000 Hz or more, or lower the band",
		}},
		{"a band of three", "season.yaml", "[0.5 Hz, 50 Hz]", "[1 Hz, 2 Hz, 3 Hz]", []string{
			`season.yaml:13:31: "band" of signal is not a list of two frequencies; write band: [0.5 Hz, 50 Hz]`,
		}},
		{"a gauge and a gain for a named channel", "season.yaml", "follow: auto", "follow: acc_z\n    gain: 4 MPa/g", []string{
			`season.yaml:19:11: hotspot "weld-toe" has both a gauge and a gain; leave one of the two out`,
		}},
		{"neither a gauge nor a gain", "season.yaml", "    gain: 0.4 MPa/(m/s2)\n", "", []string{
			`season.yaml:22:5: hotspot "lug" has neither a gauge nor a gain; calibrate with gauge: and follow: auto, or give follow: a channel and gain: 4.1 MPa/g`,
		}},
		{"follow auto without a gauge", "season.yaml", "follow: acc_x", "follow: auto", []string{
			`season.yaml:23:11: hotspot "lug" has a gain but follows no named channel; add follow: with a channel`,
		}},
		{"an unknown channel to follow", "season.yaml", "follow: acc_x", "follow: acc_y", []string{
			`season.yaml:22:13: "follow" of hotspot "lug" is "acc_y", expected the name of a channel; did you mean "acc_z"?`,
		}},
		{"following the distance", "season.yaml", "follow: acc_x", "follow: dist", []string{
			`season.yaml:22:13: hotspot "lug" follows "dist", which is the distance; follow a signal`,
		}},
		{"following its own gauge", "season.yaml", "follow: auto", "follow: toe", []string{
			`season.yaml:18:13: hotspot "weld-toe" follows its own gauge "toe"; follow a channel that every lap has`,
		}},
		{"an unknown gauge", "season.yaml", "gauge: toe", "gauge: too", []string{
			`season.yaml:16:12: "gauge" of hotspot "weld-toe" is "too", expected the name of a channel; did you mean "toe"?`,
		}},
		{"a gauge in degrees", "season.yaml", "gauge: toe", "gauge: tmp", []string{
			`season.yaml:16:12: gauge "tmp" of hotspot "weld-toe" is in "degC", expected a strain or a stress; accepted are strain, mstrain, ustrain, um/m, mm/m, %, Pa, kPa, MPa, GPa, N/mm2, ksi, psi`,
		}},
		{"a strain gauge without a modulus", "season.yaml", "    modulus: 71 GPa\n", "", []string{
			`season.yaml:16:5: hotspot "weld-toe" has no "modulus"; its gauge "toe" is a strain (ustrain): add modulus: 71 GPa`,
		}},
		{"a stress gauge with a modulus", "season.yaml", "toe: {column: SG, unit: ustrain}", "toe: {column: SG, unit: MPa}", []string{
			`season.yaml:17:14: hotspot "weld-toe" has a modulus, but its gauge "toe" is a stress already (MPa); leave it out`,
		}},
		{"a modulus without a gauge", "season.yaml", "stress_factor: 1.2", "modulus: 71 GPa", []string{
			`season.yaml:24:14: hotspot "lug" has a modulus but no gauge; leave it out`,
		}},
		{"a gain without its channel unit", "season.yaml", "gain: 0.4 MPa/(m/s2)", "gain: 0.4 MPa", []string{
			`season.yaml:23:11: "gain" of hotspot "lug": "0.4 MPa" is not a stress per channel unit, expected one such as "4.1 MPa/(m/s^2)"`,
		}},
		{"a bare gain", "season.yaml", "gain: 0.4 MPa/(m/s2)", "gain: 0.4", []string{
			`season.yaml:23:11: "gain" of hotspot "lug": "0.4" is not a stress per channel unit, expected one such as "4.1 MPa/(m/s^2)"`,
		}},
		{"a gain per another dimension", "season.yaml", "gain: 0.4 MPa/(m/s2)", "gain: 0.4 MPa/ustrain", []string{
			`season.yaml:23:11: "gain" of hotspot "lug": "0.4 MPa/ustrain" is per "ustrain" but the channel is in "m/s^2", expected one such as "4.1 MPa/(m/s^2)"`,
		}},
		{"a gain of 0", "season.yaml", "gain: 0.4 MPa/(m/s2)", "gain: 0 MPa/g", []string{
			`season.yaml:23:11: "gain" of hotspot "lug" is 0 MPa/g, expected other than 0`,
		}},
		{"no material", "season.yaml", "    material: al-own\n", "", []string{
			`season.yaml:16:5: hotspot "weld-toe" has no "material"; name one of the season's materials or a built-in one`,
		}},
		{"an unknown material near one of the season's", "season.yaml", "material: al-own", "material: al-onw", []string{
			`season.yaml:20:15: material "al-onw" of hotspot "weld-toe" is neither in materials nor built in; did you mean "al-own"?`,
		}},
		{"an unknown material near a built-in one", "season.yaml", "material: al-own", "material: al-7075-t6-sheat", []string{
			`season.yaml:20:15: material "al-7075-t6-sheat" of hotspot "weld-toe" is neither in materials nor built in; did you mean "al-7075-t6-sheet"?`,
		}},
		{"a hotspot that is empty", "season.yaml", "  lug:\n", "  rib:\n  lug:\n", []string{
			`season.yaml:21:7: hotspot "rib" is nothing, expected a mapping; its keys are gauge, modulus, follow, gain, offset, material, stress_factor, thickness_exponent, transfer, direction, accept`,
		}},
		{"no hotspots", "season.yaml", "", "lapwear: 1\nseason: a\ncomponent: b\nlaps: laps.csv\ntime: {rate: 1 kHz}\nchannels: {a: {column: A, unit: g}}\nhotspots: {}\n", []string{
			`season.yaml:7:11: "hotspots" is empty, expected a mapping of names to a hotspot each`,
		}},
		{"only the version", "season.yaml", "", "lapwear: 1\n", []string{
			`season.yaml:1:1: the season file has no "channels"; write channels: {acc_z: {column: AZ, unit: g}}`,
			`season.yaml:1:1: the season file has no "component"; add component: with the name of the part`,
			`season.yaml:1:1: the season file has no "hotspots"; name at least one place whose damage counts`,
			`season.yaml:1:1: the season file has no "laps"; write laps: laps.csv`,
			`season.yaml:1:1: the season file has no "season"; add season: "2031"`,
			`season.yaml:1:1: the season file has no "time"; write time: {column: TIME, unit: s}, time: {column: TIME, unit: clock} or time: {rate: 2000 Hz}`,
		}},
		{"an empty season file", "season.yaml", "", "", []string{
			"season.yaml:1:1: nothing in it; see `lapwear demo` for an example of a season file",
		}},
		{"only a comment", "season.yaml", "", "# nothing yet\n", []string{
			"season.yaml:1:1: nothing in it; see `lapwear demo` for an example of a season file",
		}},
		{"a list for a season", "season.yaml", "", "- lapwear: 1\n", []string{
			"season.yaml:1:1: the season file is a list, expected a mapping; begin with `lapwear: 1`",
		}},
		{"a sentence for a season", "season.yaml", "", "this is not a season\n", []string{
			"season.yaml:1:1: the season file is a value, expected a mapping; begin with `lapwear: 1`",
		}},
		{"nothing to follow but gauges", "season.yaml", "", "lapwear: 1\nseason: a\ncomponent: b\nlaps: laps.csv\ntime: {rate: 1 kHz}\nchannels: {a: {column: A, unit: MPa}, d: {column: D, unit: m, role: distance}}\nhotspots:\n  h: {gauge: a, material: weld-90}\n", []string{
			`season.yaml:8:3: hotspot "h" follows auto, but there is no channel beside gauges and the distance; add the channels that every lap has, such as accelerations`,
		}},
		{"CRLF after a comment moves no line", "season.yaml", "lapwear: 1\nseason: \"2031\"\n", "lapwear: 1 # first\r\n\r\nseasn: \"2031\"\r\n", []string{
			`season.yaml:1:1: the season file has no "season"; add season: "2031"`,
			`season.yaml:3:1: unknown key "seasn" in the season file; did you mean "season"?`,
		}},
		{"an unknown kind of curve", "season.yaml", "kind: power", "kind: powr", []string{
			`season.yaml:30:16: "kind" of sn of material "al-own" is "powr", expected one of "power", "equivalent-stress", "table"; did you mean "power"?`,
		}},
		{"a power curve without its slope", "season.yaml", "slope: 7, ", "", []string{
			`season.yaml:30:9: sn of material "al-own" has no "slope"; a curve of kind power needs amplitude, cycles, slope`,
		}},
		{"a power curve with a key of another kind", "season.yaml", "slope: 7,", "slope: 7, a1: 3,", []string{
			`season.yaml:30:65: a curve of kind power has no "a1"; its keys are kind, amplitude, cycles, slope, knee, beyond, cutoff`,
		}},
		{"beyond without a knee", "season.yaml", "knee: 5e6, ", "", []string{
			`season.yaml:30:73: "beyond" of sn of material "al-own" needs a knee; add the knee's cycles, such as knee: 5e6`,
		}},
		{"an unknown word beyond the knee", "season.yaml", "beyond: haibach", "beyond: heibach", []string{
			`season.yaml:30:84: "beyond" of sn of material "al-own" is "heibach", expected same, flat, haibach or a slope above 0`,
		}},
		{"a cut-off before the knee", "season.yaml", "cutoff: 1e8", "cutoff: 1e6", []string{
			`season.yaml:28:5: material "al-own": check curve cut-off: 1e+06 cycles is not beyond the knee at 5e+06: give more cycles`,
		}},
		{"a rising handbook curve", "season.yaml", "a2: -2.85", "a2: 2.85", []string{
			`season.yaml:34:60: "a2" of sn of material "handbook" is 2.85, expected below 0`,
		}},
		{"a handbook curve with a mean-stress rule on top", "season.yaml", "a4: 61.3}\n", "a4: 61.3}\n    mean_stress: swt\n", []string{
			`season.yaml:35:18: material "handbook" has an equivalent-stress curve, which holds its own mean-stress rule, and the rule "swt" on top; write mean_stress: none`,
		}},
		{"a handbook unit that is no stress", "season.yaml", "unit: ksi", "unit: kg", []string{
			`season.yaml:34:41: "kg" is not a unit of stress, accepted: Pa, kPa, MPa, GPa, N/mm2, ksi, psi; did you mean "kPa"?`,
		}},
		{"a table of one point", "season.yaml", "[[120 MPa, 1e5], [80 MPa, 1e6]]", "[[120 MPa, 1e5]]", []string{
			`season.yaml:37:31: "points" of sn of material "points" is not a list of two points or more; write points: [[120 MPa, 1e5], [80 MPa, 1e6]]`,
		}},
		{"a point without its life", "season.yaml", "[120 MPa, 1e5]", "[120 MPa]", []string{
			`season.yaml:37:32: point 1 of sn of material "points" is not an amplitude and a life; write [120 MPa, 1e5]`,
		}},
		{"a table that rises", "season.yaml", "[80 MPa, 1e6]", "[180 MPa, 1e6]", []string{
			`season.yaml:37:5: material "points": check curve table: points 1 and 2 (120 MPa, 100000) and (180 MPa, 1e+06) do not fall: sort the points so that life rises while amplitude falls`,
		}},
		{"a negative scatter", "season.yaml", "scatter: 0.15", "scatter: -0.15", []string{
			`season.yaml:31:14: "scatter" of material "al-own" is -0.15, expected 0 or more`,
		}},
		{"no curve", "season.yaml", "    sn: {kind: table, points: [[120 MPa, 1e5], [80 MPa, 1e6]]}\n", "    source: invented\n", []string{
			`season.yaml:37:5: material "points" has no "sn"; write sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 7}`,
		}},
		{"an unknown rule", "season.yaml", "rule: goodman", "rule: goodmann", []string{
			`season.yaml:32:25: "rule" of mean_stress of material "al-own" is "goodmann", expected one of "none", "goodman", "gerber", "morrow", "swt", "walker", "sensitivity"; did you mean "goodman"?`,
		}},
		{"a rule without its parameter", "season.yaml", "mean_stress: swt", "mean_stress: walker", []string{
			`season.yaml:38:18: the rule of mean_stress of material "points" needs "gamma"; add it to mean_stress or to the material`,
		}},
		{"a parameter that the rule has not", "season.yaml", "rule: goodman", "rule: goodman, gamma: 0.5", []string{
			`season.yaml:32:34: the rule of mean_stress of material "al-own" has no "gamma"; leave it out`,
		}},
		{"two different ultimates", "season.yaml", "rule: goodman", "rule: goodman, ultimate: 300 MPa", []string{
			`season.yaml:32:44: "ultimate" of mean_stress of material "al-own" differs from the material's own in line 29; keep one of the two`,
		}},
		{"a mean-stress mapping without its rule", "season.yaml", "rule: goodman", "ultimate: 310 MPa", []string{
			`season.yaml:32:18: mean_stress of material "al-own" has no "rule"; say which, such as rule: goodman`,
		}},
		{"an unknown residue", "season.yaml", "residue: carry", "residue: carri", []string{
			`season.yaml:39:19: "residue" of damage is "carri", expected one of "half", "carry", "repeat"; did you mean "carry"?`,
		}},
		{"a target of no seasons", "season.yaml", "seasons: 2", "seasons: 0", []string{
			`season.yaml:40:19: "seasons" of target is 0, expected above 0`,
		}},
		{"a scenario named base", "season.yaml", "thicker:", "base:", []string{
			`season.yaml:42:3: scenario name "base" is kept for the season as it is written; give it another name`,
		}},
		{"a scenario that replaces nothing", "season.yaml", "{hotspots.weld-toe.stress_factor: 0.93}", "{}", []string{
			`season.yaml:42:12: scenario "thicker" replaces nothing; write a path and its value, such as hotspots.weld_toe.stress_factor: 0.93`,
		}},
		{"an unknown path, one letter off", "season.yaml", "hotspots.weld-toe.stress_factor", "hotspots.weld-toe.stres_factor", []string{
			`season.yaml:42:13: scenario "thicker": unknown path "hotspots.weld-toe.stres_factor"; did you mean "hotspots.weld-toe.stress_factor"?`,
		}},
		{"an unknown hotspot in a path", "season.yaml", "hotspots.weld-toe.stress_factor", "hotspots.weldtoe.stress_factor", []string{
			`season.yaml:42:13: scenario "thicker": unknown path "hotspots.weldtoe.stress_factor"; did you mean "hotspots.weld-toe.stress_factor"?`,
		}},
		{"a path that begins with the hotspot", "season.yaml", "hotspots.weld-toe.stress_factor", "weld-toe.stress_factor", []string{
			`season.yaml:42:13: scenario "thicker": unknown path "weld-toe.stress_factor"; did you mean "hotspots.weld-toe.stress_factor"?`,
		}},
		{"a path below a value", "season.yaml", "hotspots.weld-toe.stress_factor", "hotspots.weld-toe.material.scatter", []string{
			`season.yaml:42:13: scenario "thicker": path "hotspots.weld-toe.material.scatter" goes on below "hotspots.weld-toe.material", which is a single value; end the path there`,
		}},
		{"a path that ends with a dot", "season.yaml", "hotspots.weld-toe.stress_factor", "damage.", []string{
			`season.yaml:42:13: scenario "thicker": path "damage." ends with a dot; leave the dot out`,
		}},
		{"a path to the scenarios themselves", "season.yaml", "hotspots.weld-toe.stress_factor", "scenarios.table", []string{
			`season.yaml:42:13: scenario "thicker": path "scenarios.table" cannot be replaced; write it in the season file itself`,
		}},
		{"a key of a material that is not the season's", "season.yaml", "materials.points.scatter: 0.1", "materials.point.scatter: 0.1", []string{
			`season.yaml:45:5: scenario "table": unknown path "materials.point.scatter"; did you mean "materials.points.scatter"?`,
		}},
		{"a value of the wrong type", "season.yaml", "stress_factor: 0.93", "stress_factor: [1]", []string{
			`season.yaml:42:46: scenario "thicker": "stress_factor" of hotspot "weld-toe" is a list, expected a single value`,
		}},
		{"a value without its unit", "season.yaml", "hotspots.weld-toe.stress_factor: 0.93", "hotspots.weld-toe.offset: 3", []string{
			`season.yaml:42:39: scenario "thicker": "offset" of hotspot "weld-toe": "3" has no unit, accepted for a stress: Pa, kPa, MPa, GPa, N/mm2, ksi, psi`,
		}},
		{"a path that undoes one before it", "season.yaml", "    materials.points.scatter: 0.1", "    hotspots.lug: {follow: acc_x}", []string{
			`season.yaml:45:5: scenario "table": "hotspots.lug" undoes "hotspots.lug.material" before it; put it first, or write one of the two`,
		}},
		{"a scenario whose fault shows at the base's own place", "season.yaml", "hotspots.lug.material: points", "channels.acc_x.unit: V", []string{
			`season.yaml:23:11: scenario "table": "gain" of hotspot "lug": "0.4 MPa/(m/s2)" is per "m/s2" but the channel is in "V", expected one such as "4.1 MPa/V"`,
		}},
		{"a manifest that is not there", "season.yaml", "laps: laps.csv", "laps: lapz.csv", []string{
			`season.yaml:4:7: the manifest "lapz.csv" cannot be read: no such file; correct the path, or bring the file`,
		}},
		{"a manifest that is a folder", "season.yaml", "laps: laps.csv", "laps: .", []string{
			`season.yaml:4:7: the manifest "." cannot be read: not a file; correct the path, or bring the file`,
		}},
		{"a manifest outside the folder", "season.yaml", "laps: laps.csv", "laps: ../laps.csv", []string{
			`season.yaml:4:7: path "../laps.csv" leads outside the season file's folder; keep the season's files in its folder, or add allow_outside: true`,
		}},
		{"an absolute path", "season.yaml", "laps: laps.csv", "laps: /etc/hostname", []string{
			`season.yaml:4:7: path "/etc/hostname" is absolute, expected one relative to the season file; keep the season's files in its folder, or add allow_outside: true`,
		}},
		{"a calendar that is not there", "season.yaml", "calendar: calendar.csv", "calendar: {file: c.csv}", []string{
			`season.yaml:5:18: the calendar "c.csv" cannot be read: no such file; correct the path, or bring the file`,
		}},
		{"an unknown basis", "season.yaml", "calendar: calendar.csv", "calendar: {file: calendar.csv, basis: fleat}", []string{
			`season.yaml:5:39: "basis" of calendar is "fleat", expected one of "recorded", "fleet"; did you mean "fleet"?`,
		}},
		{"an empty manifest", "laps.csv", "", "", []string{
			"laps.csv:1:1: nothing in it, expected the header lap_id,file,circuit,event,session,rider,bike,setup,lap,distance_km,start_s,end_s,use,accept; begin it with a header",
		}},
		{"a header and no laps", "laps.csv", "", "lap_id,file,circuit\n", []string{
			"laps.csv:1:1: the manifest has no laps; add a row for each lap",
		}},
		{"no circuit column", "laps.csv", "lap_id,file,circuit,", "lap_id,file,", []string{
			`laps.csv:1:1: the header has no column "circuit"; required are lap_id, file, circuit`,
		}},
		{"an unknown column, one letter off", "laps.csv", "lap_id,file,circuit,event", "lap_id,file,circuit,evnet", []string{
			`laps.csv:1:21: unknown column "evnet"; did you mean "event"?`,
		}},
		{"a column twice", "laps.csv", ",event,session,", ",event,event,", []string{
			`laps.csv:1:27: column "event" occurs twice, first as column 4; keep one of the two`,
		}},
		{"a column without a name", "laps.csv", ",event,session,", ",event,,", []string{
			"laps.csv:1:27: column 5 has no name; name it or take it out",
		}},
		{"a lap_id twice", "laps.csv", "L3,", "L1,", []string{
			`laps.csv:4:1: lap_id "L1" occurs twice, first in line 2; give every lap an id of its own`,
		}},
		{"an empty circuit", "laps.csv", "a.csv,Hochmoor,R1,race,Ana,7,soft,2", "a.csv,,R1,race,Ana,7,soft,2", []string{
			"laps.csv:3:14: circuit is empty, expected a value in every row",
		}},
		{"a distance that is text", "laps.csv", "3.1,,,both", "3.1 km,,,both", []string{
			`laps.csv:4:43: distance_km is "3.1 km", expected a number; write a plain number such as 4.2, without a unit`,
		}},
		{"an infinite distance", "laps.csv", "3.1,,,both", "inf,,,both", []string{
			`laps.csv:4:43: distance_km is "inf", expected a number; write a plain number such as 4.2, without a unit`,
		}},
		{"a UTF-16 manifest", "laps.csv", "", "\xff\xfel\x00a\x00p\x00_\x00i\x00d\x00,\x00f\x00i\x00l\x00e\x00,\x00c\x00i\x00r\x00c\x00u\x00i\x00t\x00\n\x00", []string{
			"laps.csv:1:1: the text is UTF-16, expected UTF-8; save it as UTF-8 CSV",
		}},
		{"blanks around a value, a blank row, a fault after them", "laps.csv", "L3,rec", "\n , ,,,,,,,,,,,\n  L1 ,rec", []string{
			`laps.csv:6:1: lap_id "L1" occurs twice, first in line 2; give every lap an id of its own`,
		}},
		{"a negative distance", "laps.csv", "3.1,,,both", "-3.1,,,both", []string{
			"laps.csv:4:43: distance_km is -3.1, expected above 0; leave it empty if it is not known",
		}},
		{"an end before the start", "laps.csv", "95.5,190,", "95.5,90,", []string{
			"laps.csv:3:53: end_s 90 is not after start_s 95.5; correct the two, in s on the recording's time axis",
		}},
		{"an unknown use", "laps.csv", ",both", ",bothe", []string{
			`laps.csv:4:49: use is "bothe", expected one of "season", "calibration", "both"; did you mean "both"?`,
		}},
		{"a row with a field too few", "laps.csv", "hard,2,,,,calibration", "hard,2,,,calibration", []string{
			"laps.csv:5:45: the row has 12 fields, expected 13 as in the header; quote fields that hold a comma",
		}},
		{"a row with a field too many", "laps.csv", "hard,2,,,,calibration", "hard,2,,,,calibration,x", []string{
			"laps.csv:5:58: the row has 14 fields, expected 13 as in the header; quote fields that hold a comma",
		}},
		{"a stray quote, after a letter of two bytes", "laps.csv", "L3,rec/b.csv,S\u00fcdring,T1", `L3,rec/b.csv,Südring,T"1`, []string{
			"laps.csv:4:23: a quote within a field without quotes; quote the whole field and double the quotes within it",
		}},
		{"a quote that is never closed", "laps.csv", "L4,rec", `"L4,rec`, []string{
			"laps.csv:5:59: a quoted field that does not end with its quote; quote the whole field and double the quotes within it",
		}},
		{"Latin-1 text, at its character", "laps.csv", "S\u00fcdring,T1,test,Ben,8,hard,1", "S\xfcdring,T1,test,Ben,8,hard,1", []string{
			"laps.csv:4:15: the byte 0xfc is not UTF-8 text; save it as UTF-8 CSV",
		}},
		{"a recording outside the folder", "laps.csv", "rec/b.csv", "../b.csv", []string{
			`laps.csv:4:4: path "../b.csv" leads outside the season file's folder; keep recordings in the season file's folder, or add allow_outside: true to it`,
		}},
		{"no calibration laps for the gauge", "laps.csv", "both\nL4,rec/c.csv,S\u00fcdring,T1,test,Ben,8,hard,2,,,,calibration", "season", []string{
			"season.yaml:16:12: a gauge needs calibration laps, and the manifest has none; mark the laps with fitted gauges by use = calibration or both",
		}},
		{"only calibration laps", "laps.csv", "", "lap_id,file,circuit,use\nL1,a.csv,Hochmoor,calibration\n", []string{
			`calendar.csv:2:1: circuit "Hochmoor" has no recorded lap that counts toward the season; record a lap of it, or give the row the basis fleet`,
			`calendar.csv:3:1: circuit "Südring" has no recorded lap that counts toward the season; record a lap of it, or give the row the basis fleet`,
			"season.yaml:4:7: no lap of the manifest counts toward the season; give at least one lap use = season or both",
		}},
		{"a calendar without laps", "calendar.csv", "circuit,session,laps,", "circuit,session,", []string{
			`calendar.csv:1:1: the header has no column "laps"; required are circuit, laps`,
		}},
		{"a header and no rows", "calendar.csv", "", "circuit,laps\n", []string{
			"calendar.csv:1:1: the calendar has no rows; add a row for each circuit, or leave the calendar out",
		}},
		{"laps that are text", "calendar.csv", "120", "many", []string{
			`calendar.csv:2:15: laps is "many", expected a number; write a plain number such as 4.2, without a unit`,
		}},
		{"laps left empty", "calendar.csv", "120", "", []string{
			"calendar.csv:2:15: laps is empty, expected a value in every row",
		}},
		{"negative laps", "calendar.csv", "120", "-120", []string{
			"calendar.csv:2:15: laps is -120, expected 0 or more",
		}},
		{"a lap of no length", "calendar.csv", "3.1", "0", []string{
			"calendar.csv:3:17: lap_km is 0, expected above 0; leave it empty if it is not known",
		}},
		{"a circuit that was never recorded", "calendar.csv", "S\u00fcdring", "Sudring", []string{
			`calendar.csv:3:1: circuit "Sudring" has no recorded lap that counts toward the season; did you mean "Südring"? otherwise give the row the basis fleet`,
		}},
		{"a circuit on the fleet basis without a length, and a lap without a distance", "calendar.csv", "", "circuit,laps,basis\nNeuberg,5,fleet\nHochmoor,3,recorded\n", []string{
			`calendar.csv:2:1: circuit "Neuberg" is on the fleet basis, which is per kilometre, and has no lap_km; add lap_km to the row`,
		}},
		{"an unknown basis in a row", "calendar.csv", "", "circuit,laps,basis\nHochmoor,5,fleets\n", []string{
			`calendar.csv:2:12: basis is "fleets", expected one of "recorded", "fleet"; did you mean "fleet"?`,
		}},
	}
}
