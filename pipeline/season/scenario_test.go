package season

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/fatigue"
)

const oneLap = "lap_id,file,circuit\nL1,a.csv,Hochmoor\n"

func loadSmall(t testing.TB, more string, set ...string) (*Season, []string) {
	t.Helper()
	dir := small(t, map[string]string{"season.yaml": smallSeason + more, "laps.csv": oneLap})
	s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{Set: set})
	return s, short(dir, faults)
}

func TestScenarioReplaces(t *testing.T) {
	rows := []struct {
		reason, scenario string
		got              func(*Season) any
		want             any
	}{
		{"a key that the season leaves out", "{hotspots.h.stress_factor: 0.9}", func(s *Season) any { return s.Hotspots[0].StressFactor }, 0.9},
		{"a section that the season leaves out", "{signal.gate: 1 %}", func(s *Season) any { return s.Signal.Gate }, 0.01},
		{"a key of a flow mapping", "{time.rate: 2 kHz}", func(s *Season) any { return s.Time.Rate }, 2000.0},
		{"a whole mapping", "{materials.m.sn: {kind: table, points: [[2 MPa, 10], [1 MPa, 100]]}}",
			func(s *Season) any { return s.Hotspots[0].Material.Curve },
			fatigue.Table{Amplitudes: []float64{2, 1}, Lives: []float64{10, 100}}},
		{"a mapping that the season leaves out", "{materials.m.mean_stress: {rule: walker, gamma: 0.5}}",
			func(s *Season) any { return s.Hotspots[0].Material.Mean }, fatigue.MeanStress{Rule: "walker", Gamma: 0.5}},
		{"a rule written as a word", "{materials.m.mean_stress: swt}", func(s *Season) any { return s.Hotspots[0].Material.Mean }, fatigue.MeanStress{Rule: "swt"}},
		{"a new material, whole", "{materials.n: {sn: {kind: power, amplitude: 1 MPa, cycles: 10, slope: 3}}, hotspots.h.material: n}",
			func(s *Season) any { return s.Hotspots[0].MaterialName }, "n"},
		{"a key of a material that it brought itself", "{materials.n: {sn: {kind: power, amplitude: 1 MPa, cycles: 10, slope: 3}}, materials.n.scatter: 0.3, hotspots.h.material: n}",
			func(s *Season) any { return s.Hotspots[0].Material.Scatter }, 0.3},
		{"a built-in material whose name has a dot", "{hotspots.h.material: steel-4340-125ksi-kt3.3}",
			func(s *Season) any { return s.Hotspots[0].MaterialName }, "steel-4340-125ksi-kt3.3"},
		{"several values in turn", "{materials.m: {sn: {kind: power, amplitude: 1 MPa, cycles: 10, slope: 3}}, materials.m.sn.slope: 4}",
			func(s *Season) any { return s.Hotspots[0].Material.Curve },
			fatigue.Power{RefAmplitude: 1, RefCycles: 10, Slope: 4, Beyond: fatigue.Beyond{Form: "same"}}},
	}
	for _, row := range rows {
		s, faults := loadSmall(t, "scenarios:\n  s: "+row.scenario+"\n")
		if s == nil {
			t.Errorf("%s: faults %q", row.reason, faults)
			continue
		}
		if diff := cmp.Diff(row.want, row.got(s.Scenarios()[1].Season)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", row.reason, diff)
		}
		if diff := cmp.Diff(row.want, row.got(s)); diff == "" {
			t.Errorf("%s: the base has the scenario's value", row.reason)
		}
	}
}

// Names may have dots; the longest name that fits is meant.
func TestScenarioPathsWithDottedNames(t *testing.T) {
	text := strings.ReplaceAll(smallSeason, "{h: {", "{h: {follow: a, gain: 1 MPa/g, material: m}, h.2: {")
	dir := small(t, map[string]string{"laps.csv": oneLap, "season.yaml": text +
		"scenarios: {s: {hotspots.h.2.stress_factor: 2, hotspots.h.stress_factor: 3}}\n"})
	s := loadValid(t, filepath.Join(dir, "season.yaml"), LoadOptions{})
	spots := s.Scenarios()[1].Season.Hotspots
	if spots[0].StressFactor != 3 || spots[1].StressFactor != 2 {
		t.Errorf("stress factors %v and %v, expected 3 and 2", spots[0].StressFactor, spots[1].StressFactor)
	}
}

