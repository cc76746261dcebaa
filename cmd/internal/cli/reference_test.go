package cli

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"
)

// covered names the seasons of testdata/reference and what each is there for: words of
// its expected.json, which the reference notes where it meets them.
var covered = map[string][]string{
	"residue-half":                        {"residue half", "no calendar", "sn power"},
	"residue-repeat":                      {"residue repeat"},
	"residue-carry":                       {"residue carry", "closed between laps"},
	"carry-interleaved-chains":            {"interleaved chains", "closed between laps", "no calendar"},
	"carry-across-circuits-with-calendar": {"chain across circuits", "closed between laps", "calendar"},
	"calendar-several-sessions":           {"calendar", "several rows of a circuit", "no laps planned", "recorded but not planned"},
	"calendar-fleet-basis":                {"fleet basis", "residue carry"},
	"no-calendar-two-circuits":            {"no calendar", "residue carry"},
	"power-beyond-forms":                  {"beyond same", "beyond flat", "beyond haibach", "beyond slope"},
	"power-flat-nothing-above-knee":       {"beyond flat", "no damage"},
	"table":                               {"sn table", "sn table above", "sn table below"},
	"equivalent-stress-ksi":               {"sn equivalent-stress ksi", "sn equivalent-stress below a4", "sn equivalent-stress never positive", "survival shift"},
	"equivalent-stress-mpa":               {"sn equivalent-stress MPa", "residue repeat"},
	"mean-goodman":                        {"goodman compression", "goodman tension"},
	"mean-gerber":                         {"gerber compression", "gerber tension"},
	"mean-morrow":                         {"morrow compression", "morrow tension"},
	"mean-swt":                            {"swt", "swt never positive", "reserve without bound"},
	"mean-walker":                         {"walker", "walker never positive", "residue repeat"},
	"mean-sensitivity":                    {"sensitivity R > 1", "sensitivity R <= 0", "sensitivity 0 < R < 0.5", "sensitivity R >= 0.5"},
	"survival-shift":                      {"survival shift", "scenario survival", "scenario scatter"},
	"ultimate-reached":                    {"ultimate reached", "residue carry"},
	"ultimate-reserve-at-a-break":         {"reserve at a break"},
	"ultimate-reserve-before-a-fall":      {"reserve before a fall"},
	"gate":                                {"gate", "scenario gate", "residue carry"},
	"offset-negative-gain":                {"negative gain", "offset", "stress_factor"},
	"cuts":                                {"start_s", "end_s"},
	"scenarios": {"scenario material", "scenario stress_factor", "scenario gain", "scenario offset", "scenario follow", "scenario slope",
		"scenario reference_cycles", "scenario seasons", "scenario life_factor", "scenario residue"},
	"ties-and-plateaus": {"ties", "plateaus", "residue half", "residue repeat", "residue carry"},
	"constant-lap":      {"constant lap", "residue half", "residue repeat", "residue carry"},
	"use-of-laps":       {"use season", "use both", "use calibration"},
}

// referenceTolerance is relative. Users need 2e-5; what sets it is the stress reserve,
// which the program finds to 1e-10.
const referenceTolerance = 1e-9

// TestReference runs the seasons of testdata/reference and compares the tables with
// what an implementation that shares no code with this one finds; see reference.py.
func TestReference(t *testing.T) {
	paths, err := filepath.Glob("testdata/reference/*.txtar")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range paths {
		if covered[strings.TrimSuffix(filepath.Base(p), ".txtar")] == nil {
			t.Errorf("nothing says what %s covers", p)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(covered)) {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			testReference(t, name)
		})
	}
}

