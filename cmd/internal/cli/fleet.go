package cli

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"lapwear/cmd/internal/report"
	"lapwear/pipeline/season"
	"lapwear/stages/aggregate"
	"lapwear/stages/frame"
)

// fleet gathers seasons that were run in one call.
type fleet struct{ seasons []aggregate.FleetSeason }

// add takes a season's tables; one without laps adds no row.
func (f *fleet) add(s *season.Season, o *season.Outcome) {
	if laps := find(o.Tables, "laps"); laps != nil {
		f.seasons = append(f.seasons, aggregate.FleetSeason{Component: s.Component, Season: s.Season, Laps: laps, Account: find(o.Tables, "season")})
	}
}

// showFleet sums up the seasons of one call, and writes the table where a folder is given.
func (a *app) showFleet(ctx context.Context, f *fleet, o runOptions) error {
	table, err := aggregate.SumFleet(f.seasons)
	if err != nil {
		return err
	}
	if o.fleet != "" {
		if err := a.writeFleet(ctx, table, o); err != nil {
			return err
		}
	}
	switch {
	case !a.json:
		return a.printFleet(table, o.fleet)
	case o.fleet != "":
		return a.printJSON(map[string]any{"fleet": map[string]any{"out": o.fleet, "rows": table.Rows()}})
	}
	return nil
}

// writeFleet publishes the table in a folder of its own.
func (a *app) writeFleet(ctx context.Context, table *frame.Frame, o runOptions) error {
	lock, err := a.claim(ctx, o.fleet, o.wait)
	if err != nil {
		return err
	}
	defer a.release(lock)
	tables := []season.Table{{Name: aggregate.FleetTable, Frame: table}}
	files := append(tableFiles(tables), derivedFiles([]report.Table{{Name: aggregate.FleetTable, Frame: table}})...)
	owned := func(name string) bool {
		return slices.Contains([]string{aggregate.FleetTable + ".csv", aggregate.FleetTable + ".parquet", workbookName, schemaName}, name)
	}
	var fixed []string
	if here, err := os.Getwd(); err == nil {
		fixed = append(fixed, here)
	}
	return a.publish(o.fleet, files, owned, fixed)
}

// fleetFolder refuses a folder that holds a season's tables: their workbook and schema
// have the same names.
func fleetFolder(dir string) error {
	if _, err := os.Stat(filepath.Join(dir, "season.csv")); err == nil {
		return usagef("--fleet %q: a season's tables are there; give a folder of its own", dir)
	}
	return nil
}

func (a *app) printFleet(f *frame.Frame, out string) error {
	text := func(name string) []string { v, _ := frame.Get[[]string](f, name); return v }
	num := func(name string) []float64 { v, _ := frame.Get[[]float64](f, name); return v }
	laps, err := frame.Get[[]int64](f, "laps")
	if err != nil {
		return err
	}
	fmt.Fprintln(a.out, "\nAll seasons of this call, by bike (base):")
	w := a.columns()
	fmt.Fprintln(w, "component\tseason\tbike\thot spot\tlaps\tkm\tdamage\tto date\tlife factor\twanted")
	for i := range f.Rows() {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%d\t%v\t%s\t%s\t%v\t%v\n", text("component")[i], text("season")[i], text("bike")[i], text("hotspot")[i], laps[i],
			number(num("km")[i]), damageText(number(num("damage")[i])), damageText(number(num("damage_to_date")[i])),
			number(num("life_factor")[i]), number(num("target_life_factor")[i]))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if out != "" {
		fmt.Fprintf(a.out, "The table fleet is in %s\n", out)
	}
	return nil
}
