package season

import (
	"context"
	"os"
	"slices"

	"lapwear/cache/key"
	"lapwear/pipeline"
	"lapwear/stages/calibrate"
	"lapwear/stages/frame"
)

// Table is a finished table.
type Table struct {
	Name  string
	Frame *frame.Frame
	ID    key.ID // of the frame's encoding; zero where it is no task's output
}

// Outcome is what a run of the season leaves.
type Outcome struct {
	Laps     Laps
	Stages   map[string]pipeline.StageReport
	Failures []pipeline.Failure // hot spots and tables without result
	Tables   []Table            // empty after planning
	Evidence []Evidence         // of the calibrations
	Record   *pipeline.Record

	Recordings map[string]key.ID // what the recordings hold that were asked for, by path; zero where that changed during the run
	Warned     bool              // the engine gave a warning

	Doubts []string // what a command doubts of the tables; nil until it has looked for that
}

// Attributes of a run's record: where its season file is, and which scenario's laps
// a scenario and hot spot share, as "alias SCENARIO/HOTSPOT" = task name pattern.
const (
	attrSeason = "season_file"
)

// Run brings the season up to date. earlier returns the record of the run before, nil if
// there is none; it may be nil itself, and is called several times, also side by side, which it has to bear.
// Laps that cannot be used are set aside; the error says only that
// the run itself was stopped.
func (s *Season) Run(ctx context.Context, o pipeline.Options, earlier func() *pipeline.Record) (*Outcome, error) {
	return s.run(ctx, o, earlier, func(*graphBuilder, *pipeline.Session, *Outcome) error { return nil })
}

// run is Run with what goes on from there.
func (s *Season) run(ctx context.Context, o pipeline.Options, earlier func() *pipeline.Record,
	then func(*graphBuilder, *pipeline.Session, *Outcome) error) (*Outcome, error) {
	b := newGraphBuilder(s.Scenarios(), fileSize)
	if earlier != nil {
		o.Swept = func() { go earlier() } // before, both processors have what the run waits for
	}
	if o.Ahead == nil {
		o.Ahead = pipeline.ReadAhead(ctx, o, s.Recordings(), func() {})
	}
	session := pipeline.NewSession(b.graph, o)
	tables, err := b.steps(sessionResolver(ctx, session))
	o.Ahead.End()
	out := s.outcome(b, session, earlier)
	if err != nil {
		return out, err
	}
	if out.Tables, err = finished(ctx, session, tables); err != nil {
		return out, err
	}
	if out.Evidence, err = b.evidence(ctx, session); err != nil {
		return out, err
	}
	if out.Laps, err = s.judged(ctx, b, session, tableOf(out.Tables, "quality")); err != nil {
		return out, err
	}
	err = then(b, session, out)
	out.Recordings, out.Warned = session.Recordings(), session.Warned()
	return out, err
}

// Plan looks everything up and computes nothing.
func (s *Season) Plan(o pipeline.Options) *Outcome {
	b := newGraphBuilder(s.Scenarios(), fileSize)
	session := pipeline.NewSession(b.graph, o)
	b.steps(planResolver(session)) // which never fails
	return s.outcome(b, session, nil)
}

// resolver brings the tasks that were added so far up to date, or looks them up.
type resolver struct {
	resolve func() error
	state   func(pipeline.TaskID) pipeline.State
	chosen  func(fit pipeline.TaskID) (channel string, known bool, err error)
}

// sessionResolver computes what is not up to date.
func sessionResolver(ctx context.Context, session *pipeline.Session) resolver {
	return resolver{
		resolve: func() error { return session.Run(ctx) },
		state:   session.State,
		chosen:  func(fit pipeline.TaskID) (string, bool, error) { return chosen(ctx, session, fit) }}
}

// planResolver looks everything up and computes nothing.
func planResolver(session *pipeline.Session) resolver {
	return resolver{
		resolve: func() error { session.Plan(); return nil },
		state:   session.State,
		chosen: func(fit pipeline.TaskID) (string, bool, error) {
			if st := session.State(fit); !st.OK() {
				return "", st.Status == pipeline.Refused || st.Status == pipeline.Skipped, nil
			}
			channel, known, err := chosen(context.Background(), session, fit)
			return channel, known && err == nil, nil
		}}
}

