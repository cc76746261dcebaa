package cache

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/key"
)

// frozen is what testdata/format1.py put into testdata/format1, following FORMAT.md
// and not this package.
var frozen = struct {
	first, second key.ID
	blob          string
	entry, refuse Entry
	index         map[string]record
}{
	first:  key.Of([]byte("action 1")),
	second: key.Of([]byte("action 2")),
	blob:   strings.Repeat("from,to\n1,2\n", 20),
	entry: Entry{
		Stage: "count",
		Outputs: []Output{
			{Name: "cycles", ID: key.Of([]byte(strings.Repeat("from,to\n1,2\n", 20))), Size: 240, Kept: true},
			{Name: "trace", ID: key.Of([]byte("trace")), Size: 5},
		},
		Transcript: []key.Field{
			{Label: "stage", Value: "count"}, {Label: "gate", Value: "0.005"},
			{Label: "long", Value: strings.Repeat("x", 300)}, {Label: "not text", Value: "\xff\x00"},
		},
		Made: time.Unix(1935662400, 1).UTC(),
	},
	refuse: Entry{Stage: "ingest", Refused: "größer", Made: time.Unix(0, -1).UTC()},
	index: map[string]record{
		"/laps/1.csv": {id: key.Of([]byte("/laps/1.csv")), size: 1 << 40, modTime: 7, changed: 8, recorded: 9e9, used: 10e9},
		"/laps/2.csv": {id: key.Of([]byte("/laps/2.csv")), size: 1 << 40, modTime: 7, changed: 8, inode: 1<<64 - 1, recorded: 9e9, used: 10e9},
	},
}

// frozenEntries looks the frozen entries up.
func frozenEntries(t *testing.T, s *Store) {
	t.Helper()
	for id, want := range map[key.ID]Entry{frozen.first: frozen.entry, frozen.second: frozen.refuse} {
		got, miss := s.Lookup(id)
		if d := cmp.Diff(&want, got); d != "" || miss != "" {
			t.Errorf("miss %q, differs (-want +got):\n%s", miss, d)
		}
	}
}

// A store of format 1 stays readable.
func TestFrozenFormat(t *testing.T) {
	dir := t.TempDir()
	must(t, os.CopyFS(dir, os.DirFS("testdata/format1")))
	var warned warnings
	s := open(t, dir, Options{Warn: warned.add})
	frozenEntries(t, s)
	if b, miss := s.Blob(frozen.entry.Outputs[0]); string(b) != frozen.blob || miss != "" {
		t.Errorf("blob %q, %q", b, miss)
	}
	if b, miss := s.Run("/out"); string(b) != "record" || miss != "" {
		t.Errorf("run %q, %q", b, miss)
	}
	if got := s.index.files; cmp.Diff(frozen.index, got, cmp.AllowUnexported(record{})) != "" {
		t.Errorf("index %+v", got)
	}
	st, err := s.Verify(bg, VerifyOptions{}, func(f Finding) { t.Errorf("%+v", f) })
	must(t, err)
	if st.Actions.Files != 2 || st.Blobs.Files != 1 || st.Runs.Files != 1 || st.Records != 2 || warned != nil {
		t.Errorf("%+v %q", st, warned)
	}
}

// Entries, run records and the stat index are what FORMAT.md says, byte for byte.
func TestWritesFormat(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	putLoose(t, s, frozen.first, frozen.entry, payload("cycles", frozen.blob))
	putLoose(t, s, frozen.second, frozen.refuse)
	must(t, s.PutRun("/out", []byte("record"), frozen.first))
	must(t, s.publish(s.path(indexFile), encodeIndex(frozen.index)))
	files := 0
	must(t, filepath.WalkDir("testdata/format1", func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() || d.Name() == formatFile {
			return err
		}
		files++
		rel, _ := filepath.Rel("testdata/format1", path)
		if read(t, path) != read(t, s.path(rel)) {
			t.Errorf("%s differs", rel)
		}
		return nil
	}))
	if files != 5 {
		t.Errorf("%d files compared, want 5", files)
	}
}

