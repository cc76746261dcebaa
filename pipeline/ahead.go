package pipeline

import (
	"context"

	"golang.org/x/sync/errgroup"

	"lapwear/cache/key"
)

// Ahead is a recording that is read before its task can be: before there is a graph, while it is built, and while it is swept.
type Ahead struct {
	path  string // "" = none has to be read
	known map[string]key.ID

	done    chan struct{} // closed when all of it is known
	id      key.ID
	content []byte
	err     error
}

// aheadOf is among how many recordings ReadAhead looks for one that has to be read.
const aheadOf = 1000

// ReadAhead begins to read the first of some recordings that the store does not know, for the task that will ask for it in a session
// that has the result among its options, which are o beside it. If there is one, first is called beside before it is read. With a single
// job nothing is read beside: then it returns nil, which stands for nothing. What cannot be read is left to the task. End is due once the
// session's last Run has ended, in any case.
func ReadAhead(ctx context.Context, o Options, paths []string, first func()) *Ahead {
	o.fill()
	r, ok := o.Store.(contentStore)
	if !ok || o.Known == nil || o.Jobs < 2 {
		return nil
	}
	a := &Ahead{done: make(chan struct{})}
	if a.look(ctx, o, paths[:min(len(paths), aheadOf)]); a.path == "" {
		close(a.done)
		return a
	}
	go func() {
		defer close(a.done)
		first()
		room := contentsFor(o.Jobs, o.Memory)
		a.id, a.content, a.err = r.FileContent(a.path, o.Rehash, room.room, beside)
	}()
	return a
}

// look finds the first recording that the store does not know, unless ctx ends.
func (a *Ahead) look(ctx context.Context, o Options, paths []string) {
	a.known = make(map[string]key.ID, len(paths))
	for _, path := range paths {
		if ctx.Err() != nil {
			return
		}
		id, known := o.Known(path, o.Rehash)
		if !known {
			a.path = path
			return
		}
		a.known[path] = id
	}
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

// Finds tells whether there is one to be read.
func (a *Ahead) Finds() bool { return a != nil && a.path != "" }

// Known is what a recording held when it was looked at; false if it was not, or has to be read.
func (a *Ahead) Known(path string) (key.ID, bool) {
	if a == nil {
		return key.ID{}, false
	}
	id, ok := a.known[path]
	return id, ok
}

// End waits for what is being read, and lets go of it. It may be called again.
func (a *Ahead) End() {
	if a != nil {
		<-a.done
		a.content = nil
	}
}

// readEarly returns what was read ahead, if that is the recording asked for and still is what the file holds. It is given once.
func (s *Session) readEarly(r contentStore, path string) (id key.ID, content []byte, ok bool) {
	s.mu.Lock()
	a := s.early
	s.mu.Unlock()
	if a == nil || a.path != path {
		return id, nil, false
	}
	<-a.done
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.early != a {
		return id, nil, false
	}
	s.early = nil
	content, a.content = a.content, nil
	return a.id, content, a.err == nil && r.Stands(path, a.id)
}
