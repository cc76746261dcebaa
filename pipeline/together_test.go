package pipeline

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache"
	"lapwear/cache/key"
)

// asked counts what is looked up in a store.
type asked struct {
	*cache.Store
	results int
	hidden  map[key.ID]bool // entries that it has lost
}

func (a *asked) Result(action key.ID) (*cache.Entry, string) {
	if a.results++; a.hidden[action] {
		return nil, cache.NotComputed
	}
	return a.Store.Result(action)
}

func (a *asked) UseEntries(actions []key.ID) bool {
	for _, action := range actions {
		if a.hidden[action] {
			return false
		}
	}
	return a.Store.UseEntries(actions)
}

// plainStore is a store that cannot tell of many entries at once.
type plainStore struct {
	Store
	of *asked
}

func (p plainStore) Result(action key.ID) (*cache.Entry, string) { return p.of.Result(action) }

// manyScales builds per lap a read, so many scales of it in two stages, of which the second adds what add says to its last, and one of each.
func manyScales(c chain, scales int, add float64) *Graph {
	g := NewGraph()
	stage := func(name string, add float64) Task {
		st := fakeStage{b: c.b, name: name, label: name, add: add}
		return Task{Stage: st, Fields: key.AppendFields(nil, st.AddTo)}
	}
	var first, second []Task
	for i := range scales {
		first, second = append(first, stage("scale", float64(i))), append(second, stage("add", float64(100*i)))
	}
	second[scales-1] = stage("add", add)
	for _, l := range c.laps {
		read := g.Add(Task{Name: "read " + l, Lap: l, Source: filepath.Join(c.dir, l), Stage: fakeStage{b: c.b, name: "read", label: "read " + l}})
		scaled := make([]TaskID, scales)
		for i, t := range first {
			t.Name, t.Lap, t.Inputs = "scale "+l, l, []Ref{{Label: "in", Task: read, Output: "out"}}
			scaled[i] = g.Add(t)
		}
		for i, t := range second {
			t.Name, t.Lap = "add "+l, l
			t.Inputs = []Ref{{Label: "in", Task: scaled[i], Output: "out"}, {Label: "read", Task: read, Presence: true}}
			g.Add(t)
		}
	}
	return g
}

// A lap's results are found by one entry for many tasks, and each task comes to what it comes to by its own.
func TestTogether(t *testing.T) {
	const scales = leastGroup
	c := newChain(t, "a", "b", "c")
	c.write(t, "c", "bad")
	for _, l := range c.laps {
		if err := os.Chtimes(filepath.Join(c.dir, l), time.Unix(1e9, 0), time.Unix(1e9, 0)); err != nil {
			t.Fatal(err)
		}
	}
	store := openStore(t, t.TempDir())
	first := NewSession(manyScales(c, scales, 7), Options{Store: store, Known: store.Known, Jobs: 2})
	if err := first.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	const own = 2*scales + 1 // tasks of a lap
	for _, tt := range []struct {
		reason  string
		add     float64
		lose    []int // tasks whose entries are lost
		results int   // look-ups of a sweep
	}{
		{"nothing has changed", 7, nil, 2*2 + 2}, // two entries a lap, and of the refused one that of its first group, and its reading
		{"a parameter of one task", 8, nil, 2*(2+scales) + 2},
		{"an entry of the first group is gone", 7, []int{3}, 2*2 + 1 + (scales + 1) + (scales - 1)},
		{"an entry of the second group is gone", 7, []int{own - 1}, 2*2 + 2 + scales},
	} {
		lost := map[key.ID]bool{}
		for _, id := range tt.lose {
			lost[first.State(TaskID(id)).Action] = true
		}
		swept := func(store Store) []State {
			s := NewSession(manyScales(c, scales, tt.add), Options{Store: store, Known: first.o.Known, Jobs: 1})
			s.sweep(context.Background())
			return s.states
		}
		counting := &asked{Store: store, hidden: lost}
		got := swept(counting)
		if counting.results != tt.results {
			t.Errorf("%s: %d look-ups, want %d", tt.reason, counting.results, tt.results)
		}
		each := swept(plainStore{store, &asked{Store: store, hidden: lost}})
		if diff := cmp.Diff(each, got); diff != "" {
			t.Errorf("%s: states (-each by itself +together):\n%s", tt.reason, diff)
		}
	}
}

