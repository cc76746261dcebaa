package slurm

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// Array is a program that is run for a set of shards.
type Array struct {
	Mark    string   // letters, digits and - only; no other array's
	Dir     string   // a folder for script and logs, on a file system that the nodes share
	Program []string // with its arguments
	Shards  []int    // sorted
	Tries   int      // how often a shard is tried
	Limits  Limits

	// Trace tells what a shard has left: that it is done, or why it failed. It is asked
	// again and again.
	Trace func(shard int) (done bool, failure string)
	// Forget removes a shard's trace before it is tried again; nil = there is nothing to remove.
	Forget func(shard int)

	Report func(Progress)    // nil = none
	Warn   func(text string) // nil = none

	Commands Commands
	Pace     Pace
}

// Progress is how far an array is.
type Progress struct {
	Done, Running, Waiting, Total int
	Reason                        string // why shards wait, "" if they do not or nobody knows
}

// Pace is how long an array waits for what. Zeros stand for defaults.
type Pace struct {
	Poll     time.Duration // between two looks at the queue at first; later they are rarer
	Patience time.Duration // for a cluster that takes no jobs or does not answer
	Settle   time.Duration // for the trace of a job that has left the queue; file systems are slow to show it
}

func (p Pace) orDefault() Pace {
	return Pace{cmp.Or(p.Poll, time.Second), cmp.Or(p.Patience, 15*time.Minute), cmp.Or(p.Settle, 10*time.Second)}
}

// slowest is the longest time between two looks at the queue.
const slowest = 15 * time.Second

// Log is the name of the file of a shard's messages, in the array's folder.
func Log(shard int) string { return fmt.Sprintf("shard-%d.log", shard) }

// script runs the program that its arguments name, in the folder that the first of them
// names. It is always the same.
const script = "#!/bin/sh\ncd -- \"$1\" || exit 1\nshift\nexec \"$@\" >>\"shard-$SLURM_ARRAY_TASK_ID.log\" 2>&1\n"

// run is an array under way.
type run struct {
	*Array
	pace    Pace
	left    []int          // not done
	known   map[string]int // numbers of jobs seen, and the try that they belong to
	try     int
	ended   map[int]task // how a shard's job of this try ended, or why it cannot begin
	warned  map[string]bool
	since   time.Time // when the queue was last seen, or begun to be looked at
	missing map[int]time.Time
	begun   time.Time
}

// Run submits the array, waits for it, and tries again what failed. It returns an error
// when shards fail in every try, when the cluster is out of reach for longer than the
// pace's patience, and when ctx ends; in any case no job of the array is left.
func (a *Array) Run(ctx context.Context) (err error) {
	r := &run{Array: a, pace: a.Pace.orDefault(), left: slices.Clone(a.Shards), known: map[string]int{}, warned: map[string]bool{}, begun: time.Now()}
	path := filepath.Join(a.Dir, "run.sh")
	if err := os.WriteFile(path, []byte(script), 0o777); err != nil {
		return fmt.Errorf("write the jobs' script: %w", err)
	}
	defer func() { err = errors.Join(err, r.cancel(ctx)) }()
	for r.try = 1; ; r.try++ {
		r.ended = map[int]task{}
		req := request{mark: a.Mark, shards: r.left, limits: a.Limits, script: path, args: append([]string{a.Dir}, a.Program...)}
		if err := r.submit(ctx, req); err != nil {
			return err
		}
		if err := r.wait(ctx); err != nil || len(r.left) == 0 {
			return err
		}
		if r.try >= a.Tries || r.hopeless() {
			return r.failed()
		}
		r.warnf("%s failed, which is tried again, try %d of %d: %s", r.names(), r.try+1, a.Tries, r.why(r.left[0]))
		for _, s := range r.left {
			if a.Forget != nil {
				a.Forget(s)
			}
		}
	}
}

