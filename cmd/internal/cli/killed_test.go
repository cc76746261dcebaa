package cli

import (
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// A run that is killed at any moment leaves the tables of the run before, or its own: all
// of them, whatever the moment.
func TestKilledRunLeavesOneSet(t *testing.T) {
	if testing.Short() {
		t.Skip("kills a dozen runs")
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "season.yaml")
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	write("a.csv", soundCSV())
	write("laps.csv", "lap_id,file,circuit\nA,a.csv,Hill\n")
	run := func(out, factor string) *exec.Cmd {
		write("season.yaml", `lapwear: 1
season: "2031"
component: bracket
laps: laps.csv
time: {column: TIME, unit: s}
channels: {acc_z: {column: AZ, unit: g}}
hotspots: {toe: {follow: acc_z, gain: 8 MPa/g, material: alloy, stress_factor: `+factor+`}}
materials: {alloy: {source: invented for this test, sn: {kind: power, amplitude: 90 MPa, cycles: 1e6, slope: 7}}}
`)
		c := exec.Command("lapwear", "run", file, "--quiet", "--cache", filepath.Join(dir, "cache"), "--out", filepath.Join(dir, out))
		c.Stderr = os.Stderr
		return c
	}
	sets := map[string]map[string]string{}
	for _, factor := range []string{"1", "2"} {
		if err := run("out-"+factor, factor).Run(); err != nil {
			t.Fatal(err)
		}
		sets[factor] = tablesOf(t, filepath.Join(dir, "out-"+factor))
	}
	if cmp.Equal(sets["1"], sets["2"]) || len(sets["1"]) < 10 {
		t.Fatal("the two sets do not differ")
	}
	start := time.Now()
	if err := run("out", "1").Run(); err != nil {
		t.Fatal(err)
	}
	took := time.Since(start)
	changed, last := 0, "1"
	for i := range 14 {
		c := run("out", []string{"2", "1"}[i%2])
		if err := c.Start(); err != nil {
			t.Fatal(err)
		}
		// From a third of its time to well beyond its end, for the set is published late.
		time.Sleep(took/3 + took*time.Duration(i*5%14)/14)
		c.Process.Kill()
		c.Wait()
		got, now := tablesOf(t, filepath.Join(dir, "out")), ""
		for factor, set := range maps.All(sets) {
			if cmp.Equal(set, got) {
				now = factor
			}
		}
		if now == "" {
			t.Fatalf("kill %d: the folder is neither set:\n%s", i, cmp.Diff(sets["1"]["season.csv"], got["season.csv"]))
		}
		if now != last {
			changed++
		}
		last = now
	}
	t.Logf("%d times of 14 the folder had changed when a run was killed", changed)
}

// tablesOf reads a folder's files but for its lock.
func tablesOf(t *testing.T, dir string) map[string]string {
	files := filesOf(t, dir)
	delete(files, ".lapwear-lock")
	return files
}
