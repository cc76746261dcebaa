package cache

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"lapwear/cache/key"
)

// manyInOne is a store with n results of 1000 bytes in one pack, last used so many days ago.
func manyInOne(t *testing.T, n, days int) *aged {
	t.Helper()
	a := newAged(t, false)
	for i := range n {
		put(t, a.s, benchID(i), Entry{Stage: "count", Made: noon}, bulky(i))
	}
	must(t, a.s.Close())
	a.s = open(t, a.dir, Options{Now: a.clock})
	a.age(packOf(a.s, benchID(0)), days)
	return a
}

func bulky(i int) Payload { return payload("out", strings.Repeat(fmt.Sprintf("%09d\n", i), 100)) }

// has lists which of n results a store serves, with their blobs.
func (a *aged) has(n int) (out []int) {
	s := open(a.t, a.dir, Options{Now: a.clock})
	for i := range n {
		e, miss := s.Lookup(benchID(i))
		if miss != "" {
			continue
		}
		if b, miss := s.Blob(e.Outputs[0]); string(b) != string(bulky(i).Data) {
			a.t.Errorf("%d: entry without blob: %s", i, miss)
		}
		out = append(out, i)
	}
	s.lease.release(s) // so that nothing is spared for it
	return out
}

// use opens the store, uses some results and closes it.
func (a *aged) use(ids ...int) {
	s := open(a.t, a.dir, Options{Now: a.clock})
	for _, i := range ids {
		if _, miss := s.Lookup(benchID(i)); miss != "" {
			a.t.Errorf("%d: %s", i, miss)
		}
	}
	must(a.t, s.Close())
}

// nights lets days pass, as far as files tell.
func (a *aged) nights(days int) {
	a.t.Helper()
	must(a.t, filepath.Walk(a.dir, func(path string, fi os.FileInfo, err error) error {
		if err != nil || fi.IsDir() {
			return err
		}
		at := fi.ModTime().Add(-time.Duration(days) * day)
		return os.Chtimes(path, at, at)
	}))
}

// What of a pack is used stays, and the rest goes once it is a quarter; what stays keeps
// when it was last used.
func TestPruneRewrites(t *testing.T) {
	a := manyInOne(t, 10, 30)
	a.use(1, 2, 3)
	prune := func(want Pruned) {
		t.Helper()
		got, err := open(t, a.dir, Options{Now: a.clock}).Prune(bg, PruneOptions{MaxAge: 8 * day})
		must(t, err)
		want.Actions.Bytes, want.Blobs.Bytes, want.Left.Bytes = got.Actions.Bytes, got.Blobs.Bytes, got.Left.Bytes
		want.Temp = got.Temp
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("pruned %+v, want %+v", got, want)
		}
		if found := findings(t, open(t, a.dir, Options{})); len(found) > 0 {
			t.Errorf("findings %+v", found)
		}
	}
	live := open(t, a.dir, Options{Now: a.clock})
	live.Lookup(benchID(1))
	live.lease.release(live) // so that nothing is spared
	prune(Pruned{Actions: Count{Files: 7}, Blobs: Count{Files: 7}, Left: Count{Files: 6}})
	if got := fmt.Sprint(a.has(10)); got != "[1 2 3]" {
		t.Errorf("left %s", got)
	}
	for _, i := range []int{2, 3} {
		if _, miss := live.Lookup(benchID(i)); miss != "" {
			t.Errorf("a store that was open: %d: %q", i, miss)
		}
	}
	a.nights(5)
	a.use(3)
	a.nights(5)
	prune(Pruned{Actions: Count{Files: 2}, Blobs: Count{Files: 2}, Left: Count{Files: 2}})
	if got := fmt.Sprint(a.has(10)); got != "[3]" {
		t.Errorf("left %s", got)
	}
}

// A pack of which little goes stays as it is, unless the cache is too large.
func TestPruneLeavesLittle(t *testing.T) {
	a := manyInOne(t, 10, 30)
	a.use(0, 1, 2, 3, 4, 5, 6, 7, 8)
	before := packOf(open(t, a.dir, Options{}), benchID(0))
	for _, tt := range []struct {
		o    PruneOptions
		left int
	}{
		{PruneOptions{MaxAge: 8 * day}, 10},
		{PruneOptions{MaxAge: 8 * day, MaxBytes: 20000}, 10},
		{PruneOptions{MaxAge: 8 * day, MaxBytes: 10800, DryRun: true}, 10},
		{PruneOptions{MaxAge: 8 * day, MaxBytes: 10800}, 9},
		{PruneOptions{MaxBytes: 3000}, 2},
	} {
		got, err := open(t, a.dir, Options{Now: a.clock}).Prune(bg, tt.o)
		must(t, err)
		if has := a.has(10); len(has) != tt.left || tt.o.MaxBytes > 0 && !tt.o.DryRun && got.Left.Bytes > tt.o.MaxBytes {
			t.Errorf("%+v: left %v, %+v", tt.o, has, got)
		}
		if now := packOf(open(t, a.dir, Options{}), benchID(8)); tt.left == 10 && now != before {
			t.Errorf("%+v: it was rewritten", tt.o)
		}
	}
}

