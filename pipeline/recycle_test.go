package pipeline

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// spoiler is a stage that writes over what it gets back, and takes down which it was by the first number.
type spoiler struct {
	fakeStage
	kept string // the output that is stored
	mu   *sync.Mutex
	got  *[]float64
	more *[]bool // whether recordings were still to be read then; nil = not taken down
}

func (s spoiler) Keeps(output string) bool { return output == s.kept }

func (s spoiler) Recycle(f *frame.Frame, more bool) {
	x := numbersOf(f)
	s.mu.Lock()
	defer s.mu.Unlock()
	*s.got = append(*s.got, x[0])
	if s.more != nil {
		*s.more = append(*s.more, more)
	}
	for i := range x {
		x[i] = -1
	}
}

func numbersOf(f *frame.Frame) []float64 {
	x, err := frame.Get[[]float64](f, "x")
	if err != nil {
		panic(err)
	}
	return x
}

func framed(name string, x []float64) stages.Output {
	return stages.Output{Name: name, Frame: frame.Must(nil, frame.Col("x", "", x))}
}

func filled(v float64) []float64 { return slices.Repeat([]float64{v}, 64) }

// reader is a stage that looks at its inputs for a while, hands on the first where pass says so, and wants no number to be written over.
func reader(t *testing.T, b *bench, name string, pass bool) fakeStage {
	return fakeStage{b: b, name: name, drop: true, run: func(in stages.Inputs) ([]stages.Output, error) {
		f, err := in.Frames[0].Get()
		if err != nil {
			return nil, err
		}
		x := numbersOf(f)
		time.Sleep(2 * time.Millisecond)
		if slices.Contains(x, -1) {
			t.Errorf("%s: what it reads was written over", name)
		}
		if pass {
			return []stages.Output{framed("out", x[len(x)/2:])}, nil
		}
		return []stages.Output{framed("out", slices.Clone(x))}, nil
	}}
}

// lateReader is a reader that tells when it has got what it reads, and reads on until others have read and gone.
func lateReader(t *testing.T, b *bench, name string, reading, gone chan struct{}) fakeStage {
	late := reader(t, b, name, false)
	read := late.run
	late.run = func(in stages.Inputs) ([]stages.Output, error) {
		f, err := in.Frames[0].Get()
		close(reading)
		if err := errors.Join(err, await(gone, "the others have not gone")); err != nil {
			return nil, err
		}
		in.Frames = []stages.Input{{Frame: f}} // one that is loaded would be made again
		return read(in)
	}
	return late
}

// after has a reader begin once another one has got what it reads.
func after(reading <-chan struct{}) func(*Task) {
	return func(task *Task) {
		stage := task.Stage.(fakeStage)
		read := stage.run
		stage.run = func(in stages.Inputs) ([]stages.Output, error) {
			if err := await(reading, "the other one does not read"); err != nil {
				return nil, err
			}
			return read(in)
		}
		task.Stage = stage
	}
}

// await waits for what a test is led by, for as long as a busy machine may take.
func await(c <-chan struct{}, otherwise string) error {
	select {
	case <-c:
		return nil
	case <-time.After(time.Minute):
		return errors.New(otherwise)
	}
}

// bothInFlight waits until one of two tasks with equal keys waits for the other: it is counted then.
func bothInFlight() error {
	stacks := make([]byte, 1<<20)
	for begun := time.Now(); time.Since(begun) < time.Minute; time.Sleep(time.Millisecond) {
		for _, stack := range strings.Split(string(stacks[:runtime.Stack(stacks, true)]), "\n\n") {
			if strings.Contains(stack, "singleflight.(*Group).Do(") && strings.Contains(stack, "sync.(*WaitGroup).Wait(") {
				return nil
			}
		}
	}
	return errors.New("the equal key is not in flight")
}

// recycling is a session whose first task makes the outputs "one" and "two", of ones and twos, which are not kept.
type recycling struct {
	g    *Graph
	b    *bench
	made TaskID
	got  []float64
	mu   sync.Mutex
	run  func(in stages.Inputs) ([]stages.Output, error)
	then func(s *Session, name string) // what happens when a task is resolved; may be nil
}

func newRecycling() *recycling {
	r := &recycling{g: NewGraph(), b: &bench{runs: map[string]int{}}}
	r.run = func(stages.Inputs) ([]stages.Output, error) {
		return []stages.Output{framed("one", filled(1)), framed("two", filled(2))}, nil
	}
	r.made = r.maker("made")
	return r
}

