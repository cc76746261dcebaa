package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/fatigue/lanes"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// bench counts how often each of its stages ran, and what was held at once.
type bench struct {
	mu   sync.Mutex
	runs map[string]int
}

func (b *bench) ran(name string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.runs[name]++
}

func (b *bench) take() map[string]int {
	b.mu.Lock()
	defer b.mu.Unlock()
	r := b.runs
	b.runs = map[string]int{}
	return r
}

// fakeStage adds up its inputs' numbers and its own.
type fakeStage struct {
	b     *bench
	name  string
	label string // tells runs apart in the bench
	add   float64
	drop  bool // outputs are not worth storing
	run   func(in stages.Inputs) ([]stages.Output, error)
}

func (s fakeStage) Name() string        { return s.name }
func (s fakeStage) Revision() int       { return 1 }
func (s fakeStage) AddTo(h *key.Hasher) { h.Float("add", s.add) }
func (s fakeStage) Keeps(string) bool   { return !s.drop }

func (s fakeStage) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	s.b.ran(s.label)
	if s.run != nil {
		return s.run(in)
	}
	sum := s.add
	for _, i := range in.Frames {
		if i.Missing != "" || i.Frame == nil && i.Load == nil {
			continue
		}
		f, err := i.Get()
		if err != nil {
			return nil, err
		}
		v, _ := f.Number("v")
		sum += v
	}
	if in.File.Path != "" {
		data, err := os.ReadFile(in.File.Path)
		if err != nil {
			return nil, err
		}
		if string(data) == "bad" {
			return nil, stages.Refuse("the file says %q", data)
		}
		sum += float64(len(data))
	}
	return numberOut(sum), nil
}

func numberOut(v float64) []stages.Output {
	return []stages.Output{{Name: "out", Frame: frame.Must([]frame.Attr{frame.Num("v", "", v)}, frame.Col("x", "", make([]float64, 64)))}}
}

