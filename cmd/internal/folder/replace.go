package folder

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"lapwear/cache/key"
)

// File is a file of a set.
type File struct {
	Name  string
	Write func(io.Writer) error
	// Current tells whether the file of that path is what Write would write; nil = write it
	// and compare.
	Current func(path string) bool
}

// Set is what a run publishes in a folder.
type Set struct {
	Dir   string
	Files []File
	// Owned tells which names in the folder are a run's own: those that Files does not
	// list are removed, any other stays.
	Owned func(name string) bool
	// Fixed are paths that must not move, such as files that the run reads: with one of
	// them in the folder, it is not replaced as a whole.
	Fixed []string
	// After begins the rest of the work once the new set is there, which Publish leaves to it then: waiting until the folder's name is flushed, then
	// removing what was replaced, which is left to the next one where flushing fails; the lock is held until that is done. nil = Publish does it.
	After func(rest func() error)
	// Written are, by name, the files that Publish has written and that are in the folder as they were then. Missing are those that
	// stayed as they were before, and all where files were replaced one by one.
	Written map[string]Written
	// Sums are, by name, those of what Publish has written, as key.OfUnkept has them, also of files that it then found there already. They tell of
	// what Write made, whatever others did to the folder meanwhile; nil where files were replaced one by one.
	Sums map[string]key.ID

	disk     disk
	alone    bool                    // for tests: one file after another
	step     func(name string)       // for tests: called between the steps
	exchange func(a, b string) error // nil = that of the operating system
}

// stagingMark is in the name of staging folders, which begin with a dot.
const stagingMark = ".lapwear-next-"

// asideMark ends the name of a folder that stands aside between two renames.
const asideMark = "-old"

// Publish replaces the set; the caller holds the folder's lock. A file that did not change
// keeps its time stamp. oneByOne says why files had to be replaced one by one, "" if they
// changed all at once.
func (s *Set) Publish() (oneByOne string, err error) {
	dir, err := filepath.EvalSymlinks(s.Dir)
	if err != nil {
		return "", fmt.Errorf("find output folder: %w; give another with --out", err)
	}
	s.tidyLeftovers(dir)
	s.Written, s.Sums = nil, nil
	if reason := s.fixed(dir); reason != "" {
		return reason, s.publishEach(dir)
	}
	base := filepath.Join(filepath.Dir(dir), fmt.Sprintf(".%s%s%08x", filepath.Base(dir), stagingMark, rand.Uint32()))
	if err := s.disk.mkdir(base); err != nil {
		return fmt.Sprintf("nothing can be written beside it (%v)", err), s.publishEach(dir)
	}
	changed, err := s.stage(dir, base)
	if err != nil || !changed {
		s.Written = nil
		if err != nil {
			s.Sums = nil
		}
		s.disk.removeAll(base)
		return "", err
	}
	if err := s.swap(dir, base); err != nil {
		s.Written, s.Sums = nil, nil
		s.disk.removeAll(base)
		return fmt.Sprintf("it cannot be renamed (%v)", err), s.publishEach(dir)
	}
	s.at("swapped")
	// The new set is there; until its folder's name is flushed, a power cut may bring the old one back, which is to be whole.
	flushed := sync.OnceValue(func() error { return s.disk.sync(filepath.Dir(dir)) })
	if !s.alone {
		go flushed() // beside the look at the old set
	}
	remove := s.tidy(base, dir)
	rest := func() error {
		if err := flushed(); err != nil && !errors.Is(err, fs.ErrPermission) { // a folder that may not be read cannot be flushed
			return fmt.Errorf("the new files are in %q, but after a power cut the old ones may be: %w", dir, err)
		}
		remove()
		return nil
	}
	if s.After == nil {
		return "", rest()
	}
	s.After(rest)
	return "", nil
}

// Tidy clears away what killed runs have left, where nothing has to be published; the caller holds the folder's lock.
func (s *Set) Tidy() {
	if dir, err := filepath.EvalSymlinks(s.Dir); err == nil {
		s.tidyLeftovers(dir)
	}
}

func (s *Set) at(name string) {
	if s.step != nil {
		s.step(name)
	}
}

// own tells whether a name is a run's own, also while it is being written.
func (s *Set) own(name string) bool { return s.Owned(strings.TrimSuffix(name, part)) }

// fixed tells whether the folder holds what must not move.
func (s *Set) fixed(dir string) string {
	for _, p := range s.Fixed {
		if abs, err := filepath.Abs(p); err == nil {
			if real, err := filepath.EvalSymlinks(abs); err == nil {
				abs = real
			}
			if r, err := filepath.Rel(dir, abs); err == nil && filepath.IsLocal(r) {
				return fmt.Sprintf("%q is in it", p)
			}
		}
	}
	return ""
}

// together is how many files are worked on at once: as many as there are processors are made, the others compared, flushed or removed, which
// waits for the disk.
const together = 32

