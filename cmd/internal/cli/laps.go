package cli

import (
	"cmp"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapwear/pipeline/season"
	"lapwear/stages"
	"lapwear/stages/ingest"
)

type lapsOptions struct {
	season, by, as    string
	pattern           string
	shortest, longest time.Duration
	partial           bool
	out               string
	force             bool
}

func (a *app) laps() *cobra.Command {
	var o lapsOptions
	c := &cobra.Command{
		Use:   "laps RECORDING... --by CHANNEL --season SEASON.yaml",
		Short: "Find the laps in long recordings and write a manifest of them",
		Long: `Finds where laps begin in long recordings and writes a lap manifest for a person to
read and edit. A RECORDING is a file, or a folder, which is searched for recordings by
their extension; the season's manifest and calendar, the folder out beside the season
file and what begins with a dot are passed over. Rows stand in the order of the
arguments, those of a folder by name with numbers in order: this is taken to be the
order in which the laps were driven.

CHANNEL is a channel of the season file, or a column of the recordings. It is either
  counter   whole numbers that rise by 1, or go back to 0, where a lap begins
  trigger   at rest, with a short pulse that rises where a lap begins
What is before the first and after the last such mark is no whole lap and left out.

--path says what the folders and the file are named after, from the end of the path:
  --path '{event}-{circuit}/{session}/{bike}_{rider}.csv'
Fields are circuit, event, session, rider, bike and setup; {} is text of no meaning. A
field is at least one character without a slash, and the earlier fields are kept
short. Without a circuit the manifest has ? there, to be filled in.

A file of a folder that cannot be read, holds no laps or has another path than --path
says is named and passed over; one that is named by itself has to fit --path.

Exit code 3: the manifest is written, but some recordings gave no laps.`,
		Example: "  lapwear laps rec/ --by LAP --season season.yaml --out laps.csv\n" +
			"  lapwear laps day1.csv day2.csv --by beacon --as trigger --season season.yaml --path '{circuit}_{bike}/{}.csv'",
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error { return a.findLaps(c.Context(), args, o) },
	}
	f := c.Flags()
	f.StringVar(&o.season, "season", "", "the season file (required); its manifest need not exist")
	f.StringVar(&o.by, "by", "", "channel or column that marks the laps (required)")
	f.StringVar(&o.as, "as", "", "how it marks them: counter or trigger (default: found from the samples)")
	f.StringVar(&o.pattern, "path", "", "names in the path of a recording, as in '{circuit}/{rider}.csv'")
	f.DurationVar(&o.shortest, "shortest", 20*time.Second, "leave out laps shorter than this")
	f.DurationVar(&o.longest, "longest", 0, "leave out laps longer than this (0 is no limit)")
	f.BoolVar(&o.partial, "partial", false, "keep what is before the first and after the last mark, too")
	f.StringVar(&o.out, "out", "", "file for the manifest (default: standard output)")
	f.BoolVar(&o.force, "force", false, "replace the file of --out")
	return c
}

// lapRow is a row of the manifest.
type lapRow struct {
	LapID      string `json:"lap_id"`
	File       string `json:"file"`
	Circuit    string `json:"circuit"`
	Event      string `json:"event"`
	Session    string `json:"session"`
	Rider      string `json:"rider"`
	Bike       string `json:"bike"`
	Setup      string `json:"setup"`
	Lap        string `json:"lap"`
	DistanceKm number `json:"distance_km"`
	StartS     number `json:"start_s"`
	EndS       number `json:"end_s"`
	Use        string `json:"use"`
}

var manifestHeader = []string{"lap_id", "file", "circuit", "event", "session", "rider", "bike", "setup", "lap", "distance_km", "start_s", "end_s", "use"}

func (r lapRow) cells() []string {
	return []string{r.LapID, r.File, r.Circuit, r.Event, r.Session, r.Rider, r.Bike, r.Setup, r.Lap, exact(r.DistanceKm), exact(r.StartS), exact(r.EndS), r.Use}
}

// exact writes a number with the digits that give just it back; nothing for NaN.
func exact(n number) string {
	if math.IsNaN(float64(n)) {
		return ""
	}
	return strconv.FormatFloat(float64(n), 'f', -1, 64)
}