// Many small packs become one, in which each entry keeps when it was last used.
func TestPruneJoins(t *testing.T) {
	a := newAged(t, false)
	const n = mostSmall + 1
	for i := range n {
		put(t, a.s, benchID(i), Entry{Stage: "count", Made: noon}, bulky(i))
		must(t, a.s.Sync())
		a.age(packOf(a.s, benchID(i)), i)
	}
	must(t, a.s.Close())
	_, err := open(t, a.dir, Options{Now: a.clock}).Prune(bg, PruneOptions{MaxAge: 100 * day})
	must(t, err)
	if st := stat(t, open(t, a.dir, Options{})); st.Packs.Files != 1 || st.Actions.Files != n || st.Blobs.Files != n {
		t.Errorf("%+v", st)
	}
	_, err = open(t, a.dir, Options{Now: a.clock}).Prune(bg, PruneOptions{MaxAge: 5*day + time.Hour})
	must(t, err)
	if got := fmt.Sprint(a.has(n)); got != "[0 1 2 3 4 5]" {
		t.Errorf("left %s", got)
	}
}

// Of results that were put twice one copy stays; blobs whose entry is elsewhere stay.
func TestPruneCopies(t *testing.T) {
	a := newAged(t, false)
	other := open(t, a.dir, Options{Now: a.clock})
	other.look()
	for _, s := range []*Store{a.s, other} {
		for i := range 3 {
			put(t, s, benchID(i), Entry{Stage: "count", Made: noon}, bulky(i))
		}
		must(t, s.Close())
	}
	if st := stat(t, open(t, a.dir, Options{})); st.Actions.Files != 6 || st.Blobs.Files != 6 {
		t.Fatalf("%+v", st)
	}
	a.nights(2)
	for range 2 {
		_, err := open(t, a.dir, Options{Now: a.clock}).Prune(bg, PruneOptions{MaxAge: 100 * day, MaxBytes: 1 << 30})
		must(t, err)
	}
	if got := fmt.Sprint(a.has(3)); got != "[0 1 2]" {
		t.Errorf("left %s", got)
	}
}

// Two do not rewrite packs at once; one that has died is waited for no longer than its
// sign of life counts.
func TestPruneHeld(t *testing.T) {
	a := manyInOne(t, 10, 30)
	h := a.s.holdPacks()
	if h == nil {
		t.Fatal("not held")
	}
	got, err := open(t, a.dir, Options{Now: a.clock}).Prune(bg, PruneOptions{MaxAge: day})
	must(t, err)
	if len(a.has(10)) != 10 || got.Spared.Files != 10 {
		t.Errorf("another prunes: %+v", got)
	}
	a.nights(31) // and with it the file that holds
	if _, err := open(t, a.dir, Options{Now: a.clock}).Prune(bg, PruneOptions{MaxAge: day}); err != nil || len(a.has(10)) != 0 {
		t.Errorf("the other has died: %v, left %v", err, a.has(10))
	}
	h.release()
}

// Packs that others have rewritten are found again by a store that knew the old ones.
func TestRewrittenMeanwhile(t *testing.T) {
	a := manyInOne(t, 10, 30)
	s := open(t, a.dir, Options{Now: a.clock})
	s.look() // it knows the pack and has not used it
	a.use(7, 8)
	_, err := open(t, a.dir, Options{Now: a.clock}).Prune(bg, PruneOptions{MaxAge: 8 * day})
	must(t, err)
	for i, want := range map[int]bool{7: true, 8: true, 1: false} {
		if s.HasBlob(bulky(i).output()) != want {
			t.Errorf("blob %d is there: %t", i, !want)
		}
		if _, miss := s.Lookup(benchID(i)); (miss == "") != want {
			t.Errorf("%d: %q", i, miss)
		}
	}
}

// When entries were last used is kept to the hour, and noted at most once an hour.
func TestUses(t *testing.T) {
	a := manyInOne(t, 3, 3)
	pack := packOf(open(t, a.dir, Options{}), benchID(0))
	id, _ := key.Parse(filepath.Base(pack))
	last := func() (out string) {
		s := open(t, a.dir, Options{Now: a.clock})
		for _, at := range s.lastUses(id.String(), 3, mtime(t, pack).UnixNano()) {
			out += fmt.Sprint(" ", (a.now.UnixNano()-at+int64(time.Minute))/int64(time.Hour))
		}
		return out
	}
	for _, step := range []struct {
		reason string
		do     func()
		want   string
	}{
		{"never noted", func() {}, " 72 72 72"},
		{"one is used", func() { a.use(1) }, " 72 0 72"},
		{"another, half an hour later", func() { a.now = a.now.Add(30 * time.Minute); a.use(1, 2) }, " 72 0 0"},
		{"ten hours later", func() { a.now = a.now.Add(10 * time.Hour); a.use(0) }, " 0 10 10"},
		{"damaged", func() { write(t, a.s.usesPath(id.String()), "x") }, " 0 0 0"},
	} {
		step.do()
		if got := last(); got != step.want {
			t.Errorf("%s: hours since the last use%s, want%s", step.reason, got, step.want)
		}
	}
	var found []Finding
	_, err := a.s.Verify(bg, VerifyOptions{Repair: true}, func(f Finding) { found = append(found, f) })
	must(t, err)
	if len(found) != 1 || found[0].Kind != Damaged || !found[0].Removed || len(a.has(3)) != 3 {
		t.Errorf("%+v", found)
	}
}
