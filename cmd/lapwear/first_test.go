//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package main

import (
	"os"
	"os/exec"
	"strings"
	"testing"
)

// The assumption of package first: it is initialised before what it is to speed up.
func TestFirstIsFirst(t *testing.T) {
	c := exec.Command(os.Args[0], "-test.run=^$")
	c.Env = append(os.Environ(), "GODEBUG=inittrace=1")
	out, err := c.CombinedOutput()
	first, others := strings.Index(string(out), "init lapwear/cmd/internal/heap/first "), strings.Index(string(out), "init github.com/xuri/excelize/v2 ")
	if err != nil || first < 0 || others < first {
		t.Errorf("it is not initialised before: %v\n%s", err, out)
	}
}
