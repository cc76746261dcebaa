package aggregate

import (
	"fmt"
	"math"
	"slices"

	"lapwear/stages/frame"
)

// FleetTable is the name of the table that sums up several seasons.
const FleetTable = "fleet"

// FleetSeason is a season of a component, with its tables laps and season; one that failed
// has no laps and says why.
type FleetSeason struct {
	Component, Season string // "" = not known

	Failed        string // why there is no result; "" = there is one
	Hotspots      []string
	SetAside      []string // the bikes of the laps that should count and are set aside, a lap once
	Laps, Account *frame.Frame
}

// fleetRow is what a hot spot of a component has borne on a bike in a season.
type fleetRow struct {
	component, season, bike, hotspot, material string
	laps, unknown, aside                       int64
	km, damage, toDate                         float64
	seasonDamage, factor, target               float64
	remark                                     string
}

// SumFleet lays out a table over several seasons: a row a component, season, bike and hot
// spot of the base scenario, in the order given and then in driven order. Damage is what the recorded laps
// did, that between laps included; damage_to_date adds up the same component, bike and hot
// spot over the seasons so far, in the order given. Laps that only calibrate do not count.
//
// A season, or a hot spot, without a result has a row without damage, and from there on the
// damage to date is not known. Laps set aside wore the part too; they are counted beside it.
//
// Not guaranteed: that a component of one name is one part. Who exchanges it gives it another name.
func SumFleet(seasons []FleetSeason) (*frame.Frame, error) {
	var rows []fleetRow
	d := toDate{sum: map[[3]string]float64{}}
	for _, s := range seasons {
		added, err := s.rows()
		if err != nil {
			return nil, fmt.Errorf("sum up season %q of %q: %w", s.Season, s.Component, err)
		}
		for i := range added {
			r := &added[i]
			if slices.ContainsFunc(rows, r.sameRow) {
				r.remark = "another season file has this row too; a lap that both count is in damage_to_date twice"
			}
			r.toDate = d.add(r)
		}
		rows = append(rows, added...)
	}
	return fleetFrame(rows), nil
}

// sameRow tells whether another row has the same names and a damage.
func (r *fleetRow) sameRow(x fleetRow) bool {
	return r.component == x.component && r.season == x.season && r.bike == x.bike && r.hotspot == x.hotspot && r.laps > 0 && x.laps > 0
}

// toDate adds up damage over the seasons.
type toDate struct {
	sum  map[[3]string]float64 // by component, bike and hot spot
	lost []*fleetRow           // rows without a result
}

// add counts a row and returns the damage to date, NaN once a result is missing.
func (d *toDate) add(r *fleetRow) float64 {
	if math.IsNaN(r.damage) {
		d.lost = append(d.lost, r)
		return math.NaN()
	}
	for _, l := range d.lost {
		if (l.component == "" || l.component == r.component) && (l.hotspot == "" || l.hotspot == r.hotspot) {
			return math.NaN()
		}
	}
	same := [3]string{r.component, r.bike, r.hotspot}
	d.sum[same] += r.damage
	return d.sum[same]
}

// fleetLap is what the table needs of a row of the table laps.
type fleetLap struct {
	scenario, hotspot, material, bike, use string
	damage, between, perKm, km             float64
}

func (s *FleetSeason) rows() ([]fleetRow, error) {
	var rows []fleetRow
	if s.Laps != nil {
		laps, err := s.readLaps()
		if err != nil {
			return nil, err
		}
		for i := range laps {
			if l := &laps[i]; l.scenario == "base" && l.use != "calibration" {
				k := s.place(&rows, l.bike, l.hotspot)
				rows[k].material = l.material
				rows[k].add(l)
			}
		}
	}
	for _, h := range s.Hotspots {
		if !slices.ContainsFunc(rows, func(r fleetRow) bool { return r.hotspot == h }) {
			rows = append(rows, s.without(h))
			continue
		}
		for _, bike := range s.SetAside {
			rows[s.place(&rows, bike, h)].aside++
		}
	}
	if len(rows) == 0 {
		rows = append(rows, s.without(""))
	}
	return rows, s.addAccount(rows)
}

// place returns the index of a bike's and hot spot's row, which it appends if need be.
func (s *FleetSeason) place(rows *[]fleetRow, bike, hotspot string) int {
	i := slices.IndexFunc(*rows, func(r fleetRow) bool { return r.bike == bike && r.hotspot == hotspot })
	if i >= 0 {
		return i
	}
	nan := math.NaN()
	*rows = append(*rows, fleetRow{component: s.Component, season: s.Season, bike: bike, hotspot: hotspot, seasonDamage: nan, factor: nan, target: nan})
	return len(*rows) - 1
}

// without is the row of what has no result.
func (s *FleetSeason) without(hotspot string) fleetRow {
	nan := math.NaN()
	r := fleetRow{component: s.Component, season: s.Season, hotspot: hotspot, aside: int64(len(s.SetAside)), remark: s.Failed,
		km: nan, damage: nan, seasonDamage: nan, factor: nan, target: nan}
	if r.remark == "" {
		r.remark = "no usable lap"
	}
	return r
}

func (s *FleetSeason) readLaps() ([]fleetLap, error) {
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
	return laps, nil
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
	t.count("laps_set_aside", func(r *fleetRow) int64 { return r.aside })
	t.text("remark", func(r *fleetRow) string { return r.remark })
	return t.frame()
}
