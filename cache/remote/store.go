package remote

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"

	"golang.org/x/sync/singleflight"

	"lapwear/cache"
	"lapwear/cache/key"
)

// Stats is what a Store had of its server.
type Stats struct {
	Asked        int    `json:"asked"`         // results that were not here
	Found        int    `json:"found"`         // of those, taken from the server
	Blobs        int    `json:"blobs"`         // outputs fetched
	BytesFetched int64  `json:"bytes_fetched"` // of results and outputs
	Sent         int    `json:"sent"`          // results sent, with their outputs
	BytesSent    int64  `json:"bytes_sent"`    // of results and outputs
	Unsent       int    `json:"unsent"`        // results that could not be sent
	There        int    `json:"there"`         // results that were there already when all were to be sent
	Rejected     int    `json:"rejected"`      // answers that were not what they had to be
	Failures     int    `json:"failures"`      // requests that failed
	Unasked      int    `json:"unasked"`       // requests not made while the server was left alone
	NotSending   string `json:"not_sending"`   // why nothing is sent; "" = it is
}

// senders is how many results are sent at once.
const senders = 4

// smallBlob is up to what length a blob is sent without asking whether it is there.
const smallBlob = 16 << 10

// Store is a local store with a server behind it. It is what the engine wants of a store.
type Store struct {
	*cache.Store
	server *Server
	ctx    context.Context // of the run: look-ups have none of their own
	flight singleflight.Group

	mu      sync.Mutex
	stats   Stats
	suspect map[key.ID]bool // blobs that the server lacks or has wrong
	there   map[key.ID]bool // blobs that were sent
	foreign []PublicKey     // keys that are not trusted, as far as they are named
	queue   []result        // to be sent
	fates   map[key.ID]fate // of results to be sent
	sending int
	sent    sync.WaitGroup
}

// result is one that was computed here. It is signed as it was computed: others may write
// into a store's folder.
type result struct {
	action key.ID
	entry  cache.Entry
	how    Sending
}

// Sending says what is sent although it may be there already.
type Sending int

const (
	asComputed Sending = iota // the entry
	Missing                   // what the server lacks or has wrong, as far as it says
	Everything                // all, without asking
)

// fate is what became of a result to be sent.
type fate struct {
	outputs []cache.Output
	counted *int // in the stats; nil while it is under way
}

// Behind puts the server behind a local store for the time of a run. Once ctx ends the
// server is not asked any more.
func (s *Server) Behind(ctx context.Context, local *cache.Store) *Store {
	return &Store{Store: local, server: s, ctx: ctx, suspect: map[key.ID]bool{}, there: map[key.ID]bool{}, fates: map[key.ID]fate{}, stats: Stats{NotSending: s.silent}}
}

// Lookup returns the entry of an action, from here or from the server, or why there is
// none here.
func (s *Store) Lookup(action key.ID) (*cache.Entry, string) {
	e, miss := s.Store.Lookup(action)
	if miss == "" {
		return e, ""
	}
	s.count(func(st *Stats) { st.Asked++ })
	e = s.find(action)
	if e == nil {
		return nil, miss
	}
	s.count(func(st *Stats) { st.Found++ })
	e, err := s.Adopt(s.ctx, action, *e)
	if err != nil && s.ctx.Err() == nil {
		s.server.once("adopt", fmt.Sprintf("what it gives is not stored here: %v", err))
	}
	return e, ""
}

// find asks the server for an entry and takes one with a good signature.
func (s *Store) find(action key.ID) *cache.Entry {
	var e *cache.Entry
	var foreign foreignError
	b, err := s.server.entry(s.ctx, action, func(b []byte) (err error) {
		e, err = openSigned(b, action, s.server.trusted)
		if errors.As(err, &foreign) { // the server works, and has nothing for this user
			return nil
		}
		return err
	})
	switch {
	case !s.got(err, "result "+action.Short()):
		return nil
	case e == nil:
		s.rejectForeign(foreign.key)
		return nil
	}
	s.count(func(st *Stats) { st.BytesFetched += int64(len(b)) })
	return e
}

// Blob returns an output's bytes, from here or from the server, or why they are not here.
func (s *Store) Blob(o cache.Output) ([]byte, string) {
	b, miss := s.Store.Blob(o)
	if miss == "" || !o.Kept {
		return b, miss
	}
	v, _, shared := s.flight.Do(o.ID.String(), func() (any, error) { return s.fetch(o), nil })
	if b = v.([]byte); b == nil {
		return nil, miss
	}
	if shared {
		b = bytes.Clone(b)
	}
	return b, ""
}

