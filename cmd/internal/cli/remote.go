package cli

import (
	"context"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"lapwear/cache"
	"lapwear/cache/remote"
	"lapwear/pipeline"
)

// remoteOptions name the server through which a run shares results. Where the command
// offers them, the environment stands in for what is not given.
type remoteOptions struct {
	offered             bool
	url, ca, token, dir string
}

func remoteFlags(c *cobra.Command, o *remoteOptions) {
	o.offered = true
	f := c.Flags()
	f.StringVar(&o.url, "remote", "", "URL of a shared cache behind the cache here (default: LAPWEAR_REMOTE)")
	f.StringVar(&o.ca, "remote-ca", "", "PEM file of the authorities to trust for it (default: LAPWEAR_REMOTE_CA, else the system's)")
	f.StringVar(&o.token, "remote-token-file", "", "file with the token for sending results to it (default: LAPWEAR_REMOTE_TOKEN_FILE; or the token itself in LAPWEAR_REMOTE_TOKEN)")
	keysFlag(c, &o.dir)
}

// or returns the option, else what the environment has.
func or(option, variable string) string {
	if option != "" {
		return option
	}
	return os.Getenv(variable)
}

// share puts the shared cache that is named, if one is, behind the cache here. finish sends
// what is left to be sent, and notes what the shared cache was good for.
func (a *app) share(ctx context.Context, store *cache.Store, o runOptions) (results pipeline.Store, finish func(), err error) {
	a.shared = nil
	url := o.remote.url
	if url == "" && o.remote.offered && !o.noCache {
		url = os.Getenv("LAPWEAR_REMOTE")
	}
	switch {
	case url == "":
		return store, func() {}, nil
	case o.noCache:
		return nil, nil, usagef("--remote shares what the cache here keeps; leave out --no-cache")
	}
	if a.server == nil {
		if a.server, err = a.newServer(url, o.remote); err != nil {
			return nil, nil, usagef("--remote: %w", err)
		}
	}
	behind := a.server.Behind(ctx, store)
	return behind, func() {
		a.finish(behind)
		if n := a.shared.Unsent; n > 0 && !o.sending {
			a.warnf("shared cache %s: %s %s not sent, and another run will not send what it finds here; 'lapwear cache send' does", a.server.URL(), plural(n, "result"), were(n))
		}
	}, nil
}

// newServer makes ready to use a server. All seasons of a command use one, so that one
// that is down costs its time once.
func (a *app) newServer(url string, o remoteOptions) (*remote.Server, error) {
	options := remote.Options{Warn: func(text string) { a.warnf("%s", text) }}
	if path := or(o.ca, "LAPWEAR_REMOTE_CA"); path != "" {
		pem, err := os.ReadFile(path)
		if err != nil {
			return nil, fmt.Errorf("read authorities: %w; name a PEM file with --remote-ca", err)
		}
		options.CA = pem
	}
	var err error
	if options.Token, err = remoteToken(o.token); err != nil {
		return nil, err
	}
	if options.Keys, err = keysFolder(o.dir); err != nil {
		return nil, err
	}
	return remote.NewServer(url, options)
}

// remoteToken reads the token: from the file given, else the environment's, else a file
// that the environment names. None is no error.
func remoteToken(file string) (remote.Token, error) {
	if text := os.Getenv("LAPWEAR_REMOTE_TOKEN"); file == "" && text != "" {
		t, err := remote.NewToken(text)
		if err != nil {
			return t, fmt.Errorf("read LAPWEAR_REMOTE_TOKEN: %w", err)
		}
		return t, nil
	}
	if path := or(file, "LAPWEAR_REMOTE_TOKEN_FILE"); path != "" {
		return remote.ReadToken(path)
	}
	return remote.Token{}, nil
}

func were(n int) string {
	if n == 1 {
		return "was"
	}
	return "were"
}

// sharedJSON is what a run had of the shared cache.
type sharedJSON struct {
	URL string `json:"url"`
	remote.Stats
}

