package cli

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"lapwear/pipeline/season"
	"lapwear/stages/rig"
)

type rigcheckOptions struct {
	columns []string
	time    string
	rate    float64
	gauges  bool
	masses  []float64
	within  []float64
	out     string
}

func (a *app) rigcheck() *cobra.Command {
	var o rigcheckOptions
	c := &cobra.Command{
		Use:   "rigcheck PLAN RECORDING...",
		Short: "Hold recordings of the rig against the planned drive",
		Long: `Aligns each recording of the rig with the plan's drive and compares, repeat by repeat:
damage at every hot spot, the error's rms, the spectrum over the band, extremes and level
crossings. Recordings stand in the order in which the rig ran; the iterations show whether
it comes nearer and how much of the wanted damage is done so far. With --mass, a mass for
each recording, gauges tell how stress follows the mass on the rig, and which mass gives the
track's stress. Writes tables into the folder rigcheck beside the plan, with --mass into
ballast; the next 'lapwear run' takes both into the report.`,
		Example: "  lapwear rigcheck out/testplan/plan.json run1.csv run2.csv\n" +
			"  lapwear rigcheck out/testplan/plan.json m10.csv m14.csv --mass 10,14 --json\n" +
			"  lapwear rigcheck out/testplan/plan.json run1.csv --column acc_z=HEAD_ACC --rate 1024",
		Args: cobra.MinimumNArgs(2),
		RunE: func(c *cobra.Command, args []string) error { return a.checkRig(c.Context(), args[0], args[1:], o) },
	}
	f := c.Flags()
	f.StringSliceVar(&o.columns, "column", nil, "a channel's column in the recordings, as in acc_z=HEAD_ACC (default: as on the bike)")
	f.StringVar(&o.time, "time", "", "the recordings' time column, in s (default: as on the bike)")
	f.Float64Var(&o.rate, "rate", 0, "Hz, for recordings without a time column")
	f.BoolVar(&o.gauges, "gauges", false, "take damage from the hot spots' gauges, which the recordings hold, too")
	f.Float64SliceVar(&o.masses, "mass", nil, "kg that the part carried in each recording; looks for the mass of the track's stress")
	f.Float64SliceVar(&o.within, "mass-range", nil, "least and greatest mass that may be given as an answer (default: those tried, and a fifth of their span)")
	f.StringVar(&o.out, "out", "", "folder for the tables (default: rigcheck, with --mass ballast, beside the plan)")
	return c
}

// check refuses options that cannot be meant.
func (o *rigcheckOptions) check(recordings int) error {
	switch {
	case len(o.masses) > 0 && len(o.masses) != recordings:
		return usagef("--mass: %s for %s; give one for each, with commas between", plural(len(o.masses), "value"), plural(recordings, "recording"))
	case len(o.masses) == 1:
		return usagef("--mass: one run tells nothing of the mass; give recordings with two masses at least")
	case len(o.within) > 0 && (len(o.within) != 2 || !(o.within[0] < o.within[1])):
		return usagef("--mass-range: want the least and the greatest mass, as in 8,16")
	case o.rate < 0 || math.IsNaN(o.rate) || math.IsInf(o.rate, 0):
		return usagef("--rate %g: want a rate in Hz", o.rate)
	case o.rate > 0 && o.time != "":
		return usagef("--time and --rate: give one of them")
	}
	for _, m := range o.masses {
		if !(m > 0) || math.IsInf(m, 0) {
			return usagef("--mass %g: want kg, above 0", m)
		}
	}
	o.gauges = o.gauges || len(o.masses) > 0
	return nil
}

func (o *rigcheckOptions) recording() (season.RigColumns, error) {
	c := season.RigColumns{Columns: map[string]string{}, Time: o.time, Rate: o.rate, Gauges: o.gauges}
	for _, text := range o.columns {
		channel, column, ok := strings.Cut(text, "=")
		if !ok || channel == "" || column == "" {
			return c, usagef("--column %q: want CHANNEL=COLUMN, as in acc_z=HEAD_ACC", text)
		}
		c.Columns[channel] = column
	}
	return c, nil
}

