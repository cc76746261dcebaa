package cli

import (
	"encoding/json"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"lapwear/cache/cachetest"
	"lapwear/cache/remote"
)

// A nightly run sends its results through nginx with the token of a file; a laptop with an
// empty cache computes nothing, has the same bytes, and can trace them. The token and the
// signing key are nowhere but in their files.
func TestRunRemote(t *testing.T) {
	dir := cachetest.MemoryDir(t)
	file := newSeason(t, dir)
	want := undisturbed(t, file)
	const token = "hush-4711-hush"
	web := cachetest.StartWeb(t, cachetest.WebOptions{Token: token, TLS: true})
	writeText(t, filepath.Join(dir, "secret", "token"), token+"\n")
	if err := os.Chmod(filepath.Join(dir, "secret", "token"), 0o600); err != nil {
		t.Fatal(err)
	}
	keys := filepath.Join(dir, "secret", "nightly")
	public, said := quietly(t, "cache", "key", "new", "--keys", keys)
	said += public
	calls := "" // of a cluster, in the last try
	late := regexp.MustCompile(`shared cache .*(answers are slow|no answer in time|timeout)`)
	// run runs the season with a cache of its own through the server, which a busy machine may let answer so late that it is left alone: then again.
	run := func(name string, more ...string) (out, store, stdout string) {
		t.Helper()
		for tries := 1; ; tries++ {
			os.Remove(calls)
			out, store = filepath.Join(dir, fmt.Sprint("out-", name, tries)), filepath.Join(dir, fmt.Sprint("cache-", name, tries))
			code, stdout, stderr := call(append([]string{"run", file, "--out", out, "--cache", store, "--remote", web.URL, "--remote-ca", web.CA}, more...)...)
			said += stdout + stderr
			if late.MatchString(stderr) && tries < soonTries {
				continue
			}
			if code != exitDone || strings.Contains(stderr, "warning") {
				t.Fatalf("%s: exit code %d\n%s", name, code, stderr)
			}
			return out, store, stdout
		}
	}
	out, _, _ := run("nightly", "--keys", keys, "--remote-token-file", filepath.Join(dir, "secret", "token"))
	sameResults(t, "nightly", want, results(t, out))

	laptop := filepath.Join(dir, "laptop")
	trusted, told := quietly(t, "cache", "key", "trust", "nightly", strings.TrimSpace(public), "--keys", laptop)
	said += trusted + told
	out, store, cold := run("laptop", "--keys", laptop, "--json")
	var j runJSON
	if err := json.Unmarshal([]byte(cold), &j); err != nil {
		t.Fatal(err)
	}
	for stage, r := range j.Stages {
		if r.Computed > 0 {
			t.Errorf("cold laptop: stage %s computed %d", stage, r.Computed)
		}
	}
	if s := j.Remote; s == nil || s.Found == 0 || s.Found != s.Asked || s.Rejected+s.Failures > 0 || s.URL != web.URL {
		t.Errorf("cold laptop: %+v", s)
	}
	sameResults(t, "cold laptop", want, results(t, out))
	cachetest.Sound(t, "cold laptop", store)
	for _, args := range [][]string{{"why", filepath.Join(out, "laps.csv"), "1", "--cache", store, "--json"}, {"cache", "stat", "--cache", store}} {
		stdout, stderr := quietly(t, args...)
		said += stdout + stderr
	}
	// Nor does it give a cluster anything to do, whose shared cache is as empty.
	calls = fakeSlurm(t)
	out, _, _ = run("cluster", "--keys", laptop, "--slurm")
	if text, err := os.ReadFile(calls); err == nil {
		t.Errorf("cold cluster, warm server: called %q", text)
	}
	sameResults(t, "cold cluster", want, results(t, out))
	noSecrets(t, said, filepath.Join(dir, "secret"), dir, web.Store)
}

// quietly runs a command that must be done without fault and returns what it says.
func quietly(t *testing.T, args ...string) (stdout, stderr string) {
	t.Helper()
	code, stdout, stderr := call(args...)
	if code != exitDone || strings.Contains(stderr, "warning") {
		t.Fatalf("%q: exit code %d\n%s", args, code, stderr)
	}
	return stdout, stderr
}

// noSecrets wants neither token nor signing key in a text or in the files of folders but
// for the one that they are kept in.
func noSecrets(t *testing.T, said, kept string, dirs ...string) {
	t.Helper()
	var secrets []string
	for _, name := range []string{"token", filepath.Join("nightly", filepath.Base((remote.Keys{}).SigningFile()))} {
		text, err := os.ReadFile(filepath.Join(kept, name))
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.SplitSeq(string(text), "\n") {
			if line != "" && !strings.HasPrefix(line, "-----") {
				secrets = append(secrets, line)
			}
		}
	}
	if len(secrets) != 2 {
		t.Fatalf("%d secrets", len(secrets))
	}
	look := func(where, text string) {
		for _, s := range secrets {
			if strings.Contains(text, s) {
				t.Errorf("a secret is in %s", where)
			}
		}
	}
	look("what was said", said)
	for _, dir := range dirs {
		filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if path == kept {
				return fs.SkipDir
			}
			if err != nil || !d.Type().IsRegular() {
				return err
			}
			text, err := os.ReadFile(path)
			look(path, string(text))
			return err
		})
	}
}

// A run that waits for a server which does not answer ends within 2 s when it is told to.
func TestStoppedRemote(t *testing.T) {
	dir := cachetest.MemoryDir(t)
	file, keys := newSeason(t, dir), filepath.Join(dir, "keys")
	quietly(t, "cache", "key", "new", "--keys", keys)
	t.Setenv("LAPWEAR_REMOTE_TOKEN", "hush-4711")
	for tries := 1; ; tries++ {
		// Connections are made, and nobody answers. Each try has an address of its own: of the run before connections are left.
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		store := filepath.Join(dir, fmt.Sprint("cache", tries))
		code, took, stderr := signalled(t, syscall.SIGINT, func(<-chan struct{}) {
			l.(*net.TCPListener).SetDeadline(time.Now().Add(time.Minute))
			c, err := l.Accept() // the run asks
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { c.Close() })
		}, "run", file, "--out", filepath.Join(dir, "out"), "--cache", store, "--remote", "http://"+l.Addr().String(), "--keys", keys)
		if took > soonEnded && tries < soonTries {
			continue
		}
		if code != exitFailed || took > soonEnded || !strings.Contains(stderr, "run the same command again to go on") {
			t.Errorf("ended after %v with exit code %d\n%s", took, code, stderr)
		}
		cachetest.Sound(t, "stopped", store)
		return
	}
}