// each does something with every file, and returns the first of the files' errors. Files are begun in their order, as many
// at once as there are processors, which use the same memory one after another; one that calls made makes way for the next.
func (s *Set) each(do func(i int, f *File, made func()) error) error {
	if s.alone {
		for i := range s.Files {
			if err := do(i, &s.Files[i], func() {}); err != nil {
				return err
			}
		}
		return nil
	}
	errs := make([]error, len(s.Files))
	making := make(chan struct{}, runtime.GOMAXPROCS(0))
	var work errgroup.Group
	work.SetLimit(together)
	for i := range s.Files {
		making <- struct{}{}
		work.Go(func() error {
			made := sync.OnceFunc(func() { <-making })
			defer made()
			errs[i] = do(i, &s.Files[i], made)
			return nil
		})
	}
	work.Wait()
	return cmp.Or(errs...)
}

// stage writes the set in full, with links to what stays, and tells whether anything
// differs from what is there.
func (s *Set) stage(dir, base string) (changed bool, err error) {
	made := make([]staged, len(s.Files))
	var flushed errgroup.Group
	flushed.SetLimit(together)
	err = s.each(func(i int, f *File, done func()) (err error) {
		s.at("write " + f.Name)
		path := filepath.Join(base, f.Name)
		if made[i], err = f.stage(s.disk, done, path, filepath.Join(dir, f.Name)); made[i].Info != nil && err == nil {
			s.flush(&flushed, path)
		}
		return err
	})
	if err == nil {
		changed, err = s.complete(dir, base, made)
	}
	if changed {
		s.flush(&flushed, base)
	}
	return changed, cmp.Or(err, flushed.Wait())
}

// flush flushes a file or folder beside other work: together they cost little more than one.
func (s *Set) flush(beside *errgroup.Group, path string) {
	beside.Go(func() error { return s.disk.sync(path) })
	if s.alone {
		beside.Wait() // which tells the error again
	}
}

// complete adds to the staging folder what is not the run's, once its files are there, and tells whether anything differs from
// what is in the folder.
func (s *Set) complete(dir, base string, made []staged) (changed bool, err error) {
	s.Written, s.Sums = map[string]Written{}, map[string]key.ID{}
	names := map[string]bool{LockName: true}
	for i, f := range s.Files {
		names[f.Name] = true
		changed = changed || made[i].differs
		if made[i].sum != (key.ID{}) {
			s.Sums[f.Name] = made[i].sum
		}
		if made[i].Info != nil {
			s.Written[f.Name] = made[i].Written
		}
	}
	entries, err := s.disk.readDir(dir)
	if err != nil {
		return false, fmt.Errorf("read output folder: %w; give another with --out", err)
	}
	if err := s.occupied(dir, entries); err != nil {
		return false, err
	}
	for _, e := range entries {
		changed = changed || s.own(e.Name()) && !names[e.Name()]
	}
	if !changed {
		return false, nil
	}
	s.link(entries, dir, base)
	return true, s.disk.likeFolder(base, dir)
}

// occupied tells of a folder that stands where a file has to: it may hold anything, so it is neither removed nor moved.
func (s *Set) occupied(dir string, entries []fs.DirEntry) error {
	for _, e := range entries {
		if e.IsDir() && s.own(e.Name()) {
			return fmt.Errorf("write output folder: %q is a folder, and a run has a file of this name; move it away, or give another output folder with --out", filepath.Join(dir, e.Name()))
		}
	}
	return nil
}

// staged is a file in the staging folder. It has an Info if it was written, and not linked to the old one, and a sum if it was written at first.
type staged struct {
	Written
	sum     key.ID
	differs bool
}

// stage writes a file, or gives the old one a second name where it is the same.
func (f *File) stage(d disk, done func(), path, old string) (made staged, err error) {
	if f.Current != nil && f.Current(old) && d.link(old, path) == nil {
		return staged{}, nil
	}
	if made.Written, err = d.writeFile(path, f.Write); err != nil {
		return staged{}, err
	}
	done()
	made.sum = made.Sum
	if !d.same(path, old) {
		made.differs = true
		return made, nil
	}
	if d.remove(path) == nil && d.link(old, path) != nil {
		made.Written, err = d.writeFile(path, f.Write)
		return made, err
	}
	return staged{sum: made.sum}, nil
}

// link gives foreign files, and the lock, a second name in the staging folder, so that
// they are never missing. What cannot be linked is moved afterwards.
func (s *Set) link(entries []fs.DirEntry, dir, base string) {
	for _, e := range entries {
		if e.Type().IsRegular() && !s.own(e.Name()) {
			s.at("link " + e.Name())
			s.disk.link(filepath.Join(dir, e.Name()), filepath.Join(base, e.Name()))
		}
	}
}