func openStore(t *testing.T, dir string) *cache.Store {
	t.Helper()
	s, err := cache.Open(dir, cache.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

// chain builds per lap read -> scale -> and a total over the laps.
type chain struct {
	b     *bench
	dir   string
	laps  []string
	scale float64
	drop  bool
}

func (c chain) build() (*Graph, TaskID) {
	g := NewGraph()
	var in []Ref
	for _, l := range c.laps {
		read := g.Add(Task{Name: "read " + l, Lap: l, Source: filepath.Join(c.dir, l), Shown: "laps/" + l,
			Stage: fakeStage{b: c.b, name: "read", label: "read " + l, drop: c.drop}})
		scale := g.Add(Task{Name: "scale " + l, Lap: l, Inputs: []Ref{{Label: "in", Task: read, Output: "out"}},
			Stage: fakeStage{b: c.b, name: "scale", label: "scale " + l, add: c.scale}})
		in = append(in, Ref{Label: l, Task: scale, Output: "out", Optional: true})
	}
	total := g.Add(Task{Name: "total", Inputs: in, Stage: fakeStage{b: c.b, name: "total", label: "total"}})
	return g, total
}

func (c chain) write(t *testing.T, lap, text string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(c.dir, lap), []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

func newChain(t *testing.T, laps ...string) chain {
	c := chain{b: &bench{runs: map[string]int{}}, dir: t.TempDir(), laps: laps}
	for i, l := range laps {
		c.write(t, l, fmt.Sprintf("%0*d", i+1, 0))
	}
	return c
}

func (c chain) run(t *testing.T, store Store, o Options) (*Session, TaskID) {
	t.Helper()
	g, total := c.build()
	o.Store = store
	if o.Jobs == 0 {
		o.Jobs = 2
	}
	s := NewSession(g, o)
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	return s, total
}

func total(t *testing.T, s *Session, id TaskID) float64 {
	t.Helper()
	f, err := s.Frame(context.Background(), id, "out")
	if err != nil {
		t.Fatal(err)
	}
	v, _ := f.Number("v")
	return v
}

func TestOnlyWhatChangedRunsAgain(t *testing.T) {
	tests := []struct {
		reason string
		change func(t *testing.T, c *chain)
		want   map[string]int
		total  float64
	}{
		{"nothing changed", func(*testing.T, *chain) {}, map[string]int{}, 6},
		{"a file was written again with the same bytes", func(t *testing.T, c *chain) { c.write(t, "a", "0") }, map[string]int{}, 6},
		{"a lap changed", func(t *testing.T, c *chain) { c.write(t, "a", "1234") },
			map[string]int{"read a": 1, "scale a": 1, "total": 1}, 9},
		{"other bytes with the same meaning stop at the reader", func(t *testing.T, c *chain) { c.write(t, "b", "xx") },
			map[string]int{"read b": 1}, 6},
		{"a parameter of the second stage", func(_ *testing.T, c *chain) { c.scale = 10 },
			map[string]int{"scale a": 1, "scale b": 1, "scale c": 1, "total": 1}, 36},
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			c := newChain(t, "a", "b", "c")
			store := openStore(t, t.TempDir())
			c.run(t, store, Options{})
			c.b.take()
			tt.change(t, &c)
			s, id := c.run(t, store, Options{Rehash: true})
			if diff := cmp.Diff(tt.want, c.b.take()); diff != "" {
				t.Errorf("stages run (-want +got):\n%s", diff)
			}
			if got := total(t, s, id); got != tt.total {
				t.Errorf("total %v, want %v", got, tt.total)
			}
		})
	}
}

func TestBadLapIsSetAsideAndRemembered(t *testing.T) {
	c := newChain(t, "a", "b", "c")
	c.write(t, "b", "bad")
	store := openStore(t, t.TempDir())
	for run, want := range []map[string]int{
		{"read a": 1, "read b": 1, "read c": 1, "scale a": 1, "scale c": 1, "total": 1}, {}} {
		s, id := c.run(t, store, Options{})
		if diff := cmp.Diff(want, c.b.take()); diff != "" {
			t.Errorf("run %d: stages run (-want +got):\n%s", run, diff)
		}
		if diff := cmp.Diff([]SetAside{{"b", `recording "laps/b": the file says "bad"`}}, s.SetAside()); diff != "" {
			t.Errorf("run %d: set aside (-want +got):\n%s", run, diff)
		}
		if got := total(t, s, id); got != 4 {
			t.Errorf("run %d: total %v, want 4 without lap b", run, got)
		}
	}
}

func TestMissingRecordingIsSetAsideAndNotRemembered(t *testing.T) {
	c := newChain(t, "a", "b")
	os.Remove(filepath.Join(c.dir, "a"))
	store := openStore(t, t.TempDir())
	s, _ := c.run(t, store, Options{})
	if got := s.SetAside(); len(got) != 1 || got[0].Lap != "a" {
		t.Fatalf("set aside %v, want lap a", got)
	}
	c.write(t, "a", "back")
	s, id := c.run(t, store, Options{})
	if got := total(t, s, id); got != 6 {
		t.Errorf("total %v, want 6 once the recording is there", got)
	}
}

func TestEqualKeysRunOnce(t *testing.T) {
	c := newChain(t, "a", "b", "c", "d")
	for _, l := range c.laps {
		c.write(t, l, "same")
	}
	c.run(t, openStore(t, t.TempDir()), Options{Jobs: 4})
	n := 0
	for name, runs := range c.b.take() {
		if name != "total" {
			n += runs
		}
	}
	if n != 2 {
		t.Errorf("four equal laps ran %d steps, want one read and one scale", n)
	}
}

func TestOutputsThatAreNotStoredAreMadeAgain(t *testing.T) {
	c := newChain(t, "a", "b")
	c.drop = true
	store := openStore(t, t.TempDir())
	c.run(t, store, Options{})
	c.b.take()
	c.scale = 5
	s, id := c.run(t, store, Options{})
	want := map[string]int{"read a": 1, "read b": 1, "scale a": 1, "scale b": 1, "total": 1}
	if diff := cmp.Diff(want, c.b.take()); diff != "" {
		t.Errorf("stages run (-want +got):\n%s", diff)
	}
	if got := total(t, s, id); got != 13 {
		t.Errorf("total %v, want 13", got)
	}
	if got := s.Stages()["read"]; got.Planned != 2 || got.Computed != 2 || got.Hit != 0 {
		t.Errorf("read: %+v, want 2 planned and computed", got)
	}
}

// lossy is a store that has lost its blobs.
type lossy struct{ *cache.Store }

func (lossy) Blob(cache.Output) ([]byte, string) { return nil, "blob damaged" }

func TestLostBlobsAreMadeAgain(t *testing.T) {
	c := newChain(t, "a", "b")
	store := openStore(t, t.TempDir())
	c.run(t, store, Options{})
	c.b.take()
	c.scale = 1
	s, id := c.run(t, lossy{store}, Options{})
	if got := total(t, s, id); got != 5 {
		t.Errorf("total %v, want 5", got)
	}
	st := s.State(0)
	if !st.Fresh || st.Miss != "blob damaged" {
		t.Errorf("read a: %+v, want it computed because of a damaged blob", st)
	}
}

// unwritable is a store on a full disk, which names a file of its own for each result.
type unwritable struct{ *cache.Store }

func (unwritable) Put(_ context.Context, action key.ID, _ cache.Entry, _ []cache.Payload) error {
	return fmt.Errorf("store %v: %w", action, errors.Join(&fs.PathError{Op: "write", Path: action.String() + ".tmp", Err: syscall.ENOSPC}))
}

func TestFullDiskCostsOnlyTime(t *testing.T) {
	c := newChain(t, "a", "b", "c")
	var warnings []string
	s, id := c.run(t, unwritable{openStore(t, t.TempDir())}, Options{Events: func(e Event) {
		if e.Warning != "" {
			warnings = append(warnings, e.Warning)
		}
	}})
	if got := total(t, s, id); got != 6 {
		t.Errorf("total %v, want 6", got)
	}
	if len(warnings) != 1 || !strings.HasPrefix(warnings[0], "results are not stored: store ") || !strings.HasSuffix(warnings[0], ".tmp: no space left on device") {
		t.Errorf("warnings %q, want one of the full disk, with the file", warnings)
	}
}

func TestStopKeepsWhatIsFinished(t *testing.T) {
	c := newChain(t, "a", "b", "c", "d")
	store := openStore(t, t.TempDir())
	g, _ := c.build()
	ctx, stop := context.WithCancel(context.Background())
	s := NewSession(g, Options{Store: store, Jobs: 1, Events: func(e Event) {
		if e.Task != nil && e.Task.Name == "scale b" {
			stop()
		}
	}})
	if err := s.Run(ctx); !errors.Is(err, context.Canceled) {
		t.Fatalf("run: %v, want it stopped", err)
	}
	done := c.b.take()
	if done["total"] != 0 || done["scale b"] != 1 {
		t.Fatalf("before the stop ran %v", done)
	}
	s, id := c.run(t, store, Options{})
	again := c.b.take()
	for name := range done {
		if again[name] > 0 {
			t.Errorf("%s ran again although it was finished", name)
		}
	}
	if got := total(t, s, id); got != 10 {
		t.Errorf("total %v, want 10", got)
	}
}

func TestMemoryBudgetBoundsReaders(t *testing.T) {
	const budget, weight, laps = 1000, 400, 12
	var now, most atomic.Int64
	g := NewGraph()
	b := &bench{runs: map[string]int{}}
	dir := t.TempDir()
	for i := range laps {
		path := filepath.Join(dir, fmt.Sprint(i))
		os.WriteFile(path, []byte(fmt.Sprint("content", i)), 0o666)
		g.Add(Task{Name: fmt.Sprint("read ", i), Lap: fmt.Sprint(i), Source: path, Weight: weight,
			Stage: fakeStage{b: b, name: "read", run: func(stages.Inputs) ([]stages.Output, error) {
				n := now.Add(weight)
				for m := most.Load(); n > m && !most.CompareAndSwap(m, n); m = most.Load() {
				}
				defer now.Add(-weight)
				return numberOut(1), nil
			}}})
	}
	s := NewSession(g, Options{Store: openStore(t, t.TempDir()), Jobs: 6, Memory: budget})
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	if got := most.Load(); got > budget {
		t.Errorf("readers held %d bytes at once, budget %d", got, budget)
	}
	if s.queue.held != 0 || s.queue.reserved != 0 || len(s.live) != 0 {
		t.Errorf("after the run: %d bytes held, %d reserved, %d tasks live", s.queue.held, s.queue.reserved, len(s.live))
	}
}

func TestReaderLargerThanBudgetStillRuns(t *testing.T) {
	c := newChain(t, "a", "b")
	g, id := c.build()
	for i := range g.tasks {
		g.tasks[i].Weight = 1 << 20
	}
	s := NewSession(g, Options{Store: openStore(t, t.TempDir()), Jobs: 2, Memory: 1})
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	if got := total(t, s, id); got != 3 {
		t.Errorf("total %v, want 3", got)
	}
}

func TestPanicConcernsOneLap(t *testing.T) {
	c := newChain(t, "a", "b")
	g, _ := c.build()
	bad := g.tasks[0].Stage.(fakeStage)
	bad.run = func(stages.Inputs) ([]stages.Output, error) { panic("boom") }
	g.tasks[0].Stage = bad
	s := NewSession(g, Options{Store: openStore(t, t.TempDir())})
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	if got := s.SetAside(); len(got) != 1 || got[0].Lap != "a" {
		t.Errorf("set aside %v, want lap a", got)
	}
}

// A recording is read once: what was read to hash it is what the stage gets; else the stage reads it. Its memory serves the next one.
func TestRecordingsAreReadOnce(t *testing.T) {
	c := newChain(t, "a", "b", "c")
	old := time.Now().Add(-time.Hour)
	for _, l := range c.laps {
		if err := os.Chtimes(filepath.Join(c.dir, l), old, old); err != nil {
			t.Fatal(err)
		}
	}
	for _, tt := range []struct {
		reason string
		hashed bool
		memory int64
		want   string
	}{
		{"not hashed yet", false, 1 << 20, "0 00 000 "},
		{"hashed before", true, 1 << 20, "- - - "},
		{"no memory for the longer ones", false, 2 * contentShare, "0 00 - "},
	} {
		store := openStore(t, t.TempDir())
		g, _ := c.build()
		got := map[string]string{}
		for i := range g.tasks {
			if l := g.tasks[i].Lap; g.tasks[i].Source != "" {
				st := g.tasks[i].Stage.(fakeStage)
				st.run = func(in stages.Inputs) ([]stages.Output, error) {
					got[l] = "- "
					if in.File.Content != nil {
						got[l] = string(in.File.Content) + " "
					}
					return numberOut(1), nil
				}
				g.tasks[i].Stage = st
			}
			if src := g.tasks[i].Source; src != "" && tt.hashed {
				if _, err := store.FileID(src, false); err != nil {
					t.Fatal(err)
				}
			}
		}
		s := NewSession(g, Options{Store: store, Jobs: 1, Memory: tt.memory})
		if err := s.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		if all := got["a"] + got["b"] + got["c"]; all != tt.want {
			t.Errorf("%s: stages had %q, want %q", tt.reason, all, tt.want)
		}
		if n := len(s.contents.free); n > 0 {
			t.Errorf("%s: memory of %d contents lies idle after the run", tt.reason, n)
		}
	}
}

// askedStore counts how often it is asked for a file's hash alone.
type askedStore struct {
	*cache.Store
	asked int
}

func (s *askedStore) FileID(path string, rehash bool) (key.ID, error) {
	s.asked++
	return s.Store.FileID(path, rehash)
}

// A recording whose content a stage had is not hashed again afterwards, though it was written just now.
func TestRecordingsAreHashedOnce(t *testing.T) {
	c := newChain(t, "a", "b")
	g, _ := c.build()
	store := &askedStore{Store: openStore(t, t.TempDir())}
	s := NewSession(g, Options{Store: store, Jobs: 1})
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	if n := len(s.SetAside()); n > 0 || store.asked > 0 {
		t.Errorf("%d laps set aside, hashes asked for %d times more, want neither", n, store.asked)
	}
}

// The memory of a content serves the next one, until it is let go.
func TestContentsServeAgain(t *testing.T) {
	c := contentsFor(2, 1<<20)
	first := c.room(1000)
	c.give(first)
	again := c.room(1001)
	if &again[0] != &first[0] || len(again) != 1001 {
		t.Errorf("a content that was given back does not serve one a little longer; length %d", len(again))
	}
	c.give(again)
	c.drop()
	if next := c.room(1000); &next[0] == &first[0] {
		t.Error("memory that was let go serves again")
	}
}

// Once no recording is left to be read, the memory of contents serves others.
func TestIdleContentsAreLeftToOthers(t *testing.T) {
	for range 100 { // such memory may be lost, but is never found elsewhere
		c := contentsFor(1, 1<<30)
		content := c.room(1 << 20)
		c.give(content)
		c.drop()
		if other := lanes.Uncleared[byte](1 << 20); &other[0] == &content[0] {
			return
		}
	}
	t.Error("memory of contents that was let go serves nobody")
}

func TestFileThatChangesWhileReadIsNotFiled(t *testing.T) {
	c := newChain(t, "a")
	g, _ := c.build()
	st := g.tasks[0].Stage.(fakeStage)
	st.run = func(stages.Inputs) ([]stages.Output, error) {
		c.write(t, "a", "meanwhile something longer")
		return numberOut(1), nil
	}
	g.tasks[0].Stage = st
	s := NewSession(g, Options{Store: openStore(t, t.TempDir())})
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	if got := s.SetAside(); len(got) != 1 {
		t.Errorf("set aside %v, want lap a: its file changed while it was read", got)
	}
}

// A refusal is found by content; whose it is, each task says for itself.
func TestRefusalNamesTheRecordingAtHand(t *testing.T) {
	c := newChain(t, "a", "b", "c")
	c.write(t, "a", "bad")
	c.write(t, "b", "bad")
	store := openStore(t, t.TempDir())
	want := []SetAside{{"a", `recording "laps/a": the file says "bad"`}, {"b", `recording "laps/b": the file says "bad"`}}
	for run := range 2 {
		s, _ := c.run(t, store, Options{Jobs: 3})
		if diff := cmp.Diff(want, s.SetAside()); diff != "" {
			t.Errorf("run %d: set aside (-want +got):\n%s", run, diff)
		}
	}
}

func TestRecordSurvivesARunWithoutKey(t *testing.T) {
	c := newChain(t, "a")
	store := openStore(t, t.TempDir())
	s, _ := c.run(t, store, Options{})
	first := s.Record(nil, nil)
	was, _ := first.Task("read a")
	os.Remove(filepath.Join(c.dir, "a"))
	s, _ = c.run(t, store, Options{})
	second := s.Record(nil, first)
	c.write(t, "a", "changed")
	s, _ = c.run(t, store, Options{})
	third := s.Record(nil, second)
	if now, _ := third.Task("read a"); now.Previous != was.Action {
		t.Errorf("previous %v, want %v from before the recording was missing", now.Previous, was.Action)
	}
}

func TestPlanComputesNothing(t *testing.T) {
	c := newChain(t, "a", "b")
	store := openStore(t, t.TempDir())
	plan := func() map[string]StageReport {
		g, _ := c.build()
		s := NewSession(g, Options{Store: store})
		s.Plan()
		return s.Stages()
	}
	if got := plan()["total"]; got.Hit != 0 || got.Planned != 1 {
		t.Errorf("cold plan of total: %+v", got)
	}
	c.run(t, store, Options{})
	c.b.take()
	want := map[string]StageReport{"read": {Planned: 2, Hit: 2}, "scale": {Planned: 2, Hit: 2}, "total": {Planned: 1, Hit: 1}}
	if diff := cmp.Diff(want, plan()); diff != "" {
		t.Errorf("warm plan (-want +got):\n%s", diff)
	}
	if runs := c.b.take(); len(runs) != 0 {
		t.Errorf("planning ran %v", runs)
	}
}

func TestRepeatedTaskIsAddedOnce(t *testing.T) {
	c := newChain(t, "a")
	g, _ := c.build()
	n := g.Len()
	id := g.Add(Task{Name: "read a for another scenario", Lap: "a", Source: filepath.Join(c.dir, "a"), Stage: fakeStage{b: c.b, name: "read"}})
	if id != 0 || g.Len() != n {
		t.Errorf("an equal task was added as %d; want the earlier one, 0", id)
	}
}

func TestRecordRoundTripAndPrevious(t *testing.T) {
	c := newChain(t, "a", "b")
	store := openStore(t, t.TempDir())
	s, _ := c.run(t, store, Options{})
	first := s.Record([]frame.Attr{frame.Text("k", "v")}, nil)
	read, err := ReadRecord(first.Frame())
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(first.Tasks, read.Tasks, cmp.AllowUnexported(RecordedTask{})); diff != "" {
		t.Errorf("record after a round trip (-want +got):\n%s", diff)
	}
	id, _ := s.g.Find("scale a")
	scaled, _ := read.Task("scale a")
	r := s.g.Task(id).Inputs[0]
	if got, err := read.Inputs(scaled); err != nil || len(got) != 1 || got[0] != (RecordedInput{r.Label, int(r.Task), r.Output}) {
		t.Errorf("inputs of scale a: %v, error %v, want the one of %+v", got, err, r)
	}
	for _, damaged := range []string{"x\x00o\x00l\x01", "99\x00o\x00l\x01", "-1\x00o\x00l\x01", "0\x00o\x01", "\x00"} {
		if got, err := read.Inputs(&RecordedTask{packed: damaged}); err == nil {
			t.Errorf("inputs %q: %v, want an error", damaged, got)
		}
	}
	c.scale = 3
	s, _ = c.run(t, store, Options{})
	second := s.Record(nil, read)
	was, _ := read.Task("scale a")
	now, _ := second.Task("scale a")
	if now.Previous != was.Action || now.Action == was.Action {
		t.Errorf("scale a: previous %v, want %v", now.Previous, was.Action)
	}
	// A run with nothing to do keeps what the one before had replaced.
	s, _ = c.run(t, store, Options{})
	third := s.Record(nil, second)
	if again, _ := third.Task("scale a"); again.Previous != was.Action {
		t.Errorf("scale a after an idle run: previous %v, want %v", again.Previous, was.Action)
	}
}

// A record takes over from the one before what that says of the tasks of its names, wherever they stand there, and nothing else.
func TestRecordFollowsByName(t *testing.T) {
	for _, tt := range []struct {
		reason string
		laps   []string // of the run before
		scale  float64
	}{
		{"the same", []string{"a", "b", "c"}, 0},
		{"another scale", []string{"a", "b", "c"}, 3},
		{"shorter", []string{"a", "b"}, 3},
		{"shifted, changed and shorter", []string{"b", "c"}, 3},
		{"shifted and shorter", []string{"b", "c"}, 0},
		{"in another order, longer", []string{"c", "d", "b", "a"}, 3},
	} {
		c := newChain(t, "a", "b", "c", "d")
		store := openStore(t, t.TempDir())
		c.laps, c.scale = tt.laps, tt.scale
		s, _ := c.run(t, store, Options{})
		earlier := s.Record(nil, nil)
		c.laps, c.scale = []string{"a", "b", "c"}, 0
		s, _ = c.run(t, store, Options{})
		want, got := s.Record(nil, nil), s.Record(nil, earlier)
		for i := range want.Tasks {
			takeOver(&want.Tasks[i], earlier)
		}
		if diff := cmp.Diff(want.Tasks, got.Tasks, cmp.AllowUnexported(RecordedTask{})); diff != "" {
			t.Errorf("%s: (-want +got):\n%s", tt.reason, diff)
		}
		if from := inputNames(t, got, "scale b") + inputNames(t, got, "total"); from != "read b;scale a;scale b;scale c;" {
			t.Errorf("%s: inputs of scale b and total are %s", tt.reason, from)
		}
	}
}

// takeOver looks for the task in a record without tasks that were replaced, one after the other.
func takeOver(task *RecordedTask, earlier *Record) {
	for _, old := range earlier.Tasks {
		switch {
		case old.Name != task.Name:
		case old.Action != task.Action:
			task.Previous = old.Action
		case task.Miss == "":
			task.Miss = old.Miss
		}
	}
}

// inputNames lists the tasks that a task of the record had its inputs from.
func inputNames(t *testing.T, r *Record, name string) (names string) {
	t.Helper()
	task, _ := r.Task(name)
	in, err := r.Inputs(task)
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range in {
		names += r.Tasks[i.Task].Name + ";"
	}
	return names
}

func TestJobsDoNotChangeResults(t *testing.T) {
	c := newChain(t, "a", "b", "c", "d", "e")
	var want key.ID
	for i, jobs := range []int{1, 2, 7} {
		s, id := c.run(t, openStore(t, t.TempDir()), Options{Jobs: jobs})
		got := s.State(id).Outputs[0].ID
		if i == 0 {
			want = got
		}
		if got != want {
			t.Errorf("%d jobs: output %v, want %v", jobs, got, want)
		}
	}
}

// A sweep ends when it is told to, and what it left is found by the next run.
func TestSweepEnds(t *testing.T) {
	c := newChain(t, laps(sweepTurn)...)
	for _, l := range c.laps {
		if err := os.Chtimes(filepath.Join(c.dir, l), time.Unix(1e9, 0), time.Unix(1e9, 0)); err != nil {
			t.Fatal(err)
		}
	}
	store := openStore(t, t.TempDir())
	c.run(t, store, Options{Known: store.Known})
	g, _ := c.build()
	ctx, stop := context.WithCancelCause(context.Background())
	swept, enough := 0, errors.New("enough")
	s := NewSession(g, Options{Store: store, Known: store.Known, Jobs: 1, Events: func(Event) {
		if swept++; swept == 10 {
			stop(enough)
		}
	}})
	if s.sweep(ctx); swept != sweepTurn {
		t.Errorf("%d tasks swept, want %d", swept, sweepTurn)
	}
	if err := s.Run(ctx); !errors.Is(err, enough) {
		t.Errorf("error %v, want the cause", err)
	}
	if swept >= len(s.states) {
		t.Errorf("%d of %d tasks are resolved though the run was stopped", swept, len(s.states))
	}
}

// A season of many laps is swept by several hands, each lap by one, and comes to what one hand finds.
func TestSweepSideBySide(t *testing.T) {
	c := newChain(t, laps(3*leastShare)...)
	c.write(t, "lap7", "bad")
	for _, l := range c.laps {
		if err := os.Chtimes(filepath.Join(c.dir, l), time.Unix(1e9, 0), time.Unix(1e9, 0)); err != nil {
			t.Fatal(err)
		}
	}
	store := openStore(t, t.TempDir())
	c.run(t, store, Options{Known: store.Known})
	sweep := func(jobs int) ([]State, []int) {
		g, _ := c.build()
		var done []int
		s := NewSession(g, Options{Store: store, Known: store.Known, Jobs: jobs, Events: func(e Event) { done = append(done, e.Done) }})
		s.sweep(context.Background())
		slices.Sort(done)
		return s.states, done
	}
	want, done := sweep(1)
	if len(done) != 2*len(c.laps)+1 || done[len(done)-1] != len(want) {
		t.Fatalf("one hand swept %d of %d tasks", len(done), len(want))
	}
	for _, jobs := range []int{2, 5, 1000} {
		got, counted := sweep(jobs)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%d jobs: states (-one hand +several):\n%s", jobs, diff)
		}
		if !slices.Equal(done, counted) {
			t.Errorf("%d jobs: tasks done were counted as %v, want each number once", jobs, counted)
		}
	}
}

