package folder

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/key"
)

// TestMain lets the test's own program be the run that is killed.
func TestMain(m *testing.M) {
	if dir := os.Getenv("FOLDER_TEST_DIR"); dir != "" {
		child(dir)
		return
	}
	os.Exit(m.Run())
}

// child publishes generations of a set until it is killed: at the step whose number is
// given, by itself, else from outside.
func child(dir string) {
	kill, _ := strconv.Atoi(os.Getenv("FOLDER_TEST_STEP"))
	generation, _ := strconv.Atoi(os.Getenv("FOLDER_TEST_GENERATION"))
	l, err := Acquire(context.Background(), dir, holder(), time.Second)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(7)
	}
	defer l.Release()
	for n := 0; ; generation++ {
		s := set(dir, generation)
		s.alone = kill > 0
		if os.Getenv("FOLDER_TEST_RENAMES") != "" {
			s.exchange = func(_, _ string) error { return errors.ErrUnsupported }
		}
		if s.alone { // else steps are taken side by side, and nobody counts them
			s.step = func(string) {
				if n++; n == kill {
					p, _ := os.FindProcess(os.Getpid())
					p.Kill()
					select {}
				}
			}
		}
		if _, err := s.Publish(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(8)
		}
		if kill > 0 {
			os.Exit(0)
		}
	}
}

func holder() Holder {
	host, _ := os.Hostname()
	return Holder{PID: os.Getpid(), Host: host, Started: time.Unix(1, 0).UTC(), Command: "lapwear run s.yaml"}
}

// set is a generation of five files; odd generations have a sixth.
func set(dir string, generation int) *Set {
	s := &Set{Dir: dir, Owned: func(n string) bool { return strings.HasSuffix(n, ".csv") }}
	names := []string{"a.csv", "b.csv", "c.csv", "d.csv", "e.csv"}
	if generation%2 == 1 {
		names = append(names, "odd.csv")
	}
	for _, n := range names {
		s.Files = append(s.Files, File{Name: n, Write: func(w io.Writer) error {
			_, err := fmt.Fprintln(w, generation)
			return err
		}})
	}
	return s
}

// contents reads a folder's files.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	entries, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	for _, e := range entries {
		if e.IsDir() {
			out[e.Name()] = "a folder"
			continue
		}
		text, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		out[e.Name()] = strings.TrimSpace(string(text))
	}
	return out
}

// wantSet checks that a folder has one generation of the set, and returns it.
func wantSet(t *testing.T, when, dir string) int {
	t.Helper()
	got := contents(t, dir)
	generation, err := strconv.Atoi(got["a.csv"])
	if err != nil {
		t.Fatalf("%s: %v", when, got)
	}
	want := map[string]string{}
	for _, f := range set(dir, generation).Files {
		want[f.Name] = strconv.Itoa(generation)
	}
	for n := range got {
		if !strings.HasSuffix(n, ".csv") {
			delete(got, n)
		}
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Fatalf("%s: the folder mixes sets: -want +got\n%s", when, d)
	}
	return generation
}

func run(t *testing.T, dir string, env ...string) (*exec.Cmd, error) {
	t.Helper()
	c := exec.Command(os.Args[0])
	c.Env = append(os.Environ(), append(env, "FOLDER_TEST_DIR="+dir)...)
	c.Stderr = os.Stderr
	return c, c.Start()
}