// chosen returns the channel that a calibration chose, "" if it failed.
func chosen(ctx context.Context, session *pipeline.Session, fit pipeline.TaskID) (string, bool, error) {
	if st := session.State(fit); !st.OK() {
		return "", true, nil
	}
	f, err := session.Frame(ctx, fit, calibrate.Transfer)
	if err != nil {
		return "", true, err
	}
	channel, _ := f.Text("channel")
	return channel, true, nil
}

// steps takes all steps of the graph and returns the tables' tasks. Laps are read and
// counted before their calibration is final, since those of the calibration are
// compared with them. Where nothing that is found on the way decides what comes next, all is added before anything is resolved.
func (b *graphBuilder) steps(r resolver) ([]tableTask, error) {
	if !b.decided() {
		if err := b.settle(r); err != nil {
			return nil, err
		}
	}
	tables := b.season()
	return tables, r.resolve()
}

// decided tells whether no hot spot's channel is chosen by calibration, and no lap may have to be read for each use alone. Then the
// laps' tasks are added.
func (b *graphBuilder) decided() bool {
	if slices.ContainsFunc(b.spots, func(sp *spot) bool { return sp.fitted }) {
		return false
	}
	b.laps()
	return !slices.ContainsFunc(b.qualities, b.parts)
}

// standIn lets hot spots whose calibration failed read the season's laps all the same,
// where comparing with those may yet take out the lap that spoilt it.
func (b *graphBuilder) standIn() {
	for _, sp := range b.spots {
		if sp.channel == "" && comparesLaps(sp.scenario.Season.Quality) {
			sp.channel = sp.candidates()[0]
		}
	}
}

// settle takes the steps up to what each hot spot follows.
func (b *graphBuilder) settle(r resolver) error {
	if err := b.calibrate(r, false); err != nil {
		return err
	}
	b.standIn()
	if err := b.readLaps(r); err != nil {
		return err
	}
	before := b.followed()
	if err := b.calibrate(r, true); err != nil {
		return err
	}
	if slices.Equal(before, b.followed()) {
		return nil
	}
	return b.readLaps(r)
}

// calibrate takes the first step, again if laps have to be read for each use.
func (b *graphBuilder) calibrate(r resolver, settled bool) error {
	b.calibrations(settled)
	if err := r.resolve(); err != nil {
		return err
	}
	if b.part(r.refused) {
		b.calibrations(false)
		if err := r.resolve(); err != nil {
			return err
		}
	}
	var lost error
	b.choose(func(fit pipeline.TaskID) (string, bool) {
		channel, known, err := r.chosen(fit)
		if err != nil {
			lost = err
		}
		return channel, known
	})
	return lost
}

// readLaps takes the second step, again if laps have to be read for each use.
func (b *graphBuilder) readLaps(r resolver) error {
	b.laps()
	if err := r.resolve(); err != nil {
		return err
	}
	if !b.part(r.refused) {
		return nil
	}
	b.laps()
	return r.resolve()
}

func (r resolver) refused(id pipeline.TaskID) bool { return r.state(id).Status == pipeline.Refused }

// followed lists what each hot spot follows.
func (b *graphBuilder) followed() []string {
	out := make([]string, len(b.spots))
	for i, sp := range b.spots {
		out[i] = sp.channel
	}
	return out
}

func fileSize(path string) int64 {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return info.Size()
}

func (s *Season) outcome(b *graphBuilder, session *pipeline.Session, earlier func() *pipeline.Record) *Outcome {
	out := &Outcome{Laps: s.lapsKnown(b, session), Stages: session.Stages(), Failures: b.failures(session)}
	attrs := []frame.Attr{frame.Text(attrSeason, s.Path)}
	for _, sp := range b.spots {
		attrs = append(attrs, sp.origins(b.graph)...)
	}
	if earlier == nil {
		earlier = func() *pipeline.Record { return nil }
	}
	out.Record = session.Record(attrs, earlier())
	return out
}

// Recordings are the paths of the laps' recordings.
func (s *Season) Recordings() []string {
	out := make([]string, len(s.Laps))
	for i := range s.Laps {
		out[i] = s.Laps[i].Path
	}
	return out
}
