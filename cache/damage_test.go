package cache

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lapwear/cache/key"
)

// damages are what may befall a file; other is a sound file of the same kind.
var damages = []struct {
	reason string
	do     func(t *testing.T, path, other string)
}{
	{"byte flipped at the head", func(t *testing.T, path, _ string) { flip(t, path, 0) }},
	{"byte flipped near the head", func(t *testing.T, path, _ string) { flip(t, path, 0.1) }},
	{"byte flipped in the middle", func(t *testing.T, path, _ string) { flip(t, path, 0.5) }},
	{"byte flipped at the tail", func(t *testing.T, path, _ string) { flip(t, path, 1) }},
	{"cut by a byte", func(t *testing.T, path, _ string) { truncate(t, path, -1) }},
	{"cut in half", func(t *testing.T, path, _ string) { truncate(t, path, -(size(t, path) / 2)) }},
	{"emptied", func(t *testing.T, path, _ string) { must(t, os.Truncate(path, 0)) }},
	{"zeros appended", func(t *testing.T, path, _ string) { truncate(t, path, 8) }},
	{"grown beyond all measure", func(t *testing.T, path, _ string) { must(t, os.Truncate(path, 1<<40)) }},
	{"turned into zeros", func(t *testing.T, path, _ string) { write(t, path, strings.Repeat("\x00", int(size(t, path)))) }},
	{"swapped with another of its kind", func(t *testing.T, path, other string) { write(t, path, read(t, other)) }},
	{"removed", func(t *testing.T, path, _ string) { must(t, os.Remove(path)) }},
	{"an empty folder in its place", func(t *testing.T, path, _ string) { must(t, os.Remove(path)); must(t, os.Mkdir(path, 0o777)) }},
	{"a dead link in its place", func(t *testing.T, path, _ string) {
		must(t, os.Remove(path))
		must(t, os.Symlink("nowhere", path))
	}},
	{"a link to itself in its place", func(t *testing.T, path, _ string) {
		must(t, os.Remove(path))
		must(t, os.Symlink(path, path))
	}},
	{"unreadable", func(t *testing.T, path, _ string) {
		if os.Getuid() == 0 {
			t.Skip("root reads everything")
		}
		must(t, os.Chmod(path, 0))
	}},
}

func size(t *testing.T, path string) int64 {
	t.Helper()
	fi, err := os.Stat(path)
	must(t, err)
	return fi.Size()
}

func flip(t *testing.T, path string, at float64) {
	t.Helper()
	b := []byte(read(t, path))
	b[int(at*float64(len(b)-1))] ^= 0x10
	write(t, path, string(b))
}

func truncate(t *testing.T, path string, by int64) {
	t.Helper()
	must(t, os.Truncate(path, size(t, path)+by))
}

// kinds are the kinds of files, with how a store serves what is in them. serve
// returns the reason of a miss, and fails the test on anything false.
var kinds = []struct {
	kind  string
	paths func(s *Store) (path, other string)
	serve func(t *testing.T, s *Store) (miss string)
}{
	{"entry", func(s *Store) (string, string) { return s.fanned(actionsDir, actionA), s.fanned(actionsDir, actionB) },
		func(t *testing.T, s *Store) string {
			e, miss := s.Lookup(actionA)
			if miss == "" {
				whole(t, "entry", s, e)
			}
			return miss
		}},
	{"blob", func(s *Store) (string, string) {
		return s.fanned(blobsDir, cycles.ID), s.fanned(blobsDir, key.Of([]byte("0123456789012345678\n0123\n")))
	}, func(t *testing.T, s *Store) string {
		b, miss := s.Blob(cycles.output())
		if miss == "" && !bytes.Equal(b, cycles.Data) {
			t.Errorf("wrong bytes %q", b)
		}
		if miss != "" && b != nil {
			t.Errorf("a miss with bytes %q", b)
		}
		if miss != "" && s.HasBlob(cycles.output()) {
			t.Error("HasBlob after the blob was found bad")
		}
		return miss
	}},
	{"run record", func(s *Store) (string, string) { return s.runPath("/out"), s.runPath("/other") },
		func(t *testing.T, s *Store) string {
			data, miss := s.Run("/out")
			if miss == "" && string(data) != "record" {
				t.Errorf("wrong record %q", data)
			}
			return miss
		}},
}

