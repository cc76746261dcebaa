package cli

import (
	"context"
	"errors"
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

// add takes a season's tables.
func (f *fleet) add(s *season.Season, o *season.Outcome) {
	x := aggregate.FleetSeason{Component: s.Component, Season: s.Season, Laps: find(o.Tables, "laps"), Account: find(o.Tables, "season")}
	for _, h := range s.Hotspots {
		x.Hotspots = append(x.Hotspots, h.Name)
	}
	if len(o.Failures) > 0 {
		x.Failed = oneLine(failuresError(o.Failures).Error())
	}
	bikes := map[string]string{}
	for i := range s.Laps {
		if l := &s.Laps[i]; l.Counts() {
			bikes[l.ID] = l.Bike
		}
	}
	for _, a := range o.Laps.AsideIn(season.BaseScenario) {
		if bike, counts := bikes[a.Lap]; counts {
			x.SetAside = append(x.SetAside, bike)
		}
	}
	f.seasons = append(f.seasons, x)
}

// miss takes a season that has no result, by what its file still says of itself.
func (f *fleet) miss(path string, err error) {
	component, name := season.Names(path)
	f.seasons = append(f.seasons, aggregate.FleetSeason{Component: component, Season: name, Failed: oneLine(err.Error())})
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
	if err := freeOfSeason(o.fleet); err != nil {
		return err
	}
	tables := []season.Table{{Name: aggregate.FleetTable, Frame: table}}
	book := report.NewWorkbook(reported(tables))
	files := append(tableFiles(tables), workbookFile(book, readEarlier), schemaFile(book))
	owned := func(name string) bool {
		return slices.Contains([]string{aggregate.FleetTable + ".csv", aggregate.FleetTable + ".parquet", workbookName, schemaName}, name)
	}
	var fixed []string
	if here, err := os.Getwd(); err == nil {
		fixed = append(fixed, here)
	}
	return a.publish(o.fleet, files, owned, fixed)
}

// fleetFolder refuses a folder in which a season's tables are, or will be: their workbook
// and schema have the same names.
func fleetFolder(dir string, paths []string, out string) error {
	for _, p := range paths {
		of := out
		if of == "" {
			of = filepath.Join(filepath.Dir(p), "out")
		}
		if realPath(of) == realPath(dir) {
			return usagef("--fleet %q: the tables of %q go there; give a folder of its own", dir, p)
		}
	}
	return freeOfSeason(dir)
}

// freeOfSeason refuses a folder in which a season's tables are.
func freeOfSeason(dir string) error {
	if _, err := os.Stat(filepath.Join(dir, "season.csv")); err == nil {
		return usagef("--fleet %q: a season's tables are there; give a folder of its own", dir)
	}
	return nil
}

// eachOnce refuses a season file that is named twice: its damage would count twice.
func eachOnce(paths []string) error {
	seen := map[string]string{}
	for _, p := range paths {
		real := realPath(p)
		if before, twice := seen[real]; twice {
			return usagef("season files %q and %q are the same; name each once", before, p)
		}
		seen[real] = p
	}
	return nil
}

// realPath is a path without symbolic links as far as it exists.
func realPath(path string) string {
	abs, err := filepath.Abs(path)
	if err != nil {
		return path
	}
	if real, err := filepath.EvalSymlinks(abs); err == nil {
		return real
	}
	if dir := filepath.Dir(abs); dir != abs {
		return filepath.Join(realPath(dir), filepath.Base(abs))
	}
	return abs
}

func (a *app) printFleet(f *frame.Frame, out string) error {
	text := func(name string) []string { v, _ := frame.Get[[]string](f, name); return v }
	num := func(name string) []float64 { v, _ := frame.Get[[]float64](f, name); return v }
	laps, errLaps := frame.Get[[]int64](f, "laps")
	aside, errAside := frame.Get[[]int64](f, "laps_set_aside")
	if err := errors.Join(errLaps, errAside); err != nil {
		return err
	}
	fmt.Fprintln(a.out, "\nAll seasons of this call, by bike (base):")
	w := a.columns()
	fmt.Fprintln(w, "component\tseason\tbike\thot spot\tlaps\tkm\tdamage\tto date\tlife factor\twanted\tset aside\t")
	for i := range f.Rows() {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%d\t%v\t%s\t%s\t%v\t%v\t%d\t%s\n", oneLine(text("component")[i]), oneLine(text("season")[i]), oneLine(text("bike")[i]), oneLine(text("hotspot")[i]), laps[i],
			number(num("km")[i]), damageText(number(num("damage")[i])), damageText(number(num("damage_to_date")[i])),
			number(num("life_factor")[i]), number(num("target_life_factor")[i]), aside[i], oneLine(text("remark")[i]))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if out != "" {
		fmt.Fprintf(a.out, "The table fleet is in %s\n", out)
	}
	if a.brief {
		fmt.Fprintf(a.out, "\n%s\n", caution)
	}
	return nil
}
