package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"lapwear/cache"
	"lapwear/cache/cachetest"
	"lapwear/cmd/internal/folder"
	"lapwear/pipeline"
)

// longLaps is the number of laps of a long season; their resampled signals are hashed and
// not kept, so as many results may be on record and yet be made again.
const longLaps = 6

// longSeason writes a season that takes seconds to run.
func longSeason(t *testing.T, dir string, laps int) string {
	t.Helper()
	season := newSeason(t, dir)
	head, rest, _ := strings.Cut(waveText(7, 300), "\n")
	manifest := "lap_id,file,circuit,use\n"
	for i := range laps {
		name := fmt.Sprintf("long%d.csv", i)
		writeText(t, filepath.Join(dir, name), fmt.Sprintf("%s\n-0.005,%d.5,0,0\n%s", head, i, rest))
		manifest += fmt.Sprintf("L%d,%s,Hill,both\n", i, name)
	}
	writeText(t, filepath.Join(dir, "laps.csv"), manifest)
	writeText(t, filepath.Join(dir, "calendar.csv"), "circuit,session,laps,lap_km\nHill,race,20,4\n")
	return season
}

// soonEnded is within what time a run ends that is told to stop. A busy machine may take longer to end any process: what took longer
// is tried again, soonTries times in all.
const (
	soonEnded = 2 * time.Second
	soonTries = 3
)

// SIGINT and SIGTERM end a run within 2 s; what is finished is kept, and the run is
// told how to go on. Going on gives the bytes of an undisturbed run.
func TestStopped(t *testing.T) {
	dir := cachetest.MemoryDir(t)
	season := longSeason(t, dir, longLaps)
	want := undisturbed(t, season)
	long := length(t, season)
	runs := 0
	// stop stops a run some time after it has begun; stored is how many results it left.
	stop := func(sig syscall.Signal, after time.Duration) (ended bool, stored int) {
		for tries := 1; ; tries++ {
			runs++
			out, store := filepath.Join(dir, fmt.Sprint("out", runs)), filepath.Join(dir, fmt.Sprint("cache", runs))
			when := fmt.Sprintf("%v after %v of %v", sig, after, long)
			code, took, stderr := signalled(t, sig, func(ended <-chan struct{}) {
				claimed(t, out, ended)
				time.Sleep(after)
			}, "run", season, "--out", out, "--cache", store)
			if code == exitDone {
				return true, 0
			}
			if code != exitFailed || !strings.Contains(stderr, "run the same command again to go on") {
				t.Errorf("%s: exit code %d\n%s", when, code, stderr)
			}
			cachetest.Sound(t, when, store)
			stored = entries(t, store)
			if hits := goesOn(t, season, out, store); hits+longLaps < stored {
				t.Errorf("%s: %d results were kept, the next run found %d", when, stored, hits)
			}
			sameResults(t, when, want, results(t, out))
			if took > soonEnded && tries < soonTries {
				continue
			}
			if took > soonEnded {
				t.Errorf("%s: ended after %v, want %v at most", when, took, soonEnded)
			}
			return false, stored
		}
	}
	stopped, kept := 0, 0
	for i, sig := range []syscall.Signal{syscall.SIGINT, syscall.SIGTERM, syscall.SIGINT} {
		if ended, stored := stop(sig, long*time.Duration(i)/4); !ended {
			stopped, kept = stopped+1, kept+stored
		}
	}
	// The machine may be faster or slower than while the run was measured.
	for after := long / 2; kept == 0 && runs < 12; {
		if ended, stored := stop(syscall.SIGINT, after); ended {
			after /= 2
		} else {
			stopped, kept, after = stopped+1, stored, 2*after
		}
	}
	t.Logf("%d of %d runs stopped, %d results kept", stopped, runs, kept)
	if kept == 0 {
		t.Errorf("%d of %d runs were stopped before they ended, with no result kept", stopped, runs)
	}
}

// claimed waits until a run has claimed its output folder, or has ended.
func claimed(t *testing.T, out string, ended <-chan struct{}) {
	t.Helper()
	eventually(t, "a run claims its output folder", func() bool {
		text, err := os.ReadFile(filepath.Join(out, folder.LockName))
		select {
		case <-ended:
			return true
		default:
			return err == nil && len(text) > 0
		}
	})
}

