package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// rigSeason is a season of one lap of blows at 256 Hz, with a planned test.
type rigSeason struct {
	*testing.T
	dir string
}

// newRigSeason writes the season, its last keys those given, and plans its test.
func newRigSeason(t *testing.T, keys string, set ...string) rigSeason {
	t.Helper()
	s := rigSeason{t, t.TempDir()}
	t.Setenv("LAPWEAR_CACHE", filepath.Join(s.dir, "cache"))
	s.record("a.csv", blows(60))
	s.write("laps.csv", "lap_id,file,circuit,distance_km,use\nA,a.csv,Hill,3,both\n")
	s.write("season.yaml", `lapwear: 1
season: "2031"
component: bracket
laps: laps.csv
time: {column: TIME, unit: s}
signal: {rate: 256 Hz}
channels: {acc_z: {column: AZ, unit: g}}
hotspots: {toe: {follow: acc_z, gain: 8 MPa/g, material: alloy}}
materials: {alloy: {source: invented, scatter: 0.2, sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 5}}}
`+keys)
	args := []string{"testplan", s.path("season.yaml"), "--quiet"}
	for _, v := range set {
		args = append(args, "--set", v)
	}
	s.call(exitDone, args...)
	return s
}

func (s rigSeason) path(name string) string { return filepath.Join(s.dir, name) }

func (s rigSeason) plan() string { return filepath.Join(s.dir, "out", planFolder, planName) }

func (s rigSeason) drive() []float64 {
	return driveColumn(s.T, filepath.Join(s.dir, "out", planFolder, "drive.csv"), "acc_z_g")
}

func (s rigSeason) write(name, text string) {
	s.Helper()
	if err := os.WriteFile(s.path(name), []byte(text), 0o666); err != nil {
		s.Fatal(err)
	}
}

// record writes a recording at 256 Hz.
func (s rigSeason) record(name string, x []float64) string {
	var b strings.Builder
	b.WriteString("TIME,AZ\n")
	for i, v := range x {
		fmt.Fprintf(&b, "%.6f,%.12g\n", float64(i)/256, v)
	}
	s.write(name, b.String())
	return s.path(name)
}

// call runs a command and returns what it prints and says.
func (s rigSeason) call(want int, args ...string) (out, said []byte) {
	s.Helper()
	var o, e bytes.Buffer
	if code := Main(args, &o, &e); code != want {
		s.Fatalf("%v: exit code %d, want %d: %s", args, code, want, e.String())
	}
	return o.Bytes(), e.Bytes()
}

func (s rigSeason) decode(data []byte, to any) {
	s.Helper()
	if err := json.Unmarshal(data, to); err != nil {
		s.Fatal(err)
	}
}

// A rig that does the drive as planned is a repeat nearer to the planned number with each, by any method, with dwell in between: 1/n of
// the way.
func TestRigcheckOfRunsWithDwell(t *testing.T) {
	for _, method := range []string{"pass", "failure"} {
		s := newRigSeason(t, "damage: {survival: 97.7 %}\ntest: {dwell: 0.5 s, method: "+method+"}\n")
		var plan struct {
			Hotspots []struct {
				Each   float64 `json:"damage_per_repeat"`
				Median float64 `json:"damage_per_repeat_median"`
				Wanted float64 `json:"wanted_damage"`
			}
			Drive struct{ Samples int }
		}
		data, err := os.ReadFile(s.plan())
		if err != nil {
			t.Fatal(err)
		}
		s.decode(data, &plan)
		h := plan.Hotspots[0]
		exact := h.Wanted / h.Each
		if method == "failure" {
			exact = 1 / h.Median
		}
		rest := make([]float64, 128)
		run := s.record("run.csv", slices.Concat(rest, slices.Repeat(slices.Concat(s.drive(), rest), 10)))
		var got struct {
			Iterations []struct {
				Repeats int
				Judged  int     `json:"repeats_judged"`
				Ratio   float64 `json:"damage_ratio"`
				Between float64 `json:"between_s"`
				Reached float64 `json:"so_far_over_wanted"`
			}
		}
		out, _ := s.call(exitDone, "rigcheck", s.plan(), run, "--json")
		s.decode(out, &got)
		it := got.Iterations[0]
		if it.Repeats != 10 || it.Judged != 10 || math.Abs(it.Ratio-1) > 1e-3 || math.Abs(it.Between-4.5) > 0.02 {
			t.Errorf("%s: %+v, want ten repeats as planned, 4.5 s between them", method, it)
		}
		if off := it.Reached*exact/10 - 1; math.Abs(off) > 0.01 {
			t.Errorf("%s: %g of the wanted damage, want 10 of %g repeats", method, it.Reached, exact)
		}
	}
}

