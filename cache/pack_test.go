package cache

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

// What testdata/format2.py put into testdata/format2, following FORMAT.md and not this
// package, is read; of two entries of an action the later stands.
func TestFrozenPacks(t *testing.T) {
	dir := t.TempDir()
	must(t, os.CopyFS(dir, os.DirFS("testdata/format2")))
	var warned warnings
	s := open(t, dir, Options{Warn: warned.add})
	frozenEntries(t, s)
	for _, o := range []Output{frozen.entry.Outputs[0], payload("", "").output()} {
		o.Kept = true
		if b, miss := s.Blob(o); key.Of(b) != o.ID || b == nil {
			t.Errorf("blob %q, %q", b, miss)
		}
	}
	st, err := s.Verify(bg, VerifyOptions{}, func(f Finding) {
		if f.Kind != Leftover { // the empty blob
			t.Errorf("%+v", f)
		}
	})
	must(t, err)
	if st.Actions.Files != 3 || st.Blobs.Files != 2 || st.Packs.Files != 3 || st.Runs.Files != 1 || warned != nil {
		t.Errorf("%+v %q", st, warned)
	}
}

// A program that follows FORMAT.md alone reads what this package writes.
func TestPacksReadByAnother(t *testing.T) {
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Skip("python3 is not installed")
	}
	s := packedStore(t, Options{})
	s.putUses(filepath.Base(packOf(s, actionA)), []int64{0, 0}, s.now().UnixNano())
	out, err := exec.Command(python, "testdata/format2.py", "read", s.Dir()).CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	for _, id := range []key.ID{actionA, actionB, actionOf("other"), cycles.ID, residue.ID} {
		if !strings.Contains(string(out), id.String()) {
			t.Errorf("it does not find %s:\n%s", id.Short(), out)
		}
	}
}

// packedStore has actions A and B in one pack, and another in a second.
func packedStore(t *testing.T, o Options) *Store {
	t.Helper()
	s := open(t, t.TempDir(), o)
	put(t, s, actionA, entryA(), cycles, residue)
	put(t, s, actionB, Entry{Stage: "count", Made: noon}, payload("cycles", "0123456789012345678\n0123\n"))
	must(t, s.Sync())
	put(t, s, actionOf("other"), Entry{Stage: "damage", Made: noon}, payload("x", "other"))
	must(t, s.Sync())
	return s
}

// Whatever befalls a pack, what it held is served right or is a miss with a reason; the
// next Put heals it for this process and the next; Verify names the pack, and Repair keeps
// what is whole.
func TestPackDamage(t *testing.T) {
	t.Parallel()
	for _, d := range damages {
		t.Run(d.reason, func(t *testing.T) {
			s := packedStore(t, Options{})
			must(t, s.Close())
			path := packOf(s, actionA)
			d.do(t, path, packOf(s, actionOf("other")))
			s = open(t, s.Dir(), Options{})
			servesOrMisses(t, s)
			put(t, s, actionA, entryA(), cycles, residue)
			for _, when := range []string{"after putting again", "in the next process"} {
				e, miss := s.Lookup(actionA)
				if miss != "" {
					t.Fatalf("%s: %s", when, miss)
				}
				whole(t, when, s, e)
				must(t, s.Close())
				s = open(t, s.Dir(), Options{})
			}
			if e, miss := s.Lookup(actionOf("other")); miss != "" || e.Stage != "damage" {
				t.Errorf("what was not damaged: %q", miss)
			}
		})
		t.Run(d.reason+" repaired", func(t *testing.T) {
			s := packedStore(t, Options{})
			must(t, s.Close())
			path := packOf(s, actionA)
			d.do(t, path, packOf(s, actionOf("other")))
			s = open(t, s.Dir(), Options{})
			checkRepair(t, s, path, d.reason == "removed" || d.reason == "a dead link in its place")
			servesOrMisses(t, s)
			if e, miss := s.Lookup(actionOf("other")); miss != "" || e.Stage != "damage" {
				t.Errorf("what was not damaged: %q", miss)
			}
		})
	}
}

