package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"lapwear/cmd/internal/folder"
	"lapwear/cmd/internal/report"
	"lapwear/pipeline"
	"lapwear/stages/aggregate"
)

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){
		"lapwear": func() { os.Exit(Main(os.Args[1:], os.Stdout, os.Stderr)) },
	})
}

// TestScripts runs the scripts of testdata/script: each is a user at a shell, in a
// folder of its own with a cache of its own.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(e *testscript.Env) error {
			e.Setenv("LAPWEAR_CACHE", filepath.Join(e.WorkDir, "cache"))
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"exits":    exits,
			"computed": computed,
			"wave":     wave,
			"about":    about,
			"crlf":     crlf,

			"described": described,
			"held":      held,
			"freed":     freed,
		},
		Condition: func(cond string) (bool, error) {
			if cond != "race" {
				return false, fmt.Errorf("there is no condition %q", cond)
			}
			return raceDetector, nil
		},
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
	})
}

// exits runs a command that must end with an exit code: exits 3 lapwear run s.yaml.
func exits(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: exits CODE COMMAND [ARG...]")
	}
	err := ts.Exec(args[1], args[2:]...)
	got := 0
	var exit *exec.ExitError
	switch {
	case errors.As(err, &exit):
		got = exit.ExitCode()
	case err != nil:
		ts.Fatalf("%v", err)
	}
	if strconv.Itoa(got) != args[0] {
		ts.Fatalf("exit code %d, want %s", got, args[0])
	}
}

// computed compares how many tasks of each stage the last run computed, from its
// JSON: computed ingest=1 count=1. Stages that are not named must have computed none.
func computed(ts *testscript.TestScript, _ bool, args []string) {
	var j struct {
		Stages map[string]pipeline.StageReport
	}
	if err := json.Unmarshal([]byte(ts.ReadFile("stdout")), &j); err != nil {
		ts.Fatalf("read JSON: %v", err)
	}
	want := map[string]string{}
	for _, a := range args {
		name, n, _ := strings.Cut(a, "=")
		want[name] = n
	}
	for _, name := range stageNames {
		r, ok := j.Stages[name]
		if !ok {
			ts.Fatalf("no stage %q in the JSON", name)
		}
		w := want[name]
		if w == "" {
			w = "0"
		}
		if w == "some" && r.Computed > 0 {
			continue
		}
		if strconv.Itoa(r.Computed) != w {
			ts.Fatalf("stage %s computed %d, want %s", name, r.Computed, w)
		}
		if r.Planned < r.Hit+r.Computed {
			ts.Fatalf("stage %s: planned %d, hit %d, computed %d", name, r.Planned, r.Hit, r.Computed)
		}
	}
}

// wave writes an invented recording of some seconds at 200 Hz with the columns TIME,
// AZ, AX and SG: wave FILE SEED [SECONDS]. SG is the strain of 8 MPa/g on AZ, at 70 GPa.
func wave(ts *testscript.TestScript, _ bool, args []string) {
	seed, err := strconv.ParseUint(args[1], 10, 32)
	if err != nil {
		ts.Fatalf("%v", err)
	}
	seconds := 5
	if len(args) > 2 {
		seconds, _ = strconv.Atoi(args[2])
	}
	path := ts.MkAbs(args[0])
	ts.Check(os.MkdirAll(filepath.Dir(path), 0o777))
	ts.Check(os.WriteFile(path, []byte(waveText(seed, seconds)), 0o666))
}

func waveText(seed uint64, seconds int) string {
	state := uint32(seed)*2654435761 + 1
	noise := func() float64 {
		state = state*1664525 + 1013904223
		return float64(int32(state)) / (1 << 31)
	}
	var b strings.Builder
	b.WriteString("TIME,AZ,AX,SG\n")
	for i := range seconds * 200 {
		t := float64(i) / 200
		az := 3*math.Sin(2*math.Pi*(5+float64(seed%5))*t) + 2*noise()
		ax := math.Sin(2*math.Pi*1.3*t) + noise()
		fmt.Fprintf(&b, "%.3f,%.4f,%.4f,%.3f\n", t, az, ax, 8*az/0.07+50+float64(seed))
	}
	return b.String()
}

