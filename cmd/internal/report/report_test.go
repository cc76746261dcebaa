package report

import (
	"bytes"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/cmd/internal/report/figure"
	"lapwear/stages/frame"
)

// hostile is a lap's name that is markup to a page that does not escape it.
const hostile = `</td><script>window.broken=1</script><img src=x onerror="window.broken=1">{{.}}`

// bigSeason is an invented season of 9 circuits, 3 scenarios, 3 riders and so many laps
// at each of 2 hot spots. Its first lap has a hostile name.
func bigSeason(laps int) *Page {
	p := &Page{Component: "inverter cradle", Season: "2031", Caution: "Estimates only.", Total: laps + 1,
		SetAside: []SetAside{{hostile, `recording "x": ` + hostile}}, Warnings: []string{"season.yaml:1:1: " + hostile},
		Settings: "lapwear: 1 # </pre>" + hostile, Replaced: []string{hostile}}
	for i := range laps {
		p.Inputs = append(p.Inputs, Input{"recording", fmt.Sprintf("recordings/E01-halvorn/E01-race-EB1-%03d.csv", i), strings.Repeat("0a", 32), 1})
	}
	p.Tables = []Table{{"season", seasonTable()}, {"circuits", circuitTable()}, {"laps", lapTable(laps)}, {"calibration", calibrationTable()}, {"quality", qualityTable(laps)},
		{"places", placesTable()}, {"compare_rider", riderTable()}}
	p.Evidence = []Evidence{evidence()}
	return p
}

var (
	testScenarios = []string{"base", "dummyWWm", "cast-cradle"}
	testSpots     = []string{"weld_toe", "bolt_bore"}
	testCircuits  = []string{"Oskelund", "Pellagrove", "Halvorn", "Brekkona", "Saltmarn", "Tirvane", "Quarrow", "Vintermoor", "Dunmirk"}
	testRiders    = []string{"S. Quillane", "I. Ombrel", "T. Vastrow"}
)

// columns builds a frame from rows of texts and numbers.
func columns(rows int, texts map[string]func(i int) string, numbers map[string]func(i int) float64, order ...string) *frame.Frame {
	var cols []frame.Column
	for _, n := range order {
		if get, ok := texts[n]; ok {
			v := make([]string, rows)
			for i := range v {
				v[i] = get(i)
			}
			cols = append(cols, frame.Col(n, "", v))
			continue
		}
		v := make([]float64, rows)
		for i := range v {
			v[i] = numbers[n](i)
		}
		cols = append(cols, frame.Col(n, "", v))
	}
	return frame.Must(nil, cols...)
}

func seasonTable() *frame.Frame {
	factor := func(i int) float64 { return []float64{2.1, 1.2, 2.9, 1.4, 0.8, math.Inf(1)}[i] }
	return columns(6, map[string]func(int) string{
		"scenario": func(i int) string { return testScenarios[i/2] }, "hotspot": func(i int) string { return testSpots[i%2] },
		"material":           func(int) string { return "al-6082" },
		"calibration_remark": func(i int) string { return []string{"unproven: 2 calibration laps on 1 circuit", ""}[i%2] },
		"scatter_note":       func(i int) string { return []string{"", "the gain's scatter is not known and counts as none"}[i%2] },
		"flags":              func(i int) string { return []string{"", "over_ultimate;borrowed"}[i%2] }},
		map[string]func(int) float64{
			"season_damage": func(i int) float64 { return 1 / factor(i) }, "life_seasons": factor, "life_factor": factor,
			"target_life_factor": func(int) float64 { return 1.5 }, "stress_reserve": func(i int) float64 { return 0.9 + 0.1*float64(i) },
			"failure_probability": func(i int) float64 { return []float64{1e-5, 0.02, math.NaN(), 0.9995, 0.5, 0}[i] },
			"laps_over_ultimate":  func(i int) float64 { return 3 * float64(i%2) }, "borrowed_share": func(i int) float64 { return 0.57 * float64(i%2) }},
		"scenario", "hotspot", "material", "season_damage", "life_seasons", "life_factor", "target_life_factor", "stress_reserve", "failure_probability", "calibration_remark",
		"scatter_note", "flags", "laps_over_ultimate", "borrowed_share")
}