// A season that has changed since, in what turns channels into stress, damage or a demand, is refused with the two values; what only
// says how to test is not.
func TestRigcheckRefusesAChangedSeason(t *testing.T) {
	s := newRigSeason(t, "target: {seasons: 2}\ntest: {dwell: 0.5 s}\n")
	season, err := os.ReadFile(s.path("season.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	run := s.record("run.csv", s.drive())
	for _, c := range []struct{ reason, from, to, want string }{
		{"gain", "8 MPa/g", "30 MPa/g", `hot spot "toe": gain is 30 and was 8`},
		{"band", "rate: 256 Hz", "rate: 256 Hz, band: [2 Hz, 20 Hz]", "signal: band is 2 to 20 and was 0 to 0"},
		{"target", "seasons: 2", "seasons: 4", "target: seasons is 4 and was 2"},
		{"scatter", "scatter: 0.2", "scatter: 0.3", `hot spot "toe": material, survival and residue are no longer`},
		{"slope", "slope: 5", "slope: 8", `hot spot "toe": material, survival and residue are no longer`},
		{"offset", "gain: 8 MPa/g", "gain: 8 MPa/g, offset: 5 MPa", `hot spot "toe": offset is 5 and was 0`},
		{"stress factor", "gain: 8 MPa/g", "gain: 8 MPa/g, stress_factor: 1.5", `hot spot "toe": stress factor is 1.5 and was 1`},
	} {
		s.write("season.yaml", strings.Replace(string(season), c.from, c.to, 1))
		if _, said := s.call(exitFailed, "rigcheck", s.plan(), run); !bytes.Contains(said, []byte(c.want)) {
			t.Errorf("%s: %s, want %q", c.reason, said, c.want)
		}
	}
	s.write("season.yaml", strings.Replace(string(season), "dwell: 0.5 s", "dwell: 2 s", 1))
	s.call(exitDone, "rigcheck", filepath.Dir(s.plan()), run) // by the plan's folder
}

// The one level that a plan offers obeys every limit of motion and takes the repeats and hours that it says, as the plan made with it
// shows.
func TestPlannedRemedyObeysAllLimits(t *testing.T) {
	keys := "rig: {stroke: 5 mm, velocity: 0.05 m/s, acceleration: 1 g, payload: 10 kg}\ntest: {mass: 14 kg, level: %s}\n"
	type planned struct {
		Limits  []struct{ Quantity string }
		Repeats float64
		Hours   float64
		Remedy  *struct{ Level, Repeats, Hours float64 } `json:"one_remedy"`
	}
	plan := func(level string) (rigSeason, planned) {
		s := newRigSeason(t, fmt.Sprintf(keys, level))
		data, err := os.ReadFile(s.plan())
		if err != nil {
			t.Fatal(err)
		}
		var p planned
		s.decode(data, &p)
		return s, p
	}
	s, broken := plan("1")
	if len(broken.Limits) < 3 || broken.Remedy == nil {
		t.Fatalf("%+v, want three limits of motion or more and a remedy", broken)
	}
	limits, err := os.ReadFile(filepath.Join(filepath.Dir(s.plan()), "limits.csv"))
	if err != nil || !bytes.Contains(limits, []byte("\n,payload,kg,14,10,")) {
		t.Errorf("the payload is not among the limits: %v\n%s", err, limits)
	}
	r := broken.Remedy
	_, obeys := plan(fmt.Sprint(r.Level))
	if len(obeys.Limits) != 1 || obeys.Limits[0].Quantity != "payload" || obeys.Remedy != nil {
		t.Errorf("at level %g: %+v, want the payload alone", r.Level, obeys.Limits)
	}
	if math.Abs(obeys.Repeats/r.Repeats-1) > 1e-6 || math.Abs(obeys.Hours/r.Hours-1) > 1e-6 {
		t.Errorf("at level %g: %g repeats, %g h, want %g and %g", r.Level, obeys.Repeats, obeys.Hours, r.Repeats, r.Hours)
	}
}

// A band that leaves next to no damage leaves a plan that says so, inspections or not.
func TestPlanSaysWhatTheBandTakes(t *testing.T) {
	s := newRigSeason(t, "target: {seasons: 50}\nrig: {band: [0.5 Hz, 3 Hz]}\ntest: {inspection: {every: 1 h, takes: 30 min}}\n")
	data, err := os.ReadFile(s.plan())
	if err != nil || !bytes.Contains(data, []byte("rig: band and test: level take the rest")) {
		t.Errorf("the plan does not say what the band takes: %v\n%.2000s", err, data)
	}
}
