package season

import (
	"context"
	"errors"

	"lapwear/cache/key"
	"lapwear/pipeline"
	"lapwear/stages/calibrate"
)

// Due is what of a season is not up to date, as far as it is done lap by lap.
type Due struct {
	Calibrations bool     // some calibration
	Laps         []string // in driven order
}

// Share is what came of bringing a share of the laps up to date.
type Share struct {
	Stages map[string]pipeline.StageReport
	Failed []pipeline.Failure // what could not be computed, though another try may succeed
}

// errNotHashed stands for the content of a recording that nobody has hashed yet.
var errNotHashed = errors.New("not hashed yet")

// planStore is a store that never reads a recording to hash it.
type planStore struct {
	pipeline.Store
	hashed func(path string, rehash bool) bool
	left   map[string]bool // recordings that are not hashed
}

func (p planStore) FileID(path string, rehash bool) (key.ID, error) {
	if fileSize(path) > 0 && !p.hashed(path, rehash) {
		p.left[path] = true
		return key.ID{}, errNotHashed
	}
	return p.Store.FileID(path, rehash)
}

// Due looks up what Share has to compute of some laps, nil being all. It reads no recording;
// hashed tells whether a recording's content is known, with rehash by this process's own reading.
func (s *Season) Due(o pipeline.Options, hashed func(path string, rehash bool) bool, laps []string) Due {
	b := s.sharing(laps)
	store := planStore{o.Store, hashed, map[string]bool{}}
	o.Store = store
	session := pipeline.NewSession(b.graph, o)
	_ = b.share(planResolver(session)) // planning never fails
	var due Due
	behind := map[string]bool{}
	for id := range pipeline.TaskID(b.graph.Len()) {
		t := b.graph.Task(id)
		if session.State(id).Status != pipeline.Unknown && !store.left[t.Source] {
			continue
		}
		behind[t.Lap] = true
		due.Calibrations = due.Calibrations || t.Lap == "" && t.Stage.Name() == calibrate.Params{}.Name()
	}
	for _, l := range s.seasonLaps() {
		if behind[l.ID] && (b.only == nil || b.only[l.ID]) {
			due.Laps = append(due.Laps, l.ID)
		}
	}
	return due
}

// Share brings what is done lap by lap up to date for some of the season's laps, nil being
// all, and all calibrations, which they need. The error says only that it was stopped.
func (s *Season) Share(ctx context.Context, o pipeline.Options, laps []string) (Share, error) {
	b := s.sharing(laps)
	session := pipeline.NewSession(b.graph, o)
	err := b.share(sessionResolver(ctx, session))
	out := Share{Stages: session.Stages(), Failed: []pipeline.Failure{}}
	for id := range pipeline.TaskID(b.graph.Len()) {
		if st := session.State(id); st.Status == pipeline.Failed {
			out.Failed = append(out.Failed, pipeline.Failure{Task: b.graph.Task(id).Name, Reason: st.Reason})
		}
	}
	return out, err
}

// sharing is a builder of the graph of some of the season's laps.
func (s *Season) sharing(laps []string) *graphBuilder {
	b := newGraphBuilder(s.Scenarios(), fileSize)
	if laps != nil {
		b.only = make(map[string]bool, len(laps))
		for _, l := range laps {
			b.only[l] = true
		}
	}
	return b
}

// share takes the steps of the graph as far as they are done lap by lap. Calibrations that
// are compared with all laps come out as they do before those are read; where that sets
// a lap aside, a run does the damage again.
func (b *graphBuilder) share(r resolver) error {
	if err := b.calibrate(r, false); err != nil {
		return err
	}
	b.standIn()
	if err := b.readLaps(r); err != nil {
		return err
	}
	b.addDamages()
	return r.resolve()
}

// SeasonLaps lists the laps that count toward the season, in driven order.
func (s *Season) SeasonLaps() []string {
	var out []string
	for _, l := range s.seasonLaps() {
		out = append(out, l.ID)
	}
	return out
}

// Deal shares laps out among n hands, some of which may stay empty. Laps of one recording
// stay together, so that it is hashed once; hands get recordings by turns.
func (s *Season) Deal(laps []string, n int) [][]string {
	path := make(map[string]string, len(s.Laps))
	for i := range s.Laps {
		path[s.Laps[i].ID] = s.Laps[i].Path
	}
	out := make([][]string, n)
	hand := map[string]int{}
	for _, l := range laps {
		h, dealt := hand[path[l]]
		if !dealt {
			h = len(hand) % n
			hand[path[l]] = h
		}
		out[h] = append(out[h], l)
	}
	return out
}
