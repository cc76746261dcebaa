package cache

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"lapwear/cache/internal/fsx"
	"lapwear/cache/key"
)

// slowList does something after the folder of packs was listed, once.
type slowList struct {
	fsx.FS
	armed atomic.Bool
	after func()
}

func (f *slowList) ReadDir(name string) ([]string, error) {
	names, err := f.FS.ReadDir(name)
	if filepath.Base(name) == packsDir && f.armed.CompareAndSwap(true, false) {
		f.after()
	}
	return names, err
}

// A pack that a store publishes while it lists the packs stays known.
func TestPublishedWhileListing(t *testing.T) {
	f := &slowList{FS: fsx.Disk{}}
	s := open(t, t.TempDir(), Options{fs: f})
	now := time.Now()
	s.now = func() time.Time { return now }
	s.Lookup(actionOf("nothing"))
	put(t, s, actionA, entryA(), cycles, residue)
	f.after = func() { must(t, s.Sync()) }
	f.armed.Store(true)
	now = now.Add(2 * lookEvery)
	s.Lookup(actionOf("nothing"))
	if _, miss := s.Lookup(actionA); miss != "" {
		t.Errorf("a result that was just published: miss %q", miss)
	}
	if !s.HasBlob(cycles.output()) {
		t.Error("its blob is not there")
	}
	put(t, s, actionB, entryA(), cycles, residue)
	must(t, s.Sync())
	if _, miss := s.Lookup(actionB); miss != "" {
		t.Errorf("a result that relies on it: miss %q", miss)
	}
}

// A use of a place that is no longer in the list of entries is not noted.
func TestUseOfOldPlace(t *testing.T) {
	s := packedStore(t, Options{})
	p := s.places(&s.packs.entries, actionOf("other"))[0].p
	p.noteUse(1)
	p.noteUse(0)
	if !p.used[0] {
		t.Error("the use of an entry is not noted")
	}
}

// openFails fails to open one file.
type openFails struct {
	fsx.FS
	name string
	err  error
}

func (f *openFails) Open(name string) (fsx.File, error) {
	if filepath.Base(name) == f.name {
		return nil, &os.PathError{Op: "open", Path: name, Err: f.err}
	}
	return f.FS.Open(name)
}

// Repair leaves a pack that cannot be opened for the moment.
func TestRepairSparesUnopened(t *testing.T) {
	for _, e := range []error{syscall.EMFILE, syscall.EIO, syscall.EACCES} {
		s := packedStore(t, Options{})
		path := packOf(s, actionA)
		must(t, s.Close())
		r := open(t, s.Dir(), Options{fs: &openFails{fsx.Disk{}, filepath.Base(path), e}})
		_, err := r.Verify(bg, VerifyOptions{Repair: true}, func(f Finding) {
			if f.Path == path && f.Removed {
				t.Errorf("%v: said to be removed", e)
			}
		})
		must(t, err)
		if _, err := os.Stat(path); err != nil {
			t.Errorf("%v: the pack was removed", e)
		}
	}
}

// holdWatch lists the packs that are removed while nobody holds the right to.
type holdWatch struct {
	fsx.FS
	dir     string
	without []string
	packs   int
}

func (f *holdWatch) Remove(name string) error {
	if filepath.Base(filepath.Dir(name)) == packsDir {
		f.packs++
		if _, err := os.Stat(filepath.Join(f.dir, rewriting)); errors.Is(err, fs.ErrNotExist) {
			f.without = append(f.without, filepath.Base(name))
		}
	}
	return f.FS.Remove(name)
}