// publish makes a generation the folder's in this process, as the run after a kill does.
func publish(t *testing.T, dir string, generation int) *Lock {
	t.Helper()
	l, err := Acquire(context.Background(), dir, holder(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if why, err := set(dir, generation).Publish(); err != nil || why != "" {
		t.Fatal(why, err)
	}
	if err := l.Release(); err != nil {
		t.Fatal(err)
	}
	return l
}

// Killed after any of its steps, a run leaves the old set or the new; the next one clears
// away what it left and keeps what is foreign.
func TestKilledAtEveryStep(t *testing.T) {
	for _, renames := range []string{"", "1"} {
		seen := map[int]bool{}
		for step := 1; ; step++ {
			dir := filepath.Join(t.TempDir(), "out")
			publish(t, dir, 1)
			if err := os.WriteFile(filepath.Join(dir, "notes.txt"), []byte("mine"), 0o666); err != nil {
				t.Fatal(err)
			}
			if err := os.MkdirAll(filepath.Join(dir, "plan", "deep"), 0o777); err != nil {
				t.Fatal(err)
			}
			c, err := run(t, dir, "FOLDER_TEST_STEP="+strconv.Itoa(step), "FOLDER_TEST_GENERATION=2", "FOLDER_TEST_RENAMES="+renames)
			if err != nil {
				t.Fatal(err)
			}
			if c.Wait() == nil { // it has fewer steps
				break
			}
			when := fmt.Sprintf("renames %q, killed at step %d", renames, step)
			if _, err := os.Stat(dir); errors.Is(err, os.ErrNotExist) && renames != "" {
				// Between two renames: the next claim puts it back.
				l, err := Acquire(context.Background(), dir, holder(), 0)
				if err != nil {
					t.Fatalf("%s: %v", when, err)
				}
				l.Release()
			}
			seen[wantSet(t, when, dir)] = true
			if l := publish(t, dir, 3); l.Stale == nil {
				if _, err := os.Stat(filepath.Join(dir, LockName)); err == nil {
					t.Errorf("%s: the killed run's lock was not seen", when)
				}
			}
			want := map[string]string{"notes.txt": "mine", "plan": "a folder"}
			for _, f := range set(dir, 3).Files {
				want[f.Name] = "3"
			}
			if d := cmp.Diff(want, contents(t, dir)); d != "" {
				t.Errorf("%s, then run again: -want +got\n%s", when, d)
			}
			if d := cmp.Diff(map[string]string{"out": "a folder"}, contents(t, filepath.Dir(dir))); d != "" {
				t.Errorf("%s, then run again: beside the folder: -want +got\n%s", when, d)
			}
		}
		if !seen[1] || !seen[2] {
			t.Errorf("renames %q: saw only sets %v; kills should leave either", renames, seen)
		}
	}
}

// Killed from outside, whenever, a run leaves one set.
func TestKilledAtAnyMoment(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "out")
	publish(t, dir, 0)
	last, moved := 0, 0
	slow := 1 // by how much runs are slower than on an idle machine
	for i := range 60 {
		c, err := run(t, dir, "FOLDER_TEST_GENERATION="+strconv.Itoa(last+1))
		if err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Duration(slow*(20+7*i%53)) * time.Millisecond)
		c.Process.Kill()
		c.Wait()
		now := wantSet(t, fmt.Sprintf("kill %d", i), dir)
		if now < last {
			t.Fatalf("kill %d: set %d after %d", i, now, last)
		}
		if now > last {
			moved++
			slow = max(1, slow/2)
		} else {
			slow = min(2*slow, 64)
		}
		last = now
	}
	if moved < 10 {
		t.Errorf("only %d of 60 runs published anything before they were killed", moved)
	}
}

