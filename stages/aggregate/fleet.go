package aggregate

import (
	"fmt"
	"math"

	"lapwear/stages/frame"
)

// FleetTable is the name of the table that sums up several seasons.
const FleetTable = "fleet"

// FleetSeason is a season of a component, with its tables laps and season.
type FleetSeason struct {
	Component, Season string
	Laps, Account     *frame.Frame
}

// fleetRow is what a hot spot of a component has borne on a bike in a season.
type fleetRow struct {
	component, season, bike, hotspot, material string
	laps, unknown                              int64
	km, damage, toDate                         float64
	seasonDamage, factor, target               float64
}

// SumFleet lays out a table over several seasons: a row a component, season, bike and hot
// spot of the base scenario, in the order given and then in driven order. Damage is what the recorded laps
// did, that between laps included; damage_to_date adds up the same component, bike and hot
// spot over the seasons so far, in the order given. Laps that only calibrate do not count.
//
// Not guaranteed: that a component of one name is one part. Who exchanges it gives it another name.
func SumFleet(seasons []FleetSeason) (*frame.Frame, error) {
	var rows []fleetRow
	toDate := map[[3]string]float64{}
	for _, s := range seasons {
		added, err := s.rows()
		if err != nil {
			return nil, fmt.Errorf("sum up season %q of %q: %w", s.Season, s.Component, err)
		}
		for i := range added {
			r := &added[i]
			same := [3]string{r.component, r.bike, r.hotspot}
			toDate[same] += r.damage
			r.toDate = toDate[same]
		}
		rows = append(rows, added...)
	}
	return fleetFrame(rows), nil
}

// fleetLap is what the table needs of a row of the table laps.
type fleetLap struct {
	scenario, hotspot, material, bike, use string
	damage, between, perKm, km             float64
}

func (s *FleetSeason) rows() ([]fleetRow, error) {
	laps := make([]fleetLap, s.Laps.Rows())
	texts := map[string]func(l *fleetLap, v string){
		"scenario": func(l *fleetLap, v string) { l.scenario = v }, "hotspot": func(l *fleetLap, v string) { l.hotspot = v },
		"material": func(l *fleetLap, v string) { l.material = v }, "bike": func(l *fleetLap, v string) { l.bike = v },
		"use": func(l *fleetLap, v string) { l.use = v }}
	for name, set := range texts {
		if err := take(s.Laps, name, laps, frame.Get[[]string], set); err != nil {
			return nil, err
		}
	}
	numbers := map[string]func(l *fleetLap, v float64){
		"damage": func(l *fleetLap, v float64) { l.damage = v }, "between_laps_damage": func(l *fleetLap, v float64) { l.between = v },
		"damage_per_km": func(l *fleetLap, v float64) { l.perKm = v }, "distance_km": func(l *fleetLap, v float64) { l.km = v }}
	for name, set := range numbers {
		if err := take(s.Laps, name, laps, frame.Get[[]float64], set); err != nil {
			return nil, err
		}
	}
	var rows []fleetRow
	at := map[[2]string]int{}
	for i := range laps {
		l := &laps[i]
		if l.scenario != "base" || l.use == "calibration" {
			continue
		}
		k, ok := at[[2]string{l.bike, l.hotspot}]
		if !ok {
			k = len(rows)
			at[[2]string{l.bike, l.hotspot}] = k
			nan := math.NaN()
			rows = append(rows, fleetRow{component: s.Component, season: s.Season, bike: l.bike, hotspot: l.hotspot, material: l.material,
				seasonDamage: nan, factor: nan, target: nan})
		}
		rows[k].add(l)
	}
	return rows, s.addAccount(rows)
}

// add counts a lap. Where the manifest has no distance, that of the calendar stands behind the
// damage per km.
func (r *fleetRow) add(l *fleetLap) {
	r.laps++
	r.damage += l.damage
	if !math.IsNaN(l.between) {
		r.damage += l.between
	}
	km := l.km
	if math.IsNaN(km) {
		km = l.damage / l.perKm
	}
	if math.IsNaN(km) || math.IsInf(km, 0) {
		r.unknown++
		return
	}
	r.km += km
}

// addAccount adds what the season's account says of the rows' hot spots.
func (s *FleetSeason) addAccount(rows []fleetRow) error {
	if s.Account == nil {
		return nil
	}
	scenario, err := frame.Get[[]string](s.Account, "scenario")
	if err != nil {
		return err
	}
	hotspot, err := frame.Get[[]string](s.Account, "hotspot")
	if err != nil {
		return err
	}
	for name, set := range map[string]func(r *fleetRow, v float64){
		"season_damage":      func(r *fleetRow, v float64) { r.seasonDamage = v },
		"life_factor":        func(r *fleetRow, v float64) { r.factor = v },
		"target_life_factor": func(r *fleetRow, v float64) { r.target = v }} {
		values, err := frame.Get[[]float64](s.Account, name)
		if err != nil {
			return err
		}
		for i, v := range values {
			for k := range rows {
				if scenario[i] == "base" && rows[k].hotspot == hotspot[i] {
					set(&rows[k], v)
				}
			}
		}
	}
	return nil
}

func fleetFrame(rows []fleetRow) *frame.Frame {
	t := layout[fleetRow]{rows: rows}
	t.text("component", func(r *fleetRow) string { return r.component })
	t.text("season", func(r *fleetRow) string { return r.season })
	t.text("bike", func(r *fleetRow) string { return r.bike })
	t.text("hotspot", func(r *fleetRow) string { return r.hotspot })
	t.text("material", func(r *fleetRow) string { return r.material })
	t.count("laps", func(r *fleetRow) int64 { return r.laps })
	t.count("laps_without_distance", func(r *fleetRow) int64 { return r.unknown })
	t.number("km", "km", func(r *fleetRow) float64 { return r.km })
	t.number("damage", "", func(r *fleetRow) float64 { return r.damage })
	t.number("damage_to_date", "", func(r *fleetRow) float64 { return r.toDate })
	t.number("season_damage", "", func(r *fleetRow) float64 { return r.seasonDamage })
	t.number("life_factor", "", func(r *fleetRow) float64 { return r.factor })
	t.number("target_life_factor", "", func(r *fleetRow) float64 { return r.target })
	return t.frame()
}
