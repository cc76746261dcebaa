package cli

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"hash/maphash"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"lapwear/cache"
	"lapwear/cmd/internal/folder"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
	"lapwear/stages"
	"lapwear/stages/frame"
)

type runOptions struct {
	out, cache string
	jobs       int
	memory     int64
	dryRun     bool
	noCache    bool
	rehash     bool
	set        []string
	wait       time.Duration
	fleet      string
	remote     remoteOptions
	sending    bool // all there is, not only what is computed
	shard      string
	alone      bool // of one season, of which nothing but what is printed is asked
	slurm      slurmOptions
}

func (a *app) run() *cobra.Command {
	var o runOptions
	c := &cobra.Command{
		Use:   "run SEASON.yaml...",
		Short: "Bring a season's results up to date and write its tables",
		Long: `Brings every result of the season up to date and writes the tables laps, circuits,
season, calibration and quality as CSV and Parquet. What has not changed since the last
run is not computed again. Laps that cannot be used are set aside, each with its reason;
the exit code is then 3.`,
		Example: "  lapwear run season.yaml\n  lapwear run season.yaml --out /srv/results --jobs 2 --json\n" +
			"  lapwear run cradle/season.yaml bracket/season.yaml --fleet fleet",
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if o.out != "" && len(args) > 1 {
				return usagef("--out takes the results of one season; run the seasons one by one, or leave it out")
			}
			if o.jobs < 0 || o.memory < 1 {
				return usagef("--jobs %d, --memory %d: want numbers from 1 (jobs 0: one a processor)", o.jobs, o.memory)
			}
			if err := eachOnce(args); err != nil {
				return err
			}
			if o.fleet != "" {
				if err := fleetFolder(o.fleet, args, o.out); err != nil {
					return err
				}
			}
			if err := o.slurm.check(c, &o); err != nil {
				return err
			}
			if o.shard != "" {
				return a.runShares(c, args, o)
			}
			return a.runSeasons(c.Context(), args, o)
		},
	}
	f := c.Flags()
	f.StringVar(&o.out, "out", "", "folder for the tables (default: out, beside the season file)")
	cacheFlag(c, &o.cache)
	remoteFlags(c, &o.remote)
	f.IntVar(&o.jobs, "jobs", 0, "laps worked on at once (default: one a processor)")
	f.Int64Var(&o.memory, "memory", 1024, "memory for recordings in flight, in MiB")
	f.BoolVar(&o.dryRun, "dry-run", false, "say what would be computed, and compute nothing")
	f.BoolVar(&o.noCache, "no-cache", false, "compute everything and keep nothing")
	f.BoolVar(&o.rehash, "rehash", false, "read every recording to see whether it changed, whatever its time stamp says")
	f.StringArrayVar(&o.set, "set", nil, "replace a value of the season file, as in hotspots.toe.stress_factor=0.93")
	waitFlag(c, &o.wait)
	f.StringVar(&o.shard, "shard", "", "compute one share of the laps into the cache and write no tables, as in 2/8")
	slurmFlags(c, &o.slurm)
	f.StringVar(&o.fleet, "fleet", "", "folder for the table fleet, which sums up all seasons by component, season and bike")
	return c
}

// runSeasons runs one season after another; one that fails does not stop the others.
func (a *app) runSeasons(ctx context.Context, paths []string, o runOptions) error {
	var aside bool
	var failed []error
	var all fleet
	a.brief = a.quiet && len(paths) > 1
	o.alone = len(paths) == 1 && o.fleet == ""
	for _, path := range paths {
		shown := false
		err := a.runAndShow(ctx, path, o, func(s *season.Season, out string, outcome *season.Outcome) error {
			shown = true
			all.add(s, outcome)
			return a.showRun(s, out, outcome)
		})
		switch {
		case err != nil && ctx.Err() != nil && o.noCache:
			return fmt.Errorf("%w: %w", errNotKept, err)
		case ctx.Err() != nil:
			return err
		case errors.Is(err, errSetAside):
			aside = true
		case err != nil:
			failed = append(failed, err)
			if !shown {
				all.miss(path, err)
			}
		}
	}
	if !o.dryRun && len(all.seasons) > 0 && (len(paths) > 1 || o.fleet != "") {
		if err := a.showFleet(ctx, &all, o); err != nil {
			failed = append(failed, err)
		}
	}
	switch {
	case len(failed) == 1:
		return failed[0]
	case len(failed) > 1:
		for _, err := range failed {
			a.exitCode(err)
		}
		return fmt.Errorf("%d of %s failed", len(failed), plural(len(paths), "season"))
	case aside:
		return errSetAside
	}
	return nil
}

