package cli

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
	"lapwear/stages/frame"
)

func (a *app) why() *cobra.Command {
	var cacheOption string
	c := &cobra.Command{
		Use:   "why TABLE ROW",
		Short: "Show where a row of a table comes from, and why it was recomputed",
		Long: `Traces a row of a table to its recordings: every step with its parameters, revision and
inputs, and, where a step was computed again, which of these had changed. TABLE is the
table's CSV file. ROW is its number, the first row below the header being 1, or column
values that pick it out: lap_id=L07,hotspot=weld_toe (scenario is base unless given).`,
		Example: "  lapwear why out/laps.csv 3\n  lapwear why out/season.csv hotspot=weld_toe,scenario=thicker",
		Args:    cobra.ExactArgs(2),
		RunE: func(_ *cobra.Command, args []string) error {
			return a.whyRow(args[0], args[1], cacheOption)
		},
	}
	cacheFlag(c, &cacheOption)
	return c
}

// step is a task in the trace of a row.
type step struct {
	Task       string     `json:"task"`
	Stage      string     `json:"stage"`
	Outcome    string     `json:"outcome"`
	Fresh      bool       `json:"computed_in_last_run"`
	Changed    []change   `json:"changed,omitempty"`
	Parameters []property `json:"parameters,omitempty"`
	Recording  string     `json:"recording,omitempty"`
	SHA256     string     `json:"sha256,omitempty"`
	Inputs     []traced   `json:"inputs,omitempty"`
	SumsUp     []string   `json:"sums_up,omitempty"`
}

type change struct {
	Field string `json:"field"`
	Was   string `json:"was"`
	Is    string `json:"is"`
}

type traced struct {
	Label string `json:"label"`
	*step
}

func (a *app) whyRow(path, selector, cacheOption string) error {
	row, err := selectRow(path, selector)
	if err != nil {
		return err
	}
	out, err := filepath.Abs(filepath.Dir(path))
	if err != nil {
		return err
	}
	store, err := a.openCache(cacheOption)
	if err != nil {
		return err
	}
	defer a.closeStore(store)
	last := readRecord(store, out)
	record, miss := last.record, last.miss
	if miss != "" {
		return fmt.Errorf("trace %q: the cache %q knows no run into %q (%s); name the run's cache with --cache, or run again", path, store.Dir(), out, miss)
	}
	if s, ok := readStanding(store, out); ok && s.Stood && s.Record == record.Digest() {
		record.Stand()
	}
	table := strings.TrimSuffix(filepath.Base(path), filepath.Ext(path))
	names, err := season.Origin(record, table, row)
	if err != nil {
		return usageError{err}
	}
	t := tracer{store, record}
	s := t.step(names[0], 0)
	s.SumsUp = names[1:]
	if a.json {
		return a.printJSON(struct {
			Table string            `json:"table"`
			Row   map[string]string `json:"row"`
			*step
		}{table, row, s})
	}
	a.printRow(path, row)
	a.printStep(s, "", "")
	return nil
}

// printRow prints what the row says, leaving out its empty cells.
func (a *app) printRow(path string, row map[string]string) {
	fmt.Fprintf(a.out, "row of %s:\n", path)
	for _, name := range slices.Sorted(maps.Keys(row)) {
		if row[name] != "" {
			fmt.Fprintf(a.out, "    %s %s\n", name, row[name])
		}
	}
}

