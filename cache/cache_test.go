package cache

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache/key"
)

var bg = context.Background()

// noon is a fixed time for entries.
var noon = time.Date(2031, 5, 4, 12, 0, 0, 0, time.UTC)

// warnings collects what a store warns of, for stores used by one goroutine.
type warnings []string

func (w *warnings) add(s string) { *w = append(*w, s) }

// open opens a store that is closed with its test. A pack that is not full waits for Sync or Close, however long a step of the test takes:
// else it would be published in the middle of one.
func open(t *testing.T, dir string, o Options) *Store {
	t.Helper()
	if o.linger == 0 {
		o.linger = 24 * time.Hour
	}
	s, err := Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func payload(name, data string) Payload {
	return Payload{Name: name, Data: []byte(data), ID: key.Of([]byte(data)), Size: int64(len(data))}
}

func (p Payload) output() Output {
	return Output{Name: p.Name, ID: p.ID, Size: p.Size, Kept: p.Data != nil}
}

var (
	actionA = key.Of([]byte("action a"))
	actionB = key.Of([]byte("action b"))
	cycles  = payload("cycles", "from,to\n1,2\n3,4\n5,6\n7,8\n")
	residue = payload("residue", "9,8,7,6,5,4,3,2,1,0,9,8,7,6,5\n")
)

func entryA() Entry {
	return Entry{
		Stage:      "count",
		Outputs:    []Output{cycles.output(), residue.output()},
		Transcript: []key.Field{{Label: "stage", Value: "count"}, {Label: "gate", Value: "0.005"}, {Label: "odd \xff", Value: ""}},
		Made:       noon,
	}
}

func put(t *testing.T, s *Store, action key.ID, e Entry, blobs ...Payload) {
	t.Helper()
	if err := s.Put(bg, action, e, blobs); err != nil {
		t.Fatal(err)
	}
}

func TestPutAndGet(t *testing.T) {
	notKept := Payload{Name: "trace", ID: key.Of([]byte("trace")), Size: 5}
	empty := payload("flags", "")
	tests := []struct {
		reason string
		entry  Entry
		blobs  []Payload
		want   Entry
	}{
		{"outputs given and agreeing", entryA(), []Payload{cycles, residue}, entryA()},
		{"outputs follow from the payloads", Entry{Stage: "count", Made: noon}, []Payload{cycles, notKept},
			Entry{Stage: "count", Made: noon, Outputs: []Output{cycles.output(), notKept.output()}}},
		{"a refusal is a result", Entry{Stage: "ingest", Refused: "column \"AZ\" is text", Made: noon}, nil,
			Entry{Stage: "ingest", Refused: "column \"AZ\" is text", Made: noon}},
		{"an empty output is kept", Entry{Stage: "flags", Made: noon}, []Payload{empty},
			Entry{Stage: "flags", Made: noon, Outputs: []Output{empty.output()}}},
		{"one blob under two names", Entry{Stage: "x", Made: noon}, []Payload{payload("a", "same"), payload("b", "same")},
			Entry{Stage: "x", Made: noon, Outputs: []Output{payload("a", "same").output(), payload("b", "same").output()}}},
	}
	for _, tt := range tests {
		for _, durable := range []bool{false, true} {
			dir := t.TempDir()
			s := open(t, dir, Options{Durable: durable})
			if _, miss := s.Lookup(actionA); miss != NotComputed {
				t.Errorf("%s: before Put: miss %q, want %q", tt.reason, miss, NotComputed)
			}
			put(t, s, actionA, tt.entry, tt.blobs...)
			must(t, s.Sync())
			other := open(t, dir, Options{})
			got, miss := other.Lookup(actionA)
			if miss != "" {
				t.Fatalf("%s: miss %q", tt.reason, miss)
			}
			if d := cmp.Diff(&tt.want, got); d != "" {
				t.Errorf("%s: entry differs (-want +got):\n%s", tt.reason, d)
			}
			for i, o := range got.Outputs {
				checkBlob(t, other, o, tt.blobs[i])
			}
		}
	}
}

func checkBlob(t *testing.T, s *Store, o Output, p Payload) {
	t.Helper()
	if has := s.HasBlob(o); has != (p.Data != nil) {
		t.Errorf("HasBlob(%s) = %t", o.Name, has)
	}
	b, miss := s.Blob(o)
	if (miss == "") != (p.Data != nil) || string(b) != string(p.Data) {
		t.Errorf("Blob(%s) = %q, %q; want %q", o.Name, b, miss, p.Data)
	}
}

func TestPutRefusesContradictions(t *testing.T) {
	long := cycles
	long.Size++
	tests := []struct {
		reason string
		entry  Entry
		blobs  []Payload
		want   string
	}{
		{"length is not the data's", Entry{}, []Payload{long}, "has 24 bytes, said 25"},
		{"kept output without bytes", entryA(), []Payload{cycles}, `output "residue" is to be kept`},
	}
	for _, tt := range tests {
		s := open(t, t.TempDir(), Options{})
		err := s.Put(bg, actionA, tt.entry, tt.blobs)
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: error %v, want %q", tt.reason, err, tt.want)
		}
		if _, miss := s.Lookup(actionA); miss != NotComputed {
			t.Errorf("%s: miss %q", tt.reason, miss)
		}
	}
}