func servesOrMisses(t *testing.T, s *Store) {
	t.Helper()
	if e, miss := s.Lookup(actionA); miss == "" {
		if want := entryA(); cmp.Diff(&want, e) != "" {
			t.Errorf("false entry %+v", e)
		}
	} else if e != nil {
		t.Errorf("a miss with an entry: %q, %+v", miss, e)
	}
	for _, p := range []Payload{cycles, residue} {
		if b, miss := s.Blob(p.output()); miss == "" && !bytes.Equal(b, p.Data) || miss != "" && b != nil {
			t.Errorf("false blob %q, miss %q", b, miss)
		}
	}
}

// Repair loses no more than is damaged.
func TestRepairKeepsTheRest(t *testing.T) {
	t.Parallel()
	text := "0123456789012345678\n0123\n"
	altered := func(from, to string) func(b []byte) []byte {
		return func(b []byte) []byte { return bytes.Replace(b, []byte(from), []byte(to), 1) }
	}
	for _, tt := range []struct {
		reason string
		damage func(b []byte) []byte
		lost   string
		wrong  string
	}{
		{"a blob altered", altered("5,6", "5,7"), "cycles", "blob " + cycles.ID.Short() + ": content differs from its hash"},
		{"an entry altered", altered("gate", "gatf"), "A", "entry " + actionA.Short() + ": checksum differs"},
		{"a frame altered", altered(frameMagic, "lwblob02"), "", "blob " + cycles.ID.Short() + ": its frame is damaged"},
		{"the head altered", altered(packMagic, "lwpack00"), "", `starts with "lwpack00", want "lwpack01"`},
		{"the tail altered", func(b []byte) []byte { b[len(b)-100]++; return b }, "", "the hash of its tail is not its name"},
		{"the tail cut off", func(b []byte) []byte { return b[:len(b)-30] }, "", "ends with "},
		{"cut in an entry", func(b []byte) []byte { return b[:bytes.LastIndex(b, []byte(entryMagic))+20] }, "B", "ends with "},
		{"something behind it", func(b []byte) []byte { return append(b, "lwblob01 and more"...) }, "", "ends with "},
		{"something before it", func(b []byte) []byte { return append([]byte("x"), b...) }, "", "length "},
	} {
		s := packedStore(t, Options{})
		must(t, s.Close())
		path := packOf(s, actionA)
		write(t, path, string(tt.damage([]byte(read(t, path)))))
		s = open(t, s.Dir(), Options{})
		var found []Finding
		_, err := s.Verify(bg, VerifyOptions{Repair: true}, func(f Finding) {
			if f.Kind == Damaged {
				found = append(found, f)
			}
		})
		must(t, err)
		if len(found) != 1 || !found[0].Removed || found[0].Path != path || !strings.Contains(found[0].Wrong, tt.wrong) {
			t.Errorf("%s: findings %+v, want %q", tt.reason, found, tt.wrong)
		}
		for _, s := range []*Store{s, open(t, s.Dir(), Options{})} {
			_, missA := s.Lookup(actionA)
			_, missB := s.Lookup(actionB)
			_, missCycles := s.Blob(cycles.output())
			_, missResidue := s.Blob(residue.output())
			_, missOther := s.Blob(payload("cycles", text).output())
			for name, miss := range map[string]string{"A": missA, "B": missB, "cycles": missCycles, "residue": missResidue, "blob of B": missOther} {
				if (miss != "") != (name == tt.lost) {
					t.Errorf("%s: %s: %q", tt.reason, name, miss)
				}
			}
		}
	}
}

