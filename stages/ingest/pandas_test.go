//go:build unix

package ingest

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"lapwear/stages"
)

// otherReader is a process that reads the same file again and again and says how long it
// took.
type otherReader struct {
	ask     io.Writer
	answers *bufio.Scanner
	version string
}

// startPandas starts a Python that has pandas; the benchmark is skipped without one.
func startPandas(b *testing.B, path string) *otherReader {
	b.Helper()
	for _, python := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(python, "-c", "import pandas").Run() != nil {
			continue
		}
		c := exec.Command(python, "testdata/pandas_times.py", path)
		c.Stderr = os.Stderr
		in, err := c.StdinPipe()
		if err != nil {
			b.Fatal(err)
		}
		out, err := c.StdoutPipe()
		if err != nil {
			b.Fatal(err)
		}
		if err := c.Start(); err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { in.Close(); c.Wait() })
		r := &otherReader{in, bufio.NewScanner(out), ""}
		r.version = r.line(b)
		return r
	}
	b.Skip("needs a python3 with pandas (Debian: python3-pandas)")
	return nil
}

func (r *otherReader) line(b *testing.B) string {
	if !r.answers.Scan() {
		b.Fatal("the other reader ended")
	}
	return r.answers.Text()
}

// seconds has the file read once more.
func (r *otherReader) seconds(b *testing.B, way string) float64 {
	fmt.Fprintln(r.ask, way)
	s, err := strconv.ParseFloat(r.line(b), 64)
	if err != nil {
		b.Fatal(err)
	}
	return s
}

// BenchmarkBesidePandas reads one recording by turns with pandas' C engine, once as it
// is by default and once with numbers rounded as Go does, and here: the columns alone,
// and a whole run of the stage with its figures of quality. Times are those of the
// processor, so that other work on the machine counts little. What is reported are
// medians, and how many times as long pandas takes:
//
//	go test ./stages/ingest -run '^$' -bench BesidePandas -benchtime 15x
func BenchmarkBesidePandas(b *testing.B) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	for _, format := range []string{"%.7g", "%.17g"} {
		p, text := wide8(200_000, 8, format, "\n")
		path := write(b, "a.csv", text)
		b.Run("8 channels "+format, func(b *testing.B) {
			other := startPandas(b, path)
			took := map[string][]float64{}
			timed := func(what string, run func() error) {
				began := processorTime(b)
				if err := run(); err != nil {
					b.Fatal(err)
				}
				took[what] = append(took[what], processorTime(b)-began)
			}
			for b.Loop() {
				for _, way := range []string{"", "round_trip"} {
					took["pandas "+way] = append(took["pandas "+way], other.seconds(b, way))
				}
				timed("read", func() error {
					_, err := ReadTrack(context.Background(), path, p.Time, p.Channels)
					return err
				})
				timed("run", func() error {
					_, err := p.Run(context.Background(), stages.Inputs{File: stages.File{Path: path}})
					return err
				})
			}
			report(b, other.version, took)
		})
	}
}

// processorTime is how long the process has kept a processor busy, in s.
func processorTime(b *testing.B) float64 {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

func report(b *testing.B, version string, took map[string][]float64) {
	median := func(what string) float64 {
		s := slices.Sorted(slices.Values(took[what]))
		return s[len(s)/2]
	}
	var text []string
	for _, what := range []string{"pandas ", "pandas round_trip", "read", "run"} {
		text = append(text, fmt.Sprintf("%s %.3f s", strings.TrimSpace(what), median(what)))
	}
	b.Logf("pandas %s, medians of %d: %s", version, len(took["read"]), strings.Join(text, ", "))
	b.ReportMetric(0, "ns/op")
	b.ReportMetric(median("pandas ")/median("read"), "pandas/read")
	b.ReportMetric(median("pandas round_trip")/median("read"), "round_trip/read")
	b.ReportMetric(median("pandas ")/median("run"), "pandas/run")
}
