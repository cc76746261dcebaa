package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"lapwear/pipeline/season"
	"lapwear/stages/aggregate"
	"lapwear/stages/frame"
)

// compareOptions are what compare shows.
type compareOptions struct {
	by, hotspot, scenario, reference string
}

func (a *app) compare() *cobra.Command {
	var o runOptions
	var co compareOptions
	factors := strings.Join(aggregate.Factors(), ", ")
	c := &cobra.Command{
		Use:   "compare SEASON.yaml --by FACTOR",
		Short: "Compare riders, bikes, setups or sessions by damage per km",
		Long: `Brings the season up to date and shows by which ratio the damage a kilometre of each
rider (bike, setup, session) departs from their mean, or from --reference, with circuits
accounted for, its 95 % interval, and what cannot be told apart. The table compare_FACTOR
in the output folder has all hot spots and scenarios, against the mean.`,
		Example: "  lapwear compare season.yaml --by rider\n  lapwear compare season.yaml --by setup --hotspot weld_toe --reference firm --json",
		Args:    cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if !slices.Contains(aggregate.Factors(), co.by) {
				return usagef("--by %q: want one of %s", co.by, factors)
			}
			return a.compareSeason(c.Context(), args[0], o, co)
		},
	}
	f := c.Flags()
	f.StringVar(&co.by, "by", "", "what to compare: "+factors)
	f.StringVar(&co.hotspot, "hotspot", "", "one hot spot (default: all)")
	f.StringVar(&co.scenario, "scenario", season.BaseScenario, "the scenario")
	f.StringVar(&co.reference, "reference", "", "compare with this one (default: with the mean of all)")
	f.StringVar(&o.out, "out", "", "folder for the tables (default: out, beside the season file)")
	cacheFlag(c, &o.cache)
	remoteFlags(c, &o.remote)
	f.IntVar(&o.jobs, "jobs", 0, "laps worked on at once (default: one a processor)")
	f.StringArrayVar(&o.set, "set", nil, "replace a value of the season file, as in hotspots.toe.stress_factor=0.93")
	waitFlag(c, &o.wait)
	o.memory = 1024
	return c
}

// compareSeason brings a season up to date and compares; what the season has not is refused
// before anything is computed.
func (a *app) compareSeason(ctx context.Context, path string, o runOptions, co compareOptions) error {
	s, faults := season.Load(path, season.LoadOptions{Set: o.set})
	if len(faults) > 0 {
		return faults
	}
	if err := co.check(s, s.Levels(co.by)); err != nil {
		return err
	}
	return a.runAndShow(ctx, path, o, func(_ *season.Season, _ string, out *season.Outcome) error {
		return a.showCompared(s, out, co)
	})
}

// comparedJSON is the object that compare --json prints.
type comparedJSON struct {
	Season   string         `json:"season"`
	By       string         `json:"by"`
	Scenario string         `json:"scenario"`
	Against  string         `json:"against"`
	Method   []string       `json:"method"`
	Rows     []compared     `json:"rows"`
	SetAside []season.Aside `json:"set_aside"`
}

// compared is a row of a table that compares, as compare shows it.
type compared struct {
	Level     string `json:"level"`
	Hotspot   string `json:"hotspot"`
	Laps      int64  `json:"laps"`
	LeftOut   int64  `json:"laps_left_out"`
	Undamaged int64  `json:"laps_without_damage"`
	Circuits  int64  `json:"circuits"`
	Km        number `json:"km"`
	PerKm     number `json:"damage_per_km_mean"`
	PerLap    number `json:"damage_per_lap_mean"`
	Ratio     number `json:"ratio"`
	Low       number `json:"ratio_low"`
	High      number `json:"ratio_high"`
	P         number `json:"p_value"`
	Holm      number `json:"p_holm"`
	Freedom   number `json:"degrees_of_freedom"`
	Group     int64  `json:"comparable_group"`
	Per       string `json:"per"`
	Note      string `json:"note"`
	Against   string `json:"against"`
	from      string // scenario
}

