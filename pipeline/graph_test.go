package pipeline

import (
	"testing"

	"lapwear/cache/key"
)

// Tasks are one if they differ in no more than name, suffix, weight and how their inputs are read.
func TestAddTellsTasksApart(t *testing.T) {
	stage := fakeStage{name: "a", add: 1}
	in := []Ref{{Label: "in", Task: 0, Output: "out"}}
	for _, tt := range []struct {
		reason string
		task   Task
		same   bool
	}{
		{"equal", Task{Stage: stage, Source: "f", Lap: "L", Inputs: in}, true},
		{"fields given", Task{Stage: stage, Source: "f", Lap: "L", Inputs: in, Fields: key.AppendFields(nil, stage.AddTo)}, true},
		{"input optional", Task{Stage: stage, Source: "f", Lap: "L", Inputs: []Ref{{Label: "in", Task: 0, Output: "out", Optional: true, Large: true, Late: true}}}, true},
		{"stage", Task{Stage: fakeStage{name: "b", add: 1}, Source: "f", Lap: "L", Inputs: in}, false},
		{"parameter", Task{Stage: fakeStage{name: "a", add: 2}, Source: "f", Lap: "L", Inputs: in}, false},
		{"source", Task{Stage: stage, Source: "g", Lap: "L", Inputs: in}, false},
		{"lap", Task{Stage: stage, Source: "f", Lap: "M", Inputs: in}, false},
		{"texts shifted", Task{Stage: stage, Source: "fL", Inputs: in}, false},
		{"no input", Task{Stage: stage, Source: "f", Lap: "L"}, false},
		{"label", Task{Stage: stage, Source: "f", Lap: "L", Inputs: []Ref{{Label: "on", Task: 0, Output: "out"}}}, false},
		{"output", Task{Stage: stage, Source: "f", Lap: "L", Inputs: []Ref{{Label: "in", Task: 0, Output: "in"}}}, false},
		{"task", Task{Stage: stage, Source: "f", Lap: "L", Inputs: []Ref{{Label: "in", Task: 1, Output: "out"}}}, false},
		{"presence", Task{Stage: stage, Source: "f", Lap: "L", Inputs: []Ref{{Label: "in", Task: 0, Output: "out", Presence: true}}}, false},
	} {
		g := NewGraph()
		g.Add(Task{Name: "first", Stage: fakeStage{name: "first"}})
		g.Add(Task{Name: "second", Stage: fakeStage{name: "second"}})
		one := g.Add(Task{Name: "one", Stage: stage, Source: "f", Lap: "L", Inputs: in})
		tt.task.Name, tt.task.Suffix = "other", "x"
		if same := g.Add(tt.task) == one; same != tt.same {
			t.Errorf("%s: one task %t, want %t", tt.reason, same, tt.same)
		}
	}
}

// The keys that one hasher makes of tasks in any order, with shared fields and without, are those that each has by itself.
func TestHasherBegins(t *testing.T) {
	task := func(add float64, shared bool) *Task {
		t := &Task{Stage: fakeStage{name: "a", add: add}}
		if shared {
			t.Fields = key.AppendFields(nil, t.Stage.AddTo)
		}
		return t
	}
	one, two, own := task(1, true), task(2, true), task(1, false)
	h := newHasher()
	for i, t2 := range []*Task{one, one, two, one, own, one, one, own, two, two} {
		want := key.Plain("a", 1, "x")
		t2.Stage.AddTo(want)
		want.Int("more", int64(i))
		h.begin(t2, "x")
		h.Int("more", int64(i))
		if got := h.Sum(); got != want.Sum() {
			t.Errorf("task %d: key %v, want %v", i, got, want.Sum())
		}
	}
}

// Tasks whose hashes are equal by chance are told apart, and found again.
func TestAddEqualHashes(t *testing.T) {
	g := NewGraph()
	other := g.Add(Task{Name: "other", Stage: fakeStage{name: "other"}})
	task := Task{Name: "one", Stage: fakeStage{name: "one"}}
	hash, _, _ := g.same(&task)
	g.unique[hash], g.unique[hash+1] = other, other
	one := g.Add(task)
	if again := g.Add(task); one == other || again != one || g.Len() != 2 {
		t.Errorf("tasks %d, %d and again %d of %d, want two, the second found again", other, one, again, g.Len())
	}
}

// Tasks that would have one name are told apart by what they are of, and then by numbers.
func TestAddNames(t *testing.T) {
	g := NewGraph()
	for i, want := range []string{"damage a b c", "damage a b c @wet", "damage a b c @wet (2)", "damage a b c @wet (3)", "damage a b c @dry"} {
		suffix := "wet"
		if i == 4 {
			suffix = "dry"
		}
		if got := g.Task(g.Add(Task{Name: "damage a b c", Suffix: suffix, Stage: fakeStage{name: "a", add: float64(i)}})).Name; got != want {
			t.Errorf("task %d is named %q, want %q", i, got, want)
		}
	}
}
