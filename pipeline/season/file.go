package season

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"unicode/utf8"

	"lapwear/cache/key"
)

// The largest files that are read.
const (
	maxSeasonBytes   = 4 << 20
	maxManifestBytes = 64 << 20
	maxCalendarBytes = 4 << 20
)

// contents are the files that a season was read from, by path, with the SHA-256 of what they
// held; zero where that changed meanwhile. A nil one takes no notes.
type contents map[string]key.ID

// note takes down what a file held.
func (c contents) note(path string, text []byte) {
	if c == nil {
		return
	}
	id := key.Of(text)
	if was, again := c[path]; again && was != id {
		id = key.ID{}
	}
	c[path] = id
}

// readText reads a whole text file of at most limit bytes, without its byte order
// mark and with LF line ends.
func readText(path string, limit int64, read contents) ([]byte, error) {
	b, err := readFile(path, limit)
	if err != nil {
		return nil, err
	}
	read.note(path, b)
	b = bytes.TrimPrefix(b, []byte("\ufeff"))
	b = bytes.ReplaceAll(b, []byte("\r\n"), []byte("\n"))
	return bytes.ReplaceAll(b, []byte("\r"), []byte("\n")), nil
}

// readFile reads a whole regular file of at most limit bytes. A pipe or a device
// is refused, since opening one can block for ever.
func readFile(path string, limit int64) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, plainError(err)
	}
	if !info.Mode().IsRegular() {
		return nil, errors.New("not a file")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, plainError(err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, limit+1))
	if err != nil {
		return nil, plainError(err)
	}
	if int64(len(b)) > limit {
		return nil, fmt.Errorf("larger than %d MiB", limit>>20)
	}
	return b, nil
}

// plainError drops the path of a file error, which the fault names already, and
// words the two usual ones alike on every system.
func plainError(err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return errors.New("no such file")
	case errors.Is(err, fs.ErrPermission):
		return errors.New("no permission to read it")
	}
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	return err
}

// badText returns the place of the first byte that is not UTF-8 text, and what is
// wrong there; "" if all is well.
func badText(b []byte) (line, col int, what string) {
	if bytes.HasPrefix(b, []byte("\xff\xfe")) || bytes.HasPrefix(b, []byte("\xfe\xff")) {
		return 1, 1, "the text is UTF-16, expected UTF-8"
	}
	at := bytes.IndexByte(b, 0)
	what = "a zero byte, expected UTF-8 text"
	if !utf8.Valid(b) {
		if bad := firstInvalid(b); at < 0 || bad < at {
			at, what = bad, fmt.Sprintf("the byte %#02x is not UTF-8 text", b[bad])
		}
	}
	if at < 0 {
		return 0, 0, ""
	}
	lineStart := bytes.LastIndexByte(b[:at], '\n') + 1
	return bytes.Count(b[:at], []byte("\n")) + 1, utf8.RuneCount(b[lineStart:at]) + 1, what
}

func firstInvalid(b []byte) int {
	for i := 0; i < len(b); {
		r, n := utf8.DecodeRune(b[i:])
		if r == utf8.RuneError && n == 1 {
			return i
		}
		i += n
	}
	return len(b)
}

// folder resolves the paths of a season's files. They stay below the season file's
// own folder, links followed, unless outside is set.
type folder struct {
	dir     string // of the season file, absolute
	real    string // dir with links resolved
	outside bool
	known   map[string]listing // by directory
}

// listing is what one look into a directory told, so that thousands of
// recordings in it cost no look each.
type listing struct {
	inside bool
	links  map[string]bool // name -> is a link; nil if it cannot be listed
}

func newFolder(dir string) folder {
	real, err := filepath.EvalSymlinks(dir)
	if err != nil {
		real = dir
	}
	return folder{dir: dir, real: real, known: make(map[string]listing)}
}

// resolve returns the absolute path of a path in the season's files. The error
// says how the path leaves the folder.
func (f *folder) resolve(path string) (string, error) {
	local := filepath.FromSlash(path)
	abs := filepath.Join(f.dir, local)
	if filepath.IsAbs(local) {
		abs = filepath.Clean(local)
	}
	switch {
	case f.outside:
		return abs, nil
	case filepath.IsAbs(local):
		return "", fmt.Errorf("path %q is absolute, expected one relative to the season file", path)
	case !filepath.IsLocal(local):
		return "", fmt.Errorf("path %q leads outside the season file's folder", path)
	case !f.stays(abs):
		return "", fmt.Errorf("path %q leads outside the season file's folder through a link", path)
	}
	return abs, nil
}

// stays tells whether a path below dir is still there once links are followed.
func (f *folder) stays(abs string) bool {
	if abs == f.dir {
		return true
	}
	dir, name := filepath.Split(abs)
	dir = filepath.Clean(dir)
	l, ok := f.known[dir]
	if !ok {
		l = f.look(dir)
		f.known[dir] = l
	}
	if !l.inside {
		return false
	}
	isLink, listed := l.links[name]
	if listed && !isLink {
		return true
	}
	real, err := filepath.EvalSymlinks(abs)
	return err != nil || f.below(real)
}

func (f *folder) look(dir string) listing {
	l := listing{inside: f.below(realFolder(dir))}
	if !l.inside {
		return l
	}
	d, err := os.Open(dir)
	if err != nil {
		return l
	}
	defer d.Close()
	entries, _ := d.ReadDir(-1) // what is not listed is looked at by itself
	l.links = make(map[string]bool, len(entries))
	for _, e := range entries {
		l.links[e.Name()] = e.Type()&fs.ModeSymlink != 0
	}
	return l
}

// realFolder resolves the links of as much of dir as exists.
func realFolder(dir string) string {
	real, err := filepath.EvalSymlinks(dir)
	if err == nil {
		return real
	}
	parent := filepath.Dir(dir)
	if parent == dir {
		return dir
	}
	return filepath.Join(realFolder(parent), filepath.Base(dir))
}

func (f *folder) below(real string) bool {
	rel, err := filepath.Rel(f.real, real)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator))
}
