package cache

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/key"
)

const day = 24 * time.Hour

// aged is a store with results last used some days ago, in packs of their own or loose.
type aged struct {
	t     *testing.T
	dir   string
	now   time.Time
	s     *Store
	loose bool
}

func newAged(t *testing.T, loose bool) *aged {
	a := &aged{t: t, dir: t.TempDir(), now: time.Now(), loose: loose}
	a.s = open(t, a.dir, Options{Now: a.clock})
	return a
}

func (a *aged) clock() time.Time { return a.now }

func actionOf(name string) key.ID { return key.Of([]byte(name)) }

// add puts an action with a 1000-byte blob of that text, both last used days ago.
func (a *aged) add(name, blob string, days int) {
	a.t.Helper()
	p := payload("out", strings.Repeat(blob, 1000))
	if !a.loose {
		put(a.t, a.s, actionOf(name), Entry{Stage: "count", Made: noon}, p)
		must(a.t, a.s.Sync())
		a.age(packOf(a.s, actionOf(name)), days)
		return
	}
	putLoose(a.t, a.s, actionOf(name), Entry{Stage: "count", Made: noon}, p)
	a.age(a.s.fanned(actionsDir, actionOf(name)), days)
	a.age(a.s.fanned(blobsDir, p.ID), days)
}

// packOf is the file of the pack that an action's entry is in.
func packOf(s *Store, action key.ID) string {
	s.look()
	for _, at := range s.places(&s.packs.entries, action) {
		return at.p.path
	}
	return "in no pack"
}

func (a *aged) age(path string, days int) {
	a.t.Helper()
	at := a.now.Add(-time.Duration(days) * day)
	must(a.t, os.Chtimes(path, at, at))
}

// left names the actions and blobs that are there.
func (a *aged) left(names ...string) string {
	s := open(a.t, a.dir, Options{Now: a.clock})
	s.look()
	var out []string
	for _, n := range names {
		path, in, id := a.s.fanned(actionsDir, actionOf(n)), &s.packs.entries, actionOf(n)
		if len(n) == 1 {
			in, id = &s.packs.blobs, key.Of([]byte(strings.Repeat(n, 1000)))
			path = a.s.fanned(blobsDir, id)
		}
		if _, err := os.Stat(path); err == nil || len(s.places(in, id)) > 0 {
			out = append(out, n)
		}
	}
	return strings.Join(out, " ")
}

func TestPrune(t *testing.T) {
	all := []string{"old", "mid", "new", "shared", "o", "m", "n"}
	tests := []struct {
		reason string
		roots  []string
		days   int // age of the run record with the roots
		o      PruneOptions
		want   string
	}{
		{"no limit", nil, 0, PruneOptions{}, "old mid new shared o m n"},
		{"by age, of a pack all", nil, 0, PruneOptions{MaxAge: 4 * day}, "new n"},
		{"by age", nil, 0, PruneOptions{MaxAge: 20 * day}, "mid new shared m n"},
		{"a blob that a younger entry shares stays", nil, 0, PruneOptions{MaxAge: 8 * day}, "new shared m n"},
		{"what a recent run names is as recent", []string{"old"}, 1, PruneOptions{MaxAge: 8 * day}, "old new shared o m n"},
		{"what an old run names is as old", []string{"old"}, 9, PruneOptions{MaxAge: 8 * day}, "new shared m n"},
		{"by size, longest unused first", nil, 0, PruneOptions{MaxBytes: 3000}, "mid new shared m n"},
		{"by size, named by a run last", []string{"old"}, 9, PruneOptions{MaxBytes: 1900}, "old o"},
		{"by size, everything", nil, 0, PruneOptions{MaxBytes: 1}, ""},
		{"dry", nil, 0, PruneOptions{MaxBytes: 1, DryRun: true}, "old mid new shared o m n"},
	}
	for i := range 2 * len(tests) {
		tt, loose := tests[i/2], i%2 == 0
		if !loose && tt.o.MaxAge == 8*day { // "mid" takes too small a share of its pack
			tt.want = strings.Replace(tt.want, "new", "mid new", 1)
		}
		t.Run(fmt.Sprintf("%s, loose %t", tt.reason, loose), func(t *testing.T) {
			a := newAged(t, loose)
			a.add("old", "o", 30)
			a.add("mid", "m", 10)
			a.add("shared", "m", 5)
			a.add("new", "n", 2)
			if tt.roots != nil {
				var ids []key.ID
				for _, r := range tt.roots {
					ids = append(ids, actionOf(r))
				}
				must(t, a.s.PutRun("/out", nil, ids...))
				a.age(a.s.runPath("/out"), tt.days)
			}
			must(t, a.s.Close())
			before, err := a.s.Stat()
			must(t, err)
			pruner := open(t, a.dir, Options{Now: a.clock})
			got, err := pruner.Prune(bg, tt.o)
			must(t, err)
			if left := a.left(all...); left != tt.want {
				t.Errorf("left %q, want %q (%+v)", left, tt.want, got)
			}
			if got.Spared.Files != 0 || got.Live != nil {
				t.Errorf("spared without a live run: %+v", got)
			}
			checkSums(t, pruner, before, got, tt.o.DryRun)
		})
	}
}

