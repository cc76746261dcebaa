package cache

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"

	"lapwear/cache/key"
)

// Kind is how bad a finding is.
type Kind string

// The kinds of findings, worst first.
const (
	Damaged  Kind = "damaged"  // a file is not what was written; its result is computed again when asked for
	Missing  Kind = "missing"  // an entry's blob is not there; likewise
	Stray    Kind = "stray"    // something that is no part of a store
	Leftover Kind = "leftover" // harmless remains of an interrupted write
)

// Finding is something that Verify found.
type Finding struct {
	Kind    Kind
	Path    string
	Wrong   string // what is wrong
	Do      string // what to do about it
	Removed bool   // by Repair
}

// VerifyOptions say what Verify does besides looking.
type VerifyOptions struct {
	// Repair removes damaged files; what they held is computed again when it is
	// next asked for. It touches neither stray files nor leftovers.
	Repair bool
}

// verification is one run of Verify.
type verification struct {
	s      *Store
	repair bool
	report func(Finding)
}

// Verify reads and hashes everything in the store, reports each fault, and returns
// what the store held before any repair.
func (s *Store) Verify(ctx context.Context, o VerifyOptions, report func(Finding)) (Stats, error) {
	c, err := s.read(ctx)
	if err != nil {
		return Stats{}, fmt.Errorf("verify cache %q: %w", s.dir, err)
	}
	s.packs.looked.Store(0) // what is not in the list is looked for again
	v := &verification{s, o.Repair, report}
	v.format()
	v.actions(c)
	if err := v.blobs(ctx, c); err != nil {
		return Stats{}, fmt.Errorf("verify cache %q: %w", s.dir, err)
	}
	if err := v.packs(ctx, c); err != nil {
		return Stats{}, fmt.Errorf("verify cache %q: %w", s.dir, err)
	}
	v.uses(c)
	v.runs(c)
	v.index()
	for _, f := range c.stray {
		v.report(Finding{Stray, f.path, "it is no part of the cache", "move it away by hand", false})
	}
	for _, f := range c.temps {
		v.report(Finding{Leftover, f.path, "a write did not finish, or is under way", "nothing; prune removes it after a day", false})
	}
	return s.stats(c)
}

// damaged reports a file that is not what was written, and removes it if asked to.
func (v *verification) damaged(path, wrong string) {
	f := Finding{Kind: Damaged, Path: path, Wrong: wrong, Do: "repair, or let the next run compute it again"}
	if v.repair {
		err := v.s.fs.Remove(path)
		if f.Removed = err == nil; !f.Removed {
			f.Do = fmt.Sprintf("remove it by hand: %v", err)
		}
	}
	v.report(f)
}

func (v *verification) format() {
	path := v.s.path(formatFile)
	text, err := v.s.readFile(path)
	if err == nil {
		_, err = parseFormat(text)
	}
	if err != nil {
		v.report(Finding{Damaged, path, err.Error(), "nothing; opening the cache writes it again", false})
	}
}

func (v *verification) actions(c *contents) {
	have := c.here()
	for _, f := range c.actions.named {
		if wrong := c.wrong[f.id]; wrong != "" {
			v.damaged(f.path, wrong)
			continue
		}
		if e := c.entries[f.id]; e != nil {
			v.outputs(f, e, have)
		}
	}
	for _, p := range c.packs {
		for _, e := range p.held {
			if e != nil {
				v.outputs(p.file, e, have)
			}
		}
	}
}

// outputs reports the outputs of an entry that are kept here and have no blob. It is
// looked for again, since it may be younger than the list.
func (v *verification) outputs(f file, e *Entry, have map[key.ID]bool) {
	for _, o := range e.Outputs {
		if !o.Kept || o.Away || have[o.ID] {
			continue
		}
		if _, err := v.s.fs.Stat(v.s.fanned(blobsDir, o.ID)); err == nil || v.s.haveBlob(o.ID, o.Size) {
			continue
		}
		v.report(Finding{Missing, f.path,
			fmt.Sprintf("the blob %s of its output %q is missing", o.ID.Short(), o.Name),
			"nothing; the next run that needs it computes it again", false})
	}
}

func (v *verification) blobs(ctx context.Context, c *contents) error {
	refs, sizes := c.references(), c.sizes()
	for _, f := range c.blobs.named {
		if err := ctx.Err(); err != nil {
			return err
		}
		err := v.s.verifyBlob(f, sizes)
		switch {
		case errors.Is(err, fs.ErrNotExist):
		case err != nil:
			v.s.setBad(f.id, true)
			v.damaged(f.path, err.Error())
		case refs[f.id] == 0:
			v.report(Finding{Leftover, f.path, "no entry refers to it", "nothing; prune removes it after a day", false})
		}
	}
	return nil
}

// verifyBlob compares a blob's length with what entries say, then streams it
// through the hash.
func (s *Store) verifyBlob(b file, sizes map[key.ID]int64) error {
	f, info, err := s.openRegular(b.path)
	if err != nil {
		return err
	}
	defer f.Close()
	if want, ok := sizes[b.id]; ok && info.Size != want {
		return fmt.Errorf("length %d, want %d", info.Size, want)
	}
	h := sha256.New()
	if _, err := s.copyTo(h, f, nil); err != nil {
		return err
	}
	if key.ID(h.Sum(nil)) != b.id {
		return errContent
	}
	return nil
}

func (v *verification) runs(c *contents) {
	for _, f := range c.runs.named {
		if _, err := v.s.readRun(f); err != nil && !errors.Is(err, fs.ErrNotExist) {
			v.damaged(f.path, err.Error())
		}
	}
}

// readRun reads the record in a file and checks that it belongs there.
func (s *Store) readRun(f file) (runRecord, error) {
	b, err := s.readFile(f.path)
	if err != nil {
		return runRecord{}, err
	}
	r, err := decodeRun(b)
	if err == nil && key.Of([]byte(r.name)) != f.id {
		err = fmt.Errorf("it belongs to %q", clip(r.name))
	}
	return r, err
}

// index reports unreadable records. The good ones are kept: repair writes them anew.
func (v *verification) index() {
	_, damaged, err := v.s.readIndex()
	if err == nil && damaged == 0 {
		return
	}
	path := v.s.path(indexFile)
	if err != nil {
		v.damaged(path, err.Error())
		return
	}
	f := Finding{Kind: Damaged, Path: path, Wrong: fmt.Sprintf("%d damaged spots", damaged), Do: "repair, or nothing: those recordings are hashed again"}
	if v.repair {
		if err := v.s.rewriteIndex(); err != nil {
			f.Do = err.Error()
		} else {
			f.Do = "nothing; it was written anew without them"
		}
	}
	v.report(f)
}

func (s *Store) rewriteIndex() error {
	s.index.mu.Lock()
	s.index.dirty = true
	s.index.mu.Unlock()
	return s.Flush()
}
