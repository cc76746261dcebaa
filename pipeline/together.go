package pipeline

import (
	"context"
	"encoding/binary"
	"fmt"
	"slices"

	"lapwear/cache"
	"lapwear/cache/key"
)

// group is tasks of a lap that follow each other: many of one stage, and the few before them. What has been computed of them is noted
// together, in an entry of the store beside their own, so that a later sweep looks up one entry instead of many.
type group struct {
	tasks []TaskID // in the order of the graph
	left  int      // that are not resolved
}

const (
	leastGroup     = 8          // tasks that are worth an entry more
	groupStage     = "together" // in place of a stage's name; no stage has it
	groupsRevision = 1

	// notedAtOnce is how many groups' entries are put one after the other, as a sweep reads at once what lies together.
	notedAtOnce = 64
)

// noted is a group's entry on its way to the store.
type noted struct {
	action key.ID
	entry  cache.Entry
}

// usedStore is a store that tells whether it has entries without reading them, and then notes their use.
type usedStore interface {
	UseEntries(actions []key.ID) bool
}

// group finds the groups among the tasks of laps, which are in the order of the graph; turn numbers their laps, from 0 to n-1.
func (s *Session) group(ids []TaskID, turn []int32, n int) {
	if _, ok := s.o.Store.(usedStore); !ok {
		return
	}
	type row struct {
		stage        string // of its last task
		tasks, group int32
	}
	var rows []row
	open, of := make([]int32, n), make([]int32, len(ids)) // the last row of each lap, and each task's, from 1; 0 = none
	for i, id := range ids {
		at, stage := &open[turn[i]], s.g.Task(id).Stage.Name()
		if *at == 0 || rows[*at-1].tasks >= leastGroup && rows[*at-1].stage != stage {
			rows = append(rows, row{})
			*at = int32(len(rows))
		}
		r := &rows[*at-1]
		r.stage, r.tasks, of[i] = stage, r.tasks+1, *at
	}
	s.groupOf = grown(s.groupOf, len(s.states))
	room := make([]TaskID, len(ids))
	for i, id := range ids {
		r := &rows[of[i]-1]
		if r.tasks >= leastGroup && r.group == 0 {
			s.groups = append(s.groups, group{tasks: room[:0:r.tasks], left: int(r.tasks)})
			room, r.group = room[r.tasks:], int32(len(s.groups))
		}
		if s.groupOf[id] = r.group; r.group > 0 {
			g := &s.groups[r.group-1]
			g.tasks = append(g.tasks, id)
		}
	}
}

// groupOfTask is the group that a task is in; nil if none is.
func (s *Session) groupOfTask(id TaskID) *group {
	if int(id) >= len(s.groupOf) || s.groupOf[id] == 0 {
		return nil
	}
	return &s.groups[s.groupOf[id]-1]
}

// ended notes that a task is resolved, and returns its group if all others of that are.
func (s *Session) ended(id TaskID) *group {
	g := s.groupOfTask(id)
	if g == nil {
		return nil
	}
	if g.left--; g.left > 0 {
		return nil
	}
	return g
}

// groupKey is the action of a group's entry: the hash of all that its tasks' results depend on. content is what a recording holds, if that is known.
// There is none while an input from beyond the group has no result: what is to be said of such tasks is said of each.
func (s *Session) groupKey(g *group, h *hasher, content func(path string) (key.ID, bool)) (action key.ID, ok bool) {
	b := h.group[:0]
	for _, id := range g.tasks {
		t := s.g.Task(id)
		b = binary.AppendVarint(appendText(b, t.Stage.Name()), int64(t.Stage.Revision()))
		b = h.appendParameters(b, t)
		if b = append(b, byte(truth(t.Source != ""))); t.Source != "" {
			id, known := content(t.Source)
			if !known {
				return action, false
			}
			b = append(b, id[:]...)
		}
		b = binary.AppendUvarint(b, uint64(len(t.Inputs)))
		for i := range t.Inputs {
			if b, ok = s.appendInput(b, g, &t.Inputs[i]); !ok {
				return action, false
			}
		}
	}
	h.group, h.marked = b, nil
	h.Restart(groupStage, groupsRevision, s.o.Arch)
	h.ID("tasks", key.Of(b))
	return h.Sum(), true
}

// appendParameters appends a task's parameters, of those that others share a hash.
func (h *hasher) appendParameters(b []byte, t *Task) []byte {
	if len(t.Fields) == 0 {
		h.own = key.AppendFields(h.own[:0], t.Stage.AddTo)
		return append(binary.AppendUvarint(append(b, 0), uint64(len(h.own))), h.own...)
	}
	id, known := h.shared[&t.Fields[0]]
	if !known {
		id = key.Of(t.Fields)
		h.shared[&t.Fields[0]] = id
	}
	return append(append(b, 1), id[:]...)
}