func TestPublish(t *testing.T) {
	file := func(name, text string) File {
		return File{Name: name, Write: func(w io.Writer) error { _, err := io.WriteString(w, text); return err }}
	}
	owned := func(n string) bool { return strings.HasSuffix(n, ".csv") }
	for _, tt := range []struct {
		reason string
		before map[string]string
		files  []File
		fixed  bool
		one    bool
		want   map[string]string
	}{
		{"first set", nil, []File{file("a.csv", "1")}, false, false, map[string]string{"a.csv": "1"}},
		{"a table that is no longer made goes, what is foreign stays", map[string]string{"a.csv": "1", "b.csv": "1", "c.txt": "x"},
			[]File{file("a.csv", "2")}, false, false, map[string]string{"a.csv": "2", "c.txt": "x"}},
		{"what says it is current is not written", map[string]string{"a.csv": "1"},
			[]File{{Name: "a.csv", Write: func(io.Writer) error { return errors.New("written") }, Current: func(string) bool { return true }}},
			false, false, map[string]string{"a.csv": "1"}},
		{"nothing changed", map[string]string{"a.csv": "1"}, []File{file("a.csv", "1")}, false, false, map[string]string{"a.csv": "1"}},
		{"an input in the folder keeps it in its place", map[string]string{"season.yaml": "x", "a.csv": "1", "b.csv": "1"},
			[]File{file("a.csv", "2")}, true, true, map[string]string{"season.yaml": "x", "a.csv": "2"}},
	} {
		dir := filepath.Join(t.TempDir(), "out")
		if err := os.Mkdir(dir, 0o750); err != nil {
			t.Fatal(err)
		}
		for n, text := range tt.before {
			if err := os.WriteFile(filepath.Join(dir, n), []byte(text), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		old := time.Unix(1e9, 0)
		os.Chtimes(filepath.Join(dir, "a.csv"), old, old)
		s := Set{Dir: dir, Files: tt.files, Owned: owned}
		if tt.fixed {
			s.Fixed = []string{filepath.Join(dir, "season.yaml")}
		}
		why, err := s.Publish()
		if err != nil || (why != "") != tt.one {
			t.Errorf("%s: %q, %v", tt.reason, why, err)
		}
		if d := cmp.Diff(tt.want, contents(t, dir)); d != "" {
			t.Errorf("%s: -want +got\n%s", tt.reason, d)
		}
		info, err := os.Stat(dir)
		if err != nil || info.Mode().Perm() != 0o750 {
			t.Errorf("%s: the folder's rights are %v", tt.reason, info.Mode())
		}
		a, err := os.Stat(filepath.Join(dir, "a.csv"))
		if err != nil || tt.before["a.csv"] == tt.want["a.csv"] != a.ModTime().Equal(old) {
			t.Errorf("%s: a.csv has time stamp %v", tt.reason, a.ModTime())
		}
	}
}

// What cannot be written leaves everything as it was.
func TestFailedWrite(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "out")
	publish(t, dir, 1)
	s := set(dir, 2)
	s.Files = append(s.Files, File{Name: "f.csv", Write: func(io.Writer) error { return errors.New("disk full") }})
	if _, err := s.Publish(); err == nil || !strings.Contains(err.Error(), "disk full") {
		t.Errorf("error %v", err)
	}
	if got := wantSet(t, "failed", dir); got != 1 {
		t.Errorf("set %d", got)
	}
	if d := cmp.Diff(map[string]string{"out": "a folder"}, contents(t, filepath.Dir(dir))); d != "" {
		t.Errorf("beside the folder: -want +got\n%s", d)
	}
}

// A folder in a file's place is neither moved nor removed, and nothing is written.
func TestFolderInTheWay(t *testing.T) {
	for _, name := range []string{"b.csv", "odd.csv"} { // one of the set, and one of another run's
		for _, fixed := range []bool{false, true} {
			dir := filepath.Join(t.TempDir(), "out")
			publish(t, dir, 2)
			os.Remove(filepath.Join(dir, name))
			if err := os.MkdirAll(filepath.Join(dir, name, "notes"), 0o777); err != nil {
				t.Fatal(err)
			}
			before := contents(t, dir)
			s := set(dir, 4)
			if fixed {
				s.Fixed = []string{dir}
			}
			if _, err := s.Publish(); err == nil || !strings.Contains(err.Error(), name+`" is a folder`) {
				t.Errorf("%s, fixed %v: error %v", name, fixed, err)
			}
			if d := cmp.Diff(before, contents(t, dir)); d != "" {
				t.Errorf("%s, fixed %v: -before +after\n%s", name, fixed, d)
			}
			if d := cmp.Diff(map[string]string{"out": "a folder"}, contents(t, filepath.Dir(dir))); d != "" {
				t.Errorf("%s, fixed %v: beside the folder: -want +got\n%s", name, fixed, d)
			}
		}
	}
}

func TestLockNamesItsHolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "out")
	first, err := Acquire(context.Background(), dir, holder(), 0)
	if err != nil || first.Stale != nil {
		t.Fatal(first, err)
	}
	_, err = Acquire(context.Background(), dir, holder(), 0)
	var held *HeldError
	if !errors.As(err, &held) {
		t.Fatalf("second claim: %v", err)
	}
	if d := cmp.Diff(HeldError{dir, holder()}, *held); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
	for _, word := range []string{"lapwear run s.yaml", strconv.Itoa(os.Getpid()), "1970-01-01T00:00:01Z", "--out"} {
		if !strings.Contains(err.Error(), word) {
			t.Errorf("error %q lacks %q", err, word)
		}
	}
	// The claim goes with the folder when sets change places.
	if _, err := set(dir, 1).Publish(); err != nil {
		t.Fatal(err)
	}
	if _, err = Acquire(context.Background(), dir, holder(), 0); !errors.As(err, &held) {
		t.Errorf("claim after a set was published: %v", err)
	}
	if other, err := Acquire(context.Background(), filepath.Join(filepath.Dir(dir), "unused"), holder(), 0); err != nil || other.Release() != nil {
		t.Fatal(other, err)
	}
	if d := cmp.Diff(map[string]string{"out": "a folder"}, contents(t, filepath.Dir(dir))); d != "" {
		t.Errorf("a folder that was claimed and never written: -want +got\n%s", d)
	}
	time.AfterFunc(150*time.Millisecond, func() { first.Release() })
	second, err := Acquire(context.Background(), dir, holder(), time.Minute)
	if err != nil {
		t.Fatalf("claim that waits: %v", err)
	}
	second.Release()
}

