package cli

import (
	"context"
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"lapwear/cmd/internal/slurm"
	"lapwear/pipeline/season"
)

// slurmOptions say how a run uses a cluster.
type slurmOptions struct {
	on              bool
	partition, time string
	memory          int64
	shards          int
	throttle, tries int

	array slurm.Array // with a pace, limits of calls and a program of a test's; else zero
}

const slurmPrefix = "slurm-"

func slurmFlags(c *cobra.Command, o *slurmOptions) {
	f := c.Flags()
	f.BoolVar(&o.on, "slurm", false, "compute the laps on a Slurm cluster; cache, output, recordings and this program lie on a file system that its nodes share")
	f.StringVar(&o.partition, slurmPrefix+"partition", "", "the cluster's partition (default: the cluster's own)")
	f.IntVar(&o.shards, slurmPrefix+"shards", 0, "jobs to share the laps out among (default: one for 50 laps, 64 at most)")
	f.StringVar(&o.time, slurmPrefix+"time", "", "time limit of a job, as in 2:00:00 (default: the partition's)")
	f.Int64Var(&o.memory, slurmPrefix+"memory", 0, "memory of a job in MiB (default: twice --memory and 512)")
	f.IntVar(&o.throttle, slurmPrefix+"throttle", 0, "jobs at once (default: as many as the cluster allows)")
	f.IntVar(&o.tries, slurmPrefix+"tries", 3, "how often a job is tried")
}

// slurmTime are the forms that Slurm knows: minutes, with hours, with days, with seconds.
var slurmTime = regexp.MustCompile(`^(\d+-\d+(:\d+){0,2}|\d+(:\d+){0,2})$`)

// check finds what is wrong with the options; changed tells whether one is given.
func (o *slurmOptions) check(c *cobra.Command, run *runOptions) error {
	if !o.on {
		for _, name := range []string{"partition", "shards", "time", "memory", "throttle", "tries"} {
			if c.Flags().Changed(slurmPrefix + name) {
				return usagef("--%s%s: there is no --slurm; add it", slurmPrefix, name)
			}
		}
		return nil
	}
	switch {
	case run.noCache:
		return usagef("--slurm and --no-cache: the cluster's results come by the cache; leave one of them out")
	case o.shards < 0 || o.memory < 0 || o.throttle < 0:
		return usagef("--slurm-shards %d, --slurm-memory %d, --slurm-throttle %d: want numbers from 1, or leave them out", o.shards, o.memory, o.throttle)
	case o.tries < 1:
		return usagef("--slurm-tries %d: want a number from 1", o.tries)
	case o.time != "" && !slurmTime.MatchString(o.time):
		return usagef("--slurm-time %q: want minutes, hours:minutes:seconds or days-hours:minutes:seconds", o.time)
	}
	if err := slurm.Available(); err != nil {
		return usageError{err}
	}
	return nil
}

// limits are what a job of the cluster gets.
func (o *slurmOptions) limits(run *runOptions) slurm.Limits {
	l := slurm.Limits{Partition: o.partition, Time: o.time, Memory: o.memory, CPUs: max(run.jobs, 1), Throttle: o.throttle}
	if l.Memory == 0 {
		l.Memory = 2*run.memory + 512
	}
	return l
}

// lapsAShard is how many laps a job takes when nobody says how many jobs there are, and
// mostShards how many jobs there are at most.
const (
	lapsAShard = 50
	mostShards = 64
)

// shared is a season whose laps are computed by a cluster.
type shared struct {
	*opened
	a    *app
	o    runOptions
	dir  string // the work folder
	mark string
	p    *progress
}

// workMark is in the name of work folders, which stand beside the output folder.
const workMark = ".lapwear-shards-"

