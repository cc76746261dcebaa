package demo

import (
	"bytes"
	"context"
	_ "embed"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"strings"
	"sync"

	"golang.org/x/sync/errgroup"

	"lapwear/cache/key"
)

// Options choose the season.
type Options struct {
	Seed uint64 // another seed, other laps on the same circuits
	Laps int    // recorded laps; 0 means DefaultLaps
}

// DefaultLaps is the number of recorded laps unless told otherwise.
const DefaultLaps = 120

// seasonFile is the name of the season file in its folder.
const seasonFile = "season.yaml"

// marker is the file that tells a folder of this generator. Its first line is
// markerLine; the others name the files that were written, one a line, and behind a
// tab the SHA-256 of those that people edit.
const (
	marker     = ".lapwear-demo"
	markerLine = "written by lapwear demo; the files named here may be replaced or removed"
)

//go:embed season.yaml
var seasonYAML []byte

// specimensCSV are the invented results of a rig test.
//
//go:embed specimens.csv
var specimensCSV []byte

// Write writes the invented season into dir, which it creates if it is missing,
// and returns the path of the season file. It refuses a folder that holds anything,
// unless an earlier Write filled it: then it replaces its own files and leaves all
// others alone, and refuses if somebody edited the season's texts. Equal options give equal bytes, however many laps are generated at
// once.
//
// Progress, if not nil, is called after every recording, by one goroutine at a
// time. After a failure or a cancelled context the folder holds whole files only,
// though not all of them, and can be written again.
func Write(ctx context.Context, dir string, o Options, progress func(done, total int)) (string, error) {
	if o.Laps == 0 {
		o.Laps = DefaultLaps
	}
	laps, err := plan(o.Laps)
	if err != nil {
		return "", err
	}
	if err := os.MkdirAll(dir, 0o777); err != nil {
		return "", fmt.Errorf("create season folder: %w", err)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return "", fmt.Errorf("open season folder: %w", err)
	}
	defer root.Close()
	texts, err := seasonTexts(laps)
	if err != nil {
		return "", fmt.Errorf("write season: %w", err)
	}
	if err := claim(root, dir, laps, texts); err != nil {
		return "", err
	}
	if err := writeRecordings(ctx, root, laps, o.Seed, progress); err != nil {
		return "", fmt.Errorf("write season: %w", err)
	}
	if err := writeTexts(root, texts); err != nil {
		return "", fmt.Errorf("write season: %w", err)
	}
	return filepath.Join(dir, seasonFile), nil
}

// claim makes sure that the folder may be written to, marks it and removes what an
// earlier season left that this one does not have.
func claim(root *os.Root, dir string, laps []lap, texts []text) error {
	old, err := claimed(root, dir)
	if err != nil {
		return err
	}
	names := fileNames(laps)
	keep := make(map[string]bool, len(names))
	for _, n := range names {
		keep[n] = true
	}
	for _, n := range old {
		if keep[n] || !filepath.IsLocal(n) {
			continue
		}
		if err := root.Remove(n); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("remove file of an earlier season: %w", err)
		}
	}
	if err := root.WriteFile(marker, []byte(markerText(names, texts)), 0o666); err != nil {
		return fmt.Errorf("mark season folder: %w", err)
	}
	return nil
}

func markerText(names []string, texts []text) string {
	sums := map[string]string{}
	for _, t := range texts {
		sums[t.name] = "\t" + key.Of(t.data).String()
	}
	var b strings.Builder
	b.WriteString(markerLine + "\n")
	for _, n := range names {
		b.WriteString(n + sums[n] + "\n")
	}
	return b.String()
}

