package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"lapwear/cache/cachetest"
	"lapwear/cmd/internal/slurm"
	"lapwear/pipeline"
)

// cluster is a Slurm of two nodes of two processors on this host, as .ci/slurm/up starts it.
type cluster struct {
	t   *testing.T
	dir string
}

// clusterEnded is within what time a run on the cluster ends that is told to stop: 2 s, and what a busy machine takes to end a process.
const clusterEnded = 5 * time.Second

// inTime tells whether a run that was told to stop has ended so soon, or has been tried often enough.
func inTime(t *testing.T, took time.Duration, tries int) bool {
	t.Helper()
	if took > clusterEnded && tries < soonTries {
		return false
	}
	if took > clusterEnded {
		t.Errorf("ended after %v, want %v at most", took, clusterEnded)
	}
	return true
}

// slurmJobs is how many jobs the cluster's queue takes.
const slurmJobs = 12

// newCluster starts the cluster; its state folder is SLURM_CI_DIR, or one of its own.
func newCluster(t *testing.T) cluster {
	t.Helper()
	for _, program := range []string{"slurmctld", "slurmd", "munged", "sbatch"} {
		if _, err := exec.LookPath(program); err != nil || os.Getuid() != 0 {
			t.Fatal("a private Slurm needs root and Debian's packages slurmctld, slurmd, slurm-client and munge; install them, or unset LAPWEAR_REQUIRE")
		}
	}
	dir := os.Getenv("SLURM_CI_DIR")
	if dir == "" {
		var err error
		if dir, err = os.MkdirTemp("", "lw-slurm"); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { os.RemoveAll(dir) })
		t.Setenv("SLURM_CI_DIR", dir)
	}
	t.Setenv("SLURM_CI_JOBS", strconv.Itoa(slurmJobs))
	if os.Getenv("SLURM_CI_PORT") == "" {
		t.Setenv("SLURM_CI_PORT", strconv.Itoa(20000+os.Getpid()%10000))
	}
	c := cluster{t, dir}
	c.up()
	t.Cleanup(func() {
		down := exec.Command("../../../.ci/slurm/down")
		down.Env = append(os.Environ(), "SLURM_CI_DIR="+dir)
		if text, err := down.CombinedOutput(); err != nil {
			t.Errorf("stop Slurm: %v\n%s", err, text)
		}
	})
	t.Setenv("SLURM_CONF", filepath.Join(dir, "slurm.conf"))
	return c
}

// up starts what of the cluster does not run.
func (c cluster) up() {
	c.t.Helper()
	if text, err := exec.Command("../../../.ci/slurm/up").CombinedOutput(); err != nil {
		c.t.Fatalf("start Slurm: %v\n%s", err, text)
	}
}

// do calls one of Slurm's commands.
func (c cluster) do(name string, args ...string) string {
	c.t.Helper()
	text, err := exec.Command(name, args...).CombinedOutput()
	if err != nil {
		c.t.Fatalf("%s %q: %v\n%s", name, args, err, text)
	}
	return strings.TrimSpace(string(text))
}

// signal sends a signal to one of the cluster's daemons.
func (c cluster) signal(daemon string, sig syscall.Signal) {
	text, _ := os.ReadFile(filepath.Join(c.dir, "run", daemon+".pid"))
	if pid, err := strconv.Atoi(strings.TrimSpace(string(text))); err != nil || syscall.Kill(pid, sig) != nil {
		c.t.Errorf("%s is not there: %v", daemon, err)
	}
}

// jobs lists the jobs of runs of lapwear that are in the queue.
func (c cluster) jobs() (out []string) {
	for line := range strings.Lines(c.do("squeue", "--noheader", "--array", "--format=%j %A %t %N")) {
		if strings.HasPrefix(line, "lapwear-") {
			out = append(out, strings.TrimSpace(line))
		}
	}
	return out
}

// idle waits until no job is left, so that one test does not meet another's.
func (c cluster) idle() {
	c.t.Helper()
	eventually(c.t, "the queue is empty", func() bool { return c.do("squeue", "--noheader") == "" })
}

// eventually waits for what comes within a minute on an idle machine.
func eventually(t *testing.T, what string, is func() bool) {
	t.Helper()
	const patience = 3 * time.Minute
	for begun := time.Now(); !is(); time.Sleep(20 * time.Millisecond) {
		if time.Since(begun) > patience {
			t.Fatalf("waited %v in vain: %s", patience, what)
		}
	}
}

