// Package pipeline is the engine: it brings a graph of tasks up to date with the
// least work.
//
//   - A Task is a stage bound to its parameters, with the outputs of other tasks,
//     or a recording, as inputs.
//   - A Graph is tasks in an order in which inputs come first.
//   - A Session resolves tasks: each is found in the store (a hit), computed,
//     refused (its input's content is at fault), failed or skipped.
//   - A lap that fails is set aside with its reason; the others go on.
//
// A task's key is made of its inputs' output identities, so a task whose inputs
// came out as before is a hit even when what produced them ran again.
//
// Not guaranteed: the order in which independent tasks run, and which of two equal
// computations is the one that ran. What a task produces depends on neither.
package pipeline

import (
	"fmt"

	"lapwear/cache/key"
	"lapwear/stages"
)

// TaskID is a task's place in its graph.
type TaskID int32

// Ref names an output of an earlier task as an input.
type Ref struct {
	Label  string // how the stage asks for it
	Output string
	Task   TaskID

	Optional bool // the task runs without it; the stage is told why it is missing
	Presence bool // only whether it exists matters: it is neither read nor hashed
	Large    bool // read only when the stage asks for it, and not held
	Late     bool // read long after it was made: not held once the store has it, but from when a reader first has it of the store
}

// Task is a stage bound to its parameters and inputs.
type Task struct {
	Name   string // unique and readable: "count L017 acc_z"
	Suffix string // told apart by it when another task has the name: the scenario's
	Lap    string // the lap that is set aside if the task fails; "" when it concerns no single lap
	Stage  stages.Stage
	Source string // path of the recording that the stage reads; "" for none
	Shown  string // how the user names the recording; messages name it so
	Weight int64  // bytes that reading Source is expected to occupy in memory; 0 = as the graph weighs it
	Inputs []Ref

	Wanted bool // its outputs are asked for after the run: they are held
}

// Graph is tasks, each after the tasks whose outputs it reads.
type Graph struct {
	// Weigh is the Weight of a task that reads source, asked for when the task has to be computed; nil = 0.
	Weigh func(source string) int64

	tasks  []*Task // pointers, for lists of large structs take long to grow
	names  map[string]TaskID
	unique map[identity]TaskID
	hasher *key.Hasher // of identities
}

// NewGraph returns an empty graph.
func NewGraph() *Graph {
	return &Graph{names: map[string]TaskID{}, unique: map[identity]TaskID{}, hasher: key.Plain("", 0, "")}
}

// Add appends a task and returns its place. A task that repeats an earlier one
// (same stage, parameters, source and inputs) is not added: the earlier one's
// place is returned. It panics when an input does not come earlier or a name is
// taken, which only a faulty graph builder can cause.
func (g *Graph) Add(t Task) TaskID {
	id := TaskID(len(g.tasks))
	for i := range t.Inputs {
		if r := &t.Inputs[i]; r.Task < 0 || r.Task >= id {
			panic(fmt.Sprintf("add task %q: input %q does not come earlier", t.Name, r.Label))
		}
	}
	same := t.identity(g.hasher)
	if first, ok := g.unique[same]; ok {
		return first
	}
	if _, taken := g.names[t.Name]; taken {
		t.Name += " @" + t.Suffix
	}
	if _, taken := g.names[t.Name]; taken {
		panic(fmt.Sprintf("add task %q: the name is taken", t.Name))
	}
	g.unique[same], g.names[t.Name] = id, id
	kept := t
	g.tasks = append(g.tasks, &kept)
	return id
}

// identity is half a hash, which is plenty within a graph.
type identity [16]byte

// identity names what the task computes within this graph.
func (t *Task) identity(h *key.Hasher) identity {
	h.Restart(t.Stage.Name(), t.Stage.Revision(), "")
	t.Stage.AddTo(h)
	h.String("source", t.Source)
	h.String("lap", t.Lap)
	for i := range t.Inputs {
		r := &t.Inputs[i]
		h.String("label", r.Label)
		h.Int("task", int64(r.Task))
		h.String("output", r.Output)
		h.Bool("presence", r.Presence)
	}
	sum := h.Sum()
	return identity(sum[:])
}

// Len returns the number of tasks.
func (g *Graph) Len() int { return len(g.tasks) }

// Task returns the task at a place.
func (g *Graph) Task(id TaskID) *Task { return g.tasks[id] }

// Find returns the task of a name.
func (g *Graph) Find(name string) (TaskID, bool) {
	id, ok := g.names[name]
	return id, ok
}