func testReference(t *testing.T, name string) {
	archive, err := txtar.ParseFile(filepath.Join("testdata", "reference", name+".txtar"))
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	if err := txtar.Write(archive, dir); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(filepath.Join(dir, "expected.json"))
	if err != nil {
		t.Fatal(err)
	}
	var want struct {
		Covers                 []string
		Laps, Circuits, Season []map[string]any
	}
	if err := json.Unmarshal(data, &want); err != nil {
		t.Fatal(err)
	}
	for _, c := range covered[name] {
		if !slices.Contains(want.Covers, c) {
			t.Errorf("the season no longer covers %q, only %q", c, want.Covers)
		}
	}
	results := runReference(t, dir)
	compareRows(t, "laps", want.Laps, tableRows(t, dir, "laps"), "lap_id")
	compareRows(t, "circuits", want.Circuits, tableRows(t, dir, "circuits"), "circuit")
	compareRows(t, "season", want.Season, tableRows(t, dir, "season"))
	for _, row := range want.Season { // JSON has no number without bound
		for column, v := range row {
			if v == "inf" {
				row[column] = nil
			}
		}
	}
	compareRows(t, "JSON results", want.Season, results)
}

// runReference runs the season of a folder and returns the results of its JSON.
func runReference(t *testing.T, dir string) []map[string]any {
	t.Helper()
	var stdout, stderr bytes.Buffer
	code := Main([]string{"run", filepath.Join(dir, "season.yaml"), "--json",
		"--out", filepath.Join(dir, "out"), "--cache", filepath.Join(dir, "cache")}, &stdout, &stderr)
	if code != exitDone {
		t.Fatalf("exit code %d, want %d\n%s", code, exitDone, stderr.String())
	}
	var printed struct{ Results []map[string]any }
	if err := json.Unmarshal(stdout.Bytes(), &printed); err != nil {
		t.Fatal(err)
	}
	return printed.Results
}

// tableRows reads a table that was written as CSV.
func tableRows(t *testing.T, dir, name string) []map[string]any {
	t.Helper()
	f, err := os.Open(filepath.Join(dir, "out", name+".csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	records, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []map[string]any
	for _, record := range records[1:] {
		row := map[string]any{}
		for i, cell := range record {
			row[records[0][i]] = cell
		}
		rows = append(rows, row)
	}
	return rows
}

// compareRows compares rows that are named by scenario, hot spot and the columns given:
// there must be the same ones, and each must have the numbers wanted.
func compareRows(t *testing.T, table string, want, got []map[string]any, names ...string) {
	t.Helper()
	names = append([]string{"scenario", "hotspot"}, names...)
	if len(want) == 0 {
		t.Errorf("%s: nothing is expected", table)
	}
	found := rowsByName(t, table, got, names)
	for name, w := range rowsByName(t, table, want, names) {
		g, ok := found[name]
		if !ok {
			t.Errorf("%s: no row %s", table, name)
			continue
		}
		delete(found, name)
		for column, v := range w {
			if slices.Contains(names, column) {
				continue
			}
			cell, ok := g[column]
			if a, b := numberOf(t, v), numberOf(t, cell); !ok || !near(a, b) {
				t.Errorf("%s: row %s, %s: got %v, want %v", table, name, column, b, a)
			}
		}
	}
	for name := range found {
		t.Errorf("%s: row %s is one too many", table, name)
	}
}

func rowsByName(t *testing.T, table string, rows []map[string]any, names []string) map[string]map[string]any {
	t.Helper()
	out := map[string]map[string]any{}
	for _, row := range rows {
		var parts []string
		for _, n := range names {
			parts = append(parts, fmt.Sprint(row[n]))
		}
		name := strings.Join(parts, "/")
		if out[name] != nil {
			t.Errorf("%s: row %s occurs twice", table, name)
		}
		out[name] = row
	}
	return out
}

// numberOf reads a number of JSON or of a CSV cell; NaN is not known.
func numberOf(t *testing.T, v any) float64 {
	t.Helper()
	switch x := v.(type) {
	case nil:
		return math.NaN()
	case float64:
		return x
	case string:
		if x == "" {
			return math.NaN()
		}
		f, err := strconv.ParseFloat(x, 64)
		if err != nil {
			t.Fatalf("read number: %v", err)
		}
		return f
	}
	t.Fatalf("a %T is no number", v)
	return 0
}

func near(a, b float64) bool {
	return a == b || math.IsNaN(a) && math.IsNaN(b) ||
		!math.IsInf(a, 0) && !math.IsInf(b, 0) && math.Abs(a-b) <= referenceTolerance*max(math.Abs(a), math.Abs(b))
}
