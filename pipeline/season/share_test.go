package season

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/pipeline"
)

// sharedSeason has what a share may meet: a calibration, laps that calibrate and count, two laps
// of one recording, a recording that is at fault, and a scenario of another signal.
func sharedSeason(t *testing.T) *Season {
	t.Helper()
	dir := t.TempDir()
	write := func(name, text string) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		old := time.Now().Add(-time.Hour) // else it may yet change unseen
		if err := os.Chtimes(filepath.Join(dir, name), old, old); err != nil {
			t.Fatal(err)
		}
	}
	manifest := "lap_id,file,circuit,use,start_s,end_s\n"
	for i := range 6 {
		var b strings.Builder
		b.WriteString("AZ,SG\n")
		for k := range 1200 {
			z := float64(2+i%3)*math.Sin(float64(k)*0.31+float64(i)) + math.Sin(float64(k*k%97))
			fmt.Fprintf(&b, "%.4f,%.3f\n", z, 120*z+math.Cos(float64(k)))
		}
		name := fmt.Sprintf("r%d.csv", i)
		write(name, b.String())
		manifest += fmt.Sprintf("L%d,%s,%s,%s,,\n", i, name, []string{"Hill", "Dale"}[i%2], []string{"both", "season", "calibration"}[i%3])
	}
	write("long.csv", "AZ,SG\n"+strings.Repeat("0,0\n5,600\n-3,-360\n4,480\n", 200))
	write("bad.csv", "AX\n1\n2\n")
	write("laps.csv", manifest+"A,long.csv,Hill,season,0,3\nB,long.csv,Hill,season,3,6\nX,bad.csv,Dale,season,,\n")
	write("season.yaml", `
lapwear: 1
season: "2031"
component: bracket
laps: laps.csv
time: {rate: 100 Hz}
channels: {acc: {column: AZ, unit: g}, toe: {column: SG, unit: ustrain}}
hotspots:
  weld: {gauge: toe, modulus: 70 GPa, follow: acc, material: m, accept: {calibration: invented}}
  lug: {follow: acc, gain: 8 MPa/g, material: m}
materials: {m: {source: made up, sn: {kind: power, amplitude: 100 MPa, cycles: 1e6, slope: 4}}}
scenarios:
  smooth: {signal.rate: 128 Hz}
  thin: {hotspots.lug.stress_factor: 1.1}
`)
	s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
	if faults != nil {
		t.Fatal(faults)
	}
	return s
}

// Shares that each have a process of its own, on one cache and at once, leave a run
// nothing but what is drawn from all laps together, without a recording to read.
func TestSharesMakeAWhole(t *testing.T) {
	s, dir := sharedSeason(t), t.TempDir()
	here := openStore(t, dir)
	o := pipeline.Options{Store: here, Jobs: 1}
	due := s.Due(o, here.Hashes, nil)
	want := Due{true, []string{"L0", "L1", "L3", "L4", "A", "B", "X"}}
	if d := cmp.Diff(want, due); d != "" {
		t.Errorf("due of a cold season (-want +got):\n%s", d)
	}
	share := func(laps []string) {
		store := openStore(t, dir)
		got, err := s.Share(context.Background(), pipeline.Options{Store: store, Jobs: 1}, laps)
		if err != nil || len(got.Failed) > 0 {
			t.Errorf("share %q: %v, %v", laps, err, got.Failed)
		}
		if err := errors.Join(store.Sync(), here.Learn(store.Hashed())); err != nil {
			t.Error(err)
		}
	}
	share([]string{})
	if d := cmp.Diff(Due{false, want.Laps}, s.Due(o, here.Hashes, nil)); d != "" {
		t.Errorf("due once calibrated (-want +got):\n%s", d)
	}
	done := make(chan bool)
	hands := s.Deal(want.Laps, 3)
	for _, laps := range hands {
		go func() { share(laps); done <- true }()
	}
	for range hands {
		<-done
	}
	if d := cmp.Diff(Due{}, s.Due(o, here.Hashes, nil)); d != "" {
		t.Errorf("due after all shares (-want +got):\n%s", d)
	}
	out, err := s.Run(context.Background(), o, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, stage := range []string{"ingest", "resample", "calibrate", "count", "damage"} {
		if r := out.Stages[stage]; r.Computed > 0 || r.Planned == 0 {
			t.Errorf("%s: %d of %d tasks left to the run", stage, r.Computed, r.Planned)
		}
	}
	if len(out.Laps.SetAside) != 1 || out.Laps.SetAside[0].Lap != "X" {
		t.Errorf("set aside: %+v, want X", out.Laps.SetAside)
	}
}

// A share of a season with a recording that is not there says what could not be done; a
// plan does not count it as due, for nobody could do it.
func TestShareWithoutRecording(t *testing.T) {
	s := sharedSeason(t)
	if err := os.Remove(filepath.Join(s.Dir, "r1.csv")); err != nil {
		t.Fatal(err)
	}
	store := openStore(t, t.TempDir())
	o := pipeline.Options{Store: store, Jobs: 1}
	got, err := s.Share(context.Background(), o, []string{"L1", "L4"})
	if err != nil {
		t.Fatal(err)
	}
	if len(got.Failed) == 0 || !strings.HasPrefix(got.Failed[0].Task, "ingest L1 ") || !strings.Contains(got.Failed[0].Reason, `there is no recording "r1.csv"`) {
		t.Errorf("failed: %+v", got.Failed)
	}
	if due := s.Due(o, store.Hashes, []string{"L1", "L4"}); due.Calibrations || len(due.Laps) > 0 {
		t.Errorf("due: %+v", due)
	}
}

// Laps are dealt by recording, all of them, each to one hand.
func TestDeal(t *testing.T) {
	s := sharedSeason(t)
	for _, tt := range []struct {
		reason string
		n      int
		want   [][]string
	}{
		{"one hand takes all", 1, [][]string{{"L0", "L1", "L3", "A", "B"}}},
		{"by turns; one recording stays together", 2, [][]string{{"L0", "L3"}, {"L1", "A", "B"}}},
		{"more hands than recordings", 5, [][]string{{"L0"}, {"L1"}, {"L3"}, {"A", "B"}, nil}},
	} {
		if d := cmp.Diff(tt.want, s.Deal([]string{"L0", "L1", "L3", "A", "B"}, tt.n)); d != "" {
			t.Errorf("%s (-want +got):\n%s", tt.reason, d)
		}
	}
}
