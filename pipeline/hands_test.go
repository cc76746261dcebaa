package pipeline

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"lapwear/stages"
)

// inParts is a session over one task, whose stage does its work in parts, and what became of the task.
func inParts(t *testing.T, jobs, parts int, do func(i int) error) (st State, warnings []string) {
	t.Helper()
	g := NewGraph()
	id := g.Add(Task{Name: "a", Stage: fakeStage{b: &bench{runs: map[string]int{}}, name: "parts", run: func(in stages.Inputs) ([]stages.Output, error) {
		if err := in.Hands.Each(parts, do); err != nil {
			return nil, err
		}
		return numberOut(1), nil
	}}})
	var mu sync.Mutex
	s := NewSession(g, Options{Store: openStore(t, t.TempDir()), Jobs: jobs, Events: func(e Event) {
		mu.Lock()
		defer mu.Unlock()
		if e.Task == nil {
			warnings = append(warnings, e.Warning)
		}
	}})
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	return s.State(id), warnings
}

// Idle workers take part, never more than there are jobs, and every part is done once.
func TestHands(t *testing.T) {
	for _, jobs := range []int{1, 2, 5} {
		const parts = 40
		var done [parts]atomic.Int32
		var now, most atomic.Int32
		all := make(chan struct{})
		st, _ := inParts(t, jobs, parts, func(i int) error {
			done[i].Add(1)
			n := now.Add(1)
			defer now.Add(-1)
			for m := most.Load(); n > m && !most.CompareAndSwap(m, n); m = most.Load() {
			}
			if int(n) == jobs && i < jobs {
				close(all)
			}
			if i < jobs { // the first ones wait for each other
				return await(all, "nobody lends a hand")
			}
			return nil
		})
		if !st.OK() || int(most.Load()) != jobs {
			t.Errorf("%d jobs: %d at work at once; %s", jobs, most.Load(), st.Reason)
		}
		for i := range done {
			if n := done[i].Load(); n != 1 {
				t.Errorf("%d jobs: part %d was done %d times", jobs, i, n)
			}
		}
	}
}

// The error is that of the first part that fails, whoever is faster, and a panic is the task's.
func TestHandsFail(t *testing.T) {
	for _, jobs := range []int{1, 4} {
		for range 20 {
			st, _ := inParts(t, jobs, 8, func(i int) error {
				if i < 2 {
					return nil
				}
				if i == 2 {
					time.Sleep(time.Millisecond)
				}
				return fmt.Errorf("part %d", i)
			})
			if st.Status != Failed || st.Reason != "part 2" {
				t.Fatalf("%d jobs: status %d, reason %q, want that of part 2", jobs, st.Status, st.Reason)
			}
		}
		st, warnings := inParts(t, jobs, 8, func(i int) error {
			if i == 3 {
				faultInPart()
			}
			return nil
		})
		if st.Status != Failed || !strings.Contains(st.Reason, "internal error: three") || strings.Contains(st.Reason, "goroutine") {
			t.Errorf("%d jobs: a panic gives status %d, reason %q", jobs, st.Status, st.Reason)
		}
		if len(warnings) != 1 || !strings.Contains(warnings[0], "faultInPart") {
			t.Errorf("%d jobs: warnings %q do not tell where it was", jobs, warnings)
		}
	}
}

// A panic outside of a stage's own code, here while its outputs are encoded, is the task's too, and where it was is told.
func TestPanicBesideStage(t *testing.T) {
	for _, jobs := range []int{1, 4} {
		g := NewGraph()
		b := &bench{runs: map[string]int{}}
		bad := g.Add(Task{Name: "bad", Stage: fakeStage{b: b, name: "bad", run: func(stages.Inputs) ([]stages.Output, error) {
			return []stages.Output{{Name: "out"}}, nil // no frame
		}}})
		good := g.Add(Task{Name: "good", Stage: fakeStage{b: b, name: "good"}})
		var warnings []string
		s := NewSession(g, Options{Store: openStore(t, t.TempDir()), Jobs: jobs, Events: func(e Event) {
			if e.Task == nil {
				warnings = append(warnings, e.Warning)
			}
		}})
		if err := s.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		if st, other := s.State(bad), s.State(good); st.Status != Failed || !strings.Contains(st.Reason, "internal error") || !other.OK() {
			t.Errorf("%d jobs: status %d, reason %q; the other task is done: %t", jobs, st.Status, st.Reason, other.OK())
		}
		if len(warnings) != 1 || !strings.Contains(warnings[0], "EncodedLen") {
			t.Errorf("%d jobs: warnings %q do not tell where it was", jobs, warnings)
		}
	}
}

