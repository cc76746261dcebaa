package main

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// target is a figure with its limit.
type target struct {
	Name    string  `json:"name"`
	Value   float64 `json:"value,omitempty"` // 0: not measured
	Most    float64 `json:"at_most,omitempty"`
	Stretch float64 `json:"stretch,omitempty"`
	Met     bool    `json:"met"`
	Why     string  `json:"why,omitempty"` // it is not measured
}

func (t target) found() string {
	switch {
	case t.Value == 0:
		return "not measured: " + t.Why
	case t.Met || t.Most == 0:
		return fmt.Sprintf("%.3g", t.Value)
	}
	return fmt.Sprintf("**%.3g**", t.Value)
}

// at returns the median time of a row of the benchmark's own number of workers; 0 if there is none.
func (b *bench) at(what, reader, layout string) float64 {
	for _, m := range b.rows.all {
		if m.What == what && m.Reader == reader && m.Layout == layout && (m.Jobs == b.o.jobs || reader == "pandas") {
			return median(m.Seconds)
		}
	}
	return 0
}

// targets compares the rows.
func (b *bench) targets() []target {
	var all []target
	add := func(name string, value, most, stretch float64, why string) {
		all = append(all, target{Name: name, Value: value, Most: most, Stretch: stretch, Met: value > 0 && value <= most, Why: unless(value > 0, why)})
	}
	over := func(a, b float64) float64 {
		if a == 0 || b == 0 {
			return 0
		}
		return a / b
	}
	for _, l := range layouts {
		cold := b.at(coldRun, "lapwear", l.name)
		for i, limit := range []struct{ most, stretch float64 }{{2.5, 1.5}, {1.5, 0.9}} {
			name := fmt.Sprintf("%s, %s / DuckDB's %s", coldRun, l.name, queries[i].name)
			add(name, over(cold, b.at("scan: "+queries[i].name, "DuckDB", l.name)), limit.most, limit.stretch, "without DuckDB")
		}
	}
	first := layouts[0].name
	cold := b.at(coldRun, "lapwear", first)
	add("resampled / DuckDB's min, max, count", over(b.at(coldResampled, "lapwear", first), b.at("scan: "+queries[1].name, "DuckDB", first)), 2, 1.3, "without DuckDB")
	for _, c := range []struct {
		what          string
		most, stretch float64
	}{{"warm run", 0.02, 0.01}, {"warm run, --rehash", 0, 0}, {"one lap changed", 0.04, 0}, {"new material of a hot spot", 0.05, 0},
		{"new gain of a hot spot", 0.05, 0}, {"new material of all hot spots", 0, 0}} {
		add(c.what+" / "+coldRun, over(b.at(c.what, "lapwear", first), cold), c.most, c.stretch, "")
	}
	return append(append(all, b.textTargets()...), b.costTargets()...)
}

// textTargets compare with Python.
func (b *bench) textTargets() []target {
	var all []target
	text := b.at(coldRun, "lapwear", "CSV")
	for _, p := range []struct {
		how   string
		least float64
	}{{byPython, 5}, {byNumba, 3}} {
		t := target{Name: coldRun + ", CSV / pandas and " + p.how, Most: 1 / p.least}
		if other := b.at("damage by "+p.how, "pandas", "CSV"); other > 0 {
			t.Value = text / other
			t.Met = t.Value <= t.Most
		} else {
			t.Why = p.how + " is not there"
		}
		all = append(all, t)
	}
	return all
}

// costTargets are about workers, memory and disk.
func (b *bench) costTargets() []target {
	find := func(what string, jobs, laps int) *measured {
		m := b.rows.find(row{What: what, Reader: "lapwear", Layout: layouts[0].name, Jobs: jobs, Laps: laps})
		if m == nil {
			return &measured{}
		}
		return m
	}
	limit := func(name string, value, most float64, why string) target {
		return target{Name: name, Value: value, Most: most, Met: value > 0 && value <= most, Why: unless(value > 0, why)}
	}
	usual := find(coldRun, b.o.jobs, b.o.size.Laps)
	all := []target{
		limit(fmt.Sprintf("%d workers / 1", b.o.jobs), median(usual.Seconds)/median(find(coldRun, 1, b.o.size.Laps).Seconds), 1/1.6, ""),
		limit("peak memory, GB", float64(usual.Peak)/1e9, 1.5, ""),
		limit("bytes allocated / byte of samples", float64(usual.Allocated)/float64(b.o.size.decoded()), 2.5, ""),
		limit("cache / recordings as compressed Parquet", float64(b.rows.cache)/float64(b.recorded), 1.2, ""),
	}
	if b.o.many > 0 {
		many := find(coldRun, b.o.jobs, b.o.many)
		all = append(all, limit(fmt.Sprintf("peak memory, %d laps / %d", b.o.many, b.o.size.Laps), float64(many.Peak)/float64(usual.Peak), 1.1, ""))
	}
	if b.o.index > 0 {
		short := func(what string, laps int) *measured {
			return b.rows.find(row{What: what, Reader: "lapwear", Layout: shortLaps, Jobs: b.o.jobs, Laps: laps})
		}
		for _, c := range []struct {
			what string
			most float64
		}{{"warm run", 2}, {"plan", 2}, {"why", 1}, {"cache stat", 1}} {
			m := short(c.what, b.o.index)
			all = append(all, limit(fmt.Sprintf("%s of %d short laps, s", c.what, b.o.index), median(m.Seconds), c.most, ""))
		}
		half, whole := short("plan", b.o.index/2), short("plan", b.o.index)
		name := fmt.Sprintf("plan of %d short laps / %d", b.o.index, b.o.index/2)
		all = append(all, limit(name, median(whole.Seconds)/median(half.Seconds), linear, "too few laps"))
	}
	return all
}

