package cli

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"slices"

	"github.com/spf13/cobra"

	"lapwear/fatigue"
	"lapwear/stages/damage"
	"lapwear/stages/ingest"
)

type countOptions struct {
	column  string
	gate    float64
	residue string
}

func (a *app) count() *cobra.Command {
	var o countOptions
	c := &cobra.Command{
		Use:   "count FILE --column C",
		Short: "Count the cycles of one column of a recording",
		Long: `Counts the column's rainflow cycles by the four-point method, as recorded: nothing is
resampled, filtered or scaled. What does not close is read as half cycles, so that the
counts equal those of ASTM E1049-85. start and end are sample numbers, from 0.`,
		Example: "  lapwear count lap.csv --column AZ_CRADLE\n  lapwear count lap.parquet --column AZ_CRADLE --residue repeat --json",
		Args:    cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			return a.countColumn(args[0], o)
		},
	}
	c.Flags().StringVar(&o.column, "column", "", "name of the column (required)")
	c.Flags().Float64Var(&o.gate, "gate", 0, "drop turning points closer than this, in the column's unit")
	c.Flags().StringVar(&o.residue, "residue", damage.Half, "what does not close: half (half cycles) or repeat (as if the record repeated for ever)")
	return c
}

// cycleJSON is a cycle as count --json prints it.
type cycleJSON struct {
	Range number  `json:"range"`
	Mean  number  `json:"mean"`
	Count float64 `json:"count"`
	Start int32   `json:"start"`
	End   int32   `json:"end"`
}

func (a *app) countColumn(path string, o countOptions) error {
	if o.column == "" {
		return usagef("count needs --column NAME")
	}
	if o.gate < 0 || math.IsNaN(o.gate) {
		return usagef("--gate %g: want a number from 0", o.gate)
	}
	if o.residue != damage.Half && o.residue != damage.Repeat {
		return usagef("--residue %q: want %s or %s", o.residue, damage.Half, damage.Repeat)
	}
	x, err := ingest.ReadColumn(path, o.column)
	if err != nil {
		return countError(err)
	}
	c, err := fatigue.CountCycles(x, o.gate)
	if err != nil {
		return err
	}
	cycles := listCycles(c.Closed, 1)
	if o.residue == damage.Repeat {
		cycles = append(cycles, listCycles(fatigue.RepeatCycles(c.Residue), 1)...)
	} else {
		cycles = append(cycles, listCycles(fatigue.HalfCycles(c.Residue), 0.5)...)
	}
	slices.SortStableFunc(cycles, func(p, q cycleJSON) int { return int(p.Start) - int(q.Start) })
	if a.json {
		return a.printJSON(struct {
			Cycles []cycleJSON `json:"cycles"`
		}{cycles})
	}
	w := a.columns()
	fmt.Fprintln(w, "range\tmean\tcount\tstart\tend")
	for _, c := range cycles {
		fmt.Fprintf(w, "%g\t%g\t%g\t%d\t%d\n", float64(c.Range), float64(c.Mean), c.Count, c.Start, c.End)
	}
	return w.Flush()
}

// countError makes a file that cannot be opened, or cannot be read as a recording, the
// user's fault, and leaves a failing disk what it is.
func countError(err error) error {
	var path *fs.PathError
	if errors.As(err, &path) && path.Op == "read" {
		return err
	}
	return usageError{err}
}

func listCycles(c fatigue.Cycles, count float64) []cycleJSON {
	out := make([]cycleJSON, c.Len())
	for i := range out {
		out[i] = cycleJSON{number(c.Range(i)), number(c.Mean(i)), count, c.Start[i], c.End[i]}
	}
	return out
}
