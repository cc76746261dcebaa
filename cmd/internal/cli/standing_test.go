package cli

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"lapwear/cache/cachetest"
	"lapwear/cache/key"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
)

// standsFor tells whether the last run's results stand.
func standsFor(t *testing.T, season string, o runOptions) bool {
	t.Helper()
	a := &app{out: io.Discard, err: io.Discard, json: true}
	w, err := a.open(context.Background(), season, o)
	if err != nil {
		t.Fatal(err)
	}
	defer w.close()
	_, ok := a.stands(w, o)
	return ok
}

// old dates a recording so long ago that its hash is trusted.
func old(t *testing.T, path string, ago time.Duration) {
	t.Helper()
	at := time.Now().Add(-ago)
	if err := os.Chtimes(path, at, at); err != nil {
		t.Fatal(err)
	}
}

// trustedSeason writes a season whose recordings are so old that their hashes are trusted.
func trustedSeason(t *testing.T) (season, store, out string) {
	t.Helper()
	dir := cachetest.MemoryDir(t)
	season = newSeason(t, dir)
	for i := range sturdyLaps {
		old(t, filepath.Join(dir, lapFile(i)), time.Hour)
	}
	return season, filepath.Join(dir, "cache"), filepath.Join(dir, "out")
}

// A run's results stand until something changes that they rest on, whatever that is; then the next run does what is due.
func TestStanding(t *testing.T) {
	season, store, out := trustedSeason(t)
	dir := filepath.Dir(season)
	in := func(name string) string { return filepath.Join(dir, name) }
	replace := func(name, from, to string) {
		t.Helper()
		text, err := os.ReadFile(in(name))
		if err != nil || !strings.Contains(string(text), from) {
			t.Fatal(name, err)
		}
		writeText(t, in(name), strings.Replace(string(text), from, to, 1))
	}
	for _, c := range []struct {
		reason string
		change func()
		set    []string
		want   bool
	}{
		{"nothing changed", func() {}, nil, true},
		{"a foreign file came", func() { writeText(t, in("out/notes.txt"), "!") }, nil, true},
		{"a value is replaced", func() {}, []string{"hotspots.weld.stress_factor=1.2"}, false},
		{"another recording", func() { writeText(t, in(lapFile(1)), waveText(77, 6)); old(t, in(lapFile(1)), 2*time.Hour) }, nil, false},
		{"a recording with a later date", func() { old(t, in(lapFile(2)), time.Minute) }, nil, false},
		{"a recording too new to be trusted", func() { old(t, in(lapFile(2)), 0) }, nil, false},
		{"a recording dated back", func() { old(t, in(lapFile(2)), time.Hour) }, nil, false},
		{"another calendar", func() { replace("calendar.csv", "20", "21") }, nil, false},
		{"another manifest", func() { replace("laps.csv", "L1,", "L9,") }, nil, false},
		{"another season file", func() { replace("season.yaml", "season:", "season: ") }, nil, false},
		{"a table of the same length altered", func() { replace("out/laps.csv", "0", "1") }, nil, false},
		{"a table gone", func() { remove(t, in("out/season.parquet")) }, nil, false},
		{"a plan came", func() { writeText(t, in(filepath.Join("out", planFolder, "notes.txt")), "{}") }, nil, false},
		{"the run's record gone", func() { removeRun(t, store, out) }, nil, false},
		{"what stands is damaged", func() { replace("cache/runs/"+runFile(standingName(out)), "JSON", "JSOM") }, nil, false},
	} {
		for range 2 { // the first computes
			quiet(t, "run", season, "--out", out, "--cache", store, "--json")
		}
		c.change()
		o := runOptions{out: out, cache: store, set: c.set, alone: true}
		if got := standsFor(t, season, o); got != c.want {
			t.Errorf("%s: stands %v, want %v", c.reason, got, c.want)
		}
		quiet(t, "run", season, "--out", out, "--cache", store, "--json")
		if err := os.RemoveAll(filepath.Join(out, planFolder)); err != nil {
			t.Fatal(err)
		}
		got := results(t, out)
		delete(got, "notes.txt")
		sameResults(t, c.reason, undisturbed(t, season), got)
	}
}

// The results of a run that changed something stand at once, and what it noted of its files, written or not, is what who looks finds.
func TestStandingOfChange(t *testing.T) {
	season, store, out := trustedSeason(t)
	for _, set := range []string{"hotspots.weld.stress_factor=1", "hotspots.weld.stress_factor=1.2"} {
		o := runOptions{out: out, cache: store, set: []string{set}, alone: true}
		quiet(t, "run", season, "--out", out, "--cache", store, "--set", set, "--json")
		c := openCache(t, store)
		s, ok := readStanding(c, out)
		if !ok || len(s.Files) < 10 {
			t.Fatalf("%s: the run has left %+v", set, s)
		}
		for _, f := range s.Files {
			now, err := c.See(filepath.Join(out, f.Name))
			if now.Recorded = f.Recorded; err != nil || now != f.Seen {
				t.Errorf("%s: %s is %+v, noted %+v, %v", set, f.Name, now, f.Seen, err)
			}
		}
		if !standsFor(t, season, o) {
			t.Errorf("%s: the results do not stand", set)
		}
	}
}

