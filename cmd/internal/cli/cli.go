// Package cli is lapwear's command line: one file a command, each from options over
// a run to its output. Results go to standard output; progress, warnings and errors
// to standard error.
package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"runtime/debug"
	"strings"
	"sync/atomic"
	"syscall"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"lapwear/cache"
	"lapwear/cache/remote"
	"lapwear/cmd/internal/folder"
	"lapwear/cmd/internal/slurm"
	"lapwear/pipeline/season"
	"lapwear/stages"
)

// Exit codes.
const (
	exitDone     = 0
	exitFailed   = 1
	exitUsage    = 2 // wrong usage, or an invalid season file
	exitSetAside = 3 // done, but some laps were set aside
	exitBusy     = 4 // not begun: another run writes the output folder
	exitAlarm    = 5 // done, and a figure moved by more than was allowed
)

// errSetAside says that the work is done, without some laps.
var errSetAside = errors.New("some laps were set aside")

// usageError is a fault in what the user typed.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// app is what all commands share.
type app struct {
	out, err io.Writer
	json     bool
	quiet    bool
	brief    bool // of a season, its laps alone are printed
	printed  bool // a JSON object is out
	args     []string
	server   *remote.Server // the shared cache, once it is used
	shared   *sharedJSON    // what the last run had of it; nil without one
	profiles profiles
	claimed  atomic.Pointer[folder.Lock] // the output folder in hand; nil without one
}

// Main runs the command line and returns the exit code.
func Main(args []string, stdout, stderr io.Writer) int {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	// A reader that has seen enough must not end a run: results go on into the cache.
	signal.Ignore(syscall.SIGPIPE)
	a := &app{out: plain{stdout}, err: plain{oneAtATime(stderr)}, args: args}
	root := a.root()
	root.SetArgs(args)
	return within(ctx, grace, stderr, a.abandon, func() int {
		err := root.ExecuteContext(ctx)
		if e := a.profiles.stop(); e != nil {
			a.warnf("write profile: %v", e)
		}
		return a.exitCode(err)
	})
}

// grace is how long a command that was told to stop may take to finish what it writes.
const grace = 1500 * time.Millisecond

// within runs a command. Once it is told to stop it has so long to end by itself; after
// that it is left behind, as if it had been killed, which harms neither cache nor outputs,
// but for what abandon does first.
func within(ctx context.Context, grace time.Duration, stderr io.Writer, abandon func(), command func() int) int {
	done := make(chan int, 1)
	go func() { done <- command() }()
	select {
	case code := <-done:
		return code
	case <-ctx.Done():
	}
	select {
	case code := <-done:
		return code
	case <-time.After(grace):
		abandon()
		fmt.Fprintf(stderr, "lapwear: stopped in the middle of a step; %s\n", goOn)
		return exitFailed
	}
}

// goOn says what becomes of a command that was stopped.
const goOn = "what was finished is stored: run the same command again to go on"

// errNotKept says that a command was stopped that keeps nothing.
var errNotKept = errors.New("nothing was kept")

// errorJSON is the object that a command with --json prints when it has no result.
type errorJSON struct {
	Error string `json:"error"`
}

// exitCode reports an error and turns it into the exit code.
func (a *app) exitCode(err error) int {
	if a.json && !a.printed && err != nil && !errors.Is(err, errSetAside) && !errors.Is(err, errAlarm) {
		a.printJSON(errorJSON{err.Error()})
	}
	var faults season.Faults
	var usage usageError
	var held *folder.HeldError
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errSetAside):
		return exitSetAside
	case errors.Is(err, errAlarm):
		if !a.quiet {
			fmt.Fprintf(a.err, "alarm: %v\n", err)
		}
		return exitAlarm
	case errors.As(err, &faults):
		for _, f := range faults {
			fmt.Fprintln(a.err, f.Error())
		}
		fmt.Fprintf(a.err, "lapwear: %s\n", plural(len(faults), "fault"))
		return exitUsage
	case errors.As(err, &usage):
		fmt.Fprintf(a.err, "lapwear: %v\n", err)
		return exitUsage
	case errors.As(err, &held):
		fmt.Fprintf(a.err, "lapwear: %v\n", err)
		return exitBusy
	case errors.Is(err, errNotKept):
		fmt.Fprintf(a.err, "lapwear: stopped; with --no-cache nothing is kept: run without it to be able to go on\n")
		return exitFailed
	case errors.Is(err, context.Canceled):
		if left := (*slurm.CancelError)(nil); errors.As(err, &left) {
			fmt.Fprintf(a.err, "lapwear: %v, or run the same command again\n", left)
		}
		fmt.Fprintf(a.err, "lapwear: stopped; %s\n", goOn)
		return exitFailed
	}
	fmt.Fprintf(a.err, "lapwear: %v\n", err)
	return exitFailed
}

func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

