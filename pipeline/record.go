package pipeline

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"lapwear/cache/key"
	"lapwear/stages/frame"
)

// Record is what a run leaves behind so that its numbers can be traced: every task
// with its key, the key it had before, and how it came to its result.
type Record struct {
	Attrs []frame.Attr // of whoever ran the session: where the season file is, and the like
	Tasks []RecordedTask

	byName map[string]int
	digest string // once it was asked for
}

// RecordedTask is a task as a run left it.
type RecordedTask struct {
	Name, Stage, Lap, Source string

	Status   Status
	Fresh    bool   // computed in that run
	Miss     string // why it had to be computed, then or when it last was
	Reason   string // why it has no result
	Action   key.ID
	Previous key.ID // the last different action of the task of this name; zero if none is known

	packed string // its inputs
}

// RecordedInput says which task an input came from.
type RecordedInput struct {
	Label  string
	Task   int
	Output string
}

// inputsShown is how many inputs of a task a record lists at most: tasks that draw a
// whole season together are traced through the rows of their tables instead.
const inputsShown = 64

// Record sums up the session. earlier is the record of the run before, nil if there
// is none; from it each task takes over what it was before.
func (s *Session) Record(attrs []frame.Attr, earlier *Record) *Record {
	r := &Record{Attrs: attrs, Tasks: make([]RecordedTask, len(s.states))}
	var inputs []byte
	for id := range s.states {
		st, t := &s.states[id], s.g.Task(TaskID(id))
		rt := &r.Tasks[id]
		*rt = RecordedTask{Name: t.Name, Stage: t.Stage.Name(), Lap: t.Lap, Source: t.Source,
			Status: st.Status, Fresh: st.Fresh, Miss: st.Miss, Reason: st.Reason, Action: st.Action}
		old, ok := earlier.at(id, t.Name)
		if ok {
			rt.follow(old)
		}
		if len(t.Inputs) > inputsShown {
			continue
		}
		if inputs = packInputs(inputs[:0], t.Inputs); ok && old.packed == string(inputs) {
			rt.packed = old.packed // most are what they were
		} else {
			rt.packed = string(inputs)
		}
	}
	return r
}

// at is Task for one that most likely has this number.
func (r *Record) at(number int, name string) (*RecordedTask, bool) {
	if r != nil && number < len(r.Tasks) && r.Tasks[number].Name == name {
		return &r.Tasks[number], true
	}
	return r.Task(name)
}

// follow takes over from the record of the run before what this run did not change.
// A run in which the task had no key does not make it forget.
func (t *RecordedTask) follow(old *RecordedTask) {
	t.Previous = old.Previous
	switch {
	case old.Action == key.ID{}:
	case t.Action == old.Action:
		if t.Miss == "" {
			t.Miss = old.Miss
		}
	default:
		t.Previous = old.Action
	}
}

// Task returns the task of a name. It is not to be called by several at once.
func (r *Record) Task(name string) (*RecordedTask, bool) {
	if r == nil {
		return nil, false
	}
	if r.byName == nil {
		r.index()
	}
	i, ok := r.byName[name]
	if !ok {
		return nil, false
	}
	return &r.Tasks[i], true
}

func (r *Record) index() {
	r.byName = make(map[string]int, len(r.Tasks))
	for i := range r.Tasks {
		r.byName[r.Tasks[i].Name] = i
	}
}

// Actions lists the actions that the record refers to.
func (r *Record) Actions() (out []key.ID) {
	out = make([]key.ID, 0, 2*len(r.Tasks))
	for i := range r.Tasks {
		t := &r.Tasks[i]
		for _, id := range []key.ID{t.Action, t.Previous} {
			if id != (key.ID{}) {
				out = append(out, id)
			}
		}
	}
	return out
}

// Digest is a SHA-256, in hexadecimal, of what the run did: every task with its key. Runs of
// equal inputs, parameters and revisions have the same.
func (r *Record) Digest() string {
	if r.digest != "" {
		return r.digest
	}
	h := sha256.New()
	var line []byte
	for i := range r.Tasks {
		t := &r.Tasks[i]
		line = append(strconv.AppendQuote(line[:0], t.Name), ' ')
		line = append(hex.AppendEncode(line, t.Action[:]), '\n')
		h.Write(line)
	}
	r.digest = hex.EncodeToString(h.Sum(nil))
	return r.digest
}

