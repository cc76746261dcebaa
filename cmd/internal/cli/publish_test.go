package cli

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"lapwear/cache/key"
)

// Lines of a table are copied from the one before exactly where the last run made it and the workbook beside it, by
// the same build: of a table that was altered and vouched for all the same the alteration is seen. Whatever is the case, an unaltered table gives what
// a run into a folder of its own writes.
func TestTablesTakeOver(t *testing.T) {
	season, store, out := trustedSeason(t)
	for i := range sturdyLaps { // long enough for many places
		writeText(t, filepath.Join(filepath.Dir(season), lapFile(i)), waveText(uint64(i+1), 30))
	}
	table, book := filepath.Join(out, csvFile("places")), filepath.Join(out, workbookName)
	other := filepath.Join(t.TempDir(), "other")
	run := func(out string, set ...string) {
		t.Helper()
		args := []string{"run", season, "--out", out, "--cache", store, "--json"}
		for _, s := range set {
			args = append(args, "--set", s)
		}
		quiet(t, args...)
	}
	const alter, mark = "Dale,lug,base", "DALE,lug,base"
	was, is := "hotspots.weld.stress_factor=1.1", "hotspots.weld.stress_factor=1.2"
	run(other, "hotspots.lug.stress_factor=1.1") // other tables of the same layout
	for _, c := range []struct {
		reason string
		change func(s *standing)
		want   bool
	}{
		{"all is as it was", func(*standing) {}, true},
		{"another build", func(s *standing) { s.By += "'" }, false},
		{"the table is not the one that was made", func(s *standing) { s.Files[nth(s, "places.csv")].Made[0] ^= 1 }, false},
		{"it is not known which was made", func(s *standing) { s.Files[nth(s, "places.csv")].Made = key.ID{} }, false},
		{"nothing is known of the table", func(s *standing) { s.Files = slices.Delete(s.Files, nth(s, "places.csv"), nth(s, "places.csv")+1) }, false},
		{"the workbook is not the one that was made", func(s *standing) { s.Files[nth(s, workbookName)].Made[0] ^= 1 }, false},
		{"it is not known which workbook was made", func(s *standing) { s.Files[nth(s, workbookName)].Made = key.ID{} }, false},
		{"another season's workbook", func(*standing) { copyFile(t, filepath.Join(other, workbookName), book) }, false},
		{"no workbook", func(*standing) { remove(t, book) }, false},
		{"no table", func(*standing) { remove(t, table) }, false},
	} {
		run(out, was)
		text, err := os.ReadFile(table)
		if err != nil || strings.Count(string(text), alter) < 40 {
			t.Fatalf("%d places at the hot spot that stays the same (%v)", strings.Count(string(text), alter), err)
		}
		text = []byte(strings.ReplaceAll(string(text), alter, mark))
		writeText(t, table, string(text))
		renote(t, season, runOptions{out: out, cache: store, set: []string{was}, alone: true}, func(s *standing) {
			s.Files[nth(s, "places.csv")].Made = key.OfUnkept(func(w io.Writer) error { _, err := w.Write(text); return err })
			c.change(s)
		})
		run(out, is)
		if text, err = os.ReadFile(table); err != nil || strings.Contains(string(text), mark) != c.want {
			t.Errorf("%s: lines are copied: %v, want %v (%v)", c.reason, !c.want, c.want, err)
		}
		run(out, was)
		remove(t, table)
		run(out, was)
		run(out, is)
		sameResults(t, c.reason, undisturbed(t, season, "--set", is), results(t, out))
	}
}

// A run notes the sums of what it itself made of tables and workbook, also of those that stayed as they were; none where the files are replaced one by one, for
// others may have written into them before they are looked at.
func TestStandingKnowsWhatWasMade(t *testing.T) {
	season, store, out := trustedSeason(t)
	for n, set := range []string{"hotspots.weld.stress_factor=1.1", "hotspots.weld.stress_factor=1.2", "hotspots.weld.stress_factor=1.3"} {
		oneByOne := n == 2
		if oneByOne {
			t.Chdir(out)
		}
		quiet(t, "run", season, "--out", out, "--cache", store, "--set", set, "--json")
		s, ok := readStanding(openCache(t, store), out)
		if !ok || nth(s, workbookName) < 0 || nth(s, "calibration.csv") < 0 {
			t.Fatalf("%s: the run has left %+v", set, s)
		}
		for _, f := range s.Files {
			want := f.ID
			if oneByOne || n > 0 && f.Name == schemaName { // which is looked at, not made, where it stays
				want = key.ID{}
			}
			if f.Made != want {
				t.Errorf("%s: %s: %s was made, want %s", set, f.Name, f.Made, want)
			}
		}
	}
}

func nth(s *standing, name string) int {
	return slices.IndexFunc(s.Files, func(f heldFile) bool { return f.Name == name })
}

// renote alters what the last run has left for the next.
func renote(t *testing.T, season string, o runOptions, alter func(*standing)) {
	t.Helper()
	a := &app{out: io.Discard, err: io.Discard}
	w, err := a.open(context.Background(), season, o)
	if err != nil {
		t.Fatal(err)
	}
	defer w.close()
	s, ok := readStanding(w.store, w.out)
	if !ok {
		t.Fatal("the last run has left nothing")
	}
	alter(s)
	w.noteStanding(s)
}

// A workbook that was read before its turn is read again where another has taken its place.
func TestBookBeforeItsTurn(t *testing.T) {
	path := filepath.Join(t.TempDir(), workbookName)
	write := func(text string, at int64) {
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, time.Unix(at, 0), time.Unix(at, 0)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(path, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, mostBook+1); err == nil && readBook(path).info != nil {
		t.Error("a file that is too large is read")
	}
	os.Remove(path)
	none := readBook(path)
	if none.info != nil || none.now(path).info != nil {
		t.Error("a workbook is read where there is none")
	}
	write("one", 1e9)
	if none.now(path).info == nil {
		t.Error("a workbook that has come is not read")
	}
	one := readBook(path)
	if now := one.now(path); now.info != one.info {
		t.Error("a workbook that stayed is read again")
	}
	for reason, change := range map[string]func(){
		"longer":         func() { write("longer", 1e9) },
		"newer":          func() { write("two", 1e9+1) },
		"times put back": func() { time.Sleep(20 * time.Millisecond); write("two", 1e9) },
		"another file":   func() { os.Rename(path, path+"-old"); write("one", 1e9) },
		"gone":           func() { os.Remove(path) },
		"a folder":       func() { os.Remove(path); os.Mkdir(path, 0o777) },
	} {
		os.RemoveAll(path)
		write("one", 1e9)
		was := readBook(path)
		change()
		if now := was.now(path); now.info == was.info {
			t.Errorf("%s: the workbook is not read again", reason)
		}
	}
}
