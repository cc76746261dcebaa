package cli

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"

	"lapwear/pipeline/season"
	"lapwear/stages/frame"
)

// damageText shows a damage, of which there may be no end.
func damageText(d number) string {
	if math.IsInf(float64(d), 1) {
		return "infinite"
	}
	return d.String()
}

// hardestShown is how many circuits the summary names.
const hardestShown = 3

// printSummary tells a person what the run found.
func (a *app) printSummary(s *season.Season, out string, o *season.Outcome, results []result) error {
	a.printLaps(s, o.Laps)
	if a.brief {
		return nil
	}
	fmt.Fprintln(a.out)
	if err := a.printResults(results); err != nil {
		return err
	}
	a.printRemarks(results)
	a.printAllowances(results)
	for _, h := range s.Hotspots {
		if err := a.printHardest(find(o.Tables, "circuits"), h.Name); err != nil {
			return err
		}
		if err := a.printPlaces(find(o.Tables, "places"), h.Name, baseDamage(results, h.Name)); err != nil {
			return err
		}
	}
	if find(o.Tables, "season") == nil {
		fmt.Fprintf(a.out, "\nThere is no account of the season: see the errors. The other tables are in %s\n%s\n", out, caution)
		return nil
	}
	fmt.Fprintf(a.out, "\nTables and report.html are in %s\n%s\n", out, caution)
	return nil
}

// printLaps tells what became of the laps.
func (a *app) printLaps(s *season.Season, l season.Laps) {
	fmt.Fprintf(a.out, "%s, season %s: %d of %s used", oneLine(s.Component), oneLine(s.Season), l.Used, plural(l.Total, "lap"))
	if n := len(l.SetAside); n > 0 {
		fmt.Fprintf(a.out, ", %d set aside", n)
	}
	if n := onlyCalibration(s, l); n > 0 {
		fmt.Fprintf(a.out, "; %d of them only to calibrate", n)
	}
	parts := map[string]bool{}
	for _, p := range l.InPart {
		parts[p.Lap] = true
	}
	if n := len(parts); n > 0 {
		fmt.Fprintf(a.out, "; %s set aside in part", plural(n, "lap"))
	}
	if n := effective(l.Accepted); n > 0 {
		fmt.Fprintf(a.out, "; %s accepted", plural(n, "finding"))
	}
	if n := len(l.NotCompared); n > 0 {
		fmt.Fprintf(a.out, "; level not compared in %s, since others like them are too few", plural(n, "lap"))
	}
	fmt.Fprintln(a.out)
}

func (a *app) printResults(results []result) error {
	w := a.columns()
	fmt.Fprintln(w, "scenario\thot spot\tmaterial\tseason damage\tlife, seasons\tlife factor\twanted\tstress reserve\tfails in time\tverdict")
	for _, r := range results {
		verdict := "ok"
		if !(r.LifeFactor >= r.TargetLifeFactor) {
			verdict = "too short"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%v\t%v\t%v\t%v\t%s\t%s\n", r.Scenario, r.Hotspot, r.Material, damageText(r.SeasonDamage),
			r.LifeSeasons, r.LifeFactor, r.TargetLifeFactor, reserveText(r), percent(float64(r.FailureProbability)), verdict)
	}
	return w.Flush()
}

// reserveText marks a reserve that ends at the ultimate stress.
func reserveText(r result) string {
	if r.ReserveLimit == "ultimate" {
		return r.StressReserve.String() + " to ultimate"
	}
	return r.StressReserve.String()
}

// printRemarks says which results are of a part that breaks at once, and repeats what is to be known of the gains that the results
// rest on: once for all scenarios that share it.
func (a *app) printRemarks(results []result) {
	var lines []string
	for _, r := range results {
		if n := int(r.LapsOverUltimate); n > 0 {
			lines = append(lines, fmt.Sprintf("%s, %s: the ultimate stress is reached in %s: a single such cycle breaks the part, whatever its life",
				r.Scenario, r.Hotspot, plural(n, "recorded lap")))
		}
		line := fmt.Sprintf("calibration of %s: %s", r.Hotspot, r.CalibrationRemark)
		if r.CalibrationRemark != "" && !slices.Contains(lines, line) {
			lines = append(lines, line)
		}
	}
	for i, line := range lines {
		if i == 0 {
			fmt.Fprintln(a.out)
		}
		fmt.Fprintln(a.out, oneLine(line))
	}
}

// onlyCalibration counts the used laps that do not count toward the season.
func onlyCalibration(s *season.Season, l season.Laps) int {
	n := 0
	for i := range s.Laps {
		lap := &s.Laps[i]
		aside := func(a season.Aside) bool { return a.Lap == lap.ID }
		if !lap.Counts() && !slices.ContainsFunc(l.SetAside, aside) {
			n++
		}
	}
	return n
}

// ranked is a circuit in order of what it costs.
type ranked struct {
	name                string
	share, lap, planned float64 // lap: damage of a lap, with its part of what happens between laps
	recorded, severity  int64   // severity: the table's rank; 0 where nothing is recorded
}

// baseDamage is the damage of the season at a hot spot in the base scenario, NaN where there is none.
func baseDamage(results []result, hotspot string) float64 {
	for _, r := range results {
		if r.Scenario == season.BaseScenario && r.Hotspot == hotspot {
			return float64(r.SeasonDamage)
		}
	}
	return math.NaN()
}

// printHardest names the circuits that cost a hot spot most in the base scenario.
func (a *app) printHardest(circuits *frame.Frame, hotspot string) error {
	rows, err := rankCircuits(circuits, hotspot)
	if err != nil || len(rows) == 0 {
		return err
	}
	fmt.Fprintf(a.out, "\nHardest circuits for %s (base), by damage of a lap:\n", hotspot)
	w := a.columns()
	for _, r := range rows[:min(hardestShown, len(rows))] {
		rank := "-"
		if r.severity > 0 {
			rank = fmt.Sprint(r.severity)
		}
		fmt.Fprintf(w, "  %s\t%s\t%v a lap\t%s of the season\t%v planned, %d recorded\n",
			rank, oneLine(r.name), number(r.lap), percent(r.share), r.planned, r.recorded)
	}
	return w.Flush()
}

func rankCircuits(f *frame.Frame, hotspot string) ([]ranked, error) {
	if f == nil {
		return nil, nil
	}
	text := map[string][]string{}
	num := map[string][]float64{}
	for _, n := range []string{"circuit", "hotspot", "scenario"} {
		v, err := frame.Get[[]string](f, n)
		if err != nil {
			return nil, err
		}
		text[n] = v
	}
	for _, n := range []string{"share", "damage_per_lap_mean", "between_laps_damage_per_lap", "laps_planned"} {
		v, err := frame.Get[[]float64](f, n)
		if err != nil {
			return nil, err
		}
		num[n] = v
	}
	recorded, errRecorded := frame.Get[[]int64](f, "laps_recorded")
	severity, errSeverity := frame.Get[[]int64](f, "severity")
	if err := errors.Join(errRecorded, errSeverity); err != nil {
		return nil, err
	}
	var rows []ranked
	for i := range f.Rows() {
		if text["scenario"][i] == "base" && text["hotspot"][i] == hotspot {
			lap := num["damage_per_lap_mean"][i] + num["between_laps_damage_per_lap"][i]
			rows = append(rows, ranked{text["circuit"][i], num["share"][i], lap, num["laps_planned"][i], recorded[i], severity[i]})
		}
	}
	sort.SliceStable(rows, func(i, j int) bool { return rows[i].lap > rows[j].lap })
	return rows, nil
}