// Stand makes the record what a later run that found nothing to do would have left.
func (r *Record) Stand() {
	for i := range r.Tasks {
		t := &r.Tasks[i]
		t.Fresh = false
		if t.Status == Computed {
			t.Status = Hit
		}
	}
}

// Whole tells whether every task has come to what another run would find too.
func (r *Record) Whole() bool {
	return !slices.ContainsFunc(r.Tasks, func(t RecordedTask) bool { return t.Status == Failed || t.Status == Pending || t.Status == Unknown })
}

// Frame returns the record as a frame, a row a task.
func (r *Record) Frame() *frame.Frame {
	n := len(r.Tasks)
	text := func(name string, get func(t *RecordedTask) string) frame.Column {
		v := make([]string, n)
		for i := range r.Tasks {
			v[i] = get(&r.Tasks[i])
		}
		return frame.Col(name, "", v)
	}
	status, fresh := make([]int32, n), make([]bool, n)
	for i, t := range r.Tasks {
		status[i], fresh[i] = int32(t.Status), t.Fresh
	}
	return frame.Must(r.Attrs,
		text("name", func(t *RecordedTask) string { return t.Name }),
		text("stage", func(t *RecordedTask) string { return t.Stage }),
		text("lap", func(t *RecordedTask) string { return t.Lap }),
		text("source", func(t *RecordedTask) string { return t.Source }),
		frame.Col("status", "", status),
		frame.Col("fresh", "", fresh),
		text("miss", func(t *RecordedTask) string { return t.Miss }),
		text("reason", func(t *RecordedTask) string { return t.Reason }),
		text("action", func(t *RecordedTask) string { return string(t.Action[:]) }),
		text("previous", func(t *RecordedTask) string { return string(t.Previous[:]) }),
		text("inputs", func(t *RecordedTask) string { return t.packed }))
}

// packInputs appends inputs as lines of task, output and label.
func packInputs(b []byte, in []Ref) []byte {
	for i := range in {
		r := &in[i]
		b = append(strconv.AppendInt(b, int64(r.Task), 10), 0)
		b = append(append(b, r.Output...), 0)
		b = append(append(b, r.Label...), 1)
	}
	return b
}

// ReadRecord reads a record from its frame.
func ReadRecord(f *frame.Frame) (*Record, error) {
	var err error
	text := func(name string) []string {
		v, e := frame.Get[[]string](f, name)
		if e != nil && err == nil {
			err = e
		}
		return v
	}
	name, stage, lap, source := text("name"), text("stage"), text("lap"), text("source")
	miss, reason, inputs := text("miss"), text("reason"), text("inputs")
	action, previous := text("action"), text("previous")
	status, e := frame.Get[[]int32](f, "status")
	if e != nil {
		err = e
	}
	fresh, e := frame.Get[[]bool](f, "fresh")
	if e != nil {
		err = e
	}
	if err != nil {
		return nil, fmt.Errorf("read run record: %w", err)
	}
	r := &Record{Attrs: f.Attrs(), Tasks: make([]RecordedTask, f.Rows())}
	for i := range r.Tasks {
		t := &r.Tasks[i]
		*t = RecordedTask{Name: name[i], Stage: stage[i], Lap: lap[i], Source: source[i],
			Status: Status(status[i]), Fresh: fresh[i], Miss: miss[i], Reason: reason[i]}
		copy(t.Action[:], action[i])
		copy(t.Previous[:], previous[i])
		t.packed = inputs[i]
	}
	return r, nil
}

// Inputs lists where a task of the record had its inputs from. Of tasks that draw a whole season together it lists none.
func (r *Record) Inputs(t *RecordedTask) ([]RecordedInput, error) {
	var out []RecordedInput
	for line := range strings.SplitSeq(strings.TrimSuffix(t.packed, "\x01"), "\x01") {
		if line == "" {
			continue
		}
		part := strings.SplitN(line, "\x00", 3)
		if len(part) != 3 {
			return nil, fmt.Errorf("read run record: task %q: damaged input %q; run again", t.Name, line)
		}
		id, err := strconv.Atoi(part[0])
		if err != nil || id < 0 || id >= len(r.Tasks) {
			return nil, fmt.Errorf("read run record: task %q: damaged input %q; run again", t.Name, line)
		}
		out = append(out, RecordedInput{Label: part[2], Task: id, Output: part[1]})
	}
	return out, nil
}
