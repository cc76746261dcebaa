package cli

import (
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"lapwear/pipeline/season"
	"lapwear/stages"
	"lapwear/stages/aggregate"
)

// showLaps tells which laps are set aside, warned of and accepted.
func (a *app) showLaps(s *season.Season, laps season.Laps) {
	for _, l := range slices.Concat(laps.SetAside, laps.InPart) {
		fmt.Fprintf(a.err, "set aside: lap %s: %s%s\n", oneLine(stages.Cut(l.Lap)), oneLine(l.Reason), howToAccept(s, l))
	}
	for _, w := range warnedLines(laps.Warned) {
		a.warnf("%s", w)
	}
	for _, w := range staleLines(s, laps.Accepted) {
		a.warnf("%s", w)
	}
}

// howToAccept says what to write to use the lap all the same.
func howToAccept(s *season.Season, l season.Aside) string {
	if len(l.Checks) == 0 {
		return ""
	}
	words := make([]string, len(l.Checks))
	for i, c := range l.Checks {
		words[i] = c + ": your reason"
	}
	return fmt.Sprintf("; mend the recording or, to use the lap all the same, write %q in its column accept of %s",
		strings.Join(words, "; "), stages.Cut(filepath.Base(s.LapsFile)))
}

// shown is how many laps a line names.
const lapsShown = 5

// lapList names laps, the first few by name.
func lapList(laps []string) string {
	more := ""
	if n := len(laps) - lapsShown; n > 0 {
		laps, more = laps[:lapsShown], fmt.Sprintf(" and %d more", n)
	}
	short := make([]string, len(laps))
	for i, l := range laps {
		short[i] = stages.Cut(l)
	}
	return strings.Join(short, ", ") + more
}

// warnedLines says for each check which laps it warns of.
func warnedLines(warned []season.Warned) []string {
	of := func(check string) string {
		var laps []string
		for _, w := range warned {
			if slices.Contains(w.Checks, check) {
				laps = append(laps, w.Lap)
			}
		}
		return lapList(laps)
	}
	var lines []string
	if laps := of(aggregate.OverUltimate); laps != "" {
		lines = append(lines, fmt.Sprintf("%s: lap %s; a cycle reaches the ultimate stress and counts as damage 1: see the column flags of the table laps",
			aggregate.OverUltimate, laps))
	}
	for _, c := range aggregate.Checks() {
		if laps := of(c.Name); laps != "" {
			lines = append(lines, fmt.Sprintf("%s: lap %s; see the table quality", c.Name, laps))
		}
	}
	return lines
}

// staleLines says for each check of which laps it was accepted in vain.
func staleLines(s *season.Season, accepted []season.AcceptedFinding) []string {
	var lines []string
	for _, c := range aggregate.Checks() {
		var laps []string
		for _, a := range accepted {
			if a.Check == c.Name && a.Stale {
				laps = append(laps, a.Lap)
			}
		}
		if len(laps) > 0 {
			lines = append(lines, fmt.Sprintf("accept %s: lap %s; the check finds nothing there any more: take it out of %s",
				c.Name, lapList(laps), stages.Cut(filepath.Base(s.LapsFile))))
		}
	}
	return lines
}

// effective counts the acceptances that are not stale.
func effective(accepted []season.AcceptedFinding) int {
	n := 0
	for _, a := range accepted {
		if !a.Stale {
			n++
		}
	}
	return n
}
