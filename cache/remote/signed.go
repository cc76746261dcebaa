package remote

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"

	"lapwear/cache"
	"lapwear/cache/key"
)

// A signed entry is magic, public key, signature, and the entry's file as a store has
// it. The magic's last digit is the version.
const (
	signedMagic = "lwsignd1"
	signedHead  = len(signedMagic) + ed25519.PublicKeySize + ed25519.SignatureSize
)

// signedContext is signed before the entry's file, so that a signature made for something
// else is never one of an entry.
const signedContext = "lapwear signed entry 1\n"

// PublicKey is an Ed25519 public key (RFC 8032).
type PublicKey [ed25519.PublicKeySize]byte

const keyPrefix = "ed25519:"

// String returns the key as people exchange it.
func (k PublicKey) String() string { return keyPrefix + base64.StdEncoding.EncodeToString(k[:]) }

// Short returns the first 12 hexadecimal digits of the key's SHA-256, to tell keys apart.
func (k PublicKey) Short() string {
	sum := sha256.Sum256(k[:])
	return hex.EncodeToString(sum[:6])
}

// ParsePublicKey reads a key as String writes it.
func ParsePublicKey(text string) (PublicKey, error) {
	var k PublicKey
	digits, ok := strings.CutPrefix(text, keyPrefix)
	b, err := base64.StdEncoding.Strict().DecodeString(digits)
	if !ok || err != nil || len(b) != len(k) {
		return k, fmt.Errorf("parse key: want %s and 44 base64 digits, as 'lapwear cache key show' prints it", keyPrefix)
	}
	copy(k[:], b)
	return k, nil
}

func clip(s string) string {
	if len(s) > 160 {
		return s[:160] + "…"
	}
	return s
}

// Signer signs entries. Nothing prints its key.
type Signer struct{ private ed25519.PrivateKey }

// Public returns the key that others have to trust.
func (s *Signer) Public() PublicKey { return PublicKey(s.private.Public().(ed25519.PublicKey)) }

// Format writes no secret, whatever the verb.
func (s *Signer) Format(f fmt.State, _ rune) { fmt.Fprint(f, "(signing key)") }

// Sign returns the signed entry of an action.
func (s *Signer) Sign(action key.ID, e *cache.Entry) []byte {
	file := e.Encode(action)
	public := s.Public()
	b := make([]byte, 0, signedHead+len(file))
	b = append(append(b, signedMagic...), public[:]...)
	b = append(b, ed25519.Sign(s.private, signedMessage(file))...)
	return append(b, file...)
}

func signedMessage(file []byte) []byte { return append([]byte(signedContext), file...) }

// Why a signed entry is not taken.
var (
	errUnsigned = errors.New("it is no signed entry")
	errForged   = errors.New("its signature is false")
)

// foreignError says that an entry has the key of somebody who is not trusted.
type foreignError struct{ key PublicKey }

func (e foreignError) Error() string {
	return fmt.Sprintf("it is signed with %v, which is not trusted", e.key)
}

// openSigned checks and reads the signed entry of an action.
func openSigned(b []byte, action key.ID, trusted map[PublicKey]string) (*cache.Entry, error) {
	if len(b) < signedHead || string(b[:len(signedMagic)]) != signedMagic {
		return nil, errUnsigned
	}
	public := PublicKey(b[len(signedMagic):])
	signature, file := b[len(signedMagic)+len(public):signedHead], b[signedHead:]
	if !ed25519.Verify(public[:], signedMessage(file), signature) {
		return nil, errForged
	}
	if _, ok := trusted[public]; !ok {
		return nil, foreignError{public}
	}
	e, err := cache.DecodeEntry(file, action)
	if err != nil {
		return nil, err
	}
	return e, nil
}
