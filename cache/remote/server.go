package remote

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"
	"unicode"

	"lapwear/cache"
	"lapwear/cache/key"
)

// Options say how a server is used.
type Options struct {
	CA     []byte // PEM of the authorities to trust in place of the system's; nil = the system's
	Token  Token
	Keys   Keys
	Limits Limits // zero = DefaultLimits
	// Warn receives what is wrong but stops nothing, each thing once; nil drops it. It may
	// be called from several goroutines.
	Warn   func(string)
	Now    func() time.Time // nil = time.Now
	Jitter func() float64   // from 0 to 1; nil = random
}

// Server is where results are shared. It may serve several stores at once.
type Server struct {
	client  *client
	base    string
	reading *breaker
	writing *breaker
	trusted map[PublicKey]string
	signer  *Signer
	silent  string // why nothing is sent; "" = what is computed is sent
	warn    func(string)
	now     func() time.Time

	mu     sync.Mutex
	warned map[string]bool
	mute   map[string]bool // methods that the server does not allow
	keeps  map[string]bool // parts of which it was seen to keep what is put
}

// NewServer makes ready to use the server at a URL such as https://cache.example/lapwear.
// It asks nothing of it yet. Results are sent if there are a token and a signing key.
func NewServer(rawURL string, o Options) (*Server, error) {
	base, err := parseBase(rawURL)
	if err != nil {
		return nil, err
	}
	o.fill()
	if o.Token.given() && base.Scheme == "http" && !loopback(base) {
		return nil, errors.New("a token may not go to another host without encryption; use https, or leave the token out to read only")
	}
	signer, err := o.Keys.Signer()
	if err != nil {
		return nil, err
	}
	s := &Server{base: base.String(), signer: signer, warn: o.Warn, now: o.Now, warned: map[string]bool{}, mute: map[string]bool{}, keeps: map[string]bool{}}
	if s.trusted, err = o.Keys.accepted(signer); err != nil {
		return nil, err
	}
	if len(s.trusted) == 0 {
		return nil, errors.New("no key is trusted, so nothing could be taken from it; trust the key of whoever computes: 'lapwear cache key trust NAME KEY'")
	}
	switch {
	case !o.Token.given():
		s.silent = "no token is given"
	case signer == nil:
		s.silent = "there is no signing key; 'lapwear cache key new' makes one"
	}
	if s.client, err = newClient(o, base); err != nil {
		return nil, err
	}
	s.reading = &breaker{limits: &s.client.limits, now: o.Now}
	s.writing = &breaker{limits: &s.client.limits, now: o.Now}
	return s, nil
}

