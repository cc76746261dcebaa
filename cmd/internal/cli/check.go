package cli

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"lapwear/pipeline"
	"lapwear/pipeline/season"
)

func (a *app) check() *cobra.Command {
	var set []string
	c := &cobra.Command{
		Use:   "check SEASON.yaml",
		Short: "Read and validate everything, compute nothing",
		Long: `Reads the season file, the lap manifest, the calendar and the head of every recording,
and lists all faults, each with its place and a remedy. Nothing is computed or written.
Exit code 2: the season is invalid. 3: it is valid, but some laps would be set aside.`,
		Example: "  lapwear check season.yaml",
		Args:    cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error {
			return a.checkSeason(args[0], set)
		},
	}
	c.Flags().StringArrayVar(&set, "set", nil, "replace a value of the season file, as in hotspots.toe.stress_factor=0.93")
	return c
}

// checkJSON is the object that check --json prints.
type checkJSON struct {
	Valid    bool                `json:"valid"`
	Laps     int                 `json:"laps"`
	Faults   []faultJSON         `json:"faults"`
	Warnings []faultJSON         `json:"warnings"`
	SetAside []pipeline.SetAside `json:"set_aside"`
}

type faultJSON struct {
	File    string `json:"file"`
	Line    int    `json:"line,omitempty"`
	Column  int    `json:"column,omitempty"`
	Message string `json:"message"`
	Remedy  string `json:"remedy,omitempty"`
}

func (a *app) checkSeason(path string, set []string) error {
	s, faults := season.Load(path, season.LoadOptions{Set: set})
	j := checkJSON{Valid: len(faults) == 0, Faults: faultsJSON(faults), Warnings: []faultJSON{}, SetAside: []pipeline.SetAside{}}
	if s != nil && j.Valid {
		j.Laps, j.Warnings = len(s.Laps), faultsJSON(s.Warnings)
		j.SetAside = s.CheckRecordings()
	}
	if a.json {
		if err := a.printJSON(j); err != nil {
			return err
		}
		return checkResult(j)
	}
	if len(faults) > 0 {
		return faults
	}
	for _, w := range s.Warnings {
		fmt.Fprintf(a.out, "warning: %s\n", w.Error())
	}
	for _, l := range j.SetAside {
		fmt.Fprintf(a.out, "lap %s would be set aside: %s\n", l.Lap, oneLine(l.Reason))
	}
	fmt.Fprintf(a.out, "%s is valid: %s, %s, %s would be set aside\n", path,
		plural(len(s.Hotspots), "hot spot"), plural(len(s.Laps), "lap"), plural(len(j.SetAside), "lap"))
	return checkResult(j)
}

var errInvalid = errors.New("the season is invalid")

func checkResult(j checkJSON) error {
	switch {
	case !j.Valid:
		return usageError{errInvalid}
	case len(j.SetAside) > 0:
		return errSetAside
	}
	return nil
}

func faultsJSON(faults []season.Fault) []faultJSON {
	out := make([]faultJSON, len(faults))
	for i, f := range faults {
		out[i] = faultJSON{f.File, f.Line, f.Column, f.Message, f.Remedy}
	}
	return out
}
