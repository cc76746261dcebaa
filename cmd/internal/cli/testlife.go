package cli

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"gonum.org/v1/gonum/mathext"

	"lapwear/cmd/internal/folder"
	"lapwear/cmd/internal/report"
	"lapwear/fatigue"
	"lapwear/pipeline/season"
	"lapwear/stages"
	"lapwear/stages/life"
	"lapwear/stages/rig"
)

// testlifeOptions are what testlife is asked for.
type testlifeOptions struct {
	model, survival, confidence                    string
	factor, priorSD, weight, level                 float64
	target, predicted, scatter, slope, wall, perEa []string // X, or HOTSPOT=X
	season, scenario, hotspot, plan                string
	planned                                        []rig.PlannedSpot // of the plan
	run                                            runOptions
}

func (a *app) testlife() *cobra.Command {
	d := life.Defaults()
	var o testlifeOptions
	c := &cobra.Command{
		Use:   "testlife [RESULTS.csv]",
		Short: "Judge the specimens of a rig test: what life factor they have shown",
		Long: `Reads the specimens' lives, fits lognormal and Weibull lives with run-outs, and shows
B10 and B50 with intervals, the life factor really shown with its lower bound, what the
lives teach of the S-N curve, what further specimens would buy, and what the next part
may carry. Tables and figures go to the output folder.

RESULTS.csv has the columns specimen, one of cycles, repeats and hours, status (failed or
runout), and optionally hotspot, note and level. A specimen that broke at one hot spot is a
run-out of the others. Lives of several levels, such as over the planned drive, are brought
to level 1 or --level along a line through the failures (ASTM E739), or along the slope.

The target is the life that a part needs, in the unit of the results; the predicted life
is the median one. With --season and --damage-per-repeat both come from the season, as do
scatter, slope, wanted life factor and thickness exponent. Where hot spots differ, give an
option once each, as in --predicted weld_toe=5200. Without RESULTS.csv the season's own
specimens are judged, if it names them. With --plan, the plan.json of testplan, all of that
comes from the plan and its season file, as it stands, and nothing is brought up to date.`,
		Example: "  lapwear testlife results.csv --target 2400 --predicted 5200 --scatter 0.15 --slope 6\n" +
			"  lapwear testlife results.csv --season season.yaml --damage-per-repeat weld_toe=1.9e-4\n" +
			"  lapwear testlife --season season.yaml\n" +
			"  lapwear testlife results.csv --plan testplan/plan.json",
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return a.judgeSpecimens(c.Context(), c, strings.Join(args, ""), o)
		},
	}
	f := c.Flags()
	f.StringArrayVar(&o.target, "target", nil, "life that the part needs")
	f.StringArrayVar(&o.predicted, "predicted", nil, "predicted median life")
	f.StringArrayVar(&o.perEa, "damage-per-repeat", nil, "predicted damage of one repeat, in place of --predicted")
	f.StringArrayVar(&o.scatter, "scatter", nil, "the material's standard deviation of log10 N")
	f.StringArrayVar(&o.slope, "slope", nil, "the S-N curve's slope k, N ~ S^-k")
	f.StringArrayVar(&o.wall, "thickness-exponent", nil, "n of stress ~ thickness^-n, for the next part's mass")
	f.Float64Var(&o.factor, "factor", 0, "life factor that the next part is to show (default: the season's target, else 1)")
	f.StringVar(&o.model, "model", d.Model.String(), "lives that bounds rest on: lognormal or weibull")
	f.StringVar(&o.survival, "survival", "", "share that the life factor's life is survived by (default: the season's, else 50 %)")
	f.StringVar(&o.confidence, "confidence", "95 %", "of lower bounds, one-sided, and of intervals, two-sided")
	f.Float64Var(&o.priorSD, "prior-sd", d.PriorSD, "how well the predicted life is known: standard deviation of its log10")
	f.Float64Var(&o.weight, "prior-weight", d.Weight, "how many specimens' worth of knowledge the material's scatter is")
	f.Float64Var(&o.level, "level", d.Level, "level that target and predicted life are of, where the results have levels")
	f.StringVar(&o.hotspot, "hotspot", "", "judge this hot spot alone, or \"part\"")
	f.StringVar(&o.season, "season", "", "season file that the test belongs to; it is brought up to date")
	f.StringVar(&o.plan, "plan", "", "plan.json of the test, for the damage of a repeat")
	f.StringVar(&o.scenario, "scenario", season.BaseScenario, "the season's scenario")
	f.StringVar(&o.run.out, "out", "", "folder for tables and figures (default: out, beside the results)")
	cacheFlag(c, &o.run.cache)
	f.IntVar(&o.run.jobs, "jobs", 0, "laps worked on at once (default: one a processor)")
	f.StringArrayVar(&o.run.set, "set", nil, "replace a value of the season file, as in hotspots.toe.stress_factor=0.93")
	o.run.memory = 1024
	return c
}

