// Command lapwear keeps the wear account of a component over a racing season.
package main

import (
	"os"
	"runtime"
	"slices"
	"strings"

	"lapwear/cmd/internal/cli"
	_ "lapwear/cmd/internal/heap/first" // before what the start allocates
)

func main() {
	if !slices.ContainsFunc(os.Args, func(arg string) bool { return strings.HasPrefix(arg, "--memprofile") }) {
		runtime.MemProfileRate = 0 // else who allocates is noted by walking the stack, every half megabyte
	}
	os.Exit(cli.Main(os.Args[1:], os.Stdout, os.Stderr))
}
