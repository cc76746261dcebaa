package cli

import (
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"lapwear/stages/aggregate"
	"lapwear/stages/frame"
)

type diffOptions struct {
	cache string
	top   int
	alarm float64
}

func (a *app) diff() *cobra.Command {
	var o diffOptions
	c := &cobra.Command{
		Use:   "diff OUT1 OUT2",
		Short: "Show what changed between two runs, largest first, and why",
		Long: `Compares the tables of two output folders, such as last night's copy and tonight's: which
rows changed, by which factor, the largest first, which are new and which are gone; and
what the two were made from: values of the season file, recordings, calendar, laps set
aside. Where the cache knows both runs, it also names the step's parameter that changed a
row. With --alarm the exit code is 5 when a season's damage rose by more per cent, and
when a row of the table season is new, is gone or has no damage any more.`,
		Example: "  cp -r out out-monday && lapwear run season.yaml && lapwear diff out-monday out\n  lapwear diff out-monday out --alarm 10 --quiet",
		Args:    cobra.ExactArgs(2),
		RunE: func(_ *cobra.Command, args []string) error {
			if o.top < 1 || !(o.alarm >= 0) {
				return usagef("--top %d, --alarm %v: want at least 1 row, and per cent from 0", o.top, o.alarm)
			}
			return a.diffFolders(args[0], args[1], o)
		},
	}
	cacheFlag(c, &o.cache)
	c.Flags().IntVar(&o.top, "top", 10, "rows to show of each table")
	c.Flags().Float64Var(&o.alarm, "alarm", 0, "exit with code 5 if a season's damage rose by more than so many per cent, or is not known any more (default: never)")
	return c
}

// errAlarm says that a figure moved by more than was allowed.
var errAlarm = errors.New("a season's damage rose by more than the alarm's limit, or is new or not known any more")

// unchanged is the relative difference below which numbers count as the same: another
// processor may round otherwise.
const unchanged = 1e-9

// diffJSON is what diff prints.
type diffJSON struct {
	From   string      `json:"from"`
	To     string      `json:"to"`
	Same   bool        `json:"same"`
	Inputs []cause     `json:"inputs"`
	Tables []tableDiff `json:"tables"`
	Alarm  bool        `json:"alarm"`
}

// tableDiff is what changed in a table.
type tableDiff struct {
	Table   string    `json:"table"`
	RowsWas int       `json:"rows_was"`
	RowsIs  int       `json:"rows_is"`
	New     []string  `json:"new"`
	Gone    []string  `json:"gone"`
	Columns []string  `json:"columns,omitempty"` // that only one of the two has
	Changed int       `json:"changed"`
	Changes []rowDiff `json:"changes"` // the largest first, as many as were asked for
	rows    [2][]labelled
}

// rowDiff is a row that changed.
type rowDiff struct {
	Row     string     `json:"row"`
	Cells   []cellDiff `json:"cells"` // the table's main figure first, then the largest
	Because []string   `json:"because,omitempty"`
	size    float64
	cells   map[string]string // of the later row
}

// cellDiff is a value that changed. Ratio is null where there is none.
type cellDiff struct {
	Column string `json:"column"`
	Was    string `json:"was"`
	Is     string `json:"is"`
	Ratio  number `json:"ratio"`
	size   float64
}

// mainFigures are the columns by which a table's changes are ranked: damage by its
// difference, since damage adds up, other figures by their ratio.
var mainFigures = map[string]string{"season": "season_damage", "circuits": "season_damage", "laps": "damage",
	"places": "damage_per_lap_mean", "calibration": "gain_mpa_per_unit", "compare": "ratio"}

func (a *app) diffFolders(from, to string, o diffOptions) error {
	d := diffJSON{From: from, To: to, Same: true, Inputs: []cause{}, Tables: []tableDiff{}}
	for _, dir := range []string{from, to} {
		if _, err := os.Stat(filepath.Join(dir, "season.csv")); err != nil {
			return usagef("compare %q: %w; name the output folders of two runs", dir, err)
		}
	}
	why, err := a.openCauses(from, to, o.cache)
	if err != nil {
		return err
	}
	defer why.close()
	d.Inputs = why.inputs
	for _, name := range tableNames {
		t, err := diffTables(from, to, name)
		if err != nil {
			return err
		}
		d.Same = d.Same && t.same()
		d.Alarm = d.Alarm || name == "season" && o.alarm > 0 && t.rose(1+o.alarm/100)
		if len(t.Changes) > o.top {
			t.Changes = t.Changes[:o.top]
		}
		for i := range t.Changes {
			t.Changes[i].Because = why.of(name, &t.Changes[i])
		}
		if !t.same() {
			d.Tables = append(d.Tables, t)
		}
	}
	if err := a.showDiff(&d); err != nil {
		return err
	}
	if d.Alarm {
		return errAlarm
	}
	return nil
}

