package pipeline

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"runtime/debug"
	"slices"
	"strings"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// resolve finds a task's result or computes it.
func (s *Session) resolve(ctx context.Context, id TaskID) State {
	t := s.g.Task(id)
	if cause, blocked := s.blocked(t); blocked {
		return State{Status: Skipped, Reason: cause}
	}
	file, err := s.recording(t)
	if err != nil {
		return State{Status: Failed, Reason: err.Error()}
	}
	defer s.contents.give(file.Content)
	h := key.Plain(t.Stage.Name(), t.Stage.Revision(), s.o.Arch)
	if err := s.key(h, t, file); err != nil {
		return State{Status: Failed, Reason: err.Error()}
	}
	action := h.Sum()
	// Equal keys in flight are computed once; the others wait for that one.
	v, _, shared := s.flight.Do(string(action[:]), func() (any, error) {
		if out, ok := s.recall(action, t.Wanted); ok {
			return out, nil
		}
		return s.findOrCompute(ctx, id, action, file), nil
	})
	out := v.(outcome)
	s.holdMade(id, action, out.frames, shared)
	return t.worded(out.as(id))
}

// worded names the recording in what is at fault with it.
func (t *Task) worded(st State) State {
	switch {
	case t.Source == "":
	case st.Status == Refused:
		// A refusal is stored under the content; which file has it, only the task knows.
		st.Reason = fmt.Sprintf("recording %q: %s", t.shown(), st.Reason)
	case st.Status == Failed:
		// Reasons enter tables, which do not depend on where the season's folder is.
		st.Reason = strings.ReplaceAll(st.Reason, t.Source, t.shown())
	}
	return st
}

func (t *Task) shown() string {
	if t.Shown != "" {
		return t.Shown
	}
	return t.Source
}

// recall returns what this session already knows of a key; of what is wanted after the run also what is in memory of it.
func (s *Session) recall(action key.ID, wanted bool) (outcome, bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	id, ok := s.known[action]
	if !ok {
		return outcome{}, false
	}
	out := outcome{owner: id, state: s.states[id]}
	if wanted {
		for i := range s.live[id] {
			s.live[id][i].spare = nil // two tasks have it from here on
		}
		out.frames = slices.Clone(s.live[id])
	}
	if out.state.Status == Refused {
		out.state.Reason = s.refused[action] // the task's own has its recording's name
	}
	return out, true
}

// remember keeps what a task has computed for others that have its key: it may be a while before the store has it.
func (s *Session) remember(id TaskID, st State) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.states[id], s.known[st.Action] = st, id
	if st.Status == Refused {
		s.refused[st.Action] = st.Reason
	}
}

func (s *Session) findOrCompute(ctx context.Context, id TaskID, action key.ID, file stages.File) outcome {
	entry, miss := s.o.Store.Lookup(action)
	if miss == "" {
		miss = lacks(s.g.Task(id).Stage, entry)
	}
	if entry != nil && miss == "" {
		return outcome{owner: id, state: found(action, entry)}
	}
	out, put := s.compute(ctx, id, action, file, miss)
	out.owner = id
	if out.state.Status != Failed {
		put()
		s.remember(id, out.state)
	}
	return out
}

// lacks says which output of its stage a stored result has not got; "" where it has all, or cannot have any.
func lacks(stage stages.Stage, entry *cache.Entry) (miss string) {
	namer, ok := stage.(stages.Namer)
	if !ok || entry == nil || entry.Refused != "" {
		return ""
	}
	st := State{Outputs: entry.Outputs}
	for _, name := range namer.Outputs() {
		if _, ok := st.output(name); !ok {
			return fmt.Sprintf("the stored result lacks the output %q", name)
		}
	}
	return ""
}

// found is the state of a task whose result the store has.
func found(action key.ID, entry *cache.Entry) State {
	st := State{Status: Hit, Action: action, Outputs: entry.Outputs}
	if entry.Refused != "" {
		st.Status, st.Reason = Refused, entry.Refused
	}
	return st
}

// blocked returns the first cause for which a task cannot run.
func (s *Session) blocked(t *Task) (cause string, blocked bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.cause(t)
}

// cause is blocked for whoever holds the lock, or is alone.
func (s *Session) cause(t *Task) (cause string, blocked bool) {
	for i := range t.Inputs {
		r := &t.Inputs[i]
		if st := &s.states[r.Task]; !st.OK() && !r.Optional {
			return st.Reason, true
		}
	}
	return "", false
}

