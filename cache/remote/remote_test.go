package remote

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"lapwear/cache"
	"lapwear/cache/cachetest"
	"lapwear/cache/key"
)

const secret = "t0p-Secret.word"

// shelf is an honest server in memory. change, if set, stands in its place and may fall
// back on it.
type shelf struct {
	mu     sync.Mutex
	files  map[string][]byte
	asked  []string // "METHOD path"
	change func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc)
}

func (s *shelf) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	s.asked = append(s.asked, r.Method+" "+r.URL.Path)
	change := s.change
	s.mu.Unlock()
	if change != nil {
		change(w, r, s.honest)
		return
	}
	s.honest(w, r)
}

func (s *shelf) honest(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodPut {
		if r.Header.Get("Authorization") != "Bearer "+secret {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		b, err := io.ReadAll(r.Body)
		if err != nil {
			return
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		s.files[r.URL.Path] = b
		w.WriteHeader(http.StatusCreated)
		return
	}
	s.mu.Lock()
	b, ok := s.files[r.URL.Path]
	s.mu.Unlock()
	if !ok {
		w.WriteHeader(http.StatusNotFound)
		return
	}
	w.Header().Set("Content-Length", fmt.Sprint(len(b)))
	if r.Method == http.MethodGet {
		w.Write(b)
	}
}

// questions counts the requests whose text holds a word.
func (s *shelf) questions(word string) (n int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, a := range s.asked {
		if strings.Contains(a, word) {
			n++
		}
	}
	return n
}

// patient are limits under which only failures count, however busy the machine is.
func patient() Limits {
	return Limits{Connect: time.Minute, Answer: time.Minute, Fair: time.Minute, Rate: 256 << 10,
		Tries: 3, Backoff: time.Millisecond, Requests: 4, Failures: 4, Lost: time.Hour, Wasted: time.Hour,
		Rest: time.Hour, LongestRest: time.Hour, Entry: 1 << 20, Blob: 1 << 20}
}

// quick are limits under which waiting is soon over.
func quick() Limits {
	l := patient()
	l.Connect, l.Answer, l.Fair, l.Lost = 300*time.Millisecond, time.Second, 150*time.Millisecond, 500*time.Millisecond
	return l
}

// site is a shelf with the surroundings of its users.
type site struct {
	*shelf
	url  string
	keys Keys // of the one who computes
}

func newSite(t *testing.T) *site {
	t.Helper()
	s := &site{shelf: &shelf{files: map[string][]byte{}}, keys: newKeys(t)}
	web := httptest.NewServer(s)
	t.Cleanup(web.Close)
	s.url = web.URL
	return s
}

func newKeys(t *testing.T) Keys {
	t.Helper()
	k := Keys{filepath.Join(t.TempDir(), "keys")}
	if _, err := k.Make(nil); err != nil {
		t.Fatal(err)
	}
	return k
}

// user is somebody with a store in front of the site.
type user struct {
	*Store
	local  *cache.Store
	warned *warnings
}

type warnings struct {
	mu   sync.Mutex
	list []string
}

func (w *warnings) add(text string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.list = append(w.list, text)
}

func (w *warnings) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return strings.Join(w.list, "\n")
}

func token(t *testing.T, text string) Token {
	t.Helper()
	k, err := NewToken(text)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

// user opens a new store in front of the site.
func (s *site) user(t *testing.T, o Options) user {
	t.Helper()
	return s.userIn(t, context.Background(), o)
}

func (s *site) userIn(t *testing.T, ctx context.Context, o Options) user {
	t.Helper()
	u := user{warned: &warnings{}}
	if o.Limits == (Limits{}) {
		o.Limits = patient()
	}
	if o.Keys == (Keys{}) {
		o.Keys = s.keys
	}
	o.Warn = u.warned.add
	server, err := NewServer(s.url, o)
	if err != nil {
		t.Fatal(err)
	}
	u.local, err = cache.Open(filepath.Join(cachetest.MemoryDir(t), "cache"), cache.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { u.local.Close() })
	u.Store = server.Behind(ctx, u.local)
	return u
}

var (
	actionA = key.Of([]byte("action a"))
	actionB = key.Of([]byte("action b"))
	cycles  = payload("cycles", strings.Repeat("from,to\n1,2\n", 3000))
	residue = payload("residue", "1,2,3")
	noon    = time.Date(2031, 5, 1, 12, 0, 0, 0, time.UTC)
)

func payload(name, text string) cache.Payload {
	return cache.Payload{Name: name, Data: []byte(text), ID: key.Of([]byte(text)), Size: int64(len(text))}
}

func entry() cache.Entry {
	return cache.Entry{Stage: "count", Made: noon, Transcript: []key.Field{{Label: "gate", Value: "0.005"}},
		Outputs: []cache.Output{output(cycles), output(residue), {Name: "trace", ID: key.Of([]byte("trace")), Size: 5}}}
}

func output(p cache.Payload) cache.Output {
	return cache.Output{Name: p.Name, ID: p.ID, Size: p.Size, Kept: true}
}

// share lets somebody compute action A and send it.
func (s *site) share(t *testing.T) Stats {
	t.Helper()
	u := s.user(t, Options{Token: token(t, secret)})
	if err := u.Put(context.Background(), actionA, entry(), []cache.Payload{cycles, residue}); err != nil {
		t.Fatal(err)
	}
	return u.Finish()
}

// reads looks action A up and reads its outputs, and returns whether all came.
func (u user) reads(t *testing.T) bool {
	t.Helper()
	e, miss := u.Lookup(actionA)
	if miss != "" {
		if miss != cache.NotComputed || e != nil {
			t.Errorf("miss %q, entry %+v", miss, e)
		}
		return false
	}
	all := true
	for i, p := range []cache.Payload{cycles, residue} {
		b, miss := u.Blob(e.Outputs[i])
		if miss == "" && !bytes.Equal(b, p.Data) {
			t.Fatalf("output %s: false bytes", p.Name)
		}
		all = all && miss == ""
	}
	return all
}

// What one computes another finds: the entry with its transcript, and the same bytes; then
// it is here, and the server is not asked again.
func TestShare(t *testing.T) {
	s := newSite(t)
	signed := int64(len(s.signedA(t)))
	all := cycles.Size + residue.Size + signed
	if got, want := s.share(t), (Stats{Sent: 1, BytesSent: all}); got != want {
		t.Errorf("sent %+v, want %+v", got, want)
	}
	u := s.user(t, Options{})
	if !u.reads(t) {
		t.Fatal("not found")
	}
	want := entry()
	want.Outputs[0].Away, want.Outputs[1].Away = true, true
	for _, look := range []func(key.ID) (*cache.Entry, string){u.Lookup, u.local.Lookup} {
		if e, miss := look(actionA); cmp.Diff(&want, e) != "" {
			t.Errorf("entry %+v, %q", e, miss)
		}
	}
	asked := s.questions("")
	if !u.reads(t) || s.questions("") != asked {
		t.Error("what is here was asked for again")
	}
	if got, want := u.Finish(), (Stats{Asked: 1, Found: 1, Blobs: 2, BytesFetched: all, NotSending: "no token is given"}); got != want {
		t.Errorf("read %+v, want %+v", got, want)
	}
	if u.warned.String() != "" {
		t.Errorf("warnings: %v", u.warned)
	}
	u.local.Verify(context.Background(), cache.VerifyOptions{}, func(f cache.Finding) { t.Errorf("finding %+v", f) })
}

// signedA is action A as the site's user signs it.
func (s *site) signedA(t *testing.T) []byte {
	t.Helper()
	return sign(t, s.keys, actionA, entry())
}

func sign(t *testing.T, k Keys, action key.ID, e cache.Entry) []byte {
	t.Helper()
	signer, err := k.Signer()
	if err != nil || signer == nil {
		t.Fatal(err)
	}
	return signer.Sign(action, &e)
}

// A blob that is there is not sent again; one that somebody has found wrong there is.
func TestSendOnce(t *testing.T) {
	s := newSite(t)
	s.share(t)
	if first := s.questions("PUT /blobs"); first != 2 {
		t.Fatalf("%d blobs put at first, want 2", first)
	}
	s.share(t) // the small one is put without asking
	if again := s.questions("PUT /blobs"); again != 3 {
		t.Errorf("%d blobs put after the second time, want 3", again)
	}
	path := "/" + fanned(blobsPath, cycles.ID)
	s.files[path][7] ^= 1
	u := s.user(t, Options{Token: token(t, secret)})
	if u.reads(t) {
		t.Fatal("a blob was read that is wrong")
	}
	if err := u.Put(context.Background(), actionA, entry(), []cache.Payload{cycles, residue}); err != nil {
		t.Fatal(err)
	}
	if u.Finish(); !bytes.Equal(s.files[path], cycles.Data) {
		t.Error("the wrong blob was not replaced")
	}
}

// answer replaces the body under a path.
func instead(path string, body []byte) func(http.ResponseWriter, *http.Request, http.HandlerFunc) {
	return func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
		if strings.HasPrefix(r.URL.Path, path) {
			w.Write(body)
			return
		}
		honest(w, r)
	}
}

// altered changes a byte at a place from 0 to 1.
func altered(b []byte, at float64) []byte {
	b = bytes.Clone(b)
	b[int(at*float64(len(b)-1))] ^= 0x20
	return b
}

// Whatever a server answers, nothing false is taken: it is a miss, the local store stays
// sound, and nothing of it is left there.
func TestLyingServer(t *testing.T) {
	mine := newSite(t)
	good := mine.signedA(t)
	foreign := newKeys(t)
	other := entry()
	other.Outputs[0].ID = key.Of([]byte("something else"))
	unsignedFile := func() []byte { e := entry(); return e.Encode(actionA) }()
	var zeroKey [ed25519.PublicKeySize]byte
	tests := []struct {
		reason string
		change func(http.ResponseWriter, *http.Request, http.HandlerFunc)
		warned string
	}{
		{"entry without signature", instead("/actions", unsignedFile), "no signed entry"},
		{"entry signed by a stranger", instead("/actions", sign(t, foreign, actionA, entry())), "not trusted"},
		{"key swapped for a stranger's", instead("/actions", func() []byte {
			b := bytes.Clone(good)
			copy(b[8:], sign(t, foreign, actionA, entry())[8:40])
			return b
		}()), "signature is false"},
		{"key of zeros, under which forgeries are easy", instead("/actions", func() []byte {
			b := bytes.Clone(good)
			copy(b[8:], zeroKey[:])
			return b
		}()), "signature is false"},
		{"another entry under a good signature", instead("/actions", append(bytes.Clone(good[:signedHead]), sign(t, mine.keys, actionA, other)[signedHead:]...)), "signature is false"},
		{"a good signature of another action", instead("/actions", sign(t, mine.keys, actionB, entry())), "belongs to action"},
		{"a signature of the file without its context", instead("/actions", func() []byte {
			signer, _ := mine.keys.Signer()
			b := bytes.Clone(good)
			copy(b[40:], ed25519.Sign(signer.private, b[signedHead:]))
			return b
		}()), "signature is false"},
		{"magic of another version", instead("/actions", append([]byte("lwsignd2"), good[8:]...)), "no signed entry"},
		{"entry cut", instead("/actions", good[:len(good)-1]), "signature is false"},
		{"entry cut to its head", instead("/actions", good[:signedHead]), "signature is false"},
		{"entry shorter than a head", instead("/actions", good[:50]), "no signed entry"},
		{"empty entry", instead("/actions", nil), "no signed entry"},
		{"bytes after the entry", instead("/actions", append(bytes.Clone(good), 0)), "signature is false"},
		{"a page for people", instead("/actions", []byte("<html>Welcome</html>")), "no signed entry"},
		{"an entry beyond all measure", instead("/actions", make([]byte, 2<<20)), "longer than it may be"},
		{"an entry without end and length", func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
			if !strings.HasPrefix(r.URL.Path, "/actions") {
				honest(w, r)
				return
			}
			for r.Context().Err() == nil {
				w.Write(good)
				w.(http.Flusher).Flush()
			}
		}, "longer than it may be"},
		{"blob altered", instead("/blobs", altered(cycles.Data, 0.5)), "that are not the"},
		{"blob cut", instead("/blobs", cycles.Data[1:]), "that are not the"},
		{"blob empty", instead("/blobs", nil), "that are not the"},
		{"blob longer", instead("/blobs", append(bytes.Clone(cycles.Data), 0)), "longer than it may be"},
		{"blobs swapped", instead("/blobs", residue.Data), "that are not the"},
		{"blob said to be packed", func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
			if strings.HasPrefix(r.URL.Path, "/blobs") {
				w.Header().Set("Content-Encoding", "gzip")
				w.Write([]byte("\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03\x03\x00\x00\x00\x00\x00\x00\x00\x00\x00"))
				return
			}
			honest(w, r)
		}, "that are not the"},
		{"blob with less than its length", func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
			if strings.HasPrefix(r.URL.Path, "/blobs") {
				w.Header().Set("Content-Length", "100000")
				w.Write(cycles.Data[:1000])
				return
			}
			honest(w, r)
		}, "longer than it may be"},
		{"blob absent", func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
			if strings.HasPrefix(r.URL.Path, "/blobs") {
				w.WriteHeader(http.StatusNotFound)
				return
			}
			honest(w, r)
		}, ""},
	}
	for at := range 21 {
		tests = append(tests, struct {
			reason string
			change func(http.ResponseWriter, *http.Request, http.HandlerFunc)
			warned string
		}{fmt.Sprintf("entry altered at %d of 20", at), instead("/actions", altered(good, float64(at)/20)), "is not taken"})
	}
	for _, tt := range tests {
		t.Run(tt.reason, func(t *testing.T) {
			s := newSite(t)
			s.keys = mine.keys
			s.share(t)
			s.change = tt.change
			u := s.user(t, Options{})
			if u.reads(t) {
				t.Error("it was believed")
			}
			st := u.Finish()
			if tt.warned == "" && u.warned.String() != "" || !strings.Contains(u.warned.String(), tt.warned) {
				t.Errorf("warned %q, want %q", u.warned, tt.warned)
			}
			if st.Rejected == 0 && tt.warned != "" {
				t.Errorf("nothing counted as rejected: %+v", st)
			}
			sound(t, u.local)
		})
	}
}