func (a *app) checkRig(ctx context.Context, planPath string, recordings []string, o rigcheckOptions) error {
	if err := o.check(len(recordings)); err != nil {
		return err
	}
	columns, err := o.recording()
	if err != nil {
		return err
	}
	planPath = planFile(planPath)
	dir, err := filepath.Abs(filepath.Dir(planPath))
	if err != nil {
		return err
	}
	rc, err := openRigCheck(planPath, dir)
	if err != nil {
		return err
	}
	for _, l := range rc.Left {
		a.warnf("not compared: %s", l)
	}
	for _, n := range rc.Notes {
		a.warnf("%s", n)
	}
	for channel := range columns.Columns {
		if _, err := channelOf(rc.Season, channel); err != nil {
			return err
		}
	}
	res := &rigResult{rc: rc}
	for i, path := range recordings {
		if err := res.add(ctx, path, columns, i, o.masses); err != nil {
			return err
		}
	}
	res.ballast(o)
	out := o.out
	if out == "" {
		out = filepath.Join(dir, rigFolder)
		if len(o.masses) > 0 {
			out = filepath.Join(dir, ballastFolder)
		}
	}
	if err := a.writeRig(ctx, out, res, append(recordings, planPath)); err != nil {
		return err
	}
	if a.json {
		return a.printJSON(res.json(out))
	}
	return a.printRig(res, out)
}

// rigTables are the tables of a rigcheck; ballast and felt are there with masses.
var rigTables = []string{"iterations", "axes", "spectrum", "levels", "ballast", "felt"}

// Folders of a rigcheck beside the plan: runs with masses are no iterations, and do not take the place of those.
const (
	rigFolder     = "rigcheck"
	ballastFolder = "ballast"
)

// measures are by what a hot spot's stress is held against the track's.
var measures = []string{"rms", "damage"}

// ownTables tells whether a file is one of those tables, or describes them.
func ownTables(names []string) func(string) bool {
	return func(name string) bool {
		if name == schemaName {
			return true
		}
		stem := strings.TrimSuffix(strings.TrimSuffix(name, ".csv"), ".parquet")
		return stem != name && slices.Contains(names, stem)
	}
}

// writeRig writes the tables; none takes the place of a file that was read.
func (a *app) writeRig(ctx context.Context, out string, res *rigResult, read []string) error {
	out, err := filepath.Abs(out)
	if err != nil {
		return err
	}
	owned := ownTables(rigTables)
	var fixed []string
	for _, path := range read {
		abs, err := filepath.Abs(path)
		if err == nil && filepath.Dir(abs) == out && owned(filepath.Base(abs)) {
			return usagef("a table would take the place of the recording %q; give another folder with --out", path)
		}
		fixed = append(fixed, filepath.Dir(abs))
	}
	if here, err := os.Getwd(); err == nil {
		fixed = append(fixed, here)
	}
	lock, err := a.claim(ctx, out, 0)
	if err != nil {
		return err
	}
	defer a.release(lock)
	return a.publish(out, describedFiles(rigFolder, schemaName, res.tables()), owned, fixed)
}

func channelOf(s *season.Season, name string) (season.Channel, error) {
	var names []string
	for _, c := range s.Channels {
		if c.Name == name {
			return c, nil
		}
		names = append(names, c.Name)
	}
	return season.Channel{}, usagef("--column %s=...: the season has no such channel; it has %s", name, strings.Join(names, ", "))
}

// openRigCheck reads a plan with its season.
func openRigCheck(path, dir string) (*season.RigCheck, error) {
	p, err := openPlan(path)
	if err != nil {
		return nil, usageError{err}
	}
	s, faults := season.Load(season.PlanSeason(p, dir), season.LoadOptions{Set: p.Set})
	if len(faults) > 0 {
		return nil, faults
	}
	return s.CheckRig(p, dir)
}

// rigResult is all that was found.
type rigResult struct {
	rc       *season.RigCheck
	checks   []rig.Check
	masses   []float64
	felt     [2][][]rig.Felt // by rms and by damage, by hot spot
	ballasts []ballastOf
}

// ballastOf is the mass for a hot spot by one measure, or why there is none.
type ballastOf struct {
	Hotspot  string   `json:"hotspot"`
	By       string   `json:"by"` // "rms" or "damage"
	Mass     rig.Real `json:"mass_kg"`
	Low      rig.Real `json:"mass_low_kg"`
	High     rig.Real `json:"mass_high_kg"`
	PerKg    rig.Real `json:"stress_over_track_per_kg"`
	Fixed    rig.Real `json:"stress_over_track_fixed"`
	Residual rig.Real `json:"residual"`
	Points   int      `json:"points"`
	Why      string   `json:"refused,omitempty"`
}