func (a *app) finish(s *remote.Store) {
	if n := s.Queued(); n > 0 && !a.quiet {
		long := time.AfterFunc(lineEvery, func() { fmt.Fprintf(a.err, "sending %s to the shared cache\n", plural(n, "result")) })
		defer long.Stop()
	}
	a.shared = &sharedJSON{a.server.URL(), s.Finish()}
}

// printShared tells what a run had of the shared cache.
func (a *app) printShared() {
	if a.shared == nil {
		return
	}
	s := a.shared
	parts := []string{fmt.Sprintf("%d of %s found there, %s fetched", s.Found, plural(s.Asked, "result"), size(s.BytesFetched))}
	if s.NotSending == "" {
		parts = append(parts, fmt.Sprintf("%d sent, %s", s.Sent, size(s.BytesSent)))
	} else {
		parts = append(parts, "nothing sent: "+s.NotSending)
	}
	for _, n := range []struct {
		count int
		what  string
	}{{s.Rejected, "answers not taken"}, {s.Failures, "requests failed"}, {s.Unasked, "not asked, as it did not work"}, {s.Unsent, "could not be sent"}} {
		if n.count > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n.count, n.what))
		}
	}
	fmt.Fprintf(a.out, "Shared cache %s: %s\n", s.URL, strings.Join(parts, "; "))
}

func (a *app) cacheSend(dir *string) *cobra.Command {
	o, how := runOptions{memory: 1, sending: true}, remote.Missing
	var all bool
	c := &cobra.Command{
		Use:   "send",
		Short: "Send what a shared cache lacks",
		Long: `Sends every result of the cache here that the shared cache lacks, has damaged, or has with
another's signature: what was computed before there was one, or while it was down, or signed
with a key that you use no more. You sign all of it, so the cache's folder must be one into
which nobody writes whom you would not trust. What came from a shared cache is left out.

Of long outputs the server's word is taken that it has them. --all sends everything, and so
mends a server whose disk was damaged.`,
		Example: "  lapwear cache send --remote https://cache.example --remote-token-file token\n  lapwear cache send --all --remote https://cache.example --remote-token-file token",
		Args:    cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if or(o.remote.url, "LAPWEAR_REMOTE") == "" {
				return usagef("cache send needs a shared cache; name it with --remote")
			}
			s, err := a.openCache(*dir)
			if err != nil {
				return err
			}
			defer a.closeStore(s)
			if all {
				how = remote.Everything
			}
			return a.sendAll(c.Context(), s, o, how)
		},
	}
	remoteFlags(c, &o.remote)
	c.Flags().BoolVar(&all, "all", false, "send everything, without asking what is there")
	return c
}

// sendAll sends what is here and is wanted there.
func (a *app) sendAll(ctx context.Context, s *cache.Store, o runOptions, how remote.Sending) error {
	results, finish, err := a.share(ctx, s, o)
	if err != nil {
		return err
	}
	err = results.(*remote.Store).SendAll(how)
	finish()
	if err != nil {
		return usagef("nothing is sent: %w", err)
	}
	if a.json {
		err = a.printJSON(a.shared)
	} else {
		_, err = fmt.Fprintf(a.out, "%s sent to %s, %s; %d were there\n", plural(a.shared.Sent, "result"), a.shared.URL, size(a.shared.BytesSent), a.shared.There)
	}
	if n := a.shared.Unsent; err == nil && n > 0 {
		err = fmt.Errorf("send cache: %s could not be sent; send again", plural(n, "result"))
	}
	return err
}

// oneAtATime lets several goroutines write. A file does so by itself.
func oneAtATime(w io.Writer) io.Writer {
	if _, ok := w.(*os.File); ok {
		return w
	}
	return &turns{w: w}
}

type turns struct {
	mu sync.Mutex
	w  io.Writer
}

func (t *turns) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.w.Write(b)
}
