package cli

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lapwear/cache/cachetest"
)

// night is what one night took.
type night struct {
	cpu    time.Duration
	memory int64 // KiB, at most
	cache  int64 // bytes, after pruning
	out    int64
}

// soakLaps is how many laps the season of the soak keeps; an older one's recording is
// written over by the newest.
const soakLaps = 12

// Night after night a season changes a little: a lap is added, or the calendar changes, or
// the material. What a night takes stays level, results stay those of a cold run, and the
// cache is sound. Nights are a day apart for the cache, whose files are made older.
func TestSoak(t *testing.T) {
	nights, every := 9, 9
	switch {
	case testing.Short() || raceDetector:
		t.Skip("many nights")
	case os.Getenv("LAPWEAR_THOROUGH") != "":
		nights, every = 500, 50
	}
	dir := cachetest.MemoryDir(t)
	season, out, store := newSeason(t, dir), filepath.Join(dir, "out"), filepath.Join(dir, "cache")
	var all []night
	for n := range nights {
		becomes(t, dir, n)
		got := runNight(t, season, out, store)
		quiet(t, "cache", "prune", "--cache", store, "--max-age", "7")
		got.cache, got.out = bytesIn(t, store), bytesIn(t, out)
		all = append(all, got)
		if n%every == every-1 {
			sameResults(t, fmt.Sprintf("night %d", n+1), undisturbed(t, season), results(t, out))
			cachetest.Sound(t, fmt.Sprintf("night %d", n+1), store)
			t.Logf("night %d: processor %v, memory %d KiB, cache %d bytes, outputs %d bytes", n+1, got.cpu, got.memory, got.cache, got.out)
		}
		if t.Failed() {
			return
		}
		agedBy(t, store, 24*time.Hour)
	}
	// The first fifth fills the cache with what seven days hold.
	early, late := all[nights/5:2*nights/5], all[4*nights/5:]
	for _, m := range []struct {
		name  string
		of    func(night) int64
		level float64
	}{
		{"memory", func(n night) int64 { return n.memory }, 1.15},
		{"cache", func(n night) int64 { return n.cache }, 1.1},
		{"outputs", func(n night) int64 { return n.out }, 1.1},
		{"processor time", func(n night) int64 { return int64(n.cpu) }, 1.5}, // of a machine that others use
	} {
		a, b := median(early, m.of), median(late, m.of)
		t.Logf("%s: median of nights %d to %d: %d, of the last %d: %d", m.name, nights/5+1, 2*nights/5, a, len(late), b)
		if nights >= 100 && float64(b) > m.level*float64(a) {
			t.Errorf("%s grew from %d to %d", m.name, a, b)
		}
	}
}

// becomes makes the season that of a night.
func becomes(t *testing.T, dir string, n int) {
	t.Helper()
	added, planned, changed := (n+2)/3, (n+1)/3, n/3 // how often each has happened, this night included
	manifest := "lap_id,file,circuit,use\n"
	for i := added; i < added+soakLaps; i++ {
		manifest += fmt.Sprintf("L%d,soak%d.csv,%s,both\n", i, i%soakLaps, []string{"Hill", "Dale"}[i%2])
		if i == added+soakLaps-1 || n == 0 {
			writeText(t, filepath.Join(dir, fmt.Sprintf("soak%d.csv", i%soakLaps)), waveText(uint64(i+1), 6))
		}
	}
	writeText(t, filepath.Join(dir, "laps.csv"), manifest)
	writeText(t, filepath.Join(dir, "calendar.csv"), fmt.Sprintf("circuit,session,laps,lap_km\nHill,race,%d,4\nDale,race,10,5\n", 20+planned))
	writeText(t, filepath.Join(dir, "season.yaml"), strings.Replace(sturdySeason, "amplitude: 90 MPa", fmt.Sprintf("amplitude: %g MPa", 90+float64(changed)/100), 1))
}

// runNight runs the season in a process of its own.
func runNight(t *testing.T, season, out, store string) (n night) {
	t.Helper()
	c, said := start(t, "run", season, "--out", out, "--cache", store, "--quiet", "--jobs", "1")
	done := make(chan error)
	go func() { done <- c.Wait() }()
	for {
		select {
		case err := <-done:
			if err != nil {
				t.Fatalf("%v\n%s", err, said)
			}
			n.cpu = c.ProcessState.UserTime() + c.ProcessState.SystemTime()
			return n
		case <-time.After(5 * time.Millisecond):
			// What wait tells counts the process that it was started from, too.
			n.memory = max(n.memory, int64(peakResident(fmt.Sprint(c.Process.Pid))>>10))
		}
	}
}

// bytesIn is how many bytes the files of a folder hold.
func bytesIn(t *testing.T, dir string) (n int64) {
	t.Helper()
	for _, path := range cacheFiles(t, dir, "") {
		n += stat(t, path).Size()
	}
	return n
}

func stat(t *testing.T, path string) os.FileInfo {
	t.Helper()
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	return info
}

// agedBy makes all that a cache holds older.
func agedBy(t *testing.T, store string, by time.Duration) {
	t.Helper()
	for _, path := range cacheFiles(t, store, "") {
		old := stat(t, path).ModTime().Add(-by)
		if err := os.Chtimes(path, old, old); err != nil {
			t.Fatal(err)
		}
	}
}

func median(nights []night, of func(night) int64) int64 {
	var v []int64
	for _, n := range nights {
		v = append(v, of(n))
	}
	slices.Sort(v)
	return v[len(v)/2]
}
