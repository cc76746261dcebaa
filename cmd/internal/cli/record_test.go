package cli

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache"
	"lapwear/cache/cachetest"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
)

// recordOf is the record of a run of one task.
func recordOf(task string) (r *pipeline.Record, encoded []byte) {
	r = &pipeline.Record{Tasks: []pipeline.RecordedTask{{Name: task, Status: pipeline.Hit}}}
	return r, r.Frame().AppendEncoded(nil)
}

func openCache(t *testing.T, dir string) *cache.Store {
	t.Helper()
	c, err := cache.Open(dir, cache.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

// A run that leaves the record it has found puts it all the same where another run has put its own meanwhile.
func TestRecordAfterAnotherRuns(t *testing.T) {
	c := openCache(t, t.TempDir())
	own, encoded := recordOf("own")
	_, others := recordOf("another's")
	for reason, there := range map[string][]byte{"its own": encoded, "another run's": others, "none": nil} {
		out := "/" + reason
		if there != nil {
			if err := c.PutRun(out, there); err != nil {
				t.Fatal(err)
			}
		}
		a, w := &app{out: io.Discard, err: io.Discard}, &opened{out: out, store: c}
		a.putRecord(w, a.draftRecord(w, own, earlierOf(own, encoded), false))
		w.rest.Wait()
		if got, miss := c.Run(out); miss != "" || string(got) != string(encoded) {
			t.Errorf("%s is there: record %q, want the run's own; %s", reason, got, miss)
		}
	}
}

// A run that fails at once has read the last one's record when it returns: nothing reads the cache once it is closed.
func TestFailedRunReadsToItsEnd(t *testing.T) {
	dir := t.TempDir()
	c := openCache(t, dir)
	_, encoded := recordOf("last")
	if err := c.PutRun("/out", encoded); err != nil {
		t.Fatal(err)
	}
	path := cacheFiles(t, dir, "runs")[0]
	fails := errors.New("fails")
	for range 50 {
		old := time.Now().Add(-48 * time.Hour)
		if err := os.Chtimes(path, old, old); err != nil {
			t.Fatal(err)
		}
		w := &opened{out: "/out", store: c, results: c}
		_, err := (&app{out: io.Discard, err: io.Discard}).bringUp(w, runOptions{}, func(func() *pipeline.Record) (*season.Outcome, error) { return nil, fails })
		if !errors.Is(err, fails) {
			t.Fatal(err)
		}
		if i, err := os.Stat(path); err != nil || time.Since(i.ModTime()) > time.Hour {
			t.Fatalf("the record is not read yet: %v", err)
		}
	}
}

// A run that cannot publish its tables leaves the record of the one before, and nothing else among the records.
func TestRecordFollowsTables(t *testing.T) {
	dir := cachetest.MemoryDir(t)
	path := newSeason(t, dir)
	store, out := filepath.Join(dir, "cache"), filepath.Join(dir, "out")
	quiet(t, "run", path, "--out", out, "--cache", store)
	before := filesOf(t, filepath.Join(store, "runs"))
	o := runOptions{out: out, cache: store, set: []string{"hotspots.weld.stress_factor=1.2"}}
	a := &app{out: io.Discard, err: io.Discard}
	w, err := a.open(context.Background(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	_, err = a.bringUp(w, o, func(earlier func() *pipeline.Record) (*season.Outcome, error) {
		if err := os.RemoveAll(out); err != nil {
			t.Fatal(err)
		}
		writeText(t, out, "a file in the place of the folder")
		return w.Run(context.Background(), w.session(o, a.newProgress()), earlier)
	})
	w.close()
	if err == nil {
		t.Fatal("tables were published into a file")
	}
	if d := cmp.Diff(before, filesOf(t, filepath.Join(store, "runs"))); d != "" {
		t.Errorf("a run that failed changed the records: -want +got\n%s", d)
	}
}
