package remote_test

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"lapwear/cache"
	"lapwear/cache/cachetest"
	"lapwear/cache/remote"
	"lapwear/pipeline"
	"lapwear/pipeline/season"
)

const webToken = "hush-4711"

const smallSeason = `lapwear: 1
season: "2031"
component: bracket
laps: laps.csv
time: {rate: 100 Hz}
channels: {acc: {column: AZ, unit: g}}
signal: {rate: 128 Hz}
hotspots: {toe: {follow: acc, gain: 10 MPa/g, material: m}}
materials: {m: {source: invented for this test, sn: {kind: power, amplitude: 100 MPa, cycles: 1e6, slope: 4}}}
`

// team is some people with a season and a server between them.
type team struct {
	dir    string
	season string
	want   map[string]string // the tables of a run without server
	tasks  int
	keys   remote.Keys // of the one who computes
}

func newTeam(t *testing.T, laps int) *team {
	t.Helper()
	m := &team{dir: cachetest.MemoryDir(t)}
	files := map[string]string{"season.yaml": smallSeason}
	manifest := "lap_id,file,circuit\n"
	for i := range laps {
		name := fmt.Sprintf("lap%d.csv", i)
		manifest += fmt.Sprintf("L%d,%s,Hill\n", i, name)
		files[name] = "AZ\n" + strings.Repeat(fmt.Sprintf("0\n%d\n9\n-%d\n2\n", 4+i%5, 3+i/5), 60)
	}
	files["laps.csv"] = manifest
	for name, text := range files {
		must(t, os.WriteFile(filepath.Join(m.dir, name), []byte(text), 0o666))
	}
	m.season = filepath.Join(m.dir, "season.yaml")
	m.keys = m.newKeys(t)
	alone := m.run(t, person{})
	m.want, m.tasks = alone.tables, alone.computed
	if m.tasks < 3*laps || alone.hits > 0 {
		t.Fatalf("a run without server: %+v", alone)
	}
	return m
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func (m *team) newKeys(t *testing.T) remote.Keys {
	t.Helper()
	k := remote.Keys{Dir: t.TempDir()}
	_, err := k.Make(nil)
	must(t, err)
	return k
}

// person is one who runs the season.
type person struct {
	web   *cachetest.Web // nil: without server
	url   string         // in place of web's
	token string
	keys  remote.Keys // zero = those of the one who computes
	noCA  bool
	hasty bool   // waits no longer than a run does; others do, as long as a busy machine takes
	cache string // "" = a new one
	set   []string
	then  func() // when half of the work is done
}

// run is what came of a person's run.
type run struct {
	tables         map[string]string
	computed, hits int
	stages         map[string]pipeline.StageReport
	stats          remote.Stats
	warned         string
	took           time.Duration
	cache          string
}

func (m *team) run(t *testing.T, p person) run {
	t.Helper()
	s, faults := season.Load(m.season, season.LoadOptions{Set: p.set})
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	r := run{tables: map[string]string{}, cache: p.cache}
	if r.cache == "" {
		r.cache = filepath.Join(cachetest.MemoryDir(t), "cache")
	}
	local, err := cache.Open(r.cache, cache.Options{})
	must(t, err)
	defer local.Close()
	start := time.Now()
	ctx := context.Background()
	options := pipeline.Options{Store: local, Jobs: 2, Events: func(e pipeline.Event) {
		if p.then != nil && e.Task != nil && e.Done >= e.Total/2 {
			p.then()
			p.then = nil
		}
	}}
	var behind *remote.Store
	var said bytes.Buffer
	if p.web != nil || p.url != "" {
		behind = m.server(t, p, &said).Behind(ctx, local)
		options.Store = behind
	}
	o, err := s.Run(ctx, options, nil)
	must(t, err)
	if behind != nil {
		r.stats = behind.Finish()
	}
	if len(o.Failures)+len(o.Laps.SetAside) > 0 {
		t.Fatalf("failures %v, set aside %v", o.Failures, o.Laps.SetAside)
	}
	r.took, r.warned, r.stages = time.Since(start), said.String(), o.Stages
	for _, x := range o.Tables {
		r.tables[x.Name] = string(x.Frame.AppendEncoded(nil))
	}
	for _, st := range o.Stages {
		r.computed, r.hits = r.computed+st.Computed, r.hits+st.Hit
	}
	return r
}

func (m *team) server(t *testing.T, p person, said *bytes.Buffer) *remote.Server {
	t.Helper()
	token, err := remote.NewToken(p.token)
	must(t, err)
	var mu sync.Mutex
	o := remote.Options{Token: token, Keys: p.keys, Warn: func(text string) {
		mu.Lock()
		defer mu.Unlock()
		fmt.Fprintln(said, text)
	}}
	if !p.hasty {
		o.Limits = remote.DefaultLimits()
		o.Limits.Connect, o.Limits.Answer, o.Limits.Fair = time.Minute, time.Minute, time.Minute
	}
	if o.Keys == (remote.Keys{}) {
		o.Keys = m.keys
	}
	if p.url == "" {
		p.url = p.web.URL
	}
	if p.web != nil && p.web.CA != "" && !p.noCA {
		o.CA, err = os.ReadFile(p.web.CA)
		must(t, err)
	}
	s, err := remote.NewServer(p.url, o)
	must(t, err)
	return s
}

// good wants a run's tables to be those of a run without server, and its cache sound.
func (m *team) good(t *testing.T, when string, r run) {
	t.Helper()
	if !maps.Equal(m.want, r.tables) {
		t.Errorf("%s: the tables differ from those of a run without server", when)
	}
	cachetest.Sound(t, when, r.cache)
}

// Over nginx, with encryption and an authority of one's own: what one has computed and sent,
// another with an empty cache does not compute, and has the same bytes; of a what-if only
// what it changes.
func TestColdLaptopWarmServer(t *testing.T) {
	m := newTeam(t, 6)
	web := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken, TLS: true})
	first := m.run(t, person{web: web, token: webToken})
	m.good(t, "the one who computes", first)
	if st := first.stats; st.Sent != m.tasks || st.Unsent+st.Failures+st.Rejected+st.Found > 0 || first.warned != "" {
		t.Errorf("the one who computes: %+v, %s", st, first.warned)
	}
	cold := m.run(t, person{web: web})
	m.good(t, "cold laptop", cold)
	if cold.computed != 0 || cold.stats.Found != m.tasks || cold.warned != "" {
		t.Errorf("cold laptop: computed %d, %+v, %s", cold.computed, cold.stats, cold.warned)
	}
	web.Kill()
	offline := m.run(t, person{web: web, cache: cold.cache})
	m.good(t, "again, without the server", offline)
	if offline.computed != 0 || offline.stats.Asked != 0 {
		t.Errorf("again, without the server: computed %d, %+v", offline.computed, offline.stats)
	}
	cold = m.run(t, person{cache: cold.cache, set: []string{"hotspots.toe.stress_factor=1.1"}})
	alone := m.run(t, person{set: []string{"hotspots.toe.stress_factor=1.1"}})
	if !maps.Equal(alone.tables, cold.tables) {
		t.Error("a what-if on what was fetched differs from one that was computed")
	}
}

