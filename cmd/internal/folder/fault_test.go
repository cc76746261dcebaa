package folder

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/cachetest"
)

var errFault = errors.New("fault on purpose")

// faults makes the operation of a number fail, and with crash all later ones, as if the
// process had died.
type faults struct {
	at    int
	crash bool

	mu  sync.Mutex
	ops []string
}

func (f *faults) before(op, path string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.ops = append(f.ops, op+" "+filepath.Base(path))
	if n := len(f.ops); n == f.at || f.crash && n > f.at {
		return fmt.Errorf("%s %s: %w", op, path, errFault)
	}
	return nil
}

// way is how a set takes its place.
type way struct {
	reason   string
	exchange func(a, b string) error // nil = that of the operating system
	fixed    bool                    // something that must not move is in the folder
	together bool                    // files are made side by side, their operations in any order
}

var ways = []way{
	{"folders change places", nil, false, false},
	{"two renames", func(_, _ string) error { return errors.ErrUnsupported }, false, false},
	{"one by one", nil, true, false},
	{"folders change places, files side by side", nil, false, true},
	{"one by one, files side by side", nil, true, true},
}

// Publishing with each of its file operations failing in turn, and stopped at each: the
// folder has the old set or the new, the new if it is said to have succeeded; files that
// are not the run's stay; the next run clears away what was left. Only where files are
// replaced one by one may the two stand side by side until then.
func TestFaultAtEveryOperation(t *testing.T) {
	for _, w := range ways {
		for _, crash := range []bool{false, true} {
			for n := 1; ; n++ {
				f := &faults{at: n, crash: crash}
				faultyPublish(t, w, f)
				if n > len(f.ops) {
					if n < 30 {
						t.Errorf("%s: only %d operations: %q", w.reason, len(f.ops), f.ops)
					}
					break
				}
				if t.Failed() {
					return
				}
			}
		}
	}
}

func faultyPublish(t *testing.T, w way, f *faults) {
	dir := filepath.Join(cachetest.MemoryDir(t), "out")
	publish(t, dir, 1)
	foreign(t, dir)
	l, err := Acquire(context.Background(), dir, holder(), 0)
	if err != nil {
		t.Fatal(err)
	}
	s := set(dir, 2)
	s.disk, s.exchange, s.alone = disk{f.before}, w.exchange, !w.together
	if w.fixed {
		s.Fixed = []string{filepath.Join(dir, "notes.txt")}
	}
	_, err = s.Publish()
	l.file.Close() // and no more, as the end of a process does
	when := fmt.Sprintf("%s, crash %t, operation %d of %d", w.reason, f.crash, f.at, len(f.ops))
	if f.at <= len(f.ops) {
		when += fmt.Sprintf(" (%s), error %v", f.ops[f.at-1], err)
	}
	// A killed run says nothing, and what had died between two renames the next claim mends.
	l, errClaim := Acquire(context.Background(), dir, holder(), 0)
	if errClaim != nil {
		t.Fatalf("%s: %v", when, errClaim)
	}
	if !w.fixed {
		if got := wantSet(t, when, dir); err == nil && !f.crash && got != 2 {
			t.Errorf("%s: it succeeded, but the folder has set %d", when, got)
		}
	}
	if err := l.Release(); err != nil {
		t.Fatal(err)
	}
	publish(t, dir, 3)
	want := map[string]string{"notes.txt": "mine", "plan": "a folder"}
	for _, x := range set(dir, 3).Files {
		want[x.Name] = "3"
	}
	if d := cmp.Diff(want, contents(t, dir)); d != "" {
		t.Errorf("%s, then run again: -want +got\n%s", when, d)
	}
	if d := cmp.Diff(map[string]string{"out": "a folder"}, contents(t, filepath.Dir(dir))); d != "" {
		t.Errorf("%s, then run again: beside the folder: -want +got\n%s", when, d)
	}
}

// foreign puts into a folder what is not a run's own.
func foreign(t *testing.T, dir string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(dir, "notes.txt"), []byte("mine"), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(dir, "plan", "deep"), 0o777); err != nil {
		t.Fatal(err)
	}
}

// Where the new set's name cannot be flushed the old one stays beside it, and the next run clears it away; where the folder above
// may not be read, nothing can.
func TestNameThatCannotBeFlushed(t *testing.T) {
	for fault, kept := range map[error]bool{errFault: true, fs.ErrPermission: false} {
		above := cachetest.MemoryDir(t)
		dir := filepath.Join(above, "out")
		publish(t, dir, 1)
		s := set(dir, 2)
		s.disk = disk{func(op, path string) error {
			if op == "sync" && path == above {
				return fault
			}
			return nil
		}}
		if _, err := s.Publish(); (err != nil) != kept || kept && !errors.Is(err, fault) {
			t.Errorf("%v: %v", fault, err)
		}
		if got := wantSet(t, fault.Error(), dir); got != 2 {
			t.Errorf("%v: the folder has set %d", fault, got)
		}
		if beside := len(contents(t, above)) - 1; (beside == 1) != kept {
			t.Errorf("%v: %d old sets are beside the folder", fault, beside)
		}
		publish(t, dir, 3)
		if beside := len(contents(t, above)) - 1; beside != 0 {
			t.Errorf("%v: %d old sets are beside the folder after the next", fault, beside)
		}
	}
}