// A stage that recovers a panic sees by its error what it was, and reads the text of it alone, whoever met it.
func TestPanicIsKnown(t *testing.T) {
	for _, jobs := range []int{1, 4} {
		var got any
		g := NewGraph()
		g.Add(Task{Name: "a", Stage: fakeStage{b: &bench{runs: map[string]int{}}, name: "parts", run: func(in stages.Inputs) ([]stages.Output, error) {
			defer func() { got = recover() }()
			return nil, in.Hands.Each(3, func(i int) error {
				_ = []int{}[i]
				return nil
			})
		}}})
		if err := NewSession(g, Options{Store: openStore(t, t.TempDir()), Jobs: jobs}).Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		err, _ := got.(error)
		fault, ok := errors.AsType[runtime.Error](err)
		if !ok || err.Error() != fault.Error() {
			t.Errorf("%d jobs: recovered %v, want an error of the runtime's", jobs, got)
		}
	}
}

// Whichever of two parts that fail ends last, the error is that of the first of them, and no further part is begun.
func TestHandsFailInEitherOrder(t *testing.T) {
	for _, last := range []int{0, 1} {
		var begun atomic.Int32
		both, other := make(chan struct{}), make(chan struct{})
		st, _ := inParts(t, 2, 8, func(i int) error {
			if begun.Add(1) == 2 {
				close(both)
			}
			if i > 1 {
				return nil
			}
			until := both // so that each is begun before the other fails
			if i == last {
				until = other
			}
			if err := await(until, "the other part was not done"); err != nil {
				return err
			}
			if i == last {
				time.Sleep(5 * time.Millisecond) // the other's error is noted, and its worker looks for more
			} else {
				close(other)
			}
			return fmt.Errorf("part %d", i)
		})
		if st.Reason != "part 0" {
			t.Errorf("part %d ends last: reason %q, want that of part 0", last, st.Reason)
		}
		if n := begun.Load(); n != 2 {
			t.Errorf("part %d ends last: %d parts were begun, want none after the first error", last, n)
		}
	}
}

func faultInPart() { panic("three") }

// Who lends a hand takes a task first where one is ready.
func TestTasksComeBeforeHands(t *testing.T) {
	g := NewGraph()
	b := &bench{runs: map[string]int{}}
	other := make(chan struct{})
	first := g.Add(Task{Name: "a", Stage: fakeStage{b: b, name: "a"}})
	g.Add(Task{Name: "b", Stage: fakeStage{b: b, name: "b", run: func(stages.Inputs) ([]stages.Output, error) {
		close(other)
		return numberOut(1), nil
	}}, Inputs: []Ref{{Label: "a", Task: first, Output: "out"}}})
	last := g.Add(Task{Name: "c", Stage: fakeStage{b: b, name: "c", run: func(in stages.Inputs) ([]stages.Output, error) {
		return numberOut(1), in.Hands.Each(2, func(int) error {
			return await(other, "the other task was not taken")
		})
	}}, Inputs: []Ref{{Label: "a", Task: first, Output: "out"}}})
	s := NewSession(g, Options{Store: openStore(t, t.TempDir()), Jobs: 2})
	if err := s.Run(context.Background()); err != nil {
		t.Fatal(err)
	}
	if st := s.State(last); !st.OK() {
		t.Error(st.Reason)
	}
}
