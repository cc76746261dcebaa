package pipeline

import "lapwear/cache/key"

// ahead is a recording that is read before its task can be: while the graph is still being built, or swept.
type ahead struct {
	path    string // "" while it is looked for
	id      key.ID
	content []byte
	err     error
	done    chan struct{} // closed when all of it is known
}

// aheadOf is among how many recordings ReadAhead looks for one that has to be read.
const aheadOf = 1000

// ReadAhead begins to read the first of some recordings that the store does not know, for the task that will ask for it. It is called
// before Run, which waits for it. With a single job nothing is read beside. What cannot be read is left to the task.
func (s *Session) ReadAhead(paths []string) {
	r, ok := s.o.Store.(contentStore)
	if !ok || s.o.Known == nil || s.o.Jobs < 2 {
		return
	}
	a := &ahead{done: make(chan struct{})}
	s.early = a
	go func() {
		defer close(a.done)
		for _, path := range paths[:min(len(paths), aheadOf)] {
			if _, known := s.o.Known(path, s.o.Rehash); !known {
				s.mu.Lock()
				a.path = path
				s.mu.Unlock()
				a.id, a.content, a.err = r.FileContent(path, s.o.Rehash, s.contents.room, nil)
				return
			}
		}
	}()
}

// readEarly returns what was read ahead, if that is the recording asked for and still is what the file holds; else nil. It is given once.
func (s *Session) readEarly(r contentStore, path string) *ahead {
	s.mu.Lock()
	a := s.early
	if a == nil || a.path != "" && a.path != path {
		s.mu.Unlock()
		return nil
	}
	s.mu.Unlock()
	<-a.done
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.early != a || a.path != path {
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
	if s.early != nil {
		<-s.early.done
		s.early = nil
	}
}