func circuitTable() *frame.Frame {
	mean := func(i int) float64 { return 2e-5 * math.Pow(1.5, float64(i%9)) * float64(1+i/18) }
	// Between laps, the last circuit but one takes more than the last.
	between := func(i int) float64 {
		if i%9 == 7 {
			return mean(i)
		}
		return 0
	}
	return columns(54, map[string]func(int) string{
		"circuit": func(i int) string { return testCircuits[i%9] }, "hotspot": func(i int) string { return testSpots[i/9%2] },
		"scenario": func(i int) string { return testScenarios[i/18] }, "basis": func(int) string { return "recorded" }},
		map[string]func(int) float64{
			"laps_recorded": func(i int) float64 { return float64(2 + i%9) }, "damage_per_lap_mean": mean,
			lapMean: func(i int) float64 { return mean(i) + between(i) }, lapLow: func(i int) float64 { return mean(i) * 0.8 }, lapHigh: func(i int) float64 { return mean(i)*1.3 + 2*between(i) },
			"between_laps_damage_per_lap": between, "severity": func(i int) float64 { return []float64{9, 8, 7, 6, 5, 4, 3, 1, 2}[i%9] },
			"laps_planned": func(int) float64 { return 100 }, "season_damage": func(i int) float64 { return 120 * mean(i) },
			"share": func(i int) float64 { return float64(i%9) / 36 }},
		"circuit", "hotspot", "scenario", "laps_recorded", "damage_per_lap_mean", lapMean, lapLow, lapHigh, "between_laps_damage_per_lap", "severity",
		"laps_planned", "season_damage", "share", "basis")
}

func lapTable(laps int) *frame.Frame {
	id := func(i int) string {
		if i%laps == 0 {
			return hostile
		}
		return fmt.Sprintf("E01-race-EB1-%03d", i%laps)
	}
	damage := func(i int) float64 { return 1e-4 * (1 + math.Abs(math.Sin(float64(i)))) }
	return columns(laps*6, map[string]func(int) string{
		"lap_id": id, "circuit": func(i int) string { return testCircuits[i%laps%9] }, "event": func(int) string { return "E01" },
		"session": func(int) string { return "race" }, "rider": func(i int) string { return testRiders[i%laps%3] },
		"bike": func(i int) string { return []string{"EB-1", "EB-2"}[i%laps%2] }, "setup": func(i int) string { return []string{"firm", "supple"}[i%laps/2%2] },
		"scenario": func(i int) string { return testScenarios[i/laps/2] }, "hotspot": func(i int) string { return testSpots[i/laps%2] },
		"flags": func(i int) string {
			if i%50 == 0 {
				return "single_peak"
			}
			return ""
		}},
		map[string]func(int) float64{"distance_km": func(int) float64 { return 4.62 }, "damage": damage,
			"damage_per_km": func(i int) float64 { return damage(i) / 4.62 }, "largest_share": func(i int) float64 { return float64(i%90) / 100 }},
		"lap_id", "circuit", "event", "session", "rider", "bike", "setup", "distance_km", "scenario", "hotspot", "damage", "damage_per_km", "largest_share", "flags")
}

func calibrationTable() *frame.Frame {
	return frame.Must(nil, frame.Col("hotspot", "", []string{"weld_toe", "weld_toe"}), frame.Col("channel", "", []string{"acc_x", "acc_z"}),
		frame.Col("gain_mpa_per_unit", "MPa", []float64{3.2, 8.4}), frame.Col("correlation", "", []float64{0.2, 0.99}),
		frame.Col("chosen", "", []bool{false, true}), frame.Col("reason", "", []string{"|r| is low", "unproven: 2 laps"}))
}

func qualityTable(laps int) *frame.Frame {
	return columns(laps, map[string]func(int) string{
		"lap_id": func(i int) string { return fmt.Sprintf("E01-race-EB1-%03d", i) }, "channel": func(int) string { return "acc_z" },
		"verdict": func(i int) string { return []string{"ok", "ok", "warn"}[i%3] },
		"reason":  func(i int) string { return []string{"", "", "spikes: 3 at 12.4 s"}[i%3] }},
		map[string]func(int) float64{"spikes": func(i int) float64 { return float64(i % 3) }},
		"lap_id", "channel", "verdict", "reason", "spikes")
}