func (a *app) judgeSpecimens(ctx context.Context, c *cobra.Command, path string, o testlifeOptions) error {
	p, err := o.params()
	if err != nil {
		return err
	}
	if o.plan != "" {
		return a.judgePlanned(c, path, o, p)
	}
	if o.season == "" {
		for _, name := range []string{"scenario", "set"} {
			if c.Flags().Changed(name) {
				return usagef("--%s: it is the season's; give the season file with --season", name)
			}
		}
		if path == "" {
			return usagef("name a file of results, or a season that has specimens with --season")
		}
		return a.judgeResults(path, o, p, nil)
	}
	if path != "" {
		if _, faults := season.ReadResults(path, nil); len(faults) > 0 {
			return faults // before the season is brought up to date for nothing
		}
	}
	run := o.run
	run.out = ""
	return a.runAndShow(ctx, o.season, run, func(s *season.Season, out string, outcome *season.Outcome) error {
		if path == "" {
			if s.Specimens.File == "" {
				return usagef("the season names no specimens; give a file of results, or add specimens: {file: specimens.csv} to the season file")
			}
			path = s.Specimens.File
			if o.run.out == "" {
				o.run.out = out
			}
		}
		rows, err := readResults(outcome.Tables)
		if err != nil {
			return err
		}
		q, known, err := o.ofSeason(p, s, rows)
		if err != nil {
			return err
		}
		if err := a.judgeResults(path, o, q, known); err != nil {
			return err
		}
		if aside := len(outcome.Laps.AsideIn(o.scenario)); aside > 0 {
			a.warnf("%s set aside; see the season's table quality", plural(aside, "lap"))
			return errSetAside
		}
		return failuresError(outcome.Failures)
	})
}

// judgePlanned judges results by the plan of their test and the plan's season file as it stands; no lap is looked at.
func (a *app) judgePlanned(c *cobra.Command, path string, o testlifeOptions, p life.Params) error {
	for _, name := range []string{"season", "scenario", "set", "damage-per-repeat"} {
		if c.Flags().Changed(name) {
			return usagef("--%s: the plan has its own; leave it out, or leave out --plan", name)
		}
	}
	if path == "" {
		return usagef("name a file of results beside --plan")
	}
	plan, err := openPlan(o.plan)
	if err != nil {
		return usageError{err}
	}
	s, err := a.load(season.PlanSeason(plan, filepath.Dir(planFile(o.plan))), plan.Set)
	if err != nil {
		return err
	}
	if _, err := s.OfPlan(plan); err != nil {
		return err
	}
	nan := number(math.NaN())
	var rows []result
	for _, h := range plan.Hotspots {
		rows = append(rows, result{Scenario: plan.Scenario, Hotspot: h.Hotspot, SeasonDamage: number(h.SeasonDamage),
			LifeFactor: nan, TargetLifeFactor: nan, StressReserve: nan})
	}
	o.scenario, o.planned = plan.Scenario, plan.Hotspots
	q, known, err := o.ofSeason(p, s, rows)
	if err != nil {
		return err
	}
	return a.judgeResults(path, o, q, known)
}

// planFile is a plan's file, where its folder is named, too.
func planFile(path string) string {
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return filepath.Join(path, planName)
	}
	return path
}

// openPlan reads a plan, named by its file or its folder.
func openPlan(path string) (*rig.Plan, error) {
	path = planFile(path)
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("open plan %q: %w; give the plan.json that testplan wrote", path, stages.Cause(err))
	}
	defer f.Close()
	return rig.ReadPlan(f)
}

