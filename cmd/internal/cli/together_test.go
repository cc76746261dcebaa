package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"lapwear/cache"
	"lapwear/cache/cachetest"
	"lapwear/cmd/internal/folder"
)

// start begins a command in a process of its own.
func start(t *testing.T, args ...string) (c *exec.Cmd, stderr *bytes.Buffer) {
	t.Helper()
	c = exec.Command("lapwear", args...)
	stderr = &bytes.Buffer{}
	c.Stderr = stderr
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	return c, stderr
}

// Eight processes share one cache, each with outputs of its own, some of them of another
// what-if, while others prune all that may go, again and again: each ends with the bytes
// of an undisturbed run, and the cache is sound. So do eight on the
// cache when it is warm but old enough to be pruned.
func TestTogether(t *testing.T) {
	dir := cachetest.MemoryDir(t)
	season := newSeason(t, dir)
	changed := []string{"--set", "hotspots.weld.stress_factor=1.2"}
	sets := [][]string{nil, changed}
	want := []map[string]string{undisturbed(t, season), undisturbed(t, season, changed...)}
	store := filepath.Join(dir, "cache")
	quiet(t, "cache", "stat", "--cache", store) // makes it
	for _, when := range []string{"cold", "warm and old"} {
		age(t, store)
		stop := prunes(t, store)
		var runs []func()
		for i := range 8 {
			out := filepath.Join(dir, fmt.Sprint(when[:4], i))
			c, stderr := start(t, append([]string{"run", season, "--out", out, "--cache", store}, sets[i%2]...)...)
			runs = append(runs, func() {
				if err := c.Wait(); err != nil || stderr.Len() > 0 && bytes.Contains(stderr.Bytes(), []byte("warning")) {
					t.Errorf("%s, process %d: %v\n%s", when, i, err, stderr)
					return
				}
				sameResults(t, fmt.Sprintf("%s, process %d", when, i), want[i%2], results(t, out))
			})
		}
		for _, wait := range runs {
			wait()
		}
		pruned := stop()
		t.Logf("%s: %d prunings", when, pruned)
		if pruned == 0 {
			t.Errorf("%s: nobody pruned meanwhile", when)
		}
		cachetest.Sound(t, when, store)
	}
}

// prunes lets two prune a cache of everything that no live run has used, until stopped.
func prunes(t *testing.T, store string) (stop func() int) {
	t.Helper()
	done := make(chan struct{})
	var mu sync.Mutex
	var n int
	var others sync.WaitGroup
	for range 2 {
		others.Go(func() {
			for {
				select {
				case <-done:
					return
				case <-time.After(5 * time.Millisecond):
				}
				if code, _, stderr := call("cache", "prune", "--cache", store, "--max-size", "1", "--max-age", "0.0000001"); code != exitDone {
					t.Errorf("prune: exit code %d\n%s", code, stderr)
				}
				mu.Lock()
				n++
				mu.Unlock()
			}
		})
	}
	return func() int {
		close(done)
		others.Wait()
		return n
	}
}

// A pruning between two runs costs the second its results and nothing else, also when
// it takes a part of them.
func TestPrunedBetween(t *testing.T) {
	dir := cachetest.MemoryDir(t)
	season := newSeason(t, dir)
	store := filepath.Join(dir, "cache")
	want, _ := tablesWith(t, season, store)
	for _, percent := range []int64{10, 30, 50, 70, 95} {
		when := fmt.Sprintf("pruned to %d %%", percent)
		prune(t, store, percent)
		cachetest.Sound(t, when, store)
		got, _ := tablesWith(t, season, store)
		sameResults(t, when, want, got)
	}
}

// prune leaves so many per cent of what is in a cache.
func prune(t *testing.T, store string, percent int64) {
	t.Helper()
	s, err := cache.Open(store, cache.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	st, err := s.Stat()
	if err != nil {
		t.Fatal(err)
	}
	before := st.Actions.Bytes + st.Blobs.Bytes + st.Runs.Bytes
	p, err := s.Prune(context.Background(), cache.PruneOptions{MaxBytes: before * percent / 100})
	if err != nil || p.Left.Bytes > before*percent/100 || p.Actions.Files == 0 {
		t.Fatalf("left %d of %d bytes, removed %d results, %v", p.Left.Bytes, before, p.Actions.Files, err)
	}
}

// age makes all that a cache holds three days old.
func age(t *testing.T, store string) {
	t.Helper()
	old := time.Now().Add(-72 * time.Hour)
	for _, kind := range []string{"packs", "runs"} {
		for _, path := range cacheFiles(t, store, kind) {
			if err := os.Chtimes(path, old, old); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// Of two runs into one output folder the second is refused and told who writes it; told
// to wait, it waits and then ends well.
func TestTwoOnOneOutput(t *testing.T) {
	dir := cachetest.MemoryDir(t)
	season := longSeason(t, dir, longLaps)
	want := undisturbed(t, season)
	for tries := 1; ; tries++ {
		out, store := filepath.Join(dir, fmt.Sprint("out", tries)), filepath.Join(dir, fmt.Sprint("cache", tries))
		args := []string{"run", season, "--out", out, "--cache", store}
		first, said := start(t, args...)
		claimed(t, out, nil)
		first.Process.Signal(syscall.SIGSTOP) // so that it does not end before the others come
		waiting, saidWaiting := start(t, append(args, "--wait", "10m")...)
		refused, saidRefused := start(t, args...)
		refused.Wait()
		var holder folder.Holder
		text, err := os.ReadFile(filepath.Join(out, folder.LockName))
		wrote := err == nil && json.Unmarshal(text, &holder) == nil && holder.PID == first.Process.Pid
		first.Process.Signal(syscall.SIGCONT)
		if err := first.Wait(); err != nil {
			t.Errorf("the first run: %v\n%s", err, said)
		}
		if err := waiting.Wait(); err != nil {
			t.Errorf("the run that waits: %v\n%s", err, saidWaiting)
		}
		if !wrote && tries < soonTries { // on a busy machine it may have ended before it was stopped
			continue
		}
		name := fmt.Sprintf("process %d on host", first.Process.Pid)
		if code := refused.ProcessState.ExitCode(); code != exitBusy || !strings.Contains(saidRefused.String(), name) {
			t.Errorf("the second run: exit code %d, want %d and the name %q\n%s", code, exitBusy, name, saidRefused)
		}
		sameResults(t, "two on one output", want, results(t, out))
		if s := entriesBeside(t, out); len(s) > 0 {
			t.Errorf("left beside the output folder: %q", s)
		}
		cachetest.Sound(t, "two on one output", store)
		return
	}
}

// entriesBeside lists hidden files beside a folder.
func entriesBeside(t *testing.T, dir string) []string {
	t.Helper()
	names, err := filepath.Glob(filepath.Join(filepath.Dir(dir), ".*"))
	if err != nil {
		t.Fatal(err)
	}
	return names
}