// A what-if of what the server has computes damage and tables only.
func TestWhatIfFromServer(t *testing.T) {
	m := newTeam(t, 3)
	web := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken})
	m.run(t, person{web: web, token: webToken})
	set := []string{"hotspots.toe.stress_factor=1.1"}
	alone, r := m.run(t, person{set: set}), m.run(t, person{web: web, set: set})
	if !maps.Equal(alone.tables, r.tables) {
		t.Error("the tables differ from those of a run without server")
	}
	for _, stage := range []string{"ingest", "resample", "count"} {
		if n := r.stages[stage].Computed; n != 0 {
			t.Errorf("stage %s computed %d", stage, n)
		}
	}
}

// Whoever has no token, a wrong one, or no authority for the certificate reads or sends
// nothing, and has the right tables all the same.
func TestWhoMayWrite(t *testing.T) {
	t.Parallel()
	m := newTeam(t, 3)
	web := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken, TLS: true})
	for _, tt := range []struct {
		reason string
		who    person
		warned string
	}{
		{"no token", person{}, ""},
		{"wrong token", person{token: "guess"}, "check the token"},
		{"the token and more", person{token: webToken + "1"}, "check the token"},
		{"the token in capitals", person{token: strings.ToUpper(webToken)}, "check the token"},
		{"user and password", person{token: "rw:" + webToken}, "check the token"},
		{"authority not trusted", person{token: webToken, noCA: true}, "certificate"},
	} {
		tt.who.web = web
		r := m.run(t, tt.who)
		m.good(t, tt.reason, r)
		if !strings.Contains(r.warned, tt.warned) || tt.warned == "" && r.warned != "" {
			t.Errorf("%s: warned %q, want %q", tt.reason, r.warned, tt.warned)
		}
		if r.stats.Sent > 0 || strings.Contains(r.warned, webToken) || strings.Contains(r.warned, "guess") {
			t.Errorf("%s: %+v\n%s", tt.reason, r.stats, r.warned)
		}
	}
	if left := len(web.Files(t, "actions")) + len(web.Files(t, "blobs")); left > 0 {
		t.Errorf("%d files are on the server", left)
	}
}