// sound wants a local store without fault.
func sound(t *testing.T, s *cache.Store) {
	t.Helper()
	_, err := s.Verify(context.Background(), cache.VerifyOptions{}, func(f cache.Finding) { t.Errorf("finding %+v", f) })
	if err != nil {
		t.Error(err)
	}
}

// Law: no bytes but a trusted signer's own are taken for a signed entry.
func FuzzOpenSigned(f *testing.F) {
	_, private, err := ed25519.GenerateKey(bytes.NewReader(bytes.Repeat([]byte{7}, 64)))
	if err != nil {
		f.Fatal(err)
	}
	signer := &Signer{private}
	e := entry()
	good := signer.Sign(actionA, &e)
	trusted := map[PublicKey]string{signer.Public(): "own"}
	f.Add(good, 0, byte(0))
	f.Add(good[:signedHead], 9, byte(1))
	f.Add([]byte(nil), len(good)-1, byte(0x80))
	f.Fuzz(func(t *testing.T, b []byte, at int, with byte) {
		if got, err := openSigned(b, actionA, trusted); err == nil && !bytes.Equal(b, good) {
			t.Errorf("taken: %x as %+v", b, got)
		}
		one := bytes.Clone(good)
		one[uint(at)%uint(len(one))] ^= with
		if _, err := openSigned(one, actionA, trusted); (err == nil) != (with == 0) {
			t.Errorf("byte %d changed by %#x: %v", uint(at)%uint(len(one)), with, err)
		}
	})
}