// A scenario with another manifest or calendar has laps of its own.
func TestScenarioFiles(t *testing.T) {
	dir := small(t, map[string]string{
		"season.yaml":  smallSeason + "calendar: calendar.csv\nscenarios: {next: {laps: more.csv, calendar.basis: fleet}}\n",
		"laps.csv":     oneLap,
		"more.csv":     "lap_id,file,circuit,distance_km\nM1,m.csv,Hochmoor,4\n",
		"calendar.csv": "circuit,laps,lap_km\nHochmoor,9,4\n",
	})
	s := loadValid(t, filepath.Join(dir, "season.yaml"), LoadOptions{})
	next := s.Scenarios()[1].Season
	if s.Laps[0].ID != "L1" || next.Laps[0].ID != "M1" || next.CalendarBasis != "fleet" || s.CalendarBasis != "" {
		t.Errorf("laps %q and %q, basis %q and %q", s.Laps[0].ID, next.Laps[0].ID, s.CalendarBasis, next.CalendarBasis)
	}
	if got := short(dir, next.MissingRecordings()); len(got) != 1 || !strings.HasPrefix(got[0], "more.csv:2:4: ") {
		t.Errorf("missing recordings of the scenario %q, expected the one of more.csv", got)
	}
}

func TestSet(t *testing.T) {
	rows := []struct {
		reason string
		set    []string
		want   []string
		check  func(*Season) bool
	}{
		{"a value with a unit", []string{"hotspots.h.offset=3 MPa"}, nil, func(s *Season) bool { return s.Hotspots[0].Offset == 3 }},
		{"scenarios build on it", []string{"hotspots.h.offset=3 MPa"}, nil, func(s *Season) bool { return s.Scenarios()[1].Season.Hotspots[0].Offset == 3 }},
		{"and go before it", []string{"hotspots.h.stress_factor=3"}, nil, func(s *Season) bool { return s.Scenarios()[1].Season.Hotspots[0].StressFactor == 2 }},
		{"the later goes before the earlier", []string{"target.seasons=3", "target.seasons=4"}, nil, func(s *Season) bool { return s.Target.Seasons == 4 }},
		{"a mapping", []string{"signal={rate: 1 kHz, band: [~, 20 Hz]}"}, nil, func(s *Season) bool { return s.Signal == Signal{Rate: 1000, BandHigh: 20} }},
		{"an equals sign in the value", []string{"component=a=b"}, nil, func(s *Season) bool { return s.Component == "a=b" }},
		{"no equals sign", []string{"component"}, []string{`--set "component":1:1: expected a path and a value, such as hotspots.weld_toe.material=ti-6al-4v`}, nil},
		{"no value", []string{"component="}, []string{`--set "component=":1:11: the value is empty; write it after the equals sign`}, nil},
		{"an unknown path", []string{"hotspot.h.offset=3 MPa"}, []string{`--set "hotspot.h.offset=3 MPa":1:1: unknown path "hotspot.h.offset"; did you mean "hotspots.h.offset"?`}, nil},
		{"a bad value is shown in its column", []string{"hotspots.h.offset=3"},
			[]string{`--set "hotspots.h.offset=3":1:19: "offset" of hotspot "h": "3" has no unit, accepted for a stress: Pa, kPa, MPa, GPa, N/mm2, ksi, psi`}, nil},
		{"no YAML", []string{"signal={"}, []string{`--set "signal={":1:8: not valid YAML: could not find flow mapping end token '}'; look here and just above for a wrong indentation or a missing colon, quote or bracket`}, nil},
	}
	for _, row := range rows {
		s, faults := loadSmall(t, "scenarios: {s: {hotspots.h.stress_factor: 2}}\n", row.set...)
		if diff := cmp.Diff(row.want, faults); diff != "" {
			t.Errorf("%s: faults (-want +got):\n%s", row.reason, diff)
		}
		if row.check != nil && s != nil && !row.check(s) {
			t.Errorf("%s: %q did not take effect", row.reason, row.set)
		}
	}
}

