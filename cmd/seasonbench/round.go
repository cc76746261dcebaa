package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// one is what a single measurement gave.
type one struct {
	row
	taken
}

// queries are what DuckDB is asked of every channel.
var queries = []struct{ name, each string }{
	{"max(abs)", "max(abs(%[1]s))"},
	{"min, max, count", "min(%[1]s), max(%[1]s), count(%[1]s)"},
}

// asked is how often a round asks DuckDB for the first layout, to see how steady the machine is.
const asked = 3

// round measures everything once. spread is how far DuckDB's times for the same query lie apart.
func (b *bench) round() (got []one, spread float64, err error) {
	steady := make([][]float64, len(queries))
	ask := func() error {
		for i := range queries {
			o, err := b.scan(0, i)
			if err != nil {
				return err
			}
			got, steady[i] = append(got, o), append(steady[i], o.seconds)
		}
		return nil
	}
	steps := []func() ([]one, error){b.coldOfOthers, b.lapwearRound, b.plainText}
	for k := range max(asked, len(steps)) {
		if b.duck != "" {
			if err := ask(); err != nil {
				return nil, 0, err
			}
		}
		if k < len(steps) {
			more, err := steps[k]()
			if err != nil {
				return nil, 0, err
			}
			got = append(got, more...)
		}
	}
	for _, s := range steady {
		if len(s) > 0 {
			slices.Sort(s)
			spread = max(spread, (s[len(s)-1]-s[0])/s[len(s)/2])
		}
	}
	return got, spread, nil
}

// scan times one of DuckDB's queries over a layout's recordings.
func (b *bench) scan(at, query int) (one, error) {
	var each []string
	for i := range b.o.size.Channels {
		each = append(each, fmt.Sprintf(queries[query].each, strings.ToUpper(channelName(i))))
	}
	files := filepath.Join(b.seasons[at].dir, "laps", "*.parquet")
	seconds, err := ask(b.duck, b.o.jobs, fmt.Sprintf("select %s from read_parquet('%s')", strings.Join(each, ", "), strings.ReplaceAll(files, "'", "''")))
	return one{row{What: "scan: " + queries[query].name, Reader: "DuckDB", Layout: layouts[at].name, Jobs: b.o.jobs}, taken{seconds: seconds}}, err
}

// resampled are the settings of a season that is resampled.
var resampled = []string{"--set", "signal.rate=512 Hz"}

// coldOfOthers measures cold runs, and DuckDB, of all layouts but the first.
func (b *bench) coldOfOthers() ([]one, error) {
	var got []one
	for at := 1; at < len(layouts); at++ {
		for i := range queries {
			if b.duck == "" {
				continue
			}
			o, err := b.scan(at, i)
			if err != nil {
				return nil, err
			}
			got = append(got, o)
		}
		o, err := b.cold(at, b.o.jobs, coldRun)
		if err != nil {
			return nil, err
		}
		got = append(got, o)
	}
	return got, nil
}

const (
	coldRun       = "cold run"
	coldResampled = "cold run, resampled to 512 Hz"
)

// cold measures a run with an empty cache.
func (b *bench) cold(at, jobs int, what string, more ...string) (one, error) {
	cache := filepath.Join(b.work, "cold")
	defer os.RemoveAll(cache)
	return b.runFrom(b.seasons[at], cache, jobs, what, more...)
}

// runFrom measures a run that has to read every recording.
func (b *bench) runFrom(s folderSeason, cache string, jobs int, what string, more ...string) (one, error) {
	remembering := b.lapwear
	remembering.memory = true
	t, took, err := remembering.run(s, cache, jobs, more...)
	if err == nil && t.Stages["count"].Computed != s.size.Laps*s.size.Channels {
		err = fmt.Errorf("%s: %d channels counted, want all", what, t.Stages["count"].Computed)
	}
	return b.one(s, jobs, what, took), err
}

func (b *bench) one(s folderSeason, jobs int, what string, took taken) one {
	name := "CSV"
	if !s.csv {
		name = filepath.Base(s.dir)
	}
	return one{row{What: what, Reader: "lapwear", Layout: name, Jobs: jobs, Laps: s.size.Laps}, took}
}

// warmGone is a run that computes nothing, but looks every task up and writes its tables: a warm run with its output folder in
// place only sees that nothing changed.
const warmGone = "warm run, output folder gone"

// change is a run after something changed, on the cache of the run before.
type change struct {
	what    string
	set     []string
	changed bool                // a recording is another
	gone    bool                // the output folder is
	check   func(t told) string // what is wrong with what was computed; "" = nothing
}

