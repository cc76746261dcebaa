package cache

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

// file is a file found in the store.
type file struct {
	path string
	id   key.ID
	info fsx.Info
}

// found is what lies in one part of the store, each in the order of names.
type found struct {
	named []file // under an ID, where it belongs
	temps []file // left by a write that was not finished, or being written
	stray []file // anything else
}

// scan lists a part. Files that vanish meanwhile are left out.
func (s *Store) scan(ctx context.Context, area string) (found, error) {
	var out found
	top, err := s.fs.ReadDir(s.path(area))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return out, err
	}
	if area == runsDir {
		return out, s.sort(ctx, &out, s.path(area), "", top)
	}
	for _, shard := range top {
		dir := s.path(area, shard)
		info, err := s.fs.Stat(dir)
		if err != nil {
			continue
		}
		if !info.Dir || len(shard) != 2 || strings.Trim(shard, "0123456789abcdef") != "" {
			out.stray = append(out.stray, file{path: dir, info: info})
			continue
		}
		names, err := s.fs.ReadDir(dir)
		if err != nil {
			return out, err
		}
		if err := s.sort(ctx, &out, dir, shard, names); err != nil {
			return out, err
		}
	}
	return out, nil
}

// sort puts the files of one folder where they belong in out.
func (s *Store) sort(ctx context.Context, out *found, dir, prefix string, names []string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	for _, name := range names {
		path := filepath.Join(dir, name)
		info, err := s.fs.Stat(path)
		if err != nil && errors.Is(err, fs.ErrNotExist) {
			continue
		}
		f := file{path: path, info: info}
		id, err := key.Parse(name)
		switch {
		case strings.HasSuffix(name, tempSuffix):
			out.temps = append(out.temps, f)
		case err == nil && id.String() == name && strings.HasPrefix(name, prefix):
			f.id = id
			out.named = append(out.named, f)
		default:
			out.stray = append(out.stray, f)
		}
	}
	return nil
}

// topTemps lists unfinished files of the top folder.
func (s *Store) topTemps() ([]file, error) {
	names, err := s.fs.ReadDir(s.dir)
	if err != nil {
		return nil, err
	}
	var out []file
	for _, name := range names {
		if !strings.HasSuffix(name, tempSuffix) {
			continue
		}
		path := s.path(name)
		if info, err := s.fs.Stat(path); err == nil {
			out = append(out, file{path: path, info: info})
		}
	}
	return out, nil
}

// contents is everything in the store, read but not hashed.
type contents struct {
	blobs   found // listed first: a blob published later is no orphan
	actions found
	entries map[key.ID]*Entry // those that can be read
	wrong   map[key.ID]string // why the others cannot
	runs    found
	temps   []file // of all parts
	stray   []file
}

func (s *Store) read(ctx context.Context) (*contents, error) {
	c := &contents{entries: map[key.ID]*Entry{}, wrong: map[key.ID]string{}}
	var err error
	for _, part := range []struct {
		area string
		to   *found
	}{{blobsDir, &c.blobs}, {actionsDir, &c.actions}, {runsDir, &c.runs}} {
		if *part.to, err = s.scan(ctx, part.area); err != nil {
			return nil, err
		}
		c.temps = append(c.temps, part.to.temps...)
		c.stray = append(c.stray, part.to.stray...)
	}
	top, err := s.topTemps()
	if err != nil {
		return nil, err
	}
	c.temps = append(c.temps, top...)
	for _, f := range c.actions.named {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		e, _, miss := s.readEntry(f.path, f.id)
		switch miss {
		case "":
			c.entries[f.id] = e
		case NotComputed: // pruned meanwhile
		default:
			c.wrong[f.id] = miss
		}
	}
	return c, nil
}

// here is which blobs there are.
func (c *contents) here() map[key.ID]bool {
	out := make(map[key.ID]bool, len(c.blobs.named))
	for _, f := range c.blobs.named {
		out[f.id] = true
	}
	return out
}

// references counts for each blob the entries that keep it.
func (c *contents) references() map[key.ID]int {
	refs := make(map[key.ID]int, len(c.blobs.named))
	for _, e := range c.entries {
		for _, id := range e.kept() {
			refs[id]++
		}
	}
	return refs
}

// sizes gives the length of each blob that an entry keeps.
func (c *contents) sizes() map[key.ID]int64 {
	out := make(map[key.ID]int64, len(c.blobs.named))
	for _, e := range c.entries {
		for _, o := range e.Outputs {
			out[o.ID] = o.Size
		}
	}
	return out
}

// kept lists the blobs of an entry, each once.
func (e *Entry) kept() []key.ID {
	var out []key.ID
	for _, o := range e.Outputs {
		if o.Kept && !slices.Contains(out, o.ID) {
			out = append(out, o.ID)
		}
	}
	return out
}

// Count is a number of files and their length together.
type Count struct {
	Files int
	Bytes int64
}

func (c *Count) add(bytes int64) { c.Files++; c.Bytes += bytes }

func count(files []file) (c Count) {
	for _, f := range files {
		c.add(f.info.Size)
	}
	return c
}

// StageStats is one stage's share of a store.
type StageStats struct {
	Stage   string
	Actions Count
	Outputs Count // those kept; one that several actions share counts for each
	Refused int   // actions that are refusals
}

// Stats is what a store holds. Bytes are lengths of files; what they take on disk
// is more.
type Stats struct {
	Actions Count
	Blobs   Count
	Runs    Count
	Temp    Count // unfinished files
	Index   Count // one file at most
	Records int   // files that the stat index knows
	Stages  []StageStats
	Leases  []Lease
}

// Stat counts what the store holds. It reads every entry, to know its stage.
func (s *Store) Stat() (Stats, error) {
	c, err := s.read(context.Background())
	if err != nil {
		return Stats{}, fmt.Errorf("count cache %q: %w", s.dir, err)
	}
	return s.stats(c)
}

func (s *Store) stats(c *contents) (Stats, error) {
	live, _, err := s.leases()
	if err != nil {
		return Stats{}, fmt.Errorf("count cache %q: %w", s.dir, err)
	}
	st := Stats{
		Actions: count(c.actions.named),
		Blobs:   count(c.blobs.named),
		Runs:    count(c.runs.named),
		Temp:    count(c.temps),
		Stages:  c.stages(),
		Leases:  live,
	}
	if info, err := s.fs.Stat(s.path(indexFile)); err == nil {
		st.Index.add(info.Size)
	}
	s.index.mu.Lock()
	st.Records = len(s.index.files)
	s.index.mu.Unlock()
	return st, nil
}

func (c *contents) stages() []StageStats {
	at, here := map[string]*StageStats{}, c.here()
	for _, f := range c.actions.named {
		e := c.entries[f.id]
		if e == nil {
			continue
		}
		st := at[e.Stage]
		if st == nil {
			st = &StageStats{Stage: e.Stage}
			at[e.Stage] = st
		}
		st.add(e, f.info.Size, here)
	}
	out := make([]StageStats, 0, len(at))
	for _, st := range at {
		out = append(out, *st)
	}
	slices.SortFunc(out, func(a, b StageStats) int { return cmp.Compare(a.Stage, b.Stage) })
	return out
}

func (st *StageStats) add(e *Entry, size int64, here map[key.ID]bool) {
	st.Actions.add(size)
	if e.Refused != "" {
		st.Refused++
	}
	for _, o := range e.Outputs {
		if o.Kept && (!o.Away || here[o.ID]) {
			st.Outputs.add(o.Size)
		}
	}
}