// lapsJSON is the object that laps --json prints.
type lapsJSON struct {
	Laps       []lapRow        `json:"laps"`
	Recordings []markedJSON    `json:"recordings"`
	LeftOut    []leftOutJSON   `json:"left_out"`
	SetAside   []noLapsJSON    `json:"set_aside"`
	Notes      []recordingNote `json:"notes"`
}

type markedJSON struct {
	File string       `json:"file"`
	As   ingest.Marks `json:"as"`
	Laps int          `json:"laps"`
}

type leftOutJSON struct {
	File   string `json:"file"`
	Lap    string `json:"lap"`
	StartS number `json:"start_s"`
	EndS   number `json:"end_s"`
	Reason string `json:"reason"`
}

type noLapsJSON struct {
	File   string `json:"file"`
	Reason string `json:"reason"`
}

type recordingNote struct {
	File string `json:"file"`
	Note string `json:"note"`
}

func (o lapsOptions) validate() error {
	switch {
	case o.season == "":
		return usagef("laps needs --season SEASON.yaml")
	case o.by == "":
		return usagef("laps needs --by CHANNEL")
	case o.as != "" && o.as != string(ingest.Counter) && o.as != string(ingest.Trigger):
		return usagef("--as %q: want %s or %s", o.as, ingest.Counter, ingest.Trigger)
	case o.shortest < 0 || o.longest < 0:
		return usagef("--shortest %v, --longest %v: want durations from 0", o.shortest, o.longest)
	case o.longest > 0 && o.longest < o.shortest:
		return usagef("--longest %v is less than --shortest %v: no lap can be both", o.longest, o.shortest)
	}
	return nil
}

// lapFinder is one call of laps under way.
type lapFinder struct {
	*app
	o       lapsOptions
	season  *season.Recordings
	pattern *pathPattern // nil without one
	taken   map[string]bool
	found   lapsJSON
}

func (a *app) findLaps(ctx context.Context, args []string, o lapsOptions) error {
	if err := o.validate(); err != nil {
		return err
	}
	l := &lapFinder{app: a, o: o, taken: map[string]bool{},
		found: lapsJSON{[]lapRow{}, []markedJSON{}, []leftOutJSON{}, []noLapsJSON{}, []recordingNote{}}}
	recordings, err := l.prepare(args)
	if err != nil {
		return err
	}
	for _, r := range recordings {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := l.add(ctx, r); err != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			l.setAside(r, err)
		}
	}
	if len(l.found.Laps) == 0 {
		return fmt.Errorf("find laps by %q: none in %s; see the reasons above, and 'lapwear laps --help'", o.by, plural(len(recordings), "recording"))
	}
	return l.write()
}

// prepare reads the season file and finds out all that the paths tell.
func (l *lapFinder) prepare(args []string) ([]lapRecording, error) {
	var err error
	if l.o.pattern != "" {
		if l.pattern, err = parsePathPattern(l.o.pattern); err != nil {
			return nil, err
		}
	}
	var faults season.Faults
	if l.season, faults = season.LoadRecordings(l.o.season); len(faults) > 0 {
		return nil, faults
	}
	found, err := l.recordings(args)
	if err != nil {
		return nil, err
	}
	if err := l.checkOut(found); err != nil {
		return nil, err
	}
	return l.name(found)
}

// checkOut finds before the work what keeps the manifest from being written.
func (l *lapFinder) checkOut(recordings []foundFile) error {
	if l.o.out == "" {
		return nil
	}
	st, err := os.Stat(l.o.out)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return usagef("--out %q: %w; name a file that can be written", l.o.out, stages.Cause(err))
	case !st.Mode().IsRegular():
		return usagef("--out %q is not a file; name one", l.o.out)
	case !l.o.force:
		return usagef("--out %q exists, and may hold what a person wrote; name another file, or replace it with --force", l.o.out)
	}
	for _, f := range append([]foundFile{{path: l.o.season}}, recordings...) {
		p := f.path
		if other, err := os.Stat(p); err == nil && os.SameFile(st, other) {
			return usagef("--out %q is %q, which is read; name another file", l.o.out, p)
		}
	}
	return nil
}