// onCluster lets a cluster compute what is not in the cache yet: the calibrations by one
// job, then the laps by many.
func (a *app) onCluster(ctx context.Context, w *opened, o runOptions, p *progress) (err error) {
	sh := &shared{a: a, opened: w, o: o, p: p}
	due := sh.due(nil)
	if !due.Calibrations && len(due.Laps) == 0 {
		return nil
	}
	if err := sh.makeDir(); err != nil {
		return err
	}
	defer func() {
		var failed *slurm.FailedError
		var left *slurm.CancelError
		// Somebody may want to read the messages; and by the folder's name the next run finds the jobs.
		if !errors.As(err, &failed) && !errors.As(err, &left) {
			a.removeWork(sh.dir)
		}
	}()
	if due.Calibrations {
		if err := sh.step(ctx, "calibrations", [][]string{{}}); err != nil {
			return err
		}
		due = sh.due(nil)
	}
	if len(due.Laps) == 0 {
		return nil
	}
	return sh.step(ctx, "laps", sh.deal(due.Laps))
}

// due looks up what is not up to date. A server is asked by what a recording holds: where
// there is one, recordings that nobody has hashed yet are read here, which may save their jobs.
func (sh *shared) due(laps []string) season.Due {
	hashed := sh.store.Hashes
	if sh.a.server != nil {
		hashed = func(string, bool) bool { return true }
	}
	return sh.Due(sh.session(sh.o, sh.p), hashed, laps)
}

// deal shares laps out among jobs, leaving out those that would have none.
func (sh *shared) deal(laps []string) [][]string {
	n := sh.o.slurm.shards
	if n == 0 {
		n = min((len(laps)+lapsAShard-1)/lapsAShard, mostShards)
	}
	var out [][]string
	for _, hand := range sh.Deal(laps, n) {
		if len(hand) > 0 {
			out = append(out, hand)
		}
	}
	return out
}

// makeDir makes the work folder, whose name holds the jobs' mark.
func (sh *shared) makeDir() error {
	var token [6]byte
	rand.Read(token[:])
	sh.mark = "lapwear-" + hex.EncodeToString(token[:])
	sh.dir = sh.workPrefix() + hex.EncodeToString(token[:])
	if err := os.Mkdir(sh.dir, 0o777); err != nil {
		return fmt.Errorf("make a folder for the cluster's jobs: %w; give another place with --out", err)
	}
	return nil
}

func (sh *shared) workPrefix() string { return workPrefix(sh.out) }

func workPrefix(out string) string {
	return filepath.Join(filepath.Dir(out), "."+filepath.Base(out)+workMark)
}

// endEarlier cancels the jobs that an earlier run into the same folder has left, and removes
// its work folder: nobody waits for them any more. The claim to the output folder says that
// there is no such run.
func (a *app) endEarlier(ctx context.Context, out string) {
	names, _ := fs.Glob(os.DirFS(filepath.Dir(out)), ".*"+workMark+"*")
	for _, name := range names {
		dir := filepath.Join(filepath.Dir(out), name)
		token, ok := strings.CutPrefix(dir, workPrefix(out))
		if !ok || !isHex(token) {
			continue
		}
		err := slurm.Available()
		if err == nil {
			err = (slurm.Commands{}).Cancel(ctx, "lapwear-"+token)
		}
		if err != nil {
			a.warnf("cancel what an earlier run has left: %v; it goes by the name of %q, which is kept until then", err, dir)
			continue
		}
		a.removeWork(dir)
	}
}

// removeWork removes a work folder. A job that was cancelled may be about to end and leave
// its trace, which would keep the folder: then once more, after which it finds no folder.
func (a *app) removeWork(dir string) {
	err := os.RemoveAll(dir)
	for try := 0; err != nil && try < 20; try++ {
		time.Sleep(20 * time.Millisecond)
		err = os.RemoveAll(dir)
	}
	if err != nil {
		a.warnf("remove a folder of the cluster's jobs: %v; the next run into this output folder tries again", err)
	}
}

func isHex(s string) bool {
	_, err := hex.DecodeString(s)
	return err == nil && s != ""
}

