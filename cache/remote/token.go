package remote

import (
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"strings"
)

// Token is what the server asks of those who may write. Nothing prints it.
type Token struct{ header string }

// NewToken takes the text of a token: USER:PASSWORD is sent as Basic credentials (RFC
// 7617), anything else as a Bearer token (RFC 6750). Blanks and line ends around it are
// dropped; an empty text is no token.
func NewToken(text string) (Token, error) {
	text = strings.TrimSpace(text)
	for _, r := range text {
		if r <= ' ' || r > '~' {
			return Token{}, errors.New("a token is ASCII letters, digits and signs without blanks")
		}
	}
	switch {
	case text == "":
		return Token{}, nil
	case strings.Contains(text, ":"):
		return Token{"Basic " + base64.StdEncoding.EncodeToString([]byte(text))}, nil
	}
	return Token{"Bearer " + text}, nil
}

// ReadToken reads a token from a file that its owner alone may read.
func ReadToken(path string) (Token, error) {
	text, err := readPrivate(path)
	if err != nil {
		return Token{}, fmt.Errorf("read token: %w", err)
	}
	t, err := NewToken(string(text))
	if err == nil && !t.given() {
		err = errors.New("it is empty")
	}
	if err != nil {
		return Token{}, fmt.Errorf("read token %q: %w", path, err)
	}
	return t, nil
}

func (t Token) given() bool { return t.header != "" }

// Format writes no secret, whatever the verb.
func (t Token) Format(f fmt.State, _ rune) { fmt.Fprint(f, "(token)") }

// MarshalText writes no secret either.
func (t Token) MarshalText() ([]byte, error) { return []byte("(token)"), nil }

// guarded adds the token to requests that go to the server itself; where the server
// redirects to, the token does not go.
type guarded struct {
	under  http.RoundTripper
	origin string
	token  Token
}

func (g guarded) RoundTrip(r *http.Request) (*http.Response, error) {
	if !g.token.given() || origin(r.URL) != g.origin {
		return g.under.RoundTrip(r)
	}
	r = r.Clone(r.Context())
	r.Header.Set("Authorization", g.token.header)
	return g.under.RoundTrip(r)
}
