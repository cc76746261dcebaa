package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"strconv"
	"strings"
	"time"
)

// program is lapwear, built for the benchmark.
type program struct {
	path string
	work string // folder for what it tells of itself

	memory bool // have it tell what memory it used, which takes it some 1.5 ms more
}

// taken is what a process took.
type taken struct {
	seconds   float64 // from its start to its end
	cpu       float64 // s, user and system
	peak      int64   // bytes of memory at most, 0 = not asked for
	allocated int64   // bytes in all, likewise
}

// told is what `run --json` says, as far as it is asked for.
type told struct {
	Stages map[string]struct{ Planned, Hit, Computed int } `json:"stages"`
	Laps   struct{ Total, Used int }                       `json:"laps"`
}

// computed is the number of tasks that a run computed, by stage.
func (t told) computed(stages ...string) int {
	n := 0
	for _, s := range stages {
		n += t.Stages[s].Computed
	}
	return n
}

// out is the folder that seasons are brought up to date in.
func (p program) out() string { return filepath.Join(p.work, "out") }

// run brings a season up to date.
func (p program) run(s folderSeason, cache string, jobs int, more ...string) (told, taken, error) {
	var t told
	args := append([]string{"run", s.path(), "--json", "--quiet", "--cache", cache, "--out", p.out(), "--jobs", strconv.Itoa(jobs)}, more...)
	out, took, err := p.call(args...)
	if err != nil {
		return t, took, err
	}
	if err := json.Unmarshal(out, &t); err != nil {
		return t, took, fmt.Errorf("read what lapwear says: %w", err)
	}
	if t.Laps.Used != s.size.Laps {
		return t, took, fmt.Errorf("lapwear used %d of %d laps", t.Laps.Used, s.size.Laps)
	}
	return t, took, nil
}

// call runs a command of lapwear and returns its output.
func (p program) call(args ...string) ([]byte, taken, error) {
	var took taken
	stats := filepath.Join(p.work, "memory.json")
	if p.memory {
		args = append(args, "--memstats", stats)
	}
	c := exec.Command(p.path, args...)
	var out, complaint bytes.Buffer
	c.Stdout, c.Stderr = &out, &complaint
	settle()
	start := time.Now()
	err := c.Run()
	took.seconds = time.Since(start).Seconds()
	if err != nil {
		return nil, took, fmt.Errorf("lapwear %s: %w: %s", strings.Join(args, " "), err, complaint.String())
	}
	took.cpu = (c.ProcessState.UserTime() + c.ProcessState.SystemTime()).Seconds()
	if !p.memory {
		return out.Bytes(), took, nil
	}
	text, err := os.ReadFile(stats)
	var m struct {
		Allocated int64 `json:"allocated_bytes"`
		Peak      int64 `json:"peak_bytes"`
	}
	err = errors.Join(err, json.Unmarshal(text, &m), os.Remove(stats))
	took.allocated, took.peak = m.Allocated, m.Peak
	return out.Bytes(), took, err
}

// settle ends what this process and the disk have still to do, so that they are not at it while another process is timed: after a recording was
// made, garbage is collected and memory given back.
func settle() {
	debug.FreeOSMemory()
	flush()
}

// build compiles a package of the module in dir, with C if cgo is 1 and without if it is 0, and installs it by a copy, as install(1) does: from the very pages
// that the linker has written a program starts some 6 ms later.
func build(dir, pkg, to string, cgo int) error {
	linked := to + ".linked"
	c := exec.Command("go", "build", "-o", linked, pkg)
	c.Dir, c.Env = dir, append(os.Environ(), fmt.Sprintf("CGO_ENABLED=%d", cgo))
	if out, err := c.CombinedOutput(); err != nil {
		return fmt.Errorf("build %s: %w: %s", pkg, err, out)
	}
	return errors.Join(install(linked, to), os.Remove(linked))
}

// install copies a program.
func install(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.OpenFile(to, os.O_CREATE|os.O_WRONLY|os.O_TRUNC, 0o777)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}

// moduleRoot is the folder of the module that holds the benchmark's source.
func moduleRoot() (string, error) {
	out, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", "lapwear").Output()
	if err != nil {
		return "", fmt.Errorf("find the module lapwear: %w; run seasonbench in its folder", err)
	}
	return strings.TrimSpace(string(out)), nil
}
