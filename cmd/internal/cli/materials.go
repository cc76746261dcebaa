package cli

import (
	"fmt"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"lapwear/fatigue"
)

func (a *app) materials() *cobra.Command {
	return &cobra.Command{
		Use:   "materials [NAME]",
		Short: "Show the built-in published S-N curves with their sources",
		Long: `Lists the built-in S-N curves, or shows one in full: the document and figure it comes
from, its parameters and the limits within which it holds. A season file uses one by its
name, or states its own under materials.`,
		Example: "  lapwear materials\n  lapwear materials weld-71",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			if len(args) == 0 {
				return a.listMaterials()
			}
			m, ok := fatigue.Lookup(args[0])
			if !ok {
				return usagef("there is no built-in material %q%s; 'lapwear materials' lists them", args[0], likeNames(args[0]))
			}
			if a.json {
				return a.printJSON(describe(m))
			}
			return a.printMaterial(describe(m))
		},
	}
}

// likeNames offers the built-in names that begin as a wrong one does.
func likeNames(name string) string {
	start := strings.ToLower(name[:min(len(name), 5)])
	var like []string
	for _, m := range fatigue.Published() {
		if strings.HasPrefix(m.Name, start) && len(like) < 5 {
			like = append(like, m.Name)
		}
	}
	if len(like) == 0 {
		return ""
	}
	return "; there are " + strings.Join(like, ", ")
}

// property is a named value of a material, as text.
type property struct {
	Name  string `json:"name"`
	Value string `json:"value"`
}

// materialJSON is a material as materials --json prints it.
type materialJSON struct {
	Name        string     `json:"name"`
	Source      string     `json:"source"`
	Title       string     `json:"title,omitempty"`
	Kind        string     `json:"kind"`
	Curve       []property `json:"curve"`
	UltimateMPa number     `json:"ultimate_mpa,omitempty"`
	Scatter     number     `json:"scatter"`
	Survival    number     `json:"survival"`
	Particulars []property `json:"particulars,omitempty"`
	Limits      string     `json:"limits"`
}

func describe(m fatigue.Material) materialJSON {
	j := materialJSON{Name: m.Name, Source: m.Source, Title: m.Record.Title, UltimateMPa: number(m.Ultimate),
		Scatter: number(m.Scatter), Survival: number(m.Survival), Limits: m.Record.Limits}
	if m.Survival == 0 {
		j.Survival = 0.5
	}
	add := func(name, format string, args ...any) {
		j.Curve = append(j.Curve, property{name, fmt.Sprintf(format, args...)})
	}
	switch c := m.Curve.(type) {
	case fatigue.Power:
		j.Kind = "power"
		add("amplitude", "%.6g MPa at %g cycles", c.RefAmplitude, c.RefCycles)
		add("slope", "%.6g", c.Slope)
		if c.Knee > 0 {
			add("knee", "%g cycles, beyond it slope %s", c.Knee, beyondText(c.Beyond))
		}
		if c.Cutoff > 0 {
			add("cut-off", "no damage below the amplitude at %g cycles", c.Cutoff)
		}
	case fatigue.EquivalentStress:
		j.Kind = "equivalent-stress"
		add("log10 N", "%g + %g log10(Smax (1-R)^%g - %g)", c.A1, c.A2, c.A3, c.A4)
		add("unit", "%s", unitText(c.MPaPerUnit))
	case fatigue.Table:
		j.Kind = "table"
		for i := range c.Amplitudes {
			add("point", "%g MPa, %g cycles", c.Amplitudes[i], c.Lives[i])
		}
	}
	j.Particulars = particulars(m.Record)
	return j
}

func unitText(mpa float64) string {
	if mpa == fatigue.KSI {
		return "ksi"
	}
	return fmt.Sprintf("%g MPa", mpa)
}

func beyondText(b fatigue.Beyond) string {
	if b.Form == fatigue.BeyondSlope || b.Form == "" {
		return fmt.Sprintf("%g", b.Slope)
	}
	return b.Form
}

func particulars(r fatigue.Record) []property {
	var out []property
	add := func(name, value string) {
		if value != "" && value != "0" {
			out = append(out, property{name, value})
		}
	}
	add("product form", r.ProductForm)
	add("stress concentration Kt", fmt.Sprintf("%g", r.Kt))
	add("specimens", fmt.Sprintf("%d", r.Specimens))
	add("standard error of log10 N", r.StandardError)
	add("standard deviation of log10 N", r.StandardDeviation)
	add("R2", fmt.Sprintf("%g", r.R2Percent)+" %")
	add("how the numbers were checked", r.Verified)
	return slices.DeleteFunc(out, func(p property) bool { return p.Value == "0 %" })
}

func (a *app) listMaterials() error {
	all := fatigue.Published()
	if a.json {
		list := make([]materialJSON, len(all))
		for i, m := range all {
			list[i] = describe(m)
		}
		return a.printJSON(list)
	}
	w := a.columns()
	fmt.Fprintln(w, "name\tkind\tKt\tscatter\tsurvival\tsource")
	for _, m := range all {
		j, kt, scatter := describe(m), "-", "-"
		if m.Record.Kt > 0 {
			kt = fmt.Sprintf("%g", m.Record.Kt)
		}
		if j.Scatter > 0 {
			scatter = fmt.Sprintf("%g", float64(j.Scatter))
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\n", j.Name, j.Kind, kt, scatter, percent(float64(j.Survival)), j.Source)
	}
	if err := w.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(a.out, "\nEach holds within limits only: 'lapwear materials NAME' shows them.")
	return nil
}

func (a *app) printMaterial(j materialJSON) error {
	w := a.columns()
	line := func(name, value string) {
		if value != "" {
			fmt.Fprintf(w, "%s\t%s\n", name, value)
		}
	}
	line("name", j.Name)
	line("source", j.Source)
	line("title", j.Title)
	line("kind", j.Kind)
	for _, p := range j.Curve {
		line("  "+p.Name, p.Value)
	}
	if j.UltimateMPa > 0 {
		line("ultimate", j.UltimateMPa.String()+" MPa")
	}
	if j.Scatter > 0 {
		line("scatter of log10 N", j.Scatter.String())
	} else {
		line("scatter of log10 N", "not given")
	}
	line("curve's survival", percent(float64(j.Survival)))
	for _, p := range j.Particulars {
		line(p.Name, p.Value)
	}
	line("limits", j.Limits)
	return w.Flush()
}