// labelled is a row with the key that names it.
type labelled struct {
	key   string
	cells map[string]string
}

// readTable reads a table of an output folder; one that is not there has no rows.
func readTable(dir, table string) (header []string, rows []labelled, err error) {
	path := filepath.Join(dir, table+".csv")
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil, nil
	}
	if err != nil {
		return nil, nil, fmt.Errorf("read table: %w", err)
	}
	defer f.Close()
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil || len(lines) == 0 {
		return nil, nil, fmt.Errorf("read table %q: %w; run the season again", path, errors.Join(err, errors.New("it is not whole")))
	}
	note, _ := aggregate.Describe(table)
	header = lines[0]
	seen := map[string]int{}
	for _, line := range lines[1:] {
		r := labelled{cells: make(map[string]string, len(header))}
		var key []string
		for i, h := range header {
			line[i] = frame.Unguard(line[i])
			r.cells[h] = line[i]
			// For whom a verdict holds may change with the verdict; the row is the same.
			if note.Columns[h].Key && line[i] != "" && h != "concerns" {
				key = append(key, keyText(h, line[i]))
			}
		}
		r.key = strings.Join(key, " ")
		if seen[r.key]++; seen[r.key] > 1 {
			r.key += fmt.Sprintf(" (%d)", seen[r.key])
		}
		rows = append(rows, r)
	}
	return header, rows, nil
}

// keyText is a key's value with its unit where the column's name has one, as from_m.
func keyText(column, value string) string {
	for _, unit := range []string{"m", "s"} {
		if end, ok := strings.CutSuffix(column, "_"+unit); ok {
			return end + " " + value + " " + unit
		}
	}
	return value
}

func diffTables(from, to, table string) (tableDiff, error) {
	t := tableDiff{Table: table, New: []string{}, Gone: []string{}, Changes: []rowDiff{}}
	oldHeader, old, err := readTable(from, table)
	if err != nil {
		return t, err
	}
	header, now, err := readTable(to, table)
	if err != nil {
		return t, err
	}
	t.RowsWas, t.RowsIs, t.rows = len(old), len(now), [2][]labelled{old, now}
	was := make(map[string]labelled, len(old))
	for _, r := range old {
		was[r.key] = r
	}
	is := make(map[string]bool, len(now))
	for _, r := range now {
		is[r.key] = true
		before, ok := was[r.key]
		if !ok {
			t.New = append(t.New, r.key)
			continue
		}
		if d := diffRow(table, before, r, header); len(d.Cells) > 0 {
			t.Changes = append(t.Changes, d)
		}
	}
	for _, r := range old {
		if !is[r.key] {
			t.Gone = append(t.Gone, r.key)
		}
	}
	if len(old) > 0 && len(now) > 0 {
		t.Columns = append(without(header, oldHeader), without(oldHeader, header)...)
	}
	t.Changed = len(t.Changes)
	slices.SortStableFunc(t.Changes, func(a, b rowDiff) int { return cmp.Compare(b.size, a.size) })
	return t, nil
}

func without(a, b []string) []string {
	return slices.DeleteFunc(slices.Clone(a), func(s string) bool { return slices.Contains(b, s) })
}

func (t *tableDiff) same() bool {
	return len(t.New)+len(t.Gone)+len(t.Columns)+t.Changed == 0
}

// rose tells whether a season's damage became larger by more than a factor, or cannot be
// compared.
func (t *tableDiff) rose(factor float64) bool {
	return len(t.New)+len(t.Gone) > 0 || slices.ContainsFunc(t.Changes, func(r rowDiff) bool {
		c := r.Cells[0]
		return c.Column == "season_damage" && (float64(c.Ratio) > factor || c.Is == "inf" || c.Is == "" || c.Was == "0" || c.Was == "")
	})
}

// diffRow compares the cells that both rows have. Its size is that of the table's main
// figure, or below any such, of the largest other one.
func diffRow(table string, was, is labelled, header []string) rowDiff {
	d := rowDiff{Row: is.key, cells: is.cells}
	if strings.HasPrefix(table, "compare_") {
		table = "compare"
	}
	for _, h := range header {
		before, both := was.cells[h]
		if !both || before == is.cells[h] {
			continue
		}
		c := compareCells(h, before, is.cells[h])
		if c.size == 0 {
			continue
		}
		if h == mainFigures[table] {
			d.size = c.weight()
			c.size = math.Inf(1)
		}
		d.Cells = append(d.Cells, c)
	}
	slices.SortStableFunc(d.Cells, func(a, b cellDiff) int { return cmp.Compare(b.size, a.size) })
	return d
}