// seasonLives judges the specimens that a season names, as testlife does without options; nil where it names none.
func seasonLives(s *season.Season, tables []season.Table) (*report.Lives, error) {
	if s.Specimens.File == "" {
		return nil, nil
	}
	rows, err := readResults(tables)
	if err != nil {
		return nil, err
	}
	p, _, err := testlifeOptions{scenario: season.BaseScenario}.ofSeason(life.Defaults(), s, rows)
	if err != nil {
		return nil, err
	}
	verdicts, err := life.Judge(s.Specimens.Results, p)
	return &report.Lives{Verdicts: verdicts, Params: p}, err
}

// params turns options into what is asked, before any season is read.
func (o testlifeOptions) params() (life.Params, error) {
	p := life.Defaults()
	p.PriorSD, p.Weight = o.priorSD, o.weight
	switch o.model {
	case fatigue.Lognormal.String():
	case fatigue.Weibull.String():
		p.Model = fatigue.Weibull
	default:
		return p, usagef("--model %q: want lognormal or weibull", o.model)
	}
	var err error
	if p.Confidence, err = shareOption("confidence", o.confidence, 0.5); err != nil {
		return p, err
	}
	if o.survival != "" {
		if p.Survival, err = shareOption("survival", o.survival, 0); err != nil {
			return p, err
		}
	}
	if o.factor < 0 || math.IsNaN(o.factor) || math.IsInf(o.factor, 0) {
		return p, usagef("--factor %g: want a number above 0, such as 1.5", o.factor)
	}
	if o.factor > 0 {
		p.Wanted = o.factor
	}
	if !(o.priorSD > 0) || math.IsInf(o.priorSD, 1) {
		return p, usagef("--prior-sd %g: want a number above 0, such as 0.3", o.priorSD)
	}
	if !(o.weight >= 1 && o.weight <= 1e6) {
		return p, usagef("--prior-weight %g: want a number of specimens from 1 to 1e6, such as 4", o.weight)
	}
	if !(o.level > 0) || math.IsInf(o.level, 1) {
		return p, usagef("--level %g: want a number above 0, such as 1", o.level)
	}
	p.Level = o.level
	p.Expected, err = o.expected()
	return p, err
}

// shareOption reads 0.9, 90 % or 90%.
func shareOption(name, text string, above float64) (float64, error) {
	plain, isPercent := strings.CutSuffix(strings.TrimSpace(text), "%")
	v, err := strconv.ParseFloat(strings.TrimSpace(plain), 64)
	if isPercent {
		v /= 100
	}
	if err != nil || !(v > above && v < 1) {
		return 0, usagef("--%s %q: want a share above %g %% and below 100 %%, such as \"90 %%\"", name, text, 100*above)
	}
	return v, nil
}