// shardThere finds a process that works on a shard, on a node unless that is "", and not among those known; 0 = there is none.
// trace is the file that it leaves when its work is done.
func shardThere(node string, known map[int]bool) (pid int, trace string) {
	names, _ := filepath.Glob("/proc/[0-9]*/cmdline")
	for _, name := range names {
		text, _ := os.ReadFile(name)
		words := strings.Split(string(text), "\x00")
		if len(words) < 3 || filepath.Base(words[0]) != "lapwear" || words[1] != shardCommand {
			continue
		}
		env, _ := os.ReadFile(filepath.Join(filepath.Dir(name), "environ"))
		p, _ := strconv.Atoi(filepath.Base(filepath.Dir(name)))
		if !known[p] && (node == "" || bytes.Contains(env, []byte("SLURMD_NODENAME="+node+"\x00"))) {
			_, rest, _ := strings.Cut("\x00"+string(env), "\x00"+shardVariable+"=")
			number, _, _ := strings.Cut(rest, "\x00")
			shard, _ := strconv.Atoi(number)
			return p, traceFile(filepath.Dir(words[2]), shard)
		}
	}
	return 0, ""
}

// shardProcess waits for such a process.
func shardProcess(t *testing.T, node string, known map[int]bool) (pid int) {
	t.Helper()
	eventually(t, "a shard runs", func() bool {
		pid, _ = shardThere(node, known)
		return pid != 0
	})
	return pid
}

// restingShard waits for a shard's process, on a node unless that is "", and stops it in the middle of its work: one that has left its trace, as it may
// have when it is found late, goes on.
func restingShard(t *testing.T, node string) (pid int) {
	t.Helper()
	known := map[int]bool{}
	eventually(t, "a shard rests in the middle of its work", func() bool {
		p, trace := shardThere(node, known)
		if p == 0 {
			return false
		}
		known[p] = true
		syscall.Kill(p, syscall.SIGSTOP)
		for until := time.Now().Add(30 * time.Second); stateOf(p) != "T"; { // it may end meanwhile, or be continued
			if s := stateOf(p); s == "" || s == "Z" || s == "X" || time.Now().After(until) {
				return false
			}
			time.Sleep(time.Millisecond)
		}
		if _, err := os.Stat(trace); err == nil {
			syscall.Kill(p, syscall.SIGCONT)
			return false
		}
		pid = p
		return true
	})
	return pid
}

// stateOf is the letter of a process's state in proc(5); "" = it is gone.
func stateOf(pid int) string {
	text, _ := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	_, rest, _ := strings.Cut(string(text), ") ")
	return rest[:min(1, len(rest))]
}

// withJob has a shard's process rest while something is done with its job, which else may be over before: its line of jobs.
func (c cluster) withJob(do func(job string)) {
	c.t.Helper()
	pid := restingShard(c.t, "")
	defer syscall.Kill(pid, syscall.SIGCONT)
	jobs := c.jobs()
	if len(jobs) == 0 {
		c.t.Fatal("a shard runs, and no job is in the queue")
	}
	do(jobs[0])
}

// spoken is what a run has said so far.
type spoken struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (s *spoken) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(b)
}

func (s *spoken) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

// clusterRun is a run on the cluster within this process, with a pace for tests and patience for a busy machine.
func clusterRun(t *testing.T, season, out, store string, shards int, change ...func(*slurmOptions)) (stdout, stderr string, err error) {
	t.Helper()
	var said spoken
	stdout, err = clusterRunSaying(t, &said, season, out, store, shards, change...)
	return stdout, said.String(), err
}