// runJSON is the object that run --json prints; for several seasons, one a line.
type runJSON struct {
	Season   string                          `json:"season"`
	Out      string                          `json:"out"`
	Laps     season.Laps                     `json:"laps"`
	Stages   map[string]pipeline.StageReport `json:"stages"`
	Results  []result                        `json:"results"`
	Failures []pipeline.Failure              `json:"failures,omitempty"`
	Warnings []string                        `json:"warnings,omitempty"`
	Remote   *sharedJSON                     `json:"remote,omitempty"`
}

func (a *app) runSeason(ctx context.Context, path string, o runOptions) error {
	return a.runAndShow(ctx, path, o, a.showRun)
}

// runAndShow brings a season up to date, writes its tables, gives its folder up and shows
// what the caller wants of it.
func (a *app) runAndShow(ctx context.Context, path string, o runOptions, show func(*season.Season, string, *season.Outcome) error) error {
	w, err := a.open(ctx, path, o)
	if err != nil {
		return err
	}
	defer w.close()
	p := a.newProgress()
	options := w.session(o, p)
	options.Reading = readingHeap(w.Season)
	if o.dryRun {
		adviseHeap(w.Season, o.jobs, o.memory<<20)
		return a.showPlan(w.Season, w.out, w.Plan(options))
	}
	advise := sync.OnceFunc(func() { adviseHeap(w.Season, o.jobs, o.memory<<20) })
	if !o.slurm.on { // jobs may take hours
		w.ahead = pipeline.ReadAhead(ctx, options, w.Recordings(), advise)
		options.Ahead = w.ahead
	}
	a.endEarlier(ctx, w.out)
	if s, ok := a.stands(w, o); ok {
		(&folder.Set{Dir: w.out, Owned: published}).Tidy()
		w.close()
		return a.repeat(s)
	}
	w.store.Prepare() // it goes on beside
	advise()
	if o.slurm.on {
		if err := a.onCluster(ctx, w, o, p); err != nil {
			p.close()
			return err
		}
	}
	outcome, err := a.bringUp(w, o, func(earlier func() *pipeline.Record) (*season.Outcome, error) {
		return w.Run(ctx, options, earlier)
	})
	if err == nil {
		a.leaveStanding(w, o, outcome)
	}
	p.close()
	w.close()
	if err != nil {
		return err
	}
	return show(w.Season, w.out, outcome)
}

// bringUp runs a season and publishes its tables, and the report with what the rig test's commands, and run itself, have left.
// The season's rest goes on then: what was replaced is removed, and names are flushed.
func (a *app) bringUp(w *opened, o runOptions, run func(earlier func() *pipeline.Record) (*season.Outcome, error)) (*season.Outcome, error) {
	w.store.Prepare()
	last := sync.OnceValue(func() earlierRun { return readRecord(w.store, w.out) })
	defer last() // the store may be closed from then on
	outcome, err := run(sync.OnceValue(func() *pipeline.Record {
		if miss := last().miss; miss != "" && miss != cache.NotRun {
			a.warnf("what the last run left for 'why' is lost: %s", miss)
		}
		return last().record
	}))
	w.store.Hasten()
	if err != nil {
		return nil, err
	}
	book := beginWorkbook(w, outcome)         // takes longest
	w.rest.Go(func() { _ = w.store.Flush() }) // what fails is tried again, and told of, when the store is closed
	draft := sync.OnceValue(func() *cache.Draft { return a.draftRecord(w, outcome.Record, last(), o.noCache) })
	w.rest.Go(func() { draft() })
	if err := a.bringOutputsUp(w, o, outcome, book); err != nil {
		drop(draft())
		return nil, err
	}
	a.putRecord(w, draft()) // first, for its flush takes longest
	if w.note != nil {
		w.rest.Go(w.note)
	}
	return outcome, nil
}

// earlierRun is what the last run into a folder has left.
type earlierRun struct {
	record *pipeline.Record // nil where there is none
	miss   string           // why there is none

	seed maphash.Seed
	hash uint64 // of its encoding
}

func earlierOf(r *pipeline.Record, encoded []byte) earlierRun {
	seed := maphash.MakeSeed()
	return earlierRun{record: r, seed: seed, hash: maphash.Bytes(seed, encoded)}
}

// seems tells whether a record has this encoding; rarely it is another's.
func (e earlierRun) seems(encoded []byte) bool {
	return e.record != nil && maphash.Bytes(e.seed, encoded) == e.hash
}

