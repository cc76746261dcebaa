package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"lapwear/cmd/internal/demo"
	"lapwear/stages/frame"
)

// demoDir is where the invented season goes when no folder is named.
const demoDir = "demo-season"

func (a *app) demo() *cobra.Command {
	var o runOptions
	c := &cobra.Command{
		Use:   "demo [DIR]",
		Short: "Write an invented season and bring its account up to date",
		Long: `Writes the season of an invented electric endurance bike's inverter cradle to DIR
(default: demo-season) and goes the whole way: plans the rig test, writes invented
recordings of the rig and holds them against the plan, judges the specimens' lives, and
runs the season, whose report shows all of it. Circuits, riders, bikes, rig and figures are
invented. One lap is at fault on purpose, to show how it is set aside; the exit code is 0
all the same.`,
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
			if err := a.demoRig(c.Context(), file, o); err != nil {
				return err
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

// demoRig plans the rig test of the invented season, lets the invented rig run it, and judges rig and specimens, by the commands that a
// user would type; they are named, and their tables are in the output folder.
func (a *app) demoRig(ctx context.Context, file string, o runOptions) error {
	out := o.out
	if out == "" {
		out = filepath.Join(filepath.Dir(file), "out")
	}
	plan := []string{"testplan", file, "--out", out}
	if o.cache != "" {
		plan = append(plan, "--cache", o.cache)
	}
	if o.jobs > 0 {
		plan = append(plan, "--jobs", strconv.Itoa(o.jobs))
	}
	if err := a.step(ctx, plan...); err != nil {
		return err
	}
	dir := filepath.Join(out, planFolder)
	runs, err := runRig(ctx, filepath.Dir(file), filepath.Join(dir, driveName+".parquet"))
	if err != nil {
		return err
	}
	manifest := filepath.Join(dir, planName)
	if err := a.step(ctx, append([]string{"rigcheck", manifest}, runs.Iterations...)...); err != nil {
		return err
	}
	masses := make([]string, len(runs.Masses))
	for i, m := range runs.Masses {
		masses[i] = strconv.FormatFloat(m, 'g', -1, 64)
	}
	if err := a.step(ctx, append([]string{"rigcheck", manifest, "--mass", strings.Join(masses, ",")}, runs.Ballast...)...); err != nil {
		return err
	}
	return a.step(ctx, "testlife", filepath.Join(filepath.Dir(file), "specimens.csv"), "--plan", manifest, "--out", out)
}

// step runs a command of its own for what it writes, and names it.
func (a *app) step(ctx context.Context, args ...string) error {
	if !a.json {
		fmt.Fprintln(a.out, "lapwear "+strings.Join(args, " "))
	}
	own := &app{out: io.Discard, err: a.err, args: args}
	root := own.root()
	root.SetArgs(append(args, "--quiet"))
	err := root.ExecuteContext(ctx)
	if errors.Is(err, errSetAside) {
		return nil
	}
	return err
}

// runRig writes the invented rig's recordings of a drive.
func runRig(ctx context.Context, dir, drive string) (demo.Runs, error) {
	src, err := frame.OpenParquet(drive)
	if err != nil {
		return demo.Runs{}, err
	}
	x, err := src.Read([]string{"time_s", "acc_x_g", "acc_z_g"})
	if err := errors.Join(err, src.Close()); err != nil {
		return demo.Runs{}, err
	}
	d := demo.Drive{X: x[1], Z: x[2]}
	if n := len(x[0]); n > 1 {
		d.Rate = float64(n-1) / (x[0][n-1] - x[0][0])
	}
	return demo.WriteRig(ctx, dir, d, 0)
}