func (r *recycling) maker(name string) TaskID {
	return r.g.Add(Task{Name: name, Lap: name, Stage: spoiler{fakeStage: fakeStage{b: r.b, name: "made", run: func(in stages.Inputs) ([]stages.Output, error) {
		return r.run(in)
	}}, mu: &r.mu, got: &r.got}})
}

func (r *recycling) read(t *testing.T, name string, in TaskID, output string, change ...func(*Task)) TaskID {
	task := Task{Name: name, Stage: reader(t, r.b, name, false), Inputs: []Ref{{Label: "in", Task: in, Output: output}}}
	for _, c := range change {
		c(&task)
	}
	return r.g.Add(task)
}

// A frame's memory goes back to its stage when all who have it are done, and else never.
func TestRecycle(t *testing.T) {
	for _, tt := range []struct {
		reason string
		build  func(r *recycling)
		want   []float64
	}{
		{"each is read by two", func(r *recycling) {
			r.read(t, "a", r.made, "one")
			r.read(t, "b", r.made, "one")
			r.read(t, "c", r.made, "two")
		}, []float64{1, 2}},
		{"one is read by nobody", func(r *recycling) { r.read(t, "a", r.made, "one") }, []float64{1}},
		{"one is stored", func(r *recycling) {
			stage := r.g.Task(r.made).Stage.(spoiler)
			stage.kept = "one"
			r.g.Task(r.made).Stage = stage
			r.read(t, "a", r.made, "one")
			r.read(t, "b", r.made, "two")
		}, []float64{2}},
		{"both are in the same memory", func(r *recycling) {
			r.run = func(stages.Inputs) ([]stages.Output, error) {
				x := filled(1)
				return []stages.Output{framed("one", x[:40]), framed("two", x[30:])}, nil
			}
			r.read(t, "a", r.made, "one")
			r.read(t, "b", r.made, "two")
		}, nil},
		{"a reader hands a part on", func(r *recycling) {
			passed := r.read(t, "a", r.made, "one", func(task *Task) { task.Stage = reader(t, r.b, "a", true) })
			r.read(t, "b", passed, "out")
			r.read(t, "c", r.made, "two")
		}, []float64{2}},
		{"a reader is not counted", func(r *recycling) {
			reading, gone := make(chan struct{}), make(chan struct{})
			r.read(t, "a", r.made, "one", func(task *Task) {
				task.Inputs[0].Large, task.Stage = true, lateReader(t, r.b, "a", reading, gone)
			})
			r.read(t, "b", r.made, "one", after(reading))
			r.read(t, "c", r.made, "two")
			r.then = func(_ *Session, name string) {
				if name == "b" {
					close(gone)
				}
			}
		}, []float64{2}},
		{"a late one is still reading", func(r *recycling) {
			reading, gone := make(chan struct{}), make(chan struct{})
			r.read(t, "a", r.made, "one", after(reading))
			r.read(t, "b", r.made, "one", func(task *Task) {
				task.Inputs[0].Late, task.Stage = true, lateReader(t, r.b, "b", reading, gone)
			})
			r.read(t, "c", r.made, "two")
			r.then = func(s *Session, name string) {
				switch name {
				case "made": // until the store has it, it is held for late ones too
					for s.storing() {
						time.Sleep(time.Millisecond)
					}
				case "a":
					close(gone)
				}
			}
		}, []float64{2}},
		{"it is asked for after the run", func(r *recycling) {
			r.g.Task(r.made).Wanted = true
			r.read(t, "a", r.made, "one")
		}, nil},
		{"equal keys in flight share it", func(r *recycling) {
			made := r.run
			r.run = func(in stages.Inputs) ([]stages.Output, error) {
				if err := bothInFlight(); err != nil {
					return nil, err
				}
				return made(in)
			}
			twin := r.maker("twin")
			r.read(t, "a", r.made, "one")
			r.read(t, "b", twin, "one")
		}, nil},
	} {
		t.Run(tt.reason, func(t *testing.T) {
			r := newRecycling()
			tt.build(r)
			var s *Session
			s = NewSession(r.g, Options{Store: openStore(t, t.TempDir()), Jobs: 2, Events: func(e Event) {
				if r.then != nil && e.Task != nil {
					r.then(s, e.Task.Name)
				}
			}})
			if err := s.Run(context.Background()); err != nil {
				t.Fatal(err)
			}
			for id := range s.states {
				if st := s.State(TaskID(id)); !st.OK() {
					t.Errorf("%s: %s", r.g.Task(TaskID(id)).Name, st.Reason)
				}
			}
			for id, frames := range s.live {
				for _, h := range frames {
					if slices.Contains(numbersOf(h.frame), -1) {
						t.Errorf("%s: output %q was written over", r.g.Task(id).Name, h.name)
					}
				}
			}
			slices.Sort(r.got)
			if diff := cmp.Diff(tt.want, r.got); diff != "" {
				t.Errorf("memory given back, by its number (-want +got):\n%s", diff)
			}
		})
	}
}