// claimed returns the files that an earlier Write listed in the folder's marker;
// it fails when the folder holds anything but has no marker.
func claimed(root *os.Root, dir string) ([]string, error) {
	data, err := root.ReadFile(marker)
	if err == nil {
		first, rest, _ := strings.Cut(string(data), "\n")
		if first == markerLine {
			return unedited(root, dir, rest)
		}
	} else if !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("read season folder: %w", err)
	}
	entries, err := fs.ReadDir(root.FS(), ".")
	if err != nil {
		return nil, fmt.Errorf("read season folder: %w", err)
	}
	if len(entries) > 0 {
		return nil, fmt.Errorf("write season: folder %q holds other files, such as %q; name an empty or a new folder", dir, entries[0].Name())
	}
	return nil, nil
}

// unedited reads a marker's lines; it fails when a file that people edit is no longer
// as it was written.
func unedited(root *os.Root, dir, lines string) ([]string, error) {
	var names []string
	for line := range strings.Lines(lines) {
		name, sum, summed := strings.Cut(strings.TrimSpace(line), "\t")
		names = append(names, name)
		if !summed || !filepath.IsLocal(name) {
			continue
		}
		data, err := root.ReadFile(name)
		if err == nil && key.Of(data).String() != sum {
			return nil, fmt.Errorf("write season: %q in folder %q was edited since it was written; "+
				"name another folder, or remove the file to have it written anew", name, dir)
		}
	}
	return names, nil
}

// fileNames lists every file of the season but the marker, slash-separated.
func fileNames(laps []lap) []string {
	names := []string{seasonFile, "laps.csv", "calendar.csv", "specimens.csv"}
	for _, l := range laps {
		names = append(names, l.file)
	}
	for _, r := range rigRuns {
		names = append(names, r.file)
	}
	return names
}

// text is a file that people read and edit.
type text struct {
	name string
	data []byte
}

// seasonTexts are the manifest, the calendar, the specimens and the season file. The season file
// comes last: where it stands, all that it names stands too.
func seasonTexts(laps []lap) ([]text, error) {
	var manifest, calendar bytes.Buffer
	if err := errors.Join(writeManifest(&manifest, laps), writeCalendar(&calendar)); err != nil {
		return nil, err
	}
	return []text{{"laps.csv", manifest.Bytes()}, {"calendar.csv", calendar.Bytes()}, {"specimens.csv", specimensCSV}, {seasonFile, seasonYAML}}, nil
}

func writeTexts(root *os.Root, texts []text) error {
	for _, t := range texts {
		if err := writeWhole(root, t.name, func(w io.Writer) error { _, err := w.Write(t.data); return err }); err != nil {
			return err
		}
	}
	return nil
}

// writeRecordings writes every lap's recording, some at once. Each lap has random
// numbers of its own, so the order does not matter.
func writeRecordings(ctx context.Context, root *os.Root, laps []lap, seed uint64, progress func(done, total int)) error {
	tracks := layOutAll()
	for _, l := range laps {
		if err := root.MkdirAll(path.Dir(l.file), 0o777); err != nil {
			return err
		}
	}
	var mu sync.Mutex
	done := 0
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for _, l := range laps {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			s := synthesize(l, tracks[l.circuit], newStream(seed, l.id))
			if err := writeWhole(root, l.file, func(w io.Writer) error { return s.write(w, l) }); err != nil {
				return err
			}
			mu.Lock()
			defer mu.Unlock()
			done++
			if progress != nil {
				progress(done, len(laps))
			}
			return nil
		})
	}
	return group.Wait()
}

// layOutAll lays out every circuit.
func layOutAll() []*track {
	tracks := make([]*track, len(circuits))
	for i, c := range circuits {
		tracks[i] = layOut(c)
	}
	return tracks
}

// writeWhole writes a file under another name and renames it, so that a file of
// that name is always whole.
func writeWhole(root *os.Root, name string, write func(io.Writer) error) error {
	part := name + ".part"
	f, err := root.Create(part)
	if err != nil {
		return err
	}
	if err := errors.Join(write(f), f.Close()); err != nil {
		return errors.Join(fmt.Errorf("write %q: %w", name, err), root.Remove(part))
	}
	return root.Rename(part, name)
}
