package cli

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"lapwear/cmd/internal/folder"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
	"lapwear/stages/frame"
	"lapwear/stages/rig"
)

func (a *app) testplan() *cobra.Command {
	var o runOptions
	var t season.TestOptions
	c := &cobra.Command{
		Use:   "testplan SEASON.yaml",
		Short: "Plan the rig test: the lap to cut, what to drive, repeats and hours",
		Long: `Brings the season up to date, ranks its laps by damage per second, and cuts the lap that
makes the shortest test down to the events that wear the part, so that every hot spot
keeps the wanted share of its damage (season file, test: share), as counted anew. Says
how many repeats and hours the test takes, what of the rig's limits (rig:) the drive
breaks and what a remedy costs, which mix of laps is quicker, and what other tests do equal
damage. Writes the drive (CSV, Parquet, Arrow), plan.json and tables into the folder
testplan in the output folder.`,
		Example: "  lapwear testplan season.yaml\n  lapwear testplan season.yaml --lap L017 --set 'test.share=90 %' --json",
		Args:    cobra.ExactArgs(1),
		RunE:    func(c *cobra.Command, args []string) error { return a.planTest(c.Context(), args[0], o, t) },
	}
	f := c.Flags()
	f.StringVar(&t.Scenario, "scenario", season.BaseScenario, "the scenario to test")
	f.StringVar(&t.Lap, "lap", "", "the lap to cut (default: the one of the shortest test)")
	f.StringSliceVar(&t.Mix, "mix", nil, "laps to mix, with commas between (default: each hot spot's hardest)")
	f.StringVar(&o.out, "out", "", "folder for the tables (default: out, beside the season file)")
	cacheFlag(c, &o.cache)
	remoteFlags(c, &o.remote)
	f.IntVar(&o.jobs, "jobs", 0, "laps worked on at once (default: one a processor)")
	waitFlag(c, &o.wait)
	f.StringArrayVar(&o.set, "set", nil, "replace a value of the season file, as in test.share=90 %")
	o.memory = 1024
	return c
}

// planFolder is the folder of a plan, in the output folder; planName the plan in it.
const (
	planFolder = "testplan"
	planName   = "plan.json"
	driveName  = "drive"
)

// planTables are the tables that a plan may have.
var planTables = []string{"plan", "rank", "pieces", "outline", "curve", "motion", "limits", "spectrum", "levels", "repeats", "sequence", "mix", "blocks", "equivalents", "responses"}

func (a *app) planTest(ctx context.Context, path string, o runOptions, t season.TestOptions) error {
	w, err := a.open(ctx, path, o)
	if err != nil {
		return err
	}
	defer w.close()
	if !slices.ContainsFunc(w.Scenarios(), func(sc season.Scenario) bool { return sc.Name == t.Scenario }) {
		return usagef("--scenario %q: the season has no such scenario", t.Scenario)
	}
	p := a.newProgress()
	var plan *season.TestPlan
	dir := filepath.Join(w.out, planFolder)
	outcome, err := a.bringUp(w, o, func(earlier func() *pipeline.Record) (outcome *season.Outcome, err error) {
		if outcome, plan, err = w.TestPlan(ctx, w.session(o, p), earlier, t); err != nil {
			return nil, err
		}
		return outcome, a.writePlan(dir, w.Season, plan, o.set) // before the report, which shows it
	})
	p.close()
	if err != nil {
		return err
	}
	return a.showPlanned(w.Season, outcome, plan, dir)
}

// writePlan writes drive, tables and manifest into a folder of their own. The manifest
// names all other files with their hashes.
func (a *app) writePlan(dir string, s *season.Season, p *season.TestPlan, set []string) error {
	files := append(describedFiles(planFolder, schemaName, append([]season.Table{{Name: driveName, Frame: p.Drive}}, p.Tables...)),
		folder.File{Name: driveName + ".arrow", Write: p.Drive.WriteArrow})
	p.Plan.Files = map[string]rig.F{}
	for i, f := range files {
		var b bytes.Buffer
		if err := f.Write(&b); err != nil {
			return fmt.Errorf("write %q: %w", f.Name, err)
		}
		sum := sha256.Sum256(b.Bytes())
		key := strings.ReplaceAll(f.Name, ".", "_")
		p.Plan.Files[key] = rig.F{Path: f.Name, SHA256: hex.EncodeToString(sum[:])}
		files[i].Write = func(w io.Writer) error { _, err := w.Write(b.Bytes()); return err }
	}
	path, err := filepath.Abs(s.Path)
	if err != nil {
		return err
	}
	if rel, err := filepath.Rel(dir, path); err == nil {
		path = rel
	}
	p.Plan.SeasonFile, p.Plan.Set = filepath.ToSlash(path), set
	return a.publish(dir, append(files, folder.File{Name: planName, Write: p.Plan.Write}), ownTables(planTables), unmoved(s, ""))
}