// A token goes to the server itself and to nobody else, over encryption only, and what is
// sent is not sent on.
func TestRedirects(t *testing.T) {
	var mu sync.Mutex
	var seen []string // what the other host was given
	other := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		seen = append(seen, r.Method+" "+r.Header.Get("Authorization"))
		w.WriteHeader(http.StatusNotFound)
	}))
	defer other.Close()
	// The same host by name and address, so that only the port tells them apart.
	s := newSite(t)
	s.share(t)
	s.change = func(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
		http.Redirect(w, r, other.URL+r.URL.Path, http.StatusTemporaryRedirect)
	}
	u := s.user(t, Options{Token: token(t, secret)})
	if u.reads(t) {
		t.Error("found where there is nothing")
	}
	if err := u.Put(context.Background(), actionA, entry(), []cache.Payload{cycles, residue}); err != nil {
		t.Fatal(err)
	}
	if st := u.Finish(); st.Sent != 0 || st.Unsent != 1 {
		t.Errorf("sent in spite of the redirect: %+v", st)
	}
	if len(seen) == 0 {
		t.Fatal("the other host was never asked")
	}
	for _, q := range seen {
		if q != "GET " && q != "HEAD " {
			t.Errorf("the other host was given %q", q)
		}
	}
	s.change = func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
		if r.Method == http.MethodGet && !strings.HasPrefix(r.URL.Path, "/moved") {
			http.Redirect(w, r, "/moved"+r.URL.Path, http.StatusFound)
			return
		}
		if r.Header.Get("Authorization") != "Bearer "+secret {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		r.URL.Path = strings.TrimPrefix(r.URL.Path, "/moved")
		honest(w, r)
	}
	if u := s.user(t, Options{Token: token(t, secret)}); !u.reads(t) {
		t.Errorf("a redirect on the server itself was not followed with the token: %v", u.warned)
	}
	s.change = func(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
		http.Redirect(w, r, r.URL.Path, http.StatusFound)
	}
	if u := s.user(t, Options{}); u.reads(t) || !strings.Contains(u.warned.String(), "redirects") {
		t.Errorf("redirects without end: %v", u.warned)
	}
}