// Where reading takes a token of its own, whoever has none, or it in capitals, reads nothing, and
// whoever has it cannot write.
func TestWhoMayRead(t *testing.T) {
	t.Parallel()
	m := newTeam(t, 2)
	const readToken = "may-Read-1"
	web := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken, Read: webToken + "|may-Read-1", TLS: true})
	m.run(t, person{web: web, token: webToken})
	sent := len(web.Files(t, "actions"))
	for _, tt := range []struct {
		reason, token string
		reads         bool
	}{
		{"no token", "", false},
		{"in capitals", strings.ToUpper(readToken), false},
		{"the token for reading", readToken, true},
		{"the token for writing", webToken, true},
	} {
		r := m.run(t, person{web: web, token: tt.token})
		m.good(t, tt.reason, r)
		if (r.computed == 0) != tt.reads || (r.warned == "") != tt.reads {
			t.Errorf("%s: computed %d, warned %s", tt.reason, r.computed, r.warned)
		}
	}
	r := m.run(t, person{web: web, token: readToken, set: []string{"hotspots.toe.stress_factor=1.1"}})
	if r.stats.Sent > 0 || len(web.Files(t, "actions")) != sent || !strings.Contains(r.warned, "check the token") {
		t.Errorf("the token for reading writes: %+v, %s", r.stats, r.warned)
	}
}

// Whatever becomes of the files on the server, a cold laptop has the right tables and a
// sound cache.
func TestDamagedServer(t *testing.T) {
	if testing.Short() {
		t.Skip("it looks at files, not at what runs at once")
	}
	m := newTeam(t, 2)
	web := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken})
	m.run(t, person{web: web, token: webToken})
	rewrite := func(change func(b []byte, i int, all [][]byte) []byte) func(t *testing.T, paths []string) {
		return func(t *testing.T, paths []string) {
			var all [][]byte
			for _, path := range paths {
				b, err := os.ReadFile(path)
				must(t, err)
				all = append(all, b)
			}
			for i, path := range paths {
				must(t, os.WriteFile(path, change(bytes.Clone(all[i]), i, all), 0o666))
			}
		}
	}
	flipped := func(at float64) func(t *testing.T, paths []string) {
		return rewrite(func(b []byte, _ int, _ [][]byte) []byte { b[int(at*float64(len(b)-1))] ^= 0x41; return b })
	}
	signed := web.Files(t, "actions")
	for _, d := range []struct {
		reason string
		do     func(t *testing.T, paths []string)
	}{
		{"first byte altered", flipped(0)},
		{"a byte of the head altered", flipped(0.1)},
		{"a byte in the middle altered", flipped(0.5)},
		{"last byte altered", flipped(1)},
		{"truncated", rewrite(func(b []byte, _ int, _ [][]byte) []byte { return b[:len(b)-1] })},
		{"cut in half", rewrite(func(b []byte, _ int, _ [][]byte) []byte { return b[:len(b)/2] })},
		{"emptied", rewrite(func([]byte, int, [][]byte) []byte { return nil })},
		{"longer", rewrite(func(b []byte, _ int, _ [][]byte) []byte { return append(b, 0) })},
		{"each swapped for another of its kind", rewrite(func(_ []byte, i int, all [][]byte) []byte { return all[(i+1)%len(all)] })},
		{"one replayed for all", rewrite(func(_ []byte, _ int, all [][]byte) []byte { return all[0] })},
		{"a signed entry for all", func(t *testing.T, paths []string) {
			b, err := os.ReadFile(signed[0])
			must(t, err)
			rewrite(func([]byte, int, [][]byte) []byte { return b })(t, paths)
		}},
		{"removed", func(t *testing.T, paths []string) {
			for _, path := range paths {
				must(t, os.Remove(path))
			}
		}},
	} {
		for _, part := range []string{"actions", "blobs"} {
			when := part + ": " + d.reason
			pristine := copyOf(t, web.Store)
			d.do(t, web.Files(t, part))
			r := m.run(t, person{web: web})
			m.good(t, when, r)
			if part == "actions" && d.reason != "a signed entry for all" && d.reason != "one replayed for all" && r.computed != m.tasks {
				t.Errorf("%s: computed %d of %d", when, r.computed, m.tasks)
			}
			if d.reason != "removed" && r.stats.Rejected == 0 {
				t.Errorf("%s: nothing was rejected: %+v", when, r.stats)
			}
			restore(t, web.Store, pristine)
		}
	}
}

