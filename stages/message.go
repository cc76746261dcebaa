package stages

import (
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Cause is what the system says of a file, without the path, which messages quote.
func Cause(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// longest is how many characters of a user's text a message repeats.
const longest = 80

// Cut leaves the middle out of a text of more than 80 characters, for a message: the
// beginning and the end tell texts apart, and of a path the end names the file.
func Cut(text string) string {
	if utf8.RuneCountInString(text) <= longest {
		return text
	}
	runes := []rune(text)
	const head, tail = 44, 33
	return string(runes[:head]) + "..." + string(runes[len(runes)-tail:])
}

// Visible writes characters that move a terminal's cursor, or turn the direction of what
// follows, as their number, U+202E: text of a file must look like what it is.
func Visible(text string) string {
	if !Misleads(text) {
		return text
	}
	var b strings.Builder
	for _, r := range text {
		if misleading(r) {
			fmt.Fprintf(&b, "%U", r)
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// Misleads tells whether a text has a letter that Visible changes; nearly all of a long text is passed over byte by byte.
func Misleads[T string | []byte](text T) bool {
	for i := range len(text) {
		if !suspect[text[i]] {
			continue
		}
		if r, _ := utf8.DecodeRuneInString(string(text[i:min(i+utf8.UTFMax, len(text))])); misleading(r) {
			return true
		}
	}
	return false
}

// suspect are the bytes that letters which mislead begin with. None of them stands within another letter.
var suspect = func() (out [256]bool) {
	for c := range ' ' {
		out[c] = true
	}
	for _, c := range []byte{0x7f, 0xc2, 0xd8, 0xe2} { // delete; U+0080 to U+009F; U+061C; U+200E to U+2069
		out[c] = true
	}
	out['\n'] = false // as common as harmless
	return out
}()

// misleading tells control characters but white space, and those that embed, override,
// isolate or mark a direction (Unicode Standard Annex 9, 2).
func misleading(r rune) bool {
	if r >= ' ' && r < 0x7f {
		return false // as nearly all are
	}
	return unicode.Is(unicode.Bidi_Control, r) || unicode.IsControl(r) && !unicode.IsSpace(r)
}

// Shorten cuts the texts that a message quotes as %q writes them.
func Shorten(message string) string {
	if len(message) <= longest {
		return message
	}
	var out []byte
	done := 0
	for i := 0; i < len(message); i++ {
		if message[i] != '"' {
			continue
		}
		end := closing(message, i)
		if end < 0 {
			break
		}
		if text, err := strconv.Unquote(message[i : end+1]); err == nil && len(text) > longest {
			out = append(out, message[done:i]...)
			out = strconv.AppendQuote(out, Cut(text))
			done = end + 1
		}
		i = end
	}
	return string(append(out, message[done:]...))
}

// closing returns where the quote that opens at i closes; -1 if it does not.
func closing(s string, i int) int {
	for k := i + 1; k < len(s); k++ {
		switch s[k] {
		case '\\':
			k++
		case '"':
			return k
		}
	}
	return -1
}
