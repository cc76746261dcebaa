package cli

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"lapwear/pipeline/season"
	"lapwear/stages"
)

func (a *app) check() *cobra.Command {
	var set []string
	c := &cobra.Command{
		Use:   "check SEASON.yaml",
		Short: "Read and validate everything, compute nothing",
		Long: `Reads the season file, the lap manifest, the calendar, and of every recording the
columns, the first rows and the end, and lists all faults at once, each with its place
and a remedy. Beside faults of the season file, recordings are checked by what of it is
valid. Nothing is computed or written.
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
	Valid    bool           `json:"valid"`
	Laps     int            `json:"laps"`
	Faults   []faultJSON    `json:"faults"`
	Warnings []faultJSON    `json:"warnings"`
	SetAside []setAsideJSON `json:"set_aside"`
}

// setAsideJSON is a lap that would be set aside: the first reason, and all of them.
type setAsideJSON struct {
	Lap     string   `json:"lap_id"`
	Reason  string   `json:"reason"`
	Reasons []string `json:"reasons"`
}

type faultJSON struct {
	File    string `json:"file"`
	Line    int    `json:"line,omitempty"`
	Column  int    `json:"column,omitempty"`
	Message string `json:"message"`
	Remedy  string `json:"remedy,omitempty"`
}

func (a *app) checkSeason(path string, set []string) error {
	c := season.Check(path, season.LoadOptions{Set: set})
	if a.json {
		j := checkJSON{c.Season != nil, c.Laps, faultsJSON(c.Faults), faultsJSON(c.Warnings), []setAsideJSON{}}
		for _, l := range c.SetAside {
			j.SetAside = append(j.SetAside, setAsideJSON{l.Lap, l.Reasons[0], l.Reasons})
		}
		if err := a.printJSON(j); err != nil {
			return err
		}
		if c.Season == nil {
			return usageError{errInvalid}
		}
		return checkResult(c)
	}
	for _, w := range c.Warnings {
		fmt.Fprintf(a.out, "warning: %s\n", w.Error())
	}
	for _, l := range c.SetAside {
		for _, why := range l.Reasons {
			fmt.Fprintf(a.out, "lap %s would be set aside: %s\n", stages.Cut(l.Lap), oneLine(why))
		}
	}
	if c.Season != nil {
		fmt.Fprintf(a.out, "%s is valid: %s, %s, %s would be set aside\n", path,
			plural(len(c.Season.Hotspots), "hot spot"), plural(c.Laps, "lap"), plural(len(c.SetAside), "lap"))
	}
	return checkResult(c)
}

var errInvalid = errors.New("the season is invalid")

func checkResult(c season.Checked) error {
	switch {
	case c.Season == nil:
		return c.Faults
	case len(c.SetAside) > 0:
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