// What a group's entry says is taken whole or not at all.
func TestUngrouped(t *testing.T) {
	task := func(outputs int64) cache.Output { return cache.Output{ID: key.Of([]byte("task")), Size: outputs} }
	named := func(name string) cache.Output { return cache.Output{Name: name, ID: key.Of([]byte(name)), Size: 3} }
	for _, tt := range []struct {
		reason  string
		outputs []cache.Output
		ok      bool
	}{
		{"as it was noted", []cache.Output{task(2), named("+a"), named("-b"), task(0)}, true},
		{"a task less", []cache.Output{task(1), named("+a")}, false},
		{"a task more", []cache.Output{task(0), task(0), task(0)}, false},
		{"more outputs than there are", []cache.Output{task(0), task(1)}, false},
		{"fewer than none", []cache.Output{task(-1), task(0)}, false},
		{"a number that is no number of outputs", []cache.Output{task(0), task(1 << 62)}, false},
		{"an output without a name", []cache.Output{task(1), named(""), task(0)}, false},
		{"nothing", nil, false},
	} {
		states, ok := ungrouped(&cache.Entry{Outputs: tt.outputs}, 2)
		if ok != tt.ok {
			t.Errorf("%s: taken %t, want %t", tt.reason, ok, tt.ok)
		}
		if !ok {
			continue
		}
		a, b := named("a"), named("b")
		a.ID, b.ID, a.Kept = named("+a").ID, named("-b").ID, true
		want := []State{{Status: Hit, Action: task(0).ID, Outputs: []cache.Output{a, b}}, {Status: Hit, Action: task(0).ID, Outputs: []cache.Output{}}}
		if diff := cmp.Diff(want, states); diff != "" {
			t.Errorf("%s: states (-want +got):\n%s", tt.reason, diff)
		}
	}
}

// Groups that differ in anything that a result depends on have keys of their own.
func TestGroupKey(t *testing.T) {
	stage := fakeStage{name: "a", add: 1}
	with := func(change func(t *Task)) Task {
		t := Task{Lap: "L", Stage: stage, Source: "f", Inputs: []Ref{{Label: "in", Task: 0, Output: "out"}, {Label: "own", Task: 2, Output: "out"}}}
		change(&t)
		return t
	}
	seen := map[key.ID]string{}
	for _, tt := range []struct {
		reason string
		task   Task
	}{
		{"as it is", with(func(*Task) {})},
		{"stage", with(func(t *Task) { t.Stage = fakeStage{name: "b", add: 1} })},
		{"parameter", with(func(t *Task) { t.Stage = fakeStage{name: "a", add: 2} })},
		{"shared parameters", with(func(t *Task) { t.Fields = key.AppendFields(nil, stage.AddTo) })}, // equal, and told apart all the same
		{"recording", with(func(t *Task) { t.Source = "g" })},
		{"no recording", with(func(t *Task) { t.Source = "" })},
		{"label", with(func(t *Task) { t.Inputs[0].Label = "on" })},
		{"presence", with(func(t *Task) { t.Inputs[0].Presence = true })},
		{"another task's output", with(func(t *Task) { t.Inputs[0].Task = 1 })},
		{"another output of the group's own", with(func(t *Task) { t.Inputs[1].Output = "more" })},
		{"an input less", with(func(t *Task) { t.Inputs = t.Inputs[:1] })},
	} {
		g := NewGraph()
		for _, name := range []string{"one", "two"} {
			g.Add(Task{Name: name, Stage: fakeStage{name: name}})
		}
		own := g.Add(Task{Name: "own", Lap: "L", Stage: fakeStage{name: "own"}})
		s := NewSession(g, Options{Arch: "x"})
		tasks := []TaskID{own, g.Add(tt.task)}
		s.takeIn()
		for id := range 2 {
			s.states[id] = State{Status: Hit, Outputs: []cache.Output{{Name: "out", ID: key.Of([]byte{byte(id)})}}}
		}
		id, ok := s.groupKey(&group{tasks: tasks}, newHasher(), func(path string) (key.ID, bool) { return key.Of([]byte(path)), true })
		if !ok {
			t.Fatalf("%s: no key", tt.reason)
		}
		if other, taken := seen[id]; taken {
			t.Errorf("%s: the key of %s", tt.reason, other)
		}
		seen[id] = tt.reason
	}
}

// BenchmarkSweep sweeps 100 laps of 33 tasks of which nothing has changed, or a parameter of one task a lap.
func BenchmarkSweep(b *testing.B) {
	c := chain{b: &bench{runs: map[string]int{}}, dir: b.TempDir(), laps: laps(100)}
	for i, l := range c.laps {
		path := filepath.Join(c.dir, l)
		if err := os.WriteFile(path, make([]byte, i), 0o666); err != nil {
			b.Fatal(err)
		}
		if err := os.Chtimes(path, time.Unix(1e9, 0), time.Unix(1e9, 0)); err != nil {
			b.Fatal(err)
		}
	}
	store, err := cache.Open(b.TempDir(), cache.Options{})
	if err != nil {
		b.Fatal(err)
	}
	defer store.Close()
	if err := NewSession(manyScales(c, 16, 7), Options{Store: store, Known: store.Known}).Run(context.Background()); err != nil {
		b.Fatal(err)
	}
	if err := store.Sync(); err != nil {
		b.Fatal(err)
	}
	for _, bb := range []struct {
		name  string
		store Store
		add   float64
	}{
		{"together", store, 7},
		{"each", plainStore{store, &asked{Store: store}}, 7},
		{"together, one changed", store, 8},
		{"each, one changed", plainStore{store, &asked{Store: store}}, 8},
	} {
		g := manyScales(c, 16, bb.add)
		b.Run(bb.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				NewSession(g, Options{Store: bb.store, Known: store.Known, Jobs: 1}).sweep(context.Background())
			}
		})
	}
}