// placesTable has 100 places of 50 m a circuit; the tenth place of each costs most.
func placesTable() *frame.Frame {
	const n = 100
	cost := func(i int) float64 {
		if i%n == 9 {
			return 1e-4
		}
		return 1e-6 * float64(1+i%7)
	}
	return columns(n*54, map[string]func(int) string{
		"circuit": func(i int) string { return testCircuits[i/n%9] }, "hotspot": func(i int) string { return testSpots[i/n/9%2] },
		"scenario": func(i int) string { return testScenarios[i/n/18] }},
		map[string]func(int) float64{
			"from_m": func(i int) float64 { return 50 * float64(i%n) }, "to_m": func(i int) float64 { return 50 * float64(i%n+1) },
			"damage_per_lap_mean": cost, "season_damage": func(i int) float64 { return 100 * cost(i) / 9 / []float64{2.1, 1.2}[i/n/9%2] },
			"rank": func(i int) float64 {
				if i%n == 9 && i/n%9 < 8 {
					return float64(1 + i/n%9)
				}
				return 0
			}},
		"circuit", "hotspot", "scenario", "from_m", "to_m", "damage_per_lap_mean", "season_damage", "rank")
}

func riderTable() *frame.Frame {
	ratio := func(i int) float64 { return []float64{1.4, 0.9, 0.75}[i%3] }
	return columns(18, map[string]func(int) string{
		"rider": func(i int) string { return testRiders[i%3] }, "hotspot": func(i int) string { return testSpots[i/3%2] },
		"scenario": func(i int) string { return testScenarios[i/6] }, "against": func(int) string { return "mean of riders" }},
		map[string]func(int) float64{"laps": func(int) float64 { return 160 }, "ratio": ratio, "ratio_low": func(i int) float64 { return 0.9 * ratio(i) },
			"ratio_high": func(i int) float64 { return 1.12 * ratio(i) }, "p_holm": func(int) float64 { return 2e-9 }},
		"rider", "hotspot", "scenario", "laps", "ratio", "ratio_low", "ratio_high", "p_holm", "against")
}

// evidence is that of a channel of 8 MPa/g with noise, and a resonance above 60 Hz.
func evidence() Evidence {
	const n = 600
	wave := func(i int) float64 { return 2*math.Sin(0.3*float64(i)) + math.Sin(0.071*float64(i)) }
	of := func(n int, get func(i int) float64) []float64 {
		v := make([]float64, n)
		for i := range v {
			v[i] = get(i)
		}
		return v
	}
	hz := func(i int) float64 { return 0.5 + 0.5*float64(i) }
	level := func(i int) float64 { return float64(i % 12) }
	kind := make([]string, 24)
	for i := range kind {
		kind[i] = []string{"amplitude", "frequency"}[i/12]
	}
	laps := make([]string, n)
	for i := range laps {
		laps[i] = []string{hostile, "L2"}[i*2/n]
	}
	return Evidence{Scenario: "base", Hotspot: "weld_toe",
		Overlay: frame.Must([]frame.Attr{frame.Text("channel", "acc_z")},
			frame.Col("lap_id", "", laps), frame.Col("damage_ratio", "", of(n, func(i int) float64 { return 1.2 - 0.2*float64(i*2/n) })),
			frame.Col("time_s", "s", of(n, func(i int) float64 { return 40 + float64(i)/300 })),
			frame.Col("measured_mpa", "MPa", of(n, func(i int) float64 { return 8 * wave(i) })),
			frame.Col("predicted_mpa", "MPa", of(n, func(i int) float64 { return 8*wave(i) + 2*spread(i) }))),
		Scatter: frame.Must([]frame.Attr{frame.Text("channel", "acc_z"), frame.Num("gain_mpa_per_unit", "MPa", 8),
			frame.Num("gain_ls_mpa_per_unit", "MPa", 7.8), frame.Num("gain_tls_mpa_per_unit", "MPa", 8), frame.Num("gain_damage_mpa_per_unit", "MPa", 8.1)},
			frame.Col("channel", "g", of(n, wave)), frame.Col("stress_mpa", "MPa", of(n, func(i int) float64 { return 8*wave(i) + 3*spread(i) }))),
		Response: frame.Must([]frame.Attr{frame.Text("unit", "g"), frame.Text("transfer", "gain")}, frame.Col("frequency_hz", "Hz", of(150, hz)),
			frame.Col("coherence", "", of(150, func(i int) float64 { return 1 - 0.002*hz(i) - 0.02*math.Abs(spread(i)) })),
			frame.Col("gain_mpa_per_unit", "MPa", of(150, func(i int) float64 { return 8 / math.Abs(1-math.Pow(hz(i)/90, 2)) })),
			frame.Col("phase_deg", "deg", of(150, func(i int) float64 { return 20 * spread(i) })),
			frame.Col("weight", "", of(150, func(i int) float64 { return 1 / (1 + hz(i)) })),
			frame.Col("used_mpa_per_unit", "MPa", of(150, func(int) float64 { return 8 }))),
		Residuals: frame.Must(nil, frame.Col("kind", "", kind), frame.Col("from", "", of(24, level)), frame.Col("to", "", of(24, func(i int) float64 { return level(i) + 1 })),
			frame.Col("stress_mpa", "MPa", of(24, func(i int) float64 { return 10 / (1 + level(i)) })), frame.Col("residual_mpa", "MPa", of(24, func(int) float64 { return 0.4 })),
			frame.Col("gain_mpa_per_unit", "MPa", of(24, func(i int) float64 { return 8 + 0.1*spread(i) })))}
}

