package cli

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestRigcheckBallast plans a test from a lap that a gauge calibrates, and lets a rig run
// it with two masses. The gauge on the rig feels 0.8 of the track's stress at 10 kg and 1.1 at
// 14 kg, so that the line through both gives 1 at 12.6667 kg: closed form.
func TestRigcheckBallast(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("LAPWEAR_CACHE", filepath.Join(dir, "cache"))
	record := func(name string, x []float64, repeats, gauge float64) string {
		var b strings.Builder
		b.WriteString("TIME,AZ,SG\n")
		for i := range int(repeats * float64(len(x))) {
			v := x[i%len(x)]
			fmt.Fprintf(&b, "%.6f,%.12g,%.12g\n", float64(i)/256, v, 8*gauge*v/0.07+50) // ustrain of 8 MPa/g at 70 GPa
		}
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(b.String()), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	record("a.csv", blows(60), 1, 1)
	for name, text := range map[string]string{
		"laps.csv": "lap_id,file,circuit,distance_km,use\nA,a.csv,Hill,3,both\n",
		"season.yaml": `lapwear: 1
season: "2031"
component: bracket
laps: laps.csv
time: {column: TIME, unit: s}
signal: {rate: 256 Hz}
channels: {acc_z: {column: AZ, unit: g}, sg: {column: SG, unit: ustrain}}
hotspots: {toe: {gauge: sg, follow: acc_z, modulus: 70 GPa, material: alloy}}
materials: {alloy: {source: invented, sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 5}}}
`} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	call := func(args ...string) []byte {
		t.Helper()
		var out, errs bytes.Buffer
		if code := Main(args, &out, &errs); code != exitDone {
			t.Fatalf("%v: exit code %d: %s", args, code, errs.String())
		}
		return out.Bytes()
	}
	call("testplan", filepath.Join(dir, "season.yaml"), "--quiet")
	plan := filepath.Join(dir, "out", planFolder, planName)
	drive := driveColumn(t, filepath.Join(dir, "out", planFolder, "drive.csv"), "acc_z_g")
	light, heavy := record("light.csv", drive, 2.3, 0.8), record("heavy.csv", drive, 2.3, 1.1)
	var got struct {
		Iterations []struct {
			By      string
			Repeats int
			Ratio   float64 `json:"damage_ratio"`
		}
		Ballast []struct {
			By      string
			Mass    float64 `json:"mass_kg"`
			Refused string
		}
	}
	if err := json.Unmarshal(call("rigcheck", plan, light, heavy, "--mass", "10,14", "--json"), &got); err != nil {
		t.Fatal(err)
	}
	for i, f := range []float64{0.8, 1.1} {
		it := got.Iterations[i]
		if want := math.Pow(f, 5); it.By != "gauge" || it.Repeats != 2 || math.Abs(it.Ratio/want-1) > 0.01 { // slope 5
			t.Errorf("run %d: %+v, want two repeats by gauge with %g of the damage", i, it, want)
		}
	}
	if len(got.Ballast) != 2 {
		t.Fatalf("%d ballasts, want one by rms and one by damage", len(got.Ballast))
	}
	for _, b := range got.Ballast {
		if math.Abs(b.Mass-38./3) > 0.02 || b.Refused != "" {
			t.Errorf("by %s: %+v, want 12.667 kg", b.By, b)
		}
	}
	refused := call("rigcheck", plan, light, heavy, "--mass", "10,14", "--mass-range", "9,12")
	if !bytes.Contains(refused, []byte("outside the range of 9 to 12 kg")) {
		t.Errorf("a mass outside the range was given:\n%s", refused)
	}
}