func (a *app) showCompared(s *season.Season, o *season.Outcome, co compareOptions) error {
	f, err := co.table(o.Tables)
	if err != nil {
		return err
	}
	if f == nil {
		return errors.Join(fmt.Errorf("compare by %s: there are no laps to compare", co.by), failuresError(o.Failures))
	}
	rows, err := readCompared(f, co.by)
	if err != nil {
		return err
	}
	rows = slices.DeleteFunc(rows, func(r compared) bool {
		return r.from != co.scenario || co.hotspot != "" && r.Hotspot != co.hotspot
	})
	if len(rows) == 0 {
		return errors.Join(fmt.Errorf("compare by %s: no lap of scenario %q is usable", co.by, co.scenario), failuresError(o.Failures))
	}
	if a.json {
		j := comparedJSON{Season: s.Season, By: co.by, Scenario: co.scenario, Against: rows[0].Against,
			Method: methodLines(co.by), Rows: rows, SetAside: o.Laps.AsideIn(co.scenario)}
		err = a.printJSON(j)
	} else {
		err = a.printCompared(rows, co)
	}
	switch {
	case err != nil:
		return err
	case len(o.Failures) > 0:
		return failuresError(o.Failures)
	case len(o.Laps.AsideIn(co.scenario)) > 0:
		if !a.quiet {
			fmt.Fprintf(a.err, "%s set aside; see the table quality\n", plural(len(o.Laps.AsideIn(co.scenario)), "lap"))
		}
		return errSetAside
	}
	return nil
}

// check refuses names that the season does not have.
func (co compareOptions) check(s *season.Season, levels []string) error {
	var hotspots, scenarios []string
	for _, h := range s.Hotspots {
		hotspots = append(hotspots, h.Name)
	}
	for _, sc := range s.Scenarios() {
		scenarios = append(scenarios, sc.Name)
	}
	for _, name := range []struct {
		option, value string
		known         []string
	}{{"hotspot", co.hotspot, hotspots}, {"scenario", co.scenario, scenarios}, {"reference", co.reference, levels}} {
		if name.value != "" && !slices.Contains(name.known, name.value) {
			return usagef("--%s %q: the season has %s", name.option, name.value, strings.Join(name.known, ", "))
		}
	}
	switch len(levels) {
	case 0:
		return fmt.Errorf("compare by %s: the manifest names none; fill its column %q", co.by, co.by)
	case 1:
		return fmt.Errorf("compare by %s: all laps that count are of %q; there is nothing to compare it with", co.by, levels[0])
	}
	return nil
}

// table returns the comparison against the mean as it was written, another against
// a reference.
func (co compareOptions) table(tables []season.Table) (*frame.Frame, error) {
	if co.reference == "" {
		return find(tables, aggregate.CompareTable(co.by)), nil
	}
	laps := find(tables, "laps")
	if laps == nil {
		return nil, nil
	}
	return aggregate.Compare{Factor: co.by, Reference: co.reference}.Table(laps)
}

// readCompared reads the rows of a table that compares.
func readCompared(f *frame.Frame, by string) ([]compared, error) {
	rows := make([]compared, f.Rows())
	var failed error
	text := func(name string, at func(r *compared) *string) {
		v, err := frame.Get[[]string](f, name)
		failed = errors.Join(failed, err)
		for i := range v {
			*at(&rows[i]) = v[i]
		}
	}
	num := func(name string, at func(r *compared) *number) {
		v, err := frame.Get[[]float64](f, name)
		failed = errors.Join(failed, err)
		for i := range v {
			*at(&rows[i]) = number(v[i])
		}
	}
	count := func(name string, at func(r *compared) *int64) {
		v, err := frame.Get[[]int64](f, name)
		failed = errors.Join(failed, err)
		for i := range v {
			*at(&rows[i]) = v[i]
		}
	}
	text(by, func(r *compared) *string { return &r.Level })
	text("scenario", func(r *compared) *string { return &r.from })
	text("hotspot", func(r *compared) *string { return &r.Hotspot })
	text("against", func(r *compared) *string { return &r.Against })
	text("per", func(r *compared) *string { return &r.Per })
	text("note", func(r *compared) *string { return &r.Note })
	count("laps", func(r *compared) *int64 { return &r.Laps })
	count("laps_left_out", func(r *compared) *int64 { return &r.LeftOut })
	count("laps_without_damage", func(r *compared) *int64 { return &r.Undamaged })
	count("circuits", func(r *compared) *int64 { return &r.Circuits })
	count("comparable_group", func(r *compared) *int64 { return &r.Group })
	num("km", func(r *compared) *number { return &r.Km })
	num("damage_per_km_mean", func(r *compared) *number { return &r.PerKm })
	num("damage_per_lap_mean", func(r *compared) *number { return &r.PerLap })
	num("ratio", func(r *compared) *number { return &r.Ratio })
	num("ratio_low", func(r *compared) *number { return &r.Low })
	num("ratio_high", func(r *compared) *number { return &r.High })
	num("p_value", func(r *compared) *number { return &r.P })
	num("p_holm", func(r *compared) *number { return &r.Holm })
	num("degrees_of_freedom", func(r *compared) *number { return &r.Freedom })
	return rows, failed
}