func TestDrawings(t *testing.T) {
	whole := evidence()
	for _, c := range []struct {
		reason string
		of     Evidence
		want   []string
	}{
		{"all frames", whole, []string{"overlay", "overlay-best", "scatter", "coherence", "response", "phase", "gain-amplitude", "residual-amplitude", "residual-frequency"}},
		{"what is missing is not drawn", Evidence{Hotspot: "toe", Response: whole.Response}, []string{"coherence", "response", "phase"}},
		{"nothing was fitted", Evidence{Hotspot: "toe"}, nil},
	} {
		var got []string
		for _, d := range c.of.Drawings() {
			got = append(got, d.Name)
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s: drawings (-want +got):\n%s", c.reason, d)
		}
	}
}

func TestPlacesAreRankedAndLaidOver(t *testing.T) {
	p := bigSeason(9)
	s := p.places()
	if got := len(s.Grids[0].Rows); got != 8*6 {
		t.Errorf("the table names %d places, want the 8 ranked ones of 2 hot spots in 3 scenarios", got)
	}
	if scenario := s.Grids[0].Rows[0][2].Text; scenario != base {
		t.Errorf("the first row is of scenario %s", scenario)
	}
	over := lapsOver(p.sheet("places"), p.sheet("places").where("scenario", base, "hotspot", "weld_toe"), 1/2.1)
	if len(over) != 9 || len(over[0].rows) != 100 {
		t.Errorf("%d circuits, want 9 of 100 places each", len(over))
	}
	const ranked, circuit = 1e-4 / 9, (1e-4 + 99*4e-6) / 9 // shares of the season, as placesTable has them
	for _, row := range s.Grids[0].Rows {
		if row[1].Text == "weld_toe" && row[2].Text == base && row[10] != percent(100*ranked) {
			t.Errorf("a place has %+v of the season, want %+v", row[10], percent(100*ranked))
		}
	}
	if got := seasonDamage(p.sheet("season"))(base, "no such spot"); !math.IsNaN(got) {
		t.Errorf("a hot spot that the table season lacks has a damage of %v", got)
	}
	if got := over[0].share; math.Abs(got/(100*circuit)-1) > 0.02 {
		t.Errorf("a circuit has %v of the season, want %v", got, 100*circuit)
	}
}

