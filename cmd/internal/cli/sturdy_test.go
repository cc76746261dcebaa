package cli

import (
	"bytes"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"lapwear/cache/cachetest"
)

// sturdySeason is a small season that passes through every stage.
const sturdySeason = `lapwear: 1
season: "2031"
component: bracket
laps: laps.csv
calendar: calendar.csv
time: {column: TIME, unit: s}
channels:
  acc_z: {column: AZ, unit: g}
  acc_x: {column: AX, unit: g}
  toe: {column: SG, unit: ustrain}
signal: {rate: 256 Hz}
hotspots:
  weld: {gauge: toe, modulus: 70 GPa, follow: acc_z, material: alloy}
  lug: {follow: acc_x, gain: 8 MPa/g, material: alloy}
materials:
  alloy: {source: invented for this test, sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 7}, scatter: 0.1}
scenarios:
  thicker: {hotspots.weld.stress_factor: 0.9}
`

// sturdyLaps is the number of recordings of the season.
const sturdyLaps = 3

// newSeason writes the season of sturdyLaps recordings into a folder and returns its file.
func newSeason(t *testing.T, dir string) string {
	t.Helper()
	manifest := "lap_id,file,circuit,use\n"
	files := map[string]string{"season.yaml": sturdySeason, "calendar.csv": "circuit,session,laps,lap_km\nHill,race,20,4\nDale,race,10,5\n"}
	for i := range sturdyLaps {
		name := fmt.Sprintf("lap%d.csv", i)
		files[name] = waveText(uint64(i+1), 6)
		manifest += fmt.Sprintf("L%d,%s,%s,both\n", i, name, []string{"Hill", "Dale"}[i%2])
	}
	files["laps.csv"] = manifest
	for name, text := range files {
		writeText(t, filepath.Join(dir, name), text)
	}
	return filepath.Join(dir, "season.yaml")
}

func writeText(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

// call runs a command in this process.
func call(args ...string) (code int, stdout, stderr string) {
	var out, err bytes.Buffer
	code = Main(args, &out, &err)
	return code, out.String(), err.String()
}

// results reads the files of an output folder, the report too.
func results(t *testing.T, out string) map[string]string {
	t.Helper()
	entries, err := os.ReadDir(out)
	if err != nil {
		t.Fatal(err)
	}
	files := map[string]string{}
	for _, e := range entries {
		text, err := os.ReadFile(filepath.Join(out, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		files[e.Name()] = string(text)
	}
	return files
}

// sameResults compares two sets of files byte by byte and names those that differ.
func sameResults(t *testing.T, when string, want, got map[string]string) {
	t.Helper()
	names := maps.Clone(want)
	maps.Copy(names, got)
	for _, n := range slices.Sorted(maps.Keys(names)) {
		w, inWant := want[n]
		g, inGot := got[n]
		if inWant != inGot || w != g {
			t.Errorf("%s: file %s differs from that of an undisturbed run: there %t, here %t, %d and %d bytes", when, n, inWant, inGot, len(w), len(g))
		}
	}
}

// undisturbed runs a season beside its own cache and returns its results.
func undisturbed(t *testing.T, season string, set ...string) map[string]string {
	t.Helper()
	dir := cachetest.MemoryDir(t)
	out := filepath.Join(dir, "out")
	if code, _, stderr := call(append([]string{"run", season, "--out", out, "--cache", filepath.Join(dir, "cache"), "--quiet"}, set...)...); code != exitDone {
		t.Fatalf("undisturbed run: exit code %d\n%s", code, stderr)
	}
	return results(t, out)
}
