package remote

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"lapwear/cache"
	"lapwear/cache/key"
)

// lookups asks for so many results that nobody has.
func (u user) lookups(t *testing.T, n int) {
	t.Helper()
	for i := range n {
		if e, miss := u.Lookup(key.Of(fmt.Append(nil, i))); e != nil || miss != cache.NotComputed {
			t.Fatalf("entry %+v, miss %q", e, miss)
		}
	}
}

// A server that drips long entries of nothing, each just fast enough for its length, holds a
// run up no longer than one that does not answer.
func TestDrippingServer(t *testing.T) {
	s := newSite(t)
	dripped := make(chan bool, 50) // whether all was, before it was given up
	s.change = func(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
		w.Header().Set("Content-Length", fmt.Sprint(1<<20))
		for range 64 {
			w.Write(make([]byte, 16<<10))
			w.(http.Flusher).Flush()
			select {
			case <-r.Context().Done():
				dripped <- false
				return
			case <-time.After(150 * time.Millisecond): // 10 s in all, of the 16 that the length is worth
			}
		}
		dripped <- true
	}
	l := quick()
	l.Rate = 64 << 10
	u := s.user(t, Options{Limits: l})
	u.lookups(t, 50)
	if <-dripped {
		t.Error("a look-up waited for all that was dripped")
	}
	if n := s.questions(""); n != 1 {
		t.Errorf("%d requests, want 1", n)
	}
}

// A server whose answers are false is left alone like one that fails, and tells the user little.
func TestFalseServer(t *testing.T) {
	s := newSite(t)
	s.change = instead("/actions", []byte("<html>Welcome</html>"))
	u := s.user(t, Options{Token: token(t, secret)})
	u.lookups(t, 100)
	if n := s.questions(""); n != patient().Failures {
		t.Errorf("%d requests, want %d", n, patient().Failures)
	}
	if n := len(u.warned.list); n != 2 || !strings.Contains(u.warned.String(), "left alone") {
		t.Errorf("%d warnings, want the first answer and the rest: %v", n, u.warned)
	}
	s.change = nil // it is still written to, which may mend it
	if err := u.Put(context.Background(), actionA, entry(), []cache.Payload{cycles, residue}); err != nil {
		t.Fatal(err)
	}
	if st := u.Finish(); st.Sent != 1 || st.Rejected != patient().Failures || st.Unasked != 100-patient().Failures {
		t.Errorf("%+v", st)
	}
}

// However many keys a server makes up, a few are named, once, without a command that would
// trust them; one whose signature is false is not named at all.
func TestKeysMadeUp(t *testing.T) {
	s := newSite(t)
	names := 0
	s.change = func(w http.ResponseWriter, r *http.Request, _ http.HandlerFunc) {
		_, private, _ := ed25519.GenerateKey(nil)
		e := entry()
		b := (&Signer{private}).Sign(actionA, &e)
		if strings.HasSuffix(r.URL.Path, "0") {
			b[signedHead-1] ^= 1
		}
		w.Write(b)
	}
	u := s.user(t, Options{})
	u.lookups(t, 60)
	st := u.Finish()
	for _, text := range u.warned.list {
		names += strings.Count(text, keyPrefix)
		if strings.Contains(text, "key trust NAME") || strings.Contains(text, "trust "+keyPrefix) {
			t.Errorf("a command to copy: %s", text)
		}
	}
	if names != mostForeign || !strings.Contains(u.warned.String(), "and others; see 'lapwear cache key trust --help'") || len(u.warned.list) > 2 {
		t.Errorf("%d keys named: %v", names, u.warned)
	}
	if st.Rejected != 60 { // it answers quickly, and keys that are not trusted are no failure
		t.Errorf("%+v", st)
	}
}

// Time wasted in all has a bound, however it is spread.
func TestBreakerForGood(t *testing.T) {
	now := noon
	b := &breaker{limits: &Limits{Failures: 2, Lost: 5 * time.Second, Wasted: time.Minute, Rest: time.Second, LongestRest: time.Second}, now: func() time.Time { return now }}
	asked := time.Duration(0)
	for range 1000 {
		if p, ok := b.ask(); ok {
			b.answered(p, false, 4*time.Second, time.Second)
			asked += 4 * time.Second
		}
		if p, ok := b.ask(); ok {
			b.answered(p, true, 0, time.Second)
		}
		now = now.Add(time.Minute)
	}
	if asked != time.Minute {
		t.Errorf("%v were wasted, want a minute", asked)
	}
}

// send sends all that a user's store holds.
func (u user) send(t *testing.T, how Sending) Stats {
	t.Helper()
	if err := u.SendAll(how); err != nil {
		t.Fatal(err)
	}
	return u.Finish()
}

// filled is a user whose store holds action A.
func (s *site) filled(t *testing.T, k Keys) user {
	t.Helper()
	u := s.user(t, Options{Token: token(t, secret), Keys: k})
	if err := u.local.Put(context.Background(), actionA, entry(), []cache.Payload{cycles, residue}); err != nil {
		t.Fatal(err)
	}
	return u
}