// A stage is told that no more recordings are read once the last one is, and not before.
func TestRecycleTellsTheLastRecording(t *testing.T) {
	for _, recordings := range []int{0, 1, 3} {
		r := newRecycling()
		var more []bool
		dir := t.TempDir()
		for k := range recordings {
			name := strconv.Itoa(k)
			path := filepath.Join(dir, name)
			if err := os.WriteFile(path, []byte(name), 0o666); err != nil {
				t.Fatal(err)
			}
			made := r.maker(name)
			task := r.g.Task(made)
			stage := task.Stage.(spoiler)
			stage.more = &more
			task.Source, task.Stage = path, stage
			r.read(t, "read "+name, made, "one", func(task *Task) { task.Lap = name })
		}
		if recordings == 0 {
			stage := r.g.Task(r.made).Stage.(spoiler)
			stage.more = &more
			r.g.Task(r.made).Stage = stage
			r.read(t, "read", r.made, "one")
		}
		s := NewSession(r.g, Options{Store: openStore(t, t.TempDir()), Jobs: 1}) // so each lap is read before the next recording
		if err := s.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		want := slices.Repeat([]bool{true}, max(1, recordings))
		want[len(want)-1] = false
		if diff := cmp.Diff(want, more); diff != "" {
			t.Errorf("%d recordings: whether there are more (-want +got):\n%s", recordings, diff)
		}
	}
}

// Once a task is computed again, which reads without being counted, memory is left alone; and so is what a caller has got between two runs.
func TestRecycleAfterHandingOut(t *testing.T) {
	for _, tt := range []struct {
		reason string
		out    func(s *Session, r *recycling) error
	}{
		{"computed again", func(s *Session, r *recycling) error {
			_, err := s.remake(context.Background(), Ref{Task: r.made, Output: "one"}, "lost")
			return err
		}},
		{"asked for", func(s *Session, r *recycling) error {
			_, err := s.Frame(context.Background(), r.made, "one")
			return err
		}},
		{"known by another task", func(s *Session, r *recycling) error {
			s.recall(s.states[r.made].Action, true)
			return nil
		}},
	} {
		r := newRecycling()
		id := r.read(t, "a", r.made, "one")
		s := NewSession(r.g, Options{Store: openStore(t, t.TempDir()), Jobs: 1})
		ctx, stop := context.WithCancel(context.Background())
		s.o.Events = func(e Event) { stop() } // before anybody reads
		if err := s.Run(ctx); err == nil || s.heldFrame(r.made, "one") == nil {
			t.Fatalf("%s: the run was not stopped with an output held: %v", tt.reason, err)
		}
		if err := tt.out(s, r); err != nil {
			t.Fatal(err)
		}
		s.o.Events = nil
		if err := s.Run(context.Background()); err != nil || !s.states[id].OK() {
			t.Fatal(err, s.states[id].Reason)
		}
		if len(r.got) > 0 {
			t.Errorf("%s: memory was given back all the same", tt.reason)
		}
	}
}

// Signals that are made again because the store lost what was made of them are whole.
func TestRecycleWithLostBlobs(t *testing.T) {
	dir := t.TempDir()
	for round, store := range []Store{openStore(t, dir), lossy{openStore(t, dir)}} {
		r := newRecycling()
		for _, name := range strings.Split("abcdefgh", "") {
			r.read(t, name, r.made, "one", func(task *Task) {
				stage := reader(t, r.b, name, false)
				stage.drop, stage.add = false, float64(round*len(name))
				task.Stage = stage
			})
		}
		s := NewSession(r.g, Options{Store: store, Jobs: 2})
		if err := s.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		for id := 1; id < r.g.Len(); id++ {
			f, err := s.Frame(context.Background(), TaskID(id), "out")
			if err != nil || !slices.Equal(numbersOf(f), filled(1)) {
				t.Errorf("round %d: %s gives %v, %v", round, r.g.Task(TaskID(id)).Name, f, err)
			}
		}
	}
}