// signalled starts a run, sends it a signal once await returns, and returns how long it then took to end.
func signalled(t *testing.T, sig os.Signal, await func(ended <-chan struct{}), args ...string) (code int, took time.Duration, stderr string) {
	t.Helper()
	c, text := start(t, args...)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		c.Wait()
	}()
	await(ended)
	c.Process.Signal(sig)
	told := time.Now()
	<-ended
	return c.ProcessState.ExitCode(), time.Since(told), text.String()
}

func entries(t *testing.T, dir string) int {
	t.Helper()
	s, err := cache.Open(dir, cache.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	stats, err := s.Stat()
	if err != nil {
		t.Fatal(err)
	}
	return stats.Actions.Files
}

// goesOn runs a season to its end and returns how many results it found.
func goesOn(t *testing.T, season, out, store string) (hits int) {
	t.Helper()
	code, stdout, stderr := call("run", season, "--out", out, "--cache", store, "--json", "--quiet")
	var j struct {
		Stages map[string]pipeline.StageReport
	}
	if err := json.Unmarshal([]byte(stdout), &j); err != nil || code != exitDone {
		t.Fatalf("exit code %d, %v\n%s", code, err, stderr)
	}
	for _, s := range j.Stages {
		hits += s.Hit
	}
	return hits
}

// A command that does not end by itself is left behind; one that does has its say.
func TestWithin(t *testing.T) {
	stopped, cancel := context.WithCancel(context.Background())
	cancel()
	never := make(chan int)
	for _, tt := range []struct {
		reason  string
		ctx     context.Context
		grace   time.Duration
		command func() int
		code    int
		said    string
	}{
		{"ends by itself", context.Background(), time.Minute, func() int { return exitSetAside }, exitSetAside, ""},
		{"stopped, ends in time", stopped, time.Minute, func() int { return exitUsage }, exitUsage, ""},
		{"stopped, hangs", stopped, 50 * time.Millisecond, func() int { return <-never }, exitFailed,
			"lapwear: stopped in the middle of a step; what was finished is stored: run the same command again to go on\n"},
	} {
		var said bytes.Buffer
		abandoned := false
		if code := within(tt.ctx, tt.grace, &said, func() { abandoned = true }, tt.command); code != tt.code || said.String() != tt.said {
			t.Errorf("%s: exit code %d, want %d; said %q", tt.reason, code, tt.code, said.String())
		}
		if abandoned != (tt.said != "") {
			t.Errorf("%s: abandoned %t", tt.reason, abandoned)
		}
	}
}

// A run that ended in the middle of a step because it was told to was not killed: the next
// one does not warn of it. One that was killed it does warn of.
func TestAbandoned(t *testing.T) {
	for _, told := range []bool{true, false} {
		dir := t.TempDir()
		season, out := newSeason(t, dir), filepath.Join(dir, "out")
		a := &app{err: &bytes.Buffer{}, out: &bytes.Buffer{}}
		l, err := a.claim(context.Background(), out, 0)
		if err != nil {
			t.Fatal(err)
		}
		if told {
			a.abandon()
		}
		text, err := os.ReadFile(filepath.Join(out, folder.LockName))
		if err != nil {
			t.Fatal(err)
		}
		a.release(l)
		a.abandon() // of what was released nothing is left to abandon
		writeText(t, filepath.Join(out, folder.LockName), string(text))
		code, _, stderr := call("run", season, "--out", out, "--cache", filepath.Join(dir, "cache"), "--quiet")
		if warned := strings.Contains(stderr, "was killed before it ended"); code != exitDone || warned == told {
			t.Errorf("told to stop %t: exit code %d\n%s", told, code, stderr)
		}
	}
}

// A run that keeps nothing does not promise to go on.
func TestStoppedWithoutCache(t *testing.T) {
	a := &app{err: &bytes.Buffer{}, out: &bytes.Buffer{}}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	err := a.runSeasons(ctx, []string{newSeason(t, t.TempDir())}, runOptions{noCache: true, memory: 1})
	if code := a.exitCode(err); code != exitFailed || !strings.Contains(a.err.(*bytes.Buffer).String(), "run without it to be able to go on") {
		t.Errorf("exit code %d: %v", code, a.err)
	}
}
