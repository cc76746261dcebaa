package cli

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"sync"

	"lapwear/cache"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
)

// opened is a season and all that bringing it up to date takes: the folder that its results
// go to, claimed unless nothing is to be written, the cache, and what the engine finds
// results in: the cache, or the one with a shared cache behind it. It is closed once at least.
type opened struct {
	*season.Season
	out        string
	store      *cache.Store
	results    pipeline.Store
	close      func()
	files      []heldFile // the run's own files in the output folder, once they are published
	note       func()     // notes what they were made from, for the next run; nil = nothing is to be noted
	unrecorded bool       // the run's record could not be put in its place
	rig        string     // what the rig test had left in the output folder when the report was made; "" = not known

	ahead *pipeline.Ahead // what is read while it is not known yet what is to be done; nil = nothing

	book func() bookBefore // the workbook that the output folder has
	rest sync.WaitGroup    // what is done beside the last steps of a run, while the cache is open
	gone sync.WaitGroup    // what was replaced in the output folder is removed, while that is claimed
}

// open reads a season file, opens the cache and claims the output folder.
func (a *app) open(ctx context.Context, path string, o runOptions) (*opened, error) {
	program()
	s, err := a.load(path, o.set)
	if err != nil {
		return nil, err
	}
	out, err := outFolder(s, o.out)
	if err != nil {
		return nil, err
	}
	store, closeStore, err := a.runStore(o)
	if err != nil {
		return nil, err
	}
	results, finish, err := a.share(ctx, store, o)
	if err != nil {
		closeStore()
		return nil, err
	}
	end := func() {
		finish()
		closeStore()
	}
	w := &opened{Season: s, out: out, store: store, results: results, close: sync.OnceFunc(end)}
	w.book = sync.OnceValue(func() bookBefore { return readBook(filepath.Join(out, workbookName)) })
	if o.dryRun {
		return w, nil
	}
	lock, err := a.claim(ctx, out, o.wait)
	if err != nil {
		end()
		return nil, err
	}
	w.close = sync.OnceFunc(func() {
		w.rest.Wait()
		w.ahead.End()
		var given sync.WaitGroup
		given.Go(func() {
			w.gone.Wait()
			a.release(lock)
		})
		end()
		given.Wait()
	})
	return w, nil
}

// session is what the engine is told of a run.
func (w *opened) session(o runOptions, p *progress) pipeline.Options {
	read := sync.OnceFunc(func() { w.rest.Go(func() { w.book() }) })
	events := func(e pipeline.Event) {
		if e.State.Status == pipeline.Computed {
			read() // there will be another workbook
		}
		p.event(e)
	}
	options := pipeline.Options{Store: w.results, Jobs: o.jobs, Memory: o.memory << 20, Rehash: o.rehash, Events: events}
	if w.results == pipeline.Store(w.store) {
		options.Known = w.store.Known
	}
	return options
}

// outFolder is the folder given, else out beside the season file.
func outFolder(s *season.Season, option string) (string, error) {
	out := option
	if out == "" {
		out = filepath.Join(s.Dir, "out")
	}
	out, err := filepath.Abs(out)
	if err != nil {
		return "", err
	}
	return out, clearOfInputs(s, out)
}

// load reads the season file and reports its warnings.
func (a *app) load(path string, set []string) (*season.Season, error) {
	s, faults := season.Load(path, season.LoadOptions{Set: set})
	if len(faults) > 0 {
		return nil, faults
	}
	for _, w := range s.Warnings {
		a.warnf("%s", w.Error())
	}
	return s, nil
}

// runStore opens the cache; without one, results go to a folder that is removed.
func (a *app) runStore(o runOptions) (*cache.Store, func(), error) {
	if !o.noCache {
		s, err := a.openCache(o.cache)
		if err != nil {
			return nil, nil, err
		}
		return s, func() { a.closeStore(s) }, nil
	}
	dir, err := os.MkdirTemp("", "lapwear-")
	if err != nil {
		return nil, nil, fmt.Errorf("make a folder for this run's results: %w", err)
	}
	s, err := cache.Open(filepath.Join(dir, "cache"), cache.Options{})
	if err != nil {
		os.RemoveAll(dir)
		return nil, nil, err
	}
	return s, func() { s.Close(); os.RemoveAll(dir) }, nil
}

func (a *app) closeStore(s *cache.Store) {
	if err := s.Close(); err != nil {
		a.warnf("%v", err)
	}
}
