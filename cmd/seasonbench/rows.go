package main

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"time"
)

// row says what is measured.
type row struct {
	What   string `json:"what"`
	Reader string `json:"reader"`
	Layout string `json:"layout"`
	Jobs   int    `json:"jobs"`
	Laps   int    `json:"laps,omitempty"`
}

// measured is a row with all its times.
type measured struct {
	row
	Seconds   []float64 `json:"seconds"`
	CPU       []float64 `json:"cpu_seconds,omitempty"`
	Peak      int64     `json:"peak_bytes,omitempty"`      // the most of all runs
	Allocated int64     `json:"allocated_bytes,omitempty"` // in the last run
}

// rows are all measurements in the order in which they were first made.
type rows struct {
	all   []*measured
	cache int64 // bytes of the cache after a cold run
}

func (r *rows) add(got []one) {
	for _, o := range got {
		m := r.find(o.row)
		if m == nil {
			m = &measured{row: o.row}
			r.all = append(r.all, m)
		}
		m.Seconds = append(m.Seconds, o.seconds)
		if o.cpu > 0 {
			m.CPU = append(m.CPU, o.cpu)
		}
		m.Peak, m.Allocated = max(m.Peak, o.peak), o.allocated
	}
}

func (r *rows) find(k row) *measured {
	for _, m := range r.all {
		if m.row == k {
			return m
		}
	}
	return nil
}

// median is the middle of times, of two the mean; NaN of none.
func median(v []float64) float64 {
	s := slices.Sorted(slices.Values(v))
	n := len(s)
	switch {
	case n == 0:
		return math.NaN()
	case n%2 == 0:
		return (s[n/2-1] + s[n/2]) / 2
	}
	return s[n/2]
}

// result is what the benchmark found.
type result struct {
	Date     string      `json:"date"`
	Machine  string      `json:"machine"`
	Kernel   string      `json:"kernel"`
	Memory   int64       `json:"memory_bytes"` // of the machine; 0 = not known
	Go       string      `json:"go"`
	Version  string      `json:"version"`
	Size     size        `json:"size"`
	Rounds   int         `json:"rounds"`
	Void     int         `json:"void_rounds"`
	Recorded int64       `json:"recorded_bytes"` // as compressed Parquet
	Cache    int64       `json:"cache_bytes"`
	Rows     []*measured `json:"rows"`
	Targets  []target    `json:"targets"`
}

func (b *bench) result() result {
	r := result{Date: time.Now().Format(time.DateOnly), Machine: machine(), Kernel: kernel(), Memory: memory(), Go: runtime.Version(),
		Version: revision(), Size: b.o.size, Rounds: b.o.rounds, Void: b.void, Recorded: b.recorded, Cache: b.rows.cache, Rows: b.rows.all}
	r.Targets = b.targets()
	return r
}

// machine names the processor and how many of its threads may be used.
func machine() string {
	name := runtime.GOARCH
	text, _ := os.ReadFile("/proc/cpuinfo")
	if _, rest, ok := strings.Cut(string(text), "model name"); ok {
		line, _, _ := strings.Cut(rest, "\n")
		name = strings.TrimSpace(strings.TrimLeft(line, "\t: "))
	}
	return fmt.Sprintf("%s, %d threads, %s", name, runtime.NumCPU(), runtime.GOOS)
}

// kernel is the operating system's release; "" = not known.
func kernel() string {
	text, _ := os.ReadFile("/proc/sys/kernel/osrelease")
	return strings.TrimSpace(string(text))
}

// memory is how many bytes of memory the machine has; 0 = not known.
func memory() int64 {
	text, _ := os.ReadFile("/proc/meminfo")
	var kib int64
	if _, err := fmt.Sscanf(string(text), "MemTotal: %d kB", &kib); err != nil {
		return 0
	}
	return kib << 10
}

// revision is the commit that the benchmark was built of.
func revision() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return ""
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			return s.Value[:min(12, len(s.Value))]
		}
	}
	return info.Main.Version
}

func (r result) write(path string) error {
	text, err := json.MarshalIndent(r, "", " ")
	if err != nil {
		return err
	}
	return os.WriteFile(path, append(text, '\n'), 0o666)
}

// on says what the benchmark ran on, as far as known.
func (r result) on() string {
	text := r.Machine
	if r.Kernel != "" {
		text += ", kernel " + r.Kernel
	}
	if r.Memory > 0 {
		text += fmt.Sprintf(", %.1f GB of memory", float64(r.Memory)/1e9)
	}
	return text + ", " + r.Go
}

// markdown writes the results as tables.
func (r result) markdown(w io.Writer) {
	fmt.Fprintf(w, "%s, %s, revision %s; %d laps of %d channels, %g s at %g Hz ", r.Date, r.on(), r.Version, r.Size.Laps, r.Size.Channels, r.Size.Seconds, r.Size.Rate)
	fmt.Fprintf(w, "(%.2f GB of samples, %.2f GB as compressed Parquet); ", float64(r.Size.decoded())/1e9, float64(r.Recorded)/1e9)
	fmt.Fprintf(w, "%d rounds, %d void.\n\n", r.Rounds, r.Void)
	fmt.Fprintln(w, "| what | reader | files | workers | s, median | from, to | CPU s | peak, MB |\n| --- | --- | --- | --- | --- | --- | --- | --- |")
	for _, m := range r.Rows {
		fmt.Fprintf(w, "| %s | %s | %s | %d | %.3f | %.3f, %.3f | %s | %s |\n", m.What, m.Reader, m.files(r.Size.Laps), m.Jobs, median(m.Seconds), slices.Min(m.Seconds), slices.Max(m.Seconds),
			optional("%.2f", median(m.CPU)), optional("%.0f", float64(m.Peak)/1e6))
	}
	fmt.Fprintln(w, "\n| target | found | at most | stretch |\n| --- | --- | --- | --- |")
	for _, t := range r.Targets {
		fmt.Fprintf(w, "| %s | %s | %s | %s |\n", t.Name, t.found(), optional("%.3g", t.Most), optional("%.3g", t.Stretch))
	}
}

// files names the recordings of a row, with their number where it is not the usual one.
func (m *measured) files(usual int) string {
	if m.Laps != 0 && m.Laps != usual {
		return fmt.Sprintf("%s, %d laps", m.Layout, m.Laps)
	}
	return m.Layout
}

func optional(format string, v float64) string {
	if !(v > 0) {
		return ""
	}
	return fmt.Sprintf(format, v)
}
