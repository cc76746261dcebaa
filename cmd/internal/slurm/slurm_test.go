package slurm

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
)

// cluster is a queue that a test leads: each look at it takes the next state.
type cluster struct {
	submits []error  // what the next calls of sbatch say; then they succeed
	states  []string // what squeue shows, line by line "JOB SHARD STATE REASON"; the last stays
	looks   int
	fails   map[int]error            // looks that fail
	hangs   map[string]bool          // commands that do not answer
	traces  map[int]string           // "" = done, else a failure
	leave   map[int]func(c *cluster) // what happens at a look
	taken   map[int]func(c *cluster) // what happens when a submission is taken, counted from 1
	took    int
	stay    bool // jobs do, whatever scancel is told
	gone    bool
	calls   []string
}

func (c *cluster) run(ctx context.Context, name string, args ...string) (string, error) {
	c.calls = append(c.calls, name+" "+strings.Join(args, " "))
	if c.hangs[name] {
		<-ctx.Done()
		return "", ctx.Err()
	}
	time.Sleep(time.Millisecond) // so that no time limit is over in the instant of an answer
	switch name {
	case "scancel":
		c.gone = c.gone || !c.stay && strings.HasPrefix(args[0], "--name=")
	case "sbatch":
		if len(c.submits) > 0 {
			err := c.submits[0]
			c.submits = c.submits[1:]
			if err != nil {
				return "", err
			}
		}
		c.took++
		if f := c.taken[c.took]; f != nil {
			f(c)
		}
		return "7\n", nil
	case "squeue":
		return c.look()
	}
	return "", nil
}

func (c *cluster) look() (string, error) {
	n := c.looks
	c.looks++
	if f := c.leave[n]; f != nil {
		f(c)
	}
	if err := c.fails[n]; err != nil {
		return "", err
	}
	if len(c.states) == 0 || c.gone {
		return "", nil
	}
	var out strings.Builder
	for line := range strings.SplitSeq(c.states[min(n, len(c.states)-1)], "\n") {
		f := strings.SplitN(line, " ", 4)
		if len(f) == 4 {
			fmt.Fprintf(&out, "%s|%s|%s|lapwear-1|lapwear-1|%s\n", f[0], f[1], f[2], f[3])
		}
	}
	return out.String() + "9|0|PD|other|(null)|Resources\n9|N/A|PD|a|b|c|d\nnonsense\n", nil
}

func (c *cluster) array(t *testing.T) (*Array, *[]string) {
	var warned []string
	return &Array{Mark: "lapwear-1", Dir: t.TempDir(), Program: []string{"/bin/it", "x y"}, Shards: []int{0, 1}, Tries: 2,
		Trace: func(s int) (bool, string) {
			failure, there := c.traces[s]
			return there && failure == "", failure
		},
		Forget:   func(s int) { delete(c.traces, s) },
		Warn:     func(text string) { warned = append(warned, text) },
		Commands: Commands{Limit: 50 * time.Millisecond, run: c.run},
		Pace:     Pace{Poll: time.Millisecond, Patience: 100 * time.Millisecond, Settle: 30 * time.Millisecond}}, &warned
}

// apart runs an array by a clock of its own, on which only waiting takes time: what a busy machine takes does not count.
func apart(t *testing.T, a *Array) (err error) {
	t.Helper()
	synctest.Test(t, func(*testing.T) { err = a.Run(context.Background()) })
	return err
}

func (c *cluster) count(prefix string) int {
	n := 0
	for _, call := range c.calls {
		if strings.HasPrefix(call, prefix) {
			n++
		}
	}
	return n
}