// lapRecording is a recording and what its path tells of it.
type lapRecording struct {
	path  string // as it can be opened
	shown string // as the manifest names it, or path where no manifest may
	stem  string // what its lap_ids begin with
	named lapRow // the fields of the pattern
	fault error  // why no manifest may name it, or what keeps it from being looked at
}

// name reads the paths by the pattern. Recordings named by themselves that do not match
// are an error, all in one; those that a folder holds are set aside, unless none matches.
func (l *lapFinder) name(files []foundFile) ([]lapRecording, error) {
	out := make([]lapRecording, len(files))
	shown := make([]string, len(files))
	var named, stray error
	fit := false
	for i, f := range files {
		r := lapRecording{path: f.path, shown: f.path, named: lapRow{Circuit: "?", Use: "season"}, fault: f.fault}
		if file, err := l.season.File(f.path); err == nil {
			r.shown = file
		} else if r.fault == nil {
			r.fault = err
		}
		switch err := l.readPath(&r); {
		case err == nil:
			fit = true
		case f.walked:
			stray = errors.Join(stray, err)
			if r.fault == nil {
				r.fault = err
			}
		default:
			named = errors.Join(named, err)
		}
		out[i], shown[i] = r, r.shown
	}
	for i, s := range stems(shown) {
		out[i].stem = s
	}
	if named != nil || !fit {
		return nil, usageError{errors.Join(named, stray)}
	}
	return out, nil
}

// readPath reads the fields of a recording's path, if there is a pattern.
func (l *lapFinder) readPath(r *lapRecording) error {
	if l.pattern == nil {
		return nil
	}
	other, err := l.pattern.read(r.path, &r.named)
	if other {
		l.note(*r, "its path fits %q in more than one way; taken is circuit %q, event %q, session %q, rider %q, bike %q, setup %q",
			l.o.pattern, r.named.Circuit, r.named.Event, r.named.Session, r.named.Rider, r.named.Bike, r.named.Setup)
	}
	return err
}

// add finds the laps of a recording.
func (l *lapFinder) add(ctx context.Context, r lapRecording) error {
	if r.fault != nil {
		return r.fault
	}
	t, scale, err := l.read(ctx, r)
	if err != nil {
		return err
	}
	if t.Passed > 0 {
		l.note(r, "the time is missing or does not advance in %s, the first on %s, passed over", plural(t.Passed, "row"), t.PassedAt)
	}
	m, err := ingest.FindLaps(t.Times, t.Columns[0], ingest.Marks(l.o.as))
	if err != nil {
		return fmt.Errorf("column %q: %w", l.column(), err)
	}
	for _, n := range m.Notes {
		l.note(r, "%s", n)
	}
	l.noteGaps(r, t.Times)
	before := len(l.found.Laps)
	for i, s := range m.Stretches {
		l.addLap(r, t, s, i == 0, scale)
	}
	n := len(l.found.Laps) - before
	l.found.Recordings = append(l.found.Recordings, markedJSON{r.shown, m.As, n})
	if n == 0 {
		return l.noLap(m)
	}
	l.noteLong(r, l.found.Laps[before:])
	rest := ""
	if !l.o.partial {
		rest = ", without what is before the first and after the last mark"
	}
	l.note(r, "column %q is a lap %s; %s%s", l.column(), m.As, plural(n, "lap"), rest)
	return nil
}

// A gap in time of leastGap seconds and gapSteps mean steps may hold a mark. Common
// practice, no source.
const (
	leastGap = 1.0 // s
	gapSteps = 10
)

// noteGaps names where rows are not there, and with them perhaps marks.
func (l *lapFinder) noteGaps(r lapRecording, t []float64) {
	if len(t) < 2 {
		return
	}
	least := max(leastGap, gapSteps*(t[len(t)-1]-t[0])/float64(len(t)-1))
	var gaps []string
	for i := 1; i < len(t); i++ {
		if d := t[i] - t[i-1]; d > least {
			gaps = append(gaps, fmt.Sprintf("%.6g s from %.3f s to %.3f s", d, t[i-1], t[i]))
		}
	}
	if len(gaps) > 0 {
		l.note(r, "there are no rows for %s; a mark in there is not seen, and laps beside it may be two", lapList(gaps))
	}
}