// checkSums compares what Prune says with what is there.
func checkSums(t *testing.T, s *Store, before Stats, p Pruned, dry bool) {
	t.Helper()
	st, err := s.Stat()
	must(t, err)
	was := before.Actions.Bytes + before.Blobs.Bytes + before.Runs.Bytes
	is := st.Actions.Bytes + st.Blobs.Bytes + st.Runs.Bytes
	gone := p.Actions.Bytes + p.Blobs.Bytes + p.Runs.Bytes
	if p.Left.Bytes != was-gone || !dry && is != p.Left.Bytes || dry && is != was {
		t.Errorf("was %d, is %d, said %+v", was, is, p)
	}
	_, err = s.Verify(bg, VerifyOptions{}, func(f Finding) { t.Errorf("after pruning: %+v", f) })
	must(t, err)
}

// What a live run has read stays, however old it was and whatever the limits;
// what it has not read goes.
func TestPruneSparesLiveRuns(t *testing.T) {
	for _, loose := range []bool{true, false} {
		sparesLiveRuns(t, newAged(t, loose))
	}
}

func sparesLiveRuns(t *testing.T, a *aged) {
	a.add("read", "r", 30)
	a.add("unread", "u", 30)
	a.add("has", "h", 30)
	must(t, a.s.Close())
	run := open(t, a.dir, Options{Now: a.clock})
	e, miss := run.Lookup(actionOf("read"))
	if miss != "" {
		t.Fatal(miss)
	}
	run.Blob(e.Outputs[0])
	has, _ := run.Lookup(actionOf("has"))
	run.HasBlob(has.Outputs[0])
	pruner := open(t, a.dir, Options{Now: a.clock})
	steps := []struct {
		reason string
		after  time.Duration
		beat   bool
		want   string
	}{
		{"while the run lives", 0, false, "read has r h"},
		{"ten hours later, still alive", 10 * time.Hour, true, "read has r h"},
		{"twenty minutes without a sign of life", 20 * time.Minute, false, ""},
	}
	for _, st := range steps {
		a.now = a.now.Add(st.after)
		if st.beat {
			run.lease.refresh(run)
		}
		got, err := pruner.Prune(bg, PruneOptions{MaxAge: time.Minute, MaxBytes: 1})
		must(t, err)
		if left := a.left("read", "unread", "has", "r", "u", "h"); left != st.want {
			t.Errorf("%s: left %q, want %q: %+v", st.reason, left, st.want, got)
		}
		if (len(got.Live) == 1) != (st.want != "") || (got.Spared.Files > 0) != (st.want != "") {
			t.Errorf("%s: %+v", st.reason, got)
		}
	}
}

