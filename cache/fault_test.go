package cache

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/internal/fsx"
)

// outage is how an interrupted operation goes on.
type outage struct {
	reason string
	crash  bool
	cut    bool
}

var outages = []outage{
	{"one operation fails, the process goes on", false, false},
	{"the process dies", true, false},
	{"the process dies with the power", true, true},
}

// Put, PutRun, opening and saving the index, each stopped at every operation they
// do. What was there before must be there after, what was being written must be
// whole or absent, and the next try must succeed.
func TestInterrupted(t *testing.T) {
	t.Parallel()
	before := payload("cycles", "an older result")
	lap := filepath.Join(t.TempDir(), "lap.csv")
	write(t, lap, "TIME,AZ\n")
	for _, o := range outages {
		for n := 1; ; n++ {
			dir := t.TempDir()
			first := open(t, dir, Options{})
			put(t, first, actionB, Entry{Stage: "count", Made: noon}, before)
			must(t, first.Close())

			faulty := &fsx.Faulty{FS: fsx.Disk{}, At: n, Crash: o.crash}
			ok := interrupted(dir, lap, faulty)
			if o.cut {
				must(t, faulty.PowerCut())
			}
			name := fmt.Sprintf("%s: operation %d", o.reason, n)
			ops := faulty.Ops()
			if n <= len(ops) {
				name += " (" + ops[n-1] + ")"
			}
			s := open(t, dir, Options{})
			checkAfter(t, name, s, before, ok)
			s.Close()
			if t.Failed() {
				return
			}
			if n > len(ops) {
				if !ok || n < 20 {
					t.Errorf("%s: undisturbed after %d operations, succeeded %t", o.reason, len(ops), ok)
				}
				break
			}
		}
	}
}

// interrupted does one of everything and tells whether Put said that it succeeded.
func interrupted(dir, lap string, faulty *fsx.Faulty) (ok bool) {
	s, err := Open(dir, Options{Durable: true, fs: faulty})
	if err != nil {
		return false
	}
	ok = s.Put(bg, actionA, entryA(), []Payload{cycles, residue}) == nil && s.Sync() == nil
	_ = s.PutRun("/out", []byte("record"), actionA)
	_, _ = s.FileID(lap, false)
	s.Close()
	return ok
}

func checkAfter(t *testing.T, name string, s *Store, before Payload, ok bool) {
	t.Helper()
	if e, miss := s.Lookup(actionB); miss != "" || cmp.Diff(e.Outputs, []Output{before.output()}) != "" {
		t.Errorf("%s: what was there before: %q %+v", name, miss, e)
	}
	if b, miss := s.Blob(before.output()); miss != "" || string(b) != string(before.Data) {
		t.Errorf("%s: blob that was there before: %q", name, miss)
	}
	e, miss := s.Lookup(actionA)
	if miss != "" && (ok || miss != NotComputed) {
		t.Errorf("%s: Put succeeded %t, then miss %q", name, ok, miss)
	}
	if miss == "" {
		whole(t, name, s, e)
	}
	if data, miss := s.Run("/out"); miss == "" && string(data) != "record" || miss != "" && miss != NotRun {
		t.Errorf("%s: run record %q, %q", name, data, miss)
	}
	_, err := s.Verify(bg, VerifyOptions{}, func(f Finding) {
		if f.Kind != Leftover {
			t.Errorf("%s: %+v", name, f)
		}
	})
	must(t, err)
	put(t, s, actionA, entryA(), cycles, residue)
	e, miss = s.Lookup(actionA)
	if miss != "" {
		t.Fatalf("%s: after putting again: %q", name, miss)
	}
	whole(t, name, s, e)
}

// whole checks that an entry and its blobs are those of action A.
func whole(t *testing.T, name string, s *Store, e *Entry) {
	t.Helper()
	if want := entryA(); cmp.Diff(&want, e) != "" {
		t.Errorf("%s: entry %+v", name, e)
	}
	for _, p := range []Payload{cycles, residue} {
		if b, miss := s.Blob(p.output()); miss != "" || string(b) != string(p.Data) {
			t.Errorf("%s: blob %s: %q", name, p.Name, miss)
		}
	}
}