// Bytes are equal whoever writes the entry, but for made and the checksum.
func TestEntryBytes(t *testing.T) {
	a, b := entryA(), entryA()
	b.Made = b.Made.Add(time.Second)
	x, y := a.Encode(actionA), b.Encode(actionA)
	for i := range x {
		if inMade, inSum := i >= 48 && i < 56, i >= len(x)-sealTail; x[i] != y[i] && !inMade && !inSum {
			t.Errorf("byte %d differs", i)
		}
	}
	if len(x) != len(y) || bytes.Equal(x, y) {
		t.Error("lengths differ, or made is not there")
	}
}

// Law: what decodes encodes to the same bytes, so one entry has one encoding. The
// body is sealed here because no mutation would find a SHA-256.
func FuzzEntry(f *testing.F) {
	away := entryA()
	away.Outputs[0].Away = true
	for _, e := range []Entry{frozen.entry, frozen.refuse, entryA(), away} {
		b := e.Encode(actionA)
		f.Add(b[sealHead : len(b)-sealTail])
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		file := seal(append(newSealed(entryMagic, len(body)), body...))
		var action key.ID
		copy(action[:], body)
		e, err := DecodeEntry(file, action)
		if err != nil {
			return
		}
		if got := e.Encode(action); !bytes.Equal(got, file) {
			t.Errorf("%+v encodes to\n%x, was read from\n%x", e, got, file)
		}
		e.Transcript = nil
		if got, err := decodeResult(file, action); err != nil || !cmp.Equal(got, e) {
			t.Errorf("without its transcript it is %+v (%v), expected %+v", got, err, e)
		}
	})
}

// Law: as for entries.
func FuzzRun(f *testing.F) {
	b := encodeRun(runRecord{"/out", []key.ID{actionA, actionB}, []byte("data")})
	f.Add(b[sealHead : len(b)-sealTail])
	f.Fuzz(func(t *testing.T, body []byte) {
		file := seal(append(newSealed(runMagic, len(body)), body...))
		r, err := decodeRun(file)
		if err == nil && !bytes.Equal(encodeRun(r), file) {
			t.Errorf("%+v does not encode to what it was read from", r)
		}
	})
}

// Law: unsealed bytes that differ from a sealed file in any way are refused.
func FuzzSeal(f *testing.F) {
	e := entryA()
	good := e.Encode(actionA)
	f.Add(good, 3, byte(1))
	f.Add(good[:40], 0, byte(0))
	for at := range good {
		f.Add([]byte{}, at, byte(0x10))
	}
	f.Fuzz(func(t *testing.T, b []byte, at int, with byte) {
		if _, err := unseal(entryMagic, b); err == nil && !bytes.Equal(b, good) && len(b) < sealHead+sealTail {
			t.Errorf("accepted %x", b)
		}
		sealed := seal(append(newSealed(entryMagic, len(b)), b...))
		if body, err := unseal(entryMagic, sealed); err != nil || !bytes.Equal(body, b) {
			t.Fatalf("a sealed body does not come back: %v", err)
		}
		if with == 0 {
			return
		}
		sealed[uint(at)%uint(len(sealed))] ^= with
		if _, err := unseal(entryMagic, sealed); err == nil {
			t.Errorf("accepted with byte %d altered", uint(at)%uint(len(sealed)))
		}
	})
}

// Law: whatever is done to an index, each record that is read is one that was
// written, and the rest is counted as damage.
func FuzzIndex(f *testing.F) {
	f.Add(10, byte(1), 0)
	f.Add(90, byte(0xff), 100)
	f.Add(0, byte(0), 5)
	for at := range len(encodeIndex(frozen.index)) {
		f.Add(at, byte(0x10), 0) // each byte altered
	}
	f.Fuzz(func(t *testing.T, at int, with byte, cut int) {
		b := encodeIndex(frozen.index)
		want := bytes.Clone(b)
		b[uint(at)%uint(len(b))] ^= with
		b = b[:len(b)-int(uint(cut)%uint(len(b)))]
		got, damaged := decodeIndex(b)
		for path, r := range got {
			if frozen.index[path] != r {
				t.Errorf("false record %q %+v", path, r)
			}
		}
		if same := bytes.Equal(b, want); same != (len(got) == len(frozen.index)) || same && damaged != 0 {
			t.Errorf("index the same: %t; %d records, %d damaged", same, len(got), damaged)
		}
		if damaged == 0 && !bytes.Equal(encodeIndex(got), b) {
			t.Errorf("damage went unseen: %d records of %x", len(got), b)
		}
	})
}