// deaf is a store that takes what it is given, and then cannot keep it.
type deaf struct{ *cache.Store }

func (deaf) Put(context.Context, key.ID, cache.Entry, []cache.Payload) error { return nil }
func (deaf) Failing() bool                                                   { return true }

// Where the store keeps nothing, each task is computed once all the same, also for those that read its outputs late.
func TestStoreThatKeepsNothing(t *testing.T) {
	for _, tt := range []struct {
		reason string
		store  func(*cache.Store) Store
	}{
		{"puts fail", func(s *cache.Store) Store { return unwritable{s} }},
		{"what is put is lost", func(s *cache.Store) Store { return deaf{s} }},
	} {
		for _, jobs := range []int{1, 4} {
			c := newChain(t, laps(20)...)
			g, want := c.build()
			scaled := g.Task(want).Inputs
			for i := range scaled {
				scaled[i].Late = true
			}
			for _, name := range []string{"sum", "another"} {
				g.Add(Task{Name: name, Inputs: scaled, Stage: fakeStage{b: c.b, name: name, label: name}})
			}
			s := NewSession(g, Options{Store: tt.store(openStore(t, t.TempDir())), Jobs: jobs})
			if err := s.Run(context.Background()); err != nil {
				t.Fatal(err)
			}
			runs := c.b.take()
			if len(runs) != g.Len() {
				t.Errorf("%s, %d jobs: %d of %d tasks ran", tt.reason, jobs, len(runs), g.Len())
			}
			for name, n := range runs {
				if n != 1 {
					t.Errorf("%s, %d jobs: %s ran %d times, want once", tt.reason, jobs, name, n)
				}
			}
			if s.queue.held != 0 || len(s.live) != 0 || len(s.putting) != 0 {
				t.Errorf("%s, %d jobs: %d bytes of %d tasks stay held", tt.reason, jobs, s.queue.held, len(s.live))
			}
		}
	}
}