// A lap is long that lasts longLap times the median of at least fewestLaps laps of its
// recording. Common practice, no source.
const (
	longLap    = 1.5
	fewestLaps = 3
)

// noteLong names the laps of a recording that last much longer than the others.
func (l *lapFinder) noteLong(r lapRecording, laps []lapRow) {
	var lasts []float64
	for _, row := range laps {
		if d := float64(row.EndS - row.StartS); d > 0 {
			lasts = append(lasts, d)
		}
	}
	if len(lasts) < fewestLaps {
		return
	}
	slices.Sort(lasts)
	usual := lasts[(len(lasts)-1)/2]
	var long []string
	for _, row := range laps {
		if d := float64(row.EndS - row.StartS); d > longLap*usual {
			long = append(long, fmt.Sprintf("%s (%.1f s)", row.Lap, d))
		}
	}
	if len(long) > 0 {
		l.note(r, "of the laps, that last %.1f s at the median, these last over %v times as long: %s; is a mark missing?", usual, longLap, lapList(long))
	}
}

// noLap says why a recording has no row.
func (l *lapFinder) noLap(m *ingest.LapMarks) error {
	marks := len(m.Stretches) - 1
	if marks < 2 && !l.o.partial {
		return fmt.Errorf("column %q, read as a lap %s, has %s, and a whole lap lies between two; use --partial, or list the recording by hand",
			l.column(), m.As, plural(marks, "mark"))
	}
	return fmt.Errorf("column %q, read as a lap %s, has no lap of the length asked for; see --shortest and --longest", l.column(), m.As)
}

// addLap makes a stretch a row, or says why not.
func (l *lapFinder) addLap(r lapRecording, t *ingest.Track, s ingest.Stretch, first bool, km float64) {
	if s.Partial && !l.o.partial {
		return
	}
	row := r.named
	row.File, row.Lap, row.StartS, row.EndS, row.DistanceKm = r.shown, strconv.FormatInt(s.Number, 10), number(math.NaN()), number(math.NaN()), number(math.NaN())
	if !first {
		row.StartS = number(t.Times[s.From])
	}
	end := t.Times[len(t.Times)-1]
	if s.To < len(t.Times) {
		end = t.Times[s.To]
		row.EndS = number(end)
	}
	if why := l.misfit(end-t.Times[s.From], s.To-s.From); why != "" {
		l.leaveOut(row, why)
		return
	}
	if len(t.Columns) > 1 {
		row.DistanceKm = number(distance(t.Columns[1][s.From:s.To], km))
	}
	row.LapID = l.id(r.stem + "-" + row.Lap)
	l.found.Laps = append(l.found.Laps, row)
}

// misfit says why a lap of some seconds is left out; "" if it is not.
func (l *lapFinder) misfit(seconds float64, samples int) string {
	switch {
	case samples < 2:
		return "it has a single sample"
	case seconds < l.o.shortest.Seconds():
		return fmt.Sprintf("%.3f s is shorter than --shortest %v", seconds, l.o.shortest)
	case l.o.longest > 0 && seconds > l.o.longest.Seconds():
		return fmt.Sprintf("%.3f s is longer than --longest %v", seconds, l.o.longest)
	}
	return ""
}

// distance is the range of the samples in km, to the millimetre; NaN when there is none.
func distance(x []float64, km float64) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, v := range x {
		if v == v {
			lo, hi = min(lo, v), max(hi, v)
		}
	}
	if d := math.Round((hi-lo)*km*1e6) / 1e6; d > 0 && !math.IsInf(d, 0) {
		return d
	}
	return math.NaN()
}

// id returns a lap_id that no other lap has.
func (l *lapFinder) id(want string) string {
	id := want
	for n := 2; l.taken[id]; n++ {
		id = want + "." + strconv.Itoa(n)
	}
	l.taken[id] = true
	return id
}

