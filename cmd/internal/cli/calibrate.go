package cli

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"lapwear/cmd/internal/folder"
	"lapwear/cmd/internal/report"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
	"lapwear/stages/calibrate"
)

func (a *app) calibrate() *cobra.Command {
	var o runOptions
	c := &cobra.Command{
		Use:   "calibrate SEASON.yaml",
		Short: "Show how well channels stand in for the gauges",
		Long: `Brings the calibration up to date, and no account of the season. Shows for each hot spot
every candidate channel: its gain with a 95 % interval, by least squares, total least
squares and matched damage; correlation, coherence and lag; predicted over measured
damage on all laps and on laps that were held out; which was chosen, and why. Writes the
table calibration, and figures as SVG into the folder calibration-figures: stress over
time on the laps predicted worst and best, the scatter with the fitted lines, coherence,
gain and phase over frequency, and what the fit leaves. --json has the table's columns,
and a row for each calibration lap. Exit code 1: a hot spot is refused. 3: some calibration laps were set aside.`,
		Example: "  lapwear calibrate season.yaml\n  lapwear calibrate season.yaml --json --set hotspots.toe.follow=acc_z",
		Args:    cobra.ExactArgs(1),
		RunE:    func(c *cobra.Command, args []string) error { return a.calibrateSeason(c.Context(), args[0], o) },
	}
	f := c.Flags()
	f.StringVar(&o.out, "out", "", "folder for table and figures (default: out, beside the season file)")
	cacheFlag(c, &o.cache)
	remoteFlags(c, &o.remote)
	f.IntVar(&o.jobs, "jobs", 0, "laps worked on at once (default: one a processor)")
	f.StringArrayVar(&o.set, "set", nil, "replace a value of the season file, as in hotspots.toe.follow=acc_z")
	waitFlag(c, &o.wait)
	o.memory = 1024
	return c
}

func (a *app) calibrateSeason(ctx context.Context, path string, o runOptions) error {
	w, err := a.open(ctx, path, o)
	if err != nil {
		return err
	}
	defer w.close()
	p := a.newProgress()
	outcome, err := w.Calibrate(ctx, w.session(o, p))
	p.close()
	if err != nil {
		return err
	}
	none := func(string) bool { return false } // what a run has left stays
	if err := a.publish(w.out, tableFiles(outcome.Tables), none, unmoved(w.Season, w.store.Dir())); err != nil {
		return err
	}
	figures, err := a.writeFigures(filepath.Join(w.out, figureFolder), outcome.Evidence)
	if err != nil {
		return err
	}
	return a.showCalibration(w.Season, w.out, outcome, figures)
}

// figureFolder holds the figures that calibrate draws, beside the tables; it holds
// nothing else.
const figureFolder = "calibration-figures"

// writeFigures draws the evidence and returns the files' names. Figures of an earlier
// call that are not drawn again are removed.
func (a *app) writeFigures(dir string, evidence []season.Evidence) ([]string, error) {
	var files []folder.File
	var names []string
	for _, e := range evidence {
		for _, d := range report.Evidence(e).Drawings() {
			name := figureName(e, d.Name, names)
			names = append(names, name)
			files = append(files, folder.File{Name: name, Write: d.Figure.WriteFile})
		}
	}
	if len(files) == 0 {
		if _, err := os.Stat(dir); err != nil {
			return nil, nil
		}
	}
	drawings := func(name string) bool { return filepath.Ext(name) == ".svg" }
	return names, a.publish(dir, files, drawings, nil)
}

// figureName is a file name of letters that every file system takes, unlike those taken.
func figureName(e season.Evidence, drawing string, taken []string) string {
	spot := e.Hotspot
	if e.Scenario != season.BaseScenario {
		spot += "@" + e.Scenario
	}
	return drawingName(spot, drawing, taken)
}

// drawingName is a file name for a drawing of something, as figureName has it.
func drawingName(of, drawing string, taken []string) string {
	safe := strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || strings.ContainsRune("_-@", r) {
			return r
		}
		return '-'
	}, of)
	name := safe + "-" + drawing + ".svg"
	for n := 2; slices.ContainsFunc(taken, func(t string) bool { return strings.EqualFold(t, name) }); n++ {
		name = fmt.Sprintf("%s-%d-%s.svg", safe, n, drawing)
	}
	return name
}

// calibrationJSON is the object that calibrate --json prints.
type calibrationJSON struct {
	Season     string             `json:"season"`
	Out        string             `json:"out"`
	Candidates []tableRow         `json:"candidates"` // the table calibration
	Laps       []tableRow         `json:"laps"`       // each calibration lap under its hot spot's chosen channel
	Figures    []string           `json:"figures"`
	SetAside   []season.Aside     `json:"set_aside"`
	Warned     []season.Warned    `json:"warned"`
	Failures   []pipeline.Failure `json:"failures,omitempty"`
}

