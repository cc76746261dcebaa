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
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/maphash"

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
	Suffix string // told apart by it when another task has the name: the scenario's; beyond that tasks of one name are numbered
	Lap    string // the lap that is set aside if the task fails; "" when it concerns no single lap
	Stage  stages.Stage
	Fields []byte // what Stage.AddTo adds, encoded by key.AppendFields; tasks share it that share the stage, and no others. nil = the stage is asked each time
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

	tasks []*Task // pointers, for lists of large structs take long to grow
	block []Task  // the last ones
	names map[string]TaskID

	seed     maphash.Seed
	unique   map[uint64]TaskID // by the hash of what a task computes; where that is taken by another, by the next number that is free
	now, was []byte            // room for what two tasks compute
}

// NewGraph returns an empty graph.
func NewGraph() *Graph { return NewGraphFor(0) }

// NewGraphFor returns an empty graph with room for so many tasks. It may get more.
func NewGraphFor(tasks int) *Graph {
	return &Graph{tasks: make([]*Task, 0, tasks), names: make(map[string]TaskID, tasks), seed: maphash.MakeSeed(), unique: make(map[uint64]TaskID, tasks)}
}

// Add appends a task and returns its place. A task that repeats an earlier one
// (same stage, parameters, source and inputs) is not added: the earlier one's
// place is returned. A name that another task has is told apart by the suffix, and by a number where that is taken too, as of a lap "a b"
// at a hot spot "c" and one "a" at "b c". It panics when an input does not come earlier, which only a faulty graph builder can cause.
func (g *Graph) Add(t Task) TaskID {
	id := TaskID(len(g.tasks))
	for i := range t.Inputs {
		if r := &t.Inputs[i]; r.Task < 0 || r.Task >= id {
			panic(fmt.Sprintf("add task %q: input %q does not come earlier", t.Name, r.Label))
		}
	}
	hash, first, repeats := g.same(&t)
	if repeats {
		return first
	}
	t.Name = g.freeName(t.Name, t.Suffix)
	g.unique[hash], g.names[t.Name] = id, id
	if len(g.block) == cap(g.block) {
		g.block = make([]Task, 0, blockTasks)
	}
	g.block = append(g.block, t)
	g.tasks = append(g.tasks, &g.block[len(g.block)-1])
	return id
}

// freeName is the name where no task has it yet, else one that tells what it is of.
func (g *Graph) freeName(name, suffix string) string {
	if _, taken := g.names[name]; taken {
		name += " @" + suffix
	}
	free := name
	for n := 2; ; n++ {
		if _, taken := g.names[free]; !taken {
			return free
		}
		free = fmt.Sprintf("%s (%d)", name, n)
	}
}

// blockTasks is for how many tasks memory is taken at once.
const blockTasks = 64

// same finds the earlier task that computes the same, or the number at which this one is to be noted.
func (g *Graph) same(t *Task) (hash uint64, first TaskID, found bool) {
	g.now = t.appendIdentity(g.now[:0])
	for hash = maphash.Bytes(g.seed, g.now); ; hash++ {
		first, found = g.unique[hash]
		if !found {
			return hash, 0, false
		}
		if g.was = g.tasks[first].appendIdentity(g.was[:0]); bytes.Equal(g.was, g.now) {
			return hash, first, true
		}
	}
}

// appendIdentity appends what the task computes within its graph.
func (t *Task) appendIdentity(b []byte) []byte {
	b = appendText(b, t.Stage.Name())
	b = binary.AppendVarint(b, int64(t.Stage.Revision()))
	b = appendText(appendText(b, t.Source), t.Lap)
	b = binary.AppendUvarint(b, uint64(len(t.Inputs)))
	for i := range t.Inputs {
		r := &t.Inputs[i]
		b = appendText(appendText(b, r.Label), r.Output)
		b = binary.AppendUvarint(b, uint64(r.Task)<<1|truth(r.Presence))
	}
	if t.Fields != nil {
		return append(b, t.Fields...)
	}
	return key.AppendFields(b, t.Stage.AddTo)
}

func appendText(b []byte, text string) []byte {
	return append(binary.AppendUvarint(b, uint64(len(text))), text...)
}

func truth(b bool) uint64 {
	if b {
		return 1
	}
	return 0
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