// column is the column that marks the laps.
func (l *lapFinder) column() string {
	if c, ok := l.season.Channel(l.o.by); ok {
		return c.Column
	}
	return l.o.by
}

// read reads the column that marks the laps and, where there is one, the distance,
// with km, which is what one unit of it is.
func (l *lapFinder) read(ctx context.Context, r lapRecording) (t *ingest.Track, km float64, err error) {
	axis := ingest.Time(l.season.Time)
	marks := ingest.Channel{Name: "laps", Column: l.column()}
	at := slices.IndexFunc(l.season.Channels, func(c season.Channel) bool { return c.Role == season.RoleDistance })
	if at < 0 {
		t, err = ingest.ReadTrack(ctx, r.path, axis, []ingest.Channel{marks})
		return t, 0, err
	}
	c := l.season.Channels[at]
	metres, _, _ := season.UnitScale(c.Unit)
	t, err = ingest.ReadTrack(ctx, r.path, axis, []ingest.Channel{marks, {Name: "distance", Column: c.Column, Unit: c.Unit}})
	var refusal *stages.Refusal
	if !errors.As(err, &refusal) {
		return t, metres / 1000, err
	}
	if t, err = ingest.ReadTrack(ctx, r.path, axis, []ingest.Channel{marks}); err == nil {
		l.note(r, "distance_km is left empty: %s", refusal.Reason)
	}
	return t, 0, err
}

func (l *lapFinder) note(r lapRecording, format string, args ...any) {
	text := oneLine(fmt.Sprintf(format, args...))
	l.found.Notes = append(l.found.Notes, recordingNote{r.shown, text})
	if !l.quiet {
		fmt.Fprintf(l.err, "note: %s: %s\n", stages.Cut(r.shown), text)
	}
}

func (l *lapFinder) leaveOut(row lapRow, why string) {
	l.found.LeftOut = append(l.found.LeftOut, leftOutJSON{row.File, row.Lap, row.StartS, row.EndS, why})
	if !l.quiet || !l.json {
		fmt.Fprintf(l.err, "left out: %s: lap %s: %s\n", stages.Cut(row.File), row.Lap, why)
	}
}

func (l *lapFinder) setAside(r lapRecording, err error) {
	why := oneLine(err.Error())
	l.found.SetAside = append(l.found.SetAside, noLapsJSON{r.shown, why})
	if !l.quiet || !l.json {
		fmt.Fprintf(l.err, "set aside: %s: %s\n", stages.Cut(r.shown), why)
	}
}

// write writes the manifest and prints the result.
func (l *lapFinder) write() error {
	if l.pattern == nil || !l.pattern.has("circuit") {
		l.found.Notes = append(l.found.Notes, recordingNote{"", "the circuit is not known: replace each ? in the manifest, or give --path with {circuit}"})
		if !l.quiet {
			fmt.Fprintf(l.err, "note: %s\n", l.found.Notes[len(l.found.Notes)-1].Note)
		}
	}
	if l.o.out != "" {
		p, err := preparedFile(l.o.out, l.writeManifest)
		if err != nil {
			return err
		}
		defer p.drop()
		if err := p.publish(); err != nil {
			return fmt.Errorf("write the manifest: %w", err)
		}
	}
	if err := l.print(); err != nil {
		return err
	}
	if len(l.found.SetAside) > 0 {
		return errSetAside
	}
	return nil
}

func (l *lapFinder) print() error {
	switch {
	case l.json:
		return l.printJSON(l.found)
	case l.o.out == "":
		return l.writeManifest(l.out)
	}
	_, err := fmt.Fprintf(l.out, "%s of %s in %s\n", plural(len(l.found.Laps), "lap"),
		plural(len(l.found.Recordings)+len(l.found.SetAside), "recording"), l.o.out)
	return err
}

func (l *lapFinder) writeManifest(w io.Writer) error {
	c := csv.NewWriter(w)
	c.Write(manifestHeader)
	for _, r := range l.found.Laps {
		c.Write(r.cells())
	}
	c.Flush()
	return c.Error()
}