func damagedStore(t *testing.T) *Store {
	t.Helper()
	s := open(t, t.TempDir(), Options{})
	putLoose(t, s, actionA, entryA(), cycles, residue)
	putLoose(t, s, actionB, Entry{Stage: "count", Made: noon}, payload("cycles", "0123456789012345678\n0123\n"))
	must(t, s.PutRun("/out", []byte("record"), actionA))
	must(t, s.PutRun("/other", []byte("record")))
	return s
}

// Whatever befalls a file, what it held is a miss with a reason and no false
// result; the next Put heals it; Verify names it and Repair removes it.
func TestDamage(t *testing.T) {
	t.Parallel()
	for _, k := range kinds {
		for _, d := range damages {
			t.Run(k.kind+" "+d.reason, func(t *testing.T) {
				s := damagedStore(t)
				path, other := k.paths(s)
				d.do(t, path, other)
				if miss := k.serve(t, s); miss == "" {
					t.Fatal("no miss")
				}
				put(t, s, actionA, entryA(), cycles, residue)
				must(t, s.PutRun("/out", []byte("record")))
				if miss := k.serve(t, s); miss != "" {
					t.Errorf("after putting again: %s", miss)
				}
			})
			t.Run(k.kind+" "+d.reason+" repaired", func(t *testing.T) {
				s := damagedStore(t)
				path, other := k.paths(s)
				d.do(t, path, other)
				checkRepair(t, s, path, d.reason == "removed" || d.reason == "a dead link in its place")
			})
		}
	}
}

func checkRepair(t *testing.T, s *Store, path string, removed bool) {
	t.Helper()
	var first, second []Finding
	_, err := s.Verify(bg, VerifyOptions{Repair: true}, func(f Finding) { first = append(first, f) })
	must(t, err)
	_, err = s.Verify(bg, VerifyOptions{}, func(f Finding) { second = append(second, f) })
	must(t, err)
	named := removed
	for _, f := range first {
		if f.Kind == Damaged {
			named = named || f.Path == path && f.Wrong != "" && f.Do != ""
			if !f.Removed {
				t.Errorf("not removed: %+v", f)
			}
		}
	}
	if !named {
		t.Errorf("findings do not name %s: %+v", path, first)
	}
	for _, f := range second {
		if f.Kind == Damaged || f.Kind == Stray {
			t.Errorf("after repair: %+v", f)
		}
	}
}

// The reasons that users read.
func TestMissReasons(t *testing.T) {
	t.Parallel()
	tests := []struct {
		kind, damage string
		want         string
	}{
		{"entry", "removed", "not computed yet"},
		{"entry", "byte flipped at the head", `entry damaged: starts with "|wentry1", want "lwentry1"`},
		{"entry", "byte flipped in the middle", "entry damaged: checksum differs"},
		{"entry", "cut by a byte", "entry damaged: length 223, want 224"},
		{"entry", "emptied", "entry damaged: length 0, want at least 48"},
		{"entry", "swapped with another of its kind", "entry damaged: it belongs to action " + actionB.Short() + ", not " + actionA.Short()},
		{"entry", "an empty folder in its place", "entry unreadable: not a regular file"},
		{"blob", "removed", "blob " + cycles.ID.Short() + " missing"},
		{"blob", "byte flipped at the tail", "blob " + cycles.ID.Short() + " damaged: content differs from its hash"},
		{"blob", "cut in half", "blob " + cycles.ID.Short() + " damaged: length 12, want 24"},
		{"run record", "swapped with another of its kind", `run record damaged: it belongs to "/other"`},
	}
	for _, tt := range tests {
		s := damagedStore(t)
		for _, k := range kinds {
			for _, d := range damages {
				if k.kind != tt.kind || d.reason != tt.damage {
					continue
				}
				path, other := k.paths(s)
				d.do(t, path, other)
				if got := k.serve(t, s); got != tt.want {
					t.Errorf("%s %s: %q, want %q", tt.kind, tt.damage, got, tt.want)
				}
				tt.want = ""
			}
		}
		if tt.want != "" {
			t.Errorf("%s %s: no such damage", tt.kind, tt.damage)
		}
	}
}

