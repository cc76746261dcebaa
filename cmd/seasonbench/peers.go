package main

import (
	_ "embed"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
)

// ask has DuckDB answer a query in a process of its own and returns the seconds that the query took.
func ask(program string, threads int, query string) (seconds float64, err error) {
	c := exec.Command(program, strconv.Itoa(threads))
	c.Stdin, c.Stderr = strings.NewReader(query+"\n"), os.Stderr
	settle()
	out, err := c.Output()
	if err == nil {
		_, err = fmt.Sscan(string(out), &seconds)
	}
	if err != nil {
		return 0, fmt.Errorf("ask DuckDB: %w", err)
	}
	return seconds, nil
}

//go:embed rainflow.py
var script []byte

// snake is the script that reads CSV with pandas and counts in Python.
type snake struct {
	python, script string
	ways           []string // how it can count here
}

// The ways in which the script can count.
const (
	byPython = "pure Python"
	byNumba  = "numba"
)

// newSnake finds out how the script can count with the Python of that name, else with the system's own; it is
// an error if neither has pandas.
func newSnake(work, python string) (*snake, error) {
	s := &snake{script: filepath.Join(work, "rainflow.py")}
	if err := os.WriteFile(s.script, script, 0o666); err != nil {
		return nil, err
	}
	for _, s.python = range []string{python, "/usr/bin/python3"} {
		for _, how := range []string{byPython, byNumba} {
			if exec.Command(s.python, s.script, how).Run() == nil {
				s.ways = append(s.ways, how)
			}
		}
		if len(s.ways) > 0 {
			return s, nil
		}
	}
	return nil, fmt.Errorf("start %s with pandas and numpy: they are not there; install them, name another with -python, or leave them out with -pandas=false", python)
}

// time returns the seconds from the start of reading a season's recordings to their damage, without those
// of starting Python and of compiling.
func (s *snake) time(how string, of folderSeason) (seconds float64, err error) {
	args := []string{s.script, how}
	for lap := range of.files {
		args = append(args, of.recording(lap))
	}
	c := exec.Command(s.python, args...)
	c.Stderr = os.Stderr
	settle()
	out, err := c.Output()
	if err == nil {
		_, err = fmt.Sscan(string(out), &seconds)
	}
	if err != nil {
		return 0, fmt.Errorf("count by %s: %w", how, err)
	}
	return seconds, nil
}
