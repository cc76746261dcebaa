package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// Every threat that DEVELOPERS.md lists names tests that there are.
func TestThreatsNameTheirTests(t *testing.T) {
	text, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	_, section, _ := strings.Cut(string(text), "\n## Threats\n")
	section, _, _ = strings.Cut(section, "\n## ")
	there := testNames(t, "../..")
	name := regexp.MustCompile("`((?:Test|Fuzz)[A-Za-z0-9]+|[a-z_]+\\.txtar)`")
	rows := 0
	for row := range strings.Lines(section) {
		if !strings.HasPrefix(row, "| ") || strings.HasPrefix(row, "| who |") || strings.HasPrefix(row, "| ---") {
			continue
		}
		rows++
		names := name.FindAllStringSubmatch(row, -1)
		if len(names) == 0 {
			t.Errorf("no test is named in the row %q", row)
		}
		for _, n := range names {
			if !there[n[1]] {
				t.Errorf("there is no test %s", n[1])
			}
		}
	}
	if rows < 12 {
		t.Errorf("only %d threats found", rows)
	}
}

// testNames lists the test functions and scripts of a module.
func testNames(t *testing.T, root string) map[string]bool {
	t.Helper()
	names := map[string]bool{}
	function := regexp.MustCompile(`(?m)^func ((?:Test|Fuzz)\w+)\(`)
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case strings.HasSuffix(path, ".txtar"):
			names[d.Name()] = true
		case strings.HasSuffix(path, "_test.go"):
			text, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			for _, m := range function.FindAllStringSubmatch(string(text), -1) {
				names[m[1]] = true
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return names
}