// printCompared tells a person what was found, hot spot by hot spot.
func (a *app) printCompared(rows []compared, co compareOptions) error {
	for len(rows) > 0 {
		n := slices.IndexFunc(rows, func(r compared) bool { return r.Hotspot != rows[0].Hotspot })
		if n < 0 {
			n = len(rows)
		}
		if err := a.printHotspot(rows[:n], co); err != nil {
			return err
		}
		rows = rows[n:]
	}
	for _, line := range methodLines(co.by) {
		fmt.Fprintln(a.out, line)
	}
	_, err := fmt.Fprintf(a.out, "\n%s\n", caution)
	return err
}

// printHotspot prints the levels of a hot spot, those that can be compared together.
func (a *app) printHotspot(rows []compared, co compareOptions) error {
	first := rows[0]
	fmt.Fprintf(a.out, "%s (%s): damage a %s by %s, against %s\n", first.Hotspot, co.scenario, first.Per, co.by, oneLine(first.Against))
	for len(rows) > 0 {
		group := rows[0].Group
		if group != first.Group && group != 0 {
			fmt.Fprintf(a.out, "\n  Not comparable with those above: they share no circuit. Against %s\n", oneLine(rows[0].Against))
		}
		var block, rest []compared
		for _, r := range rows {
			if r.Group == group || r.Group == 0 && group == first.Group {
				block = append(block, r)
			} else {
				rest = append(rest, r)
			}
		}
		if err := a.printGroup(block, co); err != nil {
			return err
		}
		rows = rest
	}
	_, err := io.WriteString(a.out, "\n")
	return err
}

func (a *app) printGroup(rows []compared, co compareOptions) error {
	w := a.columns()
	fmt.Fprintf(w, "  %s\tlaps\tcircuits\tmean a %s\tratio\t95 %% interval\tp\tp, Holm\n", co.by, rows[0].Per)
	for _, r := range rows {
		mean := r.PerKm
		if r.Per == "lap" {
			mean = r.PerLap
		}
		interval := "-"
		if !math.IsNaN(float64(r.Low)) {
			interval = fmt.Sprintf("%v to %v", r.Low, r.High)
		}
		fmt.Fprintf(w, "  %s\t%d\t%d\t%v\t%v\t%s\t%s\t%s\n", shownLevel(r.Level), r.Laps, r.Circuits, mean, r.Ratio, interval, probability(r.P), probability(r.Holm))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, r := range rows {
		if r.Note != "" {
			fmt.Fprintf(a.out, "  %s: %s\n", shownLevel(r.Level), oneLine(r.Note))
		}
	}
	return nil
}

func shownLevel(level string) string {
	if level == "" {
		return "(not named)"
	}
	return oneLine(level)
}

func probability(p number) string {
	if p < 0.001 {
		return "<0.001"
	}
	return p.String()
}

// methodLines says what the figures are.
func methodLines(by string) []string {
	return []string{
		"Ratio: from log10 damage of the laps, fitted by circuit + " + by + "; the means are raw, circuits not accounted for.",
		"Interval: heteroscedasticity-robust (HC3) and for one " + by + " alone; p by Holm is adjusted for all of a hot spot.",
		"Laps are taken as independent. Laps of one session share weather, tyres and traffic: trust close calls less.",
	}
}
