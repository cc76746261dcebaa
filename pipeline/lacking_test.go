package pipeline

import (
	"context"
	"strings"
	"testing"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// namedStage has the outputs named, or claims to.
type namedStage struct {
	fakeStage
	names []string
}

func (s namedStage) Outputs() []string { return s.names }

// A stored result that lacks an output its stage has now is computed again, and says why; swept or not.
func TestStoredResultThatLacksAnOutput(t *testing.T) {
	store := openStore(t, t.TempDir())
	run := func(o Options, names ...string) State {
		make := func(stages.Inputs) (out []stages.Output, err error) {
			for _, n := range names {
				out = append(out, stages.Output{Name: n, Frame: frame.Must([]frame.Attr{frame.Num(n, "", 1)})})
			}
			return out, nil
		}
		g, b := NewGraph(), &bench{runs: map[string]int{}}
		id := g.Add(Task{Name: "named", Stage: namedStage{fakeStage{b: b, name: "named", run: make}, names}})
		o.Store = store
		s := NewSession(g, o)
		if err := s.Run(context.Background()); err != nil {
			t.Fatal(err)
		}
		return s.State(id)
	}
	for _, o := range []Options{{}, {Known: store.Known}} {
		run(o, "a")
		if st := run(o, "a", "b"); st.Status == Hit || !strings.Contains(st.Miss, `lacks the output "b"`) || len(st.Outputs) != 2 {
			t.Errorf("status %v, miss %q, %d outputs; want it computed again for output b", st.Status, st.Miss, len(st.Outputs))
		}
		if st := run(o, "a", "b"); st.Status != Hit {
			t.Errorf("status %v once it is computed again: %s", st.Status, st.Miss)
		}
		store = openStore(t, t.TempDir())
	}
}
