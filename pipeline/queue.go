package pipeline

import (
	"context"

	"lapwear/cache"
	"lapwear/cache/key"
)

// queue orders the tasks of a session. Ready tasks wait on a stack, so that a lap
// is followed to its end before the next one is begun: little is held in memory.
type queue struct {
	waiting    []int32 // unresolved inputs, a number a task; resolved where the task is
	dependents [][]dependent
	ready      []TaskID
	left       int   // tasks not resolved
	running    int   // tasks being resolved
	reserved   int64 // bytes expected by the readers that are running
	held       int64 // bytes of frames in memory
	readers    int   // tasks not resolved that read a recording
}

// resolved stands for the number of unresolved inputs of a task that is resolved itself.
const resolved = -1

// dependent is an input of an unresolved task.
type dependent struct {
	task TaskID
	at   int32 // number of the input
}

// enqueueNew takes in the tasks that the graph has gained.
func (s *Session) enqueueNew() {
	s.mu.Lock()
	defer s.mu.Unlock()
	q := &s.queue
	s.takeIn()
	q.waiting, q.dependents = grown(q.waiting, len(s.states)), grown(q.dependents, len(s.states))
	// Also those of an interrupted Run are pending still.
	q.ready, q.left, q.readers = q.ready[:0], 0, 0
	for id := range q.dependents {
		q.dependents[id] = q.dependents[id][:0]
	}
	for id := s.g.Len() - 1; id >= 0; id-- {
		if s.states[id].Status == Pending {
			s.enqueue(TaskID(id))
		}
	}
	for id := range s.live {
		s.sift(id, func(h *held) bool { s.countReaders(id, h); return h.wanted || h.readers > 0 })
	}
}

// takeIn makes room for what is known of the tasks that the graph has gained.
func (s *Session) takeIn() { s.states = grown(s.states, s.g.Len()) }

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
	for i := range t.Inputs {
		in := t.Inputs[i].Task
		q.dependents[in] = append(q.dependents[in], dependent{id, int32(i)})
		if s.states[in].Status == Pending {
			q.waiting[id]++
		}
	}
	if q.waiting[id] == 0 {
		q.ready = append(q.ready, id)
	}
}

// holds tells whether an input keeps its producer's frames in memory.
func holds(r *Ref) bool { return !r.Presence && !r.Large }

// next waits for a task that may start now, and lends others a hand meanwhile; false when there is nothing left to do.
func (s *Session) next(ctx context.Context) (TaskID, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for ctx.Err() == nil && s.queue.left > 0 {
		if id, ok := s.take(); ok {
			return id, true
		}
		if w := s.offer(); w != nil {
			s.lend(w)
		} else {
			s.wake.Wait()
		}
	}
	return 0, false
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
	wasLast := false
	q.running--
	q.reserved -= t.Weight
	if st.Status != Pending {
		q.left--
		if t.Source != "" {
			if q.readers--; q.readers == 0 {
				s.contents.drop()
				wasLast = true
			}
		}
		s.states[id], q.waiting[id] = st, resolved
		s.readyAfter(id)
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
	if wasLast && s.o.Reading != nil {
		s.o.Reading(false)
	}
}

// readyAfter puts those tasks on the stack that waited for nothing but this one. What draws laps together is taken first: it is long, and others wait for it.
func (s *Session) readyAfter(id TaskID) {
	q := &s.queue
	var drawing []TaskID
	for _, d := range q.dependents[id] {
		if q.waiting[d.task]--; q.waiting[d.task] > 0 {
			continue
		}
		if s.g.Task(d.task).Lap == "" {
			drawing = append(drawing, d.task)
		} else {
			q.ready = append(q.ready, d.task)
		}
	}
	q.ready = append(q.ready, drawing...)
}

// release drops a frame when the last task that reads it is resolved, or the last but late ones.
func (s *Session) release(r *Ref) {
	_, underWay := s.putting[s.states[r.Task].Action]
	s.sift(r.Task, func(h *held) bool {
		if h.name != r.Output {
			return true
		}
		h.readers--
		if !r.Late {
			h.soon--
		}
		return h.wanted || h.readers > 0 && (r.Late || h.soon > 0 || underWay || s.failing)
	})
}

// sift lets go of a task's frames but for those to keep. The session is locked.
func (s *Session) sift(id TaskID, keep func(h *held) bool) {
	frames, there := s.live[id]
	if !there {
		return
	}
	kept := frames[:0]
	for i := range frames {
		if h := &frames[i]; keep(h) {
			kept = append(kept, *h)
		} else {
			s.queue.held -= h.frame.Bytes()
			s.recycle(h)
		}
	}
	clear(frames[len(kept):])
	s.live[id] = kept
	if len(kept) == 0 {
		delete(s.live, id)
	}
}

// countReaders counts the unresolved tasks that will read a task's frame.
func (s *Session) countReaders(id TaskID, h *held) {
	h.readers, h.soon = 0, 0
	if int(id) >= len(s.queue.dependents) {
		return // it was planned, and nothing runs
	}
	for _, d := range s.queue.dependents[id] {
		r := &s.g.Task(d.task).Inputs[d.at]
		if s.queue.waiting[d.task] == resolved || r.Output != h.name || !holds(r) {
			continue
		}
		h.readers++
		if !r.Late {
			h.soon++
		}
	}
}

// holdMade keeps what a task has made; shared tells that other tasks have the same frames. What only late ones will read is kept until
// the store has it, and to the end if the store fails.
func (s *Session) holdMade(id TaskID, action key.ID, frames []held, shared bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	ids, underWay := s.putting[action]
	if underWay {
		s.putting[action] = append(ids, id)
	}
	for _, h := range frames {
		s.countReaders(id, &h)
		h.wanted = s.g.Task(id).Wanted
		if shared {
			h.spare = nil
		}
		if h.wanted || h.soon > 0 || h.readers > 0 && (underWay || s.failing) {
			s.add(id, h)
		}
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
		s.sift(id, func(h *held) bool { return h.wanted || h.soon > 0 })
	}
}

// failingStore is a store that may lose what it has taken, and tells so.
type failingStore interface {
	Failing() bool
}

// hold keeps a task's frames for the tasks that will read them, and what is wanted after the run from then on.
func (s *Session) hold(id TaskID, frames []held) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, h := range frames {
		h.wanted, h.spare = s.g.Task(id).Wanted, nil // whoever asked has it too
		if s.countReaders(id, &h); h.readers > 0 {
			s.add(id, h)
		}
	}
}

// add takes a frame in unless it is held. The session is locked.
func (s *Session) add(id TaskID, h held) {
	if s.heldFrame(id, h.name) == nil {
		s.live[id] = append(s.live[id], h)
		s.queue.held += h.frame.Bytes()
	}
}