// hopeless tells whether another try would end as this one did.
func (r *run) hopeless() bool {
	return slices.ContainsFunc(r.left, func(s int) bool { return r.ended[s].hopeless() })
}

func (r *run) warnf(format string, args ...any) {
	if text := fmt.Sprintf(format, args...); r.Warn != nil && !r.warned[text] {
		r.warned[text] = true
		r.Warn(text)
	}
}

// stopLimit is how long cancelling may take when the run has been told to stop.
const stopLimit = 1100 * time.Millisecond

// cancel ends what jobs are left, also when ctx has ended.
func (r *run) cancel(ctx context.Context) error {
	c := r.Commands
	if ctx.Err() != nil {
		c.Limit = stopLimit
	}
	return c.Cancel(context.WithoutCancel(ctx), r.Mark)
}

// busy are parts of what sbatch says when another try may succeed.
var busy = []string{"queue full", "submit limit", "MaxSubmit", "temporarily", "Unable to contact", "timed out", "Zero Bytes", "Connection refused", "not responding"}

func passing(err error) bool {
	var t timeoutError
	return errors.As(err, &t) || slices.ContainsFunc(busy, func(b string) bool { return strings.Contains(err.Error(), b) })
}

// submit submits jobs, again while the cluster takes none. A call that was not answered
// may have been heard all the same: then its jobs are in the queue.
func (r *run) submit(ctx context.Context, req request) error {
	for start := time.Now(); ; {
		id, err := r.Commands.submit(ctx, req)
		if err == nil {
			r.known[id] = r.try
			return nil
		}
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		tasks, lost := r.Commands.queue(ctx, r.Mark)
		if heard := r.takeNew(tasks); heard {
			return nil
		}
		if lost == nil && !passing(err) {
			return fmt.Errorf("submit jobs: %w; see the options that begin with --slurm-", err)
		}
		if time.Since(start) > r.pace.Patience {
			return fmt.Errorf("submit jobs: %w; the cluster took none for %v", err, r.pace.Patience)
		}
		r.warnf("the cluster takes no jobs, which is tried again for %v: %v", r.pace.Patience, err)
		if err := r.sleep(ctx); err != nil {
			return err
		}
	}
}

// takeNew notes jobs that were not known, and tells whether there were any.
func (r *run) takeNew(tasks []task) (found bool) {
	for _, t := range tasks {
		if r.known[t.job] == 0 {
			r.known[t.job], found = r.try, true
		}
	}
	return found
}

// sleep waits until the queue is looked at again: the longer all has taken, the rarer.
func (r *run) sleep(ctx context.Context) error {
	d := min(max(r.pace.Poll, time.Since(r.begun)/50), max(slowest, r.pace.Poll))
	select {
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-time.After(d):
		return nil
	}
}

// wait waits until every shard is done or lost; the lost ones are left.
func (r *run) wait(ctx context.Context) error {
	r.missing, r.since = map[int]time.Time{}, time.Now()
	for {
		if err := r.sleep(ctx); err != nil {
			return err
		}
		r.left = slices.DeleteFunc(r.left, func(s int) bool { done, _ := r.Trace(s); return done })
		if len(r.left) == 0 {
			r.report(nil)
			return nil
		}
		tasks, err := r.Commands.queue(ctx, r.Mark)
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if err != nil {
			if time.Since(r.since) > r.pace.Patience {
				return fmt.Errorf("look at the queue: %w; it could not be seen for %v", err, r.pace.Patience)
			}
			r.warnf("the queue cannot be seen, which is tried again for %v: %v", r.pace.Patience, err)
			continue
		}
		r.since = time.Now()
		tasks = r.alive(ctx, tasks)
		r.report(tasks)
		if r.lost(tasks) == len(r.left) {
			return nil
		}
	}
}

