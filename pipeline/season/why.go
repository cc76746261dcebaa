package season

import (
	"fmt"
	"strings"

	"lapwear/pipeline"
	"lapwear/stages/frame"
)

// origins notes, for a hot spot under a scenario, which tasks its rows come from:
// its account, and the damage tasks of its laps in driven order. Scenarios that
// change nothing for a hot spot share the base's tasks.
func (sp *spot) origins(g *pipeline.Graph) []frame.Attr {
	label := sp.scenario.Name + "/" + sp.Name
	var out []frame.Attr
	if sp.fitted {
		out = append(out, frame.Text("calibration "+label, g.Task(sp.evidence).Name))
	}
	if sp.channel == "" {
		return out
	}
	names := make([]string, len(sp.damages))
	for i, d := range sp.damages {
		names[i] = g.Task(d).Name
	}
	out = append(out, frame.Text("laps "+label, strings.Join(names, "\n")))
	if len(sp.damages) > 0 {
		out = append(out, frame.Text("account "+label, g.Task(sp.account).Name))
	}
	return out
}

// Origin names the tasks that a row of a table comes from: the first made the row,
// the others are what it sums up.
func Origin(r *pipeline.Record, table string, row map[string]string) ([]string, error) {
	attr := func(name string) (string, bool) {
		for _, a := range r.Attrs {
			if a.Name == name {
				return a.Text, true
			}
		}
		return "", false
	}
	label := row["scenario"] + "/" + row["hotspot"]
	laps, _ := attr("laps " + label)
	switch table {
	case "laps":
		for name := range strings.SplitSeq(laps, "\n") {
			if t, ok := r.Task(name); ok && t.Lap == row["lap_id"] {
				return []string{name}, nil
			}
		}
	case "circuits", "season", "places":
		if account, ok := attr("account " + label); ok {
			return append([]string{account}, strings.Split(laps, "\n")...), nil
		}
	case "calibration":
		name, fitted := attr("calibration " + label)
		if !fitted {
			name = "table calibration"
		}
		if _, ok := r.Task(name); ok {
			return []string{name}, nil
		}
	case "quality":
		for i := range r.Tasks {
			if t := &r.Tasks[i]; t.Stage == "ingest" && t.Lap == row["lap_id"] {
				return []string{t.Name}, nil
			}
		}
	default:
		name := "table " + table
		if _, ok := r.Task(name); ok && strings.HasPrefix(table, "compare_") {
			return append([]string{name}, strings.Split(laps, "\n")...), nil
		}
		return nil, fmt.Errorf("trace table %q: there is no such table; there are laps, circuits, places, season, calibration, quality, compare_rider and its kin", table)
	}
	return nil, fmt.Errorf("trace table %q: the last run made no such row; run again", table)
}