// selectRow returns the row of a CSV table that a number or column values pick out.
func selectRow(path, selector string) (map[string]string, error) {
	if ext := filepath.Ext(path); ext == ".parquet" {
		path = strings.TrimSuffix(path, ext) + ".csv"
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, usagef("open table: %w; name the CSV file of a table, as in out/laps.csv", err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.ReuseRecord = true
	first, err := r.Read()
	if err != nil {
		return nil, usagef("read table %q: %w", path, errors.Join(err, errors.New("it has no rows")))
	}
	header := slices.Clone(first)
	n, errNumber := strconv.Atoi(selector)
	wanted := func(row []string, at int) bool { return at == n }
	if errNumber != nil {
		want, err := parseSelector(selector, header)
		if err != nil {
			return nil, err
		}
		wanted = func(row []string, _ int) bool { return matches(header, row, want) }
	}
	rows, found, count, err := selectRows(r, wanted)
	switch {
	case err != nil:
		return nil, usagef("read table %q: %w", path, err)
	case errNumber == nil && count == 0:
		return nil, usagef("table %q has no row %d; its rows are 1 to %d", path, n, rows)
	case count != 1:
		return nil, usagef("%s of table %q match %q; pick one row", plural(count, "row"), path, selector)
	}
	return named(header, found), nil
}

// selectRows reads rows to the end. It returns how many there are and how many are wanted, and the first of those.
func selectRows(r *csv.Reader, wanted func(row []string, at int) bool) (rows int, first []string, count int, err error) {
	for {
		row, err := r.Read()
		if errors.Is(err, io.EOF) {
			return rows, first, count, nil
		}
		if err != nil {
			return rows, nil, 0, err
		}
		for i := range row {
			row[i] = frame.Unguard(row[i])
		}
		if rows++; wanted(row, rows) {
			if count++; count == 1 {
				first = slices.Clone(row)
			}
		}
	}
}

func named(header, row []string) map[string]string {
	m := make(map[string]string, len(header))
	for i, h := range header {
		m[h] = row[i]
	}
	return m
}

func parseSelector(selector string, header []string) (map[string]string, error) {
	want := map[string]string{}
	if slices.Contains(header, "scenario") {
		want["scenario"] = "base"
	}
	last := ""
	for part := range strings.SplitSeq(selector, ",") {
		name, v, ok := strings.Cut(part, "=")
		switch {
		case ok && slices.Contains(header, name):
			want[name], last = v, name
		case last != "": // a comma within the value before
			want[last] += "," + part
		default:
			return nil, usagef("row %q: want a number, or column=value pairs of the columns %s", selector, strings.Join(header, ", "))
		}
	}
	return want, nil
}

// matches tells whether a row has the values that are wanted.
func matches(header, row []string, want map[string]string) bool {
	for i, name := range header {
		if v, ok := want[name]; ok && row[i] != v {
			return false
		}
	}
	return true
}

// tracer follows a run's record through the cache.
type tracer struct {
	store  *cache.Store
	record *pipeline.Record
}

// parametersShown bounds how many parameters of a step are listed.
const parametersShown = 200

// depthMost bounds how far inputs are followed; no chain of stages is that long.
const depthMost = 12

func (t tracer) step(name string, depth int) *step {
	task, ok := t.record.Task(name)
	if !ok {
		return &step{Task: name, Outcome: "unknown to the last run"}
	}
	s := &step{Task: task.Name, Stage: task.Stage, Recording: task.Source, Outcome: outcomeText(task), Fresh: task.Fresh}
	entry, miss := t.store.Lookup(task.Action)
	if miss != "" {
		s.Outcome += "; its particulars are no longer in the cache: " + miss
		return s
	}
	for _, f := range entry.Transcript {
		switch {
		case f.Label == "recording":
			s.SHA256 = f.Value
		case f.Value == "NaN": // not given
		case f.Label != "stage" && !strings.HasPrefix(f.Label, pipeline.InputLabel("")) && len(s.Parameters) < parametersShown:
			s.Parameters = append(s.Parameters, property{f.Label, f.Value})
		}
	}
	s.Changed = t.changes(task, entry.Transcript)
	if depth < depthMost {
		s.Inputs = t.inputs(task, depth)
	}
	return s
}

// inputs follows a task's inputs; several from one task are followed once.
func (t tracer) inputs(task *pipeline.RecordedTask, depth int) []traced {
	var out []traced
	at := map[int]int{}
	inputs, err := t.record.Inputs(task)
	if err != nil {
		return []traced{{"", &step{Task: task.Name, Outcome: err.Error()}}}
	}
	for _, in := range inputs {
		if i, ok := at[in.Task]; ok {
			out[i].Label += ", " + in.Label
			continue
		}
		at[in.Task] = len(out)
		out = append(out, traced{in.Label, t.step(t.record.Tasks[in.Task].Name, depth+1)})
	}
	return out
}

func outcomeText(t *pipeline.RecordedTask) string {
	switch {
	case t.Fresh && t.Miss != "" && t.Miss != cache.NotComputed:
		return "computed in the last run: " + t.Miss
	case t.Fresh:
		return "computed in the last run"
	case t.Status == pipeline.Hit:
		return "up to date, found in the cache"
	}
	return "no result: " + t.Reason
}

// changes compares a task's key with the one it had before.
func (t tracer) changes(task *pipeline.RecordedTask, now []key.Field) []change {
	if task.Previous == (key.ID{}) {
		return nil
	}
	before, miss := t.store.Lookup(task.Previous)
	if miss != "" {
		return nil
	}
	var out []change
	for _, d := range key.Diff(before.Transcript, now) {
		out = append(out, change{d.Label, d.Old, d.New})
	}
	return out
}

// changesShown is how many changes of a step are named.
const changesShown = 10

// sumsUpShown is how many tasks that a row sums up are named.
const sumsUpShown = 5

func (a *app) printStep(s *step, label, indent string) {
	if label != "" {
		label += " <- "
	}
	fmt.Fprintf(a.out, "%s%s%s: %s\n", indent, label, s.Task, s.Outcome)
	in := indent + "    "
	when := "changed since before"
	if !s.Fresh {
		when = "changed when it was last computed anew"
	}
	for i, c := range s.Changed {
		if i == changesShown {
			fmt.Fprintf(a.out, "%sand %d more changes\n", in, len(s.Changed)-i)
			break
		}
		fmt.Fprintf(a.out, "%s%s: %s was %s, is %s\n", in, when, c.Field, orNone(c.Was), orNone(c.Is))
	}
	if s.Recording != "" {
		fmt.Fprintf(a.out, "%srecording %s, SHA-256 %s\n", in, s.Recording, s.SHA256)
	}
	for _, p := range s.Parameters {
		fmt.Fprintf(a.out, "%s%s = %s\n", in, p.Name, strings.ReplaceAll(p.Value, "\x00", " | "))
	}
	for _, i := range s.Inputs {
		a.printStep(i.step, i.Label, in)
	}
	for i, n := range s.SumsUp {
		if i == sumsUpShown {
			fmt.Fprintf(a.out, "%sand %d more\n", in, len(s.SumsUp)-i)
			break
		}
		fmt.Fprintf(a.out, "%ssums up %s\n", in, n)
	}
}

func orNone(s string) string {
	if s == "" {
		return "absent"
	}
	return strings.ReplaceAll(s, "\x00", " | ")
}