// The order of operations that makes results safe: a pack is flushed before it gets its
// name, the folder last.
func TestPutOrder(t *testing.T) {
	faulty := &fsx.Faulty{FS: fsx.Disk{}}
	s := open(t, t.TempDir(), Options{Durable: true, fs: faulty})
	put(t, s, actionB, Entry{}, payload("x", "y"))
	must(t, s.Sync())
	start := len(faulty.Ops())
	e := entryA()
	put(t, s, actionA, e, cycles, residue)
	must(t, s.Sync())
	var verbs []string
	for _, op := range faulty.Ops()[start:] {
		verb, _, _ := strings.Cut(op, " ")
		verbs = append(verbs, verb)
	}
	want := "create write write write " + // the magic and two blobs
		"write sync fstat close rename syncdir" // entry and tail
	if got := strings.Join(verbs, " "); got != want {
		t.Errorf("operations\n%s\nwant\n%s", got, want)
	}
	start = len(faulty.Ops())
	put(t, s, actionA, e, cycles, residue)
	must(t, s.Sync())
	if got := strings.Join(faulty.Ops()[start:], " "); strings.Contains(got, "write") || strings.Contains(got, "sync") {
		t.Errorf("putting the same again wrote: %s", got)
	}
}

// lossy loses the last byte of each write and says nothing.
type lossy struct{ fsx.Disk }

type lossyFile struct{ fsx.File }

func (l lossy) Create(name string) (fsx.File, error) {
	f, err := l.Disk.Create(name)
	return lossyFile{f}, err
}

func (f lossyFile) WriteAt(b []byte, at int64) (int, error) {
	n, err := f.File.WriteAt(b[:len(b)-1], at)
	return n + 1, err
}

// A file that is shorter than what was written gets no name.
func TestLengthCheck(t *testing.T) {
	dir := t.TempDir()
	must(t, open(t, dir, Options{}).Close())
	s := open(t, dir, Options{fs: lossy{}})
	must(t, s.Put(bg, actionA, entryA(), []Payload{cycles, residue}))
	if err := s.Sync(); err == nil || !strings.Contains(err.Error(), "length ") {
		t.Errorf("error %v", err)
	}
	if _, miss := s.Lookup(actionA); miss != NotComputed {
		t.Errorf("what could not be stored: %q", miss)
	}
	if st, err := s.Stat(); err != nil || st.Blobs.Files+st.Actions.Files+st.Temp.Files != 0 {
		t.Errorf("left behind: %+v, %v", st, err)
	}
}

// A store that cannot be written serves what it has, and Put says why it cannot.
func TestReadOnly(t *testing.T) {
	dir := t.TempDir()
	first := open(t, dir, Options{})
	put(t, first, actionA, entryA(), cycles, residue)
	must(t, first.Close())
	var warned warnings
	s := open(t, dir, Options{Durable: true, Warn: warned.add, fs: readOnly{fsx.Disk{}}})
	e, miss := s.Lookup(actionA)
	if miss != "" {
		t.Fatal(miss)
	}
	whole(t, "read-only", s, e)
	if err := s.Put(bg, actionB, Entry{Stage: "damage"}, []Payload{payload("new", "new")}); !errors.Is(err, errReadOnly) {
		t.Errorf("Put: %v", err)
	}
	if err := s.Put(bg, actionB, Entry{Stage: "damage"}, []Payload{cycles}); !errors.Is(err, errReadOnly) {
		t.Errorf("Put of a known blob: %v", err)
	}
	if len(warned) != 1 || !strings.Contains(warned[0], "lease") {
		t.Errorf("warnings %q", warned)
	}
}

var errReadOnly = errors.New("read-only file system")

type readOnly struct{ fsx.Disk }

func (readOnly) Create(string) (fsx.File, error) { return nil, errReadOnly }
func (readOnly) Rename(string, string) error     { return errReadOnly }
func (readOnly) Remove(string) error             { return errReadOnly }
func (readOnly) Mkdir(string) error              { return errReadOnly }
func (readOnly) Touch(string, int64) error       { return errReadOnly }