// A server that does not work is left alone soon, whatever the number of results.
func TestFailingServer(t *testing.T) {
	type handler = func(http.ResponseWriter, *http.Request, http.HandlerFunc)
	status := func(code int) handler {
		return func(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) { w.WriteHeader(code) }
	}
	for _, tt := range []struct {
		reason string
		change handler
		limits Limits
		most   int // requests
	}{
		{"answers 500", status(500), patient(), 4},
		{"answers 503", status(503), patient(), 4},
		{"is asked too often", status(429), patient(), 4},
		{"knows nobody", status(401), patient(), 1},
		{"forbids", status(403), patient(), 1},
		{"hangs up", func(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
			c, _, _ := w.(http.Hijacker).Hijack()
			c.Close()
		}, patient(), 8}, // the transport asks once more by itself on a connection that was in use
		{"speaks another language", func(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
			c, _, _ := w.(http.Hijacker).Hijack()
			c.Write([]byte("220 mail ready\r\n"))
			c.Close()
		}, patient(), 4},
		{"does not answer", func(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) { <-r.Context().Done() }, quick(), 2},
		{"stops in the middle", func(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
			w.Header().Set("Content-Length", "1000")
			w.Write(make([]byte, 10))
			w.(http.Flusher).Flush()
			<-r.Context().Done()
		}, quick(), 2},
		{"is right but slow", func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
			time.Sleep(280 * time.Millisecond)
			honest(w, r)
		}, quick(), 6},
	} {
		t.Run(tt.reason, func(t *testing.T) {
			t.Parallel()
			s := newSite(t)
			s.change = tt.change
			u := s.user(t, Options{Limits: tt.limits})
			start := time.Now()
			for i := range 100 {
				if e, miss := u.Lookup(key.Of(fmt.Append(nil, i))); e != nil || miss != cache.NotComputed {
					t.Fatalf("entry %+v, miss %q", e, miss)
				}
			}
			if took := time.Since(start); took > time.Minute { // each waited for would be two minutes
				t.Errorf("100 look-ups took %v", took)
			}
			if n := s.questions(""); n > tt.most || n == 0 {
				t.Errorf("%d requests, want at most %d", n, tt.most)
			}
			if n := len(u.warned.list); n != 1 {
				t.Errorf("%d warnings, want one: %v", n, u.warned)
			}
			if st := u.Finish(); st.Asked != 100 || st.Unasked < 90 || st.Found != 0 {
				t.Errorf("counted %+v", st)
			}
		})
	}
}

