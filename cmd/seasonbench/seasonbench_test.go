package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages/frame"
)

// tiny asks for a season that takes seconds.
func tiny(t *testing.T) options {
	return options{size: size{Laps: 3, Channels: 2, Seconds: 5, Rate: 1000}, rounds: 1, jobs: 2, many: 6, index: 4, csv: 1,
		dir: t.TempDir(), json: filepath.Join(t.TempDir(), "bench.json"), python: "python3",
		numpy: exec.Command("/usr/bin/python3", "-c", "import pandas").Run() == nil}
}

// A benchmark of a tiny season gives every row, and its checks of what lapwear computed pass. Times are not looked at.
func TestEveryRowIsThere(t *testing.T) {
	o := tiny(t)
	b, err := newBench(o)
	if err != nil {
		t.Fatal(err)
	}
	defer b.close()
	if err := b.measure(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(o.json)
	if err != nil {
		t.Fatal(err)
	}
	var r result
	if err := json.Unmarshal(text, &r); err != nil {
		t.Fatal(err)
	}
	got := map[string]bool{}
	for _, m := range r.Rows {
		got[m.What+" of "+m.Layout] = len(m.Seconds) > 0 && m.Seconds[0] > 0
	}
	want := map[string]bool{"cold run of CSV": true}
	for _, l := range layouts {
		want["cold run of "+l.name] = true
	}
	for _, c := range b.changes() {
		want[c.what+" of zstd"] = true
	}
	want["cold run, resampled to 512 Hz of zstd"] = true
	for _, what := range []string{"cold run", "warm run", warmGone, "plan", "why", "cache stat"} {
		want[what+" of short laps"] = true
	}
	if b.snake != nil {
		for _, how := range b.snake.ways {
			want["damage by "+how+" of CSV"] = true
		}
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("rows (-want +got):\n%s", diff)
	}
	for _, target := range r.Targets {
		if target.Value == 0 && target.Why == "" {
			t.Errorf("target %q is not measured, and nothing says why", target.Name)
		}
	}
	var page bytes.Buffer
	r.markdown(&page)
	if n := strings.Count(page.String(), "\n| "); n != len(r.Rows)+len(r.Targets)+4 {
		t.Errorf("%d lines of tables for %d rows and %d targets", n, len(r.Rows), len(r.Targets))
	}
}

// Of a machine that says neither its kernel nor its memory the results say nothing of them.
func TestMachineInWords(t *testing.T) {
	for _, c := range []struct {
		r    result
		want string
	}{
		{result{Machine: "a chip", Go: "go1"}, "a chip, go1"},
		{result{Machine: "a chip", Kernel: "7.1", Memory: 8e9, Go: "go1"}, "a chip, kernel 7.1, 8.0 GB of memory, go1"},
	} {
		if got := c.r.on(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
}

// What the generator writes is read back by the product's own reader, whatever the layout: the counts times the sensitivity.
func TestRecordingsReadBack(t *testing.T) {
	for _, l := range layouts {
		z := size{Laps: 1, Channels: 3, Seconds: 150, Rate: 1000} // several row groups and pages
		s := folderSeason{dir: t.TempDir(), size: z, how: l.how, files: 1}
		if err := s.generate(1); err != nil {
			t.Fatal(err)
		}
		src, err := frame.OpenParquet(s.recording(0))
		if err != nil {
			t.Fatal(err)
		}
		got, err := src.Read([]string{"C02"})
		src.Close()
		if err != nil {
			t.Fatalf("%s: %v", l.name, err)
		}
		logged := make([]int16, z.samples())
		counts(logged, z.Rate, 0, 1)
		want := make([]float64, len(logged))
		for i, v := range logged {
			want[i] = float64(float32(float64(v) * sensitivity(1)))
		}
		if diff := cmp.Diff(want, got[0]); diff != "" {
			t.Errorf("%s: samples (-want +got):\n%s", l.name, diff[:min(len(diff), 500)])
		}
	}
}