// fetch asks the server for an output and keeps it here; nil if it has none that is right.
func (s *Store) fetch(o cache.Output) []byte {
	if o.Size > s.server.client.limits.Blob {
		return nil
	}
	b, err := s.server.blob(s.ctx, o, func(b []byte) error {
		if int64(len(b)) != o.Size || key.Of(b) != o.ID {
			return fmt.Errorf("%d bytes that are not the %d wanted", len(b), o.Size)
		}
		return nil
	})
	var wrong falseError
	if errors.Is(err, errAbsent) || errors.As(err, &wrong) {
		s.doubt(o.ID)
	}
	if !s.got(err, "output "+o.ID.Short()) {
		return nil
	}
	if b == nil {
		b = []byte{}
	}
	s.count(func(st *Stats) { st.Blobs++; st.BytesFetched += o.Size })
	if err := s.PutBlob(s.ctx, o, b); err != nil && s.ctx.Err() == nil {
		s.server.once("keep", fmt.Sprintf("what it gives is not stored here: %v", err))
	}
	return b
}

// got judges how the server answered a question for something.
func (s *Store) got(err error, what string) bool {
	var wrong falseError
	switch {
	case err == nil:
		return true
	case errors.Is(err, errAbsent), s.ctx.Err() != nil:
	case errors.Is(err, errResting):
		s.count(func(st *Stats) { st.Unasked++ })
	case errors.As(err, &wrong):
		s.count(func(st *Stats) { st.Rejected++ })
		s.server.once("rejected", fmt.Sprintf("%s is not taken: %s", what, explain(wrong.error)))
	default:
		s.count(func(st *Stats) { st.Failures++ })
	}
	return false
}

// mostForeign is how many keys that are not trusted are named: a server can make up any number.
const mostForeign = 3

// rejectForeign counts an entry that is not taken for its key. Finish names the keys.
func (s *Store) rejectForeign(public PublicKey) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.stats.Rejected++
	if len(s.foreign) <= mostForeign && !slices.Contains(s.foreign, public) {
		s.foreign = append(s.foreign, public)
	}
}

// tellForeign names keys that are not trusted. It gives no command to copy: whether one is
// to be trusted is for its owner to say, not for the server.
func (s *Store) tellForeign() {
	s.mu.Lock()
	keys := s.foreign
	s.mu.Unlock()
	if len(keys) == 0 {
		return
	}
	var names []string
	for _, k := range keys[:min(len(keys), mostForeign)] {
		names = append(names, k.String())
	}
	if len(keys) > mostForeign {
		names = append(names, "and others")
	}
	s.server.once("foreign", fmt.Sprintf("results are not taken that are signed with keys which are not trusted: %s; see 'lapwear cache key trust --help'", strings.Join(names, ", ")))
}

func (s *Store) count(change func(*Stats)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change(&s.stats)
}

func (s *Store) doubt(id key.ID) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.suspect[id] = true
}

// Put remembers a result here and, if results are sent, sends it without waiting for that.
func (s *Store) Put(ctx context.Context, action key.ID, e cache.Entry, blobs []cache.Payload) error {
	if e.Made.IsZero() {
		e.Made = s.server.now()
	}
	if err := s.Store.Put(ctx, action, e, blobs); err != nil || s.server.silent != "" {
		return err
	}
	if e.Outputs == nil {
		for _, p := range blobs {
			e.Outputs = append(e.Outputs, cache.Output{Name: p.Name, ID: p.ID, Size: p.Size, Kept: p.Data != nil})
		}
	}
	s.enqueue(result{action: action, entry: e})
	return nil
}

// enqueue has a result sent, unless just that is or was: outputs that are made again are put again.
func (s *Store) enqueue(r result) {
	s.mu.Lock()
	defer s.mu.Unlock()
	was, again := s.fates[r.action]
	if again && was.counted != &s.stats.Unsent && slices.Equal(was.outputs, r.entry.Outputs) &&
		!slices.ContainsFunc(was.outputs, func(o cache.Output) bool { return s.suspect[o.ID] }) {
		return
	}
	if was.counted != nil {
		*was.counted--
	}
	s.fates[r.action] = fate{outputs: r.entry.Outputs}
	s.queue = append(s.queue, r)
	if s.sending < senders {
		s.sending++
		s.sent.Go(s.sendQueued)
	}
}

