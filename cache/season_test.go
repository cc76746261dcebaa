package cache_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lapwear/cache"
	"lapwear/cache/cachetest"
	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
)

const smallSeason = `lapwear: 1
season: "2031"
component: bracket
laps: laps.csv
time: {rate: 100 Hz}
channels: {acc: {column: AZ, unit: g}}
signal: {rate: 128 Hz}
hotspots: {toe: {follow: acc, gain: 10 MPa/g, material: m}}
materials: {m: {source: invented for this test, sn: {kind: power, amplitude: 100 MPa, cycles: 1e6, slope: 4}}}
`

func newSeason(t *testing.T) *season.Season {
	t.Helper()
	dir := t.TempDir()
	for name, text := range map[string]string{
		"season.yaml": smallSeason,
		"laps.csv":    "lap_id,file,circuit\nA,a.csv,Hill\nB,b.csv,Hill\n",
		"a.csv":       "AZ\n" + strings.Repeat("0\n4\n9\n3\n", 60),
		"b.csv":       "AZ\n" + strings.Repeat("1\n4\n8\n2\n-3\n", 60),
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	s, faults := season.Load(filepath.Join(dir, "season.yaml"), season.LoadOptions{})
	if faults != nil {
		t.Fatal(faults)
	}
	return s
}

// runOn runs a season with a store as a process does, and returns the hashes of its
// tables and the laps that were set aside; an error says that the store could not be opened, or the run not end.
func runOn(t *testing.T, s *season.Season, dir string, o cache.Options) (map[string]key.ID, []season.Aside, error) {
	t.Helper()
	o.Durable = true
	store, err := cache.Open(dir, o)
	if err != nil {
		return nil, nil, err
	}
	defer store.Close()
	out, err := s.Run(context.Background(), pipeline.Options{Store: store, Jobs: 1}, nil)
	if err != nil {
		return nil, nil, err
	}
	_ = store.PutRun("/out", out.Record.Frame().AppendEncoded(nil), out.Record.Actions()...)
	tables := map[string]key.ID{}
	for _, x := range out.Tables {
		tables[x.Name] = key.Of(x.Frame.AppendEncoded(nil))
	}
	return tables, out.Laps.SetAside, nil
}

func sameTables(t *testing.T, when string, want, got map[string]key.ID) {
	t.Helper()
	if len(want) != len(got) {
		t.Errorf("%s: %d tables, want %d", when, len(got), len(want))
	}
	for name, id := range want {
		if got[name] != id {
			t.Errorf("%s: table %s differs from that of an undisturbed run", when, name)
		}
	}
}

// A season's run with the store's file operations failing, one in each run, or all from
// one on, as if the process had died there, or the power: a run that goes on gives the
// right tables all the same; after it the store keeps what FORMAT.md promises, and the next run
// gives the right tables.
func TestSeasonWithEveryOperationFailing(t *testing.T) {
	s := newSeason(t)
	base := cachetest.MemoryDir(t)
	calm := &fsx.Faulty{FS: fsx.Disk{}}
	want, _, err := runOn(t, s, filepath.Join(base, "calm"), cache.Options{}.On(calm))
	if err != nil {
		t.Fatal(err)
	}
	total := len(calm.Ops())
	t.Logf("a run does %d operations", total)
	if total < 80 { // reads may come in fewer or more pieces
		t.Fatalf("only %d operations: %q", total, slices.Compact(calm.Ops()))
	}
	stride := 17 // with LAPWEAR_THOROUGH every operation
	if os.Getenv("LAPWEAR_THOROUGH") != "" {
		stride = 1
	}
	for i, how := range []struct {
		reason     string
		crash, cut bool
	}{{"one fails", false, false}, {"the process dies", true, false}, {"the power fails", true, true}} {
		for n := 1 + i; n <= total; n += stride {
			dir := filepath.Join(base, "faulty")
			os.RemoveAll(dir)
			f := &fsx.Faulty{FS: fsx.Disk{}, At: n, Crash: how.crash}
			got, aside, err := runOn(t, s, dir, cache.Options{}.On(f))
			when, recording := fmt.Sprintf("%s, operation %d", how.reason, n), false
			if ops := f.Ops(); n <= len(ops) {
				when += " (" + ops[n-1] + ")"
				recording = strings.HasSuffix(ops[n-1], ".csv")
			}
			switch {
			case how.crash: // it says nothing any more
			case err == nil && len(aside) > 0 && recording: // a recording that cannot be read costs its lap
			case err == nil: // a store that takes nothing more costs no result
				sameTables(t, when, want, got)
			case !strings.Contains(err.Error(), "open cache"):
				t.Errorf("%s: %v", when, err)
			}
			if how.cut {
				if err := f.PowerCut(); err != nil {
					t.Fatal(err)
				}
			}
			cachetest.Sound(t, when, dir)
			if got, _, err = runOn(t, s, dir, cache.Options{}); err != nil {
				t.Fatalf("%s, next run: %v", when, err)
			}
			sameTables(t, when+", next run", want, got)
			cachetest.Sound(t, when+", next run", dir)
			if t.Failed() {
				return
			}
		}
	}
}
