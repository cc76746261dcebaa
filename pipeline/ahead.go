package pipeline

import (
	"context"

	"golang.org/x/sync/errgroup"

	"lapwear/cache/key"
)

// ahead is a recording that is read before its task can be: while the graph is still being built, or swept.
type ahead struct {
	named chan struct{} // closed when it is known which
	path  string        // "" = none has to be read

	done    chan struct{} // closed when all of it is known
	id      key.ID
	content []byte
	err     error
}

// aheadOf is among how many recordings ReadAhead looks for one that has to be read.
const aheadOf = 1000

// ReadAhead begins to read the first of some recordings that the store does not know, for the task that will ask for it in any later Run.
// With a single job nothing is read beside. What cannot be read is left to the task. end waits for what is read, and lets go of it if no
// task has asked for it; it must be called once no Run follows, in any case.
func (s *Session) ReadAhead(ctx context.Context, paths []string) (end func()) {
	r, ok := s.o.Store.(contentStore)
	if !ok || s.o.Known == nil || s.o.Jobs < 2 {
		return func() {}
	}
	a := &ahead{named: make(chan struct{}), done: make(chan struct{})}
	s.early = a
	go func() {
		defer close(a.done)
		a.path = s.firstUnknown(ctx, paths[:min(len(paths), aheadOf)])
		close(a.named)
		if a.path != "" {
			a.id, a.content, a.err = r.FileContent(a.path, s.o.Rehash, s.contents.room, beside)
		}
	}()
	return s.endEarly
}

// beside does the parts of a work, each by a goroutine of its own: a recording is read while what is there of it is hashed, as it is likely that
// all else has to wait for it in the end.
func beside(n int, do func(i int) error) error {
	var parts errgroup.Group
	for i := range n {
		parts.Go(func() error { return do(i) })
	}
	return parts.Wait()
}

// firstUnknown returns the first recording that the store does not know; "" if there is none, or once ctx has ended.
func (s *Session) firstUnknown(ctx context.Context, paths []string) string {
	for _, path := range paths {
		if ctx.Err() != nil {
			break
		}
		if _, known := s.o.Known(path, s.o.Rehash); !known {
			return path
		}
	}
	return ""
}

// readEarly returns what was read ahead, if that is the recording asked for and still is what the file holds; else nil. It is given once.
func (s *Session) readEarly(r contentStore, path string) *ahead {
	s.mu.Lock()
	a := s.early
	s.mu.Unlock()
	if a == nil {
		return nil
	}
	if <-a.named; a.path != path {
		return nil
	}
	<-a.done
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.early != a {
		return nil
	}
	s.early = nil
	if a.err != nil || !r.Stands(path, a.id) {
		return nil
	}
	return a
}

// endEarly waits for what is read ahead, and lets go of it if no task has asked for it.
func (s *Session) endEarly() {
	s.mu.Lock()
	a := s.early
	s.early = nil
	s.mu.Unlock()
	if a != nil {
		<-a.done
	}
}
