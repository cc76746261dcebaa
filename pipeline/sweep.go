package pipeline

import (
	"context"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/stages"
)

// sweep resolves what needs no work, in the order of the graph: tasks that the store has a
// result of, and those that an input without result keeps from running. A run with little to
// do is that and little more, so nothing here waits, wakes or takes turns. Recordings that
// would have to be read are left to the workers, and all that follows from them; so are all once ctx ends.
func (s *Session) sweep(ctx context.Context) {
	s.takeIn()
	if s.o.Known == nil {
		return
	}
	for id := range s.states {
		if id%sweepTurn == 0 && ctx.Err() != nil {
			return
		}
		if s.states[id].Status != Pending {
			continue
		}
		t := s.g.Task(TaskID(id))
		if st := s.swept(t); st.Status != Pending {
			s.states[id] = t.worded(st)
			s.emit(Event{Task: t, State: s.states[id], Done: id + 1, Total: len(s.states)})
		}
	}
}

// sweepTurn is after how many tasks a sweep asks whether it is to end: a few hundredths of a second, as a look-up takes up to 0.1 ms.
const sweepTurn = 256

// swept is a task's state, pending if finding it out takes more than a look.
func (s *Session) swept(t *Task) State {
	for i := range t.Inputs {
		if s.states[t.Inputs[i].Task].Status == Pending {
			return State{}
		}
	}
	if cause, blocked := s.blocked(t); blocked {
		return State{Status: Skipped, Reason: cause}
	}
	var file stages.File
	if t.Source != "" {
		id, known := s.o.Known(t.Source, s.o.Rehash)
		if !known {
			return State{}
		}
		s.note(t.Source, id)
		file = stages.File{Path: t.Source, ID: id}
	}
	st, err := s.lookUp(t, file)
	if err != nil || st.Status == Pending {
		return State{} // a worker tells what is wrong, or computes it
	}
	return st
}

// resultStore is a store that can leave transcripts unread.
type resultStore interface {
	Result(action key.ID) (entry *cache.Entry, miss string)
}

// lookUp asks the store for a task's result, while no workers are about. The state is pending if it has none.
func (s *Session) lookUp(t *Task, file stages.File) (State, error) {
	h := s.hasher
	h.Restart(t.Stage.Name(), t.Stage.Revision(), s.o.Arch)
	if err := s.key(h, t, file); err != nil {
		return State{}, err
	}
	action := h.Sum()
	find := s.o.Store.Lookup
	if r, ok := s.o.Store.(resultStore); ok {
		find = r.Result
	}
	entry, miss := find(action)
	if entry == nil || miss != "" {
		return State{Action: action, Miss: miss}, nil
	}
	return found(action, entry), nil
}