// changes are measured in this order, each after a run that brought all back to where it was.
func (b *bench) changes() []change {
	nothing := func(t told) string {
		return unless(t.computed("ingest", "resample", "count", "damage", "aggregate") == 0, "something was computed")
	}
	damageOnly := func(spots int) func(told) string {
		return func(t told) string {
			return unless(t.computed("ingest", "resample", "count") == 0 && t.computed("damage") == spots*b.o.size.Laps, "not just the damage was computed")
		}
	}
	return []change{
		{what: "warm run", check: nothing},
		{what: warmGone, gone: true, check: nothing},
		{what: "warm run, --rehash", set: []string{"--rehash"}, check: nothing},
		{what: "one lap changed", changed: true, check: func(t told) string {
			return unless(t.computed("ingest") == 1 && t.computed("count") == b.o.size.Channels, "not just that lap was computed")
		}},
		{what: "new material of a hot spot", set: []string{"--set", "hotspots.h01.material=harder-alloy"}, check: damageOnly(1)},
		{what: "new gain of a hot spot", set: []string{"--set", "hotspots.h01.gain=31.5 MPa/g"}, check: damageOnly(1)},
		{what: "new material of all hot spots", set: []string{"--set", "materials.alloy.sn.amplitude=93 MPa"}, check: damageOnly(b.o.size.Channels)},
	}
}

func unless(ok bool, fault string) string {
	if ok {
		return ""
	}
	return fault
}

// lapwearRound measures the first layout: cold, what follows on its cache, resampled, and with one worker.
func (b *bench) lapwearRound() ([]one, error) {
	s, cache := b.seasons[0], filepath.Join(b.work, "cache")
	defer os.RemoveAll(cache)
	first, err := b.runFrom(s, cache, b.o.jobs, coldRun)
	if err != nil {
		return nil, err
	}
	got := []one{first}
	if b.rows.cache, err = bytesIn(cache); err != nil {
		return nil, err
	}
	for _, c := range b.changes() {
		took, err := b.after(c, s, cache)
		if err != nil {
			return nil, err
		}
		got = append(got, b.one(s, b.o.jobs, c.what, took))
	}
	for _, c := range []struct {
		jobs int
		what string
		more []string
	}{{b.o.jobs, coldResampled, resampled}, {1, coldRun, nil}, {1, coldResampled, resampled}} {
		o, err := b.cold(0, c.jobs, c.what, c.more...)
		if err != nil {
			return nil, err
		}
		got = append(got, o)
	}
	return got, nil
}

// after measures a run after a change and then brings all back, with a run that sees it: else the next change's would have a lap more to look at.
func (b *bench) after(c change, s folderSeason, cache string) (taken, error) {
	back := func() error { return nil }
	if c.changed {
		var err error
		if back, err = b.swap(s); err != nil {
			return taken{}, err
		}
	}
	if c.gone {
		if err := os.RemoveAll(b.lapwear.out()); err != nil {
			return taken{}, err
		}
	}
	t, took, err := b.lapwear.run(s, cache, b.o.jobs, c.set...)
	if err == nil {
		if fault := c.check(t); fault != "" {
			err = fmt.Errorf("%s: %s: %+v", c.what, fault, t.Stages)
		}
	}
	if undone := back(); err == nil {
		err = undone
	}
	if err == nil && (len(c.set) > 0 || c.changed) {
		_, _, err = b.lapwear.run(s, cache, b.o.jobs)
	}
	return took, err
}

// swap puts another recording in the place of a lap's.
func (b *bench) swap(s folderSeason) (back func() error, err error) {
	path := s.recording(s.files / 2)
	kept := path + ".kept"
	if err := os.Rename(path, kept); err != nil {
		return nil, err
	}
	back = func() error { return os.Rename(kept, path) }
	if err := s.record(path, s.files+7); err != nil {
		_ = back()
		return nil, err
	}
	return back, nil
}

// plainText measures the season in CSV.
func (b *bench) plainText() ([]one, error) {
	if b.o.csv == 0 {
		return nil, nil
	}
	cache := filepath.Join(b.work, "cold")
	defer os.RemoveAll(cache)
	o, err := b.runFrom(b.text, cache, b.o.jobs, "cold run")
	if err != nil || b.snake == nil {
		return []one{o}, err
	}
	got := []one{o}
	for _, how := range b.snake.ways {
		seconds, err := b.snake.time(how, b.text)
		if err != nil {
			return nil, err
		}
		got = append(got, one{row{What: "damage by " + how, Reader: "pandas", Layout: "CSV", Jobs: 1, Laps: b.text.size.Laps}, taken{seconds: seconds}})
	}
	return got, nil
}