// recording identifies the recording that a task reads, by reading it if need be.
func (s *Session) recording(t *Task) (file stages.File, err error) {
	if t.Source == "" {
		return file, nil
	}
	id, content, err := s.read(t.Source)
	if errors.Is(err, fs.ErrNotExist) {
		return file, fmt.Errorf("there is no recording %q; correct the manifest or bring the file", t.shown())
	} else if err != nil {
		return file, fmt.Errorf("%w; name a file that can be read", err)
	}
	s.note(t.Source, id)
	return stages.File{Path: t.Source, ID: id, Content: content}, nil
}

// note takes down what a recording holds; zero where that changes during the session.
func (s *Session) note(path string, id key.ID) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if was, again := s.recordings[path]; again && was != id {
		id = key.ID{}
	}
	s.recordings[path] = id
}

// key hashes everything that a task's result depends on. Its inputs are resolved.
func (s *Session) key(h *key.Hasher, t *Task, file stages.File) error {
	addOwn(h, t, file)
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.addInputs(h, t)
}

// addOwn adds what a task depends on besides other tasks.
func addOwn(h *key.Hasher, t *Task, file stages.File) {
	h.Shared(t.Fields, t.Stage.AddTo)
	addFile(h, t, file)
}

func addFile(h *key.Hasher, t *Task, file stages.File) {
	if t.Source != "" {
		h.ID("recording", file.ID)
	}
}

// addInputs adds what other tasks have found. Nobody may resolve them meanwhile.
func (s *Session) addInputs(h *key.Hasher, t *Task) error {
	for i := range t.Inputs {
		r := &t.Inputs[i]
		if err := addInput(h, r, &s.states[r.Task]); err != nil {
			return err
		}
	}
	return nil
}

// transcript is what went into a task's key. Most tasks are found, and nobody asks for theirs.
func (s *Session) transcript(t *Task, file stages.File) ([]key.Field, error) {
	h := key.Listing(t.Stage.Name(), t.Stage.Revision(), s.o.Arch)
	h.Expect(3 * len(t.Inputs)) // parameters of laps too, where these are of laps
	err := s.key(h, t, file)
	return h.Transcript(), err
}

// read returns a recording's hash, and its content where it was read for that and memory is left.
func (s *Session) read(path string) (key.ID, []byte, error) {
	if r, ok := s.o.Store.(contentStore); ok {
		if id, content, ok := s.readEarly(r, path); ok {
			return id, content, nil
		}
		return r.FileContent(path, s.o.Rehash, s.contents.room, s.idleHands())
	}
	id, err := s.o.Store.FileID(path, s.o.Rehash)
	return id, nil, err
}

func addInput(h *key.Hasher, r *Ref, st *State) error {
	label := InputLabel(r.Label)
	if !st.OK() {
		h.String(label, "missing: "+st.Reason)
		return nil
	}
	if r.Presence {
		h.String(label, "present")
		return nil
	}
	o, ok := st.output(r.Output)
	if !ok {
		return fmt.Errorf("read input %q: its stage has no output %q", r.Label, r.Output)
	}
	h.ID(label, o.ID)
	return nil
}

// InputLabel is the label under which an input stands in a transcript, apart from
// the parameters' labels.
func InputLabel(label string) string { return "input " + label }

// compute runs a task's stage; put sends its outputs to the store, and is nil if it has failed. A panic in it concerns this task alone.
func (s *Session) compute(ctx context.Context, id TaskID, action key.ID, file stages.File, miss string) (out outcome, put func()) {
	t := s.g.Task(id)
	start := s.o.Now()
	failed := func(err error) outcome {
		return outcome{state: State{Status: Failed, Action: action, Reason: err.Error(), Miss: miss}}
	}
	defer s.caught(t, func(err error) { out, put = failed(err), nil })
	transcript, err := s.transcript(t, file)
	if err != nil {
		return failed(err), nil
	}
	in, err := s.inputs(ctx, t, file)
	if err != nil {
		return failed(err), nil
	}
	outputs, err := t.Stage.Run(ctx, in)
	if err == nil || isRefusal(err) {
		err = errors.Join(s.unchanged(file), keepRefusal(err))
	}
	st := State{Status: Computed, Fresh: true, Action: action, Miss: miss}
	entry := cache.Entry{Stage: t.Stage.Name(), Transcript: transcript}
	var refusal *stages.Refusal
	switch {
	case errors.As(err, &refusal):
		st.Status, st.Reason, entry.Refused = Refused, refusal.Reason, refusal.Reason
		outputs = nil
	case err != nil:
		return failed(err), nil
	}
	s.keepPassed(t, in, outputs)
	payloads, frames := encode(t.Stage, outputs, in.Hands)
	markSpare(t.Stage, frames, payloads)
	for _, p := range payloads {
		entry.Outputs = append(entry.Outputs, cache.Output{Name: p.Name, ID: p.ID, Size: p.Size, Kept: p.Data != nil})
	}
	st.Outputs = entry.Outputs
	st.Seconds = s.o.Now().Sub(start).Seconds()
	return outcome{state: st, frames: frames}, func() { s.publish(ctx, action, entry, payloads) }
}