func (r *rigResult) add(ctx context.Context, path string, columns season.RigColumns, i int, masses []float64) error {
	rec, err := r.rc.Read(ctx, path, columns)
	if err != nil {
		return err
	}
	c, err := rig.Compare(r.rc.Wanted, rec)
	if err != nil {
		return err
	}
	r.checks = append(r.checks, c)
	if len(masses) == 0 {
		return nil
	}
	r.masses = masses
	for h := range r.rc.Wanted.Spots {
		rms, byDamage := rig.FeltBy(r.rc.Wanted, h, rec, masses[i])
		for k, felt := range []rig.Felt{rms, byDamage} {
			if len(r.felt[k]) <= h {
				r.felt[k] = append(r.felt[k], nil)
			}
			r.felt[k][h] = append(r.felt[k][h], felt)
		}
	}
	return nil
}

func (r *rigResult) ballast(o rigcheckOptions) {
	if len(o.masses) == 0 {
		return
	}
	for h, s := range r.rc.Wanted.Spots {
		for k, by := range measures {
			felt := r.felt[k][h]
			within := rig.UsualRange(felt)
			if len(o.within) == 2 {
				within = rig.BallastRange{Low: o.within[0], High: o.within[1]}
			}
			b, err := rig.FitBallast(felt, within)
			out := ballastOf{Hotspot: s.Meter.Spot.Name, By: by, Mass: rig.Real(b.Mass), Low: rig.Real(b.Low), High: rig.Real(b.High),
				PerKg: rig.Real(b.PerKg), Fixed: rig.Real(b.Fixed), Residual: rig.Real(b.Residual), Points: len(felt)}
			if err != nil {
				nan := rig.Real(math.NaN())
				out.Why, out.Mass, out.Low, out.High = err.Error(), nan, nan, nan
			}
			r.ballasts = append(r.ballasts, out)
		}
	}
}

// iteration is a line of the table iterations.
type iteration struct {
	Recording   string   `json:"recording"`
	Hotspot     string   `json:"hotspot"`
	By          string   `json:"by"`
	Mass        rig.Real `json:"mass_kg"`
	Correlation rig.Real `json:"correlation"`
	Begins      rig.Real `json:"begins_s"`
	Clock       rig.Real `json:"clock_ppm"`
	Repeats     int      `json:"repeats"`
	Judged      int      `json:"repeats_judged"`
	Between     rig.Real `json:"between_s"` // repeats: dwell, ramps, torn ones
	Error       rig.Real `json:"rms_error"` // of the axis that is furthest off
	Ratio       rig.Real `json:"damage_ratio"`
	Low         rig.Real `json:"damage_ratio_low"`
	High        rig.Real `json:"damage_ratio_high"`
	Nearer      string   `json:"nearer"` // than the one before: yes, no, or empty
	Done        rig.Real `json:"damage_done"`
	SoFar       rig.Real `json:"damage_so_far"`
	Reached     rig.Real `json:"so_far_over_wanted"`
}

func (r *rigResult) iterations() []iteration {
	out := []iteration{}
	for h := range r.rc.Wanted.Spots {
		before, soFar := math.NaN(), 0.0
		for i, c := range r.checks {
			s := c.Spots[h]
			off, worst := math.Abs(math.Log(s.Ratio)), 0.0
			for _, x := range c.Axes {
				worst = math.Max(worst, x.ErrorRMS)
			}
			soFar += s.Done
			it := iteration{Recording: c.Name, Hotspot: s.Hotspot, By: s.By, Mass: rig.Real(math.NaN()), Correlation: rig.Real(c.Correlation),
				Begins: rig.Real(c.BeginsS), Clock: rig.Real(c.ClockPPM), Repeats: c.Repeats, Judged: c.Judged, Between: rig.Real(c.BetweenS), Error: rig.Real(worst),
				Ratio: rig.Real(s.Ratio), Low: rig.Real(s.Low), High: rig.Real(s.High), Done: rig.Real(s.Done), SoFar: rig.Real(soFar),
				Reached: rig.Real(r.rc.Reached(h, soFar))}
			if len(r.masses) > 0 {
				it.Mass = rig.Real(r.masses[i])
			}
			if !math.IsNaN(before) {
				it.Nearer = "no"
				if off < before {
					it.Nearer = "yes"
				}
			}
			before = off
			out = append(out, it)
		}
	}
	return out
}