// The reasons that users read.
func TestPackMissReasons(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		reason string
		damage func(b []byte) []byte
		entry  string
		blob   string
	}{
		{"tail altered", func(b []byte) []byte { b[len(b)-100]++; return b }, "damaged: the hash of its tail is not its name", "missing"},
		{"emptied", func([]byte) []byte { return nil }, "damaged: length 0, want at least 64", "missing"},
		{"entry altered", func(b []byte) []byte { return bytes.Replace(b, []byte("gate"), []byte("gatf"), 1) }, "entry damaged: checksum differs", ""},
		{"blob altered", func(b []byte) []byte { return bytes.Replace(b, []byte("5,6"), []byte("5,7"), 1) }, "", "damaged: content differs from its hash"},
	} {
		s := packedStore(t, Options{})
		path := packOf(s, actionA)
		must(t, s.Close())
		write(t, path, string(tt.damage([]byte(read(t, path)))))
		s = open(t, s.Dir(), Options{})
		_, entry := s.Lookup(actionA)
		_, blob := s.Blob(cycles.output())
		if !strings.HasSuffix(entry, tt.entry) || !strings.HasSuffix(blob, tt.blob) || (entry == "") != (tt.entry == "") || (blob == "") != (tt.blob == "") {
			t.Errorf("%s: %q and %q, want %q and %q", tt.reason, entry, blob, tt.entry, tt.blob)
		}
	}
}

// What was put is served at once by the same store; another sees it once it is published,
// and looks for it about once a second.
func TestSeenByOthers(t *testing.T) {
	now := time.Now()
	o := Options{Now: func() time.Time { return now }}
	s := open(t, t.TempDir(), o)
	other := open(t, s.Dir(), o)
	if _, miss := other.Lookup(actionA); miss != NotComputed {
		t.Error(miss)
	}
	put(t, s, actionA, entryA(), cycles, residue)
	e, miss := s.Lookup(actionA)
	if miss != "" {
		t.Fatal(miss)
	}
	whole(t, "before it is published", s, e)
	for _, step := range []struct {
		reason string
		do     func()
		seen   bool
	}{
		{"not published", func() { now = now.Add(time.Hour) }, false},
		{"published within the second", func() { must(t, s.Sync()) }, false},
		{"a second later", func() { now = now.Add(time.Second) }, true},
	} {
		step.do()
		if _, miss := other.Lookup(actionA); (miss == "") != step.seen {
			t.Errorf("%s: %q", step.reason, miss)
		}
	}
	put(t, s, actionB, Entry{Stage: "count", Made: noon})
	must(t, s.Sync())
	must(t, other.Learn(s.Hashed()))
	if _, miss := other.Lookup(actionB); miss != "" {
		t.Errorf("told that there is news: %q", miss)
	}
}

// A pack is published when it is full, or some time after its first result.
func TestPublishedInTime(t *testing.T) {
	s := open(t, t.TempDir(), Options{linger: packLinger})
	packs := func() int {
		names, err := filepath.Glob(s.path(packsDir, strings.Repeat("?", 64)))
		must(t, err)
		return len(names)
	}
	data := strings.Repeat("0123456789abcdef", 1<<16)
	begun := time.Now()
	for i := range packFull >> 20 {
		put(t, s, benchID(i), Entry{Stage: "count"}, payload("x", fmt.Sprint(i, data)))
	}
	most := 2 + int(time.Since(begun)/packLinger) // a slow disk has packs published that are not full
	published := func(action key.ID) {
		t.Helper()
		for began := time.Now(); time.Since(began) < time.Minute; time.Sleep(10 * time.Millisecond) {
			other, err := Open(s.Dir(), Options{})
			must(t, err)
			_, miss := other.Lookup(action)
			must(t, other.Close())
			if miss == "" {
				return
			}
		}
		t.Fatalf("%v is not published", action)
	}
	published(benchID(packFull>>20 - 1))
	put(t, s, actionA, entryA(), cycles, residue)
	published(actionA)
	if n := packs(); n < 2 || n > most {
		t.Errorf("%d packs, want 2", n)
	}
	for i := range packFull >> 20 {
		e, miss := open(t, s.Dir(), Options{}).Lookup(benchID(i))
		if miss != "" {
			t.Fatal(miss)
		}
		if b, miss := s.Blob(e.Outputs[0]); string(b) != fmt.Sprint(i, data) {
			t.Errorf("blob %d: %s", i, miss)
		}
	}
}