// What a server has damaged, or has with a key that is used no more, is sent again; of
// outputs of the right length only if everything is.
func TestSendMends(t *testing.T) {
	action, blob := "/"+fanned(actionsPath, actionA), "/"+fanned(blobsPath, cycles.ID)
	late := entry()
	late.Made = noon.Add(time.Hour)
	for _, tt := range []struct {
		reason string
		spoil  func(s *site)
		how    Sending
		sent   int
	}{
		{"nothing is amiss", func(s *site) {}, Missing, 0},
		{"it was computed again later", func(s *site) { s.files[action] = sign(t, s.keys, actionA, late) }, Missing, 0},
		{"the entry is gone", func(s *site) { delete(s.files, action) }, Missing, 1},
		{"the entry is of the right length and zeros", func(s *site) { clear(s.files[action]) }, Missing, 1},
		{"entry and outputs are zeros", func(s *site) { clear(s.files[action]); clear(s.files[blob]) }, Missing, 1},
		{"the entry is beyond all measure", func(s *site) { s.files[action] = make([]byte, 2<<20) }, Missing, 1},
		{"the entry is empty", func(s *site) { s.files[action] = []byte{} }, Missing, 1},
		{"another signed it", func(s *site) { s.files[action] = sign(t, newKeys(t), actionA, entry()) }, Missing, 1},
		{"an output alone is zeros", func(s *site) { clear(s.files[blob]) }, Everything, 1},
	} {
		t.Run(tt.reason, func(t *testing.T) {
			s := newSite(t)
			s.share(t)
			for path, b := range s.files {
				s.files[path] = bytes.Clone(b)
			}
			tt.spoil(s)
			u := s.filled(t, s.keys)
			if st := u.send(t, tt.how); st.Sent != tt.sent || st.There != 1-tt.sent || st.Unsent > 0 {
				t.Errorf("%+v", st)
			}
			if r := s.user(t, Options{}); !r.reads(t) {
				t.Errorf("the server is not whole: %v", r.warned)
			}
		})
	}
}

// Damage to many entries is no reason to stop mending them.
func TestSendMendsMany(t *testing.T) {
	s := newSite(t)
	u := s.filled(t, s.keys)
	for i := range 30 {
		id := key.Of(fmt.Append(nil, i))
		if err := u.local.Put(context.Background(), id, entry(), []cache.Payload{cycles, residue}); err != nil {
			t.Fatal(err)
		}
		s.files["/"+fanned(actionsPath, id)] = make([]byte, 2<<20)
	}
	if st := u.send(t, Missing); st.Sent != 31 || u.warned.String() != "" {
		t.Errorf("%+v, %v", st, u.warned)
	}
}

// After a change of key the outputs that are there are not sent anew, and whoever trusts the
// new key alone finds everything.
func TestSendWithNewKey(t *testing.T) {
	s := newSite(t)
	s.share(t)
	before := s.questions("PUT /" + fanned(blobsPath, cycles.ID))
	k := newKeys(t)
	if st := s.filled(t, k).send(t, Missing); st.Sent != 1 || st.There != 0 {
		t.Errorf("%+v", st)
	}
	if n := s.questions("PUT /" + fanned(blobsPath, cycles.ID)); n != before {
		t.Error("a long output was sent again")
	}
	if u := s.user(t, Options{Keys: k}); !u.reads(t) {
		t.Errorf("not found: %v", u.warned)
	}
}

// One that answers that all is well and keeps nothing is found out, and gets nothing more.
func TestServerKeepsNothing(t *testing.T) {
	for _, tt := range []struct{ reason, lost string }{{"entries", "/actions"}, {"outputs", "/blobs"}, {"all", "/"}} {
		s := newSite(t)
		s.change = func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
			if r.Method == http.MethodPut && strings.HasPrefix(r.URL.Path, tt.lost) {
				io.Copy(io.Discard, r.Body)
				return // 200
			}
			honest(w, r)
		}
		u := s.user(t, Options{Token: token(t, secret)})
		for i := range 50 {
			if err := u.Put(context.Background(), key.Of(fmt.Append(nil, i)), entry(), []cache.Payload{cycles, residue}); err != nil {
				t.Fatal(err)
			}
		}
		st := u.Finish()
		if st.Sent != 0 || st.Unsent != 50 || !strings.Contains(u.warned.String(), "does not keep them") || len(u.warned.list) != 1 {
			t.Errorf("%s: %+v, warned %v", tt.reason, st, u.warned)
		}
		if n := s.questions("PUT"); n > 3*senders {
			t.Errorf("%s: %d PUTs", tt.reason, n)
		}
	}
}

// A result counts once, however often it is put; it is sent again only with other outputs, or
// if it could not be sent.
func TestCountsOnce(t *testing.T) {
	s := newSite(t)
	refuse := true
	s.change = func(w http.ResponseWriter, r *http.Request, honest http.HandlerFunc) {
		s.mu.Lock()
		no := refuse
		s.mu.Unlock()
		if no && r.Method == http.MethodPut {
			w.WriteHeader(http.StatusConflict)
			return
		}
		honest(w, r)
	}
	u := s.user(t, Options{Token: token(t, secret)})
	put := func(e cache.Entry) Stats {
		t.Helper()
		if err := u.Put(context.Background(), actionA, e, []cache.Payload{cycles, residue}); err != nil {
			t.Fatal(err)
		}
		return u.Finish()
	}
	if st := put(entry()); st.Unsent != 1 || st.Sent != 0 {
		t.Errorf("refused: %+v", st)
	}
	s.mu.Lock()
	refuse = false
	s.mu.Unlock()
	bare := entry()
	bare.Outputs[1].Kept = false
	for _, e := range []cache.Entry{bare, bare, entry(), entry(), entry()} {
		if st := put(e); st.Unsent != 0 || st.Sent != 1 {
			t.Errorf("%+v", st)
		}
	}
	if n := s.questions("PUT /actions"); n != 2 { // without and with the second output; the refused one had stopped at its outputs
		t.Errorf("%d entries put, want 2", n)
	}
	if r := s.user(t, Options{}); !r.reads(t) {
		t.Error("the second output is not there")
	}
}