// expected reads the options that may differ from hot spot to hot spot.
func (o testlifeOptions) expected() ([]life.Expected, error) {
	var out []life.Expected
	for _, option := range []struct {
		name  string
		given []string
		set   func(e *life.Expected, v float64)
	}{
		{"target", o.target, func(e *life.Expected, v float64) { e.Target = v }},
		{"predicted", o.predicted, func(e *life.Expected, v float64) { e.Predicted = v }},
		{"scatter", o.scatter, func(e *life.Expected, v float64) { e.Scatter = v }},
		{"slope", o.slope, func(e *life.Expected, v float64) { e.Slope = v }},
		{"thickness-exponent", o.wall, func(e *life.Expected, v float64) { e.ThicknessExponent = v }},
	} {
		for _, text := range option.given {
			hotspot, v, err := ofHotspot(option.name, text)
			if err != nil {
				return nil, err
			}
			e := nothingExpected(hotspot)
			option.set(&e, v)
			out = append(out, e)
		}
	}
	// What is said of all comes first, so that a hot spot's own word counts.
	slices.SortStableFunc(out, func(a, b life.Expected) int {
		return btoi(a.Hotspot != "") - btoi(b.Hotspot != "")
	})
	return out, nil
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

func nothingExpected(hotspot string) life.Expected {
	nan := math.NaN()
	return life.Expected{Hotspot: hotspot, Predicted: nan, Target: nan, Scatter: nan, Slope: nan, Amplitude: nan, Cycles: nan, ThicknessExponent: nan}
}

// ofHotspot reads X or HOTSPOT=X.
func ofHotspot(option, text string) (hotspot string, v float64, err error) {
	number := text
	if i := strings.LastIndexByte(text, '='); i >= 0 {
		hotspot, number = strings.TrimSpace(text[:i]), text[i+1:]
	}
	v, err = strconv.ParseFloat(strings.TrimSpace(number), 64)
	if err != nil || !(v > 0) || math.IsInf(v, 1) {
		return "", 0, usagef("--%s %q: want a number above 0, or one of a hot spot as in weld_toe=5200", option, text)
	}
	return hotspot, v, nil
}

// ofSeason adds what a season knows; the options' own word counts more.
func (o testlifeOptions) ofSeason(p life.Params, s *season.Season, rows []result) (life.Params, []string, error) {
	of, names := s, []string{}
	for _, sc := range s.Scenarios() {
		names = append(names, sc.Name)
		if sc.Name == o.scenario {
			of = sc.Season
		}
	}
	if !slices.Contains(names, o.scenario) {
		return p, nil, usagef("--scenario %q: the season has %s", o.scenario, strings.Join(names, ", "))
	}
	if o.survival == "" {
		p.Survival = of.Damage.Survival
	}
	if o.factor == 0 {
		p.Wanted = of.Target.LifeFactor
	}
	var known []string
	var expected []life.Expected
	for _, h := range of.Hotspots {
		known = append(known, h.Name)
		e := nothingExpected(h.Name)
		i := slices.IndexFunc(rows, func(r result) bool { return r.Scenario == o.scenario && r.Hotspot == h.Name })
		if i < 0 {
			i = len(rows)
			rows = append(rows, result{SeasonDamage: number(math.NaN()), StressReserve: number(math.NaN()), LifeFactor: number(math.NaN())})
		}
		fromSeason(&e, h, rows[i])
		if k := slices.IndexFunc(s.Hotspots, func(own season.Hotspot) bool { return own.Name == h.Name }); k >= 0 && k < len(s.Specimens.DamagePerRepeat) {
			perRepeat(&e, of, rows[i], s.Specimens.DamagePerRepeat[k])
		}
		for _, planned := range o.planned {
			if planned.Hotspot == h.Name {
				perRepeat(&e, of, rows[i], float64(planned.PerRepeat))
				e.Predicted = 1 / float64(planned.Median)
			}
		}
		for _, text := range o.perEa {
			hotspot, d, err := ofHotspot("damage-per-repeat", text)
			if err != nil {
				return p, nil, err
			}
			if hotspot == "" || hotspot == h.Name {
				perRepeat(&e, of, rows[i], d)
			}
		}
		expected = append(expected, e)
	}
	p.Expected = append(expected, p.Expected...)
	return p, known, nil
}

// fromSeason takes a hot spot's material and what the season's cycles say of its slope.
func fromSeason(e *life.Expected, h season.Hotspot, r result) {
	if h.Material.Scatter > 0 {
		e.Scatter = h.Material.Scatter
	}
	if h.ThicknessExponent > 0 {
		e.ThicknessExponent = h.ThicknessExponent
	}
	if c, ok := h.Material.Curve.(fatigue.Power); ok {
		e.Slope, e.Amplitude, e.Cycles = c.Slope, c.RefAmplitude, c.RefCycles
	}
	// The reserve was found on the real cycles, below a knee or at the ultimate stress: what it says of the slope is nearer
	// than the curve's own.
	factor, reserve := float64(r.LifeFactor/r.TargetLifeFactor), float64(r.StressReserve)
	if k := math.Log(factor) / math.Log(reserve); math.Abs(reserve-1) > 0.02 && k >= 1 && k <= 60 {
		e.Slope = k
	}
}

// perRepeat turns the damage of a repeat into the predicted median life and, with the season's, into the target.
func perRepeat(e *life.Expected, s *season.Season, r result, damage float64) {
	if !(damage > 0) {
		return
	}
	e.Predicted = medianLife(damage, s.Damage.Survival, e.Scatter)
	if r.SeasonDamage > 0 {
		e.Target = s.Target.Seasons * float64(r.SeasonDamage) / damage
	}
}

// medianLife is the median of the lives that a damage at some survival predicts.
func medianLife(damage, survival, scatter float64) float64 {
	shift := mathext.NormalQuantile(survival) * scatter
	if survival == 0.5 || math.IsNaN(shift) {
		shift = 0
	}
	return math.Pow(10, shift) / damage
}

// judgeResults reads the results, judges them, writes and shows.
func (a *app) judgeResults(path string, o testlifeOptions, p life.Params, known []string) error {
	r, faults := season.ReadResults(path, known)
	if len(faults) > 0 {
		return faults
	}
	if len(o.planned) > 0 && r.Unit != "repeats" {
		return usagef("--plan: it plans repeats, the results count %s; give --predicted and --target in %s, without --plan", r.Unit, r.Unit)
	}
	if len(o.perEa) > 0 {
		if r.Unit != "repeats" {
			return usagef("--damage-per-repeat: the results count %s; give --predicted and --target in %s", r.Unit, r.Unit)
		}
		if o.season == "" {
			return usagef("--damage-per-repeat: give the season file with --season, or --predicted and --target in its place")
		}
	}
	if err := o.checkHotspots(r, p, known); err != nil {
		return err
	}
	out := o.run.out
	if out == "" {
		out = filepath.Join(filepath.Dir(path), "out")
	}
	verdicts, err := life.Judge(r, p)
	if err != nil {
		return err
	}
	if o.hotspot != "" {
		verdicts = slices.DeleteFunc(verdicts, func(v life.Verdict) bool { return v.Subject != o.hotspot })
	}
	files, err := a.writeLives(path, out, verdicts, p)
	if err != nil {
		return err
	}
	if a.json {
		return a.printJSON(livesJSON(r, verdicts, p, out, files))
	}
	return a.printLives(verdicts, p, out)
}

// checkHotspots refuses names that neither results nor season have.
func (o testlifeOptions) checkHotspots(r life.Results, p life.Params, known []string) error {
	all := r.Subjects(known)
	for _, option := range []struct {
		name  string
		given []string
	}{{"target", o.target}, {"predicted", o.predicted}, {"damage-per-repeat", o.perEa}, {"scatter", o.scatter}, {"slope", o.slope},
		{"thickness-exponent", o.wall}} {
		for _, text := range option.given {
			h, _, err := ofHotspot(option.name, text)
			if err != nil {
				return err
			}
			if h != "" && !slices.Contains(all, h) {
				return usagef("--%s %q: there is no hot spot %q; there are %s; name hot spots in the column hotspot of the results", option.name, text, h, strings.Join(all, ", "))
			}
		}
	}
	if subjects := r.Subjects(p.Judged()); o.hotspot != "" && !slices.Contains(subjects, o.hotspot) {
		return usagef("--hotspot %q: the results have %s", o.hotspot, strings.Join(subjects, ", "))
	}
	return nil
}

// writeLives publishes the tables and figures and returns the files' names.
func (a *app) writeLives(path, out string, verdicts []life.Verdict, p life.Params) (names []string, err error) {
	var tables []season.Table
	for _, t := range life.Tables(verdicts, p) {
		tables = append(tables, season.Table{Name: t.Name, Frame: t.Frame})
	}
	files := describedFiles("", lifeSchema, tables)
	for _, f := range files {
		names = append(names, f.Name)
	}
	for i := range verdicts {
		for _, f := range report.LifeFigures(&verdicts[i], p) {
			name := drawingName(lifePrefix+verdicts[i].Subject, f.Name, names)
			names = append(names, name)
			files = append(files, folder.File{Name: name, Write: f.Figure.WriteFile})
		}
	}
	lock, err := a.claim(context.Background(), out, 0)
	if err != nil {
		return nil, err
	}
	defer a.release(lock)
	for _, name := range names {
		if at := filepath.Join(out, name); sameFile(at, path) {
			return nil, usagef("table %q would take the place of the results; give another folder with --out", at)
		}
	}
	fixed := []string{filepath.Dir(path)}
	if here, err := os.Getwd(); err == nil {
		fixed = append(fixed, here)
	}
	own := func(name string) bool { return strings.HasPrefix(name, lifePrefix) && filepath.Ext(name) == ".svg" }
	return names, a.publish(out, files, own, fixed)
}

// lifeSchema describes the tables of lives; the output folder's own schema describes the season's.
const lifeSchema = "testlife_schema.json"

// lifePrefix begins the names of the figures of lives.
const lifePrefix = "testlife-"

func sameFile(a, b string) bool {
	x, errA := os.Stat(a)
	y, errB := os.Stat(b)
	return errA == nil && errB == nil && os.SameFile(x, y)
}

// printLives tells a person what was found, subject by subject.
func (a *app) printLives(verdicts []life.Verdict, p life.Params, out string) error {
	for i := range verdicts {
		if err := a.printVerdict(&verdicts[i], p); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(a.out, "Tables and figures: %s\n\n%s\n", filepath.Join(out, "testlife*"), caution)
	return err
}

func (a *app) printVerdict(v *life.Verdict, p life.Params) error {
	fmt.Fprintf(a.out, "%s: %s, %d failed, %s\n", oneLine(v.Subject), plural(len(v.Specimens), "specimen"), v.Failures, plural(v.RunOuts, "run-out"))
	w := a.columns()
	shownLines(w, v, p)
	levelLine(w, v, p)
	fitLines(w, v, p)
	updateLines(w, v, p)
	nextLines(w, v)
	if err := w.Flush(); err != nil {
		return err
	}
	if err := a.printFurther(v); err != nil {
		return err
	}
	for _, n := range v.Notes {
		fmt.Fprintf(a.out, "  note: %s\n", n)
	}
	_, err := io.WriteString(a.out, "\n")
	return err
}

// isKnown tells whether a figure is there to be shown.
func isKnown(v float64) bool { return !math.IsNaN(v) }

func shownLines(w io.Writer, v *life.Verdict, p life.Params) {
	s := &v.Shown
	at := share(p.Survival) + " survive"
	if isKnown(s.Factor) || isKnown(s.FactorLower) {
		fmt.Fprintf(w, "  life factor shown\t%v\tat least %v with %s\t(%s; target %v %s)\n", number(s.Factor), number(s.FactorLower),
			share(p.Confidence), at, number(v.Expected.Target), v.Unit)
	}
	if isKnown(s.Life) || isKnown(s.Lower) {
		fmt.Fprintf(w, "  life, %s\t%v\tat least %v\t(%s)\n", v.Unit, number(s.Life), number(s.Lower), orDash(s.Method))
	}
	if isKnown(s.OverPredicted) {
		fmt.Fprintf(w, "  median over predicted\t%v\t%v to %v\t(predicted %v %s)\n", number(s.OverPredicted), number(s.OverPredictedLower),
			number(s.OverPredictedUpper), number(v.Expected.Predicted), v.Unit)
	}
	if isKnown(s.SurvivalShown) {
		fmt.Fprintf(w, "  no failure\t%s\tat least survive the shortest life, with %s\n", percent(s.SurvivalShown), share(p.Confidence))
	}
}

// share shows a stated share as it was stated.
func share(v float64) string { return fmt.Sprintf("%.4g %%", 100*v) }

// levelLine tells of a line over levels; the notes say how lives were brought to one.
func levelLine(w io.Writer, v *life.Verdict, p life.Params) {
	if l := v.Line; l != nil && l.Fitted {
		fmt.Fprintf(w, "  line over %d levels\tslope %v\t%v to %v\t(median %v at level %v; the line %v to %v, %s)\n", l.Levels, number(l.Slope), number(l.Slopes.Lower),
			number(l.Slopes.Upper), number(l.Life), number(l.At), number(l.Band.Lower), number(l.Band.Upper), share(p.Confidence))
	}
}

func fitLines(w io.Writer, v *life.Verdict, p life.Params) {
	for i := range v.Fits {
		f := &v.Fits[i]
		what := fmt.Sprintf("scatter of log10 life %v", number(f.Scale/math.Ln10))
		if f.Model == fatigue.Weibull {
			what = fmt.Sprintf("shape %v, scale %v", number(f.Shape()), number(math.Exp(f.Location)))
		}
		fmt.Fprintf(w, "  %v\t%s\tlog-likelihood %.2f\n", f.Model, what, f.LogLikelihood)
		for _, q := range f.Lives {
			if q.Failed != 0.1 && q.Failed != 0.5 {
				continue
			}
			small := ""
			if isKnown(q.Pivot.Lower) {
				small = fmt.Sprintf("; small sample %v to %v", number(q.Pivot.Lower), number(q.Pivot.Upper))
			}
			fmt.Fprintf(w, "    B%g\t%v\t%v to %v%s\t(%s)\n", 100*q.Failed, number(q.Life), number(q.Ratio.Lower), number(q.Ratio.Upper), small, share(p.Confidence))
		}
	}
}

func updateLines(w io.Writer, v *life.Verdict, p life.Params) {
	u := v.Update
	if u == nil {
		return
	}
	for _, when := range []struct {
		name string
		k    *life.Known
	}{{"before the test", &u.Prior}, {"with the specimens", &u.Posterior}} {
		fails := ""
		if isKnown(when.k.FailsTarget) {
			fails = fmt.Sprintf("; %s fail before the target", percent(when.k.FailsTarget))
		}
		fmt.Fprintf(w, "  %s\tmedian %v\t%v to %v\tscatter %v (%v to %v)%s\n", when.name, number(when.k.Median), number(when.k.MedianInterval.Lower),
			number(when.k.MedianInterval.Upper), number(when.k.Scatter), number(when.k.ScatterInterval.Lower), number(when.k.ScatterInterval.Upper), fails)
	}
	if isKnown(u.StressRatio) {
		amplitude := ""
		if isKnown(u.Amplitude) {
			amplitude = fmt.Sprintf("(%v MPa at %g cycles, was %v)", number(u.Amplitude), v.Expected.Cycles, number(v.Expected.Amplitude))
		}
		fmt.Fprintf(w, "  S-N level, updated\ttimes %v\t%v to %v\t%s\n", number(u.StressRatio), number(u.StressInterval.Lower), number(u.StressInterval.Upper), amplitude)
	}
}

func nextLines(w io.Writer, v *life.Verdict) {
	n := &v.Next
	if !isKnown(n.Stress) && !isKnown(n.PosteriorStress) {
		return
	}
	mass := func(m float64) string {
		if !isKnown(m) {
			return ""
		}
		return fmt.Sprintf("wall mass times %v", number(m))
	}
	fmt.Fprintf(w, "  next part, life factor %v\tstress times %v\t%s\t(lower bound, slope %v)\n", number(n.Wanted), number(n.Stress), mass(n.Mass), number(n.Slope))
	if isKnown(n.PosteriorStress) {
		fmt.Fprintf(w, "    with the prediction\tstress times %v\t%s\t(lower bound)\n", number(n.PosteriorStress), mass(n.PosteriorMass))
	}
	if isKnown(n.BestStress) {
		fmt.Fprintf(w, "    without confidence\tstress times %v\t%s\t(estimate)\n", number(n.BestStress), mass(n.BestMass))
	}
}

func (a *app) printFurther(v *life.Verdict) error {
	if !slices.ContainsFunc(v.Further, func(f life.Further) bool { return isKnown(f.Lower) || isKnown(f.Unbroken) }) {
		return nil
	}
	targeted := v.Expected.Target > 0
	w := a.columns()
	fmt.Fprintf(w, "  further specimens\tlife, at least")
	if targeted {
		fmt.Fprintf(w, "\tlife factor, at least\tor all unbroken to\ttimes the target")
	}
	fmt.Fprintln(w)
	for _, f := range v.Further {
		fmt.Fprintf(w, "    %d\t%v", f.Specimens, number(f.Lower))
		if targeted {
			fmt.Fprintf(w, "\t%v\t%v\t%v", number(f.FactorLower), number(f.Unbroken), number(f.UnbrokenFactor))
		}
		fmt.Fprintln(w)
	}
	return w.Flush()
}