// swap makes the staging folder the folder.
func (s *Set) swap(dir, base string) error {
	if _, err := s.disk.stat(filepath.Join(base, LockName)); err != nil {
		if _, err := s.disk.stat(filepath.Join(dir, LockName)); err == nil {
			return errors.New("its lock cannot be linked")
		}
	}
	s.at("swap")
	if s.exchange == nil {
		s.exchange = exchange
	}
	if s.disk.do("exchange", dir, func() error { return s.exchange(base, dir) }) == nil {
		return nil
	}
	aside := base + asideMark
	if err := s.disk.rename(dir, aside); err != nil {
		return err
	}
	s.at("half")
	if err := s.disk.rename(base, dir); err != nil {
		return errors.Join(err, s.disk.rename(aside, dir))
	}
	return s.disk.rename(aside, base)
}

// tidyLeftovers clears what killed runs have left beside the folder.
func (s *Set) tidyLeftovers(dir string) {
	entries, err := s.disk.readDir(filepath.Dir(dir))
	if err != nil {
		return
	}
	for _, e := range entries {
		if e.IsDir() && strings.HasPrefix(e.Name(), "."+filepath.Base(dir)+stagingMark) {
			s.tidy(filepath.Join(filepath.Dir(dir), e.Name()), dir)()
		}
	}
}

// restore puts a folder back that a run was killed over between two renames.
func restore(dir string, flock func(*os.File) error) error {
	if _, err := os.Lstat(dir); !errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	entries, _ := os.ReadDir(filepath.Dir(dir))
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), "."+filepath.Base(dir)+stagingMark) || !strings.HasSuffix(e.Name(), asideMark) {
			continue
		}
		aside := filepath.Join(filepath.Dir(dir), e.Name())
		f, err := os.OpenFile(filepath.Join(aside, LockName), os.O_RDWR, 0)
		if err != nil {
			continue
		}
		defer f.Close()
		if err := flock(f); errors.Is(err, errBusy) {
			return &HeldError{Holder: readHolder(f)}
		}
		return os.Rename(aside, dir)
	}
	return nil
}

// tidy empties a folder that has been replaced, or was never published: a run's own files
// go, foreign ones move to the folder unless they are there, and then it goes itself. The files that are in the folder too lose a name
// at once, which shows in their times; what is left for remove to do nobody sees.
func (s *Set) tidy(base, dir string) (remove func()) {
	entries, err := s.disk.readDir(base)
	if err != nil {
		return func() {}
	}
	var replaced []string
	for _, e := range entries {
		from, to := filepath.Join(base, e.Name()), filepath.Join(dir, e.Name())
		s.at("tidy " + e.Name())
		a, errA := s.disk.lstat(from)
		b, errB := s.disk.lstat(to)
		switch {
		case errA == nil && errB == nil && os.SameFile(a, b):
			s.disk.remove(from)
		case s.own(e.Name()) || e.Name() == LockName:
			replaced = append(replaced, from)
		case errors.Is(errB, fs.ErrNotExist):
			s.disk.rename(from, to)
		}
	}
	return func() {
		var work errgroup.Group
		if work.SetLimit(together); s.alone {
			work.SetLimit(1)
		}
		for _, from := range replaced {
			work.Go(func() error {
				s.at("remove " + filepath.Base(from))
				return s.disk.removeLast(from)
			})
		}
		work.Wait()         // what cannot be removed is left to the next run
		s.disk.remove(base) // stays while something foreign is in it
	}
}

// part ends the name of a file that is being written.
const part = ".part"

// publishEach replaces files one by one, all having been written in full before.
func (s *Set) publishEach(dir string) (err error) {
	names := map[string]bool{}
	defer func() {
		for n := range names {
			s.disk.remove(filepath.Join(dir, n+part))
		}
	}()
	for _, f := range s.Files {
		names[f.Name] = true
	}
	err = s.each(func(_ int, f *File, _ func()) error {
		_, err := s.disk.writeFile(filepath.Join(dir, f.Name+part), f.Write)
		return err
	})
	if err != nil {
		return err
	}
	entries, err := s.disk.readDir(dir)
	if err != nil {
		return fmt.Errorf("read output folder: %w; give another with --out", err)
	}
	if err := s.occupied(dir, entries); err != nil {
		return err
	}
	for _, e := range entries {
		if name := strings.TrimSuffix(e.Name(), part); s.own(name) && !names[name] {
			s.disk.remove(filepath.Join(dir, e.Name()))
		}
	}
	return errors.Join(s.rename(dir), s.disk.sync(dir))
}

// rename gives the parts their names, one by one, where they differ from what is there.
func (s *Set) rename(dir string) (err error) {
	differs, failed := make([]bool, len(s.Files)), make([]error, len(s.Files))
	s.each(func(i int, f *File, made func()) error {
		made()
		path := filepath.Join(dir, f.Name)
		if differs[i] = !s.disk.same(path+part, path); differs[i] {
			failed[i] = s.disk.sync(path + part) // else a power cut may leave an empty file of this name
		}
		return nil
	})
	for i, f := range s.Files {
		if !differs[i] {
			continue
		}
		s.at("rename " + f.Name)
		path := filepath.Join(dir, f.Name)
		if failed[i] == nil {
			failed[i] = s.disk.rename(path+part, path)
		}
		err = errors.Join(err, failed[i])
	}
	return err
}