// step lets jobs bring shards of laps up to date, and takes over what they have hashed.
func (sh *shared) step(ctx context.Context, what string, laps [][]string) error {
	dir := filepath.Join(sh.dir, what)
	if err := os.Mkdir(dir, 0o777); err != nil {
		return fmt.Errorf("make a folder for the cluster's jobs: %w", err)
	}
	job := filepath.Join(dir, jobName)
	if err := sh.writeJob(job, laps); err != nil {
		return err
	}
	array, err := sh.array(what, dir, job, len(laps))
	if err != nil {
		return err
	}
	if err := array.Run(ctx); err != nil && !inPart(err, dir) {
		return fmt.Errorf("compute %s on the cluster: %w", what, err)
	}
	return sh.takeOver(dir, laps)
}

// array is the job array that works on n shards.
func (sh *shared) array(what, dir, job string, n int) (*slurm.Array, error) {
	array := sh.o.slurm.array
	array.Mark, array.Dir, array.Tries, array.Limits = sh.mark, dir, sh.o.slurm.tries, sh.o.slurm.limits(&sh.o)
	if array.Program == nil {
		program, err := os.Executable()
		if err != nil {
			return nil, fmt.Errorf("find this program's file: %w", err)
		}
		array.Program = []string{program}
	}
	array.Program = append(slices.Clone(array.Program), shardCommand, job)
	array.Warn = func(text string) { sh.a.warnf("slurm: %s", text) }
	array.Report = func(p slurm.Progress) { sh.p.shards(what, p) }
	array.Trace = func(shard int) (bool, string) { return readTrace(dir, shard) }
	array.Forget = func(shard int) { os.Remove(traceFile(dir, shard)) }
	for i := range n {
		array.Shards = append(array.Shards, i)
	}
	return &array, nil
}

// inPart tells whether the shards that failed did all but some steps: what is wrong with
// those is found out here.
func inPart(err error, dir string) bool {
	var failed *slurm.FailedError
	return errors.As(err, &failed) && !slices.ContainsFunc(failed.Shards, func(shard int) bool {
		t, err := loadTrace(dir, shard)
		return err != nil || t.Error != "" || len(t.Failed) == 0
	})
}

// takeOver learns what the jobs have hashed, and makes sure that what they have computed is
// in the cache as it is seen here.
func (sh *shared) takeOver(dir string, laps [][]string) error {
	for i := range laps {
		hashed, err := os.ReadFile(hashedFile(dir, i))
		if err == nil {
			err = sh.store.Learn(hashed)
		}
		if err != nil {
			sh.a.warnf("shard %d: %v", i, err)
		}
		if t, err := loadTrace(dir, i); err == nil {
			for _, f := range t.Failed {
				sh.a.warnf("shard %d could not do %s, which is tried here: %s", i, f.Task, oneLine(f.Reason))
			}
		}
	}
	if some := sh.sample(laps); len(some) > 0 && len(sh.due(some).Laps) == len(some) {
		return fmt.Errorf("compute laps on the cluster: the jobs ended well, but the cache %q holds nothing of it here; "+
			"give with --cache a folder that all nodes share", sh.store.Dir())
	}
	return nil
}

// sample takes a lap of each shard. Those of recordings that are too new for their hash to be
// trusted are due whatever the jobs did.
func (sh *shared) sample(laps [][]string) []string {
	path := map[string]string{}
	for i := range sh.Laps {
		path[sh.Laps[i].ID] = sh.Laps[i].Path
	}
	var out []string
	for _, l := range laps {
		if len(l) > 0 && sh.store.Hashes(path[l[0]], false) {
			out = append(out, l[0])
		}
	}
	return out
}

// writeJob writes what the jobs are told, all of a step alike.
func (sh *shared) writeJob(path string, laps [][]string) error {
	season, err := filepath.Abs(sh.Path)
	if err != nil {
		return err
	}
	text, err := json.Marshal(shardJob{Version: version(), Season: season, Set: sh.o.set, Files: seasonHashes(sh.Season), Cache: sh.store.Dir(),
		Jobs: max(sh.o.jobs, 1), Memory: sh.o.memory, Rehash: sh.o.rehash, Laps: laps})
	if err != nil {
		return err
	}
	if err := os.WriteFile(path, text, 0o666); err != nil {
		return fmt.Errorf("write what the cluster's jobs are to do: %w", err)
	}
	return nil
}
