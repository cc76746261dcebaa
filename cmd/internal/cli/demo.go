package cli

import (
	"errors"
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"lapwear/cmd/internal/demo"
)

// demoDir is where the invented season goes when no folder is named.
const demoDir = "demo-season"

func (a *app) demo() *cobra.Command {
	var o runOptions
	c := &cobra.Command{
		Use:   "demo [DIR]",
		Short: "Write an invented season and bring its account up to date",
		Long: `Writes the season of an invented electric endurance bike's inverter cradle to DIR
(default: demo-season) and runs it. Circuits, riders, bikes and figures are invented. One
lap is at fault on purpose, to show how it is set aside; the exit code is 0 all the same.`,
		Example: "  lapwear demo\n  lapwear demo /tmp/season --json",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			dir := demoDir
			if len(args) == 1 {
				dir = args[0]
			}
			p := a.newProgress()
			file, err := demo.Write(c.Context(), dir, demo.Options{}, p.written)
			p.close()
			if err != nil {
				return err
			}
			if !a.json {
				fmt.Fprintf(a.out, "wrote an invented season to %s; see %s\n\n", filepath.Dir(file), file)
			}
			err = a.runSeason(c.Context(), file, o)
			if errors.Is(err, errSetAside) {
				return nil
			}
			return err
		},
	}
	c.Flags().StringVar(&o.out, "out", "", "folder for the tables (default: out, beside the season file)")
	cacheFlag(c, &o.cache)
	c.Flags().IntVar(&o.jobs, "jobs", 0, "laps worked on at once (default: one a processor)")
	return c
}
