package season

import (
	"fmt"
	"path/filepath"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Recordings is what a season file says of its recordings, read before there is a
// manifest.
type Recordings struct {
	Dir      string // the season file's folder, absolute
	Time     Time
	Channels []Channel // in file order
	Files    []string  // the manifest and the calendar that it names, absolute; they need not exist

	folder folder
}

// LoadRecordings reads the version, time and channels of the season file at path; of
// the rest it looks only whether the keys are known. The faults are nil if, and only
// if, these are valid.
func LoadRecordings(path string) (*Recordings, Faults) {
	l := newLoader(path)
	doc := l.read()
	if doc == nil {
		return nil, l.faults.sorted()
	}
	d := &decoder{loader: l, faults: l.faults, warnings: l.warnings, out: &Season{}}
	o, _ := d.object(doc, d.shape, "the season file")
	d.version(o)
	d.allowOutside(o)
	if b := doc.get("allow_outside"); b != nil {
		l.folder.outside = b.kind == scalarNode && b.text == "true"
	}
	out := &Recordings{Dir: l.folder.dir, Time: d.time(o)}
	d.readChannels(o)
	if faults := l.faults.sorted(); faults != nil {
		return nil, faults
	}
	out.Channels, out.folder = d.out.Channels, l.folder
	for _, n := range []*node{doc.get("laps"), doc.get("calendar"), doc.get("calendar").get("file")} {
		if n == nil || n.kind != scalarNode {
			continue
		}
		if p, err := out.folder.resolve(n.text); err == nil {
			out.Files = append(out.Files, p)
		}
	}
	return out, nil
}

// File returns the path of a recording as a manifest of the season names it: relative
// to the season file's folder, with forward slashes. The error says why no manifest
// may name it.
func (r *Recordings) File(path string) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", fmt.Errorf("find %q: %w", path, err)
	}
	name, err := r.below(r.Dir, abs)
	if real, found := filepath.EvalSymlinks(abs); err != nil && found == nil && !r.folder.outside {
		// The folder and the recording may have been named by different links.
		if n, e := r.below(r.folder.real, real); e == nil {
			name, err = n, nil
		}
	}
	switch {
	case err != nil:
		return "", fmt.Errorf("%w; keep recordings in the season file's folder, or add allow_outside: true to it", err)
	case !utf8.ValidString(name), strings.TrimSpace(name) != name, strings.ContainsFunc(name, unicode.IsControl):
		return "", fmt.Errorf("path %q has characters that a manifest cannot hold; rename it", name)
	}
	return name, nil
}

// below names a path as seen from dir, the season file's folder by one of its names.
func (r *Recordings) below(dir, abs string) (string, error) {
	rel, err := filepath.Rel(dir, abs)
	if err != nil { // on another volume
		rel = abs
	}
	_, err = r.folder.resolve(filepath.ToSlash(rel))
	return filepath.ToSlash(rel), err
}

// Channel returns the channel of that name.
func (r *Recordings) Channel(name string) (Channel, bool) {
	for _, c := range r.Channels {
		if c.Name == name {
			return c, true
		}
	}
	return Channel{}, false
}