// Repair removes the old pack before others may rewrite packs.
func TestRepairHoldsToTheEnd(t *testing.T) {
	s := packedStore(t, Options{})
	path := packOf(s, actionA)
	must(t, s.Close())
	b, err := os.ReadFile(path)
	must(t, err)
	b[len(packMagic)+frameHead+3] ^= 1
	must(t, os.WriteFile(path, b, 0o666))
	f := &holdWatch{FS: fsx.Disk{}, dir: s.Dir()}
	_, err = open(t, s.Dir(), Options{fs: f}).Verify(bg, VerifyOptions{Repair: true}, func(Finding) {})
	must(t, err)
	if f.without != nil || f.packs == 0 {
		t.Errorf("%d packs removed, without hold %v", f.packs, f.without)
	}
}

// forge writes a pack of a blob with any rows into a store's folder.
func forge(t *testing.T, dir string, data []byte, rows []row) string {
	t.Helper()
	b := append([]byte(packMagic), appendFrame(nil, key.Of(data), int64(len(data)))...)
	b = append(b, data...)
	b, name := appendTail(b, nonce{1}, rows, nil, int64(len(b)))
	path := filepath.Join(dir, packsDir, name.String())
	must(t, os.WriteFile(path, b, 0o666))
	return path
}

// Rows may stand in any order, but none may share bytes with another.
func TestRowsApart(t *testing.T) {
	data := []byte("0123456789")
	const at = int64(len(packMagic) + frameHead)
	for _, tt := range []struct {
		rows  []row
		sound bool
	}{
		{[]row{{key.Of(data), at, 10}}, true},
		{[]row{{key.Of(data[5:]), at + 5, 5}, {key.Of(data[:5]), at, 5}}, true},
		{[]row{{key.Of(nil), at + 10, 0}, {key.Of(data), at, 10}, {key.Of(nil), at, 0}}, true},
		{[]row{{key.Of(data), at, 10}, {key.Of(data), at, 10}}, false},
		{[]row{{key.Of(data[4:]), at + 4, 6}, {key.Of(data[:5]), at, 5}}, false},
	} {
		s := open(t, t.TempDir(), Options{})
		path := forge(t, s.Dir(), data, tt.rows)
		name, err := key.Parse(filepath.Base(path))
		must(t, err)
		if _, _, err := s.loadPack(path, name); (err == nil) != tt.sound {
			t.Errorf("%v: %v", tt.rows, err)
		}
	}
}

// unreadable fails to read the blobs of one file: what comes before its entries.
type unreadable struct {
	fsx.FS
	name string
	end  int64
}

type unreadableFile struct {
	fsx.File
	end int64
}

func (f *unreadable) Open(name string) (fsx.File, error) {
	file, err := f.FS.Open(name)
	if err == nil && filepath.Base(name) == f.name {
		return unreadableFile{file, f.end}, nil
	}
	return file, err
}

func (f unreadableFile) ReadAt(b []byte, off int64) (int, error) {
	if off+int64(len(b)) <= f.end {
		return 0, syscall.EIO
	}
	return f.File.ReadAt(b, off)
}

// A pack that cannot be read stays as it is, with a warning, and the others are pruned.
func TestPruneLeavesUnread(t *testing.T) {
	a := newAged(t, false)
	for i := range 3 {
		put(t, a.s, benchID(i), Entry{Stage: "count", Made: noon}, bulky(i))
		must(t, a.s.Sync())
	}
	var paths []string
	for i := range 3 {
		paths = append(paths, packOf(a.s, benchID(i)))
	}
	must(t, a.s.Close())
	for i := 3; i < 3+mostSmall; i++ {
		s := open(t, a.dir, Options{Now: a.clock})
		put(t, s, benchID(i), Entry{Stage: "count", Made: noon}, bulky(i))
		must(t, s.Close())
	}
	a.nights(2)
	var warned warnings
	f := &unreadable{fsx.Disk{}, filepath.Base(paths[1]), int64(len(packMagic) + frameHead + 1000)}
	_, err := open(t, a.dir, Options{Now: a.clock, Warn: warned.add, fs: f}).Prune(bg, PruneOptions{MaxAge: 100 * day})
	must(t, err)
	for i, path := range paths {
		if _, err := os.Stat(path); (err == nil) != (i == 1) {
			t.Errorf("pack %d: %v", i, err)
		}
	}
	if len(warned) != 1 {
		t.Errorf("warnings %q", warned)
	}
	if got := a.has(3 + mostSmall); len(got) != 3+mostSmall {
		t.Errorf("left %v", got)
	}
}