// storing tells whether results are on their way to the store.
func (s *Session) storing() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.putting) > 0
}

// What tasks read late is not held from when the store has it, but shared by them once the first has it of the store; what others read is held
// for them alone.
func TestLateReaders(t *testing.T) {
	b := &bench{runs: map[string]int{}}
	stage := func(name string) fakeStage { return fakeStage{b: b, name: name, label: name, add: float64(len(name))} }
	for _, tt := range []struct {
		reason string
		late   []bool
		held   bool // once it is made and stored
	}{
		{"none is late", []bool{false, false}, true},
		{"one is", []bool{false, true}, true},
		{"both are", []bool{true, true}, false},
	} {
		g := NewGraph()
		made := g.Add(Task{Name: "made", Lap: "a", Stage: stage("made")})
		for i, late := range tt.late {
			g.Add(Task{Name: fmt.Sprint("reader", i), Stage: stage(fmt.Sprint("reader", i)), Inputs: []Ref{{Label: "in", Task: made, Output: "out", Late: late}}})
		}
		var s *Session
		var held []bool
		s = NewSession(g, Options{Store: openStore(t, t.TempDir()), Jobs: 1, Events: func(Event) {
			for s.storing() {
				time.Sleep(time.Millisecond)
			}
			held = append(held, len(s.live[made]) > 0)
		}})
		if err := s.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		want := []bool{tt.held, tt.late[0] == tt.late[1], false}
		if !slices.Equal(held, want) {
			t.Errorf("%s: held after each task %v, want %v", tt.reason, held, want)
		}
		if s.queue.held != 0 || len(s.live) != 0 {
			t.Errorf("%s: %d bytes of %d tasks stay held", tt.reason, s.queue.held, len(s.live))
		}
	}
}

