// Package slurm gives work to a Slurm cluster, by Slurm's own commands alone.
//
//   - A Shard is a number that a program is given to work on, in SLURM_ARRAY_TASK_ID.
//   - An Array is a program that is run for a set of shards, as one job array a try.
//   - A Mark is the name and comment of all jobs of an array; they are found and cancelled
//     by it, for numbers of jobs may be lost, and given again, when a controller dies.
//   - A shard's trace is what its program leaves in a file when it ends. The queue
//     forgets jobs that have ended, so a shard is done when its trace says so, and lost
//     when it is neither in the queue nor has one.
//
// No shell is given a text of the user's: programs and folders are arguments of a script
// that is always the same.
//
// Not guaranteed: that a shard runs once. Slurm starts a job again when it loses touch with
// a node, where the old process may still run; what a shard writes has to bear that.
package slurm

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Commands calls sbatch, squeue and scancel, each within a time limit: with the controller
// down they would hang.
type Commands struct {
	Limit time.Duration // 0 = defaultLimit

	run func(ctx context.Context, name string, args ...string) (string, error) // nil = execute
}

const defaultLimit = 30 * time.Second

// Available tells why Slurm cannot be used here; nil if it can.
func Available() error {
	for _, name := range []string{"sbatch", "squeue", "scancel"} {
		if _, err := exec.LookPath(name); err != nil {
			return fmt.Errorf("find Slurm: %w; run on a host from which jobs are submitted", err)
		}
	}
	return nil
}

// call runs a command and returns what it wrote.
func (c Commands) call(ctx context.Context, name string, args ...string) (string, error) {
	limit := cmp.Or(c.Limit, defaultLimit)
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	run := c.run
	if run == nil {
		run = execute
	}
	out, err := run(ctx, name, args...)
	if errors.Is(ctx.Err(), context.DeadlineExceeded) {
		return out, timeoutError{name, limit}
	}
	return out, err
}

// timeoutError says that a command did not answer.
type timeoutError struct {
	name  string
	limit time.Duration
}

func (e timeoutError) Error() string { return fmt.Sprintf("%s: no answer within %v", e.name, e.limit) }

// passed begins the names of the variables that commands, and so jobs, may have of this
// process's: what a program needs anywhere, and what all of Slurm reads. Secrets stay here.
var passed = []string{"PATH=", "HOME=", "USER=", "LOGNAME=", "SHELL=", "LANG=", "LC_", "TZ=", "SLURM_"}

// environment is what a command gets of all variables. Those by which a user narrows what
// squeue shows and scancel ends are kept from them: jobs would seem lost, or stay.
func environment(command string, all []string) []string {
	passed := passed
	if command == "sbatch" {
		passed = append(slices.Clone(passed), "SBATCH_")
	}
	return slices.DeleteFunc(slices.Clone(all), func(v string) bool {
		return !slices.ContainsFunc(passed, func(p string) bool { return strings.HasPrefix(v, p) })
	})
}

// execute runs a command in a process of its own.
func execute(ctx context.Context, name string, args ...string) (string, error) {
	c := exec.CommandContext(ctx, name, args...)
	c.Env = environment(name, os.Environ())
	c.WaitDelay = time.Second
	var out, said bytes.Buffer
	c.Stdout, c.Stderr = &out, &said
	err := c.Run()
	if text := strings.Join(strings.Fields(said.String()), " "); err != nil && text != "" {
		err = fmt.Errorf("%s: %s", name, text)
	} else if err != nil {
		err = fmt.Errorf("%s: %w", name, err)
	}
	return out.String(), err
}

// request is a job array to submit.
type request struct {
	mark   string
	shards []int
	limits Limits
	script string
	args   []string
}

// submit submits an array and returns its number.
func (c Commands) submit(ctx context.Context, r request) (string, error) {
	args := []string{"--parsable", "--job-name=" + r.mark, "--comment=" + r.mark, "--export=ALL", "--requeue",
		"--nodes=1", "--ntasks=1", "--chdir=/", "--output=/dev/null", "--error=/dev/null", "--array=" + indices(r.shards, r.limits.Throttle)}
	args = append(args, r.limits.options()...)
	out, err := c.call(ctx, "sbatch", append(append(args, r.script), r.args...)...)
	if err != nil {
		return "", err
	}
	id, _, _ := strings.Cut(strings.TrimSpace(out), ";") // of several clusters it names which
	if _, err := strconv.ParseUint(id, 10, 64); err != nil {
		return "", fmt.Errorf("sbatch: %q is no job's number", id)
	}
	return id, nil
}

// Limits are what jobs ask of the cluster. What is zero is left to the cluster.
type Limits struct {
	Partition string
	Time      string // in one of Slurm's forms
	Memory    int64  // MiB
	CPUs      int
	Throttle  int // shards at once
}

func (l Limits) options() []string {
	var out []string
	if l.Partition != "" {
		out = append(out, "--partition="+l.Partition)
	}
	if l.Time != "" {
		out = append(out, "--time="+l.Time)
	}
	if l.Memory > 0 {
		out = append(out, fmt.Sprintf("--mem=%dM", l.Memory))
	}
	if l.CPUs > 0 {
		out = append(out, fmt.Sprintf("--cpus-per-task=%d", l.CPUs))
	}
	return out
}

