package season

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"lapwear/fatigue"
	"lapwear/stages/aggregate"
	"lapwear/stages/calibrate"
)

// compare takes NaN as equal to itself and leaves out what a Season keeps for its
// own use.
func compare() cmp.Options {
	return cmp.Options{cmpopts.EquateNaNs(), cmpopts.IgnoreUnexported(Season{})}
}

// copyTree copies a flat testdata folder into a folder of the test's own.
func copyTree(t testing.TB, from string) string {
	t.Helper()
	dir := t.TempDir()
	entries, err := os.ReadDir(from)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		b, err := os.ReadFile(filepath.Join(from, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		write(t, filepath.Join(dir, e.Name()), string(b))
	}
	return dir
}

func write(t testing.TB, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// short lists faults with the paths that are below dir relative to it.
func short(dir string, faults []Fault) []string {
	var out []string
	for _, f := range faults {
		out = append(out, strings.ReplaceAll(f.Error(), dir+string(filepath.Separator), ""))
	}
	return out
}

func loadValid(t testing.TB, path string, o LoadOptions) *Season {
	t.Helper()
	s, faults := Load(path, o)
	if faults != nil {
		t.Fatalf("load %s:\n%v", path, faults)
	}
	return s
}

// asUsual is the calibration of a season that says nothing of it.
func asUsual(low, high float64) Calibration {
	return Calibration{
		Fitting: calibrate.Fitting{MaxLag: 0.02, HighPass: 0.3, BandLow: low, BandHigh: high, Slope: 5, MaxBend: 0.1, MaxExcess: 0.25, Combine: 1, Gain: "auto", Seed: 1},
		Limits: calibrate.Limits{MinCoherence: 0.8, MaxLag: 0.02, MaxBend: 0.1, MaxExcess: 0.25, MaxSpread: 0.1, MaxRipple: 0.2, RatioLow: 0.5, RatioHigh: 2,
			MinLaps: 1, MinCircuits: 1, ProvenLaps: 3, ProvenRounds: 2},
	}
}

// The material that the example's scenario names, as a season may bring its own.
const titanium = "materials.ti-6al-4v={source: invented, sn: {kind: power, amplitude: 250 MPa, cycles: 1e6, slope: 9}, scatter: 0.2}"

func TestExampleSeason(t *testing.T) {
	dir := copyTree(t, "testdata/contract")
	got := loadValid(t, filepath.Join(dir, "season.yaml"), LoadOptions{Set: []string{titanium}})
	want := &Season{
		Path: filepath.Join(dir, "season.yaml"), Dir: dir, Season: "2031", Component: "inverter cradle",
		LapsFile: filepath.Join(dir, "laps.csv"), CalendarFile: filepath.Join(dir, "calendar.csv"),
		Time: Time{Column: "TIME", Scale: 1},
		Channels: []Channel{
			{Name: "acc_z", Column: "AZ_CRADLE", Unit: "g"},
			{Name: "acc_x", Column: "AX_CRADLE", Unit: "g"},
			{Name: "toe", Column: "SG_TOE", Unit: "ustrain"},
			{Name: "dist", Column: "DIST", Unit: "m", Role: RoleDistance},
		},
		Signal: Signal{Rate: 1024, BandLow: 0.5, BandHigh: 50, Gate: 0.005},
		Hotspots: []Hotspot{{
			Name: "weld_toe", Gauge: "toe", GaugeScale: 0.071, Follow: "auto", Gain: math.NaN(), Offset: 12, StressFactor: 1,
			MaterialName: "al-6082-t6",
			Material: fatigue.Material{
				Name: "al-6082-t6", Source: "who says so", Ultimate: 310, Scatter: 0.15, Survival: 0.5,
				Curve: fatigue.Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 7, Knee: 5e6, Beyond: fatigue.Beyond{Form: "same"}},
				Mean:  fatigue.MeanStress{Rule: "goodman", Ultimate: 310},
			},
		}},
		Damage: Damage{Residue: "carry", Survival: 0.5, ReferenceCycles: 1e6},
		Target: Target{Seasons: 1, LifeFactor: 1.5}, Test: usualTest(), Calibration: asUsual(0.5, 50), Quality: aggregate.Checks(),
		Laps: []Lap{{
			ID: "1", File: "a.csv", Path: filepath.Join(dir, "a.csv"), Circuit: "Hochmoor", Event: "R1", Session: "race",
			Rider: "Ana", Bike: "7", Setup: "soft", Lap: "1", DistanceKm: 4.2, StartS: math.NaN(), EndS: math.NaN(), Use: "both", Line: 2,
		}},
		Calendar: []Planned{{Circuit: "Hochmoor", Session: "race", Laps: 120, LapKm: 4.2, Line: 2}},
		Warnings: []Warning{{
			File: filepath.Join(dir, "season.yaml"), Line: 25, Column: 11,
			Message: `the gain of hotspot "weld_toe" is not used: its gauge calibrates it`,
			Remedy:  "leave it out, or take out the gauge and name the channel to follow",
		}},
	}
	if diff := cmp.Diff(want, got, compare()); diff != "" {
		t.Errorf("season (-want +got):\n%s", diff)
	}
	var names, materials []string
	var factors []float64
	for _, sc := range got.Scenarios() {
		names = append(names, sc.Name)
		materials = append(materials, sc.Season.Hotspots[0].MaterialName)
		factors = append(factors, sc.Season.Hotspots[0].StressFactor)
	}
	if diff := cmp.Diff([]string{"base", "ti-cradle", "thicker"}, names); diff != "" {
		t.Errorf("scenarios (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"al-6082-t6", "ti-6al-4v", "al-6082-t6"}, materials); diff != "" {
		t.Errorf("materials of the scenarios (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]float64{1, 1, 0.93}, factors); diff != "" {
		t.Errorf("stress factors of the scenarios (-want +got):\n%s", diff)
	}
}

// The example without the season's own titanium rests on what is built in.
func TestExampleSeasonAsItStands(t *testing.T) {
	dir := copyTree(t, "testdata/contract")
	_, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
	var want []string
	if _, builtIn := fatigue.Lookup("ti-6al-4v"); !builtIn {
		want = []string{`season.yaml:46:43: scenario "ti-cradle": material "ti-6al-4v" of hotspot "weld_toe" is neither in materials nor built in; ` +
			"add it to materials, or see `lapwear materials` for the built-in ones"}
	}
	if diff := cmp.Diff(want, short(dir, faults)); diff != "" {
		t.Errorf("faults (-want +got):\n%s", diff)
	}
}

func TestSeason(t *testing.T) {
	dir := copyTree(t, "testdata/season")
	got := loadValid(t, filepath.Join(dir, "season.yaml"), LoadOptions{})
	rec := func(name string) string { return filepath.Join(dir, "rec", name) }
	nan := math.NaN()
	own := fatigue.Material{
		Name: "al-own", Source: "invented", Ultimate: 310, Scatter: 0.15, Survival: 0.5,
		Curve: fatigue.Power{RefAmplitude: 90, RefCycles: 1e6, Slope: 7, Knee: 5e6, Beyond: fatigue.Beyond{Form: "haibach"}, Cutoff: 1e8},
		Mean:  fatigue.MeanStress{Rule: "goodman", Ultimate: 310},
	}
	handbook := fatigue.Material{
		Name: "handbook", Scatter: 0.2, Survival: 0.5,
		Curve: fatigue.EquivalentStress{A1: 9.65, A2: -2.85, A3: 0.61, A4: 61.3, MPaPerUnit: fatigue.KSI},
		Mean:  fatigue.MeanStress{Rule: "none"},
	}
	want := &Season{
		Path: filepath.Join(dir, "season.yaml"), Dir: dir, Season: "2031", Component: "inverter cradle",
		LapsFile: filepath.Join(dir, "laps.csv"), CalendarFile: filepath.Join(dir, "calendar.csv"),
		Time: Time{Column: "TIME", Scale: 1},
		Channels: []Channel{
			{Name: "acc_z", Column: "AZ", Unit: "g"},
			{Name: "acc_x", Column: "AX", Unit: "m/s^2"},
			{Name: "toe", Column: "SG", Unit: "ustrain"},
			{Name: "tmp", Column: "T", Unit: "degC"},
			{Name: "dist", Column: "DIST", Unit: "km", Role: RoleDistance},
		},
		Signal: Signal{Rate: 1024, BandLow: 0.5, BandHigh: 50, Gate: 0.005},
		Hotspots: []Hotspot{
			{Name: "weld-toe", Gauge: "toe", GaugeScale: 0.071, Follow: "auto", Gain: nan, Offset: 12, StressFactor: 1, MaterialName: "al-own", Material: own},
			{Name: "lug", Follow: "acc_x", Gain: 0.4, StressFactor: 1.2, MaterialName: "handbook", Material: handbook},
		},
		Damage: Damage{Residue: "carry", Survival: 0.99, ReferenceCycles: 2e6},
		Target: Target{Seasons: 2, LifeFactor: 1.5}, Test: usualTest(), Calibration: asUsual(0.5, 50),
		Quality: aggregate.Checks(),
		Laps: []Lap{
			{"L1", "rec/a.csv", rec("a.csv"), "Hochmoor", "R1", "race", "Ana", "7", "soft", "1", 4.2, 0, 95.5, "season", nil, nil, 2},
			{"L2", "rec/a.csv", rec("a.csv"), "Hochmoor", "R1", "race", "Ana", "7", "soft", "2", 4.2, 95.5, 190, "season", nil, nil, 3},
			{"L3", "rec/b.csv", rec("b.csv"), "Südring", "T1", "test", "Ben", "8", "hard", "1", 3.1, nan, nan, "both", nil, nil, 4},
			{"L4", "rec/c.csv", rec("c.csv"), "Südring", "T1", "test", "Ben", "8", "hard", "2", nan, nan, nan, "calibration", nil, nil, 5},
		},
		Calendar: []Planned{
			{Circuit: "Hochmoor", Session: "race", Laps: 120, LapKm: 4.2, Line: 2},
			{Circuit: "Südring", Session: "test", Laps: 40, LapKm: 3.1, Line: 3},
		},
	}
	if diff := cmp.Diff(want, got, compare()); diff != "" {
		t.Errorf("season (-want +got):\n%s", diff)
	}
	table := got.Scenarios()[2]
	if diff := cmp.Diff([]Override{{"hotspots.lug.material", "points"}, {"materials.points.scatter", "0.1"}}, table.Set); diff != "" {
		t.Errorf("replaced values (-want +got):\n%s", diff)
	}
	points := fatigue.Material{
		Name: "points", Scatter: 0.1, Survival: 0.5, Mean: fatigue.MeanStress{Rule: "swt"},
		Curve: fatigue.Table{Amplitudes: []float64{120, 80}, Lives: []float64{1e5, 1e6}},
	}
	if diff := cmp.Diff(points, table.Season.Hotspots[1].Material); diff != "" {
		t.Errorf("material of a scenario (-want +got):\n%s", diff)
	}
	if &table.Season.Laps[0] != &got.Laps[0] || &table.Season.Calendar[0] != &got.Calendar[0] {
		t.Error("a scenario with the same files holds laps or a calendar of its own")
	}
}

func TestMissingRecordings(t *testing.T) {
	dir := copyTree(t, "testdata/season")
	write(t, filepath.Join(dir, "rec", "a.csv"), "TIME\n")
	if err := os.Mkdir(filepath.Join(dir, "rec", "b.csv"), 0o755); err != nil {
		t.Fatal(err)
	}
	s := loadValid(t, filepath.Join(dir, "season.yaml"), LoadOptions{})
	want := []string{
		`laps.csv:4:4: recording "rec/b.csv" of lap "L3": not a file; the lap will be set aside`,
		`laps.csv:5:4: recording "rec/c.csv" of lap "L4": no such file; the lap will be set aside`,
	}
	if diff := cmp.Diff(want, short(dir, s.MissingRecordings())); diff != "" {
		t.Errorf("missing recordings (-want +got):\n%s", diff)
	}
}
