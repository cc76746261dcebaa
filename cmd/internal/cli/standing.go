package cli

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime"
	"slices"

	"golang.org/x/sync/errgroup"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/cmd/internal/folder"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
)

// standing is what a run of one season leaves for the next: what all that it found follows from, and what it said. While
// the season's files, its recordings and the files of the output folder are what they were, the next run has nothing to do,
// and says the same without building the season's graph.
type standing struct {
	Of     string     // the hash of what the results were made from, but for the recordings
	Record string     // the digest of the run's record
	Stood  bool       // a later run had nothing to do
	By     string     // the program
	Files  []heldFile // the run's own files in the output folder
	Aside  bool       // laps are set aside

	Recordings string // the hash of what the recordings hold
	Told       string // on standard error
	JSON       string // what --json prints
	Text       string // what is printed without; "" = not known
}

// heldFile is a file of an output folder as it was when it was published.
type heldFile struct {
	Name string
	cache.Seen

	Made key.ID // what the run itself wrote, as key.OfUnkept has it; zero = not known. Of all files it is of one run.
}

// standingName is the name of a standing among the cache's run records.
func standingName(out string) string { return out + "\x00standing" }

// mayStand tells whether a run is one whose results may stand: of one season alone, into the cache here alone.
func (w *opened) mayStand(o runOptions) bool {
	return o.alone && !o.noCache && !o.rehash && !o.slurm.on && w.results == pipeline.Store(w.store)
}

// stands says what the last run into the folder said, if nothing that it rests on has changed since.
func (a *app) stands(w *opened, o runOptions) (*standing, bool) {
	if !w.mayStand(o) || w.ahead.Finds() {
		return nil, false
	}
	s, ok := readStanding(w.store, w.out)
	if !ok || !a.json && s.Text == "" || s.Of != madeOf(w, o, w.rigFiles()) || s.Recordings != recordingsOf(w.Season, w.known) {
		return nil, false
	}
	had := slices.Clone(s.Files)
	if !s.holds(w) || !w.store.UseRun(w.out) {
		return nil, false
	}
	if !s.Stood || !slices.Equal(had, s.Files) {
		s.Stood = true
		w.noteStanding(s)
	}
	return s, true
}

// repeat says what the run said that stands.
func (a *app) repeat(s *standing) error {
	a.err.Write([]byte(s.Told))
	to, text := a.out, s.Text
	if a.json {
		a.printed = true
		to, text = bare(a.out), s.JSON
	}
	if _, err := to.Write([]byte(text)); err != nil {
		return err
	}
	if s.Aside {
		return errSetAside
	}
	return nil
}

func readStanding(store *cache.Store, out string) (*standing, bool) {
	data, miss := store.Run(standingName(out))
	if miss != "" {
		return nil, false
	}
	var s standing
	return &s, json.Unmarshal(data, &s) == nil
}

func (w *opened) noteStanding(s *standing) {
	if text, err := json.Marshal(s); err == nil {
		_ = w.store.NoteRun(standingName(w.out), text) // without it the next run looks everything up
	}
}

// leaveStanding notes what a run said, if the next one may say the same.
func (a *app) leaveStanding(w *opened, o runOptions, outcome *season.Outcome) {
	if w.unrecorded || !w.mayStand(o) || outcome.Warned || len(outcome.Failures) > 0 || !outcome.Record.Whole() {
		return
	}
	s := &standing{Of: madeOf(w, o, w.rig), Record: outcome.Record.Digest(), Recordings: recordingsOf(w.Season, w.hadBy(outcome)), Stood: allFound(outcome)}
	if s.Of == "" || s.Recordings == "" {
		return
	}
	if s.Files = w.files; s.Files == nil {
		return
	}
	s.By = program()
	s.Aside = len(outcome.Laps.SetAside)+len(outcome.Laps.InPart) > 0
	if err := a.rehearse(s, w, outcome); err == nil {
		w.noteStanding(s)
	}
}

// rehearse has a run say what one that finds everything says.
func (a *app) rehearse(s *standing, w *opened, outcome *season.Outcome) error {
	found := *outcome
	found.Stages = maps.Clone(outcome.Stages)
	for name, r := range found.Stages {
		found.Stages[name] = pipeline.StageReport{Planned: r.Planned, Hit: r.Hit + r.Computed}
	}
	var said, told bytes.Buffer
	b := &app{out: &said, err: &told, json: a.json, quiet: a.quiet}
	if err := b.showRun(w.Season, w.out, &found); err != nil && !errors.Is(err, errSetAside) {
		return err
	}
	s.Told = told.String()
	if a.json {
		s.JSON = said.String()
		return nil
	}
	s.Text = said.String()
	b = &app{out: &said, err: &told, json: true, quiet: a.quiet}
	said.Reset()
	err := b.showRun(w.Season, w.out, &found)
	if s.JSON = said.String(); errors.Is(err, errSetAside) {
		err = nil
	}
	return err
}