// alive lists the jobs that may still come to an end by themselves; those that cannot
// are cancelled.
func (r *run) alive(ctx context.Context, tasks []task) []task {
	left := map[int]bool{}
	for _, s := range r.left {
		left[s] = true
	}
	var out []task
	for _, t := range tasks {
		if left[t.shard] && r.known[t.job] == r.try && (!t.alive() || t.hopeless()) {
			r.ended[t.shard] = t
		}
		switch {
		case !t.alive() || !left[t.shard]:
			continue
		case t.stuck():
			r.warnf("job %s_%d could not be started and is held (%s); it is cancelled, and its shard counts as failed", t.job, t.shard, t.reason)
			if err := r.Commands.cancelTask(ctx, t); err != nil {
				r.warnf("cancel job %s_%d: %v", t.job, t.shard, err)
			}
			continue
		case t.kept():
			r.warnf("jobs are held (%s); release them with: scontrol release %s", t.reason, t.job)
		case t.state == "PD" && !slices.Contains(usual, t.reason):
			r.warnf("jobs wait (%s); if that does not pass, stop the run and see the options that begin with --slurm-", t.reason)
		}
		out = append(out, t)
	}
	return out
}

// usual are reasons for waiting that pass by themselves.
var usual = []string{"", "None", "Resources", "Priority", "JobArrayTaskLimit", "BeginTime", "Cleaning"}

// lost counts the shards that have not been in the queue for a while.
func (r *run) lost(tasks []task) int {
	n := 0
	there := map[int]bool{}
	for _, t := range tasks {
		there[t.shard] = true
	}
	for _, s := range r.left {
		if there[s] {
			delete(r.missing, s)
			continue
		}
		if _, ok := r.missing[s]; !ok {
			r.missing[s] = time.Now()
		}
		if _, failure := r.Trace(s); failure != "" || time.Since(r.missing[s]) >= r.pace.Settle {
			n++
		}
	}
	return n
}

func (r *run) report(tasks []task) {
	if r.Report == nil {
		return
	}
	p := Progress{Total: len(r.Shards), Done: len(r.Shards) - len(r.left)}
	for _, t := range tasks {
		if t.state == "PD" {
			p.Waiting++
			p.Reason = t.reason
		} else {
			p.Running++
		}
	}
	if p.Reason == "None" {
		p.Reason = ""
	}
	r.Report(p)
}

// names names the shards that are left.
func (r *run) names() string {
	if len(r.left) == 1 {
		return "shard " + indices(r.left, 0)
	}
	return "shards " + indices(r.left, 0)
}

// why says why a shard failed, as far as it is known: by its own word, and by Slurm's.
func (r *run) why(shard int) string {
	said, end := r.said(shard), r.ended[shard].end()
	switch {
	case said == "" && end == "":
		return "its job ended without a word"
	case said == "" || end == "":
		return said + end
	}
	return said + "; " + end
}

// said is what a shard's program has said of its failure.
func (r *run) said(shard int) string {
	if _, failure := r.Trace(shard); failure != "" {
		return failure
	}
	if text, err := os.ReadFile(filepath.Join(r.Dir, Log(shard))); err == nil {
		if lines := strings.Split(strings.TrimSpace(string(text)), "\n"); lines[len(lines)-1] != "" {
			return fmt.Sprintf("its last message is %q", lines[len(lines)-1])
		}
	}
	return ""
}

func (r *run) failed() error {
	tries, worst := fmt.Sprintf("in each of %d tries", r.try), r.left[0]
	if r.hopeless() {
		tries = "for good"
		worst = r.left[slices.IndexFunc(r.left, func(s int) bool { return r.ended[s].hopeless() })]
	}
	return &FailedError{Shards: r.left, text: fmt.Sprintf("%s of %d failed %s; shard %d: %s; the messages are in %q",
		r.names(), len(r.Shards), tries, worst, r.why(worst), r.Dir)}
}

// FailedError says that shards failed in every try.
type FailedError struct {
	Shards []int
	text   string
}

func (e *FailedError) Error() string { return e.text }
