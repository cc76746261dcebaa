package cli

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"lapwear/pipeline/season"
	"lapwear/stages/frame"
)

// placesShown is how many places the summary names.
const placesShown = 3

// rankedPlace is one of the places that cost most.
type rankedPlace struct {
	circuit, along string
	from, to       float64
	rank           int64
	damage         float64 // of the season
}

// printPlaces names the places that cost a hot spot most in the base scenario, of which total is the damage of the season.
func (a *app) printPlaces(places *frame.Frame, hotspot string, total float64) error {
	rows, err := rankPlaces(places, hotspot)
	if err != nil || len(rows) == 0 {
		return err
	}
	fmt.Fprintf(a.out, "\nPlaces that cost %s most (base); the table places has ten:\n", hotspot)
	w := a.columns()
	for _, r := range rows[:min(placesShown, len(rows))] {
		unit := "m"
		if r.along == "time" {
			unit = "s into the lap"
		}
		fmt.Fprintf(w, "  %d\t%s\t%v to %v %s\t%s of the season\n", r.rank, oneLine(r.circuit), r.from, r.to, unit, percent(r.damage/total))
	}
	return w.Flush()
}

// rankPlaces reads a hot spot's ranked places in the base scenario, the costliest first.
func rankPlaces(f *frame.Frame, hotspot string) ([]rankedPlace, error) {
	if f == nil {
		return nil, nil
	}
	var failed error
	text := func(name string) []string {
		v, err := frame.Get[[]string](f, name)
		failed = errors.Join(failed, err)
		return v
	}
	number := func(name string) []float64 {
		v, err := frame.Get[[]float64](f, name)
		failed = errors.Join(failed, err)
		return v
	}
	circuits, hotspots, scenarios, along := text("circuit"), text("hotspot"), text("scenario"), text("along")
	fromM, toM, fromS, toS, damage := number("from_m"), number("to_m"), number("from_s"), number("to_s"), number("season_damage")
	ranks, err := frame.Get[[]int64](f, "rank")
	if failed = errors.Join(failed, err); failed != nil {
		return nil, failed
	}
	var rows []rankedPlace
	for i, rank := range ranks {
		if rank == 0 || hotspots[i] != hotspot || scenarios[i] != season.BaseScenario {
			continue
		}
		r := rankedPlace{circuits[i], along[i], fromM[i], toM[i], rank, damage[i]}
		if math.IsNaN(r.from) {
			r.from, r.to = fromS[i], toS[i]
		}
		rows = append(rows, r)
	}
	slices.SortFunc(rows, func(x, y rankedPlace) int { return int(x.rank - y.rank) })
	return rows, nil
}