// plannedJSON is the object that testplan --json prints: the plan, with its files where
// they are.
type plannedJSON struct {
	*rig.Plan
	Dir      string            `json:"dir"`
	Files    map[string]string `json:"files"`
	SetAside []season.Aside    `json:"set_aside"`
}

func (a *app) showPlanned(s *season.Season, o *season.Outcome, p *season.TestPlan, dir string) error {
	for _, w := range p.Plan.Warnings {
		a.warnf("%s", w)
	}
	aside := o.Laps.AsideIn(p.Plan.Scenario)
	if a.json {
		j := plannedJSON{Plan: &p.Plan, Dir: dir, Files: map[string]string{"plan": filepath.Join(dir, planName)}, SetAside: aside}
		for name, f := range p.Plan.Files {
			j.Files[name] = filepath.Join(dir, f.Path)
		}
		if err := a.printJSON(j); err != nil {
			return err
		}
	} else if err := a.printPlanned(s, p, dir); err != nil {
		return err
	}
	if len(aside) > 0 {
		if !a.quiet {
			fmt.Fprintf(a.err, "%s set aside; see the table quality\n", plural(len(aside), "lap"))
		}
		return errSetAside
	}
	return nil
}

func (a *app) printPlanned(s *season.Season, t *season.TestPlan, dir string) error {
	p := &t.Plan
	fmt.Fprintf(a.out, "%s, season %s: rig test from lap %s (%s), scenario %s\n", s.Component, s.Season, oneLine(p.Cut.LapID), oneLine(p.Cut.Circuit), p.Scenario)
	fmt.Fprintf(a.out, "  cut: %s of %s s left, in %s, joined over %s s; run over and over\n\n", number(p.Cut.After), number(p.Cut.Before),
		plural(p.Cut.Pieces, "piece"), number(p.Cut.Blend))
	w := a.columns()
	fmt.Fprintln(w, "hot spot\tfollows\tshare kept\tin joints\tdrive over cut\tdamage a repeat\twanted\treached over wanted")
	for _, h := range p.Hotspots {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", h.Hotspot, h.Channel, percent(float64(p.Cut.Share[h.Hotspot])),
			percent(float64(p.Cut.Joints[h.Hotspot])), number(h.Kept), number(h.PerRepeat), number(h.Wanted), number(h.Reached))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if err := a.printRanks(t); err != nil {
		return err
	}
	fmt.Fprintf(a.out, "\n%s repeats (test: method %s; %s decides), %s h in all\n", wholeNumber(float64(p.Repeats)), p.Method, p.Governs, number(p.Hours))
	for _, line := range p.Sums {
		fmt.Fprintf(a.out, "  %s\n", line)
	}
	a.printMotion(p)
	a.printLimits(p)
	a.printMix(p)
	a.printEquivalents(p)
	fmt.Fprintf(a.out, "\nDrive, tables and %s are in %s\n%s\n", planName, dir, caution)
	return nil
}

// shownRanks is how many of the hardest laps are shown for each hot spot.
const shownRanks = 3

// printRanks shows the hardest laps, and what shares longer and shorter cuts keep.
func (a *app) printRanks(t *season.TestPlan) error {
	ranks, curve := find(t.Tables, "rank"), find(t.Tables, "curve")
	spots, err1 := frame.Get[[]string](ranks, "hotspot")
	place, err2 := frame.Get[[]int64](ranks, "rank")
	laps, err3 := frame.Get[[]string](ranks, "lap_id")
	rate, err4 := frame.Get[[]float64](ranks, "damage_per_s")
	wanted, err5 := frame.Get[[]float64](curve, "wanted")
	seconds, err6 := frame.Get[[]float64](curve, "seconds")
	share, err7 := frame.Get[[]float64](curve, "share")
	if err := errors.Join(err1, err2, err3, err4, err5, err6, err7); err != nil {
		return err
	}
	fmt.Fprintln(a.out, "\nHardest laps, by damage a second (table rank has all):")
	for i, n := range place {
		if n <= shownRanks {
			fmt.Fprintf(a.out, "  %s %d: %s, %s\n", spots[i], n, oneLine(laps[i]), number(rate[i]))
		}
	}
	fmt.Fprint(a.out, "Share kept at every hot spot against length (table curve):")
	for i := 0; i < len(wanted); {
		least, j := share[i], i
		for ; j < len(wanted) && wanted[j] == wanted[i]; j++ {
			least = min(least, share[j])
		}
		fmt.Fprintf(a.out, " %s in %s s;", percent(least), number(seconds[i]))
		i = j
	}
	fmt.Fprintln(a.out)
	return nil
}

