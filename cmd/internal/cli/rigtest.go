package cli

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"lapwear/cmd/internal/report"
	"lapwear/pipeline/season"
	"lapwear/stages/frame"
)

// rigTest collects what the commands of the rig test have left in an output folder: the tables of testplan, and of rigcheck beside
// it. It is nil where there is no plan. What is no longer of the season's numbers, or of the plan's drive, is left out and said.
func rigTest(out string, tables []season.Table) *report.RigTest {
	dir := filepath.Join(out, planFolder)
	if _, err := os.Stat(filepath.Join(dir, planName)); err != nil {
		return nil
	}
	t := &report.RigTest{}
	plan, err := readTables(dir, append([]string{driveName}, planTables...))
	if err != nil {
		return t.Leave(fmt.Sprintf("The rig test’s plan is not shown: %v; run testplan again.", err))
	}
	if why := outOfDate(report.Find(plan, "plan"), find(tables, "season")); why != "" {
		return t.Leave("The rig test’s plan is older than the season’s numbers and is not shown: " + why + "; run testplan again.")
	}
	t.Plan = plan
	drive := fileHash(filepath.Join(dir, driveName+".parquet"))
	for _, of := range []struct {
		folder string
		to     *[]report.Table
	}{{rigFolder, &t.Check}, {ballastFolder, &t.Ballast}} {
		found, err := readTables(filepath.Join(dir, of.folder), rigTables)
		switch {
		case err != nil:
			t.Leave(fmt.Sprintf("What rigcheck left in %q is not shown: %v; run it again.", of.folder, err))
		case len(found) > 0 && !ofDrive(report.Find(found, "iterations"), drive):
			t.Leave(fmt.Sprintf("What rigcheck left in %q is of another drive than the plan’s and is not shown; run it again.", of.folder))
		default:
			*of.to = found
		}
	}
	return t
}

// outOfDate says in what a plan differs from the season's account; "" = in nothing.
func outOfDate(plan, account *frame.Frame) string {
	if plan == nil || plan.Rows() == 0 {
		return "it has no table plan"
	}
	if account == nil {
		return "the season has no account"
	}
	spots, err1 := frame.Get[[]string](plan, "hotspot")
	scenarios, err2 := frame.Get[[]string](plan, "scenario")
	planned, err3 := frame.Get[[]float64](plan, "season_damage")
	hotspot, err4 := frame.Get[[]string](account, "hotspot")
	scenario, err5 := frame.Get[[]string](account, "scenario")
	damage, err6 := frame.Get[[]float64](account, "season_damage")
	if err := errors.Join(err1, err2, err3, err4, err5, err6); err != nil {
		return err.Error()
	}
	for i, h := range spots {
		now := -1
		for k := range hotspot {
			if hotspot[k] == h && scenario[k] == scenarios[i] {
				now = k
			}
		}
		switch {
		case now < 0:
			return fmt.Sprintf("hot spot %q of scenario %q is no longer there", h, scenarios[i])
		case damage[now] != planned[i]:
			return fmt.Sprintf("the season’s damage at %s was %.4g and is %.4g", h, planned[i], damage[now])
		}
	}
	return ""
}

// ofDrive tells whether recordings were held against this drive.
func ofDrive(iterations *frame.Frame, drive string) bool {
	if iterations == nil {
		return false
	}
	sums, err := frame.Get[[]string](iterations, "drive_sha256")
	return err == nil && !slices.ContainsFunc(sums, func(s string) bool { return s != drive })
}

// readTables reads those tables that a folder has.
func readTables(dir string, names []string) ([]report.Table, error) {
	var out []report.Table
	for _, name := range names {
		path := filepath.Join(dir, name+".parquet")
		if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
			continue
		}
		f, err := readFrame(path)
		if err != nil {
			return nil, err
		}
		out = append(out, report.Table{Name: name, Frame: f})
	}
	return out, nil
}

// readFrame reads a table of texts and numbers.
func readFrame(path string) (_ *frame.Frame, err error) {
	src, err := frame.OpenParquet(path)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, src.Close()) }()
	var cols []frame.Column
	for _, c := range src.Columns() {
		if c.Type == "string" {
			texts, err := src.ReadStrings(c.Name)
			if err != nil {
				return nil, err
			}
			cols = append(cols, frame.Col(c.Name, c.Unit, texts))
			continue
		}
		v, err := src.Read([]string{c.Name})
		if err != nil {
			return nil, err
		}
		cols = append(cols, frame.Col(c.Name, c.Unit, v[0]))
	}
	return frame.New(nil, cols...)
}
