package season

import (
	"slices"

	"lapwear/pipeline"
	"lapwear/stages/aggregate"
)

// comparisons adds the tables that compare laps by each factor of which the manifest
// names two levels or more.
func (b *graphBuilder) comparisons(laps []pipeline.Ref) []tableTask {
	var out []tableTask
	for _, factor := range aggregate.Factors() {
		if !slices.ContainsFunc(b.scenarios, func(sc Scenario) bool { return len(sc.Season.Levels(factor)) > 1 }) {
			continue
		}
		name := aggregate.CompareTable(factor)
		out = append(out, tableTask{name, b.graph.Add(pipeline.Task{
			Name: "table " + name, Stage: aggregate.Compare{Factor: factor}, Inputs: laps, Wanted: true})})
	}
	return out
}

// Levels lists what the manifest names for a factor (rider, bike, setup or session) of the laps that
// count toward the season, in driven order.
func (s *Season) Levels(factor string) []string {
	var out []string
	for _, l := range s.seasonLaps() {
		level := map[string]string{"rider": l.Rider, "bike": l.Bike, "setup": l.Setup, "session": l.Session}[factor]
		if level != "" && !slices.Contains(out, level) {
			out = append(out, level)
		}
	}
	return out
}