// Failing once is no reason to do without: the request is made again.
func TestTriesAgain(t *testing.T) {
	s := newSite(t)
	failed := map[string]bool{}
	s.change = func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
		s.mu.Lock()
		first := !failed[r.Method+r.URL.Path]
		failed[r.Method+r.URL.Path] = true
		s.mu.Unlock()
		if first {
			w.WriteHeader(http.StatusBadGateway)
			return
		}
		honest(w, r)
	}
	if st := s.share(t); st.Sent != 1 || st.Failures != 0 {
		t.Errorf("sent: %+v", st)
	}
	u := s.user(t, Options{})
	if !u.reads(t) || u.warned.String() != "" {
		t.Errorf("not read: %v", u.warned)
	}
}

// A server that refuses to be written to is still read; one that gives nothing is still
// written to.
func TestHalfAServer(t *testing.T) {
	for _, tt := range []struct {
		reason     string
		code       int
		method     string
		sent, read bool
		warned     string
	}{
		{"disk full", 507, "PUT", false, true, "Insufficient Storage"},
		{"server error on writing", 500, "PUT", false, true, "Internal Server Error"},
		{"token not known", 401, "PUT", false, true, "check the token"},
		{"may not be written", 405, "PUT", false, true, "check the token"},
		{"file too long for it", 413, "PUT", false, true, "Too Large"},
		{"does not know HEAD", 501, "HEAD", true, true, ""},
		{"may not be read", 403, "GET", true, false, "check the token"},
	} {
		s := newSite(t)
		s.share(t)
		s.change = func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
			if r.Method == tt.method {
				w.WriteHeader(tt.code)
				return
			}
			honest(w, r)
		}
		u := s.user(t, Options{Token: token(t, secret)})
		if got := u.reads(t); got != tt.read {
			t.Errorf("%s: read %t", tt.reason, got)
		}
		for i := range 20 {
			if err := u.Put(context.Background(), key.Of(fmt.Append(nil, i)), entry(), []cache.Payload{cycles, residue}); err != nil {
				t.Fatal(err)
			}
		}
		st := u.Finish()
		if (st.Sent == 20) != tt.sent || st.Sent+st.Unsent != 20 {
			t.Errorf("%s: %+v", tt.reason, st)
		}
		if !strings.Contains(u.warned.String(), tt.warned) || tt.warned == "" && u.warned.String() != "" {
			t.Errorf("%s: warned %q, want %q", tt.reason, u.warned, tt.warned)
		}
		if n := s.questions("PUT"); !tt.sent && n > 20+6 {
			t.Errorf("%s: %d PUTs", tt.reason, n)
		}
	}
}