// What the queue shows and what shards leave decide whether an array waits, tries again or
// gives up.
func TestRun(t *testing.T) {
	done := func(shards ...int) func(*cluster) {
		return func(c *cluster) {
			for _, s := range shards {
				c.traces[s] = ""
			}
		}
	}
	fail := func(shard int, text string) func(*cluster) {
		return func(c *cluster) { c.traces[shard] = text }
	}
	for _, tt := range []struct {
		reason  string
		c       cluster
		err     string // "" = none
		warned  string
		submits int
		cancels int
	}{
		{reason: "both run and end",
			c: cluster{states: []string{"7 0 PD Priority\n7 1 PD Priority", "7 0 R None\n7 1 R None"}, leave: map[int]func(*cluster){2: done(0, 1)}}, submits: 1},
		{reason: "jobs that ended are forgotten by the queue; their traces count",
			c: cluster{leave: map[int]func(*cluster){0: done(0, 1)}}, submits: 1},
		{reason: "a trace is slow to be seen",
			c: cluster{states: []string{"7 0 R None\n7 1 R None", "7 1 R None"}, leave: map[int]func(*cluster){3: done(0, 1)}}, submits: 1},
		{reason: "one fails and is tried again, alone",
			c:      cluster{states: []string{"7 0 R None\n7 1 CD None", "7 0 F NonZeroExitCode", "7 0 R None"}, traces: map[int]string{1: ""}, leave: map[int]func(*cluster){1: func(c *cluster) { c.traces[0] = "disk full" }, 4: done(0)}},
			warned: "shard 0 failed, which is tried again, try 2 of 2: disk full", submits: 2},
		{reason: "one fails in every try",
			c:   cluster{traces: map[int]string{1: ""}},
			err: "shard 0 of 2 failed in each of 2 tries; shard 0: its job ended without a word", warned: "try 2 of 2: its job ended without a word", submits: 2},
		{reason: "Slurm's word on how jobs ended",
			c:   cluster{states: []string{"7 0 OOM OutOfMemory\n7 1 CD None"}, traces: map[int]string{1: ""}},
			err: "shard 0: its job ended as OUT_OF_MEMORY (OutOfMemory); give more with --slurm-memory; the messages", warned: "OUT_OF_MEMORY", submits: 2},
		{reason: "a job's own word and Slurm's",
			c:   cluster{states: []string{"7 0 TO TimeLimit"}, traces: map[int]string{1: ""}, leave: map[int]func(*cluster){1: fail(0, "told to stop"), 4: fail(0, "told to stop")}},
			err: "shard 0: told to stop; its job ended as TIMEOUT (TimeLimit); give more with --slurm-time", warned: "TIMEOUT", submits: 2},
		{reason: "how an earlier try's job ended is no word on this one's",
			c:   cluster{states: []string{"6 0 OOM OutOfMemory\n7 0 NF NodeDown\n7 1 CD None"}, traces: map[int]string{1: ""}},
			err: "shard 0: its job ended as NODE_FAIL (NodeDown); the messages", warned: "NODE_FAIL", submits: 2},
		{reason: "what no node can give is not tried again",
			c:   cluster{states: []string{"7 0 F BadConstraints\n7 1 CD None"}, traces: map[int]string{1: ""}},
			err: "shard 0 of 2 failed for good; shard 0: no node can give what it asks for (BadConstraints); see --slurm-memory", submits: 1},
		{reason: "what no node can give is not waited for",
			c:   cluster{states: []string{"7 0 PD BadConstraints\n7 1 CD None"}, traces: map[int]string{1: ""}},
			err: "shard 0 of 2 failed for good", warned: "is held (BadConstraints)", submits: 1, cancels: 1},
		{reason: "the queue cannot be seen for a while",
			c: cluster{states: []string{"7 0 R None\n7 1 R None"}, fails: map[int]error{1: errors.New("squeue: Socket timed out"), 2: errors.New("squeue: Socket timed out")},
				leave: map[int]func(*cluster){4: done(0, 1)}},
			warned: "the queue cannot be seen", submits: 1},
		{reason: "the queue cannot be seen any more",
			c:   cluster{hangs: map[string]bool{"squeue": true}},
			err: "look at the queue: squeue: no answer within 50ms; it could not be seen for 100ms", warned: "the queue cannot be seen", submits: 1},
		{reason: "the queue is full for a while",
			c:      cluster{submits: []error{errors.New("sbatch: Slurm job queue full, sleeping and retrying."), nil}, leave: map[int]func(*cluster){0: done(0, 1)}},
			warned: "the cluster takes no jobs", submits: 2},
		{reason: "sbatch is not answered, and was heard: no second submission",
			c: cluster{hangs: map[string]bool{"sbatch": true}, states: []string{"8 0 PD None\n8 1 PD None"}, leave: map[int]func(*cluster){2: done(0, 1)}}, submits: 1},
		{reason: "sbatch is never answered",
			c: cluster{hangs: map[string]bool{"sbatch": true}}, err: "submit jobs: sbatch: no answer within 50ms; the cluster took none for 100ms", warned: "the cluster takes no jobs", submits: 3},
		{reason: "a partition that is not there",
			c:   cluster{submits: []error{errors.New("sbatch: error: invalid partition specified: x")}},
			err: "submit jobs: sbatch: error: invalid partition specified: x; see the options that begin with --slurm-", submits: 1},
		{reason: "launching failed and Slurm holds the job: it counts as failed",
			c:      cluster{states: []string{"7 0 PD launch failed requeued held\n7 1 R None"}, traces: map[int]string{1: ""}, taken: map[int]func(*cluster){2: done(0)}},
			warned: "job 7_0 could not be started and is held (launch failed requeued held)", submits: 2, cancels: 1},
		{reason: "somebody holds the jobs: it is said, and waited for",
			c:      cluster{states: []string{"7 0 PD JobHeldUser\n7 1 PD JobHeldUser"}, leave: map[int]func(*cluster){20: done(0, 1)}},
			warned: "jobs are held (JobHeldUser); release them with: scontrol release 7", submits: 1},
		{reason: "jobs wait for what may never be: it is said",
			c:      cluster{states: []string{"7 0 PD PartitionTimeLimit\n7 1 PD PartitionTimeLimit"}, leave: map[int]func(*cluster){20: done(0, 1)}},
			warned: "jobs wait (PartitionTimeLimit)", submits: 1},
		{reason: "a node is lost and Slurm starts its job again by itself",
			c: cluster{states: []string{"7 0 R None\n7 1 R None", "7 0 PD BeginTime", "7 0 R None"}, traces: map[int]string{1: ""}, leave: map[int]func(*cluster){9: done(0)}}, submits: 1},
	} {
		t.Run(tt.reason, func(t *testing.T) {
			if tt.c.traces == nil {
				tt.c.traces = map[int]string{}
			}
			a, warned := tt.c.array(t)
			err := apart(t, a)
			if (err == nil) != (tt.err == "") || err != nil && !strings.Contains(err.Error(), tt.err) {
				t.Errorf("error %v, want %q", err, tt.err)
			}
			if all := strings.Join(*warned, "\n"); !strings.Contains(all, tt.warned) || tt.warned == "" && all != "" {
				t.Errorf("warned %q, want %q", all, tt.warned)
			}
			if n := tt.c.count("sbatch"); n != tt.submits && !(tt.c.hangs["sbatch"] && n > 1 && tt.submits > 1) {
				t.Errorf("submitted %d times, want %d: %q", n, tt.submits, tt.c.calls)
			}
			if n := tt.c.count("scancel 7_"); tt.cancels > 0 && n == 0 || tt.cancels == 0 && n > 0 {
				t.Errorf("cancelled %d jobs, want %d", n, tt.cancels)
			}
			if n := tt.c.count("scancel --name=lapwear-1"); n != 1 {
				t.Errorf("at the end jobs were cancelled %d times, want once", n)
			}
		})
	}
}

