package cli

import (
	"fmt"
	"io"
	"unicode/utf8"
)

// plain writes text in which no control character but tab and line feed is left: names of
// laps, circuits and files are somebody else's, and a terminal takes orders from such
// characters. They are shown as they are written in Go, an escape as \x1b.
type plain struct{ io.Writer }

func (p plain) Write(b []byte) (int, error) {
	clean := make([]byte, 0, len(b)+16)
	for i := 0; i < len(b); {
		r, n := utf8.DecodeRune(b[i:])
		if control(r) {
			clean = fmt.Appendf(clean, `\x%02x`, r)
		} else {
			clean = append(clean, b[i:i+n]...)
		}
		i += n
	}
	if _, err := p.Writer.Write(clean); err != nil {
		return 0, err
	}
	return len(b), nil
}

// control tells whether a terminal may take a character for an order: C0 but tab and line
// feed, delete, and C1 (ISO/IEC 6429).
func control(r rune) bool {
	return r < 0x20 && r != '\t' && r != '\n' || r >= 0x7f && r < 0xa0
}

// bare is what stands behind a plain writer, for output that is no text to read: JSON
// escapes by itself, and a progress bar gives orders of its own.
func bare(w io.Writer) io.Writer {
	if p, ok := w.(plain); ok {
		return p.Writer
	}
	return w
}
