// Package stages is the contract between the engine and the steps of the
// computation.
//
//   - A Stage is a pure function bound to its parameters: equal parameters and
//     equal inputs give equal bytes. Each stage's package has a Params type that
//     implements Stage and a constant Revision, raised whenever its numbers change.
//   - An Input is a frame with a label, or a File outside the cache.
//   - An Output is a frame with a name.
//   - A Refusal is a result, not a failure: the input's content is at fault, so
//     trying again gives the same answer. It is remembered like any result.
//
// Stages hold no clock, no randomness but what their parameters seed, and write
// nothing.
package stages

import (
	"context"
	"fmt"

	"lapwear/cache/key"
	"lapwear/stages/frame"
)

// Stage is one step of the computation, bound to its parameters.
type Stage interface {
	// Name is the stage's name in the trade's words: "count", "damage".
	Name() string
	// Revision is raised whenever equal inputs may give other bytes than before.
	Revision() int
	// AddTo adds every parameter that the result depends on.
	AddTo(h *key.Hasher)
	// Run computes the outputs. It must not keep or change its inputs.
	Run(ctx context.Context, in Inputs) ([]Output, error)
}

// Keeper is implemented by a stage whose outputs need not be stored, because
// making them again costs less than reading them back.
type Keeper interface {
	// Keeps tells whether the named output is worth storing.
	Keeps(output string) bool
}

// Recycler is implemented by a stage that has use for the memory of outputs that are not kept.
type Recycler interface {
	// Recycle takes the memory of an output that nobody reads or holds any more, and that no other output shares; more tells whether tasks are
	// left that read a recording.
	Recycle(f *frame.Frame, more bool)
}

// File is an input outside the cache, known by the hash of its content.
type File struct {
	Path string // as it can be opened
	ID   key.ID // of its whole content
	// Content is the whole content, where it is in memory already; else nil. It must not be written to, nor kept
	// beyond the run.
	Content []byte
}

// Namer is implemented by a stage that has the same outputs whatever its inputs. A stored result that lacks one of them is not taken for its own.
type Namer interface {
	// Outputs names them in the order of Run's.
	Outputs() []string
}

// Input is one labelled input of a run. Exactly one of Frame, Load and Missing is
// set; an input of which only the presence matters has none of them.
type Input struct {
	Label   string
	Frame   *frame.Frame
	Load    func() (*frame.Frame, error) // reads a large input when it is asked for, each time anew
	Missing string                       // why the producer has no output, for inputs that may be absent
}

// Get returns the input's frame, reading it if need be.
func (i Input) Get() (*frame.Frame, error) {
	switch {
	case i.Missing != "":
		return nil, fmt.Errorf("input %q is missing: %s", i.Label, i.Missing)
	case i.Load != nil:
		return i.Load()
	case i.Frame == nil:
		return nil, fmt.Errorf("input %q has no frame", i.Label)
	}
	return i.Frame, nil
}

// Inputs is everything a stage may read, and who helps with it.
type Inputs struct {
	File   File // zero when the stage reads no file
	Frames []Input
	Hands  Hands // nil = nobody helps
}

// Hands calls do with each number below n, also on other goroutines where workers are idle. Numbers are begun in their order, and after
// an error none is begun. It returns when all calls have ended, with the error of the least number, which does not depend on who was idle.
type Hands func(n int, do func(i int) error) error

// Each is Hands; without any it makes the calls itself.
func (h Hands) Each(n int, do func(i int) error) error {
	if h != nil {
		return h(n, do)
	}
	for i := range n {
		if err := do(i); err != nil {
			return err
		}
	}
	return nil
}

// Frame returns the frame of the input of that label; the error says which was
// expected.
func (in Inputs) Frame(label string) (*frame.Frame, error) {
	if i, ok := in.Labelled(label); ok {
		return i.Get()
	}
	return nil, fmt.Errorf("no input %q", label)
}

// Labelled returns the input of a label, and whether there is one: for those who ask for a few of many.
func (in Inputs) Labelled(label string) (Input, bool) {
	for i := range in.Frames {
		if in.Frames[i].Label == label {
			return in.Frames[i], true
		}
	}
	return Input{}, false
}

// ByLabel returns the inputs by their labels.
func (in Inputs) ByLabel() map[string]Input {
	out := make(map[string]Input, len(in.Frames))
	for _, i := range in.Frames {
		out[i.Label] = i
	}
	return out
}

// Output is a named result of a stage.
type Output struct {
	Name  string
	Frame *frame.Frame
}

// Refusal is the error of a stage whose input's content cannot be used. Reason is
// for the user: what is wrong, where, and what to do.
type Refusal struct{ Reason string }

// Error returns the reason.
func (r *Refusal) Error() string { return r.Reason }

// Refuse builds a Refusal. What the reason quotes is shortened.
func Refuse(format string, args ...any) error {
	return &Refusal{Reason: Shorten(fmt.Sprintf(format, args...))}
}