func (o *Options) fill() {
	if o.Limits == (Limits{}) {
		o.Limits = DefaultLimits()
	}
	if o.Warn == nil {
		o.Warn = func(string) {}
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Jitter == nil {
		o.Jitter = rand.Float64
	}
}

// parseBase reads a server's URL. Its errors repeat nothing of it, for people put
// passwords into URLs.
func parseBase(text string) (*url.URL, error) {
	u, err := url.Parse(text)
	switch {
	case err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http":
		return nil, errors.New("want https://HOST[:PORT][/PATH], or http://")
	case u.User != nil:
		return nil, errors.New("it holds a user name or password, which would show in logs; put USER:PASSWORD into the token")
	case u.RawQuery != "" || u.Fragment != "":
		return nil, errors.New("it has a part after ? or #; want https://HOST[:PORT][/PATH]")
	}
	return u, nil
}

func loopback(u *url.URL) bool {
	ip := net.ParseIP(u.Hostname())
	return u.Hostname() == "localhost" || ip != nil && ip.IsLoopback()
}

// URL returns where the server is.
func (s *Server) URL() string { return s.base }

// once warns of a thing the first time.
func (s *Server) once(thing, text string) {
	s.mu.Lock()
	first := !s.warned[thing]
	s.warned[thing] = true
	s.mu.Unlock()
	if first {
		s.warn(fmt.Sprintf("shared cache %s: %s", s.base, text))
	}
}

// The parts of a server.
const (
	actionsPath = "actions"
	blobsPath   = "blobs"
)

func fanned(area string, id key.ID) string {
	name := id.String()
	return area + "/" + name[:2] + "/" + name
}

// entry asks for the entry of an action, which open has to take.
func (s *Server) entry(ctx context.Context, action key.ID, open func(b []byte) error) ([]byte, error) {
	a, err := s.ask(ctx, s.reading, request{method: http.MethodGet, path: fanned(actionsPath, action),
		limit: s.client.limits.Entry, brief: true, check: open})
	return a.body, err
}

// blob asks for an output, which right has to take.
func (s *Server) blob(ctx context.Context, o cache.Output, right func(b []byte) error) ([]byte, error) {
	a, err := s.ask(ctx, s.reading, request{method: http.MethodGet, path: fanned(blobsPath, o.ID), limit: o.Size, check: right})
	return a.body, err
}

// standing returns what stands for the entry of an action, whatever it is, to whoever is
// about to send it; nil if the server does not say.
func (s *Server) standing(ctx context.Context, action key.ID) []byte {
	a, err := s.ask(ctx, s.writing, request{method: http.MethodGet, path: fanned(actionsPath, action),
		limit: s.client.limits.Entry, brief: true})
	if err != nil && !errors.Is(err, errLong) {
		return nil
	}
	return append([]byte{}, a.body...)
}

// has tells whether the server says that it has a file of a length, if it says anything.
func (s *Server) has(ctx context.Context, path string, length int64) (there, known bool) {
	a, err := s.ask(ctx, s.writing, request{method: http.MethodHead, path: path})
	return err == nil && a.length == length, err == nil || errors.Is(err, errAbsent)
}

// put sends a file. Of the first of a kind it looks whether the server keeps it: some answer
// that all is well whatever they are asked.
func (s *Server) put(ctx context.Context, kind string, id key.ID, body []byte) error {
	path := fanned(kind, id)
	if _, err := s.ask(ctx, s.writing, request{method: http.MethodPut, path: path, body: body}); err != nil {
		return err
	}
	s.mu.Lock()
	proven := s.keeps[kind]
	s.mu.Unlock()
	if proven {
		return nil
	}
	there, known := s.has(ctx, path, int64(len(body)))
	if known && !there {
		s.once("kept", "it says that it takes results, but does not keep them; results are not sent")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	switch {
	case there:
		s.keeps[kind] = true
	case known:
		s.mute[http.MethodPut] = true
		return errNotKept
	}
	return nil
}

// ask makes a request, and tells the user once what is wrong with the server.
func (s *Server) ask(ctx context.Context, b *breaker, q request) (answer, error) {
	s.mu.Lock()
	muted := s.mute[q.method]
	s.mu.Unlock()
	if muted {
		return answer{length: -1}, errResting
	}
	a, err := s.client.do(ctx, b, q)
	if ctx.Err() == nil {
		err = s.tell(q.method, err)
	}
	return a, err
}

// tell tells the user once what is wrong with the server, and returns the error without
// the mark of the breaker.
func (s *Server) tell(method string, err error) error {
	var trip tripped
	if errors.As(err, &trip) {
		err = trip.error
		var status statusError
		var wrong falseError
		switch {
		case errors.As(err, &wrong):
			s.once("false", "what it gives is false again and again; it is left alone for a while, and the run goes on without it")
		case !failure(err):
			s.once("slow", "its answers are slow; it is left alone for a while, and the run goes on without it")
		case !errors.As(err, &status): // it is gone, for reading as for writing
			s.reading.trip()
			s.writing.trip()
		}
	}
	var status statusError
	var wrong falseError
	answered := errors.As(err, &status)
	switch {
	case err == nil, errors.Is(err, errResting), errors.Is(err, errAbsent), errors.Is(err, errLong), errors.As(err, &wrong):
	case answered && status.denied():
		s.mu.Lock()
		s.mute[method] = true
		s.mu.Unlock()
		if method != http.MethodHead { // without it everything is sent
			s.once("denied "+method, denial(method, status))
		}
	case answered && !status.passing():
		s.once(fmt.Sprint(method, status.code), fmt.Sprintf("%v to %s", status, method))
	case method == http.MethodGet:
		s.once("failed "+method, fmt.Sprintf("it cannot be read: %s; what it may have is computed", explain(err)))
	default:
		s.once("failed "+method, fmt.Sprintf("results cannot be sent: %s; the run goes on without that", explain(err)))
	}
	return err
}

// explain gives a cause on one line: parts of it may be the server's words.
func explain(err error) string {
	return clip(strings.Join(strings.FieldsFunc(err.Error(), unicode.IsControl), " "))
}

func denial(method string, status statusError) string {
	if method == http.MethodPut {
		return fmt.Sprintf("it takes nothing from this user (%v); check the token; results are not sent", status)
	}
	return fmt.Sprintf("it gives nothing to this user (%v to %s); check the token", status, method)
}