// recordingExtensions are those of the files that are recordings in a folder, beside
// the text ones packed as .gz or .zst.
var (
	textExtensions      = []string{".csv", ".tsv", ".txt", ".asc", ".dat"}
	recordingExtensions = append([]string{".parquet", ".arrow", ".feather", ".ipc", ".mf4", ".mdf"}, textExtensions...)
)

// splitExtension splits the extension off a path, with that of a packing.
func splitExtension(path string) (stem, ext string) {
	ext = filepath.Ext(path)
	stem = strings.TrimSuffix(path, ext)
	if packed := strings.ToLower(ext); packed == ".gz" || packed == ".zst" {
		if inner := filepath.Ext(stem); slices.Contains(textExtensions, strings.ToLower(inner)) {
			return strings.TrimSuffix(stem, inner), inner + ext
		}
	}
	return stem, ext
}

func isRecording(path string) bool {
	_, ext := splitExtension(path)
	ext = strings.ToLower(ext)
	ext = strings.TrimSuffix(strings.TrimSuffix(ext, ".gz"), ".zst")
	return slices.Contains(recordingExtensions, ext)
}

// foundFile is a recording that the arguments name or that a folder holds.
type foundFile struct {
	path   string // absolute
	walked bool   // a folder holds it; nobody named it
	fault  error  // what keeps it from being looked at
}

// recordings lists the recordings that the arguments name, each once.
func (l *lapFinder) recordings(args []string) ([]foundFile, error) {
	var out []foundFile
	seen := map[string]bool{}
	for _, arg := range args {
		abs, err := filepath.Abs(arg)
		if err != nil {
			return nil, usagef("find %q: %w", arg, err)
		}
		st, err := os.Stat(abs)
		if err != nil {
			return nil, usagef("find the recording %q: %w; name a recording, or a folder of recordings", arg, stages.Cause(err))
		}
		files := []foundFile{{path: abs}}
		if st.IsDir() {
			if files, err = l.walk(abs); err != nil {
				return nil, usageError{err}
			}
			if len(files) == 0 {
				return nil, usagef("there is no recording in the folder %q; known are %s, and text as .gz or .zst", arg, strings.Join(recordingExtensions, " "))
			}
		}
		for _, f := range files {
			if !seen[f.path] {
				seen[f.path] = true
				out = append(out, f)
			}
		}
	}
	return out, nil
}

// walk lists the recordings below a folder, in order. Links to files are followed,
// those to folders are not. A folder below that cannot be read is listed with its fault.
func (l *lapFinder) walk(dir string) ([]foundFile, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("look for recordings in the folder %q: %w; give yourself the right to read it, or name the recordings", dir, stages.Cause(err))
	}
	slices.SortFunc(entries, func(a, b fs.DirEntry) int { return compareNames(a.Name(), b.Name()) })
	var out []foundFile
	for _, e := range entries {
		path := filepath.Join(dir, e.Name())
		switch {
		case strings.HasPrefix(e.Name(), "."), slices.Contains(l.season.Files, path), path == filepath.Join(l.season.Dir, "out"):
		case e.IsDir():
			below, err := l.walk(path)
			if err != nil {
				below = []foundFile{{path, true, err}}
			}
			out = append(out, below...)
		case isRecording(path):
			out = append(out, foundFile{path: path, walked: true})
		}
	}
	return out, nil
}

var digits = regexp.MustCompile(`[0-9]+|[^0-9]+`)

// compareNames orders names with the numbers in them by value: run2 before run10.
func compareNames(a, b string) int {
	x, y := digits.FindAllString(a, -1), digits.FindAllString(b, -1)
	for i := range min(len(x), len(y)) {
		p, q := strings.TrimLeft(x[i], "0"), strings.TrimLeft(y[i], "0")
		if isDigit(x[i][0]) && isDigit(y[i][0]) {
			if c := cmp.Or(cmp.Compare(len(p), len(q)), cmp.Compare(p, q)); c != 0 {
				return c
			}
			continue
		}
		if c := cmp.Compare(x[i], y[i]); c != 0 {
			return c
		}
	}
	return cmp.Or(cmp.Compare(len(x), len(y)), cmp.Compare(a, b))
}