func readRecord(store *cache.Store, out string) earlierRun {
	data, miss := store.Run(out)
	if miss != "" {
		return earlierRun{miss: miss}
	}
	f, err := frame.Decode(data)
	if err != nil {
		return earlierRun{miss: err.Error()}
	}
	r, err := pipeline.ReadRecord(f)
	if err != nil {
		return earlierRun{miss: err.Error()}
	}
	return earlierOf(r, data)
}

// draftRecord writes the run's record, which is to stand in place of the one before. It returns nil where there is nothing to put.
func (a *app) draftRecord(w *opened, r *pipeline.Record, was earlierRun, noCache bool) *cache.Draft {
	if noCache {
		return nil
	}
	now := r.Frame().AppendEncoded(nil)
	if was.seems(now) {
		// Another run into the folder may have put its own meanwhile.
		if there, miss := w.store.Run(w.out); miss == "" && bytes.Equal(there, now) {
			return nil
		}
	}
	d, err := w.store.DraftRun(w.out, now, r.Actions()...)
	w.unrecorded = err != nil
	a.recordLost(err)
	return d
}

// putRecord leaves the run's record, once its files are there.
func (a *app) putRecord(w *opened, d *cache.Draft) {
	if d == nil {
		return
	}
	if err := d.Publish(); err != nil {
		w.unrecorded = true
		a.recordLost(err)
		return
	}
	w.rest.Go(func() { a.recordLost(d.Flush()) })
}

func drop(d *cache.Draft) {
	if d != nil {
		d.Drop()
	}
}

func (a *app) recordLost(err error) {
	if err != nil {
		a.warnf("'why' will not know this run: %v", err)
	}
}

// showRun prints what a run found.
func (a *app) showRun(s *season.Season, out string, o *season.Outcome) error {
	results, err := readResults(o.Tables)
	if err != nil {
		return err
	}
	a.showLaps(s, o.Laps)
	doubt, err := doubts(s, o)
	if err != nil {
		return err
	}
	for _, d := range doubt {
		a.warnf("%s", d)
	}
	if a.json {
		j := runJSON{Season: s.Season, Out: out, Laps: o.Laps, Stages: allStages(o.Stages), Results: results, Failures: o.Failures, Remote: a.shared}
		for _, w := range s.Warnings {
			j.Warnings = append(j.Warnings, w.Error())
		}
		j.Warnings = append(j.Warnings, doubt...)
		if err := a.printJSON(j); err != nil {
			return err
		}
	} else {
		if err := a.printSummary(s, out, o, results); err != nil {
			return err
		}
		a.printShared()
	}
	if len(o.Failures) > 0 {
		return failuresError(o.Failures)
	}
	if len(o.Laps.SetAside)+len(o.Laps.InPart) > 0 {
		return errSetAside
	}
	return nil
}

// failuresError names each cause once, however many hot spots and scenarios share it.
func failuresError(failures []pipeline.Failure) error {
	var err error
	// A table without parts says nothing that the parts' failures do not say.
	causes := slices.DeleteFunc(slices.Clone(failures), func(f pipeline.Failure) bool { return strings.HasPrefix(f.Task, "table ") })
	if len(causes) > 0 {
		failures = causes
	}
	seen := map[string]bool{}
	for _, f := range failures {
		if !seen[f.Reason] {
			seen[f.Reason] = true
			err = errors.Join(err, fmt.Errorf("%s: %s", f.Task, f.Reason))
		}
	}
	return err
}

// stageNames is the order in which the work passes through the stages.
var stageNames = []string{"ingest", "resample", "calibrate", "count", "damage", "aggregate"}

// allStages adds the stages that had no task.
func allStages(m map[string]pipeline.StageReport) map[string]pipeline.StageReport {
	for _, n := range stageNames {
		if _, ok := m[n]; !ok {
			m[n] = pipeline.StageReport{}
		}
	}
	return m
}

// showPlan prints what a run would have to do.
func (a *app) showPlan(s *season.Season, out string, o *season.Outcome) error {
	if a.json {
		return a.printJSON(runJSON{Season: s.Season, Out: out, Laps: o.Laps, Stages: allStages(o.Stages), Results: []result{}})
	}
	for _, l := range o.Laps.SetAside {
		fmt.Fprintf(a.out, "would be set aside: lap %s: %s\n", stages.Cut(l.Lap), oneLine(l.Reason))
	}
	w := a.columns()
	fmt.Fprintln(w, "stage\ttasks\tup to date\tto compute, at most")
	for _, n := range stageNames {
		r := o.Stages[n]
		fmt.Fprintf(w, "%s\t%d\t%d\t%d\n", n, r.Planned, r.Hit, r.Planned-r.Hit)
	}
	return w.Flush()
}
