package pipeline

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"time"

	"golang.org/x/sync/singleflight"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Store is where results are kept; *cache.Store is one. A store never gives wrong
// bytes: what it cannot vouch for is a miss with a reason.
type Store interface {
	Lookup(action key.ID) (entry *cache.Entry, miss string)
	Blob(o cache.Output) (data []byte, miss string) // the bytes are the caller's alone
	Put(ctx context.Context, action key.ID, e cache.Entry, blobs []cache.Payload) error
	FileID(path string, rehash bool) (key.ID, error)
}

// Options are the surroundings of a session.
type Options struct {
	Store  Store
	Jobs   int              // tasks at once; 0 = one a processor
	Memory int64            // bytes that recordings and signals in flight may occupy; 0 = 1 GiB
	Rehash bool             // hash every recording, whatever the store's index says
	Arch   string           // "" = this program's
	Now    func() time.Time // nil = time.Now
	Events func(Event)      // nil = none; called one at a time

	// Known returns a recording's content if that is known without reading it; nil = not asked. With it, what the store has
	// is found before any work begins. It is for stores that answer at once.
	Known func(path string, rehash bool) (key.ID, bool)

	Ahead *Ahead // what is read before its task, from ReadAhead; nil = nothing

	// Swept is called whenever that has been found, for what may wait until then; nil = nothing.
	Swept func()

	// Reading is called with true when there are recordings to be read, and with false once none is left for the tasks known so far, before the
	// worker that read the last one goes on; nil = nothing. It is called by one at a time, in that order, and for a graph that grows perhaps several times.
	// A Run that is cancelled does not call it with false, and outputs that are made again after that read recordings all the same.
	Reading func(more bool)
}

// Status says how a task came to its result.
type Status uint8

// What may become of a task.
const (
	Pending  Status = iota
	Hit             // found in the store
	Computed        // computed in this session
	Refused         // its input's content is at fault: a result, found or computed
	Failed          // could not be computed; another try may succeed
	Skipped         // an input it needs has no result
	Unknown         // planning only: what it needs has to be computed first
)

// State is what is known of a task.
type State struct {
	Status  Status
	Fresh   bool // computed in this session, also where the result is a refusal
	Action  key.ID
	Outputs []cache.Output
	Reason  string // why there are no outputs
	Miss    string // why it was not found in the store
	Seconds float64
}

// OK tells whether the task has outputs.
func (s *State) OK() bool { return s.Status == Hit || s.Status == Computed }

func (s *State) output(name string) (cache.Output, bool) {
	for i := range s.Outputs { // copies of them all would take longer than the names
		if o := &s.Outputs[i]; o.Name == name {
			return *o, true
		}
	}
	return cache.Output{}, false
}

// Event is the news that a task is resolved, or a warning that concerns no task.
type Event struct {
	Task    *Task // nil for a warning
	State   State
	Done    int // tasks resolved so far
	Total   int // tasks known so far
	Warning string
}

// Session resolves the tasks of a graph, which may grow between calls of Run.
type Session struct {
	o Options
	g *Graph

	mu      sync.Mutex
	wake    *sync.Cond
	states  []State
	queue   queue
	offers  []*shared // work in parts that is under way
	live    map[TaskID][]held
	pending map[key.ID][]byte   // encoded outputs on their way to the store
	putting map[key.ID][]TaskID // results on their way to the store, and whose frames wait for that
	failing bool                // the store has not kept a result
	remade  bool                // a task whose result is known was computed again: it reads what it is not counted as a reader of
	known   map[key.ID]TaskID   // who computed a result in this session
	refused map[key.ID]string   // why, of those that are refusals, as the store has it
	warned  map[string]bool

	recordings map[string]key.ID // what those that were asked for hold, by path
	hasher     *hasher           // of what is looked up in turn

	early     *Ahead // of which no task has had the content
	contents  contents
	flight    singleflight.Group
	publisher publisher
	eventMu   sync.Mutex
}

// held is an output in memory.
type held struct {
	name          string
	frame         *frame.Frame
	readers, soon int32 // unresolved tasks that will read it, and those of them that are not late
	wanted        bool  // whoever asks after the run will read it

	spare stages.Recycler // has its memory once nobody reads it; nil = nobody
}

// outcome is what a key stands for within a session.
type outcome struct {
	owner  TaskID // whose computation or look-up it was
	state  State
	frames []held
}

