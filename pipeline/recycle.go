package pipeline

import (
	"lapwear/cache"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// The memory of outputs that are not kept, such as signals, serves the next lap's: a frame that is let go is its stage's again. That
// holds while nobody has the frame but the tasks that are counted as its readers, as is so when holdMade takes it. Whoever hands it to
// anybody else calls keepMemory first, and then it is left to the garbage collector.

// markSpare has a stage take the memory of those of its outputs back that are not kept and share none with another.
func markSpare(stage stages.Stage, frames []held, payloads []cache.Payload) {
	r, ok := stage.(stages.Recycler)
	if !ok {
		return
	}
	for i := range frames {
		if payloads[i].Data == nil && !sharesAny(frames, i) {
			frames[i].spare = r
		}
	}
}

// sharesAny tells whether a frame has memory in common with another one.
func sharesAny(frames []held, i int) bool {
	for k := range frames {
		if k != i && frames[i].frame.Shares(frames[k].frame) {
			return true
		}
	}
	return false
}

// keepPassed keeps the memory of inputs of which a task's outputs have a part.
func (s *Session) keepPassed(t *Task, in stages.Inputs, outputs []stages.Output) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i := range t.Inputs {
		f := in.Frames[i].Frame
		if f == nil || !s.isSpare(&t.Inputs[i]) {
			continue
		}
		for _, o := range outputs {
			if o.Frame.Shares(f) {
				s.keepMemory(&t.Inputs[i])
			}
		}
	}
}

// isSpare tells whether the memory of an output that is held will be taken back. The session is locked.
func (s *Session) isSpare(r *Ref) bool {
	h := s.heldOutput(r.Task, r.Output)
	return h != nil && h.spare != nil
}

// keepMemory leaves an output to the garbage collector, as it is handed to somebody who is not counted as its reader. The session is locked.
func (s *Session) keepMemory(r *Ref) {
	if h := s.heldOutput(r.Task, r.Output); h != nil {
		h.spare = nil
	}
}

// recycle gives the memory of a frame that is let go to its stage, unless late ones may be reading it still. The session is locked.
func (s *Session) recycle(h *held) {
	if h.spare != nil && h.readers == 0 && !s.remade {
		h.spare.Recycle(h.frame, s.queue.readers > 0)
	}
}

func (s *Session) heldOutput(id TaskID, output string) *held {
	for i := range s.live[id] {
		if h := &s.live[id][i]; h.name == output {
			return h
		}
	}
	return nil
}

func (s *Session) heldFrame(id TaskID, output string) *frame.Frame {
	if h := s.heldOutput(id, output); h != nil {
		return h.frame
	}
	return nil
}