// A lap is followed to its end, but what draws laps together is taken before what a lap alone waits for, and runs beside it.
func TestWhatDrawsLapsTogetherIsTakenFirst(t *testing.T) {
	b := &bench{runs: map[string]int{}}
	g := NewGraph()
	var all []Ref
	for _, l := range []string{"a", "b"} {
		read := g.Add(Task{Name: "read " + l, Lap: l, Stage: fakeStage{b: b, name: "read " + l}})
		g.Add(Task{Name: "one of " + l, Lap: l, Stage: fakeStage{b: b, name: "one"}, Inputs: []Ref{{Label: l, Task: read, Output: "out"}}})
		all = append(all, Ref{Label: l, Task: read, Output: "out"})
	}
	g.Add(Task{Name: "all", Stage: fakeStage{b: b, name: "all"}, Inputs: all})
	var order []string
	s := NewSession(g, Options{Store: openStore(t, t.TempDir()), Jobs: 1, Events: func(e Event) { order = append(order, e.Task.Name) }})
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	if want := []string{"read a", "one of a", "read b", "all", "one of b"}; !slices.Equal(order, want) {
		t.Errorf("tasks in the order %q, want %q", order, want)
	}
}

// Of a task's outputs each is held for its own readers: none that nobody reads, or reads late, and none once its readers are resolved.
func TestOutputsAreHeldOneByOne(t *testing.T) {
	b := &bench{runs: map[string]int{}}
	g := NewGraph()
	made := g.Add(Task{Name: "made", Stage: fakeStage{b: b, name: "made", run: func(stages.Inputs) (out []stages.Output, err error) {
		for _, name := range []string{"first", "second", "late", "nobody's"} {
			out = append(out, stages.Output{Name: name, Frame: numberOut(1)[0].Frame})
		}
		return out, nil
	}}})
	g.Add(Task{Name: "one", Stage: fakeStage{b: b, name: "one"}, Inputs: []Ref{{Label: "in", Task: made, Output: "first"}}})
	g.Add(Task{Name: "two", Stage: fakeStage{b: b, name: "two"},
		Inputs: []Ref{{Label: "in", Task: made, Output: "second"}, {Label: "more", Task: made, Output: "late", Late: true}}})
	var s *Session
	got := map[string][]string{}
	s = NewSession(g, Options{Store: openStore(t, t.TempDir()), Jobs: 1, Events: func(e Event) {
		for s.storing() {
			time.Sleep(time.Millisecond)
		}
		for _, h := range s.live[made] {
			got[e.Task.Name] = append(got[e.Task.Name], h.name)
		}
	}})
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(map[string][]string{"made": {"first", "second"}, "one": {"second"}}, got); diff != "" {
		t.Errorf("outputs held after each task (-want +got):\n%s", diff)
	}
	if s.queue.held != 0 || len(s.live) != 0 {
		t.Errorf("%d bytes of %d tasks stay held", s.queue.held, len(s.live))
	}
}

