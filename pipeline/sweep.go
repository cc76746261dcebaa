package pipeline

import (
	"context"
	"sync"
	"sync/atomic"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/stages"
)

// sweep resolves what needs no work, in the order of the graph: tasks that the store has a
// result of, and those that an input without result keeps from running. A run with little to
// do is that and little more, so nothing here waits, wakes or takes turns. Recordings that
// would have to be read are left to the workers, and all that follows from them; so are all once ctx ends.
//
// Laps are swept side by side, each by one hand, and then what draws them together.
func (s *Session) sweep(ctx context.Context) {
	s.takeIn()
	if s.o.Known == nil {
		return
	}
	laps, rest := s.parted()
	w := sweeper{Session: s, ctx: ctx}
	w.done.Store(int64(len(s.states) - len(laps) - len(rest)))
	shares := s.shares(laps)
	var hands sync.WaitGroup
	for range min(s.o.Jobs, len(shares)) - 1 {
		hands.Go(func() { w.take(shares, newHasher()) })
	}
	w.take(shares, s.hasher)
	hands.Wait()
	w.through(rest, s.hasher)
}

// parted lists the pending tasks of laps that wait for nothing but such tasks of the same lap, and the others.
func (s *Session) parted() (laps, rest []TaskID) {
	laps = make([]TaskID, 0, len(s.states))
	among := make([]bool, len(s.states)) // the first
	for id := range s.states {
		if s.states[id].Status != Pending {
			continue
		}
		if t := s.g.Task(TaskID(id)); s.waitsWithin(t, among) {
			among[id] = true
			laps = append(laps, TaskID(id))
		} else {
			rest = append(rest, TaskID(id))
		}
	}
	return laps, rest
}

// waitsWithin tells whether a lap's task waits for none but some tasks of the same lap.
func (s *Session) waitsWithin(t *Task, among []bool) bool {
	for i := range t.Inputs {
		in := t.Inputs[i].Task
		if s.states[in].Status == Pending && (!among[in] || s.g.Task(in).Lap != t.Lap) {
			return false
		}
	}
	return t.Lap != ""
}

// leastShare is how many tasks a share has at least, and sharesOfHand how many shares there are for each hand at most, since one of them may have
// to wait for its processor while a recording is read ahead.
const (
	leastShare   = 64
	sharesOfHand = 8
)

// shares parts tasks for as many hands as there are jobs, laps that follow each other in the same share: their results lie
// side by side. There is one share at least, and no more for a single hand.
func (s *Session) shares(ids []TaskID) [][]TaskID {
	turn := map[string]int{} // of a lap, in the order of the graph
	for _, id := range ids {
		lap := s.g.Task(id).Lap
		if _, known := turn[lap]; !known {
			turn[lap] = len(turn)
		}
	}
	n := min(s.o.Jobs*sharesOfHand, len(ids)/leastShare, len(turn))
	if s.o.Jobs == 1 || n < 2 {
		return [][]TaskID{ids}
	}
	out := make([][]TaskID, n)
	for _, id := range ids {
		k := turn[s.g.Task(id).Lap] * n / len(turn)
		out[k] = append(out[k], id)
	}
	return out
}

// sweeper is a sweep, done by several hands.
type sweeper struct {
	*Session
	ctx   context.Context
	taken atomic.Int64 // shares that a hand has begun
	done  atomic.Int64 // tasks resolved so far
}

// take sweeps one share after the other that no hand has begun.
func (w *sweeper) take(shares [][]TaskID, h *hasher) {
	for n := int(w.taken.Add(1)); n <= len(shares); n = int(w.taken.Add(1)) {
		w.through(shares[n-1], h)
	}
}

// through sweeps some tasks in the order of the graph. No other hand sweeps what they depend on at the same time.
func (w *sweeper) through(ids []TaskID, h *hasher) {
	for n, id := range ids {
		if n%sweepTurn == 0 && w.ctx.Err() != nil {
			return
		}
		t := w.g.Task(id)
		if st := w.swept(t, h); st.Status != Pending {
			w.states[id] = t.worded(st)
			w.emit(Event{Task: t, State: w.states[id], Done: int(w.done.Add(1)), Total: len(w.states)})
		}
	}
}

// sweepTurn is after how many tasks a sweep asks whether it is to end: a few hundredths of a second, as a look-up takes up to 0.1 ms.
const sweepTurn = 256

// swept is a task's state, pending if finding it out takes more than a look.
func (w *sweeper) swept(t *Task, h *hasher) State {
	for i := range t.Inputs {
		if w.states[t.Inputs[i].Task].Status == Pending {
			return State{}
		}
	}
	if cause, blocked := w.cause(t); blocked {
		return State{Status: Skipped, Reason: cause}
	}
	var file stages.File
	if t.Source != "" {
		id, known := w.o.Known(t.Source, w.o.Rehash)
		if !known {
			return State{}
		}
		w.note(t.Source, id)
		file = stages.File{Path: t.Source, ID: id}
	}
	st, err := w.lookUp(t, file, h)
	if err != nil || st.Status == Pending {
		return State{} // a worker tells what is wrong, or computes it
	}
	return st
}

// hasher makes the keys of one task after another. Of tasks in a row that share their fields it hashes those once.
type hasher struct {
	*key.Hasher
	marked []byte // the fields that it has marked
}

func newHasher() *hasher { return &hasher{Hasher: key.Plain("", 0, "")} }

// begin adds a task's stage and its parameters.
func (h *hasher) begin(t *Task, arch string) {
	if len(t.Fields) > 0 && len(h.marked) > 0 && &t.Fields[0] == &h.marked[0] {
		h.Return()
		return
	}
	h.Restart(t.Stage.Name(), t.Stage.Revision(), arch)
	h.Shared(t.Fields, t.Stage.AddTo)
	if h.marked = t.Fields; len(t.Fields) > 0 {
		h.Mark()
	}
}

// resultStore is a store that can leave transcripts unread.
type resultStore interface {
	Result(action key.ID) (entry *cache.Entry, miss string)
}

func (s *Session) result(action key.ID) (entry *cache.Entry, miss string) {
	if r, ok := s.o.Store.(resultStore); ok {
		return r.Result(action)
	}
	return s.o.Store.Lookup(action)
}

// lookUp asks the store for a task's result, while no workers are about. The state is pending if it has none.
func (s *Session) lookUp(t *Task, file stages.File, h *hasher) (State, error) {
	h.begin(t, s.o.Arch)
	addFile(h.Hasher, t, file)
	if err := s.addInputs(h.Hasher, t); err != nil {
		return State{}, err
	}
	action := h.Sum()
	entry, miss := s.result(action)
	if miss == "" {
		miss = lacks(t.Stage, entry)
	}
	if entry == nil || miss != "" {
		return State{Action: action, Miss: miss}, nil
	}
	return found(action, entry), nil
}
