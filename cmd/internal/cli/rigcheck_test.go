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

// TestRigcheckOfSeveralAxes plans a test for hot spots whose stress is a sum of two channels, 8 MPa/g and 5 MPa/g, or a resonance's
// response to one, and lets a rig run it at 0.9 of one axis. What that does is worked out here from the drive: the sum, and the response
// of y” + 2·0.1·w·y' + w²·y = w²·x at 9 Hz, stepped exactly for lines between samples by small steps, each by the count of threePoint.
func TestRigcheckOfSeveralAxes(t *testing.T) {
	if raceDetector {
		t.Skip("it looks at files, not at what runs at once")
	}
	for _, c := range []struct{ spot, keys, begins string }{
		{"sum", "hotspots: {sum: {gauge: gauge, follow: auto, modulus: 70 GPa, material: alloy}}\ncalibration: {combine: 2}", "\nsum,acc_x,"},
		{"rings", "hotspots: {rings: {gauge: gauge, follow: acc_z, transfer: frf, modulus: 70 GPa, material: alloy}}", "\nrings,acc_z,"},
	} {
		t.Run(c.spot, func(t *testing.T) { rigOfSeveralAxes(t, c.spot, c.keys, c.begins) })
	}
}

func rigOfSeveralAxes(t *testing.T, spot, keys, begins string) {
	dir := t.TempDir()
	t.Setenv("LAPWEAR_CACHE", filepath.Join(dir, "cache"))
	sum := func(x, z []float64) []float64 {
		out := make([]float64, len(x))
		for i := range x {
			out[i] = 8*z[i] + 5*x[i]
		}
		return out
	}
	rings := func(z []float64) []float64 { // 8 MPa/g when at rest
		const steps, w = 32, 2 * math.Pi * 9
		out := make([]float64, len(z))
		y, v := 0.0, 0.0
		for i := range z {
			before := z[max(0, i-1)]
			for k := range steps {
				x := before + (z[i]-before)*float64(k)/steps
				v += (w*w*(8*x-y) - 0.2*w*v) / (256 * steps)
				y += v / (256 * steps)
			}
			out[i] = y
		}
		return out
	}
	record := func(name string, x, z []float64) string {
		var b strings.Builder
		b.WriteString("TIME,AX,AZ,SUM,RINGS\n")
		s, r := sum(x, z), rings(z)
		for i := range x {
			fmt.Fprintf(&b, "%.6f,%.12g,%.12g,%.12g,%.12g\n", float64(i)/256, x[i], z[i], s[i]/0.07, r[i]/0.07)
		}
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(b.String()), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	z := blows(60)
	x := make([]float64, len(z))
	for i := range x { // its blows come 3.3 s later
		x[i] = 0.8 * z[(i+845)%len(z)]
	}
	record("a.csv", x, z)
	for name, text := range map[string]string{
		"laps.csv": "lap_id,file,circuit,distance_km,use\nA,a.csv,Hill,3,both\n",
		"season.yaml": `lapwear: 1
season: "2031"
component: bracket
laps: laps.csv
time: {column: TIME, unit: s}
signal: {rate: 256 Hz}
channels: {acc_x: {column: AX, unit: g}, acc_z: {column: AZ, unit: g}, gauge: {column: ` + strings.ToUpper(spot) + `, unit: ustrain}}
rig: {drive: [acc_x, acc_z]}
` + keys + `
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
	folder := filepath.Join(dir, "out", planFolder)
	responses, err := os.ReadFile(filepath.Join(folder, "responses.csv"))
	if err != nil || !bytes.Contains(responses, []byte(begins)) {
		t.Fatalf("the plan has not kept the transfer: %v, %.200s", err, responses)
	}
	dx, dz := driveColumn(t, filepath.Join(folder, "drive.csv"), "acc_x_g"), driveColumn(t, filepath.Join(folder, "drive.csv"), "acc_z_g")
	again := func(v []float64, by float64) []float64 {
		out := make([]float64, 7*len(v)/2)
		for i := range out {
			out[i] = by * v[i%len(v)]
		}
		return out
	}
	run := record("run.csv", again(dx, 1), again(dz, 0.9))
	var got struct {
		Iterations []struct {
			Hotspot string
			Ratio   float64 `json:"damage_ratio"`
		}
		Left []string `json:"not_compared"`
	}
	if err := json.Unmarshal(call("rigcheck", filepath.Join(folder, planName), run, "--json"), &got); err != nil {
		t.Fatal(err)
	}
	third := func(v []float64) []float64 { return v[len(dx) : 2*len(dx)] } // once what was before is the drive, too
	damage := func(stress []float64) float64 {
		for i := range stress {
			stress[i] /= 8
		}
		return threePoint(stress)
	}
	want := map[string]float64{
		"sum":   damage(third(sum(again(dx, 1), again(dz, 0.9)))) / damage(third(sum(again(dx, 1), again(dz, 1)))),
		"rings": damage(third(rings(again(dz, 0.9)))) / damage(third(rings(again(dz, 1)))),
	}
	if len(got.Iterations) != 1 || got.Iterations[0].Hotspot != spot || len(got.Left) > 0 {
		t.Fatalf("%+v, want hot spot %s", got, spot)
	}
	for _, it := range got.Iterations {
		if math.Abs(it.Ratio/want[it.Hotspot]-1) > 0.03 {
			t.Errorf("%s: damage ratio %g, want %g", it.Hotspot, it.Ratio, want[it.Hotspot])
		}
	}
}
