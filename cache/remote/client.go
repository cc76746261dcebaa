package remote

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"
)

// Limits bound what a server may cost.
type Limits struct {
	Connect     time.Duration // to a connection, and to its encryption
	Answer      time.Duration // to the head of an answer, and beyond what Rate allows for its body
	Fair        time.Duration // what a request may take, beyond Rate, before it counts as slow
	Rate        int64         // bytes a second below which a body is slow
	Tries       int           // of a request that fails
	Backoff     time.Duration // before the second try; doubles; each is drawn from half to all of it
	Requests    int           // at once
	Failures    int           // in a row before the server is left alone
	Lost        time.Duration // time lost before the server is left alone
	Wasted      time.Duration // time lost in all before the server is left alone for good
	Rest        time.Duration // how long it is left alone at first
	LongestRest time.Duration
	Entry, Blob int64 // the longest taken or sent, in bytes
}

// DefaultLimits are for a server in the same house or behind a good line.
func DefaultLimits() Limits {
	return Limits{Connect: 2 * time.Second, Answer: 4 * time.Second, Fair: time.Second, Rate: 256 << 10,
		Tries: 3, Backoff: 100 * time.Millisecond, Requests: 8, Failures: 4, Lost: 5 * time.Second, Wasted: 2 * time.Minute,
		Rest: 30 * time.Second, LongestRest: 5 * time.Minute, Entry: 32 << 20, Blob: 4 << 30}
}

// Errors of requests.
var (
	errAbsent  = errors.New("not there")
	errResting = errors.New("it is left alone for a while")
	errSlow    = errors.New("no answer in time")
	errLong    = errors.New("longer than it may be")
	errNotKept = errors.New("the server does not keep what it says it has taken")
)

// statusError is an answer that is neither the thing nor its absence.
type statusError struct{ code int }

func (e statusError) Error() string {
	return strings.TrimSpace(fmt.Sprintf("answer %d %s", e.code, http.StatusText(e.code)))
}

// denied tells whether the server does not let the user do that.
func (e statusError) denied() bool {
	switch e.code {
	case http.StatusUnauthorized, http.StatusForbidden, http.StatusMethodNotAllowed, http.StatusNotImplemented:
		return true
	}
	return false
}

// passing tells whether another try may go better.
func (e statusError) passing() bool {
	return e.code >= 500 && !e.denied() || e.code == http.StatusRequestTimeout || e.code == http.StatusTooManyRequests
}

// client asks one server, within limits.
type client struct {
	base   *url.URL
	http   *http.Client
	limits Limits
	slots  chan struct{}
	sleep  func(context.Context, time.Duration)
	jitter func() float64 // from 0 to 1
	now    func() time.Time
}

func newClient(o Options, base *url.URL) (*client, error) {
	roots, err := certificates(o.CA)
	if err != nil {
		return nil, err
	}
	l := o.Limits
	dial := &net.Dialer{Timeout: l.Connect, KeepAlive: 30 * time.Second}
	t := &http.Transport{
		Proxy:               http.ProxyFromEnvironment,
		DialContext:         dial.DialContext,
		TLSClientConfig:     &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12},
		TLSHandshakeTimeout: l.Connect, ForceAttemptHTTP2: true,
		MaxIdleConnsPerHost: l.Requests, MaxConnsPerHost: l.Requests, IdleConnTimeout: time.Minute,
		MaxResponseHeaderBytes: 64 << 10,
		DisableCompression:     true, // a body is what is hashed, and no longer than it says
	}
	c := &client{base: base, limits: l, slots: make(chan struct{}, l.Requests), sleep: sleep, jitter: o.Jitter, now: o.Now}
	c.http = &http.Client{Transport: guarded{t, origin(base), o.Token}, CheckRedirect: follow}
	return c, nil
}

// certificates reads the authorities to trust in place of the system's.
func certificates(pem []byte) (*x509.CertPool, error) {
	if pem == nil {
		return nil, nil
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(pem) {
		return nil, errors.New("the authorities' file holds no certificate in PEM")
	}
	return roots, nil
}

// origin is a URL's scheme, host and port.
func origin(u *url.URL) string {
	port := u.Port()
	if port == "" {
		port = map[string]string{"https": "443", "http": "80"}[u.Scheme]
	}
	return u.Scheme + "://" + strings.ToLower(u.Hostname()) + ":" + port
}

const maxRedirects = 3

// follow bounds redirects. What is sent is never sent on, and nothing leaves encryption.
func follow(r *http.Request, via []*http.Request) error {
	switch {
	case len(via) > maxRedirects:
		return fmt.Errorf("more than %d redirects", maxRedirects)
	case via[0].Method == http.MethodPut:
		return http.ErrUseLastResponse
	case via[len(via)-1].URL.Scheme == "https" && r.URL.Scheme != "https":
		return errors.New("a redirect out of encryption")
	}
	return nil
}

func sleep(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
	case <-t.C:
	}
}

// request is one thing to ask of the server.
type request struct {
	method, path string
	body         []byte                  // to be put
	limit        int64                   // the longest body that is taken
	brief        bool                    // however long the body is, it has little time
	check        func(body []byte) error // what a body must be, lest it count as a failure; may be nil
}

// falseError is an answer that is not what it has to be.
type falseError struct{ error }

func (e falseError) Unwrap() error { return e.error }

// answer is what the server gave.
type answer struct {
	body   []byte
	length int64 // as stated, -1 if it is not
}

