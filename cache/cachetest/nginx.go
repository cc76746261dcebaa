package cachetest

import (
	"bytes"
	"cmp"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	_ "embed"
	"encoding/pem"
	"fmt"
	"math/big"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"
)

// Web is an nginx on loopback that serves a folder by GET, HEAD and PUT. It ends with its test.
type Web struct {
	URL   string
	Store string // the folder that it serves
	CA    string // PEM file with the authority of its certificate; "" without encryption
	kill  func()
}

// WebOptions say what a Web is like.
type WebOptions struct {
	Token string // whoever puts has to show it
	Read  string // pattern of the tokens of which whoever reads has to show one; "" = anyone may
	TLS   bool
	Store string // the folder to serve; "" = a new one
	More  string // directives for what is served
}

//go:embed nginx.conf
var nginxConf string

// StartWeb starts an nginx. Without one the test is skipped; with LAPWEAR_REQUIRE it fails.
func StartWeb(t *testing.T, o WebOptions) *Web {
	t.Helper()
	program, err := exec.LookPath("nginx")
	if err != nil {
		program, err = exec.LookPath("/usr/sbin/nginx")
	}
	switch {
	case err == nil:
	case os.Getenv("LAPWEAR_REQUIRE") != "":
		t.Fatal("there is no nginx; install it, or unset LAPWEAR_REQUIRE")
	default:
		t.Skip("there is no nginx")
	}
	state, store := MemoryDir(t), o.Store
	if store == "" {
		store = MemoryDir(t)
	}
	if o.TLS {
		certificate(t, state)
	}
	for range addresses {
		w := &Web{Store: store}
		address := freeAddress(t)
		if said := w.start(t, program, state, address, o.conf(state, store, address, w)); said == "" {
			return w
		} else if !strings.Contains(said, "Address already in use") {
			t.Fatalf("nginx ended: %s", said)
		}
	}
	t.Fatalf("others took each of %d addresses that were free", addresses)
	return nil
}

// addresses is how many addresses are tried: another program may take one before nginx does.
const addresses = 5

// conf is the text of the file that configures nginx for an address. It tells w by which URL.
func (o WebOptions) conf(state, store, listen string, w *Web) string {
	w.URL = "http://" + listen
	tls := ""
	if o.TLS {
		w.URL, w.CA = "https://"+listen, filepath.Join(state, "cert.pem")
		listen += " ssl http2"
		tls = fmt.Sprintf("ssl_certificate %s/cert.pem; ssl_certificate_key %s/key.pem;", state, state)
	}
	read := `"~^(GET|HEAD) " 1;`
	if o.Read != "" {
		read = `"~^(GET|HEAD) Bearer (` + o.Read + `)$" 1;`
	}
	user := ""
	if os.Geteuid() == 0 { // the folders are the test's own
		user = "user root;"
	}
	return strings.NewReplacer("$state", state, "$store", store, "$user", user, "$listen", listen, "$tls", tls, "$token", regexp.QuoteMeta(o.Token), "$read", read, "$more", o.More).Replace(nginxConf)
}

// start starts the program in a group of its own and waits until it listens, which it does once it has told its process. If it ends
// before, what it said is returned.
func (w *Web) start(t *testing.T, program, state, address, text string) (said string) {
	t.Helper()
	conf, pid := filepath.Join(state, "nginx.conf"), filepath.Join(state, "nginx.pid")
	must(t, os.WriteFile(conf, []byte(text), 0o600))
	c := exec.Command(program, "-p", state, "-c", conf, "-e", filepath.Join(state, "error.log"), "-g", "daemon off;")
	var stderr bytes.Buffer
	c.Stderr = &stderr
	group(c)
	must(t, c.Start())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		c.Wait()
	}()
	w.kill = sync.OnceFunc(func() {
		killGroup(c)
		<-ended
	})
	t.Cleanup(w.kill)
	const patience = time.Minute
	for begun := time.Now(); time.Since(begun) < patience; {
		select {
		case <-ended:
			return cmp.Or(stderr.String(), "without a word")
		case <-time.After(20 * time.Millisecond):
		}
		if text, err := os.ReadFile(pid); err != nil || len(text) == 0 {
			continue
		}
		if c, err := net.Dial("tcp", address); err == nil {
			c.Close()
			return ""
		}
	}
	t.Fatalf("nginx does not listen after %v", patience)
	return ""
}

// Kill ends it at once, in the middle of what it does.
func (w *Web) Kill() { w.kill() }

// Files lists the files that it has of a part: actions or blobs.
func (w *Web) Files(t *testing.T, part string) []string {
	t.Helper()
	all, err := filepath.Glob(filepath.Join(w.Store, part, "*", "*"))
	must(t, err)
	return all
}

func freeAddress(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer l.Close()
	return l.Addr().String()
}

// certificate makes a certificate for this host that is its own authority.
func certificate(t *testing.T, dir string) {
	t.Helper()
	private, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	must(t, err)
	about := x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "lapwear test"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(24 * time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign}
	public, err := x509.CreateCertificate(rand.Reader, &about, &about, &private.PublicKey, private)
	must(t, err)
	der, err := x509.MarshalECPrivateKey(private)
	must(t, err)
	for name, block := range map[string]*pem.Block{"cert.pem": {Type: "CERTIFICATE", Bytes: public}, "key.pem": {Type: "EC PRIVATE KEY", Bytes: der}} {
		must(t, os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600))
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