// counting is a store that counts the blobs that are read.
type counting struct {
	*cache.Store
	read atomic.Int32
	then func() // what happens at each; may be nil
}

func (c *counting) Blob(o cache.Output) ([]byte, string) {
	c.read.Add(1)
	if c.then != nil {
		c.then()
	}
	return c.Store.Blob(o)
}

// What is wanted after the run, is found and is read by another task in it is read of the store once.
func TestWantedIsReadOnce(t *testing.T) {
	b := &bench{runs: map[string]int{}}
	store := &counting{Store: openStore(t, t.TempDir())}
	for round := range 2 {
		g := NewGraph()
		made := g.Add(Task{Name: "made", Stage: fakeStage{b: b, name: "made"}, Wanted: true})
		g.Add(Task{Name: "reader", Stage: fakeStage{b: b, name: "reader", add: float64(round)}, Inputs: []Ref{{Label: "in", Task: made, Output: "out"}}})
		s := NewSession(g, Options{Store: store, Jobs: 1})
		if err := s.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		total(t, s, made)
		if n := store.read.Load(); int(n) != round {
			t.Errorf("run %d: %d blobs were read so far, want %d", round, n, round)
		}
	}
}

// A run that is stopped begins to read no further input of a task that has many.
func TestStopWhileInputsAreRead(t *testing.T) {
	c := newChain(t, laps(2*manyInputs)...)
	store := &counting{Store: openStore(t, t.TempDir())}
	c.run(t, store, Options{})
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	store.then = stop
	store.read.Store(0)
	g, id := c.build()
	again := g.tasks[id].Stage.(fakeStage)
	again.add = 1
	g.tasks[id].Stage = again
	s := NewSession(g, Options{Store: store, Jobs: 2})
	if err := s.Run(ctx); !errors.Is(err, context.Canceled) {
		t.Fatalf("run: %v, want it stopped", err)
	}
	if n := store.read.Load(); n < 1 || n > 2 {
		t.Errorf("%d inputs were read, want no more than were under way", n)
	}
	if st := s.State(id); st.Status != Pending {
		t.Errorf("the task that was stopped has status %d, reason %q", st.Status, st.Reason)
	}
}