func isRefusal(err error) bool {
	var r *stages.Refusal
	return errors.As(err, &r)
}

func keepRefusal(err error) error {
	if isRefusal(err) {
		return err
	}
	return nil
}

// unchanged checks that a recording still is what its hash says: a result must not
// be filed under a content that it was not made from.
func (s *Session) unchanged(file stages.File) error {
	if file.Path == "" {
		return nil
	}
	if r, ok := s.o.Store.(contentStore); ok && file.Content != nil && r.Stands(file.Path, file.ID) {
		return nil // the result is of what was hashed: a look is enough, where a file that was written just now would be hashed again
	}
	id, err := s.o.Store.FileID(file.Path, false)
	if err != nil {
		return err
	}
	if id != file.ID {
		return errors.New("the recording changed while it was read; run again when it is complete")
	}
	return nil
}

// caught hands a panic to failed as an error. Where it happened is a warning, not a reason: reasons enter tables, which must not
// differ by chance. It is deferred.
func (s *Session) caught(t *Task, failed func(error)) {
	p, stack := recover(), debug.Stack
	if q, ok := p.(*panicked); ok {
		p, stack = q.value, q.where
	}
	if p != nil {
		s.warn(fmt.Sprintf("%s: internal error: %v\n%s", t.Name, p, stack()))
		failed(fmt.Errorf("run %s: internal error: %v; please report this", t.Stage.Name(), p))
	}
}

// inputs gathers what a task's stage may read.
func (s *Session) inputs(ctx context.Context, t *Task, file stages.File) (stages.Inputs, error) {
	in := stages.Inputs{File: file, Frames: make([]stages.Input, len(t.Inputs)), Hands: s.hands}
	read := func(at int) (err error) {
		if err := ctx.Err(); err != nil {
			return err
		}
		in.Frames[at], err = s.input(ctx, t.Inputs[at])
		return err
	}
	many := 0
	for i := range t.Inputs {
		if holds(&t.Inputs[i]) {
			many++
		}
	}
	if many < manyInputs {
		for at := range t.Inputs {
			if err := read(at); err != nil {
				return in, err
			}
		}
		return in, nil
	}
	return in, s.hands(len(t.Inputs), read)
}

// manyInputs is from how many inputs on that are read now a task reads them side by side: those of all laps, while most others wait for it.
const manyInputs = 64

// input is what a task's stage may read of one of its inputs.
func (s *Session) input(ctx context.Context, r Ref) (i stages.Input, err error) {
	i.Label = r.Label
	st := s.stateOf(r.Task)
	switch {
	case !st.OK():
		i.Missing = st.Reason
	case r.Presence:
	case r.Large:
		i.Load = func() (*frame.Frame, error) { return s.materialize(ctx, r) }
	default:
		i.Frame, err = s.materialize(ctx, r)
	}
	return i, err
}

func (s *Session) stateOf(id TaskID) State {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.states[id]
}

// encode turns outputs into their canonical bytes and identities. What the stage
// does not keep is only hashed.
func encode(st stages.Stage, outputs []stages.Output, hands stages.Hands) ([]cache.Payload, []held) {
	keeper, _ := st.(stages.Keeper)
	payloads := make([]cache.Payload, len(outputs))
	frames := make([]held, len(outputs))
	_ = hands.Each(len(outputs), func(i int) error { // none fails
		o := outputs[i]
		frames[i] = held{name: o.Name, frame: o.Frame}
		p := cache.Payload{Name: o.Name, Size: o.Frame.EncodedLen()}
		if keeper == nil || keeper.Keeps(o.Name) {
			p.Data = o.Frame.AppendEncoded(nil)
			p.ID = key.Of(p.Data)
		} else {
			p.ID = key.OfUnkept(o.Frame.EncodeTo)
		}
		payloads[i] = p
		return nil
	})
	return payloads, frames
}