// SendAll sends every result that is here, and of those what is wanted. The user vouches for
// the store's folder by it, since these results are signed as they stand there. What came from
// a server is not sent.
func (s *Store) SendAll(how Sending) error {
	if s.server.silent != "" {
		return errors.New(s.server.silent)
	}
	return s.Entries(s.ctx, func(action key.ID, e *cache.Entry) error {
		if !slices.ContainsFunc(e.Outputs, func(o cache.Output) bool { return o.Away }) {
			s.enqueue(result{action, *e, how})
		}
		return nil
	})
}

// Finish waits until everything is sent that can be, and returns what the server was good
// for. Nothing may be put afterwards.
func (s *Store) Finish() Stats {
	s.sent.Wait()
	s.tellForeign()
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.stats
}

// Queued returns how many results wait to be sent.
func (s *Store) Queued() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.queue)
}

// errThere says that a result need not be sent.
var errThere = errors.New("it is there already")

func (s *Store) sendQueued() {
	for {
		s.mu.Lock()
		if len(s.queue) == 0 {
			s.sending--
			s.mu.Unlock()
			return
		}
		next := s.queue[0]
		s.queue = s.queue[1:]
		s.mu.Unlock()
		s.sealFate(next, s.send(next))
	}
}

// sealFate counts what became of a result. One that is sent twice counts as it ended.
func (s *Store) sealFate(r result, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	counted := &s.stats.Unsent
	switch {
	case err == nil:
		counted = &s.stats.Sent
	case errors.Is(err, errThere):
		counted = &s.stats.There
	case errors.Is(err, errResting):
		s.stats.Unasked++
	default:
		s.stats.Failures++
	}
	f := s.fates[r.action]
	if f.counted != nil {
		*f.counted--
	}
	*counted++
	f.counted = counted
	s.fates[r.action] = f
}

// look compares what the server has for the entry of an action with what would be sent. It is
// right if signed with the user's key and of the same outcome, whenever that was computed, and
// damaged if it is not somebody's sound entry.
func (s *Store) look(r result) (right, damaged bool) {
	b := s.server.standing(s.ctx, r.action)
	if b == nil {
		return false, false
	}
	e, err := openSigned(b, r.action, map[PublicKey]string{s.server.signer.Public(): ""})
	var foreign foreignError
	if err != nil {
		return false, !errors.As(err, &foreign)
	}
	return e.Refused == r.entry.Refused && slices.Equal(e.Outputs, r.entry.Outputs), false
}

// send sends a result that is here: first its outputs, then its entry, so that nobody
// finds an entry whose outputs are still on their way.
func (s *Store) send(r result) error {
	if err := s.ctx.Err(); err != nil {
		return err
	}
	e := &r.entry
	b := s.server.signer.Sign(r.action, e)
	if int64(len(b)) > s.server.client.limits.Entry {
		return errLong
	}
	whole := r.how == Everything
	if r.how == Missing {
		right, damaged := s.look(r)
		if right {
			return errThere
		}
		whole = damaged // and so may its outputs be
	}
	for _, o := range e.Outputs {
		if err := s.sendBlob(o, whole); err != nil {
			return err
		}
	}
	if err := s.server.put(s.ctx, actionsPath, r.action, b); err != nil {
		return err
	}
	s.count(func(st *Stats) { st.BytesSent += int64(len(b)) })
	return nil
}

// sendBlob sends an output unless it was sent, or is there and need not be sent again.
func (s *Store) sendBlob(o cache.Output, again bool) error {
	s.mu.Lock()
	sent, suspect := s.there[o.ID], s.suspect[o.ID]
	s.mu.Unlock()
	if !o.Kept || sent && !suspect {
		return nil
	}
	there := false
	if !again && !suspect && o.Size > smallBlob {
		there, _ = s.server.has(s.ctx, fanned(blobsPath, o.ID), o.Size)
	}
	if !there {
		b, miss := s.Store.Blob(o)
		if miss != "" {
			return errors.New(miss)
		}
		if int64(len(b)) > s.server.client.limits.Blob {
			return errLong
		}
		if err := s.server.put(s.ctx, blobsPath, o.ID, b); err != nil {
			return err
		}
		s.count(func(st *Stats) { st.BytesSent += o.Size })
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.there[o.ID] = true
	delete(s.suspect, o.ID)
	return nil
}
