package season

import (
	"cmp"
	"context"
	"fmt"
	"os"
	"slices"

	"lapwear/pipeline"
	"lapwear/stages/aggregate"
	"lapwear/stages/calibrate"
	"lapwear/stages/frame"
)

// Table is a finished table.
type Table struct {
	Name  string
	Frame *frame.Frame
}

// Laps counts the manifest's laps.
type Laps struct {
	Total    int                 `json:"total"`
	Used     int                 `json:"used"`
	SetAside []pipeline.SetAside `json:"set_aside"`
	Warned   []Warned            `json:"warned"`
}

// Warned is a lap that is used though something may be wrong with it.
type Warned struct {
	Lap    string   `json:"lap_id"`
	Checks []string `json:"checks"` // those that gave a warning, in the base or any scenario
}

// Outcome is what a run of the season leaves.
type Outcome struct {
	Laps     Laps
	Stages   map[string]pipeline.StageReport
	Failures []pipeline.Failure // hot spots and tables without result
	Tables   []Table            // empty after planning
	Record   *pipeline.Record
}

// Attributes of a run's record: where its season file is, and which scenario's laps
// a scenario and hot spot share, as "alias SCENARIO/HOTSPOT" = task name pattern.
const (
	attrSeason = "season_file"
)

// Run brings the season up to date. earlier is the record of the run before, nil if
// there is none. Laps that cannot be used are set aside; the error says only that
// the run itself was stopped.
func (s *Season) Run(ctx context.Context, o pipeline.Options, earlier *pipeline.Record) (*Outcome, error) {
	b := newGraphBuilder(s.Scenarios(), fileSize)
	session := pipeline.NewSession(b.graph, o)
	b.calibrations()
	if err := session.Run(ctx); err != nil {
		return s.outcome(b, session, earlier), err
	}
	var lost error
	b.choose(func(fit pipeline.TaskID) (string, bool) {
		if st := session.State(fit); !st.OK() {
			return "", true
		}
		f, err := session.Frame(ctx, fit, calibrate.Transfer)
		if err != nil {
			lost = err
			return "", true
		}
		channel, _ := f.Text("channel")
		return channel, true
	})
	if lost != nil {
		return s.outcome(b, session, earlier), lost
	}
	tables := b.season()
	if err := session.Run(ctx); err != nil {
		return s.outcome(b, session, earlier), err
	}
	out := s.outcome(b, session, earlier)
	if err := out.Laps.judge(ctx, s, b, session); err != nil {
		return out, err
	}
	for _, t := range tables {
		if st := session.State(t.task); !st.OK() {
			continue
		}
		f, err := session.Frame(ctx, t.task, "table")
		if err != nil {
			return out, fmt.Errorf("read table %s: %w", t.name, err)
		}
		out.Tables = append(out.Tables, Table{t.name, f})
	}
	return out, nil
}

// Plan looks everything up and computes nothing.
func (s *Season) Plan(o pipeline.Options) *Outcome {
	b := newGraphBuilder(s.Scenarios(), fileSize)
	session := pipeline.NewSession(b.graph, o)
	b.calibrations()
	session.Plan()
	b.choose(func(fit pipeline.TaskID) (string, bool) {
		if st := session.State(fit); !st.OK() {
			return "", st.Status == pipeline.Refused || st.Status == pipeline.Skipped
		}
		f, err := session.Frame(context.Background(), fit, calibrate.Transfer)
		if err != nil {
			return "", false
		}
		channel, _ := f.Text("channel")
		return channel, true
	})
	b.season()
	session.Plan()
	return s.outcome(b, session, nil)
}

func fileSize(path string) int64 {
	info, err := os.Stat(path)
	if err != nil {
		return 0
	}
	return info.Size()
}

func (s *Season) outcome(b *graphBuilder, session *pipeline.Session, earlier *pipeline.Record) *Outcome {
	out := &Outcome{Stages: session.Stages(), Failures: session.Failures()}
	out.Laps = Laps{Total: len(s.Laps), SetAside: session.SetAside()}
	if out.Laps.SetAside == nil {
		out.Laps.SetAside = []pipeline.SetAside{}
	}
	out.Laps.Warned = []Warned{}
	out.Laps.Used = out.Laps.Total - len(out.Laps.SetAside)
	attrs := []frame.Attr{frame.Text(attrSeason, s.Path)}
	for _, sp := range b.usable() {
		attrs = append(attrs, sp.origins(b.graph)...)
	}
	out.Record = session.Record(attrs, earlier)
	return out
}

// judge adds what the verdicts say of the laps: those set aside, and those with
// warnings, in driven order. What is not the base's verdict on the season's laps says so.
func (l *Laps) judge(ctx context.Context, s *Season, b *graphBuilder, session *pipeline.Session) error {
	reasons, warned, files := map[string]string{}, map[string][]string{}, map[string]string{}
	for _, lap := range s.Laps {
		files[lap.ID] = lap.File
	}
	for _, a := range l.SetAside {
		reasons[a.Lap] = a.Reason
	}
	for _, v := range b.verdicts {
		if st := session.State(v.task); !st.OK() {
			continue
		}
		aside, flags, err := readVerdicts(ctx, session, v.task)
		if err != nil {
			return fmt.Errorf("read verdicts: %w", err)
		}
		about := ""
		if v.use == useCalibration {
			about = "for the calibration: "
		}
		if v.scenario.Name != BaseScenario {
			about = fmt.Sprintf("in scenario %q: %s", v.scenario.Name, about)
		}
		for lap, why := range aside {
			reasons[lap] = cmp.Or(reasons[lap], fmt.Sprintf("%srecording %q: %s", about, files[lap], why))
		}
		for _, f := range flags {
			if f.Severity == aggregate.Warn && !slices.Contains(warned[f.Lap], f.Check) {
				warned[f.Lap] = append(warned[f.Lap], f.Check)
			}
		}
	}
	l.SetAside = []pipeline.SetAside{}
	for _, lap := range s.Laps {
		if why := reasons[lap.ID]; why != "" {
			l.SetAside = append(l.SetAside, pipeline.SetAside{Lap: lap.ID, Reason: why})
		} else if checks := warned[lap.ID]; len(checks) > 0 {
			l.Warned = append(l.Warned, Warned{lap.ID, checks})
		}
	}
	l.Used = l.Total - len(l.SetAside)
	return nil
}

func readVerdicts(ctx context.Context, session *pipeline.Session, task pipeline.TaskID) (map[string]string, []aggregate.Flag, error) {
	f, err := session.Frame(ctx, task, aggregate.AsideOutput)
	if err != nil {
		return nil, nil, err
	}
	aside, err := aggregate.Aside(f)
	if err != nil {
		return nil, nil, err
	}
	if f, err = session.Frame(ctx, task, aggregate.FlagsOutput); err != nil {
		return nil, nil, err
	}
	flags, err := aggregate.Flags(f)
	return aside, flags, err
}