func TestPutCancelled(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	ctx, cancel := context.WithCancel(bg)
	cancel()
	if err := s.Put(ctx, actionA, entryA(), []Payload{cycles, residue}); err == nil {
		t.Fatal("no error")
	}
	st, err := s.Stat()
	if err != nil {
		t.Fatal(err)
	}
	if st.Actions.Files+st.Blobs.Files+st.Temp.Files != 0 {
		t.Errorf("left behind: %+v", st)
	}
}

// Equal results are one entry whoever makes them: the second Put changes no byte,
// and keeps when it was first made. Another result for the same action wins, aloud.
func TestPutAgain(t *testing.T) {
	var warned warnings
	s := open(t, t.TempDir(), Options{Warn: warned.add})
	put(t, s, actionA, entryA(), cycles, residue)
	later := entryA()
	later.Made = noon.Add(time.Hour)
	put(t, s, actionA, later, cycles, residue)
	got, _ := s.Lookup(actionA)
	if want := entryA(); cmp.Diff(&want, got) != "" || warned != nil {
		t.Errorf("same result: got %+v, warnings %q", got, warned)
	}
	unkept := entryA()
	unkept.Outputs[1].Kept = false
	put(t, s, actionA, unkept, cycles)
	if got, _ := s.Lookup(actionA); cmp.Diff(&unkept, got) != "" || warned != nil {
		t.Errorf("not kept any more: got %+v, warnings %q", got, warned)
	}
	put(t, s, actionA, Entry{Stage: "count", Made: noon}, residue)
	if got, _ := s.Lookup(actionA); len(got.Outputs) != 1 || len(warned) != 1 || !strings.Contains(warned[0], "another result than before") {
		t.Errorf("other result: got %+v, warnings %q", got, warned)
	}
}

func TestRunRecords(t *testing.T) {
	s := open(t, t.TempDir(), Options{Durable: true})
	if _, miss := s.Run("/out"); miss != NotRun {
		t.Errorf("miss %q", miss)
	}
	for _, data := range []string{"first", "", "third"} {
		if err := s.PutRun("/out", []byte(data), actionA); err != nil {
			t.Fatal(err)
		}
		if got, miss := s.Run("/out"); string(got) != data || miss != "" {
			t.Errorf("got %q, %q; want %q", got, miss, data)
		}
	}
	if _, miss := s.Run("/other"); miss != NotRun {
		t.Errorf("other name: miss %q", miss)
	}
}

