package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
)

// shardCommand is what a cluster's jobs call; people give run --shard.
const shardCommand = "shard"

// shardVariable holds the number of a job's shard.
const shardVariable = "SLURM_ARRAY_TASK_ID"

// jobName is the file that says what the jobs of a step are to do.
const jobName = "job.json"

// shardJob is what the jobs of a step are told, all of them alike.
type shardJob struct {
	Version string            `json:"version"` // of this program: another may compute otherwise
	Season  string            `json:"season"`
	Set     []string          `json:"set"`
	Files   map[string]string `json:"files"` // hashes of the season's own files
	Cache   string            `json:"cache"`
	Jobs    int               `json:"jobs"`
	Memory  int64             `json:"memory"`
	Rehash  bool              `json:"rehash"`
	Laps    [][]string        `json:"laps"` // by shard
}

// shardTrace is what a job leaves when it ends.
type shardTrace struct {
	Done    bool                            `json:"done"`
	Error   string                          `json:"error,omitempty"`
	Failed  []pipeline.Failure              `json:"failed,omitempty"`
	Stages  map[string]pipeline.StageReport `json:"stages,omitempty"`
	Host    string                          `json:"host"`
	Seconds float64                         `json:"seconds"`
}

func traceFile(dir string, shard int) string {
	return filepath.Join(dir, fmt.Sprintf("shard-%d.json", shard))
}

func hashedFile(dir string, shard int) string {
	return filepath.Join(dir, fmt.Sprintf("shard-%d.hashed", shard))
}

func loadTrace(dir string, shard int) (t shardTrace, err error) {
	text, err := os.ReadFile(traceFile(dir, shard))
	if err == nil {
		err = json.Unmarshal(text, &t)
	}
	return t, err
}

// readTrace tells what became of a shard, as far as its job has said so.
func readTrace(dir string, shard int) (done bool, failure string) {
	t, err := loadTrace(dir, shard)
	switch {
	case err != nil:
		return false, ""
	case t.Done:
		return true, ""
	case t.Error != "":
		return false, fmt.Sprintf("on host %q: %s", t.Host, oneLine(t.Error))
	case len(t.Failed) > 0:
		return false, fmt.Sprintf("on host %q: %s: %s", t.Host, t.Failed[0].Task, oneLine(t.Failed[0].Reason))
	}
	return false, "it does not say why"
}

// seasonHashes are the hashes of the files that make up a season besides its recordings.
func seasonHashes(s *season.Season) map[string]string {
	return map[string]string{"season file": fileHash(s.Path), "manifest": fileHash(s.LapsFile), "calendar": fileHash(s.CalendarFile)}
}

func (a *app) shard() *cobra.Command {
	return &cobra.Command{
		Use:    shardCommand + " JOB",
		Short:  "Do the work of one of a cluster's jobs",
		Hidden: true,
		Args:   cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			n, err := strconv.Atoi(os.Getenv(shardVariable))
			if err != nil {
				return usagef("%s %q: want a number; 'lapwear run --slurm' lets Slurm set it", shardVariable, os.Getenv(shardVariable))
			}
			return a.workShard(c.Context(), args[0], n)
		},
	}
}

// workShard does a job's shard and leaves its trace.
func (a *app) workShard(ctx context.Context, path string, n int) error {
	begun := time.Now()
	var t shardTrace
	t.Host, _ = os.Hostname()
	if node := os.Getenv("SLURMD_NODENAME"); node != "" {
		t.Host = node
	}
	err := a.doShard(ctx, path, n, &t)
	switch {
	case ctx.Err() != nil:
		t.Error = "it was told to stop, by the time limit or by somebody"
	case err != nil:
		t.Error = err.Error()
	}
	t.Done, t.Seconds = err == nil && len(t.Failed) == 0, time.Since(begun).Seconds()
	text, lost := json.Marshal(t)
	if lost == nil {
		lost = writeWhole(traceFile(filepath.Dir(path), n), text)
	}
	return errors.Join(err, lost)
}

func (a *app) doShard(ctx context.Context, path string, n int, t *shardTrace) error {
	job, s, err := readJob(path, n)
	if err != nil {
		return err
	}
	if _, err := os.Stat(job.Cache); err != nil {
		return fmt.Errorf("find the cache: %w; give with --cache a folder that all nodes share", err)
	}
	store, err := a.openCache(job.Cache)
	if err != nil {
		return err
	}
	defer a.closeStore(store)
	watch := &watchedStore{Store: store}
	adviseHeap(s, job.Jobs, job.Memory<<20)
	p := a.newProgress()
	share, err := s.Share(ctx, pipeline.Options{Store: watch, Jobs: job.Jobs, Memory: job.Memory << 20, Rehash: job.Rehash, Events: p.event}, job.Laps[n])
	p.close()
	t.Stages, t.Failed = share.Stages, share.Failed
	return errors.Join(err, watch.err, store.Sync(), writeWhole(hashedFile(filepath.Dir(path), n), store.Hashed()))
}

