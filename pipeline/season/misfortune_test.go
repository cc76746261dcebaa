package season

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/pipeline"
)

// forgetful is a store that has lost every blob, as one that others prune meanwhile.
type forgetful struct {
	*cache.Store
	mu   sync.Mutex
	lose bool
	puts int // done
}

// publishing is in the stack of who stores a result, from before it is put until the run has let go of it.
const publishing = "pipeline.(*Session).publish.func"

func (f *forgetful) Put(ctx context.Context, action key.ID, e cache.Entry, blobs []cache.Payload) error {
	if !strings.Contains(stacks(false), publishing) {
		panic("results are put by another function than " + publishing)
	}
	err := f.Store.Put(ctx, action, e, blobs)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.puts++
	return err
}

// await waits until so many puts are done, and the run has let go of what was put: what is lost then is nowhere.
func (f *forgetful) await(puts int) {
	done := func() bool {
		f.mu.Lock()
		defer f.mu.Unlock()
		return f.puts >= puts
	}
	for until := time.Now().Add(time.Minute); !done() || strings.Contains(stacks(true), publishing); time.Sleep(time.Millisecond) {
		if time.Now().After(until) {
			panic(fmt.Sprintf("after a minute the run has not put %d results and let go of them", puts))
		}
	}
}

// stacks are those of all goroutines, or of the caller alone.
func stacks(all bool) string {
	b := make([]byte, 1<<20)
	return string(b[:runtime.Stack(b, all)])
}

func (f *forgetful) Blob(o cache.Output) ([]byte, string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.lose {
		return nil, "blob lost on purpose"
	}
	return f.Store.Blob(o)
}

// encodedTables are a run's tables in the encoding that hashes are taken of.
func encodedTables(o *Outcome) map[string]key.ID {
	out := map[string]key.ID{}
	for _, t := range o.Tables {
		out[t.Name] = key.Of(t.Frame.AppendEncoded(nil))
	}
	return out
}

// A recording that vanishes or changes while a run is under way costs its lap at most,
// with the reason; what the run had read of it stays good. Only if the store loses that
// too, then tables fail, with the reason, and none is wrong. Once it is back, the next run
// gives the tables of an undisturbed one.
func TestRecordingDuringRun(t *testing.T) {
	elsewhere := func(t *testing.T, path string) { must(t, os.Rename(path, path+".away")) }
	for _, tt := range []struct {
		reason string
		read   bool // when it happens, the recording has been read
		lose   bool // the store has lost what was made of it
		do     func(t *testing.T, path string)
		aside  string // the reason of the lap; "" if it is used
		same   bool   // as if nothing had happened
	}{
		{"gone before it is read", false, false, elsewhere, "there is no recording", false},
		{"gone after it was read", true, false, elsewhere, "", true},
		{"a folder before it is read", false, false, func(t *testing.T, path string) {
			elsewhere(t, path)
			must(t, os.Mkdir(path, 0o777))
		}, "not a regular file", false},
		{"a link to itself before it is read", false, false, func(t *testing.T, path string) {
			elsewhere(t, path)
			must(t, os.Symlink(path, path))
		}, "name a file that can be read", false},
		{"emptied before it is read", false, false, func(t *testing.T, path string) {
			elsewhere(t, path)
			must(t, os.WriteFile(path, nil, 0o666))
		}, "the file is empty", false},
		{"emptied after it was read", true, false, func(t *testing.T, path string) {
			elsewhere(t, path)
			must(t, os.WriteFile(path, nil, 0o666))
		}, "", true},
		{"gone after it was read, and what was made of it is lost: two misfortunes are too many", true, true, elsewhere, "there is no recording", false},
	} {
		t.Run(tt.reason, func(t *testing.T) {
			s := tinySeason(t)
			other := strings.Repeat("0\n7\n-3\n", 10) // so that the laps differ
			must(t, os.WriteFile(filepath.Join(s.Dir, "b.csv"), []byte("AZ\n"+other), 0o666))
			undisturbed, err := s.Run(context.Background(), pipeline.Options{Store: openStore(t, t.TempDir())}, nil)
			must(t, err)

			store := &forgetful{Store: openStore(t, t.TempDir())}
			var lap string
			fresh := 0
			events := func(e pipeline.Event) {
				if e.State.Fresh {
					fresh++
				}
				if tt.lose {
					store.await(fresh)
				}
				if e.Task == nil || e.Task.Source == "" || lap != "" {
					return
				}
				lap = e.Task.Lap
				path := e.Task.Source
				if !tt.read {
					lap = map[string]string{"A": "B", "B": "A"}[lap]
					path = filepath.Join(s.Dir, strings.ToLower(lap)+".csv")
				}
				tt.do(t, path)
				store.mu.Lock()
				defer store.mu.Unlock()
				store.lose = tt.lose
			}
			o, err := s.Run(context.Background(), pipeline.Options{Store: store, Jobs: 1, Events: events}, nil)
			must(t, err)
			if tt.lose {
				checkFailed(t, o, tt.aside)
			} else {
				checkAside(t, o, lap, tt.aside)
			}
			d := cmp.Diff(encodedTables(undisturbed), encodedTables(o))
			if tt.same != (d == "") {
				t.Errorf("as if nothing had happened: %t, want %t", d == "", tt.same)
			}

			path := filepath.Join(s.Dir, strings.ToLower(lap)+".csv")
			os.Remove(path)
			must(t, os.Rename(path+".away", path))
			store.lose = false
			o, err = s.Run(context.Background(), pipeline.Options{Store: store}, nil)
			must(t, err)
			checkAside(t, o, "", "")
			if d := cmp.Diff(encodedTables(undisturbed), encodedTables(o)); d != "" {
				t.Errorf("back again: tables differ\n%s", d)
			}
		})
	}
}