// about compares a number of the JSON on standard output: about results.0.life_factor 2.5.
func about(ts *testscript.TestScript, _ bool, args []string) {
	var v any
	if err := json.Unmarshal([]byte(ts.ReadFile("stdout")), &v); err != nil {
		ts.Fatalf("read JSON: %v", err)
	}
	for part := range strings.SplitSeq(args[0], ".") {
		switch x := v.(type) {
		case map[string]any:
			v = x[part]
		case []any:
			i, err := strconv.Atoi(part)
			if err != nil || i >= len(x) {
				ts.Fatalf("no element %q in %s", part, args[0])
			}
			v = x[i]
		default:
			ts.Fatalf("nothing at %q in %s", part, args[0])
		}
	}
	want, err := strconv.ParseFloat(args[1], 64)
	got, ok := v.(float64)
	if err != nil || !ok || math.Abs(got-want) > 1e-6*math.Abs(want) {
		ts.Fatalf("%s is %v, want %v", args[0], v, args[1])
	}
}

// crlf gives a text file CRLF line ends.
func crlf(ts *testscript.TestScript, _ bool, args []string) {
	text := strings.ReplaceAll(ts.ReadFile(args[0]), "\n", "\r\n")
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(text), 0o666))
}

// described checks that schema.json describes every column of every table of a folder,
// in its order, and nothing else: described FOLDER, or described FOLDER COMMAND of the tables
// that a command of the rig test has written, all of which must be there.
func described(ts *testscript.TestScript, _ bool, args []string) {
	group, file, names := "", schemaName, tableNames
	if len(args) > 1 {
		group, names = args[1], map[string][]string{planFolder: planTables[:14], rigFolder: rigTables[:4], "testlife": {"testlife", "testlife_lives"}}[args[1]]
	}
	if group == "testlife" {
		group, file = "", lifeSchema
	}
	var schema report.Schema
	ts.Check(json.Unmarshal([]byte(ts.ReadFile(filepath.Join(args[0], file))), &schema))
	left := map[string]bool{}
	for _, t := range schema.Tables {
		left[t.Name] = true
		header, _, _ := strings.Cut(ts.ReadFile(filepath.Join(args[0], t.Name+".csv")), "\n")
		var columns []string
		for _, c := range t.Columns {
			columns = append(columns, c.Name)
			if c.Meaning == "" {
				ts.Logf("table %s: column %s has no meaning; add a line to columns.csv or rigtest.csv in stages/aggregate", t.Name, c.Name)
				defer ts.Fatalf("a column is not described")
			}
		}
		if strings.Join(columns, ",") != header || t.Row == "" || len(t.Key) == 0 {
			ts.Fatalf("table %s has the columns %s, described as a row %q with the key %q:\n%s", t.Name, header, t.Row, t.Key, columns)
		}
		known, _ := aggregate.Describe(path.Join(group, t.Name))
		for n := range known.Columns {
			if !slices.Contains(columns, n) && !slices.Contains(aggregate.Factors(), n) {
				ts.Fatalf("table %s: the notes have a column %q that is not there", t.Name, n)
			}
		}
	}
	for _, n := range names {
		if !left[n] {
			ts.Fatalf("table %s is not described, or not made", n)
		}
	}
}

// held folderClaims an output folder as another run would: held FOLDER.
func held(ts *testscript.TestScript, _ bool, args []string) {
	other := folder.Holder{PID: 1, Host: "elsewhere", Started: time.Date(2031, 5, 1, 2, 0, 0, 0, time.UTC), Command: "lapwear run other.yaml"}
	l, err := folder.Acquire(context.Background(), ts.MkAbs(args[0]), other, 0)
	ts.Check(err)
	folderClaims.Store(ts.MkAbs("."), l)
}

// freed gives up what held has claimed.
func freed(ts *testscript.TestScript, _ bool, _ []string) {
	if l, ok := folderClaims.LoadAndDelete(ts.MkAbs(".")); ok {
		ts.Check(l.(*folder.Lock).Release())
	}
}

// folderClaims are the folders that scripts hold, by the script's own folder.
var folderClaims sync.Map
