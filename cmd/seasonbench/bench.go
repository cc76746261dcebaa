package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"time"
)

// bench is a benchmark under way.
type bench struct {
	o        options
	work     string
	lapwear  program
	duck     string // DuckDB's program; "" without
	snake    *snake // nil without
	seasons  []folderSeason
	text     folderSeason
	recorded int64 // bytes of the recordings as compressed Parquet
	rows     rows
	void     int // rounds that did not count
}

// layouts are how the recordings are written; the first is what the targets are of.
var layouts = []struct {
	name string
	how  layout
}{
	{"zstd", layout{packed: true}},
	{"zstd, nullable", layout{packed: true, nullable: true}},
	{"uncompressed", layout{}},
	{"uncompressed, nullable", layout{nullable: true}},
}

func newBench(o options) (*bench, error) {
	root, err := moduleRoot()
	if err != nil {
		return nil, err
	}
	if o.dir != "" {
		if err := os.MkdirAll(o.dir, 0o777); err != nil {
			return nil, err
		}
	}
	work, err := os.MkdirTemp(o.dir, "seasonbench-")
	if err != nil {
		return nil, err
	}
	b := &bench{o: o, work: work, lapwear: program{path: filepath.Join(work, "lapwear"), work: work}}
	err = build(root, "./cmd/lapwear", b.lapwear.path, 0)
	if err == nil && o.duckdb {
		b.duck = filepath.Join(work, "duckscan")
		err = build(filepath.Join(root, "cmd", "seasonbench", "duckscan"), ".", b.duck, 1)
	}
	if err == nil && o.numpy && o.csv > 0 {
		b.snake, err = newSnake(work, o.python)
	}
	if err != nil {
		b.close()
		return nil, err
	}
	return b, nil
}

// close removes what was written, but the seasons in a folder that the user named.
func (b *bench) close() { os.RemoveAll(b.work) }

// measure does everything and writes the results.
func (b *bench) measure() error {
	if err := b.prepare(); err != nil {
		return err
	}
	if err := b.allRounds(); err != nil {
		return err
	}
	if err := b.single(); err != nil {
		return err
	}
	r := b.result()
	r.markdown(os.Stdout)
	if b.o.json == "" {
		return nil
	}
	return r.write(b.o.json)
}

// prepare writes the seasons.
func (b *bench) prepare() error {
	base := b.base()
	for _, l := range layouts {
		s := folderSeason{dir: filepath.Join(base, l.name), size: b.o.size, how: l.how, files: b.o.size.Laps}
		if err := b.season(s); err != nil {
			return err
		}
		b.seasons = append(b.seasons, s)
	}
	var err error
	if b.recorded, err = bytesIn(filepath.Join(b.seasons[0].dir, "laps")); err != nil || b.o.csv == 0 {
		return err
	}
	few := b.o.size
	few.Laps = b.o.csv
	b.text = folderSeason{dir: filepath.Join(base, "csv"), size: few, csv: true, files: few.Laps}
	return b.season(b.text)
}

// base is where the seasons are: in the folder that the user named, which is kept.
func (b *bench) base() string {
	if b.o.dir != "" {
		return b.o.dir
	}
	return b.work
}

// season writes a season, unless an earlier run left it complete.
func (b *bench) season(s folderSeason) error {
	mark := filepath.Join(s.dir, "complete")
	stamp := fmt.Sprintf("{dir:%s size:%+v how:%+v csv:%v files:%d}\n", s.dir, s.size, s.how, s.csv, s.files)
	if text, err := os.ReadFile(mark); err == nil && string(text) == stamp {
		return nil
	}
	b.logf("write season %q", filepath.Base(s.dir))
	if err := os.RemoveAll(s.dir); err != nil {
		return err
	}
	if err := s.generate(runtime.GOMAXPROCS(0)); err != nil {
		return fmt.Errorf("write season %q: %w", s.dir, err)
	}
	return os.WriteFile(mark, []byte(stamp), 0o666)
}

// cached reads all recordings, so that no reader waits for the disk: systems take pages back that were not used for a while.
func (b *bench) cached() error {
	for _, s := range append(slices.Clone(b.seasons), b.text) {
		for lap := range s.files {
			f, err := os.Open(s.recording(lap))
			if err != nil {
				return err
			}
			_, err = io.Copy(io.Discard, f)
			if err = errors.Join(err, f.Close()); err != nil {
				return err
			}
		}
	}
	return nil
}

// mostVoid is how many rounds may be void for each that counts before the machine is taken to be too busy.
const mostVoid = 3

// allRounds measures until as many rounds count as were asked for.
func (b *bench) allRounds() error {
	for counted := 0; counted < b.o.rounds; {
		if err := b.cached(); err != nil {
			return err
		}
		start := time.Now()
		got, spread, err := b.round()
		if err != nil {
			return err
		}
		if spread > b.o.spread {
			b.void++
			b.logf("round is void: DuckDB's times spread over %.0f %%", 100*spread)
			if b.void > mostVoid*b.o.rounds {
				return errors.New("DuckDB's times spread too far in nearly every round: let nothing else run on the machine")
			}
			continue
		}
		counted++
		b.rows.add(got)
		b.logf("round %d of %d in %.0f s", counted, b.o.rounds, time.Since(start).Seconds())
	}
	return nil
}