// A blob with the right length but wrong content is replaced only once it was
// found out; another store finds out by itself.
func TestBadBlobIsReplaced(t *testing.T) {
	s := damagedStore(t)
	path := s.fanned(blobsDir, cycles.ID)
	flip(t, path, 0.5)
	put(t, s, actionA, entryA(), cycles, residue)
	if _, miss := s.Blob(cycles.output()); miss == "" {
		t.Error("a blob nobody knew to be bad was rewritten")
	}
	put(t, s, actionA, entryA(), cycles, residue)
	if b, miss := s.Blob(cycles.output()); string(b) != string(cycles.Data) || !s.HasBlob(cycles.output()) {
		t.Errorf("the bad blob was not replaced: %s", miss)
	}
	must(t, s.Close())
	if b, miss := open(t, s.Dir(), Options{}).Blob(cycles.output()); string(b) != string(cycles.Data) {
		t.Errorf("the next process does not find the good one: %s", miss)
	}
}

// Damage to the index costs hashing, never a false hash.
func TestDamagedIndex(t *testing.T) {
	t.Parallel()
	for _, d := range damages {
		t.Run(d.reason, func(t *testing.T) {
			dir, files := t.TempDir(), t.TempDir()
			s := open(t, dir, Options{})
			names := []string{"a", "b", "c"}
			old := time.Now().Add(-time.Hour)
			for _, n := range names {
				path := filepath.Join(files, n)
				write(t, path, "lap "+n)
				must(t, os.Chtimes(path, old, old))
				_, err := s.FileID(path, false)
				must(t, err)
			}
			must(t, s.Close())
			other := filepath.Join(t.TempDir(), "other")
			write(t, other, string(encodeIndex(map[string]record{"/x": {size: 1}})))
			d.do(t, filepath.Join(dir, indexFile), other)

			s = open(t, dir, Options{})
			for _, n := range names {
				if id, err := s.FileID(filepath.Join(files, n), false); err != nil || id != key.Of([]byte("lap "+n)) {
					t.Errorf("%s: %v, %v", n, id, err)
				}
			}
			must(t, s.Close())
			if got, damaged := decodeIndex([]byte(read(t, filepath.Join(dir, indexFile)))); len(got) < 3 || damaged != 0 {
				t.Errorf("after closing: %d records, %d damaged", len(got), damaged)
			}
		})
	}
}

// Folders of the layout may be damaged too.
func TestDamagedFolders(t *testing.T) {
	s := damagedStore(t)
	must(t, s.Close())
	for _, dir := range []string{filepath.Dir(s.fanned(actionsDir, actionA)), s.path(runsDir), s.path(leasesDir), s.path(packsDir)} {
		must(t, os.RemoveAll(dir))
		write(t, dir, "a file")
	}
	s = open(t, s.Dir(), Options{})
	if _, miss := s.Lookup(actionA); !strings.Contains(miss, "not a directory") {
		t.Errorf("Lookup: %q", miss)
	}
	if _, miss := s.Run("/out"); !strings.Contains(miss, "not a directory") {
		t.Errorf("Run: %q", miss)
	}
	if err := s.Put(bg, actionA, entryA(), []Payload{cycles, residue}); err == nil {
		t.Error("Put: no error")
	}
	for _, dir := range []string{s.path(actionsDir), s.path(blobsDir), s.path(packsDir)} {
		must(t, os.RemoveAll(dir))
	}
	put(t, s, actionA, entryA(), cycles, residue)
}