// publish sends a result to the store without waiting for the disk. A store that
// cannot take it costs time in the next run, not this run's result.
func (s *Session) publish(ctx context.Context, action key.ID, e cache.Entry, payloads []cache.Payload) {
	s.mu.Lock()
	s.putting[action] = nil
	for _, p := range payloads {
		if p.Data != nil {
			s.pending[p.ID] = p.Data
		}
	}
	s.mu.Unlock()
	s.publisher.send(func() {
		// Finished work is stored even when the run is being stopped.
		err := s.o.Store.Put(context.WithoutCancel(ctx), action, e, payloads)
		if err != nil {
			s.warnOf(cause(err).Error(), fmt.Sprintf("results are not stored: %v", err))
		}
		s.settle(action, payloads, err != nil)
	})
}

// materialize returns an output as a frame: from memory, from the store, or made
// again when the store does not keep it or has lost it.
func (s *Session) materialize(ctx context.Context, r Ref) (*frame.Frame, error) {
	s.mu.Lock()
	f := s.heldFrame(r.Task, r.Output)
	if !holds(&r) {
		s.keepMemory(&r)
	}
	st := s.states[r.Task]
	o, ok := st.output(r.Output)
	data, decode := s.pending[o.ID], frame.Decode
	s.mu.Unlock()
	if f != nil {
		return f, nil
	}
	if !ok {
		return nil, fmt.Errorf("read %s: no output %q", s.g.Task(r.Task).Name, r.Output)
	}
	miss := "not stored, needed again"
	if data == nil && o.Kept {
		data, miss = s.o.Store.Blob(o)
		decode = frame.DecodeOwned
	}
	if data != nil {
		f, err := decode(data)
		if err == nil {
			if holds(&r) {
				s.hold(r.Task, []held{{name: r.Output, frame: f}})
			}
			return f, nil
		}
		miss = err.Error()
	}
	return s.remake(ctx, r, miss)
}

// remake computes a resolved task again for the sake of its outputs.
func (s *Session) remake(ctx context.Context, r Ref, why string) (*frame.Frame, error) {
	v, err, _ := s.flight.Do(fmt.Sprint("remake ", r.Task), func() (any, error) {
		was := s.stateOf(r.Task)
		s.mu.Lock()
		s.remade = true
		s.mu.Unlock()
		t := s.g.Task(r.Task)
		file, err := s.recording(t)
		if err != nil {
			return nil, err
		}
		defer s.contents.give(file.Content)
		h := key.Plain(t.Stage.Name(), t.Stage.Revision(), s.o.Arch)
		if err := s.key(h, t, file); err != nil {
			return nil, err
		}
		if h.Sum() != was.Action {
			return nil, fmt.Errorf("compute %s again: its recording changed during the run; run again", t.Name)
		}
		out, put := s.compute(ctx, r.Task, was.Action, file, why)
		if !out.state.OK() {
			return nil, fmt.Errorf("compute %s again: %s", t.Name, out.state.Reason)
		}
		if err := sameOutputs(t, was.Outputs, out.state.Outputs); err != nil {
			return nil, err
		}
		if s.lost(was.Outputs) {
			put()
		}
		s.hold(r.Task, out.frames)
		s.mu.Lock()
		out.state.Seconds += was.Seconds
		s.states[r.Task] = out.state
		s.mu.Unlock()
		return out, nil
	})
	if err != nil {
		return nil, err
	}
	for _, h := range v.(outcome).frames {
		if h.name == r.Output {
			return h.frame, nil
		}
	}
	return nil, fmt.Errorf("read %s: no output %q", s.g.Task(r.Task).Name, r.Output)
}

// lost tells whether the store lacks what it keeps of outputs. What it has is not put again, nor sent to others.
func (s *Session) lost(outputs []cache.Output) bool {
	return slices.ContainsFunc(outputs, func(o cache.Output) bool {
		if !o.Kept {
			return false
		}
		s.mu.Lock()
		data := s.pending[o.ID]
		s.mu.Unlock()
		if data == nil {
			data, _ = s.o.Store.Blob(o)
		}
		return data == nil
	})
}

// sameOutputs guards the promise that equal keys give equal bytes.
func sameOutputs(t *Task, was, now []cache.Output) error {
	for i := range was {
		if i >= len(now) || was[i].ID != now[i].ID {
			return fmt.Errorf("compute %s again: output %q differs from the one on record, which is replaced; "+
				"run again, and report this if it comes back", t.Name, was[i].Name)
		}
	}
	return nil
}