// After a rest one request tries the server; if it works all do, if not the rest grows.
func TestBreaker(t *testing.T) {
	now := noon
	b := &breaker{limits: &Limits{Failures: 2, Lost: 5 * time.Second, Wasted: time.Hour, Rest: 30 * time.Second, LongestRest: 50 * time.Second}, now: func() time.Time { return now }}
	ask := func(want bool) pass {
		t.Helper()
		p, ok := b.ask()
		if ok != want {
			t.Fatalf("at %v: leave to ask is %t", now.Sub(noon), ok)
		}
		return p
	}
	b.answered(ask(true), false, time.Second, time.Second)
	b.answered(ask(true), true, time.Second, time.Second)
	b.answered(ask(true), false, time.Second, time.Second)
	late := ask(true)
	if b.answered(ask(true), false, time.Second, time.Second) != true {
		t.Error("two failures in a row did not trip it")
	}
	ask(false)
	b.answered(late, true, 0, time.Second) // begun before: says nothing
	now = now.Add(30 * time.Second)
	trial := ask(true)
	ask(false) // only one tries
	if b.answered(trial, false, time.Second, time.Second) {
		t.Error("it tripped when it was resting already")
	}
	now = now.Add(49 * time.Second)
	ask(false)
	now = now.Add(time.Second) // the longest rest
	trial = ask(true)
	b.dropped(trial)
	b.answered(ask(true), true, 0, time.Second)
	ask(true)
	b.answered(ask(true), true, 4*time.Second, time.Second)
	if b.answered(ask(true), true, 3*time.Second, time.Second) != true {
		t.Error("slow answers did not trip it")
	}
}