func (a *app) root() *cobra.Command {
	c := &cobra.Command{
		Use:   "lapwear",
		Short: "Keeps the wear account of a component over a racing season",
		Long: `lapwear turns track recordings into fatigue damage: per lap, kilometre, circuit and
season, kept up to date so that only what changed is computed again.

` + caution,
		Example:       "  lapwear demo\n  lapwear run season.yaml",
		Version:       version(),
		SilenceUsage:  true,
		SilenceErrors: true,
		Args:          cobra.NoArgs,
		RunE:          func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	c.SetOut(a.out)
	c.SetErr(a.err)
	c.PersistentFlags().BoolVar(&a.json, "json", false, "print the result as JSON")
	c.PersistentFlags().BoolVar(&a.quiet, "quiet", false, "no progress, and of several seasons only their sum; warnings stay")
	a.profiles.flags(c)
	c.PersistentPreRunE = func(*cobra.Command, []string) error { return a.profiles.start() }
	c.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		return usagef("%w; see '%s --help'", err, c.CommandPath())
	})
	c.CompletionOptions.DisableDefaultCmd = true
	c.AddCommand(a.commands()...)
	for _, sub := range c.Commands() {
		usageArgs(sub)
	}
	root := c.Args
	c.Args = func(c *cobra.Command, args []string) error {
		if len(args) > 0 {
			return usagef("there is no command %q; see 'lapwear --help'", args[0])
		}
		return root(c, args)
	}
	return c
}

// commands are those of the program. Of a command line that begins with the name of one it is that one alone: laying out
// all of them takes 1 ms of processor time, of a start that takes 30 on a virtual machine.
func (a *app) commands() []*cobra.Command {
	all := []struct {
		name string
		lay  func() *cobra.Command
	}{
		{"demo", a.demo}, {"check", a.check}, {"run", a.run}, {"calibrate", a.calibrate}, {"why", a.why},
		{"diff", a.diff}, {"count", a.count}, {"compare", a.compare}, {"testplan", a.testplan}, {"rigcheck", a.rigcheck},
		{"laps", a.laps}, {"testlife", a.testlife}, {"materials", a.materials}, {"cache", a.cache}, {shardCommand, a.shard},
	}
	for _, c := range all {
		if len(a.args) > 0 && a.args[0] == c.name {
			return []*cobra.Command{c.lay()}
		}
	}
	out := make([]*cobra.Command, len(all))
	for i, c := range all {
		out[i] = c.lay()
	}
	return out
}

// version is what the build knows of itself.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok || info.Main.Version == "" {
		return "(unknown)"
	}
	return info.Main.Version
}

// usageArgs makes argument errors of a command, and of those below it, usage errors.
func usageArgs(c *cobra.Command) {
	for _, sub := range c.Commands() {
		usageArgs(sub)
	}
	check := c.Args
	if check == nil {
		return
	}
	c.Args = func(c *cobra.Command, args []string) error {
		if err := check(c, args); err != nil {
			return usagef("%w; usage: %s", err, c.UseLine())
		}
		return nil
	}
}

const caution = `Estimates for planning tests and comparing designs; not a release. A part whose failure
can hurt someone is released by a qualified engineer, after physical tests, under the
rules and codes that apply.`

// printJSON writes v to standard output.
func (a *app) printJSON(v any) error {
	a.printed = true
	e := json.NewEncoder(bare(a.out))
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// columns returns a writer that lines up tab-separated cells; the caller flushes it.
func (a *app) columns() *tabwriter.Writer { return tabwriter.NewWriter(a.out, 0, 0, 2, ' ', 0) }

// warnf prints a warning.
func (a *app) warnf(format string, args ...any) { fmt.Fprintf(a.err, "warning: "+format+"\n", args...) }

// cacheDir is the folder of the result cache: the option, else LAPWEAR_CACHE, else
// the user's cache folder.
func cacheDir(option string) (string, error) {
	if option != "" {
		return option, nil
	}
	if dir := os.Getenv("LAPWEAR_CACHE"); dir != "" {
		return dir, nil
	}
	dir, err := os.UserCacheDir()
	if err != nil {
		return "", usagef("find the cache folder: %w; give one with --cache", err)
	}
	return filepath.Join(dir, "lapwear"), nil
}

// openCache opens the result cache.
func (a *app) openCache(option string) (*cache.Store, error) {
	dir, err := cacheDir(option)
	if err != nil {
		return nil, err
	}
	return cache.Open(dir, cache.Options{Durable: true, Warn: func(text string) { a.warnf("%s", text) }})
}

func waitFlag(c *cobra.Command, wait *time.Duration) {
	c.Flags().DurationVar(wait, "wait", 0, "how long to wait for another run that writes the output folder, as in 10m (default: not at all)")
}

func cacheFlag(c *cobra.Command, dir *string) {
	c.Flags().StringVar(dir, "cache", "", "folder of the result cache (default: LAPWEAR_CACHE, else the user's cache folder)")
}

// oneLine keeps a text on one line of a listing, all of it visible, and what it quotes short.
func oneLine(s string) string {
	return stages.Visible(stages.Shorten(strings.Join(strings.Fields(s), " ")))
}
