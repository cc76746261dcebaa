package season

import (
	"context"
	"fmt"

	"lapwear/pipeline"
	"lapwear/stages/aggregate"
	"lapwear/stages/calibrate"
	"lapwear/stages/frame"
)

// Evidence is what a calibration's figures are drawn from. Scenarios that calibrate as
// the base does have none of their own.
type Evidence struct {
	Scenario, Hotspot string

	Overlay, Scatter, Response, Residuals, PerLap *frame.Frame
}

// evidence reads that of all calibrations that found anything.
func (b *graphBuilder) evidence(ctx context.Context, session *pipeline.Session) ([]Evidence, error) {
	var out []Evidence
	seen := map[pipeline.TaskID]bool{}
	for _, sp := range b.spots {
		if !sp.fitted || seen[sp.evidence] {
			continue
		}
		if st := session.State(sp.evidence); !st.OK() {
			continue
		}
		seen[sp.evidence] = true
		e := Evidence{Scenario: sp.scenario.Name, Hotspot: sp.Name}
		for _, o := range []struct {
			name string
			to   **frame.Frame
		}{{calibrate.Overlay, &e.Overlay}, {calibrate.Scatter, &e.Scatter}, {calibrate.Response, &e.Response}, {calibrate.Residuals, &e.Residuals},
			{calibrate.PerLap, &e.PerLap}} {
			f, err := session.Frame(ctx, sp.evidence, o.name)
			if err != nil {
				return nil, fmt.Errorf("read %s of hot spot %q: %w", o.name, sp.Name, err)
			}
			*o.to = f
		}
		out = append(out, e)
	}
	return out, nil
}

// Calibrate brings the calibrations up to date and no account: its outcome has the table
// calibration alone. Season laps are read as far as calibration laps are compared with
// them, so that it finds what a run would.
func (s *Season) Calibrate(ctx context.Context, o pipeline.Options) (*Outcome, error) {
	b := newGraphBuilder(s.Scenarios(), fileSize)
	session := pipeline.NewSession(b.graph, o)
	err := b.settle(sessionResolver(ctx, session))
	quality, calibration := b.qualityTable(), b.calibrationTable()
	if err == nil {
		err = session.Run(ctx)
	}
	out := s.outcome(b, session, nil)
	if err != nil {
		return out, err
	}
	if out.Tables, err = finished(ctx, session, []tableTask{calibration, quality}); err != nil {
		return out, err
	}
	if out.Laps, err = s.judged(ctx, b, session, tableOf(out.Tables, quality.name)); err != nil {
		return out, err
	}
	out.Tables = without(out.Tables, quality.name)
	out.Evidence, err = b.evidence(ctx, session)
	return out, err
}

func without(tables []Table, name string) []Table {
	var out []Table
	for _, t := range tables {
		if t.Name != name {
			out = append(out, t)
		}
	}
	return out
}

// finished reads the tables that could be made.
func finished(ctx context.Context, session *pipeline.Session, tasks []tableTask) ([]Table, error) {
	var out []Table
	for _, t := range tasks {
		st := session.State(t.task)
		if !st.OK() {
			continue
		}
		f, err := session.Frame(ctx, t.task, aggregate.Output)
		if err != nil {
			return out, fmt.Errorf("read table %s: %w", t.name, err)
		}
		out = append(out, Table{t.name, f, st.Outputs[0].ID})
	}
	return out, nil
}
