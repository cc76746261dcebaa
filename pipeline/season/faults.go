package season

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// maxFaults bounds what is listed of one load: nobody reads more, and a binary
// file named as a manifest would give one per line.
const maxFaults = 1000

// Fault is one thing wrong with the user's files. Line and Column count from 1,
// columns in characters. In a Parquet manifest Line is the row, from 1, and Column
// the column's place in the file.
type Fault struct {
	File         string
	Line, Column int
	Message      string // what is wrong, and what was expected
	Remedy       string // what to do; may be empty
}

// Warning is a Fault that does not stop a run.
type Warning = Fault

// Error returns "file:line:column: message; remedy".
func (f Fault) Error() string {
	s := fmt.Sprintf("%s:%d:%d: %s", f.File, f.Line, f.Column, f.Message)
	if f.Remedy != "" {
		s += "; " + f.Remedy
	}
	return s
}

// Faults are all that is wrong, sorted by file, line and column. Nil is valid.
type Faults []Fault

// Error returns one fault a line.
func (fs Faults) Error() string {
	lines := make([]string, len(fs))
	for i, f := range fs {
		lines[i] = f.Error()
	}
	return strings.Join(lines, "\n")
}

// Err returns the faults as an error, and a plain nil when there are none, which
// the conversion of an empty Faults to error would not be.
func (fs Faults) Err() error {
	if len(fs) == 0 {
		return nil
	}
	return fs
}

// pos is a place in a file.
type pos struct {
	file      string
	line, col int
}

// collector gathers faults, each once.
type collector struct {
	list []Fault
	seen map[Fault]bool
	more int // faults beyond maxFaults
}

func (c *collector) add(at pos, remedy, format string, args ...any) {
	c.put(Fault{at.file, at.line, at.col, stages.Shorten(fmt.Sprintf(format, args...)), stages.Shorten(remedy)})
}

func (c *collector) put(f Fault) {
	if c.seen[f] {
		return
	}
	if len(c.list) >= maxFaults {
		c.more++
		return
	}
	if c.seen == nil {
		c.seen = make(map[Fault]bool)
	}
	c.seen[f] = true
	c.list = append(c.list, f)
}

// take puts all that another collector has.
func (c *collector) take(other *collector) {
	for _, f := range other.list {
		c.put(f)
	}
	c.more += other.more
}

// addNew puts those of others that base does not have, named as the scenario's.
func (c *collector) addNew(scenario string, others []Fault, base *collector) {
	for _, f := range others {
		if base.seen[f] {
			continue
		}
		f.Message = fmt.Sprintf("scenario %q: %s", scenario, f.Message)
		c.put(f)
	}
}

// sorted returns the faults in order of file, line and column; nil when none.
func (c *collector) sorted() Faults {
	if len(c.list) == 0 {
		return nil
	}
	out := slices.Clone(c.list)
	slices.SortStableFunc(out, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line),
			cmp.Compare(a.Column, b.Column), cmp.Compare(a.Message, b.Message))
	})
	if c.more > 0 {
		last := out[len(out)-1]
		last.Message, last.Remedy = fmt.Sprintf("%d more faults are not listed", c.more), "mend these first"
		out = append(out, last)
	}
	return out
}

// Bounds of the search for the nearest name, which is a courtesy and must stay cheap.
const (
	maxNearestNames  = 500
	maxNearestLength = 80
)

// suggest is the remedy for an unknown name: the nearest known one, or all of
// them when none is near and they are few.
func suggest(name string, known []string) string {
	if hint := nearestHint(name, known); hint != "" {
		return hint
	}
	switch {
	case len(known) == 0:
		return ""
	case len(known) > 20:
		return fmt.Sprintf("known are %s and %d more", quoteAll(known[:20]), len(known)-20)
	}
	return "known are " + quoteAll(known)
}

// nearestHint is suggest where the message lists the known names already.
func nearestHint(name string, known []string) string {
	if best := nearest(name, known); best != "" {
		return fmt.Sprintf("did you mean %q?", best)
	}
	return ""
}

func quoteAll(names []string) string {
	quoted := make([]string, len(names))
	for i, n := range names {
		quoted[i] = fmt.Sprintf("%q", n)
	}
	return strings.Join(quoted, ", ")
}

// nearest returns the known name with the fewest edits from name, case aside; ""
// when even that differs in more than two characters and more than 2 in 5.
func nearest(name string, known []string) string {
	a := strings.ToLower(name)
	n := utf8.RuneCountInString(a)
	if n > maxNearestLength {
		return ""
	}
	limit := max(2, n*2/5)
	best, bestAt := "", limit+1
	for _, k := range known[:min(len(known), maxNearestNames)] {
		b := strings.ToLower(k)
		m := utf8.RuneCountInString(b)
		if m > n+limit || n > m+limit {
			continue
		}
		if d := frame.Edits(a, b); d < bestAt && d < max(n, m) {
			best, bestAt = k, d
		}
	}
	return best
}