// What the verdicts say is asked for after the run. It is there still when the store has lost them, and a recording is gone that they
// would have to be made again from.
func TestVerdictsOutliveTheStore(t *testing.T) {
	s := tinySeason(t)
	store := &forgetful{Store: openStore(t, t.TempDir())}
	fresh := 0
	events := func(e pipeline.Event) {
		if e.State.Fresh {
			fresh++
		}
		store.await(fresh)
		if e.Task == nil || !strings.HasPrefix(e.Task.Name, "verdicts ") || store.lose {
			return
		}
		must(t, os.Remove(filepath.Join(s.Dir, "a.csv")))
		store.mu.Lock()
		defer store.mu.Unlock()
		store.lose = true
	}
	_, err := s.Run(context.Background(), pipeline.Options{Store: store, Jobs: 1, Events: events}, nil)
	must(t, err)
	if !store.lose {
		t.Error("there was no verdict")
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func openStore(t *testing.T, dir string) *cache.Store {
	t.Helper()
	s, err := cache.Open(filepath.Join(dir, "cache"), cache.Options{})
	must(t, err)
	t.Cleanup(func() { s.Close() })
	return s
}

// checkAside wants a lap set aside for a reason, and no other.
func checkAside(t *testing.T, o *Outcome, lap, reason string) {
	t.Helper()
	if reason == "" {
		if len(o.Laps.SetAside)+len(o.Failures) > 0 {
			t.Errorf("set aside %v, failures %v; want none", o.Laps.SetAside, o.Failures)
		}
		return
	}
	if a := o.Laps.SetAside; len(a) != 1 || a[0].Lap != lap || !strings.Contains(a[0].Reason, reason) {
		t.Errorf("set aside %v, want lap %s: %s", a, lap, reason)
	}
	if len(o.Failures) > 0 {
		t.Errorf("failures %v", o.Failures)
	}
}

// checkFailed wants failures, the first of them for a reason, and no season table.
func checkFailed(t *testing.T, o *Outcome, reason string) {
	t.Helper()
	if len(o.Failures) == 0 || !strings.Contains(o.Failures[0].Reason, reason) {
		t.Errorf("failures %v, want %s", o.Failures, reason)
	}
	if tableOf(o.Tables, "season") != nil {
		t.Error("there is a season table")
	}
}