func TestOpenFormats(t *testing.T) {
	tests := []struct {
		reason  string
		prepare func(t *testing.T, dir string)
		err     string // "" opens
		warn    string
	}{
		{"empty folder", func(*testing.T, string) {}, "", ""},
		{"folder not there yet", func(t *testing.T, dir string) { must(t, os.Remove(dir)) }, "", ""},
		{"creation interrupted before the format file", func(t *testing.T, dir string) {
			must(t, os.MkdirAll(filepath.Join(dir, "actions"), 0o777))
			write(t, filepath.Join(dir, "format.0123-1.tmp"), "lap")
		}, "", ""},
		{"this format", func(t *testing.T, dir string) { write(t, filepath.Join(dir, "format"), "lapwear cache 2\n") }, "", ""},
		{"the format before", func(t *testing.T, dir string) { write(t, filepath.Join(dir, "format"), "lapwear cache 1\n") }, "", ""},
		{"older format", func(t *testing.T, dir string) { write(t, filepath.Join(dir, "format"), "lapwear cache 0\n") }, "", ""},
		{"newer format", func(t *testing.T, dir string) { write(t, filepath.Join(dir, "format"), "lapwear cache 3\nmore\n") },
			"it has format 3 and this program knows formats up to 2; use a newer lapwear or another folder", ""},
		{"damaged format file", func(t *testing.T, dir string) { write(t, filepath.Join(dir, "format"), "\x00\x00") }, "", "format file is damaged"},
		{"emptied format file", func(t *testing.T, dir string) { write(t, filepath.Join(dir, "format"), "") }, "", "format file is damaged"},
		{"a link to itself for a format file", func(t *testing.T, dir string) {
			must(t, os.Mkdir(filepath.Join(dir, "blobs"), 0o777))
			must(t, os.Symlink("format", filepath.Join(dir, "format")))
		}, "", "format file is damaged"},
		{"an empty folder for a format file", func(t *testing.T, dir string) { must(t, os.Mkdir(filepath.Join(dir, "format"), 0o777)) }, "", "format file is damaged"},
		{"somebody's documents in folders, one named format", func(t *testing.T, dir string) {
			must(t, os.MkdirAll(filepath.Join(dir, "format"), 0o777))
			must(t, os.MkdirAll(filepath.Join(dir, "letters"), 0o777))
		}, `the folder holds "letters", which is no part of a cache; choose an empty folder`, ""},
		{"somebody's documents", func(t *testing.T, dir string) { write(t, filepath.Join(dir, "thesis.txt"), "x") },
			`the folder holds "thesis.txt", which is no part of a cache; choose an empty folder`, ""},
		{"a file in its place", func(t *testing.T, dir string) { must(t, os.Remove(dir)); write(t, dir, "x") }, "not a directory", ""},
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			dir := t.TempDir()
			tt.prepare(t, dir)
			var warned warnings
			s, err := Open(dir, Options{Durable: true, Warn: warned.add})
			if tt.err != "" {
				if err == nil || !strings.Contains(err.Error(), tt.err) {
					t.Fatalf("error %v, want %q", err, tt.err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			if got := strings.Join(warned, "\n"); !strings.Contains(got, tt.warn) || (got == "") != (tt.warn == "") {
				t.Errorf("warned %q, want %q", got, tt.warn)
			}
			if got := read(t, filepath.Join(dir, "format")); got != "lapwear cache 2\n" {
				t.Errorf("format file %q", got)
			}
			put(t, s, actionA, entryA(), cycles, residue)
		})
	}
}

// A use is written at most once an hour.
func TestTouch(t *testing.T) {
	now := time.Now()
	s := open(t, t.TempDir(), Options{Now: func() time.Time { return now }})
	putLoose(t, s, actionA, entryA(), cycles, residue)
	uses := map[string]func(){
		s.fanned(actionsDir, actionA):  func() { s.Lookup(actionA) },
		s.fanned(blobsDir, cycles.ID):  func() { s.Blob(cycles.output()) },
		s.fanned(blobsDir, residue.ID): func() { s.HasBlob(residue.output()) },
	}
	start := now
	for path, use := range uses {
		for _, tt := range []struct {
			after, want time.Duration
			reason      string
		}{
			{0, 0, "written now"},
			{59 * time.Minute, 0, "within the hour"},
			{61 * time.Minute, 61 * time.Minute, "an hour has passed"},
			{119 * time.Minute, 61 * time.Minute, "within an hour of that"},
		} {
			if tt.after == 0 {
				must(t, os.Chtimes(path, start, start))
			}
			now = start.Add(tt.after)
			use()
			if got := mtime(t, path).Sub(start); got.Round(time.Second) != tt.want {
				t.Errorf("%s: %s: last use after %v, want %v", filepath.Base(path)[:6], tt.reason, got, tt.want)
			}
		}
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func write(t *testing.T, path, text string) {
	t.Helper()
	must(t, os.WriteFile(path, []byte(text), 0o666))
}

func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	must(t, err)
	return string(b)
}

func mtime(t *testing.T, path string) time.Time {
	t.Helper()
	fi, err := os.Stat(path)
	must(t, err)
	return fi.ModTime()
}

// A damaged record is told of once, and is not there then: what stands by it no longer does, and the next run makes it again.
func TestDamagedRun(t *testing.T) {
	s := open(t, t.TempDir(), Options{})
	if err := s.PutRun("out", []byte("data")); err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(s.runPath("out"), os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.WriteString("x"); err != nil || f.Close() != nil {
		t.Fatal(err)
	}
	if _, miss := s.Run("out"); !strings.Contains(miss, "damaged") {
		t.Errorf("missing: %q, want a damaged record", miss)
	}
	if _, miss := s.Run("out"); miss != NotRun || s.UseRun("out") {
		t.Errorf("missing: %q, want no record", miss)
	}
}

// A draft is not there before it is published, and leaves nothing where it is dropped.
func TestDraftRun(t *testing.T) {
	s := open(t, t.TempDir(), Options{Durable: true})
	if err := s.PutRun("out", []byte("old")); err != nil {
		t.Fatal(err)
	}
	for _, publish := range []bool{false, true} {
		d, err := s.DraftRun("out", []byte("new"))
		if err != nil {
			t.Fatal(err)
		}
		if got, _ := s.Run("out"); string(got) != "old" {
			t.Errorf("before a draft is published the record is %q", got)
		}
		want := "old"
		if publish {
			want, err = "new", errors.Join(d.Publish(), d.Flush())
		} else {
			d.Drop()
		}
		if got, _ := s.Run("out"); err != nil || string(got) != want {
			t.Errorf("published %v: the record is %q, want %q, %v", publish, got, want, err)
		}
		if names, err := os.ReadDir(s.path(runsDir)); err != nil || len(names) != 1 {
			t.Errorf("published %v: %d files are left, %v", publish, len(names), err)
		}
	}
}