// calibrationRows are the rows of the table calibration, the columns that name them first.
func calibrationRows(tables []season.Table) []tableRow {
	if f := find(tables, "calibration"); f != nil {
		return readRows(f, "scenario", "hotspot", "channel", "unit")
	}
	return []tableRow{}
}

// calibrationLaps are the rows of all calibrations' laps.
func calibrationLaps(evidence []season.Evidence) []tableRow {
	out := []tableRow{}
	for _, e := range evidence {
		kind, _ := e.Response.Text("transfer")
		for _, r := range readRows(e.PerLap) {
			if isFactor(kind) {
				r.rename("gain_mpa_per_unit", "factor")
			}
			r.put(0, "scenario", e.Scenario)
			r.put(1, "hotspot", e.Hotspot)
			out = append(out, r)
		}
	}
	return out
}

func (a *app) showCalibration(s *season.Season, out string, o *season.Outcome, figures []string) error {
	rows := calibrationRows(o.Tables)
	laps := ofCalibration(s, o.Laps)
	var err error
	if a.json {
		j := calibrationJSON{Season: s.Season, Out: out, Candidates: rows, Laps: calibrationLaps(o.Evidence), Figures: []string{},
			SetAside: laps.SetAside, Warned: laps.Warned, Failures: o.Failures}
		for _, f := range figures {
			j.Figures = append(j.Figures, filepath.Join(figureFolder, f))
		}
		err = a.printJSON(j)
	} else {
		err = a.printCandidates(rows, o.Failures, out, len(figures))
	}
	a.showLaps(s, laps)
	switch {
	case err != nil:
		return err
	case len(o.Failures) > 0 && a.json:
		return failuresError(o.Failures)
	case len(o.Failures) > 0:
		return failuresError(shortened(o.Failures))
	case len(laps.SetAside) > 0:
		return errSetAside
	}
	return nil
}

// ofCalibration is what is known of the laps that calibrate.
func ofCalibration(s *season.Season, all season.Laps) season.Laps {
	calibrates := map[string]bool{}
	for i := range s.Laps {
		calibrates[s.Laps[i].ID] = s.Laps[i].Calibrates()
	}
	out := season.Laps{SetAside: []season.Aside{}, Warned: []season.Warned{}}
	for _, l := range slices.Concat(all.SetAside, all.InPart) {
		if calibrates[l.Lap] && l.Use != "season" {
			out.SetAside = append(out.SetAside, l)
		}
	}
	for _, w := range all.Warned {
		if calibrates[w.Lap] {
			out.Warned = append(out.Warned, w)
		}
	}
	for _, f := range all.Accepted {
		if calibrates[f.Lap] {
			out.Accepted = append(out.Accepted, f)
		}
	}
	return out
}

// printCandidates shows the candidates, those of a hot spot together, each with its
// reason on a line of its own, and what a refused fit fails.
func (a *app) printCandidates(rows []tableRow, failures []pipeline.Failure, out string, figures int) error {
	w := a.columns()
	fmt.Fprintf(w, "hot spot\tchannel\tgain, MPa/%s\tleast sq.\ttotal l. sq.\tdamage-m.\tr\tcoherence\tlag, ms\tdamage ratio\theld out\tlinear\t\n", commonUnit(rows))
	for _, r := range rows {
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%v\t%v\t%v\t%v\t%v\t%s\t%s\n", spotName(r), r.text("channel"), gainText(r),
			r.gain("_ls"), r.gain("_tls"), r.gain("_damage"), r.number("correlation"), r.number("coherence"), r.number("lag_ms"),
			r.number("damage_ratio"), r.number("held_out_laps"), linearText(r), verdictText(r))
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if err := a.printHeldOut(rows); err != nil {
		return err
	}
	fmt.Fprintln(a.out)
	for _, r := range rows {
		fmt.Fprintf(a.out, "%s, %s: %s\n", spotName(r), orDash(r.text("channel")), shownReason(r.text("reason"), failures))
	}
	for _, f := range distinct(failures) {
		if _, why, _ := calibrate.Reasons(f.Reason); why != nil {
			fmt.Fprintf(a.out, "\n%s: %s\n", f.Task, f.Reason)
		}
	}
	fmt.Fprintln(a.out, "\nDamage-matched gain and damage ratios (predicted over measured) are at the slope of the hot spot's material; held out: on laps, or circuits, that the fit had not seen.")
	if slices.ContainsFunc(rows, tableRow.factor) {
		fmt.Fprintln(a.out, "× marks a factor on the stress that a frequency response or a sum of channels predicts: no gain in MPa per unit.")
	}
	fmt.Fprintf(a.out, "The table calibration is in %s, with %s in %s\n%s\n", out, plural(figures, "figure"), figureFolder, caution)
	return nil
}

