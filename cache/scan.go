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
	if area == runsDir || area == packsDir || area == usesDir {
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

// scanned is a pack as it lies in the folder, with its entries.
type scanned struct {
	file
	*pack
	wrong  string         // why it cannot be read; then nothing else is known
	held   []*Entry       // by row, without transcripts; nil = damaged
	faults map[int]string // by row: why an entry is damaged
	last   []int64        // by row: when it was last used
}

// contents is everything in the store, read but not hashed.
type contents struct {
	blobs   found // listed first: a blob published later is no orphan
	actions found
	entries map[key.ID]*Entry // of loose files: those that can be read, without transcripts
	wrong   map[key.ID]string // why the others cannot
	packs   []*scanned
	uses    found
	runs    found
	temps   []file // of all parts
	stray   []file

	names map[string]string // equal texts are kept once
}

func (s *Store) read(ctx context.Context) (*contents, error) {
	_ = s.Sync() // a failure has been warned of
	c := &contents{entries: map[key.ID]*Entry{}, wrong: map[key.ID]string{}, names: map[string]string{}}
	var err error
	if c.blobs, err = s.scan(ctx, blobsDir); err != nil {
		return nil, err
	}
	packs, err := s.readPacks(ctx, c)
	if err != nil {
		return nil, err
	}
	for _, part := range []struct {
		area string
		to   *found
	}{{actionsDir, &c.actions}, {runsDir, &c.runs}, {usesDir, &c.uses}} {
		if *part.to, err = s.scan(ctx, part.area); err != nil {
			return nil, err
		}
	}
	for _, part := range []found{c.blobs, packs, c.actions, c.runs, c.uses} {
		c.temps = append(c.temps, part.temps...)
		c.stray = append(c.stray, part.stray...)
	}
	top, err := s.topTemps()
	if err != nil {
		return nil, err
	}
	c.temps = append(c.temps, top...)
	return c, s.readLoose(ctx, c)
}

// readLoose reads the entries that have files of their own.
func (s *Store) readLoose(ctx context.Context, c *contents) error {
	for _, f := range c.actions.named {
		if err := ctx.Err(); err != nil {
			return err
		}
		e, _, miss := s.readEntry(f.path, f.id, DecodeEntry)
		switch miss {
		case "":
			c.entries[f.id] = c.lean(e)
		case NotComputed: // pruned meanwhile
		default:
			c.wrong[f.id] = miss
		}
	}
	return nil
}

// tries is how often the packs are listed again while others rewrite them.
const tries = 8

// readPacks reads all packs. One that vanishes meanwhile may have been rewritten: then
// they are listed again.
func (s *Store) readPacks(ctx context.Context, c *contents) (list found, err error) {
	for try := 1; ; try++ {
		if list, err = s.scan(ctx, packsDir); err != nil {
			return list, err
		}
		c.packs = nil
		for _, f := range list.named {
			if err := ctx.Err(); err != nil {
				return list, err
			}
			if p := s.scanPack(c, f); p != nil {
				c.packs = append(c.packs, p)
			}
		}
		if len(c.packs) == len(list.named) || try == tries {
			return list, nil
		}
	}
}

// scanPack reads a pack's tail and entries; nil if it is gone.
func (s *Store) scanPack(c *contents, f file) *scanned {
	p, info, err := s.loadPack(f.path, f.id)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return &scanned{file: f, wrong: err.Error()}
	}
	f.info = info
	out := &scanned{file: f, pack: p, held: make([]*Entry, len(p.entries)), faults: map[int]string{}}
	defer s.closePack(p)
	var w window
	for i, r := range p.entries {
		b, err := w.get(s, p, r)
		if err == nil {
			var e *Entry
			if e, err = DecodeEntry(b, r.id); err == nil {
				out.held[i] = c.lean(e)
			}
		}
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil {
			out.faults[i] = err.Error()
		}
	}
	out.last = s.lastUses(p.name, len(p.entries), info.ModTime)
	return out
}

// lean is an entry without its transcript.
func (c *contents) lean(e *Entry) *Entry {
	out := &Entry{Stage: c.once(e.Stage), Refused: strings.Clone(e.Refused), Made: e.Made, Outputs: e.Outputs}
	for i := range out.Outputs {
		out.Outputs[i].Name = c.once(out.Outputs[i].Name)
	}
	return out
}

func (c *contents) once(text string) string {
	t, ok := c.names[text]
	if !ok {
		t = strings.Clone(text)
		c.names[t] = t
	}
	return t
}

// each calls f with every entry: its ID, its length, the file that it is in, and what it
// says; nil if that is damaged.
func (c *contents) each(f func(id key.ID, size int64, in file, e *Entry)) {
	for _, a := range c.actions.named {
		f(a.id, a.info.Size, a, c.entries[a.id])
	}
	for _, p := range c.packs {
		for i, e := range p.held {
			f(p.entries[i].id, p.entries[i].len, p.file, e)
		}
	}
}

// here is which blobs there are.
func (c *contents) here() map[key.ID]bool {
	out := make(map[key.ID]bool, len(c.blobs.named))
	for _, f := range c.blobs.named {
		out[f.id] = true
	}
	for _, p := range c.packs {
		for _, r := range p.rows() {
			out[r.id] = true
		}
	}
	return out
}

// rows are the blobs of a pack that can be read.
func (p *scanned) rows() []row {
	if p.pack == nil {
		return nil
	}
	return p.blobs
}

// references counts for each blob the entries that keep it.
func (c *contents) references() map[key.ID]int {
	refs := make(map[key.ID]int, len(c.blobs.named))
	c.each(func(_ key.ID, _ int64, _ file, e *Entry) {
		if e != nil {
			for _, id := range e.kept() {
				refs[id]++
			}
		}
	})
	return refs
}

// sizes gives the length of each blob that an entry keeps.
func (c *contents) sizes() map[key.ID]int64 {
	out := make(map[key.ID]int64, len(c.blobs.named))
	c.each(func(_ key.ID, _ int64, _ file, e *Entry) {
		if e != nil {
			for _, o := range e.Outputs {
				out[o.ID] = o.Size
			}
		}
	})
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

// Count is a number of things and their length together.
type Count struct {
	Files int // or results in packs
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

// Stats is what a store holds. Bytes are lengths; what they take on disk is more.
type Stats struct {
	Actions Count
	Blobs   Count
	Packs   Count // the files that hold actions and blobs, but for loose ones
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
		Blobs:  count(c.blobs.named),
		Runs:   count(c.runs.named),
		Temp:   count(c.temps),
		Stages: c.stages(),
		Leases: live,
	}
	c.each(func(_ key.ID, size int64, _ file, _ *Entry) { st.Actions.add(size) })
	for _, p := range c.packs {
		st.Packs.add(p.info.Size)
		for _, r := range p.rows() {
			st.Blobs.add(r.len)
		}
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
	c.each(func(_ key.ID, size int64, _ file, e *Entry) {
		if e == nil {
			return
		}
		st := at[e.Stage]
		if st == nil {
			st = &StageStats{Stage: e.Stage}
			at[e.Stage] = st
		}
		st.add(e, size, here)
	})
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