func clusterRunSaying(t *testing.T, said *spoken, season, out, store string, shards int, change ...func(*slurmOptions)) (stdout string, err error) {
	t.Helper()
	program, lost := exec.LookPath("lapwear")
	if lost != nil {
		t.Fatal(lost)
	}
	var told bytes.Buffer
	a := &app{out: &told, err: said, json: true}
	o := runOptions{out: out, cache: store, memory: 64, slurm: slurmOptions{on: true, shards: shards, tries: 3, array: slurm.Array{
		Program: []string{program}, Commands: slurm.Commands{Limit: time.Minute},
		Pace: slurm.Pace{Poll: 100 * time.Millisecond, Settle: 500 * time.Millisecond}}}}
	for _, c := range change {
		c(&o.slurm)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	err = a.runSeasons(ctx, []string{season}, o)
	return told.String(), err
}

// onlyHere wants a run to have computed nothing but what is drawn from all laps together.
func onlyHere(t *testing.T, stdout string) {
	t.Helper()
	var j struct {
		Stages map[string]pipeline.StageReport
	}
	if err := json.Unmarshal([]byte(stdout), &j); err != nil {
		t.Fatalf("%v\n%s", err, stdout)
	}
	for name, s := range j.Stages {
		if name != "aggregate" && s.Computed > 0 {
			t.Errorf("%d of %d tasks of %s were computed here", s.Computed, s.Planned, name)
		}
	}
}

// leftOf lists the work folders of runs that are left.
func leftOf(base string) []string {
	left, _ := filepath.Glob(filepath.Join(base, "*", "*"+workMark+"*"))
	return left
}

// A run on a real Slurm, with what may befall it.
func TestSlurm(t *testing.T) {
	if os.Getenv("LAPWEAR_REQUIRE") == "" || testing.Short() {
		t.Skip("starts the daemons of a private Slurm; set LAPWEAR_REQUIRE to have that, without -short")
	}
	c := newCluster(t)
	base := t.TempDir()
	// Folders and files with all that a shell, Slurm or YAML might take for its own.
	dir := filepath.Join(base, "it's %A %j \\n \"$(touch pwned)\" `id` ;|&*\né")
	if err := os.Mkdir(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	season := longSeason(t, dir, longLaps)
	ageInputs(t, dir)
	want := undisturbed(t, season)
	fresh := func(name string) (out, store string) {
		c.t.Helper()
		c.idle()
		return filepath.Join(dir, name+" $(touch pwned)"), filepath.Join(dir, "cache "+name+" %a")
	}
	check := func(t *testing.T, out, store string) {
		t.Helper()
		sameResults(t, "on the cluster", want, results(t, out))
		cachetest.Sound(t, "on the cluster", store)
		if left := leftOf(base); len(left) > 0 {
			t.Errorf("left behind: %q", left)
		}
		if _, err := os.Stat(filepath.Join(dir, "pwned")); err == nil {
			t.Error("a name was run as a command")
		}
	}

	t.Run("equal bytes", func(t *testing.T) {
		out, store := fresh("equal")
		stdout, stderr, err := clusterRun(t, season, out, store, 3)
		if err != nil || strings.Contains(stderr, "slurm") {
			t.Fatalf("%v\n%s", err, stderr)
		}
		onlyHere(t, stdout)
		check(t, out, store)
		// Nothing is due any more: no job is submitted, and Slurm need not be there.
		t.Setenv("SLURM_CONF", "/nowhere")
		if _, stderr, err := clusterRun(t, season, filepath.Join(dir, "again"), store, 3); err != nil {
			t.Errorf("a warm run: %v\n%s", err, stderr)
		}
	})

	t.Run("a shard fails twice", func(t *testing.T) {
		for tries := 1; ; tries++ {
			out, store := fresh(fmt.Sprint("twice", tries))
			var said spoken
			ended, kills := make(chan struct{}), make(chan struct{})
			go func() {
				defer close(kills)
				known := map[int]bool{}
				eventually(t, "a third try begins, or the run ends", func() bool {
					pid, _ := shardThere("", known) // of the third try only once that is said
					select {
					case <-ended:
						return true
					default:
					}
					if strings.Contains(said.String(), "try 3 of 3") {
						return true
					}
					if pid != 0 {
						known[pid] = true
						syscall.Kill(pid, syscall.SIGKILL) // too late for one that has just ended; then of the next step
					}
					return false
				})
			}()
			stdout, err := clusterRunSaying(t, &said, season, out, store, 1)
			close(ended)
			<-kills
			third := strings.Contains(said.String(), "try 3 of 3")
			if err == nil && !third && tries < soonTries { // shards may have ended on a busy machine before they were killed
				continue
			}
			if err != nil || !third || !strings.Contains(said.String(), "try 2 of 3") {
				t.Fatalf("%v\n%s", err, said.String())
			}
			onlyHere(t, stdout)
			check(t, out, store)
			return
		}
	})

	t.Run("a shard fails in every try", func(t *testing.T) {
		out, store := fresh("never")
		kept, done := filepath.Join(dir, "laps.csv"), filepath.Join(base, "edited")
		text, err := os.ReadFile(kept)
		if err != nil {
			t.Fatal(err)
		}
		edited := make(chan bool)
		go func() { // somebody edits the manifest while the jobs wait
			defer close(edited)
			eventually(t, "the work folder is there", func() bool {
				m, _ := filepath.Glob(filepath.Join(base, "*", "*"+workMark+"*", "*", jobName))
				return len(m) > 0
			})
			writeText(t, kept, string(text)+"\n")
			writeText(t, done, "")
		}()
		program, err := exec.LookPath("lapwear")
		if err != nil {
			t.Fatal(err)
		}
		_, stderr, err := clusterRun(t, season, out, store, 2, func(o *slurmOptions) {
			o.array.Program = []string{"/bin/sh", "-c", `until [ -e "$0" ]; do sleep 0.1; done; exec "$@"`, done, program}
		})
		<-edited
		writeText(t, kept, string(text))
		ageInputs(t, dir)
		if err == nil || !strings.Contains(err.Error(), "failed in each of 3 tries") || !strings.Contains(err.Error(), "the manifest of") {
			t.Fatalf("%v\n%s", err, stderr)
		}
		if _, err := os.Stat(filepath.Join(out, "season.csv")); err == nil {
			t.Error("tables were written")
		}
		// The next run clears away what was kept for reading.
		if _, stderr, err := clusterRun(t, season, out, store, 2); err != nil {
			t.Fatalf("%v\n%s", err, stderr)
		}
		check(t, out, store)
	})

	t.Run("a full queue", func(t *testing.T) {
		out, store := fresh("full")
		c.do("sbatch", "--array=0-3", "--output=/dev/null", "--job-name=others", "--wrap=sleep 300")
		c.do("sbatch", fmt.Sprintf("--array=0-%d", slurmJobs-6), "--hold", "--output=/dev/null", "--job-name=crowd", "--wrap=true")
		var said spoken
		freed := make(chan bool)
		go func() {
			defer close(freed)
			eventually(t, "the run finds the queue full", func() bool { return strings.Contains(said.String(), "the cluster takes no jobs") })
			exec.Command("scancel", "--name=crowd").Run()
			eventually(t, "jobs wait in the queue", func() bool { return len(c.jobs()) > 0 })
			time.Sleep(time.Second)
			exec.Command("scancel", "--name=others").Run()
		}()
		// sbatch itself tries again for minutes. Within the limit the run also has to have its jobs cancelled at the end.
		stdout, err := clusterRunSaying(t, &said, season, out, store, 3, func(o *slurmOptions) { o.array.Commands.Limit = 15 * time.Second })
		<-freed
		if err != nil {
			t.Fatalf("%v\n%s", err, said.String())
		}
		onlyHere(t, stdout)
		check(t, out, store)
	})

	t.Run("held after a failed launch", func(t *testing.T) {
		out, store := fresh("held")
		held := make(chan bool)
		go func() {
			defer close(held)
			c.withJob(func(job string) { exec.Command("scontrol", "requeuehold", strings.Fields(job)[1]).Run() })
		}()
		_, stderr, err := clusterRun(t, season, out, store, 1)
		<-held
		if err != nil || !strings.Contains(stderr, "could not be started and is held") {
			t.Fatalf("%v\n%s", err, stderr)
		}
		check(t, out, store)
	})

	t.Run("SIGINT cancels the jobs", func(t *testing.T) {
		for tries := 1; ; tries++ {
			out, store := fresh(fmt.Sprint("stopped", tries))
			run, said := start(t, "run", season, "--out", out, "--cache", store, "--slurm", "--slurm-shards", "2", "--memory", "64")
			var took time.Duration
			c.withJob(func(string) {
				run.Process.Signal(syscall.SIGINT)
				told := time.Now()
				run.Wait()
				took = time.Since(told)
			})
			if run.ProcessState.ExitCode() != exitFailed || !strings.Contains(said.String(), goOn) {
				t.Errorf("exit code %d after %v\n%s", run.ProcessState.ExitCode(), took, said)
			}
			eventually(t, "no job is left", func() bool { return len(c.jobs()) == 0 })
			if _, stderr, err := clusterRun(t, season, out, store, 2); err != nil {
				t.Fatalf("going on: %v\n%s", err, stderr)
			}
			check(t, out, store)
			if inTime(t, took, tries) {
				return
			}
		}
	})

	t.Run("SIGINT, and the controller does not answer", func(t *testing.T) {
		for tries := 1; ; tries++ {
			out, store := fresh(fmt.Sprint("mute", tries))
			run, said := start(t, "run", season, "--out", out, "--cache", store, "--slurm", "--slurm-shards", "2", "--memory", "64")
			var mark string
			c.withJob(func(job string) {
				mark, _, _ = strings.Cut(job, " ")
				c.signal("slurmctld", syscall.SIGSTOP)
			})
			run.Process.Signal(syscall.SIGINT)
			told := time.Now()
			run.Wait()
			took := time.Since(told)
			c.signal("slurmctld", syscall.SIGCONT)
			// What has not been told within the time to stop is left untold: a busy machine may take longer for it.
			left := strings.Contains(said.String(), "stopped in the middle of a step") && tries < soonTries
			if !left && !strings.Contains(said.String(), "scancel --name="+mark) {
				t.Errorf("after %v: %s", took, said)
			}
			if kept := leftOf(base); len(kept) != 1 {
				t.Errorf("kept %q, want the folder by which the jobs are found", kept)
			}
			// A run without the cluster cancels them as well.
			if code, _, stderr := call("run", season, "--out", out, "--cache", store, "--quiet"); code != exitDone {
				t.Fatalf("exit code %d\n%s", code, stderr)
			}
			eventually(t, "the stopped run's jobs are gone", func() bool { return !strings.Contains(strings.Join(c.jobs(), "\n"), mark) })
			check(t, out, store)
			if !left && inTime(t, took, tries) {
				return
			}
		}
	})

	t.Run("variables that hide jobs from Slurm's commands", func(t *testing.T) {
		for _, v := range []string{"SQUEUE_PARTITION", "SQUEUE_NAMES", "SCANCEL_PARTITION", "SCANCEL_ACCOUNT"} {
			t.Setenv(v, "other")
		}
		out, store := fresh("hidden")
		stdout, stderr, err := clusterRun(t, season, out, store, 2)
		if err != nil || strings.Contains(stderr, "slurm") {
			t.Fatalf("%v\n%s", err, stderr)
		}
		onlyHere(t, stdout)
		check(t, out, store)
	})

	t.Run("more memory than any node has", func(t *testing.T) {
		out, store := fresh("huge")
		_, stderr, err := clusterRun(t, season, out, store, 1, func(o *slurmOptions) { o.memory = 99999999 })
		if err == nil || !strings.Contains(err.Error(), "--slurm-") || strings.Contains(stderr, "try 2") || strings.Contains(err.Error(), "without a word") {
			t.Fatalf("%v\n%s", err, stderr)
		}
		for _, d := range leftOf(base) {
			os.RemoveAll(d) // else the next test meets it
		}
	})

	t.Run("SIGKILL leaves jobs to the next run", func(t *testing.T) {
		out, store := fresh("killed")
		run, _ := start(t, "run", season, "--out", out, "--cache", store, "--slurm", "--slurm-shards", "2", "--memory", "64")
		var mark string
		c.withJob(func(job string) {
			mark, _, _ = strings.Cut(job, " ")
			run.Process.Kill()
			run.Wait()
		})
		if _, stderr, err := clusterRun(t, season, out, store, 2); err != nil {
			t.Fatalf("%v\n%s", err, stderr)
		}
		eventually(t, "the killed run's jobs are gone", func() bool { return !strings.Contains(strings.Join(c.jobs(), "\n"), mark) })
		check(t, out, store)
	})

	t.Run("a node dies and its old process writes on", func(t *testing.T) {
		out, store := fresh("node")
		old := make(chan int)
		go func() {
			defer close(old)
			pid := restingShard(t, "n1")
			c.signal("slurmd-n1", syscall.SIGKILL)
			if pid != 0 {
				defer syscall.Kill(pid, syscall.SIGCONT)
			}
			shardProcess(t, "n2", map[int]bool{pid: true})
			time.Sleep(300 * time.Millisecond)
			if pid != 0 {
				syscall.Kill(pid, syscall.SIGCONT)
				old <- pid
			}
		}()
		stdout, stderr, err := clusterRun(t, season, out, store, 1)
		pid := <-old
		if err != nil || pid == 0 {
			t.Fatalf("%v, old process %d\n%s", err, pid, stderr)
		}
		onlyHere(t, stdout)
		eventually(t, "the old process has ended", func() bool { return syscall.Kill(pid, 0) != nil })
		check(t, out, store)
		c.up()
	})
}

// A job that has been cancelled writes its trace while its folder is removed.
func TestWorkFolderIsRemovedBesideAJob(t *testing.T) {
	for range 5 {
		dir := filepath.Join(t.TempDir(), "work")
		step := filepath.Join(dir, "laps")
		if err := os.MkdirAll(step, 0o777); err != nil {
			t.Fatal(err)
		}
		done := make(chan bool)
		go func() {
			defer close(done)
			for i := range 300 {
				os.WriteFile(traceFile(step, i), []byte("{}"), 0o666)
			}
		}()
		time.Sleep(2 * time.Millisecond)
		var said bytes.Buffer
		(&app{out: &said, err: &said}).removeWork(dir)
		<-done
		if _, err := os.Stat(dir); err == nil || said.Len() > 0 {
			t.Fatalf("it is still there: %s", &said)
		}
	}
}

// ageInputs makes a season's files old enough for their hashes to be trusted.
func ageInputs(t *testing.T, dir string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	old := time.Now().Add(-time.Hour)
	for _, e := range entries {
		if err := os.Chtimes(filepath.Join(dir, e.Name()), old, old); err != nil {
			t.Fatal(err)
		}
	}
}

// fakeSlurm puts commands in Slurm's place that write down how they were called, and do
// nothing; submitting fails. It returns the file that they write.
func fakeSlurm(t *testing.T) (calls string) {
	t.Helper()
	dir := t.TempDir()
	calls = filepath.Join(dir, "calls")
	for name, code := range map[string]int{"sbatch": 1, "squeue": 0, "scancel": 0} {
		writeText(t, filepath.Join(dir, name), fmt.Sprintf("#!/bin/sh\necho %s \"$@\" >>'%s'\nexit %d\n", name, calls, code))
		if err := os.Chmod(filepath.Join(dir, name), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	t.Setenv("PATH", dir+string(filepath.ListSeparator)+os.Getenv("PATH"))
	return calls
}

// What a run on a cluster has left, any next run into the same folder clears away, and
// cancels its jobs first; where it cannot, it says so and keeps the folder.
func TestLeftOnCluster(t *testing.T) {
	dir := cachetest.MemoryDir(t)
	season, out, store := newSeason(t, dir), filepath.Join(dir, "out"), filepath.Join(dir, "cache")
	left, others := filepath.Join(dir, ".out"+workMark+"00ff"), filepath.Join(dir, ".other"+workMark+"00ee")
	for _, d := range []string{left, others} {
		writeText(t, filepath.Join(d, "laps", slurm.Log(0)), "no space left\n")
	}
	path := os.Getenv("PATH")
	t.Setenv("PATH", t.TempDir())
	code, _, stderr := call("run", season, "--out", out, "--cache", store, "--quiet")
	if _, err := os.Stat(left); code != exitDone || err != nil || !strings.Contains(stderr, "cancel what an earlier run has left") || !strings.Contains(stderr, left) {
		t.Errorf("without Slurm: exit code %d, %v\n%s", code, err, stderr)
	}
	t.Setenv("PATH", path)
	calls := fakeSlurm(t)
	quiet(t, "run", season, "--out", out, "--cache", store)
	text, err := os.ReadFile(calls)
	if err != nil || !strings.HasPrefix(string(text), "scancel --name=lapwear-00ff\n") || strings.Contains(string(text), "00ee") {
		t.Errorf("called %q, %v", text, err)
	}
	if _, err := os.Stat(left); err == nil {
		t.Error("the folder is left")
	}
	if _, err := os.Stat(others); err != nil {
		t.Error("another run's folder is gone")
	}
}
