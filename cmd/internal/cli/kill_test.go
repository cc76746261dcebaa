package cli

import (
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"lapwear/cache/cachetest"
)

// kills is how many runs are killed; with LAPWEAR_THOROUGH it is 200.
const kills = 24

// A run that is killed at any moment costs its unfinished work and nothing else: the
// next run ends with the bytes of an undisturbed one, and the cache is sound. The moment
// is drawn over the length of a run, the season cold or in part done, as kills left it.
func TestKilledAtAnyMoment(t *testing.T) {
	dir := t.TempDir()
	season := newSeason(t, dir)
	want := undisturbed(t, season)
	long := length(t, season)
	n := kills
	switch {
	case raceDetector:
		n = 4
	case testing.Short():
		n = 10
	case os.Getenv("LAPWEAR_THOROUGH") != "":
		n = 200
	}
	t.Run("workers", func(t *testing.T) {
		for w := range 2 {
			t.Run(fmt.Sprint(w), func(t *testing.T) {
				t.Parallel()
				killed, finished := killRuns(t, season, want, uint64(w), n/2, long)
				t.Logf("%d runs killed, %d had ended; a run takes %v", killed, finished, long)
				if killed < n/4 {
					t.Errorf("only %d of %d runs were killed before they ended", killed, n/2)
				}
			})
		}
	})
}

// length measures a cold run in a process of its own.
func length(t *testing.T, season string) time.Duration {
	t.Helper()
	dir := cachetest.MemoryDir(t)
	start := time.Now()
	if text, err := exec.Command("lapwear", "run", season, "--out", filepath.Join(dir, "out"), "--cache", filepath.Join(dir, "cache")).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return time.Since(start)
}

// killRuns kills n runs. Every third begins on nothing; the others on the season of
// another gain, or on the outputs alone.
func killRuns(t *testing.T, season string, want map[string]string, seed uint64, n int, long time.Duration) (killed, finished int) {
	random := rand.New(rand.NewPCG(seed, 1))
	var dir string
	for i := 0; killed < n && i < 3*n; i++ {
		var set []string
		switch i % 3 {
		case 0:
			dir = cachetest.MemoryDir(t)
		case 1:
			set = []string{"--set", fmt.Sprintf("hotspots.lug.gain=%d MPa/g", 9+i)}
		case 2:
			os.RemoveAll(filepath.Join(dir, "cache"))
		}
		out, store := filepath.Join(dir, "out"), filepath.Join(dir, "cache")
		after := time.Duration(random.Int64N(int64(long)))
		if killAfter(t, after, append([]string{"run", season, "--out", out, "--cache", store, "--quiet"}, set...)...) {
			finished++
			long = max(after, time.Millisecond) // it was shorter than thought
		} else {
			killed++
		}
		when := fmt.Sprintf("worker %d, run %d killed after %v", seed, i, after)
		code, _, stderr := call("run", season, "--out", out, "--cache", store, "--quiet")
		if code != exitDone {
			t.Fatalf("%s, next run: exit code %d\n%s", when, code, stderr)
		}
		sameResults(t, when, want, results(t, out))
		cachetest.Sound(t, when, store)
		if t.Failed() {
			return killed, finished
		}
	}
	return killed, finished
}

// killAfter starts a run and kills it; ended tells whether it had ended before.
func killAfter(t *testing.T, after time.Duration, args ...string) (ended bool) {
	t.Helper()
	c := exec.Command("lapwear", args...)
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	time.Sleep(after)
	c.Process.Kill()
	c.Wait()
	return c.ProcessState.Exited()
}
