// Command lapwear keeps the wear account of a component over a racing season.
package main

import (
	"os"
	"runtime"
	"slices"
	"strings"

	"lapwear/cmd/internal/cli"
	"lapwear/cmd/internal/heap"
)

func main() {
	if !slices.ContainsFunc(os.Args, func(arg string) bool { return strings.HasPrefix(arg, "--memprofile") }) {
		runtime.MemProfileRate = 0 // else who allocates is noted by walking the stack, every half megabyte
	}
	heap.Pace(heap.StartLevel)
	os.Exit(cli.Main(os.Args[1:], os.Stdout, os.Stderr))
}
