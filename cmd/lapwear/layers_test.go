package main

import (
	"encoding/json"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// layers lists the packages from the top down, those of one line on one level. A
// package imports packages of lower levels only; stages are on levels of their own,
// in the order in which a lap passes through them.
var layers = [][]string{
	{"cmd/lapwear", "cmd/seasonbench"},
	{"cmd/internal/cli"},
	{"cmd/internal/report", "cmd/internal/demo", "cmd/internal/folder", "cmd/internal/slurm", "cmd/internal/heap"},
	{"cmd/internal/report/figure", "cmd/internal/heap/first"},
	{"pipeline/season"},
	{"pipeline"},
	{"stages/rig", "stages/life"},
	{"stages/condense"},
	{"stages/aggregate"},
	{"stages/damage"},
	{"stages/count"},
	{"stages/calibrate"},
	{"stages/resample"},
	{"stages/ingest"},
	{"stages"},
	{"stages/frame"},
	{"cache/cachetest"},
	{"cache/remote"},
	{"cache"},
	{"cache/key"},
	{"cache/internal/fsx"},
	{"cache/flush"},
	{"fatigue"},
	{"fatigue/lanes"},
}

// engineKnows is what the engine may import: never a concrete stage.
var engineKnows = []string{"stages", "stages/frame", "cache", "cache/key", "fatigue/lanes"}

type goPackage struct {
	ImportPath   string
	Imports      []string
	TestImports  []string
	XTestImports []string
}

func packages(t *testing.T) []goPackage {
	t.Helper()
	c := exec.Command("go", "list", "-json=ImportPath,Imports,TestImports,XTestImports", "lapwear/...")
	out, err := c.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []goPackage
	for d := json.NewDecoder(strings.NewReader(string(out))); d.More(); {
		var p goPackage
		if err := d.Decode(&p); err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
	return all
}

func level(path string) int {
	return slices.IndexFunc(layers, func(l []string) bool { return slices.Contains(l, path) })
}

func TestImportsGoDownward(t *testing.T) {
	for _, p := range packages(t) {
		name := strings.TrimPrefix(p.ImportPath, "lapwear/")
		own := level(name)
		if own < 0 {
			t.Errorf("package %s stands in no layer; add it to the list, in its place", name)
			continue
		}
		for _, i := range p.Imports {
			other, ours := strings.CutPrefix(i, "lapwear/")
			if ours && level(other) <= own {
				t.Errorf("package %s imports %s, which is not below it", name, other)
			}
			if ours && name == "pipeline" && !slices.Contains(engineKnows, other) {
				t.Errorf("the engine imports %s; it may know only %v", other, engineKnows)
			}
		}
	}
}

func TestOnlyFrameImportsArrow(t *testing.T) {
	for _, p := range packages(t) {
		for _, i := range slices.Concat(p.Imports, p.TestImports, p.XTestImports) {
			if strings.HasPrefix(i, "github.com/apache/arrow") && p.ImportPath != "lapwear/stages/frame" {
				t.Errorf("package %s imports %s", p.ImportPath, i)
			}
		}
	}
}

// One package speaks to servers, so that one place says what is sent and what is believed.
func TestOnlyRemoteSpeaksHTTP(t *testing.T) {
	for _, p := range packages(t) {
		if slices.Contains(p.Imports, "net/http") != (p.ImportPath == "lapwear/cache/remote") {
			t.Errorf("package %s imports net/http: %t", p.ImportPath, slices.Contains(p.Imports, "net/http"))
		}
	}
}

func TestFatigueNeedsOnlyGonum(t *testing.T) {
	banned := []string{"os", "io", "io/fs", "io/ioutil", "net", "net/http", "path/filepath", "bufio", "log", "time", "os/exec"}
	for _, p := range packages(t) {
		if p.ImportPath != "lapwear/fatigue" {
			continue
		}
		for _, i := range p.Imports {
			dotted := strings.Contains(strings.Split(i, "/")[0], ".")
			if dotted && !strings.HasPrefix(i, "gonum.org/v1/gonum/") || slices.Contains(banned, i) {
				t.Errorf("package fatigue imports %s", i)
			}
		}
	}
}
