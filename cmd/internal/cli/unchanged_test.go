package cli

import (
	"os"
	"path/filepath"
	"testing"

	"lapwear/cache"
	"lapwear/cmd/internal/folder"
)

// What is held is told by names, lengths and bytes of a run's own files, and by nothing else.
func TestOutputsHeld(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	write("laps.csv", "ab")
	write("season.csv", "c")
	store, err := cache.Open(t.TempDir(), cache.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	o := outputs{folder: dir, made: "x", store: store}
	held, err := heldFiles(dir, store, folder.Set{})
	if err != nil {
		t.Fatal(err)
	}
	o.remember(held)
	for _, c := range []struct {
		reason, name, text string
		made               string
		want               bool
	}{
		{"nothing changed", "season.csv", "c", "x", true},
		{"a foreign file came", "notes.txt", "!", "x", true},
		{"made of something else", "notes.txt", "!", "y", false},
		{"a byte changed", "season.csv", "d", "x", false},
		{"back", "season.csv", "c", "x", true},
		{"a byte moved from one file to the next", "laps.csv", "a", "x", false},
		{"back again", "laps.csv", "ab", "x", true},
		{"a file more", "quality.csv", "", "x", false},
	} {
		write(c.name, c.text)
		o.made = c.made
		if held, got := o.current(); got != c.want || got != (held != nil) {
			t.Errorf("%s: current %v, want %v", c.reason, got, c.want)
		}
	}
	o.made = "x"
	o.folder = t.TempDir()
	if _, got := o.current(); got {
		t.Error("current where nothing was made")
	}
}
