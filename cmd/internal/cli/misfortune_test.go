package cli

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"lapwear/cache"
	"lapwear/cache/cachetest"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
)

// cacheKinds are the kinds of files of a cache, by the folder or name they have.
var cacheKinds = []string{"format", "packs", "runs", "leases", "index"}

// cacheFiles lists a cache's files of one kind.
func cacheFiles(t *testing.T, store, kind string) []string {
	t.Helper()
	var out []string
	err := filepath.WalkDir(filepath.Join(store, kind), func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			out = append(out, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// spoil rewrites a file.
func spoil(change func(b []byte) []byte) func(t *testing.T, path string, all []string) {
	return func(t *testing.T, path string, _ []string) {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		writeText(t, path, string(change(b)))
	}
}

// flippedAt changes a byte at a place from 0, the first, to 1, the last.
func flippedAt(at float64) func(t *testing.T, path string, all []string) {
	return spoil(func(b []byte) []byte {
		if len(b) > 0 {
			b[int(at*float64(len(b)-1))] ^= 0x41
		}
		return b
	})
}

// damages are what may befall a file of the cache; all are those of its kind, in order.
var damages = []struct {
	reason string
	do     func(t *testing.T, path string, all []string)
}{
	{"first byte flipped", flippedAt(0)},
	{"a byte of the head flipped", flippedAt(0.05)},
	{"a byte of the first quarter flipped", flippedAt(0.25)},
	{"a byte in the middle flipped", flippedAt(0.5)},
	{"a byte of the last quarter flipped", flippedAt(0.75)},
	{"last byte flipped", flippedAt(1)},
	{"cut by a byte", spoil(func(b []byte) []byte { return b[:max(0, len(b)-1)] })},
	{"cut in half", spoil(func(b []byte) []byte { return b[:len(b)/2] })},
	{"emptied", spoil(func([]byte) []byte { return nil })},
	{"zeros behind it", spoil(func(b []byte) []byte { return append(b, make([]byte, 4096)...) })},
	{"turned into zeros", spoil(func(b []byte) []byte { return make([]byte, len(b)) })},
	{"a length within it beyond all measure", spoil(func(b []byte) []byte {
		if len(b) >= 16 {
			binary.LittleEndian.PutUint64(b[8:], 1<<62)
		}
		return b
	})},
	{"swapped with another of its kind", func(t *testing.T, path string, all []string) {
		other := all[(slices.Index(all, path)+1)%len(all)]
		spoil(func([]byte) []byte {
			b, err := os.ReadFile(other)
			if err != nil {
				t.Fatal(err)
			}
			return b
		})(t, path, all)
	}},
	{"removed", func(t *testing.T, path string, _ []string) { remove(t, path) }},
	{"a folder in its place", func(t *testing.T, path string, _ []string) {
		remove(t, path)
		if err := os.Mkdir(path, 0o777); err != nil {
			t.Fatal(err)
		}
	}},
	{"a dead link in its place", func(t *testing.T, path string, _ []string) {
		remove(t, path)
		if err := os.Symlink("nowhere", path); err != nil {
			t.Fatal(err)
		}
	}},
	{"unreadable", func(t *testing.T, path string, _ []string) {
		// A link to itself: even root cannot read through it.
		remove(t, path)
		if err := os.Symlink(filepath.Base(path), path); err != nil {
			t.Fatal(err)
		}
	}},
}

func remove(t *testing.T, path string) {
	t.Helper()
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
}

// Whatever befalls the files of the cache, all of a kind at once, the next run ends well
// with the tables of an undisturbed one, and so does one for which much is new; after
// them, and after a repair, the cache is sound.
func TestDamagedCache(t *testing.T) {
	if raceDetector {
		t.Skip("it looks at files, not at what runs at once")
	}
	dir := cachetest.MemoryDir(t)
	file := newSeason(t, dir)
	changed := "hotspots.weld.stress_factor=1.2"
	sound := filepath.Join(dir, "sound")
	tablesWith(t, file, sound, "hotspots.weld.stress_factor=1.1") // so that there are two packs
	want, _ := tablesWith(t, file, sound)
	wantChanged, _ := tablesWith(t, file, filepath.Join(dir, "other"), changed)
	leave(t, sound)
	for _, kind := range cacheKinds {
		for _, d := range damages {
			when := kind + ": " + d.reason
			store := filepath.Join(dir, "cache")
			os.RemoveAll(store)
			if err := os.CopyFS(store, os.DirFS(sound)); err != nil {
				t.Fatal(err)
			}
			all := cacheFiles(t, store, kind)
			if len(all) == 0 {
				t.Fatalf("no file of kind %s", kind)
			}
			for _, path := range all {
				d.do(t, path, all)
			}
			got, misses := tablesWith(t, file, store, changed)
			sameResults(t, when+", changed season", wantChanged, got)
			// A flipped byte may be in what is not read.
			if kind == "packs" && len(misses) == 0 && !strings.Contains(d.reason, "flipped") && !strings.Contains(d.reason, "beyond all measure") {
				t.Errorf("%s: no reason is given for what was computed again", when)
			}
			got, _ = tablesWith(t, file, store)
			sameResults(t, when, want, got)
			call("cache", "verify", "--repair", "--cache", store)
			cachetest.Sound(t, when, store, cache.Missing) // what no run has needed since
			if t.Failed() {
				return
			}
		}
	}
}

// tablesWith runs a season and returns its tables in the encoding that hashes are taken
// of, and the reasons why results on record were computed again. It keeps the record of
// the run as a run does.
func tablesWith(t *testing.T, file, store string, set ...string) (tables map[string]string, misses []string) {
	t.Helper()
	s, faults := season.Load(file, season.LoadOptions{Set: set})
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	c, err := cache.Open(store, cache.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	earlier := readRecord(c, "/out").record
	o, err := s.Run(context.Background(), pipeline.Options{Store: c}, func() *pipeline.Record { return earlier })
	if err != nil || len(o.Failures)+len(o.Laps.SetAside) > 0 {
		t.Fatal(err, o.Failures, o.Laps.SetAside)
	}
	if err := c.PutRun("/out", o.Record.Frame().AppendEncoded(nil), o.Record.Actions()...); err != nil {
		t.Fatal(err)
	}
	tables = map[string]string{}
	for _, x := range o.Tables {
		tables[x.Name] = string(x.Frame.AppendEncoded(nil))
	}
	for _, task := range o.Record.Tasks {
		if task.Fresh && task.Miss != cache.NotComputed {
			misses = append(misses, task.Miss)
		}
	}
	return tables, misses
}

// leave adds the lease and the unfinished file of a process that was killed.
func leave(t *testing.T, store string) {
	t.Helper()
	for _, n := range []string{"0123456789abcdef", "0123456789abcdee"} {
		writeText(t, filepath.Join(store, "leases", n), "lapwear lease 1\nhost \"elsewhere\"\npid 7\nstart 1\n")
	}
	writeText(t, filepath.Join(store, "index.0123456789abcdef-1.tmp"), "lwindex1 and no more")
}

// quiet runs a command that must be done without fault.
func quiet(t *testing.T, args ...string) (stderr string) {
	t.Helper()
	code, _, stderr := call(args...)
	if code != exitDone {
		t.Fatalf("%q: exit code %d\n%s", args, code, stderr)
	}
	return stderr
}

// A cache of an older form is opened; what it holds that is no longer understood is
// computed again. One of a newer form is refused.
func TestOlderCache(t *testing.T) {
	if raceDetector {
		t.Skip("it looks at files, not at what runs at once")
	}
	dir := cachetest.MemoryDir(t)
	season := newSeason(t, dir)
	want := undisturbed(t, season)
	store, out := filepath.Join(dir, "cache"), filepath.Join(dir, "out")
	quiet(t, "run", season, "--out", out, "--cache", store)
	old := func(from, to string) func(b []byte) []byte {
		return func(b []byte) []byte { return bytes.ReplaceAll(b, []byte(from), []byte(to)) }
	}
	for kind, change := range map[string]func([]byte) []byte{
		"format": old("cache 2", "cache 1"), "packs": old("lwentry1", "lwentry0"), "runs": old("lwrun001", "lwrun000"), "index": old("lwindex1", "lwindex0"),
	} {
		for _, path := range cacheFiles(t, store, kind) {
			spoil(change)(t, path, nil)
		}
	}
	quiet(t, "run", season, "--out", out, "--cache", store)
	sameResults(t, "older cache", want, results(t, out))
	call("cache", "verify", "--repair", "--cache", store)
	cachetest.Sound(t, "older cache", store)

	writeText(t, filepath.Join(store, "format"), "lapwear cache 99\n")
	code, _, stderr := call("run", season, "--out", out, "--cache", store)
	if code != exitFailed || !strings.Contains(stderr, "use a newer lapwear or another folder") {
		t.Errorf("newer cache: exit code %d\n%s", code, stderr)
	}
	sameResults(t, "newer cache", want, results(t, out))
}

// A cache that cannot be written serves what it has; what is new is computed, and the
// run says that it is not stored.
func TestReadOnlyCache(t *testing.T) {
	if raceDetector {
		t.Skip("it looks at files, not at what runs at once")
	}
	dir := t.TempDir()
	season := newSeason(t, dir)
	want := undisturbed(t, season)
	changed := []string{"--set", "hotspots.weld.stress_factor=1.2"}
	wantChanged := undisturbed(t, season, changed...)
	disk, out := smallDisk(t, "16m"), filepath.Join(dir, "out")
	store := filepath.Join(disk, "cache")
	quiet(t, "run", season, "--out", out, "--cache", store)
	remount(t, disk, true, "")
	stderr := quiet(t, append([]string{"run", season, "--out", out, "--cache", store}, changed...)...)
	sameResults(t, "read-only, changed season", wantChanged, results(t, out))
	if !strings.Contains(stderr, "warning: results are not stored: ") || !strings.Contains(stderr, "read-only file system") {
		t.Errorf("warnings:\n%s", stderr)
	}
	if hits := goesOn(t, season, out, store); hits+madeAgain < entries(t, store) {
		t.Errorf("%d results found, %d are stored", hits, entries(t, store))
	}
	sameResults(t, "read-only", want, results(t, out))
	cachetest.Sound(t, "read-only", store)

	if code, _, stderr := call("run", season, "--out", out, "--cache", filepath.Join(disk, "new")); code != exitFailed || !strings.Contains(stderr, "read-only") {
		t.Errorf("a cache that cannot be made: exit code %d\n%s", code, stderr)
	}
	if code, _, stderr := call("run", season, "--out", filepath.Join(disk, "out"), "--cache", store); code != exitFailed || !strings.Contains(stderr, "give another") {
		t.Errorf("an output folder that cannot be made: exit code %d\n%s", code, stderr)
	}
}

// A full disk under the cache costs what is not stored; one under the outputs fails the
// run by name and leaves the tables that were there. With room again all is well.
func TestDiskFull(t *testing.T) {
	if raceDetector {
		t.Skip("it looks at files, not at what runs at once")
	}
	dir := t.TempDir()
	season := newSeason(t, dir)
	want := undisturbed(t, season)
	for _, kib := range []int{40, 240} { // pages of 4 KiB: fewer than the cache takes, at several places of its writing
		when := fmt.Sprintf("cache on a disk of %d KiB", kib)
		disk, out := smallDisk(t, fmt.Sprintf("%dk", kib)), filepath.Join(dir, "out")
		store := filepath.Join(disk, "cache")
		code, _, stderr := call("run", season, "--out", out, "--cache", store)
		if code != exitDone || kib < 100 && !strings.Contains(stderr, "no space left on device") {
			t.Fatalf("%s: exit code %d\n%s", when, code, stderr)
		}
		sameResults(t, when, want, results(t, out))
		cachetest.Sound(t, when, store)
		remount(t, disk, false, "16m")
		stored := entries(t, store)
		if hits := goesOn(t, season, out, store); hits+madeAgain < stored {
			t.Errorf("%s, with room again: %d results found, %d were stored", when, hits, stored)
		}
		sameResults(t, when+", with room again", want, results(t, out))
		cachetest.Sound(t, when+", with room again", store)
	}

	disk, store := smallDisk(t, "2m"), filepath.Join(dir, "cache")
	out := filepath.Join(disk, "out")
	quiet(t, "run", season, "--out", out, "--cache", store)
	ballast := filepath.Join(disk, "ballast")
	fillDisk(t, ballast)
	changed := []string{"--set", "hotspots.weld.stress_factor=1.2"}
	code, _, stderr := call(append([]string{"run", season, "--out", out, "--cache", store}, changed...)...)
	if code != exitFailed || !strings.Contains(stderr, "no space left on device") {
		t.Errorf("outputs on a full disk: exit code %d\n%s", code, stderr)
	}
	sameResults(t, "outputs on a full disk", want, results(t, out))
	remove(t, ballast)
	quiet(t, append([]string{"run", season, "--out", out, "--cache", store}, changed...)...)
	sameResults(t, "outputs with room again", undisturbed(t, season, changed...), results(t, out))
}

// madeAgain is how many results may be on record and yet be made again: signals, as read and
// as resampled, are hashed and not kept.
const madeAgain = 2 * sturdyLaps

// fillDisk writes a file until the disk is full.
func fillDisk(t *testing.T, path string) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for {
		if _, err := f.Write(make([]byte, 4096)); err != nil {
			return
		}
	}
}
