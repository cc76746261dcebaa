package cli

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"lapwear/cmd/internal/folder"
	"lapwear/cmd/internal/report"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
	"lapwear/stages/frame"
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
time, the scatter with the fitted lines, coherence and gain over frequency, and what the
fit leaves. Exit code 1: a hot spot is refused. 3: some calibration laps were set aside.`,
		Example: "  lapwear calibrate season.yaml\n  lapwear calibrate season.yaml --json --set hotspots.toe.follow=acc_z",
		Args:    cobra.ExactArgs(1),
		RunE:    func(c *cobra.Command, args []string) error { return a.calibrateSeason(c.Context(), args[0], o) },
	}
	f := c.Flags()
	f.StringVar(&o.out, "out", "", "folder for table and figures (default: out, beside the season file)")
	cacheFlag(c, &o.cache)
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
	Candidates []candidate        `json:"candidates"`
	Figures    []string           `json:"figures"`
	SetAside   []season.Aside     `json:"set_aside"`
	Failures   []pipeline.Failure `json:"failures,omitempty"`
}

// candidate is a row of the table calibration.
type candidate struct {
	Scenario    string `json:"scenario"`
	Hotspot     string `json:"hotspot"`
	Channel     string `json:"channel"`
	Unit        string `json:"unit"`
	Gain        number `json:"gain_mpa_per_unit"`
	Low         number `json:"gain_low_mpa_per_unit"`
	High        number `json:"gain_high_mpa_per_unit"`
	LS          number `json:"gain_ls_mpa_per_unit"`
	TLS         number `json:"gain_tls_mpa_per_unit"`
	Damage      number `json:"gain_damage_mpa_per_unit"`
	Offset      number `json:"offset_mpa"`
	Correlation number `json:"correlation"`
	Coherence   number `json:"coherence"`
	Lag         number `json:"lag_ms"`
	Ratio       number `json:"damage_ratio"`
	HeldOut     number `json:"held_out_laps"`
	HeldLow     number `json:"held_out_laps_low"`
	HeldHigh    number `json:"held_out_laps_high"`
	HeldCircuit number `json:"held_out_circuits"`
	Residual    number `json:"residual_mpa"`
	Sd          number `json:"calibration_log10_sd"`
	Laps        number `json:"laps"`
	Circuits    number `json:"circuits"`
	Linear      string `json:"linear"`
	Chosen      bool   `json:"chosen"`
	Reason      string `json:"reason"`
}

// readCandidates reads the table calibration.
func readCandidates(f *frame.Frame) ([]candidate, error) {
	if f == nil {
		return []candidate{}, nil
	}
	out := make([]candidate, f.Rows())
	var err error
	for name, set := range map[string]func(*candidate, string){
		"scenario": func(c *candidate, v string) { c.Scenario = v }, "hotspot": func(c *candidate, v string) { c.Hotspot = v },
		"channel": func(c *candidate, v string) { c.Channel = v }, "unit": func(c *candidate, v string) { c.Unit = v },
		"linear": func(c *candidate, v string) { c.Linear = v }, "reason": func(c *candidate, v string) { c.Reason = v },
	} {
		err = errors.Join(err, fill(f, name, out, frame.Get[[]string], set))
	}
	for name, get := range map[string]func(*candidate) *number{
		"gain_mpa_per_unit": func(c *candidate) *number { return &c.Gain }, "gain_low_mpa_per_unit": func(c *candidate) *number { return &c.Low },
		"gain_high_mpa_per_unit": func(c *candidate) *number { return &c.High }, "gain_ls_mpa_per_unit": func(c *candidate) *number { return &c.LS },
		"gain_tls_mpa_per_unit": func(c *candidate) *number { return &c.TLS }, "gain_damage_mpa_per_unit": func(c *candidate) *number { return &c.Damage },
		"offset_mpa": func(c *candidate) *number { return &c.Offset }, "correlation": func(c *candidate) *number { return &c.Correlation },
		"coherence": func(c *candidate) *number { return &c.Coherence }, "lag_ms": func(c *candidate) *number { return &c.Lag },
		"damage_ratio": func(c *candidate) *number { return &c.Ratio }, "held_out_laps": func(c *candidate) *number { return &c.HeldOut },
		"held_out_laps_low": func(c *candidate) *number { return &c.HeldLow }, "held_out_laps_high": func(c *candidate) *number { return &c.HeldHigh },
		"held_out_circuits": func(c *candidate) *number { return &c.HeldCircuit }, "residual_mpa": func(c *candidate) *number { return &c.Residual },
		"calibration_log10_sd": func(c *candidate) *number { return &c.Sd },
		"laps":                 func(c *candidate) *number { return &c.Laps }, "circuits": func(c *candidate) *number { return &c.Circuits },
	} {
		err = errors.Join(err, fill(f, name, out, frame.Get[[]float64], func(c *candidate, v float64) { *get(c) = number(v) }))
	}
	return out, errors.Join(err, fill(f, "chosen", out, frame.Get[[]bool], func(c *candidate, v bool) { c.Chosen = v }))
}

// fill sets a field of rows from a column.
func fill[R any, V any](f *frame.Frame, name string, rows []R, get func(*frame.Frame, string) ([]V, error), set func(*R, V)) error {
	v, err := get(f, name)
	if err != nil {
		return err
	}
	for i := range rows {
		set(&rows[i], v[i])
	}
	return nil
}

func (a *app) showCalibration(s *season.Season, out string, o *season.Outcome, figures []string) error {
	rows, err := readCandidates(find(o.Tables, "calibration"))
	if err != nil {
		return err
	}
	aside := calibrationAside(s, o.Laps)
	if a.json {
		j := calibrationJSON{Season: s.Season, Out: out, Candidates: rows, Figures: []string{}, SetAside: aside, Failures: o.Failures}
		for _, f := range figures {
			j.Figures = append(j.Figures, filepath.Join(figureFolder, f))
		}
		err = a.printJSON(j)
	} else {
		err = a.printCandidates(rows, out, len(figures))
	}
	for _, l := range aside {
		if !a.quiet {
			fmt.Fprintf(a.err, "set aside: lap %s: %s\n", l.Lap, oneLine(l.Reason))
		}
	}
	switch {
	case err != nil:
		return err
	case len(o.Failures) > 0:
		return failuresError(o.Failures)
	case len(aside) > 0:
		return errSetAside
	}
	return nil
}

// calibrationAside lists the laps that a calibration does without.
func calibrationAside(s *season.Season, laps season.Laps) []season.Aside {
	calibrates := map[string]bool{}
	for i := range s.Laps {
		calibrates[s.Laps[i].ID] = s.Laps[i].Calibrates()
	}
	out := []season.Aside{}
	for _, l := range append(slices.Clone(laps.SetAside), laps.InPart...) {
		if calibrates[l.Lap] && l.Use != "season" {
			out = append(out, l)
		}
	}
	return out
}

// printCandidates shows the candidates, those of a hot spot together, each with its
// reason on a line of its own.
func (a *app) printCandidates(rows []candidate, out string, figures int) error {
	w := a.columns()
	fmt.Fprintln(w, "hot spot\tchannel\tgain, MPa/unit\tleast sq.\ttotal l. sq.\tdamage\tr\tcoherence\tlag, ms\tdamage ratio\theld out\tlinear\t")
	for _, r := range rows {
		gain := r.Gain.String()
		if r.Low == r.Low { // known
			gain += fmt.Sprintf(" (%v to %v)", r.Low, r.High)
		}
		mark := ""
		if r.Chosen {
			mark = "chosen"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%v\t%v\t%v\t%v\t%v\t%v\t%v\t%v\t%s\t%s\n", spotName(r), r.Channel, gain, r.LS, r.TLS, r.Damage,
			r.Correlation, r.Coherence, r.Lag, r.Ratio, r.HeldOut, orDash(r.Linear), mark)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(a.out)
	for _, r := range rows {
		fmt.Fprintf(a.out, "%s, %s: %s\n", spotName(r), orDash(r.Channel), oneLine(r.Reason))
	}
	fmt.Fprintf(a.out, "\nDamage ratio: predicted over measured; held out: on laps that the fit had not seen.\nThe table calibration is in %s, with %s in %s\n%s\n",
		out, plural(figures, "figure"), figureFolder, caution)
	return nil
}

func spotName(r candidate) string {
	if r.Scenario == season.BaseScenario {
		return r.Hotspot
	}
	return r.Hotspot + " in " + r.Scenario
}

func orDash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}