// compareCells weighs a change by the logarithm of its ratio; one that has none, from or to
// nothing, zero or no end, weighs most, and one of words least.
func compareCells(column, was, is string) cellDiff {
	c := cellDiff{Column: column, Was: was, Is: is, Ratio: number(math.NaN()), size: 1e-12}
	x, errX := strconv.ParseFloat(was, 64)
	y, errY := strconv.ParseFloat(is, 64)
	numbers := (errX == nil || was == "") && (errY == nil || is == "") && (errX == nil || errY == nil)
	switch {
	case !numbers:
	case errX == nil && errY == nil && math.Abs(x-y) <= unchanged*max(math.Abs(x), math.Abs(y)):
		c.size = 0
	case errX != nil || errY != nil || !(y/x > 0) || math.IsInf(y/x, 0):
		c.size = math.MaxFloat64
	default:
		c.Ratio = number(y / x)
		c.size = math.Abs(math.Log(y / x))
	}
	return c
}

// weight ranks a change of a table's main figure among the table's rows.
func (c *cellDiff) weight() float64 {
	x, errX := strconv.ParseFloat(c.Was, 64)
	y, errY := strconv.ParseFloat(c.Is, 64)
	if errX != nil || errY != nil || !strings.Contains(c.Column, "damage") {
		return c.size
	}
	return math.Abs(y - x)
}

func (a *app) showDiff(d *diffJSON) error {
	if a.json {
		return a.printJSON(d)
	}
	if d.Same && len(d.Inputs) == 0 {
		fmt.Fprintf(a.out, "%s and %s say the same.\n", d.From, d.To)
		return nil
	}
	if d.Same {
		fmt.Fprintf(a.out, "The tables of %s and %s say the same.\n", d.From, d.To)
	}
	a.showCauses(d.Inputs)
	for i := range d.Tables {
		if err := a.showTableDiff(&d.Tables[i]); err != nil {
			return err
		}
	}
	return nil
}

// namesShown is how many rows or files of one kind are named.
const namesShown = 5

func (a *app) showTableDiff(t *tableDiff) error {
	fmt.Fprintf(a.out, "\n%s: %d of %s changed", t.Table, t.Changed, plural(t.RowsIs, "row"))
	for _, x := range []struct {
		word  string
		names []string
	}{{"new", t.New}, {"gone", t.Gone}, {"columns in one alone", t.Columns}} {
		if len(x.names) > 0 {
			fmt.Fprintf(a.out, "; %d %s: %s", len(x.names), x.word, someOf(x.names))
		}
	}
	fmt.Fprintln(a.out)
	w := a.columns()
	var said []string
	for _, r := range t.Changes {
		c := r.Cells[0]
		fmt.Fprintf(w, "  %s\t%s\t%s -> %s\t%s\t%s\n", oneLine(r.Row), c.Column, shownCell(c.Was), shownCell(c.Is), ratioText(c.Ratio), others(r.Cells[1:]))
		if slices.Equal(said, r.Because) {
			continue
		}
		said = r.Because
		for _, b := range r.Because {
			fmt.Fprintf(w, "    because %s\n", b)
		}
	}
	if err := w.Flush(); err != nil {
		return err
	}
	if n := t.Changed - len(t.Changes); n > 0 {
		fmt.Fprintf(a.out, "  and %d more; --top %d shows all\n", n, t.Changed)
	}
	return nil
}

func someOf(names []string) string {
	shown := make([]string, 0, namesShown)
	for _, n := range names[:min(len(names), namesShown)] {
		shown = append(shown, oneLine(n))
	}
	if n := len(names) - len(shown); n > 0 {
		shown = append(shown, fmt.Sprintf("and %d more", n))
	}
	return strings.Join(shown, ", ")
}

func shownCell(s string) string {
	if v, err := strconv.ParseFloat(s, 64); err == nil {
		return strconv.FormatFloat(v, 'g', 4, 64)
	}
	if s == "" {
		return "nothing"
	}
	return oneLine(s)
}

func ratioText(r number) string {
	if math.IsNaN(float64(r)) {
		return ""
	}
	return fmt.Sprintf("x %.4g", float64(r))
}

func others(cells []cellDiff) string {
	if len(cells) == 0 {
		return ""
	}
	name := cells[0].Column
	for _, first := range tellMost {
		if slices.ContainsFunc(cells, func(c cellDiff) bool { return c.Column == first }) {
			name = first
			break
		}
	}
	if len(cells) == 1 {
		return "also " + name
	}
	return fmt.Sprintf("also %s and %s", name, plural(len(cells)-1, "other column"))
}

// tellMost are the columns that are named before others of a row that changed.
var tellMost = []string{"life_factor", "share", "season_damage", "damage_per_km", "verdict"}
