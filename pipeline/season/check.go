package season

import (
	"errors"
	"fmt"
	"io/fs"

	"lapwear/pipeline"
	"lapwear/stages/ingest"
)

// CheckRecordings opens the beginning of every recording that a run would read and
// lists the laps that would be set aside, each once: recordings that are missing or
// unreadable, lack a column or state another unit. What the samples themselves may
// show is not looked at.
func (s *Season) CheckRecordings() []pipeline.SetAside {
	b := newGraphBuilder(s.Scenarios(), fileSize)
	b.calibrations()
	b.choose(func(pipeline.TaskID) (string, bool) { return "", false })
	b.season()
	out := []pipeline.SetAside{}
	seen := map[string]bool{}
	for _, q := range b.qualities {
		t := b.graph.Task(q.task)
		p, ok := t.Stage.(ingest.Params)
		if !ok || seen[q.lap] {
			continue
		}
		if err := p.Check(t.Source); err != nil {
			if errors.Is(err, fs.ErrNotExist) {
				err = fmt.Errorf("there is no file %q; correct the manifest or bring the recording", t.Source)
			}
			seen[q.lap] = true
			out = append(out, pipeline.SetAside{Lap: q.lap, Reason: err.Error()})
		}
	}
	return out
}