func TestWarnings(t *testing.T) {
	rows := []struct {
		reason, more string
		want         []string
	}{
		{"no scatter and another survival", "damage: {survival: 99 %}\n",
			[]string{`season.yaml:7:52: material "m" has no scatter, so its curve stays at 50 % survival, not the 99 % asked for; give the material a scatter, or take the curve's own survival`}},
		{"no scatter at 50 %", "damage: {survival: 50 %}\n", nil},
		{"a weld curve stands for 95 %", "scenarios: {w: {hotspots.h.material: weld-90}}\n",
			[]string{`season.yaml:9:38: scenario "w": material "weld-90" has no scatter, so its curve stays at 95 % survival, not the 50 % asked for; give the material a scatter, or take the curve's own survival`}},
		{"a weld curve at 95 %", "damage: {survival: 95 %}\nscenarios: {w: {hotspots.h.material: weld-90}}\n",
			[]string{`season.yaml:7:52: material "m" has no scatter, so its curve stays at 50 % survival, not the 95 % asked for; give the material a scatter, or take the curve's own survival`}},
		{"few samples per cycle", "signal: {rate: 400 Hz, band: [1 Hz, 50 Hz]}\n",
			[]string{`season.yaml:9:37: 8 samples per cycle at the band's upper end, expected 10 or more: peaks are missed; raise the rate to 500 Hz`}},
	}
	for _, row := range rows {
		dir := small(t, map[string]string{"season.yaml": smallSeason + row.more, "laps.csv": oneLap})
		s := loadValid(t, filepath.Join(dir, "season.yaml"), LoadOptions{})
		if diff := cmp.Diff(row.want, short(dir, s.Warnings)); diff != "" {
			t.Errorf("%s: warnings (-want +got):\n%s", row.reason, diff)
		}
	}
}

