package stages

import (
	"errors"
	"io/fs"
	"strconv"
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