// A lock file without a lock is that of a run that was killed.
func TestStaleLock(t *testing.T) {
	dir := t.TempDir()
	text := `{"pid":1,"host":"elsewhere","started":"2031-05-01T02:00:00Z","command":"lapwear run s.yaml"}`
	if err := os.WriteFile(filepath.Join(dir, LockName), []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	l, err := Acquire(context.Background(), dir, holder(), 0)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Release()
	want := &Holder{PID: 1, Host: "elsewhere", Started: time.Date(2031, 5, 1, 2, 0, 0, 0, time.UTC), Command: "lapwear run s.yaml"}
	if d := cmp.Diff(want, l.Stale); d != "" {
		t.Errorf("-want +got\n%s", d)
	}
}

// Where the file system knows no locks, the word of the file counts.
func TestByWord(t *testing.T) {
	me := holder()
	dead := exec.Command(os.Args[0], "-test.run=^$")
	if err := dead.Run(); err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct {
		reason string
		there  Holder
		want   error
	}{
		{"nobody", Holder{}, nil},
		{"a process of this host that ended", Holder{PID: dead.Process.Pid, Host: me.Host}, nil},
		{"a process of this host that runs", Holder{PID: os.Getppid(), Host: me.Host}, errBusy},
		{"another host: nobody here can tell", Holder{PID: dead.Process.Pid, Host: me.Host + "-2"}, errBusy},
	} {
		if got := byWord(tt.there, me); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.reason, got, tt.want)
		}
	}
}

