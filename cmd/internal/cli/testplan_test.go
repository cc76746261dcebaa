package cli

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// TestPlannedShare runs a plan for a lap with blows, and recounts the drive's file and the
// recording by a rainflow count of its own: E1049-85, 5.4.4, in its three-point form.
func TestPlannedShare(t *testing.T) {
	if raceDetector {
		t.Skip("it looks at files, not at what runs at once")
	}
	dir := t.TempDir()
	t.Setenv("LAPWEAR_CACHE", filepath.Join(dir, "cache"))
	x := blows(60)
	var rec strings.Builder
	rec.WriteString("TIME,AZ\n")
	for i, v := range x {
		fmt.Fprintf(&rec, "%.6f,%.17g\n", float64(i)/256, v)
	}
	for name, text := range map[string]string{
		"a.csv":    rec.String(),
		"laps.csv": "lap_id,file,circuit,distance_km\nA,a.csv,Hill,3\n",
		"season.yaml": `lapwear: 1
season: "2031"
component: bracket
laps: laps.csv
time: {column: TIME, unit: s}
channels: {acc_z: {column: AZ, unit: g}}
hotspots: {toe: {follow: acc_z, gain: 8 MPa/g, material: alloy}}
materials: {alloy: {source: invented, sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 5}}}
`} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	var out, errs bytes.Buffer
	if code := Main([]string{"testplan", filepath.Join(dir, "season.yaml"), "--json"}, &out, &errs); code != exitDone {
		t.Fatalf("exit code %d: %s", code, errs.String())
	}
	var plan struct {
		Cut struct {
			After float64            `json:"seconds_after"`
			Share map[string]float64 `json:"share"`
		}
		Drive struct {
			Rate float64 `json:"rate_hz"`
		}
		Hotspots []struct {
			Once   float64 `json:"damage_once"`
			Season float64 `json:"season_damage"`
		}
		Repeats float64
		Files   map[string]string
	}
	if err := json.Unmarshal(out.Bytes(), &plan); err != nil {
		t.Fatal(err)
	}
	drive := driveColumn(t, plan.Files["drive_csv"], "acc_z_g")
	got, lap := threePoint(drive), threePoint(x)
	if math.Abs(got/plan.Hotspots[0].Once-1) > 1e-9 {
		t.Errorf("one run of the drive does %g, the plan says %g", got, plan.Hotspots[0].Once)
	}
	if math.Abs(lap/plan.Hotspots[0].Season-1) > 1e-9 {
		t.Errorf("the lap does %g, the plan says %g", lap, plan.Hotspots[0].Season)
	}
	if s := got / lap; s < 0.8 || plan.Cut.Share["toe"] < 0.8 {
		t.Errorf("the drive keeps %g of the lap, the plan says %g, want 0.8", s, plan.Cut.Share["toe"])
	}
	if n := float64(len(drive)) / plan.Drive.Rate; math.Abs(n-plan.Cut.After) > 1e-9 || n > 12 {
		t.Errorf("the drive lasts %g s, the plan says %g s, want the blows alone", n, plan.Cut.After)
	}
}

// blows is a minute of a quiet ride with some blows that ring.
func blows(seconds int) []float64 {
	x := make([]float64, seconds*256)
	state := uint32(7)
	for i := range x {
		state = state*1664525 + 1013904223
		s := float64(i) / 256
		x[i] = 0.1*math.Sin(2*math.Pi*2.3*s) + 0.05*(float64(state>>8)/(1<<24)-0.5)
		for k, at := range []float64{6.1, 17.4, 31.9, 44.2} {
			if s > at {
				x[i] += (3 + 0.5*float64(k)) * math.Exp(-8*(s-at)) * math.Sin(2*math.Pi*14*(s-at))
			}
		}
	}
	return x
}

func driveColumn(t *testing.T, path, name string) []float64 {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := -1
	for i, n := range rows[0] {
		if n == name {
			at = i
		}
	}
	if at < 0 {
		t.Fatalf("no column %q in %v", name, rows[0])
	}
	out := make([]float64, len(rows)-1)
	for i, r := range rows[1:] {
		if out[i], err = strconv.ParseFloat(r[at], 64); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// threePoint sums damage, N = 1e6·(8·amplitude/90)^-5, over a rainflow count: E1049-85, 5.4.4.
func threePoint(x []float64) float64 {
	var turns []float64
	for i, v := range x {
		if i > 0 && v == x[i-1] {
			continue
		}
		if n := len(turns); n > 1 && (turns[n-1]-turns[n-2])*(v-turns[n-1]) > 0 {
			turns[n-1] = v
			continue
		}
		turns = append(turns, v)
	}
	sum := 0.0
	add := func(a, b, weight float64) { sum += weight * math.Pow(8*math.Abs(a-b)/2/90, 5) / 1e6 }
	var s []float64
	for _, v := range turns {
		s = append(s, v)
		for len(s) >= 3 {
			n := len(s)
			if math.Abs(s[n-1]-s[n-2]) < math.Abs(s[n-2]-s[n-3]) {
				break
			}
			if n == 3 {
				add(s[0], s[1], 0.5)
				s = s[1:]
				break
			}
			add(s[n-3], s[n-2], 1)
			s = append(s[:n-3], s[n-1])
		}
	}
	for i := 1; i < len(s); i++ {
		add(s[i-1], s[i], 0.5)
	}
	return sum
}
