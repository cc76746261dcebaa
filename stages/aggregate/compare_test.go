package aggregate

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"lapwear/stages/frame"
)

// readTestdata returns the rows of a CSV file below its header.
func readTestdata(t *testing.T, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func parse(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// drivenLap is a lap for the comparison.
type drivenLap struct {
	rider, setup, circuit string
	perKm, km             float64
	between               float64 // a km
}

// tableLaps is a part of the table laps.
func tableLaps(laps []drivenLap) *frame.Frame {
	t := layout[drivenLap]{rows: laps}
	n := 0
	t.text("lap_id", func(*drivenLap) string { n++; return fmt.Sprint("L", n) })
	t.text("circuit", func(l *drivenLap) string { return l.circuit })
	t.text("scenario", func(*drivenLap) string { return "base" })
	t.text("hotspot", func(*drivenLap) string { return "toe" })
	t.text("rider", func(l *drivenLap) string { return l.rider })
	t.text("bike", func(*drivenLap) string { return "EB-1" })
	t.text("setup", func(l *drivenLap) string { return l.setup })
	t.text("session", func(*drivenLap) string { return "" })
	t.number("distance_km", "km", func(l *drivenLap) float64 { return l.km })
	t.number("damage", "", func(l *drivenLap) float64 {
		if math.IsNaN(l.km) {
			return l.perKm
		}
		return l.perKm * l.km
	})
	t.number("damage_per_km", "1/km", func(l *drivenLap) float64 { return l.perKm + 0*l.km })
	t.number("between_laps_damage", "", func(l *drivenLap) float64 { return l.between * l.km })
	return t.frame()
}

// compared reads a table of riders by rider.
func compared(t *testing.T, reference string, laps []drivenLap) map[string]map[string]any {
	t.Helper()
	f, err := Compare{Factor: "rider", Reference: reference}.Table(tableLaps(laps))
	if err != nil {
		t.Fatal(err)
	}
	riders, _ := frame.Get[[]string](f, "rider")
	out := map[string]map[string]any{}
	for i, r := range riders {
		out[r] = map[string]any{}
		for _, c := range f.Columns() {
			switch c.Kind() {
			case frame.Float64:
				v, _ := frame.Get[[]float64](f, c.Name)
				out[r][c.Name] = v[i]
			case frame.Int64:
				v, _ := frame.Get[[]int64](f, c.Name)
				out[r][c.Name] = v[i]
			case frame.String:
				v, _ := frame.Get[[]string](f, c.Name)
				out[r][c.Name] = v[i]
			}
		}
	}
	return out
}

// The figures of statsmodels 0.13.5, by testdata/compare.py.
func TestCompareAgreesWithStatsmodels(t *testing.T) {
	cases := map[string][]drivenLap{}
	for _, r := range readTestdata(t, "compare-laps.csv") {
		cases[r[0]] = append(cases[r[0]], drivenLap{rider: r[2], circuit: r[3], perKm: parse(t, r[4]), km: 4})
	}
	checked := 0
	for _, r := range readTestdata(t, "compare-expected.csv") {
		got := compared(t, r[1], cases[r[0]])[r[2]]
		for i, name := range []string{"ratio", "ratio_low", "ratio_high"} {
			want, v := parse(t, r[3+i]), math.Log10(got[name].(float64))
			if !(math.Abs(v-want) < 1e-9) {
				t.Errorf("%s, against %q, %s: log10 %s %v, want %v", r[0], r[1], r[2], name, v, want)
			}
		}
		for i, name := range []string{"p_value", "p_holm", "degrees_of_freedom"} {
			want, v := parse(t, r[6+i]), got[name].(float64)
			if !(math.Abs(v-want) < 1e-8) {
				t.Errorf("%s, against %q, %s: %s %v, want %v", r[0], r[1], r[2], name, v, want)
			}
		}
		checked++
	}
	if checked < 20 {
		t.Errorf("only %d rows were compared", checked)
	}
}

func driven(rider, setup, circuit string, perKm ...float64) []drivenLap {
	var out []drivenLap
	for _, d := range perKm {
		out = append(out, drivenLap{rider: rider, setup: setup, circuit: circuit, perKm: d, km: 4})
	}
	return out
}

// What cannot be told is said, with nothing in the figures that would look like an answer.
func TestCompareSaysWhatCannotBeTold(t *testing.T) {
	both := slices.Concat(driven("A", "soft", "X", 1, 2, 3), driven("A", "firm", "Y", 1, 3), driven("A", "soft", "Y", 2, 1))
	with := func(more ...[]drivenLap) []drivenLap { return slices.Concat(append([][]drivenLap{both}, more...)...) }
	for _, tt := range []struct {
		reason     string
		laps       []drivenLap
		reference  string
		rider      string
		ratio, low bool // known
		note       string
	}{
		{"a rider alone at a circuit where no other rode", with(driven("B", "firm", "Z", 1, 2), driven("C", "soft", "Y", 2, 3)), "", "B",
			false, false, "shares no circuit with another rider"},
		{"and the others can be compared all the same", with(driven("B", "firm", "Z", 1, 2), driven("C", "soft", "Y", 2, 3)), "", "C",
			true, true, "only setup soft, whose effect is in this figure"},
		{"a rider of one setup, which no other used", slices.Concat(driven("A", "soft", "X", 1, 2, 3), driven("B", "firm", "X", 2, 3, 4)), "", "B",
			true, true, "rider and setup cannot be told apart: only firm"},
		{"a setup that another used, but only where it stands for the circuit",
			slices.Concat(driven("A", "soft", "X", 1, 2), driven("A", "firm", "Y", 1, 3), driven("C", "soft", "Y", 2, 3)), "", "C",
			true, true, "rider and setup cannot be told apart: only soft"},
		{"one lap gives a figure and no interval", with(driven("B", "soft", "X", 2, 3), driven("C", "soft", "X", 5)), "", "C",
			true, false, "no interval: it hangs on single laps (L10)"},
		{"and leaves the others' interval whole", with(driven("B", "soft", "X", 2, 3), driven("C", "soft", "X", 5)), "", "B",
			true, true, ""},
		{"one lap ties two circuits together",
			slices.Concat(driven("A", "soft", "X", 1, 2, 3), driven("A", "soft", "Y", 2), driven("C", "soft", "X", 3, 4), driven("B", "soft", "Y", 3, 4, 2)), "", "B",
			true, false, "no interval: it hangs on single laps (L4)"},
		{"as many laps as unknowns", slices.Concat(driven("A", "soft", "X", 1), driven("B", "soft", "X", 2)), "", "A",
			true, false, "too few laps for an interval"},
		{"laps without damage have no logarithm", with(driven("B", "soft", "X", 0, 2, 3, 0)), "", "B",
			true, true, "2 of 4 laps do no damage and are left out: the true figure is lower"},
		{"no lap with damage", with(driven("B", "soft", "X", 0, 0)), "", "B",
			false, false, "no lap with damage to compare"},
		{"a lap without a rider", with(driven("B", "soft", "X", 2, 1), driven("", "soft", "X", 2)), "", "",
			false, false, "laps that name no rider are left out"},
		{"a reference in another group", with(driven("B", "soft", "Z", 1, 2), driven("C", "soft", "Y", 2, 3)), "B", "A",
			false, false, "shares no circuit with B, directly or through others"},
	} {
		got := compared(t, tt.reference, tt.laps)[tt.rider]
		known := func(name string) bool { return !math.IsNaN(got[name].(float64)) }
		if known("ratio") != tt.ratio || known("ratio_low") != tt.low || known("p_holm") != tt.low {
			t.Errorf("%s: ratio %v, from %v, p %v", tt.reason, got["ratio"], got["ratio_low"], got["p_holm"])
		}
		if note := got["note"].(string); !strings.Contains(note, tt.note) {
			t.Errorf("%s: note %q, want %q in it", tt.reason, note, tt.note)
		}
	}
}

// Laws: other units of damage or distance change no ratio; the ratios against the mean of riders of several
// laps each multiply to 1; damage a lap stands in where no distance is known.
func TestCompareLaws(t *testing.T) {
	laps := slices.Concat(driven("A", "", "X", 1, 2, 3), driven("B", "", "X", 2, 4), driven("B", "", "Y", 9, 5, 7), driven("C", "", "Y", 4, 8))
	base := compared(t, "", laps)
	product := base["A"]["ratio"].(float64) * base["B"]["ratio"].(float64) * base["C"]["ratio"].(float64)
	if math.Abs(product-1) > 1e-12 {
		t.Errorf("the ratios multiply to %v", product)
	}
	for i := range laps {
		laps[i].perKm *= 1e-7
	}
	scaled := compared(t, "", laps)
	for i := range laps {
		laps[i].km = math.NaN()
	}
	perLap := compared(t, "", laps)
	for rider, row := range base {
		for _, name := range []string{"ratio", "ratio_low", "ratio_high", "p_holm"} {
			near := func(other map[string]map[string]any) bool {
				return math.Abs(other[rider][name].(float64)/row[name].(float64)-1) < 1e-9
			}
			if !near(scaled) || !near(perLap) {
				t.Errorf("%s of %s: %v, scaled %v, without distances %v", name, rider, row[name], scaled[rider][name], perLap[rider][name])
			}
		}
		if row["per"] != "km" || perLap[rider]["per"] != "lap" {
			t.Errorf("per %v, without distances per %v", row["per"], perLap[rider]["per"])
		}
	}
	if diff := cmp.Diff(1.0, compared(t, "A", laps)["A"]["ratio"]); diff != "" {
		t.Errorf("the reference against itself:\n%s", diff)
	}
}

// Under carry the largest swings close between laps: what is compared is all that a lap does, wherever it is counted.
func TestCompareCountsWhatIsBetweenLaps(t *testing.T) {
	whole := slices.Concat(driven("A", "", "X", 1, 2, 3), driven("B", "", "X", 2, 4, 7))
	carried := slices.Clone(whole)
	for i := range carried {
		part := []float64{0, 0.2, 0.9, 1, 0.4, 0.8}[i]
		carried[i].between, carried[i].perKm = part*carried[i].perKm, (1-part)*carried[i].perKm
	}
	if diff := cmp.Diff(compared(t, "", whole), compared(t, "", carried), cmpopts.EquateApprox(1e-12, 0), cmpopts.EquateNaNs()); diff != "" {
		t.Errorf("the same laps, a part of their damage carried (-whole +carried):\n%s", diff)
	}
}

// Laps without a distance are never dropped unsaid: where more than a tenth lack it, damage a lap is compared, circuits accounted
// for; where few do, they are counted as not in the fit.
func TestCompareSaysWhichLapsHaveNoDistance(t *testing.T) {
	season := func(without int) []drivenLap {
		laps := slices.Concat(driven("A", "", "X", 1, 2, 3, 2, 1, 3, 2, 2, 1, 2), driven("B", "", "X", 2, 4, 3, 5, 2, 4, 3, 3, 2, 4))
		for i := range without {
			laps[len(laps)-1-i].km = math.NaN()
		}
		return laps
	}
	type row struct {
		per                         string
		laps, fitted, left, without any
		note                        string
	}
	for _, tt := range []struct {
		reason  string
		without int
		want    row
	}{
		{"all have one", 0, row{"km", int64(10), int64(10), int64(0), int64(0), ""}},
		{"two of twenty have none", 2, row{"km", int64(10), int64(8), int64(2), int64(2), "2 of 10 laps have no distance and are left out"}},
		{"eight of twenty have none", 8, row{"lap", int64(10), int64(10), int64(0), int64(8), "8 of 10 laps have no distance: compared by damage a lap"}},
		{"a rider has none", 10, row{"lap", int64(10), int64(10), int64(0), int64(10), "10 of 10 laps have no distance: compared by damage a lap"}},
	} {
		b := compared(t, "", season(tt.without))["B"]
		got := row{b["per"].(string), b["laps"], b["laps_fitted"], b["laps_left_out"], b["laps_without_distance"], b["note"].(string)}
		if diff := cmp.Diff(tt.want, got, cmp.AllowUnexported(row{})); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
		if math.IsNaN(b["ratio_low"].(float64)) {
			t.Errorf("%s: no interval", tt.reason)
		}
	}
}

// A planted effect lies within its interval about 95 times in 100.
func TestCompareIntervalCovers(t *testing.T) {
	const trials, planted = 400, 1.35
	held := 0
	noise := gaussian(77)
	for range trials {
		var laps []drivenLap
		for c, circuit := range []string{"X", "Y", "Z"} {
			for i := range 12 {
				rider, effect, scatter := "A", 1.0, 0.3
				if (i+c)%3 == 0 {
					rider, effect, scatter = "B", planted, 0.6
				}
				laps = append(laps, driven(rider, "", circuit, effect*math.Exp(scatter*noise()+float64(c)))...)
			}
		}
		b := compared(t, "A", laps)["B"]
		if b["ratio_low"].(float64) <= planted && planted <= b["ratio_high"].(float64) {
			held++
		}
	}
	if share := float64(held) / trials; share < 0.91 || share > 0.98 {
		t.Errorf("the interval holds the planted ratio in %.1f %% of seasons, want about 95 %%", 100*share)
	}
}

func BenchmarkCompare(b *testing.B) {
	noise := gaussian(3)
	var laps []drivenLap
	for i := range 500 {
		laps = append(laps, driven(fmt.Sprint("R", i%3), fmt.Sprint("S", i%2), fmt.Sprint("C", i%9), math.Exp(noise()))...)
	}
	f := tableLaps(laps)
	for b.Loop() {
		if _, err := (Compare{Factor: "rider"}).Table(f); err != nil {
			b.Fatal(err)
		}
	}
}

// Riders of two groups that share no circuit are told apart in words, and so is what goes with
// a rider in part.
func TestCompareSaysWithWhom(t *testing.T) {
	type row struct {
		against, note string
	}
	for _, tt := range []struct {
		reason, reference string
		laps              []drivenLap
		want              map[string]row
	}{
		{"two groups", "", slices.Concat(driven("r1", "", "P", 1, 2, 1.5), driven("r2", "", "P", 2, 3, 2.5), driven("r3", "", "Q", 1, 2, 3), driven("r4", "", "Q", 2, 4, 3)),
			map[string]row{
				"r1": {"mean of r1, r2", "shares no circuit with r3, r4: not to be compared with them"},
				"r2": {"mean of r1, r2", "shares no circuit with r3, r4: not to be compared with them"},
				"r3": {"mean of r3, r4", "shares no circuit with r1, r2: not to be compared with them"},
				"r4": {"mean of r3, r4", "shares no circuit with r1, r2: not to be compared with them"}}},
		{"both ends of a contrast", "", slices.Concat(driven("r1", "firm", "P", 1, 2, 1.5, 1.2, 1.1), driven("r1", "soft", "P", 2), driven("r2", "soft", "P", 2, 3, 2.5, 3, 2)),
			map[string]row{
				"r1": {"mean of riders", "setup is not accounted for: firm in 5 of 6 laps, soft in 1"},
				"r2": {"mean of riders", "only setup soft, whose effect is in this figure"}}},
		{"nine in ten against one in ten", "", slices.Concat(driven("r1", "firm", "P", 1, 2, 1.5, 1.2, 1.1, 1, 1, 1, 1), driven("r1", "soft", "P", 2),
			driven("r2", "soft", "P", 2, 3, 2.5, 3, 2, 2, 2, 2, 2), driven("r2", "firm", "P", 2)),
			map[string]row{
				"r1": {"mean of riders", "setup is not accounted for: firm in 9 of 10 laps, soft in 1"},
				"r2": {"mean of riders", "setup is not accounted for: soft in 9 of 10 laps, firm in 1"}}},
		{"like mixes need no word", "", slices.Concat(driven("r1", "firm", "P", 1, 2, 1.5), driven("r1", "soft", "P", 2, 2, 1), driven("r2", "soft", "P", 2, 3, 2.5), driven("r2", "firm", "P", 2, 1, 2)),
			map[string]row{"r1": {"mean of riders", ""}, "r2": {"mean of riders", ""}}},
	} {
		got := map[string]row{}
		for rider, b := range compared(t, tt.reference, tt.laps) {
			got[rider] = row{b["against"].(string), b["note"].(string)}
		}
		if diff := cmp.Diff(tt.want, got, cmp.AllowUnexported(row{})); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, diff)
		}
	}
}