// linear is by how much the time for planning may grow where the laps double. Common practice, no source: 2, and a tenth for chance.
const linear = 2.2

// shortLaps names the season that shows what many laps cost.
const shortLaps = "short laps"

// single measures what takes no part in the rounds.
func (b *bench) single() error {
	if b.o.many > 0 {
		if err := b.manyLaps(); err != nil {
			return err
		}
	}
	if b.o.index > 0 {
		return b.shortLaps()
	}
	return nil
}

// manyLaps runs a season of more laps, cut from the same recordings, for its memory.
func (b *bench) manyLaps() error {
	b.logf("run %d laps", b.o.many)
	s := b.seasons[0]
	s.size.Laps = b.o.many
	defer b.seasons[0].describe()
	if err := s.describe(); err != nil {
		return err
	}
	cache := filepath.Join(b.work, "cold")
	defer os.RemoveAll(cache)
	o, err := b.runFrom(s, cache, b.o.jobs, coldRun)
	b.rows.add([]one{o})
	return err
}

// shortLaps times what is done for each lap whatever its length.
func (b *bench) shortLaps() error {
	z := size{Laps: b.o.index, Channels: 1, Seconds: 1, Rate: 200}
	s := folderSeason{dir: filepath.Join(b.base(), shortLaps), size: z, how: layouts[0].how, files: b.o.index}
	if err := b.season(s); err != nil {
		return err
	}
	half, err := s.half()
	if err != nil {
		return err
	}
	cache := filepath.Join(b.work, "short")
	defer os.RemoveAll(cache)
	b.logf("run %d short laps", b.o.index)
	first, err := b.runFrom(s, cache, b.o.jobs, coldRun)
	if err != nil {
		return err
	}
	b.rows.add([]one{first})
	for range b.o.rounds {
		if err := b.idle(s, half, cache); err != nil {
			return err
		}
	}
	return nil
}

// idle times what computes nothing: a warm run, and commands that only look. The season of half the laps shows whether the time
// for planning grows as the laps do.
func (b *bench) idle(s, half folderSeason, cache string) error {
	for _, what := range []string{"warm run", warmGone} {
		if err := b.warm(s, cache, what); err != nil {
			return err
		}
	}
	out := b.lapwear.out()
	plan := func(s folderSeason) []string {
		return []string{"run", s.path(), "--dry-run", "--json", "--cache", cache, "--out", out}
	}
	type command struct {
		what string
		of   folderSeason
		args []string
	}
	looks := slices.Repeat([]command{{"plan", half, plan(half)}, {"plan", s, plan(s)}}, planTurns)
	looks = append(looks,
		command{"why", s, []string{"why", filepath.Join(out, "laps.csv"), "lap_id=" + lapName(s.size.Laps/2), "--cache", cache}},
		command{"cache stat", s, []string{"cache", "stat", "--cache", cache}})
	for _, c := range looks {
		_, took, err := b.lapwear.call(c.args...)
		if err != nil {
			return err
		}
		b.rows.add([]one{b.one(c.of, b.o.jobs, c.what, took)})
	}
	return nil
}

// planTurns is how often either season is planned for each round, by turns: on a machine that others use one in ten takes half as long again, or longer.
const planTurns = 5

// warm times a run of short laps that computes nothing.
func (b *bench) warm(s folderSeason, cache, what string) error {
	if what == warmGone {
		if err := os.RemoveAll(b.lapwear.out()); err != nil {
			return err
		}
	}
	t, took, err := b.lapwear.run(s, cache, b.o.jobs)
	if err == nil && t.computed("ingest", "count", "damage", "aggregate") > 0 {
		err = fmt.Errorf("%s of short laps: something was computed", what)
	}
	b.rows.add([]one{b.one(s, b.o.jobs, what, took)})
	return err
}

// bytesIn adds up the sizes of the files below a folder.
func bytesIn(dir string) (n int64, err error) {
	err = filepath.WalkDir(dir, func(_ string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasSuffix(d.Name(), ".kept") {
			return err
		}
		info, err := d.Info()
		if err == nil {
			n += info.Size()
		}
		return err
	})
	return n, err
}
