// Command lapwear keeps the wear account of a component over a racing season.
package main

import (
	"os"

	"lapwear/cmd/internal/cli"
)

func main() { os.Exit(cli.Main(os.Args[1:], os.Stdout, os.Stderr)) }