// copyOf reads the files of a server.
func copyOf(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	out := map[string][]byte{}
	paths, err := filepath.Glob(filepath.Join(dir, "*", "??", "*"))
	must(t, err)
	for _, path := range paths {
		b, err := os.ReadFile(path)
		must(t, err)
		out[path] = b
	}
	return out
}

func restore(t *testing.T, dir string, files map[string][]byte) {
	t.Helper()
	for _, path := range slices.Sorted(maps.Keys(files)) {
		must(t, os.WriteFile(path, files[path], 0o666))
	}
}

// One whose key is not trusted is not believed; once it is, nothing is computed.
func TestForeignKey(t *testing.T) {
	t.Parallel()
	m := newTeam(t, 3)
	web := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken})
	m.run(t, person{web: web, token: webToken})
	own, err := m.keys.Signer()
	must(t, err)
	mine := m.newKeys(t)
	r := m.run(t, person{web: web, keys: mine})
	m.good(t, "not trusted", r)
	if r.computed != m.tasks || r.stats.Found != 0 || !strings.Contains(r.warned, own.Public().String()) {
		t.Errorf("not trusted: computed %d, %+v, %s", r.computed, r.stats, r.warned)
	}
	must(t, mine.Trust("nightly", own.Public()))
	r = m.run(t, person{web: web, keys: mine})
	m.good(t, "trusted", r)
	if r.computed != 0 {
		t.Errorf("trusted: computed %d, %+v, %s", r.computed, r.stats, r.warned)
	}
	must(t, mine.Distrust("nightly"))
	if r = m.run(t, person{web: web, keys: mine}); r.computed != m.tasks {
		t.Errorf("trusted no more: computed %d", r.computed)
	}
	// Whoever computes with another key replaces what they do not trust.
	m.run(t, person{web: web, keys: mine, token: webToken})
	if r = m.run(t, person{web: web, keys: mine}); r.computed != 0 {
		t.Errorf("replaced: computed %d, %+v", r.computed, r.stats)
	}
}

// Two who compute the same at the same time, each with a key of their own, leave a server
// from which one who trusts both computes nothing.
func TestTwoWriters(t *testing.T) {
	t.Parallel()
	m := newTeam(t, 8)
	web := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken})
	both := m.newKeys(t)
	writers := []remote.Keys{m.keys, m.newKeys(t)}
	var all sync.WaitGroup
	for i, k := range writers {
		s, err := k.Signer()
		must(t, err)
		must(t, both.Trust(fmt.Sprint("writer", i), s.Public()))
		all.Go(func() { m.good(t, fmt.Sprint("writer ", i), m.run(t, person{web: web, keys: k, token: webToken})) })
	}
	all.Wait()
	r := m.run(t, person{web: web, keys: both})
	m.good(t, "reader", r)
	if r.computed != 0 || r.stats.Rejected > 0 || r.warned != "" {
		t.Errorf("reader: computed %d, %+v, %s", r.computed, r.stats, r.warned)
	}
}

