package remote

import (
	"crypto/ed25519"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"
)

// Keys is a folder with a user's signing key and the public keys that the user trusts.
type Keys struct{ Dir string }

const (
	signingFile = "signing.pem" // PKCS #8 (RFC 5958, RFC 8410) in PEM, readable by its owner alone
	trustedFile = "trusted"     // a line a key: name, blank, key; lines with # are remarks
)

// SigningFile is the path of the signing key.
func (k Keys) SigningFile() string { return filepath.Join(k.Dir, signingFile) }

// Make makes the signing key. It never replaces one.
func (k Keys) Make(random io.Reader) (PublicKey, error) {
	_, private, err := ed25519.GenerateKey(random)
	if err != nil {
		return PublicKey{}, fmt.Errorf("make signing key: %w", err)
	}
	der, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		return PublicKey{}, fmt.Errorf("make signing key: %w", err)
	}
	if err := os.MkdirAll(k.Dir, 0o700); err != nil {
		return PublicKey{}, fmt.Errorf("make signing key: %w", err)
	}
	err = createPrivate(k.SigningFile(), pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der}))
	if errors.Is(err, fs.ErrExist) {
		return PublicKey{}, fmt.Errorf("make signing key: there is one in %q; 'lapwear cache key show' prints its public half", k.SigningFile())
	}
	if err != nil {
		return PublicKey{}, fmt.Errorf("make signing key: %w", err)
	}
	return (&Signer{private}).Public(), nil
}

// createPrivate writes a file that must not exist yet and that its owner alone may read.
func createPrivate(path string, data []byte) error {
	f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		os.Remove(path)
	}
	return err
}

// Signer returns the signing key, nil if there is none. One that others may read is
// refused.
func (k Keys) Signer() (*Signer, error) {
	text, err := readPrivate(k.SigningFile())
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read signing key: %w", err)
	}
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "PRIVATE KEY" {
		return nil, fmt.Errorf("read signing key %q: it is no private key in PEM; move it away and make another with 'lapwear cache key new'", k.SigningFile())
	}
	parsed, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	private, ok := parsed.(ed25519.PrivateKey)
	if err != nil || !ok {
		return nil, fmt.Errorf("read signing key %q: it is no Ed25519 key; move it away and make another with 'lapwear cache key new'", k.SigningFile())
	}
	return &Signer{private}, nil
}

// maxSecret bounds the files of keys and tokens.
const maxSecret = 1 << 20

// readPrivate reads a file that only its owner may read.
func readPrivate(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if mode := info.Mode().Perm(); runtime.GOOS != "windows" && mode&0o077 != 0 {
		return nil, fmt.Errorf("file %q may be read by others (mode %04o); forbid it: chmod 600 %q", path, mode, path)
	}
	return io.ReadAll(io.LimitReader(f, maxSecret))
}

// Trusted is a public key with the name that the user gave it.
type Trusted struct {
	Name string
	Key  PublicKey
}

func (k Keys) trustedPath() string { return filepath.Join(k.Dir, trustedFile) }

// Trusted lists the keys that the user trusts besides the user's own, by name.
func (k Keys) Trusted() ([]Trusted, error) {
	text, err := os.ReadFile(k.trustedPath())
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read trusted keys: %w", err)
	}
	var out []Trusted
	for i, line := range strings.Split(string(text), "\n") {
		fields := strings.Fields(line)
		if len(fields) == 0 || strings.HasPrefix(fields[0], "#") {
			continue
		}
		if len(fields) != 2 {
			return nil, fmt.Errorf("read trusted keys: %s:%d: want a name and a key", k.trustedPath(), i+1)
		}
		public, err := ParsePublicKey(fields[1])
		if err != nil {
			return nil, fmt.Errorf("read trusted keys: %s:%d: %w", k.trustedPath(), i+1, err)
		}
		out = append(out, Trusted{fields[0], public})
	}
	slices.SortFunc(out, func(a, b Trusted) int { return strings.Compare(a.Name, b.Name) })
	return out, nil
}

// Trust adds a key under a name.
func (k Keys) Trust(name string, public PublicKey) error {
	if len(strings.Fields(name)) != 1 || strings.Fields(name)[0] != name || strings.HasPrefix(name, "#") {
		return fmt.Errorf("trust key: %q is no name; give one without blanks", clip(name))
	}
	return k.change(func(lines []string) ([]string, error) {
		all, err := k.Trusted()
		if err != nil {
			return nil, err
		}
		for _, t := range all {
			switch {
			case t == Trusted{name, public}:
				return lines, nil
			case t.Name == name:
				return nil, fmt.Errorf("trust key: %q already names %v; distrust that first, or give another name", name, t.Key)
			case t.Key == public:
				return nil, fmt.Errorf("trust key: %v is trusted already, as %q", public, t.Name)
			}
		}
		return append(lines, name+" "+public.String()), nil
	})
}

// Distrust takes a key away. What was taken with its signature stays in the cache.
func (k Keys) Distrust(name string) error {
	return k.change(func(lines []string) ([]string, error) {
		left := slices.DeleteFunc(slices.Clone(lines), func(line string) bool {
			fields := strings.Fields(line)
			return len(fields) > 0 && fields[0] == name && !strings.HasPrefix(name, "#")
		})
		if len(left) == len(lines) {
			return nil, fmt.Errorf("distrust key: none has the name %q; 'lapwear cache key list' names them", clip(name))
		}
		return left, nil
	})
}

// How long one who changes the list of trusted keys waits for another who does.
const (
	changeTries = 500
	changePause = 10 * time.Millisecond
)

// change replaces the list of trusted keys in one step, line by line, so that remarks stay. The
// file that is to replace it is there for one at a time only, so no change is lost.
func (k Keys) change(edit func(lines []string) ([]string, error)) error {
	if err := os.MkdirAll(k.Dir, 0o700); err != nil {
		return fmt.Errorf("save trusted keys: %w", err)
	}
	next := k.trustedPath() + ".new"
	f, err := createAlone(next)
	if err != nil {
		return fmt.Errorf("save trusted keys: %w", err)
	}
	text, err := os.ReadFile(k.trustedPath())
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	var lines []string
	if err == nil {
		lines, err = edit(strings.Split(strings.TrimSuffix(string(text), "\n"), "\n"))
	}
	if err == nil {
		_, err = io.WriteString(f, strings.TrimPrefix(strings.Join(lines, "\n")+"\n", "\n"))
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = os.Rename(next, k.trustedPath())
	}
	if err != nil {
		os.Remove(next)
	}
	return err
}

// createAlone makes a file that must not exist, and waits a while for one that does to go.
func createAlone(path string) (*os.File, error) {
	for range changeTries {
		f, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o600)
		if !errors.Is(err, fs.ErrExist) {
			return f, err
		}
		time.Sleep(changePause)
	}
	return nil, fmt.Errorf("another change is under way; if none is, one was killed: remove %q", path)
}

// accepted maps the keys whose entries are taken to their names: those trusted, and the
// user's own.
func (k Keys) accepted(own *Signer) (map[PublicKey]string, error) {
	all, err := k.Trusted()
	if err != nil {
		return nil, err
	}
	out := map[PublicKey]string{}
	for _, t := range all {
		out[t.Key] = t.Name
	}
	if own != nil {
		out[own.Public()] = "own"
	}
	return out, nil
}