func laps(n int) []string {
	names := make([]string, n)
	for i := range names {
		names[i] = fmt.Sprint("lap", i)
	}
	return names
}

// What the store has is found without any work; of recordings that are not known only those are left to the workers, with all
// that follows from them. Either way each task comes to the same.
func TestSweep(t *testing.T) {
	c := newChain(t, "a", "b", "c")
	c.write(t, "c", "bad")
	for _, l := range c.laps {
		if err := os.Chtimes(filepath.Join(c.dir, l), time.Unix(1e9, 0), time.Unix(1e9, 0)); err != nil {
			t.Fatal(err)
		}
	}
	store := openStore(t, t.TempDir())
	c.run(t, store, Options{Known: store.Known})
	for _, tt := range []struct {
		reason string
		known  func(path string, rehash bool) (key.ID, bool)
		swept  []string
	}{
		{"all are known", store.Known, []string{"read a", "scale a", "read b", "scale b", "read c", "scale c", "total"}},
		{"one is not", func(path string, rehash bool) (key.ID, bool) {
			if filepath.Base(path) == "b" {
				return key.ID{}, false
			}
			return store.Known(path, rehash)
		}, []string{"read a", "scale a", "read c", "scale c"}},
		{"not asked", nil, nil},
	} {
		g, _ := c.build()
		s := NewSession(g, Options{Store: store, Known: tt.known})
		s.sweep(context.Background())
		var swept []string
		for id := range s.states {
			if s.states[id].Status != Pending {
				swept = append(swept, g.Task(TaskID(id)).Name)
			}
		}
		if diff := cmp.Diff(tt.swept, swept); diff != "" {
			t.Errorf("%s: swept (-want +got):\n%s", tt.reason, diff)
		}
		if err := s.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		plain, _ := c.run(t, store, Options{})
		if diff := cmp.Diff(plain.states, s.states); diff != "" {
			t.Errorf("%s: states (-without +with sweep):\n%s", tt.reason, diff)
		}
	}
}

// Whoever asks is told that recordings are to be read, and that none is left before anything else is done, in each Run that reads some.
func TestReading(t *testing.T) {
	c := newChain(t, "a", "b")
	g, _ := c.build()
	var told []string
	s := NewSession(g, Options{Store: openStore(t, t.TempDir()), Jobs: 1,
		Events:  func(e Event) { told = append(told, e.Task.Name) },
		Reading: func(more bool) { told = append(told, fmt.Sprint("more: ", more)) }})
	run := func(want ...string) {
		t.Helper()
		told = nil
		if err := s.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, told); diff != "" {
			t.Errorf("(-want +got):\n%s", diff)
		}
	}
	run("more: true", "read a", "scale a", "read b", "more: false", "scale b", "total")
	run()
	c.write(t, "c", "000")
	g.Add(Task{Name: "read c", Lap: "c", Source: filepath.Join(c.dir, "c"), Stage: fakeStage{b: c.b, name: "read", label: "read c"}})
	run("more: true", "read c", "more: false")
}