// printHeldOut shows what candidates that were looked at in full were tried on.
func (a *app) printHeldOut(rows []tableRow) error {
	w := a.columns()
	fmt.Fprintln(w, "\nhot spot\tchannel\tslope\tlaps\tcircuits\theld-out laps\theld-out circuits\tlaps' spread\tresidual, MPa\tnot flat by\tdamage, 1 sd")
	found := false
	for _, r := range rows {
		if math.IsNaN(float64(r.number("damage_ratio"))) {
			continue
		}
		found = true
		fmt.Fprintf(w, "%s\t%s\t%g\t%g\t%g\t%s\t%s\t%s\t%v\t%s\t×%.3g\n", spotName(r), r.text("channel"), float64(r.number("damage_slope")), float64(r.number("laps")), float64(r.number("circuits")),
			r.span("held_out_laps"), r.span("held_out_circuits"), r.percent("lap_spread"), r.number("residual_mpa"), r.percent("ripple"),
			math.Pow(10, float64(r.number("calibration_log10_sd"))))
	}
	if !found {
		return nil
	}
	return w.Flush()
}

// span is the range of single parts' damage ratios.
func (r tableRow) span(column string) string {
	low, high := r.number(column+"_low"), r.number(column+"_high")
	if math.IsNaN(float64(low)) {
		return "none"
	}
	return fmt.Sprintf("%v to %v", low, high)
}

func (r tableRow) percent(column string) string {
	v := float64(r.number(column))
	if math.IsNaN(v) {
		return "-"
	}
	return fmt.Sprintf("%.2g %%", 100*v)
}

// commonUnit is the unit that all channels have; "unit" where they differ.
func commonUnit(rows []tableRow) string {
	unit := ""
	for _, r := range rows {
		u := r.text("unit")
		if r.factor() || u == "" {
			continue
		}
		if unit != "" && u != unit {
			return "unit"
		}
		unit = u
	}
	if unit == "" {
		return "unit"
	}
	return unit
}

// verdictText says what became of a candidate that was to be followed.
func verdictText(r tableRow) string {
	reason := r.text("reason")
	switch {
	case strings.HasPrefix(reason, "not used:"):
		return "REFUSED"
	case !r.is("chosen"):
		return ""
	case strings.HasPrefix(reason, "unproven"):
		return "chosen, UNPROVEN"
	case strings.Contains(reason, "accepted although"):
		return "chosen, fails but accepted"
	case math.IsNaN(float64(r.number("coherence"))): // given, not fitted
		return "chosen"
	}
	return "chosen, passes"
}

// shownReason is a reason without what is said of a refusal below, a line a finding.
func shownReason(reason string, failures []pipeline.Failure) string {
	for _, f := range failures {
		head, _, long := strings.Cut(f.Reason, "\n")
		if long {
			reason = strings.ReplaceAll(reason, calibrate.Sentence(f.Reason), strings.TrimSuffix(head, ":")+" as said below")
		}
	}
	return oneLine(reason)
}

// distinct are failures without those that repeat another's reason.
func distinct(failures []pipeline.Failure) []pipeline.Failure {
	var out []pipeline.Failure
	for _, f := range failures {
		if !slices.ContainsFunc(out, func(o pipeline.Failure) bool { return o.Reason == f.Reason }) {
			out = append(out, f)
		}
	}
	return out
}

// shortened are failures whose lists of reasons stand in the results already.
func shortened(failures []pipeline.Failure) []pipeline.Failure {
	out := slices.Clone(failures)
	for i, f := range out {
		if head, why, _ := calibrate.Reasons(f.Reason); why != nil {
			out[i].Reason = head + ", for the reasons given with the results"
		}
	}
	return out
}

// factor tells whether what a row has is a factor on predicted stress.
func (r tableRow) factor() bool { return isFactor(r.text("transfer")) }

func isFactor(kind string) bool { return kind == calibrate.KindResponse || kind == calibrate.KindSum }

// gain is a row's gain of a kind, "" the one used, or a factor marked so.
func (r tableRow) gain(kind string) string {
	if !r.factor() {
		return r.number("gain" + kind + "_mpa_per_unit").String()
	}
	v := r.number("factor" + kind)
	if math.IsNaN(float64(v)) {
		return "-"
	}
	return "×" + v.String()
}

// gainText is the gain used with its interval.
func gainText(r tableRow) string {
	gain := r.gain("")
	if r.factor() {
		gain = r.text("transfer") + " " + gain
	}
	if low := r.gain("_low"); low != "-" {
		gain += fmt.Sprintf(" (%s to %s)", low, r.gain("_high"))
	}
	return gain
}

// linearText says whether stress is linear in the channel, and what bends it where that is
// sure, however little it is.
func linearText(r tableRow) string {
	what := map[string]string{"true": "yes", "false": "no"}[r.text("linear")]
	if what == "" {
		return "-"
	}
	if term := r.text("nonlinearity_term"); term != "" && term != "none" {
		what += fmt.Sprintf(", %s %+.2g %%", term, 100*float64(r.number("nonlinearity")))
	}
	return what
}

func spotName(r tableRow) string {
	if r.text("scenario") == season.BaseScenario {
		return r.text("hotspot")
	}
	return r.text("hotspot") + " in " + r.text("scenario")
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}
