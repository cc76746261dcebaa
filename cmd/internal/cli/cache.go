package cli

import (
	"fmt"
	"math"
	"time"

	"github.com/spf13/cobra"

	"lapwear/cache"
)

func (a *app) cache() *cobra.Command {
	var dir string
	c := &cobra.Command{
		Use:     "cache",
		Short:   "Look after the result cache",
		Long:    "Looks after the result cache. Nothing in it is needed: what is removed is computed again.",
		Example: "  lapwear cache stat\n  lapwear cache prune --max-age 90",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			return usagef("cache needs one of stat, verify, prune, send, key; see 'lapwear cache --help'")
		},
	}
	c.PersistentFlags().StringVar(&dir, "cache", "", "folder of the result cache (default: LAPWEAR_CACHE, else the user's cache folder)")
	c.AddCommand(a.cacheStat(&dir), a.cacheVerify(&dir), a.cachePrune(&dir), a.cacheSend(&dir), a.cacheKey())
	return c
}

// amountJSON is a number of things and their length together.
type amountJSON struct {
	Files int   `json:"files"`
	Bytes int64 `json:"bytes"`
}

func amount(c cache.Count) amountJSON { return amountJSON{c.Files, c.Bytes} }

func (c amountJSON) String() string { return fmt.Sprintf("%d\t%s", c.Files, size(c.Bytes)) }

// size shows bytes for a person.
func size(b int64) string {
	switch {
	case b < 1<<10:
		return fmt.Sprintf("%d B", b)
	case b < 1<<20:
		return fmt.Sprintf("%.1f KiB", float64(b)/(1<<10))
	case b < 1<<30:
		return fmt.Sprintf("%.1f MiB", float64(b)/(1<<20))
	}
	return fmt.Sprintf("%.2f GiB", float64(b)/(1<<30))
}

// statJSON is what cache stat --json prints.
type statJSON struct {
	Dir        string      `json:"dir"`
	Actions    amountJSON  `json:"actions"`
	Blobs      amountJSON  `json:"blobs"`
	Packs      amountJSON  `json:"packs"`
	Runs       amountJSON  `json:"runs"`
	Unfinished amountJSON  `json:"unfinished"`
	Index      amountJSON  `json:"index"`
	Recordings int         `json:"recordings"`
	LiveRuns   int         `json:"live_runs"`
	Stages     []stageJSON `json:"stages"`
}

type stageJSON struct {
	Stage   string     `json:"stage"`
	Actions amountJSON `json:"actions"`
	Outputs amountJSON `json:"outputs"`
	Refused int        `json:"refused"`
}

func statOf(dir string, s cache.Stats) statJSON {
	j := statJSON{Dir: dir, Actions: amount(s.Actions), Blobs: amount(s.Blobs), Packs: amount(s.Packs), Runs: amount(s.Runs),
		Unfinished: amount(s.Temp), Index: amount(s.Index), Recordings: s.Records, LiveRuns: len(s.Leases), Stages: []stageJSON{}}
	for _, st := range s.Stages {
		j.Stages = append(j.Stages, stageJSON{st.Stage, amount(st.Actions), amount(st.Outputs), st.Refused})
	}
	return j
}

func (a *app) cacheStat(dir *string) *cobra.Command {
	return &cobra.Command{
		Use:     "stat",
		Short:   "Show what the cache holds",
		Example: "  lapwear cache stat --json",
		Args:    cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			s, err := a.openCache(*dir)
			if err != nil {
				return err
			}
			defer a.closeStore(s)
			st, err := s.Stat()
			if err != nil {
				return err
			}
			return a.printStat(statOf(s.Dir(), st))
		},
	}
}

func (a *app) printStat(j statJSON) error {
	if a.json {
		return a.printJSON(j)
	}
	fmt.Fprintf(a.out, "cache in %s\n", j.Dir)
	w := a.columns()
	fmt.Fprintf(w, "\tnumber\tsize\nactions\t%v\nblobs\t%v\npacks of both\t%v\nrun records\t%v\nunfinished\t%v\nfile index\t%v\n",
		j.Actions, j.Blobs, j.Packs, j.Runs, j.Unfinished, j.Index)
	for _, s := range j.Stages {
		fmt.Fprintf(w, "stage %s\t%v kept in %s, %s\n", s.Stage, s.Outputs, plural(s.Actions.Files, "action"), plural(s.Refused, "refusal"))
	}
	fmt.Fprintf(w, "live runs\t%d\n", j.LiveRuns)
	return w.Flush()
}

// findingJSON is a finding of cache verify.
type findingJSON struct {
	Kind    string `json:"kind"`
	Path    string `json:"path"`
	Wrong   string `json:"wrong"`
	Do      string `json:"do"`
	Removed bool   `json:"removed"`
}