// An entry is not published when a blob that it relies on could not be.
func TestUnbackedEntries(t *testing.T) {
	faulty := &fsx.Faulty{FS: fsx.Disk{}}
	var warned warnings
	s := open(t, t.TempDir(), Options{fs: faulty, Warn: warned.add})
	put(t, s, actionA, entryA(), cycles, residue)
	if s.Failing() {
		t.Error("the store is failing before anything is lost")
	}
	faulty.FailAfter(0) // the tail is not written
	s.Hasten()
	for s.writer.waiting() {
		time.Sleep(time.Millisecond)
	}
	if !s.Failing() {
		t.Error("the store does not tell that it has lost what was put")
	}
	if len(warned) != 1 || !strings.Contains(warned[0], "results are not stored") {
		t.Errorf("warned %q", warned)
	}
	if err := s.Sync(); !errors.Is(err, fsx.ErrFault) {
		t.Errorf("Sync: %v", err)
	}
	must(t, s.Sync())
	servesOrMisses(t, s)
	if _, miss := s.Lookup(actionA); miss != NotComputed {
		t.Errorf("what is lost: %q", miss)
	}

	faulty = &fsx.Faulty{FS: fsx.Disk{}}
	s = open(t, t.TempDir(), Options{fs: faulty})
	s.writer.queueMu.Lock() // nothing is published meanwhile
	put1 := make(chan error)
	go func() {
		s.writer.mu.Lock()
		p, err := s.begin()
		rows, err2 := s.write(p, []Payload{cycles})
		s.register(p, rows, actionB, Entry{Stage: "x", Made: noon}.encoded(actionB), nil)
		s.writer.mu.Unlock()
		s.abandon(p)
		put1 <- errors.Join(err, err2)
	}()
	s.writer.queueMu.Unlock()
	must(t, <-put1)
	if s.HasBlob(cycles.output()) {
		t.Error("the blob of a pack that was given up is served")
	}
	p, err := s.begin()
	must(t, err)
	s.register(p, nil, actionA, Entry{Stage: "x", Made: noon}.encoded(actionA), []row{{id: cycles.ID, len: cycles.Size}})
	s.register(p, nil, actionB, Entry{Stage: "y", Made: noon}.encoded(actionB), nil)
	must(t, s.publishPack(p))
	if _, miss := s.Lookup(actionA); miss != NotComputed {
		t.Errorf("an entry without its blob: %q", miss)
	}
	if e, miss := s.Lookup(actionB); miss != "" || e.Stage != "y" {
		t.Errorf("the other entry: %q", miss)
	}
}

func (e Entry) encoded(action key.ID) []byte { return e.Encode(action) }

func (w *writer) waiting() bool {
	w.queueMu.Lock()
	defer w.queueMu.Unlock()
	return w.busy
}

// A disk that is full in the middle of a blob costs that blob and what comes after it.
func TestFullInTheMiddle(t *testing.T) {
	faulty := &fsx.Faulty{FS: fsx.Disk{}}
	s := open(t, t.TempDir(), Options{fs: faulty})
	put(t, s, actionA, entryA(), cycles, residue)
	at := faulty.FailAfter(0)
	err := s.Put(bg, actionB, Entry{Stage: "count"}, []Payload{payload("x", "new")})
	if op, _, _ := strings.Cut(faulty.Ops()[at-1], " "); op != "write" || !errors.Is(err, fsx.ErrFault) {
		t.Fatalf("%s failed: %v", op, err)
	}
	must(t, s.Sync())
	next := open(t, s.Dir(), Options{})
	e, miss := next.Lookup(actionA)
	if miss != "" {
		t.Fatal(miss)
	}
	whole(t, "what was put before", next, e)
	if found := findings(t, next); len(found) != 0 {
		t.Errorf("%+v", found)
	}
}