func TestDefaults(t *testing.T) {
	s, faults := loadSmall(t, "")
	if s == nil {
		t.Fatal(faults)
	}
	if diff := cmp.Diff(Damage{Residue: "half", Survival: 0.5, ReferenceCycles: 1e6}, s.Damage); diff != "" {
		t.Errorf("damage (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(Target{Seasons: 1, LifeFactor: 1}, s.Target); diff != "" {
		t.Errorf("target (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(Signal{}, s.Signal); diff != "" {
		t.Errorf("signal (-want +got):\n%s", diff)
	}
}

func TestBands(t *testing.T) {
	for _, row := range []struct {
		band      string
		low, high float64
	}{
		{"[0.5 Hz, 50 Hz]", 0.5, 50}, {"[0, 50 Hz]", 0, 50}, {"[0 Hz, 50 Hz]", 0, 50}, {"[~, 50 Hz]", 0, 50}, {"[null, 50 Hz]", 0, 50},
		{"[0.5 Hz, 0]", 0.5, 0}, {"[0.5 Hz]", 0.5, 0}, {"[0.5 Hz, ]", 0.5, 0}, {"[]", 0, 0},
	} {
		s, faults := loadSmall(t, "signal: {band: "+row.band+"}\n")
		if s == nil || s.Signal.BandLow != row.low || s.Signal.BandHigh != row.high {
			t.Errorf("band %s: %+v, faults %q, expected %v to %v Hz", row.band, s, faults, row.low, row.high)
		}
	}
}

// Files made to exhaust a reader are refused before they do: without the bounds
// these take minutes, or more memory or stack than there is.
func TestHostileSeasonFiles(t *testing.T) {
	var bomb strings.Builder
	bomb.WriteString("a0: &a0 [x, x, x, x, x, x, x, x, x, x]\n")
	for i := 1; i < 12; i++ {
		fmt.Fprintf(&bomb, "a%d: &a%d [%s]\n", i, i, strings.TrimSuffix(strings.Repeat(fmt.Sprintf("*a%d, ", i-1), 10), ", "))
	}
	var many strings.Builder
	for i := range 1500 {
		fmt.Fprintf(&many, "  s%d: {target.seasons: 2}\n", i)
	}
	rows := []struct{ reason, text, want string }{
		{"an alias bomb of 1e12 values", bomb.String(), "more than 200000 values once aliases are written out"},
		{"an alias within its own anchor", "a: &a [*a]\n", `alias "a" has no anchor before it`},
		{"deep brackets", "a: " + strings.Repeat("[", 100_000), "more than 64 levels of nesting"},
		{"deep braces", strings.Repeat("{a: ", 100_000), "more than 64 levels of nesting"},
		{"deep dashes", strings.Repeat("- ", 100_000) + "a\n", "more than 64 levels of nesting"},
		{"deep indentation", deepIndentation(100), "more than 64 levels of nesting"},
		{"deep question marks", strings.Repeat("? ", 100_000) + "a\n", `a "?" key is not read here`},
		{"tags without end", strings.Repeat("!a ", 100_000) + "a\n", "more than 1000 tags, anchors and aliases"},
		{"keys without end", strings.Repeat("a: 1\n", 100_000), "more than 20000 keys"},
		{"too many scenarios", smallSeason + "scenarios:\n" + many.String(), "too many scenarios (1500)"},
		{"a season file of 5 MiB", strings.Repeat("# comment\n", 5<<20/10), "larger than 4 MiB"},
	}
	for _, row := range rows {
		t.Run(row.reason, func(t *testing.T) {
			dir := small(t, map[string]string{"season.yaml": row.text, "laps.csv": oneLap})
			s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
			checkLoad(t, s, faults)
			if !strings.Contains(faults.Error(), row.want) {
				t.Errorf("faults %.300q, expected %q", faults.Error(), row.want)
			}
		})
	}
}

func deepIndentation(n int) string {
	var b strings.Builder
	for i := range n {
		b.WriteString(strings.Repeat(" ", i) + "a:\n")
	}
	return b.String()
}

// A binary file named as a manifest gives a bounded list.
func TestFaultsAreBounded(t *testing.T) {
	dir := small(t, map[string]string{"laps.csv": "lap_id,file,circuit\n" + strings.Repeat(",a,b\n", 5000)})
	_, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
	last := faults[len(faults)-1]
	if len(faults) != maxFaults+1 || last.Message != "4000 more faults are not listed" {
		t.Errorf("%d faults, the last %v; expected %d and how many more", len(faults), last, maxFaults+1)
	}
}

// Whatever the season file holds, loading ends in a season or in faults.
func FuzzSeasonFile(f *testing.F) {
	f.Add(smallSeason)
	f.Add(smallSeason + "scenarios: {s: {hotspots.h.stress_factor: 2, materials.m.sn.slope: 3}}\n")
	f.Add("lapwear: 1\nchannels: &a {b: *a}\n")
	f.Add("a: |\n  b\n? c\n: - - d\n!!t e: 'f\n")
	f.Add("hotspots: {h: {gauge: a, modulus: 1 GPa, follow: auto}}\nsignal: {band: [1, ~]}\n")
	dir := f.TempDir()
	write(f, filepath.Join(dir, "laps.csv"), oneLap)
	f.Fuzz(func(t *testing.T, text string) {
		path := filepath.Join(dir, "season.yaml")
		write(t, path, text)
		s, faults := Load(path, LoadOptions{})
		checkLoad(t, s, faults)
		lines := strings.Count(strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(text), "\n") + 1
		for _, f := range faults {
			if f.Line > lines {
				t.Errorf("fault %v lies beyond the last line, %d", f, lines)
			}
		}
	})
}

// Whatever is set, loading ends in a season or in faults.
func FuzzSet(f *testing.F) {
	for _, s := range []string{"hotspots.h.offset=3 MPa", "materials.n={}", "signal.band=[1 Hz]", "a.b.c=d", "=", "materials.m.sn.=1"} {
		f.Add(s)
	}
	dir := f.TempDir()
	write(f, filepath.Join(dir, "laps.csv"), oneLap)
	write(f, filepath.Join(dir, "season.yaml"), smallSeason)
	f.Fuzz(func(t *testing.T, set string) {
		s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{Set: []string{set}})
		checkLoad(t, s, faults)
	})
}

func TestNearest(t *testing.T) {
	known := []string{"circuit", "session", "lap", "lap_id", "distance_km", "use"}
	for _, row := range []struct{ name, want, reason string }{
		{"cirquit", "circuit", "one letter"},
		{"Circuit", "circuit", "the case"},
		{"lpa_id", "lap_id", "two letters swapped"},
		{"distance", "distance_km", "an end left out"},
		{"weather", "", "near to none"},
		{"x", "", "a single letter is near to nothing"},
		{"", "", "nothing"},
	} {
		if got := nearest(row.name, known); got != row.want {
			t.Errorf("nearest(%q) = %q, expected %q (%s)", row.name, got, row.want, row.reason)
		}
	}
}

func BenchmarkLoad20000Laps(b *testing.B) {
	var laps strings.Builder
	laps.WriteString("lap_id,file,circuit,event,session,rider,bike,setup,lap,distance_km,start_s,end_s,use\n")
	for i := range 20_000 {
		fmt.Fprintf(&laps, "L%05d,rec/day%02d/run%05d.parquet,Circuit %d,E%d,race,Rider %d,7,soft,%d,4.215,%g,%g,\n",
			i, i%40, i, i%25, i%12, i%3, i%30, float64(i), float64(i)+95.5)
	}
	dir := small(b, map[string]string{"laps.csv": laps.String(), "season.yaml": smallSeason + "scenarios: {s: {hotspots.h.stress_factor: 2}}\n"})
	for i := range 20_000 {
		write(b, filepath.Join(dir, "rec", fmt.Sprintf("day%02d", i%40), fmt.Sprintf("run%05d.parquet", i)), "")
	}
	for b.Loop() {
		loadValid(b, filepath.Join(dir, "season.yaml"), LoadOptions{})
	}
}