// A use within the hour after another leaves no trace, and still counts.
func TestPruneSparesUntouchedUses(t *testing.T) {
	for _, loose := range []bool{true, false} {
		sparesUntouchedUses(t, newAged(t, loose))
	}
}

func sparesUntouchedUses(t *testing.T, a *aged) {
	a.add("read", "r", 0)
	must(t, a.s.Close())
	a.now = a.now.Add(50 * time.Minute)
	run := open(t, a.dir, Options{Now: a.clock})
	e, miss := run.Lookup(actionOf("read"))
	if miss != "" {
		t.Fatal(miss)
	}
	run.Blob(e.Outputs[0])
	_, err := open(t, a.dir, Options{Now: a.clock}).Prune(bg, PruneOptions{MaxBytes: 1})
	must(t, err)
	if left := a.left("read", "r"); left != "read r" {
		t.Errorf("left %q", left)
	}
}

// What is used between the listing and the removal stays.
func TestPruneSparesLateUses(t *testing.T) {
	for _, loose := range []bool{true, false} {
		sparesLateUses(t, newAged(t, loose))
	}
}

func sparesLateUses(t *testing.T, a *aged) {
	a.add("late", "l", 30)
	a.add("old", "o", 30)
	must(t, a.s.Close())
	late := a.s.fanned(actionsDir, actionOf("late"))
	if !a.loose {
		late = packOf(a.s, actionOf("late"))
	}
	disk := &counting{reading: func(name string) {
		if name == late {
			a.age(late, 0)
		}
	}}
	_, err := open(t, a.dir, Options{Now: a.clock, fs: disk}).Prune(bg, PruneOptions{MaxAge: day})
	must(t, err)
	if left := a.left("late", "l", "old", "o"); left != "late l" {
		t.Errorf("left %q", left)
	}
}

// A lease that cannot be read holds everything while it is fresh.
func TestPruneUnreadableLease(t *testing.T) {
	a := newAged(t, true)
	a.add("old", "o", 30)
	must(t, a.s.Close())
	path := filepath.Join(a.dir, leasesDir, "half")
	write(t, path, "lapwear lease 1\nhost \"pit")
	pruner := open(t, a.dir, Options{Now: a.clock})
	got, err := pruner.Prune(bg, PruneOptions{MaxBytes: 1})
	must(t, err)
	if left := a.left("old", "o"); left != "old o" || len(got.Live) != 1 {
		t.Errorf("left %q: %+v", left, got)
	}
	a.age(path, 2)
	got, err = pruner.Prune(bg, PruneOptions{MaxBytes: 1})
	must(t, err)
	if left := a.left("old", "o"); left != "" || got.Temp.Files != 1 {
		t.Errorf("once it is dead: left %q: %+v", left, got)
	}
}

// Leftovers go after a day, not before.
func TestPruneLeftovers(t *testing.T) {
	for _, tt := range []struct {
		days int
		want Pruned
	}{
		{0, Pruned{Left: Count{1, 6}}},
		{2, Pruned{Temp: Count{2, 8}, Blobs: Count{1, 6}}},
	} {
		a := newAged(t, false)
		must(t, a.s.Close())
		orphan := a.s.fanned(blobsDir, key.Of([]byte("orphan")))
		must(t, os.MkdirAll(filepath.Dir(orphan), 0o777))
		write(t, orphan, "orphan")
		write(t, orphan+".0123-1.tmp", "orph")
		write(t, a.s.path("index.0123-2.tmp"), "lwin")
		for _, p := range []string{orphan, orphan + ".0123-1.tmp", a.s.path("index.0123-2.tmp")} {
			a.age(p, tt.days)
		}
		got, err := a.s.Prune(bg, PruneOptions{})
		must(t, err)
		if d := cmp.Diff(tt.want, got); d != "" {
			t.Errorf("after %d days (-want +got):\n%s", tt.days, d)
		}
	}
}

