package cli

import (
	"os"
	"path/filepath"
	"testing"
	"time"
)

// A workbook that was read before its turn is read again where another has taken its place.
func TestBookBeforeItsTurn(t *testing.T) {
	path := filepath.Join(t.TempDir(), workbookName)
	write := func(text string, at int64) {
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, time.Unix(at, 0), time.Unix(at, 0)); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(path, nil, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, mostBook+1); err == nil && readBook(path).info != nil {
		t.Error("a file that is too large is read")
	}
	os.Remove(path)
	none := readBook(path)
	if none.info != nil || none.now(path).info != nil {
		t.Error("a workbook is read where there is none")
	}
	write("one", 1e9)
	if none.now(path).info == nil {
		t.Error("a workbook that has come is not read")
	}
	one := readBook(path)
	if now := one.now(path); now.info != one.info {
		t.Error("a workbook that stayed is read again")
	}
	for reason, change := range map[string]func(){
		"longer":         func() { write("longer", 1e9) },
		"newer":          func() { write("two", 1e9+1) },
		"times put back": func() { time.Sleep(20 * time.Millisecond); write("two", 1e9) },
		"another file":   func() { os.Rename(path, path+"-old"); write("one", 1e9) },
		"gone":           func() { os.Remove(path) },
		"a folder":       func() { os.Remove(path); os.Mkdir(path, 0o777) },
	} {
		os.RemoveAll(path)
		write("one", 1e9)
		was := readBook(path)
		change()
		if now := was.now(path); now.info == was.info {
			t.Errorf("%s: the workbook is not read again", reason)
		}
	}
}
