// Command seasonbench times lapwear on a generated season beside other readers of the same files.
//
//   - A round is every measurement once, in turn (planning short laps, a matter of tenths of a second, five times), so that what else the machine does falls on all alike.
//     DuckDB is asked several times in a round; where its times spread too far, the round is void
//     and is repeated.
//   - A row is what is measured: its median over the rounds and how far it spread.
//   - A target is a ratio of two rows with its limit.
//
// lapwear's times are those of a process from its start to its end, with a durable cache; DuckDB's are
// those of a query alone. Files are in the page cache. Not guaranteed: that ratios of a small
// season, in which starting up weighs, say anything of a large one.
package main

import (
	"flag"
	"fmt"
	"os"
	"os/signal"
	"runtime"
	"time"
)

// options are what the command line asks for.
type options struct {
	size   size
	rounds int
	jobs   int
	many   int // laps of the season that shows that memory does not grow with laps; 0 = none
	index  int // laps of the season of short laps; 0 = none
	csv    int // laps of the season in CSV; 0 = none
	dir    string
	json   string
	duckdb bool
	numpy  bool
	python string
	spread float64
}

func parse() options {
	var o options
	flag.IntVar(&o.size.Laps, "laps", 100, "laps of the season")
	flag.IntVar(&o.size.Channels, "channels", 16, "channels of a lap")
	flag.Float64Var(&o.size.Seconds, "seconds", 100, "length of a lap in s")
	flag.Float64Var(&o.size.Rate, "rate", 2000, "samples of a channel a second")
	flag.IntVar(&o.rounds, "rounds", 3, "rounds that count")
	flag.IntVar(&o.jobs, "jobs", runtime.GOMAXPROCS(0), "workers, of DuckDB too")
	flag.IntVar(&o.many, "many", 400, "laps of the season that shows that memory does not grow with laps; 0 leaves it out")
	flag.IntVar(&o.index, "index", 20000, "laps of the season of short laps; 0 leaves it out")
	flag.IntVar(&o.csv, "csv", 20, "laps of the season in CSV; 0 leaves it out")
	flag.StringVar(&o.dir, "dir", "", "folder for the season, kept and used again (default: a temporary one)")
	flag.StringVar(&o.json, "out", "", "file for the results as JSON")
	flag.BoolVar(&o.duckdb, "duckdb", true, "time DuckDB")
	flag.BoolVar(&o.numpy, "pandas", true, "time pandas with a rainflow in Python, and in numba where it is there")
	flag.Float64Var(&o.spread, "spread", 0.15, "by how much DuckDB's times may spread in a round that counts, as a share of the middle one")
	flag.StringVar(&o.python, "python", "python3", "the Python that has pandas")
	flag.Parse()
	return o
}

func main() {
	o := parse()
	done := make(chan os.Signal, 1)
	signal.Notify(done, os.Interrupt)
	b, err := newBench(o)
	if err == nil {
		go func() { <-done; b.close(); os.Exit(1) }()
		err = b.measure()
		b.close()
	}
	if err != nil {
		fmt.Fprintf(os.Stderr, "seasonbench: %v\n", err)
		os.Exit(1)
	}
}

// logf tells how far the benchmark is.
func (b *bench) logf(format string, args ...any) {
	fmt.Fprintf(os.Stderr, "%s "+format+"\n", append([]any{time.Now().Format("15:04:05")}, args...)...)
}