// No more requests are under way than allowed.
func TestBoundedRequests(t *testing.T) {
	s := newSite(t)
	var mu sync.Mutex
	under, most := 0, 0
	s.change = func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
		mu.Lock()
		under++
		most = max(most, under)
		mu.Unlock()
		time.Sleep(10 * time.Millisecond)
		mu.Lock()
		under--
		mu.Unlock()
		honest(w, r)
	}
	u := s.user(t, Options{})
	var all sync.WaitGroup
	for i := range 60 {
		all.Go(func() { u.Lookup(key.Of(fmt.Append(nil, i))) })
	}
	all.Wait()
	if most > patient().Requests || most < 2 {
		t.Errorf("%d requests at once, want %d", most, patient().Requests)
	}
}

// A run that is stopped does not wait for the server.
func TestStopped(t *testing.T) {
	s := newSite(t)
	ctx, cancel := context.WithCancel(context.Background())
	s.change = func(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
		cancel() // once it is asked
		<-r.Context().Done()
	}
	u := s.userIn(t, ctx, Options{Token: token(t, secret)})
	for i := range 20 {
		if err := u.Put(context.Background(), key.Of(fmt.Append(nil, i)), entry(), []cache.Payload{cycles, residue}); err != nil {
			t.Fatal(err)
		}
	}
	start := time.Now()
	u.Lookup(actionB)
	st := u.Finish()
	if took := time.Since(start); took > 30*time.Second { // a request may take two minutes
		t.Errorf("ended after %v", took)
	}
	if st.Sent != 0 || u.warned.String() != "" {
		t.Errorf("%+v, warned %v", st, u.warned)
	}
}

