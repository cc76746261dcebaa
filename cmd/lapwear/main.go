// Command lapwear keeps the wear account of a component over a racing season.
package main

import (
	"os"

	"lapwear/cmd/internal/cli"
	_ "lapwear/cmd/internal/heap/first" // before all else, as the package says
)

func main() { os.Exit(cli.Main(os.Args[1:], os.Stdout, os.Stderr)) }