// as returns the outcome from the view of a task: what another one computed is a
// hit to it.
func (o outcome) as(id TaskID) State {
	st := o.state
	if o.owner != id {
		if st.Status == Computed {
			st.Status = Hit
		}
		st.Fresh, st.Seconds = false, 0
	}
	return st
}

// fill puts what zeroes stand for.
func (o *Options) fill() {
	if o.Jobs <= 0 {
		o.Jobs = runtime.GOMAXPROCS(0)
	}
	if o.Memory <= 0 {
		o.Memory = 1 << 30
	}
	if o.Arch == "" {
		o.Arch = runtime.GOARCH
	}
	if o.Now == nil {
		o.Now = time.Now
	}
}

// NewSession starts a session over a graph.
func NewSession(g *Graph, o Options) *Session {
	o.fill()
	s := &Session{o: o, g: g, early: o.Ahead, contents: contentsFor(o.Jobs, o.Memory),
		live: map[TaskID][]held{}, pending: map[key.ID][]byte{}, putting: map[key.ID][]TaskID{},
		known: map[key.ID]TaskID{}, refused: map[key.ID]string{}, warned: map[string]bool{}, recordings: map[string]key.ID{}, hasher: newHasher()}
	s.wake = sync.NewCond(&s.mu)
	return s
}

// Run resolves every task that is not resolved yet. It returns an error only when
// ctx ends; what went wrong with a task is in its state. Results that are finished
// are stored even then.
func (s *Session) Run(ctx context.Context) error {
	s.sweep(ctx)
	if s.o.Swept != nil {
		s.o.Swept()
	}
	s.enqueueNew()
	if s.queue.readers > 0 && s.o.Reading != nil {
		s.o.Reading(true)
	}
	stop := context.AfterFunc(ctx, func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		s.wake.Broadcast()
	})
	defer stop()
	var workers sync.WaitGroup
	for range s.o.Jobs {
		workers.Go(func() { s.work(ctx) })
	}
	workers.Wait()
	s.publisher.wait()
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("run stopped: %w", context.Cause(ctx))
	}
	return nil
}

// State returns what is known of a task. It must not be called during Run.
func (s *Session) State(id TaskID) State {
	if int(id) >= len(s.states) {
		return State{}
	}
	return s.states[id]
}

// Recordings returns what the recordings hold that the tasks read, by path; zero where that
// changed during the session. It must not be called during Run.
func (s *Session) Recordings() map[string]key.ID { return s.recordings }

// Warned tells whether a warning was given.
func (s *Session) Warned() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.warned) > 0
}

// Frame returns an output of a resolved task, recomputing it if the store lost it.
func (s *Session) Frame(ctx context.Context, id TaskID, output string) (*frame.Frame, error) {
	if st := s.State(id); !st.OK() {
		return nil, fmt.Errorf("read %s: %s", s.g.Task(id).Name, st.Reason)
	}
	defer s.publisher.wait()
	r := Ref{Task: id, Output: output}
	s.mu.Lock()
	s.keepMemory(&r)
	s.mu.Unlock()
	return s.materialize(ctx, r)
}

func (s *Session) work(ctx context.Context) {
	for {
		id, ok := s.next(ctx)
		if !ok {
			return
		}
		st := s.resolve(ctx, id)
		if errors.Is(ctx.Err(), context.Canceled) || errors.Is(ctx.Err(), context.DeadlineExceeded) {
			if st.Status == Failed {
				// Stopped half-way: the task's own error is only the echo of that.
				st = State{}
			}
		}
		s.finish(id, st)
	}
}

func (s *Session) emit(e Event) {
	if s.o.Events == nil {
		return
	}
	s.eventMu.Lock()
	defer s.eventMu.Unlock()
	s.o.Events(e)
}

// warn reports a condition once a session, however many tasks meet it.
func (s *Session) warn(text string) { s.warnOf(text, text) }

// cause is what an error, or the first of joined ones, comes from in the end: of one cause, as a full disk, many results each name a
// temporary file of their own.
func cause(err error) error {
	for {
		from := errors.Unwrap(err)
		if joined, ok := err.(interface{ Unwrap() []error }); ok {
			from = joined.Unwrap()[0]
		}
		if from == nil {
			return err
		}
		err = from
	}
}

// warnOf warns of a cause the first time.
func (s *Session) warnOf(cause, text string) {
	s.mu.Lock()
	first := !s.warned[cause]
	s.warned[cause] = true
	s.mu.Unlock()
	if first {
		s.emit(Event{Warning: text})
	}
}