// Many at once read and send one result through one store: each has its own bytes.
func TestAtOnce(t *testing.T) {
	s := newSite(t)
	s.share(t)
	u := s.user(t, Options{Token: token(t, secret)})
	var all sync.WaitGroup
	for i := range 16 {
		all.Go(func() {
			e, miss := u.Lookup(actionA)
			if miss != "" {
				t.Errorf("miss %q", miss)
				return
			}
			b, miss := u.Blob(e.Outputs[0])
			if !bytes.Equal(b, cycles.Data) {
				t.Errorf("blob: %q", miss)
				return
			}
			clear(b) // it is ours
			if err := u.Put(context.Background(), key.Of(fmt.Append(nil, i)), entry(), []cache.Payload{cycles, residue}); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if st := u.Finish(); st.Sent != 16 || u.warned.String() != "" {
		t.Errorf("%+v, %v", st, u.warned)
	}
	sound(t, u.local)
}

// Without a key whose entries could be taken, or with a URL or token that would give a
// secret away, there is no server; the message says nothing of the secret.
func TestNewServerRefuses(t *testing.T) {
	keys := newKeys(t)
	for _, tt := range []struct {
		reason, url, token string
		o                  Options
		want               string
	}{
		{"no address", "cache.example", "", Options{Keys: keys}, "want https://"},
		{"another scheme", "ftp://cache.example/x", "", Options{Keys: keys}, "want https://"},
		{"no URL", "https://a b/%zz" + secret, "", Options{Keys: keys}, "want https://"},
		{"password in the URL", "https://rw:" + secret + "@cache.example", "", Options{Keys: keys}, "would show in logs"},
		{"token in the query", "https://cache.example/?t=" + secret, "", Options{Keys: keys}, "after ? or #"},
		{"token in the clear", "http://cache.example/", secret, Options{Keys: keys}, "without encryption"},
		{"no authority", "https://cache.example/", "", Options{Keys: keys, CA: []byte("none")}, "no certificate"},
		{"no keys", "https://cache.example/", "", Options{Keys: Keys{t.TempDir()}}, "no key is trusted"},
	} {
		tt.o.Token = token(t, tt.token)
		_, err := NewServer(tt.url, tt.o)
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.reason, err, tt.want)
		} else if strings.Contains(err.Error(), secret) {
			t.Errorf("%s: the message gives the secret away: %v", tt.reason, err)
		}
	}
	for _, url := range []string{"http://127.0.0.1:1", "http://localhost:1/x", "http://[::1]:1/x"} {
		if _, err := NewServer(url, Options{Keys: keys, Token: token(t, secret)}); err != nil {
			t.Errorf("%s: %v", url, err)
		}
	}
}

// A server that is not trusted is not spoken to; the one whose authority is given is.
func TestTLS(t *testing.T) {
	s := newSite(t)
	web := httptest.NewUnstartedServer(s)
	web.Config.ErrorLog = log.New(io.Discard, "", 0)
	web.StartTLS()
	defer web.Close()
	s.files["/"+fanned(actionsPath, actionA)] = s.signedA(t)
	for _, p := range []cache.Payload{cycles, residue} {
		s.files["/"+fanned(blobsPath, p.ID)] = p.Data
	}
	s.url = web.URL
	if u := s.user(t, Options{}); u.reads(t) || !strings.Contains(u.warned.String(), "certificate") || s.questions("") != 0 {
		t.Errorf("certificate of nobody: %v; %d requests came", u.warned, s.questions(""))
	}
	if u := s.user(t, Options{CA: authority(web)}); !u.reads(t) {
		t.Errorf("authority given: %v", u.warned)
	}
}

// Requests are made of nothing but the paths that FORMAT.md states.
func TestPaths(t *testing.T) {
	s := newSite(t)
	s.url += "/team/lapwear/"
	s.share(t)
	a, c := actionA.String(), cycles.ID.String()
	for _, want := range []string{"PUT /team/lapwear/actions/" + a[:2] + "/" + a, "PUT /team/lapwear/blobs/" + c[:2] + "/" + c} {
		if !slices.Contains(s.asked, want) {
			t.Errorf("no %q in %q", want, s.asked)
		}
	}
}

// What others have written into a store's folder is not signed.
func TestSignsWhatWasComputed(t *testing.T) {
	s := newSite(t)
	u := s.user(t, Options{Token: token(t, secret)})
	forged := entry()
	forged.Refused = "forged"
	hold := make(chan struct{})
	s.change = func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
		<-hold
		honest(w, r)
	}
	ctx := context.Background()
	if err := u.Put(ctx, actionA, entry(), []cache.Payload{cycles, residue}); err != nil {
		t.Fatal(err)
	}
	if err := u.local.Put(ctx, actionA, forged, []cache.Payload{cycles, residue}); err != nil {
		t.Fatal(err)
	}
	close(hold)
	if st := u.Finish(); st.Sent != 1 {
		t.Fatalf("%+v", st)
	}
	if e, miss := s.user(t, Options{}).Lookup(actionA); e == nil || e.Refused != "" {
		t.Errorf("%+v, %q", e, miss)
	}
}

// A refusal, and what has no outputs, is shared like any result.
func TestShareRefusal(t *testing.T) {
	s := newSite(t)
	u := s.user(t, Options{Token: token(t, secret)})
	want := cache.Entry{Stage: "ingest", Refused: "no samples", Made: noon}
	if err := u.Put(context.Background(), actionB, want, nil); err != nil {
		t.Fatal(err)
	}
	u.Finish()
	if e, miss := s.user(t, Options{}).Lookup(actionB); cmp.Diff(&want, e) != "" {
		t.Errorf("%+v, %q", e, miss)
	}
}

// What a message repeats stands on one line and has no signs that a terminal obeys.
func TestExplain(t *testing.T) {
	if got, want := explain(errors.New("x509: for \x1b[2Jevil\r\nok\u0085"+strings.Repeat("y", 500))), "x509: for  [2Jevil ok "+strings.Repeat("y", 138)+"…"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}
