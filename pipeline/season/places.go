package season

import (
	"lapwear/pipeline"
	"lapwear/stages/aggregate"
	"lapwear/stages/count"
	"lapwear/stages/damage"
	"lapwear/stages/ingest"
)

// distance returns the channel that holds the distance into the lap.
func (s *Season) distance() (Channel, bool) {
	for _, c := range s.Channels {
		if c.Role == RoleDistance {
			return c, true
		}
	}
	return Channel{}, false
}

// position is what a lap's reader reads of the distance: nothing for laps that only calibrate.
func (s *Season) position(l *Lap) ingest.Channel {
	c, ok := s.distance()
	if !ok || !l.Counts() {
		return ingest.Channel{}
	}
	return ingest.Channel{Name: c.Name, Column: c.Column, Unit: c.Unit}
}

// countStage is what counts a lap's cycles.
func (s *Season) countStage() count.Params {
	p := count.Params{Gate: s.Signal.Gate, BandHigh: s.Signal.BandHigh}
	if c, ok := s.distance(); ok {
		u := newUnits()
		if length, err := u.named(c.Unit, length); err == nil {
			p.Metres = length.mul / length.div
		}
	}
	return p
}

// positionRef is the input of a count that says where the lap's samples were taken.
func (b *graphBuilder) positionRef(sc *Scenario, l *Lap, own, shared []string) []pipeline.Ref {
	c, ok := sc.Season.distance()
	if !ok {
		return nil
	}
	return []pipeline.Ref{{Label: count.Position, Task: b.ingest(sc, l, own, shared), Output: c.Name, Optional: true}}
}

// along is what the season's places are counted along.
func (s *Season) along() string {
	if _, ok := s.distance(); ok {
		return damage.AlongDistance
	}
	return damage.AlongTime
}

// placesRef is the input of a damage that says where the lap's cycles were.
func placesRef(s *Season, counted pipeline.TaskID) []pipeline.Ref {
	if s.along() != damage.AlongDistance {
		return nil
	}
	return []pipeline.Ref{{Label: damage.PlacesInput, Task: counted, Output: count.Places, Optional: true}}
}

// placesTable adds the table places.
func (b *graphBuilder) placesTable() tableTask {
	var t aggregate.PlacesTable
	var parts []pipeline.Ref
	for n, sp := range b.usable() {
		t.Spots = append(t.Spots, aggregate.PlacedSpot{Scenario: sp.scenario.Name, Hotspot: sp.Name, Along: sp.scenario.Season.along()})
		p := aggregate.Places{Scenario: sp.scenario.Name, Hotspot: sp.Name, Laps: b.drawnLaps(sp.scenario.Season).placed}
		in := []pipeline.Ref{
			{Label: aggregate.BetweenOutput, Task: sp.account, Output: aggregate.BetweenOutput},
			{Label: aggregate.PointsOutput, Task: sp.account, Output: aggregate.PointsOutput},
			{Label: aggregate.CircuitsOutput, Task: sp.account, Output: aggregate.CircuitsOutput}}
		in = append(in, b.figuresRefs(sp, aggregate.PlacesOutput)...)
		part := b.graph.Add(pipeline.Task{Name: "places " + sp.Name + " " + sp.scenario.Name, Stage: p, Inputs: in})
		for _, output := range []string{aggregate.CircuitsOutput, aggregate.PlacesOutput} {
			parts = append(parts, pipeline.Ref{Label: aggregate.FiguresPart(output, n), Task: part, Output: output, Optional: true})
		}
	}
	return tableTask{"places", b.graph.Add(pipeline.Task{Name: "table places", Stage: t, Inputs: parts, Wanted: true})}
}
