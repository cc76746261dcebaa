package pipeline

import (
	"fmt"
	"runtime/debug"
	"slices"
)

// shared is work of a task in parts, which workers that find nothing to do take turns at.
type shared struct {
	do      func(part int) error
	parts   int
	begun   int // parts that somebody has begun, in their order
	working int // parts that are under way
	failed  int // the first of those that failed
	err     error
}

// hands does a task's work in parts together with idle workers, as stages.Hands has it. With those who have tasks there are never
// more than Jobs at work, for whoever is idle here would wait for a task.
func (s *Session) hands(n int, do func(i int) error) error {
	w := &shared{do: do, parts: n, failed: n}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.offers = append(s.offers, w)
	s.wake.Broadcast()
	for w.left() {
		s.lend(w)
	}
	s.offers = slices.DeleteFunc(s.offers, func(o *shared) bool { return o == w })
	for w.working > 0 {
		s.wake.Wait()
	}
	if p, ok := w.err.(*panicked); ok {
		panic(p)
	}
	return w.err
}

// idleHands is hands while some worker has no task; nil while none is idle, for then work in parts is no faster.
func (s *Session) idleHands() func(n int, do func(i int) error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.queue.running < s.o.Jobs {
		return s.hands
	}
	return nil
}

// left tells whether parts are left that are worth beginning.
func (w *shared) left() bool { return w.begun < w.parts && w.err == nil }

// offer is work that has parts left; nil if there is none.
func (s *Session) offer() *shared {
	for _, w := range s.offers {
		if w.left() {
			return w
		}
	}
	return nil
}

// lend does one part. The session is locked, but not meanwhile.
func (s *Session) lend(w *shared) {
	part := w.begun
	w.begun++
	w.working++
	s.mu.Unlock()
	err := w.part(part)
	s.mu.Lock()
	if err != nil && part < w.failed {
		w.failed, w.err = part, err
	}
	if w.working--; w.working == 0 && !w.left() {
		s.wake.Broadcast()
	}
}

// part does one part. A panic in it concerns the task whose work it is, not who lends a hand.
func (w *shared) part(i int) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = &panicked{p, debug.Stack()}
		}
	}()
	return w.do(i)
}

// panicked is a panic in a part of a task, which goes on where that is awaited.
type panicked struct {
	value any
	stack []byte
}

func (p *panicked) where() []byte { return p.stack }

// Error is what the panic says: who recovers it gives the text that it would give without helpers.
func (p *panicked) Error() string { return fmt.Sprint(p.value) }

// Unwrap has who recovers the panic see what kind it is of; nil if its value is no error.
func (p *panicked) Unwrap() error {
	err, _ := p.value.(error)
	return err
}