// A pack that says to hold more than memory can is left alone.
func TestForgedLength(t *testing.T) {
	a := newAged(t, false)
	const hole = 1 << 40
	var id key.ID
	tail, name := appendTail(nil, nonce{1}, []row{{id, 8, hole - 8}}, nil, hole)
	path := filepath.Join(a.dir, packsDir, name.String())
	write(t, path, packMagic)
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	must(t, err)
	_, err = f.WriteAt(tail, hole)
	if errors.Join(err, f.Close()) != nil {
		t.Skip("no files with holes here")
	}
	for i := range mostSmall + 1 {
		put(t, a.s, benchID(i), Entry{Stage: "count", Made: noon}, bulky(i))
		must(t, a.s.Sync())
	}
	must(t, a.s.Close())
	var warned warnings
	s := open(t, a.dir, Options{Now: a.clock, Warn: warned.add})
	p := &pruning{s: s, o: PruneOptions{}, now: a.now, chosen: map[*scanned]bool{}, held: true}
	p.c, err = s.read(bg)
	must(t, err)
	must(t, p.settle(bg))
	must(t, p.readLeases())
	for _, in := range p.c.packs {
		p.chosen[in] = true
	}
	must(t, p.packs(bg))
	if _, err := os.Stat(path); err != nil || len(warned) != 1 || len(a.has(mostSmall+1)) != mostSmall+1 {
		t.Errorf("%v, warnings %q, left %v", err, warned, a.has(mostSmall+1))
	}
}

// Of packs that hold the same one goes.
func TestPruneTwins(t *testing.T) {
	const n = 100
	a := newAged(t, false)
	for range 2 {
		s := open(t, t.TempDir(), Options{})
		for i := range n {
			put(t, s, benchID(i), Entry{Stage: "count", Made: noon}, bulky(i))
		}
		must(t, s.Close())
		path := packOf(open(t, s.Dir(), Options{}), benchID(0))
		must(t, os.Rename(path, filepath.Join(a.dir, packsDir, filepath.Base(path))))
	}
	a.nights(3)
	for _, step := range []struct {
		dry  bool
		gone int
	}{{true, n}, {false, n}, {false, 0}} {
		// A limit that what is there once keeps: no more goes than the second copies.
		o := PruneOptions{MaxAge: 1000 * day, MaxBytes: 2 * n * 1000, DryRun: step.dry}
		got, err := open(t, a.dir, Options{Now: a.clock}).Prune(bg, o)
		must(t, err)
		if got.Actions.Files != step.gone || got.Blobs.Files != step.gone || got.Left.Files != 2*n {
			t.Errorf("%+v: %+v", step, got)
		}
	}
	if got := a.has(n); len(got) != n {
		t.Errorf("left %v", got)
	}
}

// Whose right to rewrite packs was taken over neither touches nor removes the other's.
func TestHoldTakenOver(t *testing.T) {
	a := newAged(t, false)
	first := a.s.holdPacks()
	a.now = a.now.Add(time.Second)
	if a.s.holdPacks() != nil {
		t.Error("held twice")
	}
	a.now = a.now.Add(leaseLife)
	second := a.s.holdPacks()
	if second == nil || first.touch() || !second.touch() {
		t.Fatal("not taken over")
	}
	first.release()
	if !second.own() {
		t.Error("the other's right was removed")
	}
	second.release()
	names, err := filepath.Glob(filepath.Join(a.dir, rewriting+"*"))
	must(t, err)
	if names != nil {
		t.Errorf("left %v", names)
	}
}