// Told to stop, an array cancels its jobs, within a time limit; where that fails, or jobs
// stay in the queue all the same, the command is named.
func TestStopped(t *testing.T) {
	for _, tt := range []struct {
		reason      string
		hangs, stay bool
		left        string // what the CancelError says; "" = there is none
	}{
		{"all is well", false, false, ""},
		{"a controller that does not answer", true, false, "scancel: no answer within 1.1s"},
		{"jobs that scancel passes over", false, true, "they are in the queue yet"},
	} {
		c := cluster{states: []string{"7 0 R None\n7 1 PD Resources"}, hangs: map[string]bool{"scancel": tt.hangs}, stay: tt.stay, traces: map[int]string{}}
		a, _ := c.array(t)
		var err error
		var took time.Duration
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithCancel(context.Background())
			var told time.Time
			c.leave = map[int]func(*cluster){3: func(*cluster) { cancel(); told = time.Now() }}
			err = a.Run(ctx)
			took = time.Since(told)
		})
		if n := c.count("scancel --name=lapwear-1"); !errors.Is(err, context.Canceled) || n != 1 && !tt.stay || n < 1 || took > 3*stopLimit {
			t.Errorf("%s: error %v after %v, calls %q", tt.reason, err, took, c.calls)
		}
		var left *CancelError
		if errors.As(err, &left) != (tt.left != "") || left != nil &&
			left.Error() != "cancel the jobs: "+tt.left+"; cancel them with: scancel --name=lapwear-1" {
			t.Errorf("%s: %v", tt.reason, err)
		}
	}
}