// allFound tells whether a run computed nothing.
func allFound(o *season.Outcome) bool {
	for _, r := range o.Stages {
		if r.Computed > 0 {
			return false
		}
	}
	return true
}

// madeOf hashes what a run's results and files are made from, but for the recordings: the program, the season's files, what
// replaces values of them, and the rig test's files as rigFiles tells them. It is "" where one of them is changing.
func madeOf(w *opened, o runOptions, rig string) string {
	if rig == "" {
		return ""
	}
	h := sha256.New()
	fmt.Fprintf(h, "%q %q %q %q %q", program(), w.Path, w.out, o.set, rig)
	contents := w.Contents()
	for _, path := range slices.Sorted(maps.Keys(contents)) {
		id := contents[path]
		if id == (key.ID{}) {
			return ""
		}
		fmt.Fprintf(h, "%q %x", path, id)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// rigFiles hashes what the rig test has left in the output folder; "" where that is changing.
func (w *opened) rigFiles() string {
	h := sha256.New()
	if err := addFolder(h, filepath.Join(w.out, planFolder), w.store); err != nil {
		return ""
	}
	return hex.EncodeToString(h.Sum(nil))
}

// addFolder hashes the files in a folder and below, if there is one.
func addFolder(h hash.Hash, dir string, store *cache.Store) error {
	if _, err := os.Lstat(dir); errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		var id key.ID
		if err == nil && d.Type().IsRegular() {
			id, err = store.FileID(path, false)
		}
		fmt.Fprintf(h, "%q %x", path, id)
		return err
	})
}

// recordingsOf hashes what the recordings of a season hold; "" where that is not known of one.
func recordingsOf(s *season.Season, holds func(path string) (key.ID, bool)) string {
	h := sha256.New()
	seen := make(map[string]bool, len(s.Laps))
	for i := range s.Laps {
		path := s.Laps[i].Path
		if seen[path] {
			continue
		}
		seen[path] = true
		id, ok := holds(path)
		if !ok || id == (key.ID{}) {
			return ""
		}
		h.Write(id[:])
	}
	return hex.EncodeToString(h.Sum(nil))
}

// known is what a recording holds, if the cache's stat index vouches for it.
func (w *opened) known(path string) (key.ID, bool) {
	if id, ok := w.ahead.Known(path); ok {
		return id, true
	}
	return w.store.Known(path, false)
}

// hadBy is what a recording held for a run. One that no task reads is only listed.
func (w *opened) hadBy(o *season.Outcome) func(path string) (key.ID, bool) {
	return func(path string) (key.ID, bool) {
		if id, ok := o.Recordings[path]; ok {
			return id, true
		}
		id, err := w.store.FileID(path, false)
		return id, err == nil
	}
}

// heldFiles are a run's own files in an output folder: as they were written, or read side by side.
func heldFiles(out string, store *cache.Store, published folder.Set) ([]heldFile, error) {
	names, err := heldNames(out)
	if err != nil {
		return nil, err
	}
	files := make([]heldFile, len(names))
	var work errgroup.Group
	work.SetLimit(runtime.GOMAXPROCS(0))
	for i, name := range names {
		files[i] = heldFile{Name: name, Made: published.Sums[name]}
		if w, ok := published.Written[name]; ok {
			files[i].Seen = cache.Saw(w.Sum, w.Info, w.Began)
			continue
		}
		work.Go(func() (err error) {
			files[i].Seen, err = store.See(filepath.Join(out, name))
			return err
		})
	}
	return files, work.Wait()
}

// heldNames lists a run's own files in an output folder.
func heldNames(out string) ([]string, error) {
	entries, err := os.ReadDir(out)
	if err != nil {
		return nil, err
	}
	var names []string
	for _, e := range entries {
		if !published(e.Name()) {
			continue
		}
		if !e.Type().IsRegular() {
			return nil, fmt.Errorf("%q is not a regular file", e.Name())
		}
		names = append(names, e.Name())
	}
	return names, nil
}

// made is what the last run itself wrote into a file of the output folder, as key.OfUnkept has it; zero where that is not known.
func (s *standing) made(name string) key.ID {
	for _, f := range s.Files {
		if f.Name == name {
			return f.Made
		}
	}
	return key.ID{}
}

// holds tells whether the output folder holds what it did, and notes of what was read when that was.
func (s *standing) holds(w *opened) bool {
	names, err := heldNames(w.out)
	if err != nil || len(names) != len(s.Files) || len(names) == 0 {
		return false
	}
	for i := range s.Files {
		f := &s.Files[i]
		if f.Name != names[i] || !w.store.Same(filepath.Join(w.out, f.Name), &f.Seen) {
			return false
		}
	}
	return true
}