// wholeNumber shows a count with all its digits.
func wholeNumber(v float64) string { return fmt.Sprintf("%.0f", v) }

func (a *app) printMotion(p *rig.Plan) {
	fmt.Fprintf(a.out, "\nThe rig has to do, at %s Hz and level %s:\n", number(p.Drive.Rate), number(p.Drive.Level))
	w := a.columns()
	fmt.Fprintln(w, "  axis\tquantity\tpeak\trms\tfrom end to end\tlimit\tunit")
	for _, x := range p.Drive.Axes {
		for _, m := range x.Motion {
			fmt.Fprintf(w, "  %s\t%s\t%s\t%s\t%s\t%s\t%s\n", x.Channel, m.Quantity, number(m.Peak), number(m.RMS), number(m.Span), number(m.Limit), m.Unit)
		}
	}
	w.Flush()
}

func (a *app) printLimits(p *rig.Plan) {
	for _, l := range p.Limits {
		when := ""
		if l.AtS == l.AtS {
			when = fmt.Sprintf(", first at %s s, for %s s in all", number(l.AtS), number(l.BeyondS))
		}
		axis := l.Axis
		if axis != "" {
			axis += " "
		}
		fmt.Fprintf(a.out, "limit: %s%s %s %s is beyond the rig's %s%s\n", axis, l.Quantity, number(l.Value), l.Unit, number(l.Limit), when)
		for _, f := range l.Fixes {
			fmt.Fprintf(a.out, "  %s %s", f.Fix, number(f.Setting))
			if len(f.Kept) > 0 {
				fmt.Fprintf(a.out, "; leaves of the damage %s", perSpot(f.Kept, p, percent))
			}
			fmt.Fprintln(a.out)
		}
		if len(l.Fixes) == 1 && l.AtS == l.AtS {
			fmt.Fprintln(a.out, "  no band within a decade narrower keeps it")
		}
	}
	if r := p.Remedy; r != nil {
		fmt.Fprintf(a.out, "one setting for all limits of motion: test: level %s; leaves of the damage %s; the test then takes %s repeats and %s h\n",
			number(r.Level), perSpot(r.Kept, p, percent), wholeNumber(float64(r.Repeats)), number(r.Hours))
	}
}

// perSpot lists a figure of each hot spot, in the plan's order.
func perSpot(of map[string]rig.Real, p *rig.Plan, show func(float64) string) string {
	var out []string
	for _, h := range p.Hotspots {
		out = append(out, h.Hotspot+" "+show(float64(of[h.Hotspot])))
	}
	return strings.Join(out, ", ")
}

func (a *app) printMix(p *rig.Plan) {
	if p.Mix.Why != "" {
		fmt.Fprintf(a.out, "\nNo mix: %s\n", p.Mix.Why)
		return
	}
	most := 0.0
	for _, h := range p.Hotspots {
		most = max(most, float64(h.Reached))
	}
	fmt.Fprintf(a.out, "\nThe quickest mix within %s above the wanted damage: %s h running, against %s h of the one lap, which gives up to %s times the wanted\n",
		percent(float64(p.Mix.Band)), number(p.Mix.Hours), number(p.Mix.Single), number(most))
	for _, x := range p.Mix.Parts {
		fmt.Fprintf(a.out, "  %s x %s of %s (%s s)\n", wholeNumber(float64(x.Repeats)), x.What, x.LapID, number(x.Seconds))
	}
	fmt.Fprintf(a.out, "  damage over wanted: %s\n", perSpot(p.Mix.Reached, p, func(v float64) string { return number(v).String() }))
}

func (a *app) printEquivalents(p *rig.Plan) {
	fmt.Fprintln(a.out, "\nOther tests of equal damage, all repeats together:")
	for _, c := range p.Equivalents.Constant {
		fmt.Fprintf(a.out, "  %s: %s cycles between -%[3]s and %[3]s MPa; or the table blocks\n", c.Hotspot, wholeNumber(float64(c.Cycles)), number(c.Amplitude))
	}
	for _, r := range p.Equivalents.Random {
		fmt.Fprintf(a.out, "  %s: random shaking of %s m/s2 rms for %s h (Q %s, slope %s; table equivalents; damage over wanted %s to %s by resonance, greatest response over the drive's %s)\n",
			r.Axis, number(r.RMS), number(r.Hours), number(r.Q), number(r.Slope), number(r.Least), number(r.Most), number(r.Largest))
	}
}
