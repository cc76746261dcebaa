package folder

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
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
	if reason := s.fixed(dir); reason != "" {
		return reason, s.publishEach(dir)
	}
	base := filepath.Join(filepath.Dir(dir), fmt.Sprintf(".%s%s%08x", filepath.Base(dir), stagingMark, rand.Uint32()))
	if err := os.Mkdir(base, 0o777); err != nil {
		return fmt.Sprintf("nothing can be written beside it (%v)", err), s.publishEach(dir)
	}
	changed, err := s.stage(dir, base)
	if err != nil || !changed {
		os.RemoveAll(base)
		return "", err
	}
	if err := s.swap(dir, base); err != nil {
		os.RemoveAll(base)
		return fmt.Sprintf("it cannot be renamed (%v)", err), s.publishEach(dir)
	}
	s.at("swapped")
	s.tidy(base, dir)
	sync(filepath.Dir(dir))
	return "", nil
}

func (s *Set) at(name string) {
	if s.step != nil {
		s.step(name)
	}
}

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

// stage writes the set in full, with links to what stays, and tells whether anything
// differs from what is there.
func (s *Set) stage(dir, base string) (changed bool, err error) {
	names := map[string]bool{LockName: true}
	for _, f := range s.Files {
		s.at("write " + f.Name)
		names[f.Name] = true
		differs, err := f.stage(filepath.Join(base, f.Name), filepath.Join(dir, f.Name))
		if err != nil {
			return false, err
		}
		changed = changed || differs
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return false, fmt.Errorf("read output folder: %w; give another with --out", err)
	}
	for _, e := range entries {
		changed = changed || s.Owned(e.Name()) && !names[e.Name()]
	}
	if !changed {
		return false, nil
	}
	s.link(entries, dir, base)
	sync(base)
	return true, likeFolder(base, dir)
}

// stage writes a file, or gives the old one a second name where it is the same.
func (f *File) stage(path, old string) (differs bool, err error) {
	if f.Current != nil && f.Current(old) && os.Link(old, path) == nil {
		return false, nil
	}
	if err := writeFile(path, f.Write); err != nil {
		return false, err
	}
	if !same(path, old) {
		sync(path)
		return true, nil
	}
	if os.Remove(path) == nil && os.Link(old, path) != nil {
		return false, writeFile(path, f.Write)
	}
	return false, nil
}

// link gives foreign files, and the lock, a second name in the staging folder, so that
// they are never missing. What cannot be linked is moved afterwards.
func (s *Set) link(entries []fs.DirEntry, dir, base string) {
	for _, e := range entries {
		if e.Type().IsRegular() && !s.Owned(e.Name()) {
			s.at("link " + e.Name())
			os.Link(filepath.Join(dir, e.Name()), filepath.Join(base, e.Name()))
		}
	}
}

// swap makes the staging folder the folder.
func (s *Set) swap(dir, base string) error {
	if _, err := os.Stat(filepath.Join(base, LockName)); err != nil {
		if _, err := os.Stat(filepath.Join(dir, LockName)); err == nil {
			return errors.New("its lock cannot be linked")
		}
	}
	s.at("swap")
	if s.exchange == nil {
		s.exchange = exchange
	}
	if s.exchange(base, dir) == nil {
		return nil
	}
	aside := base + asideMark
	if err := os.Rename(dir, aside); err != nil {
		return err
	}
	s.at("half")
	if err := os.Rename(base, dir); err != nil {
		return errors.Join(err, os.Rename(aside, dir))
	}
	return os.Rename(aside, base)
}

// tidyLeftovers clears what killed runs have left beside the folder.
func (s *Set) tidyLeftovers(dir string) {
	entries, err := os.ReadDir(filepath.Dir(dir))
	if err != nil {
		return
	}
	for _, e := range entries {
		if e.IsDir() && strings.HasPrefix(e.Name(), "."+filepath.Base(dir)+stagingMark) {
			s.tidy(filepath.Join(filepath.Dir(dir), e.Name()), dir)
		}
	}
}

// restore puts a folder back that a run was killed over between two renames.
func restore(dir string) error {
	if _, err := os.Lstat(dir); !errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	asides, _ := filepath.Glob(filepath.Join(filepath.Dir(dir), "."+filepath.Base(dir)+stagingMark+"*"+asideMark))
	for _, aside := range asides {
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
// go, foreign ones move to the folder unless they are there, and then it goes itself.
func (s *Set) tidy(base, dir string) {
	entries, err := os.ReadDir(base)
	if err != nil {
		return
	}
	for _, e := range entries {
		from, to := filepath.Join(base, e.Name()), filepath.Join(dir, e.Name())
		s.at("tidy " + e.Name())
		a, errA := os.Lstat(from)
		b, errB := os.Lstat(to)
		switch {
		case s.Owned(e.Name()) || e.Name() == LockName, errA == nil && errB == nil && os.SameFile(a, b):
			os.Remove(from)
		case errors.Is(errB, fs.ErrNotExist):
			os.Rename(from, to)
		}
	}
	os.Remove(base) // stays while something foreign is in it
}

// part ends the name of a file that is being written.
const part = ".part"

// publishEach replaces files one by one, all having been written in full before.
func (s *Set) publishEach(dir string) (err error) {
	names := map[string]bool{}
	defer func() {
		for n := range names {
			os.Remove(filepath.Join(dir, n+part))
		}
	}()
	for _, f := range s.Files {
		names[f.Name] = true
		if err := writeFile(filepath.Join(dir, f.Name+part), f.Write); err != nil {
			return err
		}
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("read output folder: %w; give another with --out", err)
	}
	for _, e := range entries {
		if name, ok := strings.CutSuffix(e.Name(), part); s.Owned(e.Name()) && !names[e.Name()] || ok && s.Owned(name) && !names[name] {
			os.Remove(filepath.Join(dir, e.Name()))
		}
	}
	for _, f := range s.Files {
		path := filepath.Join(dir, f.Name)
		if !same(path+part, path) {
			s.at("rename " + f.Name)
			err = errors.Join(err, os.Rename(path+part, path))
		}
	}
	return err
}

// writeFile writes a file in full.
func writeFile(path string, write func(io.Writer) error) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o666)
	if err != nil {
		return fmt.Errorf("write %q: %w; give another folder with --out", path, err)
	}
	w := bufio.NewWriterSize(f, 1<<18)
	err = write(w)
	if err = errors.Join(err, w.Flush(), f.Close()); err != nil {
		os.Remove(path)
		return fmt.Errorf("write %q: %w", path, err)
	}
	return nil
}

// same tells whether two files hold the same bytes.
func same(a, b string) bool {
	x, errA := os.Stat(a)
	y, errB := os.Stat(b)
	if errA != nil || errB != nil || x.Size() != y.Size() || !y.Mode().IsRegular() {
		return false
	}
	p, errA := os.ReadFile(a)
	q, errB := os.ReadFile(b)
	return errA == nil && errB == nil && bytes.Equal(p, q)
}

// likeFolder gives the staging folder the rights of the folder.
func likeFolder(base, dir string) error {
	info, err := os.Stat(dir)
	if err != nil {
		return err
	}
	likeOwner(base, info)
	return os.Chmod(base, info.Mode().Perm()|info.Mode()&(os.ModeSetgid|os.ModeSticky))
}

// sync flushes a file or folder, so that what is renamed after it is whole even when the
// power fails; file systems that cannot are none the worse for it.
func sync(path string) {
	if f, err := os.Open(path); err == nil {
		f.Sync()
		f.Close()
	}
}