func (a *app) cacheVerify(dir *string) *cobra.Command {
	var repair bool
	c := &cobra.Command{
		Use:   "verify",
		Short: "Read every file of the cache and hash it",
		Long: "Reads every file of the cache and hashes it. Damage is never used: a run computes what it\n" +
			"hides again. --repair removes what is damaged, and keeps what is whole beside it.",
		Example: "  lapwear cache verify --repair",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			s, err := a.openCache(*dir)
			if err != nil {
				return err
			}
			defer a.closeStore(s)
			findings := []findingJSON{}
			st, err := s.Verify(c.Context(), cache.VerifyOptions{Repair: repair}, func(f cache.Finding) {
				findings = append(findings, findingJSON{string(f.Kind), f.Path, f.Wrong, f.Do, f.Removed})
			})
			if err != nil {
				return err
			}
			return a.printFindings(statOf(s.Dir(), st), findings)
		},
	}
	c.Flags().BoolVar(&repair, "repair", false, "remove what is damaged")
	return c
}

func (a *app) printFindings(st statJSON, findings []findingJSON) error {
	damaged := 0
	for _, f := range findings {
		if f.Kind == string(cache.Damaged) && !f.Removed {
			damaged++
		}
	}
	if a.json {
		if err := a.printJSON(struct {
			Stat     statJSON      `json:"stat"`
			Findings []findingJSON `json:"findings"`
		}{st, findings}); err != nil {
			return err
		}
	} else {
		for _, f := range findings {
			done := ""
			if f.Removed {
				done = " (removed)"
			}
			fmt.Fprintf(a.out, "%s: %s: %s; %s%s\n", f.Kind, f.Path, f.Wrong, f.Do, done)
		}
		fmt.Fprintf(a.out, "%d actions and %d blobs read, %s\n", st.Actions.Files, st.Blobs.Files, plural(len(findings), "finding"))
	}
	if damaged > 0 {
		return fmt.Errorf("verify cache: %s damaged; 'lapwear cache verify --repair' removes them", plural(damaged, "file"))
	}
	return nil
}

// pruneJSON is what cache prune --json prints.
type pruneJSON struct {
	DryRun     bool       `json:"dry_run"`
	Actions    amountJSON `json:"actions"`
	Blobs      amountJSON `json:"blobs"`
	Runs       amountJSON `json:"runs"`
	Unfinished amountJSON `json:"unfinished"`
	Spared     amountJSON `json:"spared"`
	Left       amountJSON `json:"left"`
	LiveRuns   int        `json:"live_runs"`
}

func (a *app) cachePrune(dir *string) *cobra.Command {
	var o cache.PruneOptions
	var days float64
	var mib int64
	c := &cobra.Command{
		Use:     "prune",
		Short:   "Remove results that were not used for long",
		Long:    "Removes results by age and size, the longest unused first, and unfinished files. What a\nlive run has read is spared.",
		Example: "  lapwear cache prune --max-age 90 --max-size 20000",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if days < 0 || math.IsNaN(days) || mib < 0 {
				return usagef("--max-age and --max-size must not be negative")
			}
			if days == 0 && mib == 0 {
				a.warnf("without --max-age or --max-size only unfinished files and what nothing refers to is removed")
			}
			o.MaxAge, o.MaxBytes = time.Duration(days*24*float64(time.Hour)), mib<<20
			s, err := a.openCache(*dir)
			if err != nil {
				return err
			}
			defer a.closeStore(s)
			p, err := s.Prune(c.Context(), o)
			if err != nil {
				return err
			}
			return a.printPruned(pruneJSON{o.DryRun, amount(p.Actions), amount(p.Blobs), amount(p.Runs), amount(p.Temp),
				amount(p.Spared), amount(p.Left), len(p.Live)})
		},
	}
	c.Flags().Float64Var(&days, "max-age", 0, "remove what was not used for so many days (0: no limit)")
	c.Flags().Int64Var(&mib, "max-size", 0, "keep at most so many MiB (0: no limit)")
	c.Flags().BoolVar(&o.DryRun, "dry-run", false, "say what would be removed, and remove nothing")
	return c
}

func (a *app) printPruned(j pruneJSON) error {
	if a.json {
		return a.printJSON(j)
	}
	verb := "removed"
	if j.DryRun {
		verb = "would be removed"
	}
	w := a.columns()
	fmt.Fprintf(w, "%s\tnumber\tsize\nactions\t%v\nblobs\t%v\nrun records\t%v\nunfinished\t%v\nspared for live runs\t%v\nleft\t%v\n",
		verb, j.Actions, j.Blobs, j.Runs, j.Unfinished, j.Spared, j.Left)
	return w.Flush()
}