// readJob reads what a job is to do, and the season, which must be what it was.
func readJob(path string, n int) (*shardJob, *season.Season, error) {
	text, err := os.ReadFile(path)
	if err != nil {
		return nil, nil, err
	}
	var job shardJob
	if err := json.Unmarshal(text, &job); err != nil {
		return nil, nil, fmt.Errorf("read %q: %w", path, err)
	}
	if n < 0 || n >= len(job.Laps) {
		return nil, nil, fmt.Errorf("find shard %d: the job has %d", n, len(job.Laps))
	}
	if v := version(); v != job.Version {
		return nil, nil, fmt.Errorf("lapwear is of version %s here and %s where the run was started; use one of them everywhere", v, job.Version)
	}
	s, faults := season.Load(job.Season, season.LoadOptions{Set: job.Set})
	if len(faults) > 0 {
		return nil, nil, faults
	}
	for role, hash := range seasonHashes(s) {
		if job.Files[role] != hash {
			return nil, nil, fmt.Errorf("the %s of %q is not what it was when the run was started; run again", role, job.Season)
		}
	}
	return &job, s, nil
}

// watchedStore remembers that a result could not be stored: then all was for nothing.
type watchedStore struct {
	*cache.Store
	mu  sync.Mutex
	err error
}

func (w *watchedStore) Put(ctx context.Context, action key.ID, e cache.Entry, blobs []cache.Payload) error {
	err := w.Store.Put(ctx, action, e, blobs)
	if err != nil {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.err = err
	}
	return err
}

// writeWhole writes a file that is there in full or not at all.
func writeWhole(path string, text []byte) (err error) {
	f, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+".*.tmp")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			os.Remove(f.Name())
		}
	}()
	_, err = f.Write(text)
	if err := errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("write %q: %w", path, err)
	}
	return os.Rename(f.Name(), path)
}

// parseShare reads "2/8": the second of eight shares.
func parseShare(text string) (i, n int, err error) {
	first, second, _ := strings.Cut(text, "/")
	i, errI := strconv.Atoi(first)
	n, errN := strconv.Atoi(second)
	if errI != nil || errN != nil || i < 1 || i > n {
		return 0, 0, usagef("--shard %q: want which of how many, as in 2/8", text)
	}
	return i, n, nil
}

// shareJSON is the object that run --shard --json prints.
type shareJSON struct {
	Season string                          `json:"season"`
	Shard  string                          `json:"shard"`
	Laps   int                             `json:"laps"`
	Stages map[string]pipeline.StageReport `json:"stages"`
	Failed []pipeline.Failure              `json:"failed"`
	Remote *sharedJSON                     `json:"remote,omitempty"`
}

// runShares brings one share of each season up to date.
func (a *app) runShares(c *cobra.Command, paths []string, o runOptions) error {
	for _, name := range []string{"slurm", "dry-run", "no-cache", "fleet", "out"} {
		if c.Flags().Changed(name) {
			return usagef("--shard and --%s: a share writes nothing but the cache; leave one of them out", name)
		}
	}
	for _, path := range paths {
		if err := a.runShare(c.Context(), path, o); err != nil {
			return err
		}
	}
	return nil
}

// runShare brings one share of the laps of a season up to date, and writes no table.
func (a *app) runShare(ctx context.Context, path string, o runOptions) error {
	i, n, err := parseShare(o.shard)
	if err != nil {
		return err
	}
	o.dryRun = true // nothing is written, so nothing is claimed
	w, err := a.open(ctx, path, o)
	if err != nil {
		return err
	}
	defer w.close()
	adviseHeap(w.Season, o.jobs, o.memory<<20)
	p := a.newProgress()
	laps := w.Deal(w.SeasonLaps(), n)[i-1]
	share, err := w.Share(ctx, w.session(o, p), laps)
	p.close()
	w.close()
	if err != nil {
		return err
	}
	if a.json {
		err = a.printJSON(shareJSON{w.Season.Season, o.shard, len(laps), allStages(share.Stages), share.Failed, a.shared})
	} else {
		fmt.Fprintf(a.out, "share %s of season %s: %s up to date in %s\n", o.shard, w.Season.Season, plural(len(laps), "lap"), w.store.Dir())
		a.printShared()
	}
	return errors.Join(err, failuresError(share.Failed))
}