func isDigit(c byte) bool { return '0' <= c && c <= '9' }

// stems names recordings by their file without its extension; where several have
// the same, by their path with _ between folders, and then with the extension.
func stems(files []string) []string {
	forms := []func(string) string{
		func(f string) string { s, _ := splitExtension(filepath.Base(filepath.FromSlash(f))); return s },
		func(f string) string { s, _ := splitExtension(f); return strings.ReplaceAll(s, "/", "_") },
		func(f string) string { return strings.ReplaceAll(f, "/", "_") },
	}
	out := make([]string, len(files))
	for _, form := range forms {
		count := map[string]int{}
		for _, f := range files {
			count[form(f)]++
		}
		for i, f := range files {
			if s := form(f); out[i] == "" && count[s] == 1 {
				out[i] = s
			}
		}
	}
	return out
}

// pathPattern reads fields from the end of a path.
type pathPattern struct {
	text        string
	fields      []string // "" for text of no meaning
	short, long *regexp.Regexp
}

var patternFields = []string{"circuit", "event", "session", "rider", "bike", "setup"}

// field is the field of that name in a row.
func (r *lapRow) field(name string) *string {
	return map[string]*string{"circuit": &r.Circuit, "event": &r.Event, "session": &r.Session, "rider": &r.Rider, "bike": &r.Bike, "setup": &r.Setup}[name]
}

func (p *pathPattern) has(field string) bool { return slices.Contains(p.fields, field) }

// parsePathPattern reads a pattern such as {event}-{circuit}/{rider}.csv.
func parsePathPattern(text string) (*pathPattern, error) {
	p := &pathPattern{text: text}
	var short, long strings.Builder
	rest := strings.TrimPrefix(filepath.ToSlash(text), "./")
	for rest != "" {
		plain, after, braced := strings.Cut(rest, "{")
		if strings.Contains(plain, "}") {
			return nil, usagef("--path %q: a } has no { before it", text)
		}
		short.WriteString(regexp.QuoteMeta(plain))
		long.WriteString(regexp.QuoteMeta(plain))
		if !braced {
			break
		}
		name, next, closed := strings.Cut(after, "}")
		switch {
		case !closed:
			return nil, usagef("--path %q: a { has no } after it", text)
		case name != "" && !slices.Contains(patternFields, name):
			return nil, usagef("--path %q: there is no field %q; fields are %s, and {} for text of no meaning", text, name, strings.Join(patternFields, ", "))
		case name != "" && p.has(name):
			return nil, usagef("--path %q: the field %q occurs twice; keep one", text, name)
		case strings.HasPrefix(next, "{"):
			return nil, usagef("--path %q: two fields touch; put what separates them between", text)
		}
		p.fields = append(p.fields, name)
		short.WriteString(`([^/]+?)`)
		long.WriteString(`([^/]+)`)
		rest = next
	}
	if len(p.fields) == 0 {
		return nil, usagef("--path %q has no field; write one in braces, as in {circuit}/{rider}.csv", text)
	}
	p.short = regexp.MustCompile(`(?s)(?:^|/)` + short.String() + `$`)
	p.long = regexp.MustCompile(`(?s)(?:^|/)` + long.String() + `$`)
	return p, nil
}

// read sets the fields of a row from a path. other tells that the path can be read in
// another way, too.
func (p *pathPattern) read(path string, row *lapRow) (other bool, err error) {
	slashed := filepath.ToSlash(path)
	short, long := p.short.FindStringSubmatch(slashed), p.long.FindStringSubmatch(slashed)
	if short == nil {
		return false, fmt.Errorf("read fields from a path: %q does not end as --path %q says; correct the pattern, or name the recordings that fit", slashed, p.text)
	}
	for i, f := range p.fields {
		value := strings.TrimSpace(short[i+1])
		if value == "" {
			return false, fmt.Errorf("read fields from a path: %q has only spaces where --path %q has a field; rename it", slashed, p.text)
		}
		if f != "" {
			*row.field(f) = value
			other = other || value != strings.TrimSpace(long[i+1])
		}
	}
	return other, nil
}