// Jobs are submitted with nothing of the user's in a place where Slurm or a shell reads it
// as more than a word, and what is told of the queue is told.
func TestSubmission(t *testing.T) {
	c := cluster{traces: map[int]string{}, states: []string{"7 0 PD JobArrayTaskLimit\n7 1 R None"}}
	c.leave = map[int]func(*cluster){1: func(c *cluster) { c.traces[0], c.traces[1] = "", "" }}
	a, _ := c.array(t)
	a.Dir = filepath.Join(a.Dir, "%j $(touch x)\n'\"")
	if err := os.Mkdir(a.Dir, 0o777); err != nil {
		t.Fatal(err)
	}
	a.Limits = Limits{Partition: "long", Time: "2:00:00", Memory: 900, CPUs: 2, Throttle: 5}
	var told []Progress
	a.Report = func(p Progress) { told = append(told, p) }
	if err := apart(t, a); err != nil {
		t.Fatal(err)
	}
	want := "sbatch --parsable --job-name=lapwear-1 --comment=lapwear-1 --export=ALL --requeue --nodes=1 --ntasks=1 --chdir=/ --output=/dev/null --error=/dev/null " +
		"--array=0-1%5 --partition=long --time=2:00:00 --mem=900M --cpus-per-task=2 " + a.Dir + "/run.sh " + a.Dir + " /bin/it x y"
	if c.calls[0] != want {
		t.Errorf("called\n%s\nwant\n%s", c.calls[0], want)
	}
	if text, err := os.ReadFile(filepath.Join(a.Dir, "run.sh")); err != nil || string(text) != script {
		t.Errorf("script %q, %v", text, err)
	}
	if d := cmp.Diff([]Progress{{Running: 1, Waiting: 1, Total: 2, Reason: "JobArrayTaskLimit"}, {Running: 1, Waiting: 1, Total: 2, Reason: "JobArrayTaskLimit"}, {Done: 2, Total: 2}}, told); d != "" {
		t.Errorf("progress (-want +got):\n%s", d)
	}
}

// A job gets what every program needs and what Slurm reads, and no secret; no command gets
// what hides jobs from it.
func TestEnvironment(t *testing.T) {
	all := []string{"PATH=/bin", "LAPWEAR_TOKEN=x", "AWS_SECRET=y", "HOME=/h", "LC_ALL=C", "SLURM_CONF=/c", "SBATCH_ACCOUNT=a",
		"SQUEUE_PARTITION=p", "SCANCEL_STATE=PENDING", "LD_PRELOAD=z", "PATHS=q"}
	common := []string{"PATH=/bin", "HOME=/h", "LC_ALL=C", "SLURM_CONF=/c"}
	for command, want := range map[string][]string{"sbatch": append(slices.Clone(common), "SBATCH_ACCOUNT=a"), "squeue": common, "scancel": common} {
		if d := cmp.Diff(want, environment(command, all)); d != "" {
			t.Errorf("%s (-want +got):\n%s", command, d)
		}
	}
}

func TestIndices(t *testing.T) {
	for _, tt := range []struct {
		shards   []int
		throttle int
		want     string
	}{
		{[]int{0}, 0, "0"}, {[]int{0, 1, 2}, 0, "0-2"}, {[]int{0, 2, 3, 9}, 4, "0,2-3,9%4"}, {[]int{5, 7}, 1, "5,7%1"},
	} {
		if got := indices(tt.shards, tt.throttle); got != tt.want {
			t.Errorf("%v: %s, want %s", tt.shards, got, tt.want)
		}
	}
}

// The states are those of squeue's manual page, section JOB STATE CODES, of Slurm 22.05.
func TestStates(t *testing.T) {
	alive := []string{"CF", "CG", "PD", "RD", "RF", "RH", "RQ", "R", "RS", "SI", "SE", "SO", "ST", "S"}
	gone := []string{"BF", "CA", "CD", "DL", "F", "NF", "OOM", "PR", "RV", "TO"}
	for _, s := range append(slices.Clone(alive), gone...) {
		if got := (task{state: s}).alive(); got != slices.Contains(alive, s) {
			t.Errorf("%s: alive %t", s, got)
		}
	}
}