// rigcheckJSON is the object that rigcheck --json prints.
type rigcheckJSON struct {
	Plan       string      `json:"plan_lap_id"`
	Dir        string      `json:"dir"`
	Iterations []iteration `json:"iterations"`
	Axes       []axisJSON  `json:"axes"`
	Ballast    []ballastOf `json:"ballast"`
	Left       []string    `json:"not_compared"`
}

type axisJSON struct {
	Recording string   `json:"recording"`
	Axis      string   `json:"axis"`
	Error     rig.Real `json:"rms_error"`
	RMS       rig.Real `json:"rms_ratio"`
	BandPower rig.Real `json:"band_power_ratio"`
	Outside   rig.Real `json:"power_beyond_band"`
	WorstHz   rig.Real `json:"worst_third_hz"`
	Worst     rig.Real `json:"worst_third_power_ratio"`
	Max       rig.Real `json:"max"`
	DriveMax  rig.Real `json:"drive_max"`
	Min       rig.Real `json:"min"`
	DriveMin  rig.Real `json:"drive_min"`
	Level     rig.Real `json:"level_difference"`
	Crossings rig.Real `json:"level_crossings_off"`
}

func (r *rigResult) axes() []axisJSON {
	out := []axisJSON{}
	for _, c := range r.checks {
		for _, x := range c.Axes {
			out = append(out, axisJSON{c.Name, x.Channel, rig.Real(x.ErrorRMS), rig.Real(x.RMS), rig.Real(x.BandPower), rig.Real(x.OutsideBandPower),
				rig.Real(x.WorstHz), rig.Real(x.Worst), rig.Real(x.Max), rig.Real(x.DriveMax), rig.Real(x.Min), rig.Real(x.DriveMin),
				rig.Real(x.LevelDifference), rig.Real(x.CrossingsOff)})
		}
	}
	return out
}

func (r *rigResult) json(dir string) rigcheckJSON {
	j := rigcheckJSON{Plan: r.rc.Plan.Cut.LapID, Dir: dir, Iterations: r.iterations(), Axes: r.axes(), Ballast: r.ballasts, Left: r.rc.Left}
	if j.Ballast == nil {
		j.Ballast = []ballastOf{}
	}
	if j.Left == nil {
		j.Left = []string{}
	}
	return j
}

func (a *app) printRig(r *rigResult, dir string) error {
	p := r.rc.Plan
	fmt.Fprintf(a.out, "%s, season %s: the rig against the drive from lap %s\n\n", p.Component, p.Season, oneLine(p.Cut.LapID))
	w := a.columns()
	fmt.Fprintln(w, "recording\thot spot\tby\trepeats\trms error\tdamage ratio\tleast\tmost\tnearer\tdone so far over wanted")
	for _, i := range r.iterations() {
		fmt.Fprintf(w, "%s\t%s\t%s\t%d of %d\t%s\t%s\t%s\t%s\t%s\t%s\n", oneLine(i.Recording), i.Hotspot, i.By, i.Judged, i.Repeats, percent(float64(i.Error)),
			number(i.Ratio), number(i.Low), number(i.High), i.Nearer, number(i.Reached))
	}
	fmt.Fprintln(w, "\t")
	fmt.Fprintln(w, "recording\taxis\trms ratio\tpower in band\tworst third, Hz\tits power\tmax\tplanned\tmin\tplanned\tcrossings off")
	for _, x := range r.axes() {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", oneLine(x.Recording), x.Axis, number(x.RMS), number(x.BandPower), number(x.WorstHz), number(x.Worst),
			number(x.Max), number(x.DriveMax), number(x.Min), number(x.DriveMin), percent(float64(x.Crossings)))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	for _, c := range r.checks {
		fmt.Fprintf(a.out, "%s: begins at %s s, correlation %s, clock %s millionths slow (allowed for), %s s between repeats\n",
			oneLine(c.Name), number(c.BeginsS), number(c.Correlation), number(c.ClockPPM), number(c.BetweenS))
	}
	for _, b := range r.ballasts {
		if b.Why != "" {
			fmt.Fprintf(a.out, "ballast for %s by %s: %s\n", b.Hotspot, b.By, b.Why)
			continue
		}
		fmt.Fprintf(a.out, "ballast for %s by %s: %s kg (95 %%: %s to %s; stress over the track's: %s x kg + %s)\n", b.Hotspot, b.By, number(b.Mass),
			number(b.Low), number(b.High), strconv.FormatFloat(float64(b.PerKg), 'g', 4, 64), number(b.Fixed))
	}
	fmt.Fprintf(a.out, "\nTables are in %s\n%s\n", dir, caution)
	return nil
}
