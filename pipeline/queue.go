package pipeline

import (
	"context"

	"lapwear/cache"
	"lapwear/cache/key"
)

// queue orders the tasks of a session. Ready tasks wait on a stack, so that a lap
// is followed to its end before the next one is begun: little is held in memory.
type queue struct {
	waiting    []int32 // unresolved inputs, a number a task
	dependents [][]TaskID
	ready      []TaskID
	left       int   // tasks not resolved
	running    int   // tasks being resolved
	reserved   int64 // bytes expected by the readers that are running
	held       int64 // bytes of frames in memory
	readers    int   // tasks not resolved that read a recording
	soon       []int // unresolved tasks that will read a task's outputs and are not late
}

// enqueueNew takes in the tasks that the graph has gained.
func (s *Session) enqueueNew() {
	s.mu.Lock()
	defer s.mu.Unlock()
	q := &s.queue
	s.takeIn()
	q.waiting, q.dependents, q.soon = grown(q.waiting, len(s.states)), grown(q.dependents, len(s.states)), grown(q.soon, len(s.states))
	// Also those of an interrupted Run are pending still.
	q.ready, q.left, q.readers = q.ready[:0], 0, 0
	for id := range q.dependents {
		q.dependents[id] = q.dependents[id][:0]
		s.holders[id], q.soon[id] = 0, 0
	}
	for id := s.g.Len() - 1; id >= 0; id-- {
		if s.states[id].Status == Pending {
			s.enqueue(TaskID(id))
		}
	}
}

// takeIn makes room for what is known of the tasks that the graph has gained.
func (s *Session) takeIn() {
	s.states, s.holders = grown(s.states, s.g.Len()), grown(s.holders, s.g.Len())
}

// grown lengthens a list to n with zeroes.
func grown[T any](v []T, n int) []T { return append(v, make([]T, n-len(v))...) }

func (s *Session) enqueue(id TaskID) {
	q := &s.queue
	q.left++
	q.waiting[id] = 0
	t := s.g.Task(id)
	if t.Source != "" {
		q.readers++
	}
	if t.Weight == 0 && t.Source != "" && s.g.Weigh != nil {
		t.Weight = s.g.Weigh(t.Source)
	}
	if t.Wanted {
		s.holders[id]++ // whoever asks after the run
		q.soon[id]++
	}
	for i := range t.Inputs {
		r := &t.Inputs[i]
		if holds(r) {
			s.holders[r.Task]++
			if !r.Late {
				q.soon[r.Task]++
			}
		}
		if s.states[r.Task].Status == Pending {
			q.waiting[id]++
			q.dependents[r.Task] = append(q.dependents[r.Task], id)
		}
	}
	if q.waiting[id] == 0 {
		q.ready = append(q.ready, id)
	}
}

// holds tells whether an input keeps its producer's frames in memory.
func holds(r *Ref) bool { return !r.Presence && !r.Large }

// next waits for a task that may start now; false when there is nothing left to do.
func (s *Session) next(ctx context.Context) (TaskID, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for {
		if ctx.Err() != nil || s.queue.left == s.queue.running && len(s.queue.ready) == 0 {
			return 0, false
		}
		if id, ok := s.take(); ok {
			return id, true
		}
		s.wake.Wait()
	}
}

// looked is how many ready tasks are looked at for one that the memory budget admits: those of a season weigh much alike.
const looked = 64

// take pops the topmost task that the memory budget admits. When nothing runs the
// topmost task is admitted whatever its size, so that there is always progress.
func (s *Session) take() (TaskID, bool) {
	q := &s.queue
	for i := len(q.ready) - 1; i >= max(0, len(q.ready)-looked); i-- {
		id := q.ready[i]
		w := s.g.Task(id).Weight
		if w > 0 && q.held+q.reserved+w > s.o.Memory && q.running > 0 {
			continue
		}
		q.ready = append(q.ready[:i], q.ready[i+1:]...)
		q.running++
		q.reserved += w
		return id, true
	}
	return 0, false
}

// finish records a task's state and wakes what waited for it.
func (s *Session) finish(id TaskID, st State) {
	s.mu.Lock()
	q := &s.queue
	t := s.g.Task(id)
	q.running--
	q.reserved -= t.Weight
	if st.Status != Pending {
		q.left--
		if t.Source != "" {
			if q.readers--; q.readers == 0 {
				s.contents.drop()
			}
		}
		s.states[id] = st
		for _, d := range q.dependents[id] {
			if q.waiting[d]--; q.waiting[d] == 0 {
				q.ready = append(q.ready, d)
			}
		}
		for i := range t.Inputs {
			r := &t.Inputs[i]
			if holds(r) {
				s.release(r)
			}
		}
	}
	done, total := len(s.states)-q.left, len(s.states)
	s.wake.Broadcast()
	s.mu.Unlock()
	if st.Status != Pending {
		s.emit(Event{Task: t, State: st, Done: done, Total: total})
	}
}

// release drops a task's frames when the last task that reads them is resolved, or the last but late ones.
func (s *Session) release(r *Ref) {
	s.holders[r.Task]--
	if !r.Late {
		s.queue.soon[r.Task]--
	}
	_, underWay := s.putting[s.states[r.Task].Action]
	if s.holders[r.Task] > 0 && (r.Late || s.queue.soon[r.Task] > 0 || underWay || s.failing) {
		return
	}
	s.drop(r.Task)
}

// drop lets go of a task's frames. The session is locked.
func (s *Session) drop(id TaskID) {
	for _, h := range s.live[id] {
		s.queue.held -= h.frame.Bytes()
	}
	delete(s.live, id)
}

// holdMade keeps what a task has made. What only late ones will read is kept until the store has it, and to the end if the store fails.
func (s *Session) holdMade(id TaskID, action key.ID, frames []held) {
	s.mu.Lock()
	defer s.mu.Unlock()
	ids, underWay := s.putting[action]
	if underWay {
		s.putting[action] = append(ids, id)
	}
	if underWay || s.failing || s.queue.soon[id] > 0 {
		s.holdLocked(id, frames)
	}
}

// settle takes down what came of putting a result. What only late ones will read of it is let go, unless the store fails.
func (s *Session) settle(action key.ID, payloads []cache.Payload, failed bool) {
	f, tells := s.o.Store.(failingStore)
	failed = failed || tells && f.Failing()
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, p := range payloads {
		delete(s.pending, p.ID)
	}
	ids := s.putting[action]
	delete(s.putting, action)
	if s.failing = s.failing || failed; s.failing {
		return
	}
	for _, id := range ids {
		if s.queue.soon[id] == 0 {
			s.drop(id)
		}
	}
}

// failingStore is a store that may lose what it has taken, and tells so.
type failingStore interface {
	Failing() bool
}

// hold keeps a task's frames for the tasks that will read them.
func (s *Session) hold(id TaskID, frames []held) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.holdLocked(id, frames)
}

func (s *Session) holdLocked(id TaskID, frames []held) {
	if s.holders[id] == 0 {
		return
	}
	for _, h := range frames {
		if s.heldFrame(id, h.name) == nil {
			s.live[id] = append(s.live[id], h)
			s.queue.held += h.frame.Bytes()
		}
	}
}