// Records of the stat index go by age too.
func TestPruneIndex(t *testing.T) {
	a := newAged(t, false)
	path := filepath.Join(t.TempDir(), "lap")
	write(t, path, "x")
	_, err := a.s.FileID(path, false)
	must(t, err)
	must(t, a.s.Close())
	a.now = a.now.Add(40 * day)
	s := open(t, a.dir, Options{Now: a.clock})
	for _, tt := range []struct {
		o    PruneOptions
		want int
	}{{PruneOptions{MaxAge: 50 * day}, 0}, {PruneOptions{MaxAge: 30 * day}, 1}, {PruneOptions{MaxAge: 30 * day}, 0}} {
		if got, err := s.Prune(bg, tt.o); err != nil || got.Records != tt.want {
			t.Errorf("%v: %+v, %v", tt.o, got, err)
		}
	}
}

// Pruning removes nothing that it does not know, and Verify names it.
func TestStray(t *testing.T) {
	a := newAged(t, false)
	must(t, a.s.Close())
	stray := []string{
		a.s.path(actionsDir, "README"),
		a.s.path(actionsDir, "ab", "notes.txt"),
		a.s.path(blobsDir, "ab", strings.Repeat("cd", 32)),
		a.s.path(blobsDir, "AB"),
		a.s.path(runsDir, "x"),
	}
	for _, p := range stray {
		must(t, os.MkdirAll(filepath.Dir(p), 0o777))
		write(t, p, "mine")
		a.age(p, 1000)
	}
	_, err := a.s.Prune(bg, PruneOptions{MaxAge: day, MaxBytes: 1})
	must(t, err)
	n := 0
	_, err = a.s.Verify(bg, VerifyOptions{Repair: true}, func(f Finding) {
		if n++; f.Kind != Stray || f.Removed {
			t.Errorf("%+v", f)
		}
	})
	must(t, err)
	if n != len(stray) {
		t.Errorf("%d findings, want %d", n, len(stray))
	}
	for _, p := range stray {
		read(t, p)
	}
}

func TestStat(t *testing.T) {
	a := newAged(t, false)
	put(t, a.s, actionA, entryA(), cycles, residue)
	put(t, a.s, actionB, Entry{Stage: "damage", Refused: "too short", Made: noon})
	must(t, a.s.PutRun("/out", []byte("12345")))
	write(t, a.s.path("x.tmp"), "123")
	got, err := a.s.Stat()
	must(t, err)
	if len(got.Leases) != 1 || got.Leases[0].PID != os.Getpid() || !got.Leases[0].Start.Equal(a.now) {
		t.Errorf("leases %+v", got.Leases)
	}
	got.Leases = nil
	refusal := int64(16 + 32 + 8 + 7 + 10 + 1 + 1 + 32)
	want := Stats{
		Actions: Count{2, 224 + refusal}, Blobs: Count{2, 54}, Packs: Count{1, 224 + refusal + 54 + 8 + 2*48 + 16 + 16 + 4*48 + 24},
		Runs: Count{1, 16 + 5 + 1 + 6 + 32}, Temp: Count{1, 3},
		Stages: []StageStats{
			{Stage: "count", Actions: Count{1, 224}, Outputs: Count{2, 54}},
			{Stage: "damage", Actions: Count{1, refusal}, Refused: 1},
		},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestLeaseString(t *testing.T) {
	l := Lease{Path: "/c/leases/1", Host: "pit", PID: 7, Start: noon}
	if got := l.String(); got != "process 7 on pit since 2031-05-04T12:00:00Z" {
		t.Error(got)
	}
	if got := fmt.Sprint(Lease{Path: "/c/leases/1"}); got != "unreadable lease /c/leases/1" {
		t.Error(got)
	}
}