// appendInput appends what an input of a group's task is: an output of one of the group, or what another task has found.
func (s *Session) appendInput(b []byte, g *group, r *Ref) (_ []byte, ok bool) {
	b = append(appendText(b, r.Label), byte(truth(r.Presence)))
	if at, own := slices.BinarySearch(g.tasks, r.Task); own {
		return appendText(binary.AppendUvarint(append(b, 0), uint64(at)), r.Output), true
	}
	st := &s.states[r.Task]
	if b = append(b, 1); r.Presence || !st.OK() {
		return b, st.OK()
	}
	o, ok := st.output(r.Output)
	return append(b, o.ID[:]...), ok
}

// together resolves a group from its entry, if the store has that, and each task's own too.
func (w *sweeper) together(g *group, h *hasher) bool {
	action, ok := w.groupKey(g, h, func(path string) (key.ID, bool) { return w.o.Known(path, w.o.Rehash) })
	if !ok {
		return false
	}
	entry, _ := w.result(action)
	if entry == nil {
		return false
	}
	states, ok := ungrouped(entry, len(g.tasks))
	if !ok {
		return false
	}
	h.actions = h.actions[:0]
	for i := range states {
		if lacks(w.g.Task(g.tasks[i]).Stage, &cache.Entry{Outputs: states[i].Outputs}) != "" {
			return false
		}
		h.actions = append(h.actions, states[i].Action)
	}
	if !w.o.Store.(usedStore).UseEntries(h.actions) {
		return false
	}
	for i, id := range g.tasks {
		w.found(id, states[i])
	}
	return true
}

// The first byte of an output's name in a group's entry tells whether the output is kept; the entry itself keeps nothing.
const (
	keptOutput   = "+"
	unkeptOutput = "-"
)

// grouped is the entry of a group: of each task its action, with the number of its outputs in place of a size, and then those. There is none unless all
// have outputs here, and some are new.
func (s *Session) grouped(g *group) (e cache.Entry, ok bool) {
	e.Stage = groupStage
	for _, id := range g.tasks {
		st := &s.states[id]
		if !st.OK() {
			return e, false
		}
		ok = ok || st.Fresh
		e.Outputs = append(e.Outputs, cache.Output{ID: st.Action, Size: int64(len(st.Outputs))})
		for _, o := range st.Outputs {
			if o.Away {
				return e, false
			}
			kept := unkeptOutput
			if o.Kept {
				kept = keptOutput
			}
			e.Outputs = append(e.Outputs, cache.Output{Name: kept + o.Name, ID: o.ID, Size: o.Size})
		}
	}
	return e, ok
}

// ungrouped is what a group's entry says of each of n tasks; false if it does not fit. The outputs stay in the entry's memory.
func ungrouped(e *cache.Entry, n int) (states []State, ok bool) {
	left := e.Outputs
	states = make([]State, n)
	for i := range states {
		if len(left) == 0 || left[0].Size < 0 || left[0].Size >= int64(len(left)) {
			return nil, false
		}
		end := 1 + int(left[0].Size)
		states[i] = State{Status: Hit, Action: left[0].ID, Outputs: left[1:end:end]}
		for j := range states[i].Outputs {
			o := &states[i].Outputs[j]
			if o.Name == "" {
				return nil, false
			}
			o.Kept, o.Name = o.Name[:1] == keptOutput, o.Name[1:]
		}
		left = left[end:]
	}
	return states, len(left) == 0
}

// noteTogether has the results of a group noted, all of whose tasks are resolved, if any was computed.
func (s *Session) noteTogether(ctx context.Context, g *group, h *hasher) {
	s.mu.Lock()
	e, ok := s.grouped(g)
	var action key.ID
	if ok {
		action, ok = s.groupKey(g, h, func(path string) (key.ID, bool) {
			id := s.recordings[path]
			return id, id != key.ID{}
		})
	}
	if ok {
		s.notes = append(s.notes, noted{action, e})
	}
	full := len(s.notes) >= notedAtOnce
	s.mu.Unlock()
	if full {
		s.putNotes(ctx)
	}
}

// putNotes sends groups' entries to the store.
func (s *Session) putNotes(ctx context.Context) {
	s.mu.Lock()
	notes := s.notes
	s.notes = nil
	s.mu.Unlock()
	if len(notes) == 0 {
		return
	}
	s.publisher.send(func() {
		for i := range notes {
			if err := s.o.Store.Put(context.WithoutCancel(ctx), notes[i].action, notes[i].entry, nil); err != nil {
				s.warnOf(cause(err).Error(), fmt.Sprintf("results are not stored: %v", err))
			}
		}
	})
}