// Where the system has no locks, of many that find a void lock, or none, at once one gets
// the folder.
func TestOneOfManyByWord(t *testing.T) {
	none := func(*os.File) error { return errors.ErrUnsupported }
	for round := range 100 {
		path := filepath.Join(t.TempDir(), LockName)
		if round%2 == 0 {
			if err := os.WriteFile(path, []byte("void"), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		const runs = 8
		got := make(chan *Lock, runs)
		begin := make(chan bool)
		for i := range runs {
			go func() {
				<-begin
				l, err := try(path, Holder{PID: 1, Host: fmt.Sprint("host ", i)}, none)
				var held *HeldError
				if err != nil && !errors.As(err, &held) {
					t.Error(err)
				}
				got <- l
			}()
		}
		close(begin)
		n := 0
		for range runs {
			if l := <-got; l != nil {
				n++
				defer l.Release()
			}
		}
		if n != 1 {
			t.Fatalf("round %d: %d runs got the folder", round, n)
		}
		if left := contents(t, filepath.Dir(path)); len(left) != 1 {
			t.Fatalf("files left behind: %v", left)
		}
	}
}

// A folder's name may hold what is special to patterns of names.
func TestSetAsideComesBackWhateverItsName(t *testing.T) {
	for _, name := range []string{"plain", "[2031]", "a*b?"} {
		dir := filepath.Join(t.TempDir(), name, "out")
		if err := os.Mkdir(filepath.Dir(dir), 0o777); err != nil {
			t.Fatal(err)
		}
		publish(t, dir, 1)
		if err := os.WriteFile(filepath.Join(dir, LockName), nil, 0o666); err != nil { // as a killed run leaves it
			t.Fatal(err)
		}
		if err := os.Rename(dir, filepath.Join(filepath.Dir(dir), ".out"+stagingMark+"0"+asideMark)); err != nil {
			t.Fatal(err)
		}
		l, err := Acquire(context.Background(), dir, holder(), 0)
		if err != nil {
			t.Fatal(err)
		}
		l.Release()
		if got := wantSet(t, name, dir); got != 1 {
			t.Errorf("%s: set %d", name, got)
		}
	}
}

// What is left to do once the new set is there can be done beside what comes next.
func TestAfter(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "out")
	publish(t, dir, 1)
	if err := os.MkdirAll(filepath.Join(dir, "plan"), 0o777); err != nil {
		t.Fatal(err)
	}
	var rest []func() error
	s := set(dir, 2)
	s.After = func(f func() error) { rest = append(rest, f) }
	if why, err := s.Publish(); err != nil || why != "" {
		t.Fatal(why, err)
	}
	if generation := wantSet(t, "before the rest", dir); generation != 2 || len(rest) == 0 {
		t.Fatalf("the folder is of generation %d, parts of the rest handed on: %d", generation, len(rest))
	}
	for _, part := range rest {
		if err := part(); err != nil {
			t.Error(err)
		}
	}
	// Whoever looks at the files meanwhile finds them as they stay.
	entries, err := os.ReadDir(filepath.Dir(dir))
	if err != nil || len(entries) != 1 {
		t.Errorf("%d folders are left, %v", len(entries), err)
	}
	if _, err := os.Stat(filepath.Join(dir, "plan")); err != nil {
		t.Errorf("a foreign folder: %v", err)
	}
}

// What is known of files that were written is what anybody finds who reads them and looks at them, once the set is there; nothing is
// said of those that stayed.
func TestWritten(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "out")
	publish(t, dir, 1)
	foreign(t, dir)
	s := set(dir, 2)
	s.Files[1].Write = func(w io.Writer) error { _, err := io.WriteString(w, "1\n"); return err } // as it was
	s.Files[2].Current = func(string) bool { return true }
	for _, tt := range []struct {
		reason string
		fixed  []string
		want   []string
		sums   []string // all but the one that is not written
	}{
		{"some change", nil, []string{"a.csv", "d.csv", "e.csv"}, []string{"a.csv", "b.csv", "d.csv", "e.csv"}},
		{"none changes", nil, nil, []string{"a.csv", "b.csv", "d.csv", "e.csv"}},
		{"one by one", []string{filepath.Join(dir, "notes.txt")}, nil, nil},
	} {
		s.Fixed = tt.fixed
		if _, err := s.Publish(); err != nil {
			t.Fatal(err)
		}
		for _, name := range tt.want {
			w, ok := s.Written[name]
			path := filepath.Join(dir, name)
			text, err := os.ReadFile(path)
			if !ok || err != nil || w.Sum != key.OfUnkept(func(h io.Writer) error { _, err := h.Write(text); return err }) {
				t.Errorf("%s: %s: known %v, its sum is not that of %q, %v", tt.reason, name, ok, text, err)
				continue
			}
			if i, err := os.Stat(path); err != nil || !os.SameFile(i, w.Info) || i.Size() != w.Info.Size() || !i.ModTime().Equal(w.Info.ModTime()) {
				t.Errorf("%s: %s looks like %+v, said to look like %+v", tt.reason, name, i, w.Info)
			}
		}
		if got := slices.Sorted(maps.Keys(s.Written)); !slices.Equal(got, tt.want) {
			t.Errorf("%s: %q are known, want %q", tt.reason, got, tt.want)
		}
		if got := slices.Sorted(maps.Keys(s.Sums)); !slices.Equal(got, tt.sums) {
			t.Errorf("%s: sums of %q are told, want %q", tt.reason, got, tt.sums)
		}
		for name, sum := range s.Sums {
			text, err := os.ReadFile(filepath.Join(dir, name))
			if err != nil || sum != key.OfUnkept(func(h io.Writer) error { _, err := h.Write(text); return err }) {
				t.Errorf("%s: %s: the sum told is not that of %q, %v", tt.reason, name, text, err)
			}
		}
	}
}
