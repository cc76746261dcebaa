package cli

import (
	"encoding/json"
	"errors"
	"os"
	"runtime"
	"runtime/pprof"
	"runtime/trace"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
)

// profiles are what a developer may ask any command for: see the flags. They are hidden from users.
type profiles struct {
	cpu, trace, heap, memory string
	files                    []*os.File
}

func (p *profiles) flags(c *cobra.Command) {
	f := c.PersistentFlags()
	for _, o := range []struct {
		to          *string
		name, usage string
	}{
		{&p.cpu, "cpuprofile", "write a profile of processor time to this file"},
		{&p.trace, "trace", "write an execution trace to this file"},
		{&p.heap, "memprofile", "write a profile of what was allocated to this file"},
		{&p.memory, "memstats", "write how much memory was allocated, and in use at most, to this file, as JSON"},
	} {
		f.StringVar(o.to, o.name, "", o.usage)
		_ = f.MarkHidden(o.name)
	}
}

func (p *profiles) start() error {
	if p.cpu != "" {
		f, err := p.create(p.cpu)
		if err != nil {
			return err
		}
		if err := pprof.StartCPUProfile(f); err != nil {
			return err
		}
	}
	if p.trace != "" {
		f, err := p.create(p.trace)
		if err != nil {
			return err
		}
		return trace.Start(f)
	}
	return nil
}

func (p *profiles) create(path string) (*os.File, error) {
	f, err := os.Create(path)
	if err == nil {
		p.files = append(p.files, f)
	}
	return f, err
}

// stop ends the profiles and writes them.
func (p *profiles) stop() error {
	pprof.StopCPUProfile()
	trace.Stop()
	var err error
	if p.heap != "" {
		f, e := p.create(p.heap)
		if err = e; err == nil {
			runtime.GC() // what was allocated since the last collection is not in the profile before
			err = pprof.Lookup("allocs").WriteTo(f, 0)
		}
	}
	for _, f := range p.files {
		err = errors.Join(err, f.Close())
	}
	p.files = nil
	if p.memory != "" {
		text, _ := json.Marshal(usedMemory())
		err = errors.Join(err, os.WriteFile(p.memory, append(text, '\n'), 0o666))
	}
	return err
}

// memoryJSON is what --memstats writes.
type memoryJSON struct {
	Allocated uint64 `json:"allocated_bytes"` // in all
	Objects   uint64 `json:"allocated_objects"`
	Peak      uint64 `json:"peak_bytes"` // resident at most; 0 where the system does not tell
}

func usedMemory() memoryJSON {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return memoryJSON{m.TotalAlloc, m.Mallocs, peakResident("self")}
}

// peakResident reads a process's greatest resident set, in bytes, from Linux's /proc (proc(5),
// VmHWM); 0 where the system does not tell.
func peakResident(process string) uint64 {
	text, _ := os.ReadFile("/proc/" + process + "/status")
	_, rest, _ := strings.Cut(string(text), "VmHWM:")
	kib, _ := strconv.ParseUint(strings.TrimSpace(strings.SplitN(rest, "kB", 2)[0]), 10, 64)
	return kib << 10
}