// More packs than are kept open are read all the same.
func TestManyPacks(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	const n = maxOpen + 20
	for i := range n {
		put(t, s, benchID(i), Entry{Stage: "count", Made: noon}, payload("x", fmt.Sprint(i)))
		must(t, s.Sync())
	}
	for _, s := range []*Store{s, open(t, s.Dir(), Options{})} {
		for range 2 {
			for i := range n {
				e, miss := s.Lookup(benchID(i))
				if miss != "" {
					t.Fatal(miss)
				}
				if b, miss := s.Blob(e.Outputs[0]); string(b) != fmt.Sprint(i) {
					t.Errorf("%d: %q, %q", i, b, miss)
				}
			}
		}
		if open := len(s.packs.open); open > maxOpen {
			t.Errorf("%d packs are open", open)
		}
	}
}

// Law: a tail is read as what was written, or refused; rows lie within the pack.
func FuzzTail(f *testing.F) {
	b, _ := appendTail(nil, nonce{1}, []row{{actionA, 56, 10}}, []row{{actionB, 66, 100}}, 166)
	f.Add(b, int64(166))
	f.Add(b[:70], int64(166))
	f.Fuzz(func(t *testing.T, b []byte, at int64) {
		blobs, entries, err := decodeTail(b, at)
		if err != nil {
			return
		}
		for _, r := range append(blobs, entries...) {
			if r.off < 8 || r.len < 0 || r.off+r.len > at {
				t.Errorf("row beyond the end: %+v of %d", r, at)
			}
		}
		if again, _ := appendTail(nil, nonce(b), blobs, entries, at); !bytes.Equal(again[:len(again)-footLen], b[:len(b)-footLen]) {
			t.Error("it does not encode to what it was read from")
		}
	})
}

// Law: whatever is done to a pack, what is served is what was put, and repair leaves a
// store without damage that serves no less.
func FuzzPack(f *testing.F) {
	f.Add(10, byte(1), 0)
	f.Add(70, byte(1), 0)
	f.Add(300, byte(255), 0)
	f.Add(0, byte(0), 5)
	dir := f.TempDir()
	s, err := Open(dir, Options{})
	if err != nil {
		f.Fatal(err)
	}
	if err := s.Put(bg, actionA, entryA(), []Payload{cycles, residue}); err != nil {
		f.Fatal(err)
	}
	s.Close()
	path := packOf(s, actionA)
	good, err := os.ReadFile(path)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, at int, with byte, cut int) {
		b := bytes.Clone(good)
		b[uint(at)%uint(len(b))] ^= with
		b = b[:len(b)-int(uint(cut)%uint(len(b)))]
		into := t.TempDir()
		must(t, os.CopyFS(into, os.DirFS(dir)))
		write(t, filepath.Join(into, packsDir, filepath.Base(path)), string(b))
		s := open(t, into, Options{})
		servesOrMisses(t, s)
		served := serves(s)
		_, err := s.Verify(bg, VerifyOptions{Repair: true}, func(Finding) {})
		must(t, err)
		servesOrMisses(t, s)
		if after := serves(s); after < served {
			t.Errorf("served %d before the repair, %d after", served, after)
		}
		for _, f := range findings(t, s) {
			if f.Kind == Damaged || f.Kind == Stray {
				t.Errorf("after repair: %+v", f)
			}
		}
	})
}

// serves counts what of action A a store has.
func serves(s *Store) (n int) {
	if _, miss := s.Lookup(actionA); miss == "" {
		n++
	}
	for _, p := range []Payload{cycles, residue} {
		if _, miss := s.Blob(p.output()); miss == "" {
			n++
		}
	}
	return n
}

// Law: uses are read as they were written, to the hour, or refused.
func FuzzUses(f *testing.F) {
	f.Add(encodeUses(actionA, []int64{0, int64(-5 * time.Hour)}, 0), 2)
	f.Add(encodeUses(actionA, nil, 0), 0)
	f.Fuzz(func(t *testing.T, b []byte, n int) {
		last, err := decodeUses(b, actionA, n&1023, 0)
		if err == nil && !bytes.Equal(encodeUses(actionA, last, 0), b) {
			t.Error("it does not encode to what it was read from")
		}
	})
}