// do makes a request, again if that may help, unless the breaker forbids it. A thing that
// is not there is errAbsent, which is an answer and no failure.
func (c *client) do(ctx context.Context, b *breaker, q request) (answer, error) {
	var a answer
	err := errResting
	for try := range c.limits.Tries {
		if try > 0 {
			wait := c.limits.Backoff << (try - 1)
			c.sleep(ctx, wait/2+time.Duration(c.jitter()*float64(wait/2)))
		}
		leave, ok := b.ask()
		if !ok {
			return a, err // of the last try, if there was one
		}
		if err := c.enter(ctx); err != nil {
			b.dropped(leave)
			return a, err
		}
		start := c.now()
		a, err = c.once(ctx, q)
		<-c.slots
		if ctx.Err() != nil {
			b.dropped(leave)
			return a, ctx.Err()
		}
		took := c.now().Sub(start)
		failed := failure(err)
		if b.answered(leave, !failed, took, c.limits.Fair+c.timeFor(q, max(int64(len(q.body)), int64(len(a.body))))) {
			err = tripped{err}
		}
		if !failed || leave.trial || !again(err) {
			return a, err
		}
	}
	return a, err
}

// tripped marks the answer with which the server lost its credit; err may be nil.
type tripped struct{ error }

func (t tripped) Unwrap() error { return t.error }

// enter waits until fewer than the allowed requests are under way.
func (c *client) enter(ctx context.Context) error {
	select {
	case c.slots <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// failure tells a server that does not work from one that works and says no.
func failure(err error) bool {
	var status statusError
	var wrong falseError
	switch {
	case errors.As(err, &wrong):
		return true
	case err == nil, errors.Is(err, errAbsent), errors.Is(err, errLong):
		return false
	case errors.As(err, &status):
		return status.passing()
	}
	return true
}

// again tells whether a failed request is worth another try at once: one that has used up
// its time, brought what is false, or meets a certificate that is not trusted, is not.
func again(err error) bool {
	var timeout net.Error
	var wrong falseError
	var certificate *tls.CertificateVerificationError
	switch {
	case errors.Is(err, errSlow), errors.As(err, &wrong), errors.As(err, &certificate):
		return false
	case errors.As(err, &timeout):
		return !timeout.Timeout()
	}
	return true
}

// timeFor is what a body may take. That of an entry is a second's at most: a server that
// drips could else hold each of them up for minutes.
func (c *client) timeFor(q request, bytes int64) time.Duration {
	if q.brief {
		bytes = min(bytes, c.limits.Rate)
	}
	return time.Duration(float64(bytes) / float64(c.limits.Rate) * float64(time.Second))
}

// once makes a request once, within its time.
func (c *client) once(ctx context.Context, q request) (answer, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	clock := time.AfterFunc(c.limits.Connect+c.limits.Answer+c.timeFor(q, int64(len(q.body))), func() { cancel(errSlow) })
	defer clock.Stop()
	a, err := c.exchange(ctx, q, func(length int64) { clock.Reset(c.limits.Answer + c.timeFor(q, length)) })
	if q.check != nil {
		err = checked(q, a, err)
	}
	if err != nil && errors.Is(context.Cause(ctx), errSlow) {
		return a, errSlow
	}
	var u *url.Error
	if errors.As(err, &u) {
		err = u.Err // the caller names the server
	}
	return a, err
}

// checked marks an answer as false that is too long or fails its request's check.
func checked(q request, a answer, err error) error {
	if err == nil {
		err = q.check(a.body)
	} else if !errors.Is(err, errLong) {
		return err
	}
	if err == nil {
		return nil
	}
	return falseError{err}
}

// exchange sends a request and takes its answer; begun is called with the length of the
// body that is about to come.
func (c *client) exchange(ctx context.Context, q request, begun func(length int64)) (answer, error) {
	a := answer{length: -1}
	r, err := http.NewRequestWithContext(ctx, q.method, c.base.JoinPath(q.path).String(), bytes.NewReader(q.body))
	if err != nil {
		return a, err
	}
	r.Header.Set("User-Agent", "lapwear")
	res, err := c.http.Do(r)
	if err != nil {
		return a, err
	}
	defer res.Body.Close()
	defer io.CopyN(io.Discard, res.Body, 4<<10) // so that the connection may serve again
	a.length = res.ContentLength
	if err := status(q.method, res.StatusCode); err != nil || q.method != http.MethodGet {
		return a, err
	}
	if a.length > q.limit {
		return a, errLong
	}
	begun(max(a.length, 0))
	a.body, err = readAtMost(res.Body, q.limit, a.length)
	return a, err
}

// status judges an answer's code.
func status(method string, code int) error {
	switch {
	case method == http.MethodPut && (code == http.StatusOK || code == http.StatusCreated || code == http.StatusNoContent),
		method != http.MethodPut && code == http.StatusOK:
		return nil
	case method != http.MethodPut && (code == http.StatusNotFound || code == http.StatusGone):
		return errAbsent
	}
	return statusError{code}
}

// readAtMost reads a body to its end and gives up on one that is longer. Memory grows with
// what really comes.
func readAtMost(r io.Reader, limit, hint int64) ([]byte, error) {
	var b bytes.Buffer
	b.Grow(int(min(max(hint, 0), 1<<20) + bytes.MinRead))
	if _, err := b.ReadFrom(io.LimitReader(r, limit+1)); err != nil {
		return nil, err
	}
	if int64(b.Len()) > limit {
		return nil, errLong
	}
	return b.Bytes(), nil
}