func rendered(t *testing.T, p *Page) string {
	t.Helper()
	var b bytes.Buffer
	if err := p.WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestEqualPagesGiveEqualBytes(t *testing.T) {
	want := rendered(t, bigSeason(40))
	for range 10 {
		if got := rendered(t, bigSeason(40)); got != want {
			t.Fatal(cmp.Diff(want, got))
		}
	}
}

func TestPageIsLight(t *testing.T) {
	const most = 3 << 20
	for _, laps := range []int{500, 5000} {
		if n := len(rendered(t, bigSeason(laps))); n > most {
			t.Errorf("with %d laps the page has %d bytes, want at most %d", laps, n, most)
		} else {
			t.Logf("%d laps: %d bytes", laps, n)
		}
	}
}

// address finds what a page would fetch; the namespace of SVG is a name, not an address.
var address = regexp.MustCompile(`(?i)(src|href|action|data|url\()\s*=?\s*["']?\s*(https?:)?//[^"')]*`)

func TestPageNamesNoAddress(t *testing.T) {
	if found := address.FindString(rendered(t, bigSeason(40))); found != "" {
		t.Errorf("the page refers to %q", found)
	}
}

func TestSections(t *testing.T) {
	for _, c := range []struct {
		reason string
		page   *Page
		want   []string
	}{
		{"a whole season", bigSeason(30), []string{"circuits", "places", "scenarios", "groups", "calibration", "quality", "laps", "provenance"}},
		{"nothing came out: what is known is shown", &Page{Failures: []Failure{{What: "calibrate weld_toe: refused"}}}, []string{"quality", "provenance"}},
		{"a season without what-ifs has none to set side by side",
			&Page{Tables: []Table{{Name: "season", Frame: frame.Must(nil, frame.Col("scenario", "", []string{"base"}), frame.Col("hotspot", "", []string{"toe"}))}}},
			[]string{"quality", "provenance"}},
	} {
		var got []string
		for _, s := range c.page.view().Sections {
			got = append(got, s.ID)
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s: sections (-want +got):\n%s", c.reason, d)
		}
		rendered(t, c.page)
	}
}

// withFacts adds to the table season what is not known of every season.
func withFacts(f *frame.Frame) *frame.Frame {
	damage, _ := frame.Get[[]float64](f, "season_damage")
	low, high, wall, unknown := make([]float64, 6), make([]float64, 6), make([]float64, 6), make([]float64, 6)
	for i, d := range damage {
		low[i], high[i], wall[i], unknown[i] = d/2, 2*d, []float64{0.93, 1.07}[i%2], math.NaN()
	}
	cols := append(slices.Clone(f.Columns()), frame.Col("season_damage_low", "", low), frame.Col("season_damage_high", "", high),
		frame.Col("allowed_thickness_ratio", "", wall), frame.Col("calibration_log10_sd", "", unknown), frame.Col("laps_log10_sd", "", []float64{0.1, 0.1, 0.1, 0.1, 0.1, 0.1}),
		frame.Col("reserve_limit", "", []string{"life", "ultimate", "life", "life", "life", "life"}))
	return frame.Must(nil, cols...)
}

// The figure, the table and the column severity have one order and one figure: that of a lap
// with what happens between laps.
func TestCircuitsHaveOneOrder(t *testing.T) {
	p := bigSeason(9)
	s := p.sheet("circuits")
	g := circuitGrid(s)
	f := circuitFigure(s, "c", "weld_toe", bySeverity(s, s.where("scenario", base, "hotspot", "weld_toe")))
	dots := f.Marks[0].(*figure.Intervals)
	for i, name := range f.Y.Names {
		r := g.Rows[i]
		if r[0].Text != name || r[1].Text != fmt.Sprint(i+1) || r[2].Text != figure.Number(dots.Value[i]) || r[10].Text != "weld_toe" || r[11].Text != base {
			t.Errorf("row %d of the table is %v, of the figure %s %v", i, r[:3], name, dots.Value[i])
		}
		if i > 0 && dots.Value[i] > dots.Value[i-1] {
			t.Errorf("%s stands below %s and costs more", name, f.Y.Names[i-1])
		}
	}
	if f.Y.Names[0] != "Vintermoor" {
		t.Errorf("%s is the hardest, want Vintermoor by what happens between laps", f.Y.Names[0])
	}
}

func TestPageSaysWhatToDoubt(t *testing.T) {
	p := bigSeason(9)
	p.Tables[0].Frame = withFacts(p.Tables[0].Frame)
	p.Warnings = []string{"lap L023 holds 84.7 % of the season's damage"}
	p.Replaced = []string{"damage.residue=half"}
	p.SetAside[0].Lap = "a\u202eb"
	answer, _, _ := strings.Cut(rendered(t, p), `<section id="circuits"`)
	for _, want := range []string{"What to doubt", "lap L023 holds 84.7 % of the season&#39;s damage", "<strong>A what-if:</strong>", "<code>damage.residue=half</code>", thinnerWall} {
		if !strings.Contains(answer, want) {
			t.Errorf("the answer lacks %q", want)
		}
	}
	if all := rendered(t, p); strings.Contains(all, "\u202e") || !strings.Contains(all, "aU+202Eb") {
		t.Error("a character that turns the direction of text is not shown as what it is")
	}
	if without := rendered(t, bigSeason(9)); strings.Contains(without, thinnerWall) {
		t.Error("a thinner wall is spoken of where no thickness is known")
	}
}

func TestVerdicts(t *testing.T) {
	p := bigSeason(9)
	p.Survival = 0.977
	p.Tables[0].Frame = withFacts(p.Tables[0].Frame)
	v := p.verdicts()
	for i := range v {
		v[i].Figure, v[i].margin = "", 0
	}
	want := []verdict{
		{Hotspot: "bolt_bore", Material: "al-6082", Factor: "1.20", Wanted: "1.50",
			Facts: []fact{{"Life", "1.20 seasons at 97.7 % survival"}, {"Life, 95 % interval from the laps’ scatter", "0.600 to 2.40 seasons"},
				{"Stress reserve", "all stresses may grow by 0.0 %, to the ultimate stress"}, {"Fails within the target", "2.0 %"},
				{"Scatter counted", "material, laps; calibration not known"}, {"Wall, and its mass", "needs at least 1.07 of today’s"}, {"What-ifs that hold", "cast-cradle"}},
			Notes: []string{"The ultimate stress is reached in 3 recorded laps: a single such cycle breaks the part, whatever its life.",
				"57.0 % of the damage is borrowed for circuits where nothing was recorded.",
				"Probability and interval: the gain's scatter is not known and counts as none.", thinnerWall}},
		{Hotspot: "weld_toe", Material: "al-6082", Holds: true, Factor: "2.10", Wanted: "1.50",
			Facts: []fact{{"Life", "2.10 seasons at 97.7 % survival"}, {"Life, 95 % interval from the laps’ scatter", "1.05 to 4.20 seasons"},
				{"Stress reserve", "all stresses must fall by 10.0 %"}, {"Fails within the target", "<0.1 %"},
				{"Scatter counted", "material, laps; calibration not known"}, {"Wall, and its mass", "may have 0.930 of today’s"}},
			Notes: []string{"Calibration: unproven: 2 calibration laps on 1 circuit", thinnerWall}}}
	if d := cmp.Diff(want, v, cmp.AllowUnexported(verdict{})); d != "" {
		t.Errorf("the hot spot nearest to its limit comes first (-want +got):\n%s", d)
	}
	const lede1 = "1 of 2 hot spots fall short. The worst is bolt_bore: life factor 1.20, 1.50 wanted."
	if got := lede(v); got != lede1 {
		t.Errorf("lede = %q, want %q", got, lede1)
	}
}

func TestLede(t *testing.T) {
	good, bad := verdict{Hotspot: "toe", Holds: true, Factor: "2", Wanted: "1.5"}, verdict{Hotspot: "bore", Factor: "1", Wanted: "1.5"}
	for _, c := range []struct {
		reason string
		of     []verdict
		want   string
	}{
		{"no result", nil, "There is no account of the season yet: what failed is named below."},
		{"one holds", []verdict{good}, "toe holds: life factor 2, 1.5 wanted."},
		{"two hold", []verdict{good, good}, "Both hot spots hold. The nearest to its limit is toe: life factor 2, 1.5 wanted."},
		{"three hold", []verdict{good, good, good}, "All 3 hot spots hold. The nearest to its limit is toe: life factor 2, 1.5 wanted."},
		{"one falls short", []verdict{bad}, "bore falls short: life factor 1, 1.5 wanted."},
		{"one of two", []verdict{bad, good}, "1 of 2 hot spots fall short. The worst is bore: life factor 1, 1.5 wanted."},
	} {
		if got := lede(c.of); got != c.want {
			t.Errorf("%s: %q, want %q", c.reason, got, c.want)
		}
	}
}

func TestMedian(t *testing.T) {
	// By the median's definition: the middle value, or the mean of the middle two.
	for _, c := range []struct {
		v    []float64
		want float64
	}{{[]float64{3}, 3}, {[]float64{3, 1, 2}, 2}, {[]float64{4, 1, 3, 2}, 2.5}} {
		if got := median(c.v); got != c.want {
			t.Errorf("median(%v) = %v, want %v", c.v, got, c.want)
		}
	}
}

// BenchmarkPage writes the report of a season of 500 laps.
func BenchmarkPage(b *testing.B) {
	p := bigSeason(500)
	for b.Loop() {
		var w bytes.Buffer
		if err := p.WriteHTML(&w); err != nil {
			b.Fatal(err)
		}
	}
}