// What the rig test leaves while a run is under way is not in its report: the results do not stand.
func TestStandingKnowsOnlyTheRigTestOfTheReport(t *testing.T) {
	dir := cachetest.MemoryDir(t)
	path := newSeason(t, dir)
	for i := range sturdyLaps {
		old(t, filepath.Join(dir, lapFile(i)), time.Hour)
	}
	for _, late := range []bool{false, true} {
		o := runOptions{out: filepath.Join(dir, "out"), cache: filepath.Join(dir, "cache"), alone: true}
		a := &app{out: io.Discard, err: io.Discard, json: true}
		w, err := a.open(context.Background(), path, o)
		if err != nil {
			t.Fatal(err)
		}
		outcome, err := a.bringUp(w, o, func(earlier func() *pipeline.Record) (*season.Outcome, error) {
			return w.Run(context.Background(), w.session(o, a.newProgress()), earlier)
		})
		if err != nil {
			t.Fatal(err)
		}
		if late {
			writeText(t, filepath.Join(o.out, planFolder, "notes.txt"), "{}")
		}
		a.leaveStanding(w, o, outcome)
		w.close()
		if got := standsFor(t, path, o); got == late {
			t.Errorf("files of the rig test come after the report %v: stands %v", late, got)
		}
	}
}

// A program that is replaced during a run is not taken for the one that runs.
func TestProgramIsTheOneThatStarted(t *testing.T) {
	path, err := os.Executable()
	if err != nil {
		t.Skip(err)
	}
	info, err := os.Stat(path)
	if err != nil {
		t.Skip(err)
	}
	was := program()
	old(t, path, time.Hour)
	defer os.Chtimes(path, info.ModTime(), info.ModTime())
	if program() != was || programFile() == was {
		t.Errorf("program %q, at first %q, now in its place %q", program(), was, programFile())
	}
}

// progressLine is what a run says now and then that takes more than some seconds, as it may on a busy machine.
var progressLine = regexp.MustCompile(`(?m)^\d+ of \d+ steps done, .*\n`)

// What a run says whose results stand is what one says that looks everything up.
func TestStandingSaysTheSame(t *testing.T) {
	season, store, out := trustedSeason(t)
	for _, how := range [][]string{nil, {"--json"}, {"--quiet"}, {"--json", "--quiet"}} {
		args := append([]string{"run", season, "--out", out, "--cache", store}, how...)
		type said struct {
			code           int
			stdout, stderr string
		}
		var first, last said
		call(args...)
		remove(t, filepath.Join(store, "runs", runFile(standingName(out))))
		first.code, first.stdout, first.stderr = call(args...)
		first.stderr = progressLine.ReplaceAllString(first.stderr, "")
		if !standsFor(t, season, runOptions{out: out, cache: store, alone: true}) {
			t.Fatalf("%q: the results do not stand", how)
		}
		if last.code, last.stdout, last.stderr = call(args...); first != last {
			t.Errorf("%q: said\n%+v\nand then\n%+v", how, first, last)
		}
	}
	_, why, _ := call("why", filepath.Join(out, "season.csv"), "1", "--cache", store)
	if strings.Contains(why, "computed in the last run") || !strings.Contains(why, "up to date") {
		t.Errorf("why says of a run that had nothing to do:\n%s", why)
	}
}

func removeRun(t *testing.T, store, name string) {
	t.Helper()
	remove(t, filepath.Join(store, "runs", runFile(name)))
}

// lapFile is the name of a recording of newSeason.
func lapFile(i int) string { return fmt.Sprintf("lap%d.csv", i) }

// runFile is the name of the file of a run record.
func runFile(name string) string { return key.Of([]byte(name)).String() }

// What comes in the place of a file during a run, once it was read, is not what the tables were made from.
func TestInputsAreWhatWasRead(t *testing.T) {
	dir := cachetest.MemoryDir(t)
	path := newSeason(t, dir)
	for i := range sturdyLaps {
		old(t, filepath.Join(dir, lapFile(i)), time.Hour)
	}
	o := runOptions{out: filepath.Join(dir, "out"), cache: filepath.Join(dir, "cache"), alone: true}
	a := &app{out: io.Discard, err: io.Discard, json: true}
	w, err := a.open(context.Background(), path, o)
	if err != nil {
		t.Fatal(err)
	}
	read := map[string]string{}
	for _, file := range []string{path, w.LapsFile, filepath.Join(dir, lapFile(1))} {
		read[filepath.Base(file)] = fileHash(file)
	}
	_, err = a.bringUp(w, o, func(earlier func() *pipeline.Record) (*season.Outcome, error) {
		outcome, err := w.Run(context.Background(), w.session(o, a.newProgress()), earlier)
		for name := range read {
			writeText(t, filepath.Join(dir, name), "another\n")
		}
		return outcome, err
	})
	if err != nil {
		t.Fatal(err)
	}
	w.close()
	in, err := readInputs(o.out)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range in.Files {
		if want, ok := read[f.Path]; ok && f.SHA256 != want {
			t.Errorf("%s %s: the tables are said to be made from %s, want %s", f.Role, f.Path, f.SHA256, want)
		}
		delete(read, f.Path)
	}
	if len(read) > 0 {
		t.Errorf("not among the files: %v", read)
	}
}