// indices writes sorted numbers as sbatch wants them, runs of them short: 0-3,7%2.
func indices(shards []int, throttle int) string {
	var parts []string
	for i := 0; i < len(shards); {
		j := i
		for j+1 < len(shards) && shards[j+1] == shards[j]+1 {
			j++
		}
		if j > i {
			parts = append(parts, fmt.Sprintf("%d-%d", shards[i], shards[j]))
		} else {
			parts = append(parts, strconv.Itoa(shards[i]))
		}
		i = j + 1
	}
	out := strings.Join(parts, ",")
	if throttle > 0 {
		out += fmt.Sprintf("%%%d", throttle)
	}
	return out
}

// task is a job of an array, as the queue shows it.
type task struct {
	job    string
	shard  int
	state  string // Slurm's short form, as R or PD
	reason string // why it does not run
}

// ended names the states that a job does not leave by itself.
var ended = map[string]string{"CD": "COMPLETED", "F": "FAILED", "CA": "CANCELLED", "TO": "TIMEOUT", "NF": "NODE_FAIL", "OOM": "OUT_OF_MEMORY",
	"BF": "BOOT_FAIL", "DL": "DEADLINE", "PR": "PREEMPTED", "RV": "REVOKED"}

func (t task) alive() bool { return ended[t.state] == "" }

// hopeless tells whether no node can give a job what it asks for.
func (t task) hopeless() bool { return t.reason == "BadConstraints" }

// end says how a job ended, in Slurm's words, and what may help; "" if that says nothing.
func (t task) end() string {
	text := "its job ended as " + ended[t.state]
	if t.reason != "" && t.reason != "None" {
		text += " (" + t.reason + ")"
	}
	switch {
	case t.hopeless():
		return "no node can give what it asks for (BadConstraints); see --slurm-memory, --slurm-partition and --jobs"
	case ended[t.state] == "" || t.state == "CD":
		return ""
	case t.state == "OOM":
		return text + "; give more with --slurm-memory"
	case t.state == "TO":
		return text + "; give more with --slurm-time, or more --slurm-shards"
	}
	return text
}

// kept tells whether a person keeps a job from starting.
func (t task) kept() bool { return t.reason == "JobHeldUser" || t.reason == "JobHeldAdmin" }

// stuck tells whether a job is held because it could not be started, or ended in a way
// that holds it: it would wait for ever.
func (t task) stuck() bool {
	return !t.kept() && (t.hopeless() || t.state == "SE" || t.state == "RH" || strings.Contains(t.reason, "held"))
}

// queue lists the jobs with a mark that the cluster still knows.
func (c Commands) queue(ctx context.Context, mark string) ([]task, error) {
	out, err := c.call(ctx, "squeue", "--noheader", "--array", "--states=all", "--user="+strconv.Itoa(os.Getuid()), "--format=%F|%K|%t|%j|%k|%r")
	if err != nil {
		return nil, err
	}
	var tasks []task
	for line := range strings.Lines(out) {
		f := strings.SplitN(strings.TrimSpace(line), "|", 6)
		if len(f) < 6 || f[3] != mark && f[4] != mark {
			continue
		}
		if shard, err := strconv.Atoi(f[1]); err == nil {
			tasks = append(tasks, task{job: f[0], shard: shard, state: f[2], reason: f[5]})
		}
	}
	return tasks, nil
}

// CancelError says that jobs with a mark may be left in the queue.
type CancelError struct {
	Mark string
	err  error
}

func (e *CancelError) Error() string {
	return fmt.Sprintf("cancel the jobs: %v; cancel them with: scancel --name=%s", e.err, e.Mark)
}

func (e *CancelError) Unwrap() error { return e.err }

// errStay says that a cancelled job goes on.
var errStay = errors.New("they are in the queue yet")

// cancelPause is the time between two tries to cancel jobs that stay in the queue.
const cancelPause = 100 * time.Millisecond

// Cancel ends all jobs with a mark, within one time limit, and sees to it that the queue
// has none any more; else the error is a CancelError.
func (c Commands) Cancel(ctx context.Context, mark string) error {
	limit := cmp.Or(c.Limit, defaultLimit)
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	for {
		err := c.cancelOnce(ctx, mark)
		if err == nil {
			return nil
		}
		if ctx.Err() != nil && !errors.Is(err, errStay) {
			err = timeoutError{"scancel", limit}
		}
		if !errors.Is(err, errStay) {
			return &CancelError{mark, err}
		}
		select {
		case <-ctx.Done():
			return &CancelError{mark, err}
		case <-time.After(cancelPause):
		}
	}
}

func (c Commands) cancelOnce(ctx context.Context, mark string) error {
	if _, err := c.call(ctx, "scancel", "--name="+mark); err != nil {
		return err
	}
	tasks, err := c.queue(ctx, mark)
	if err != nil {
		return err
	}
	if slices.ContainsFunc(tasks, func(t task) bool { return t.alive() && t.state != "CG" }) {
		return errStay
	}
	return nil
}

// cancelTask ends one job of an array.
func (c Commands) cancelTask(ctx context.Context, t task) error {
	_, err := c.call(ctx, "scancel", fmt.Sprintf("%s_%d", t.job, t.shard))
	return err
}