// A server that fails, is slow or is not there costs seconds at most, and never a table.
func TestServerFails(t *testing.T) {
	t.Parallel()
	m := newTeam(t, 30)
	good := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken})
	m.run(t, person{web: good, token: webToken})
	dead := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken})
	dead.Kill()
	for _, tt := range []struct {
		reason string
		who    person
		warned string
	}{
		{"500 to everything", person{web: cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken, More: "return 500;"})}, "500"},
		{"500 in the middle", person{web: cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken, Store: good.Store, More: `if ($uri ~ "[0-7]$") { return 503; }`})}, "503"},
		{"slow", person{web: cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken, Store: good.Store, More: "limit_rate 40;"})}, "no answer in time"},
		{"not there", person{web: dead}, "refused"},
		{"accepts and says nothing", person{url: silent(t)}, "no answer in time"},
	} {
		t.Run(tt.reason, func(t *testing.T) {
			t.Parallel()
			tt.who.token, tt.who.hasty = webToken, true
			r := m.run(t, tt.who)
			m.good(t, tt.reason, r)
			if !strings.Contains(r.warned, tt.warned) {
				t.Errorf("warned %q, want %q", r.warned, tt.warned)
			}
			t.Logf("took %v of %d tasks: %+v", r.took, m.tasks, r.stats)
			if r.took > time.Minute { // 10 s, and what a busy machine computes meanwhile; each request waited for would be several minutes
				t.Errorf("the run took %v", r.took)
			}
		})
	}
}

// A server that dies in the middle of a run, or comes to a full disk, takes nothing from it.
func TestServerDiesMeanwhile(t *testing.T) {
	t.Parallel()
	m := newTeam(t, 30)
	web := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken})
	r := m.run(t, person{web: web, token: webToken, then: web.Kill})
	m.good(t, "while it is written", r)
	if r.stats.Unsent == 0 || r.stats.Sent == 0 || r.warned == "" {
		t.Errorf("while it is written: %+v, %s", r.stats, r.warned)
	}
	again := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken, Store: web.Store})
	r = m.run(t, person{web: again, token: webToken, then: again.Kill})
	m.good(t, "while it is read", r)
	if r.stats.Found == 0 || r.computed == 0 {
		t.Errorf("while it is read: computed %d, %+v", r.computed, r.stats)
	}
}

// What a server has missed is sent later, and no more than that; what came from it is not.
func TestSendAll(t *testing.T) {
	t.Parallel()
	m := newTeam(t, 3)
	web := cachetest.StartWeb(t, cachetest.WebOptions{Token: webToken})
	alone := m.run(t, person{})
	send := func(dir, token string, how ...remote.Sending) (remote.Stats, error) {
		local, err := cache.Open(dir, cache.Options{})
		must(t, err)
		defer local.Close()
		var said bytes.Buffer
		behind := m.server(t, person{web: web, token: token}, &said).Behind(context.Background(), local)
		err = behind.SendAll(append(how, remote.Missing)[0])
		return behind.Finish(), err
	}
	if st, err := send(alone.cache, ""); err == nil || st.Sent > 0 {
		t.Errorf("without a token: %+v, %v", st, err)
	}
	st, err := send(alone.cache, webToken)
	if err != nil || st.Sent != m.tasks || st.There+st.Unsent > 0 {
		t.Errorf("at first: %+v, %v", st, err)
	}
	must(t, os.Remove(web.Files(t, "actions")[0]))
	if st, err := send(alone.cache, webToken); err != nil || st.Sent != 1 || st.There != m.tasks-1 {
		t.Errorf("when one is lost: %+v, %v", st, err)
	}
	cold := m.run(t, person{web: web})
	m.good(t, "cold laptop", cold)
	if cold.computed != 0 {
		t.Errorf("cold laptop: computed %d", cold.computed)
	}
	if st, err := send(cold.cache, webToken); err != nil || st.Sent > 0 {
		t.Errorf("from the laptop: %+v, %v", st, err)
	}
}

// silent is the URL of a server that takes connections and never answers.
func silent(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	t.Cleanup(func() { l.Close() })
	go func() {
		var held []net.Conn
		for {
			c, err := l.Accept()
			if err != nil {
				for _, c := range held {
					c.Close()
				}
				return
			}
			held = append(held, c)
		}
	}()
	return "http://" + l.Addr().String()
}
