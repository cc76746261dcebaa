package fsx

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// save writes a file through f and stops at the first error.
func save(f FS, name, text string, sync bool) error {
	h, err := f.Create(name)
	if err != nil {
		return err
	}
	_, err = h.Write([]byte(text))
	if err == nil && sync {
		err = h.Sync()
	}
	return errors.Join(err, h.Close())
}

func load(t *testing.T, f FS, name string) string {
	t.Helper()
	h, err := f.Open(name)
	must(t, err)
	defer h.Close()
	b, err := io.ReadAll(h)
	must(t, err)
	return string(b)
}

// Both file systems do what FS says.
func TestFS(t *testing.T) {
	for name, f := range map[string]FS{"disk": Disk{}, "faulty without a fault": &Faulty{FS: Disk{}}} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "d")
			a, b := filepath.Join(dir, "a"), filepath.Join(dir, "b")
			if err := save(f, a, "x", true); !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("create without a folder: %v", err)
			}
			must(t, f.Mkdir(dir))
			if err := f.Mkdir(dir); !errors.Is(err, fs.ErrExist) {
				t.Errorf("folder twice: %v", err)
			}
			must(t, save(f, a, "first", true))
			if err := save(f, a, "second", true); !errors.Is(err, fs.ErrExist) {
				t.Errorf("create twice: %v", err)
			}
			must(t, save(f, b, "old", true))
			must(t, f.Touch(a, 1_500_000_000_000_000_000))
			info, err := f.Stat(a)
			must(t, err)
			if info.Inode == 0 {
				t.Error("no inode")
			}
			want := Info{Size: 5, ModTime: 1_500_000_000_000_000_000, Changed: info.Changed, Inode: info.Inode, Regular: true}
			if d := cmp.Diff(want, info); d != "" {
				t.Errorf("Stat (-want +got):\n%s", d)
			}
			must(t, f.Rename(a, b))
			if got := load(t, f, b); got != "first" {
				t.Errorf("after rename: %q", got)
			}
			h, err := f.Open(b)
			must(t, err)
			got, err := h.Stat()
			want.Changed = got.Changed // renaming may move it on
			if err != nil || got != want {
				t.Errorf("renamed file: %+v, %v", got, err)
			}
			must(t, h.Close())
			must(t, f.SyncDir(dir))
			must(t, save(f, a, "", false))
			if names, err := f.ReadDir(dir); err != nil || cmp.Diff([]string{"a", "b"}, names) != "" {
				t.Errorf("ReadDir: %q, %v", names, err)
			}
			if d, err := f.Stat(dir); err != nil || !d.Dir || d.Regular {
				t.Errorf("folder: %+v, %v", d, err)
			}
			must(t, f.Remove(a))
			if _, err := f.Stat(a); !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("after Remove: %v", err)
			}
		})
	}
}

// everything does each operation once and tells which failed.
func everything(f FS, dir string) []bool {
	name := filepath.Join(dir, "x")
	var failed []bool
	note := func(err error) { failed = append(failed, err != nil) }
	h, err := f.Create(name)
	note(err)
	if err != nil {
		h, _ = Disk{}.Create(name)
	}
	_, err = h.Write([]byte("1234"))
	note(err)
	note(h.Sync())
	_, err = h.Stat()
	note(err)
	note(h.Close())
	_, err = f.Stat(name)
	note(err)
	note(f.Touch(name, 1))
	note(f.Rename(name, name+"y"))
	note(f.SyncDir(dir))
	_, err = f.ReadDir(dir)
	note(err)
	note(f.Mkdir(filepath.Join(dir, "z")))
	note(f.Remove(filepath.Join(dir, "z")))
	return failed
}

func TestFaultyAt(t *testing.T) {
	calm := &Faulty{FS: Disk{}}
	everything(calm, t.TempDir())
	total := len(calm.Ops())
	if total != 12 {
		t.Fatalf("%d operations, want 12: %q", total, calm.Ops())
	}
	for n := 2; n <= 8; n++ {
		for _, crash := range []bool{false, true} {
			f := &Faulty{FS: Disk{}, At: n, Crash: crash}
			for i, failed := range everything(f, t.TempDir()) {
				if want := i+1 == n || crash && i+1 > n; failed != want {
					t.Errorf("fault at %d, crash %t: operation %d (%s) failed %t", n, crash, i+1, calm.Ops()[i], failed)
				}
			}
		}
	}
	if err := save(&Faulty{FS: Disk{}, At: 1}, filepath.Join(t.TempDir(), "x"), "", false); !errors.Is(err, ErrFault) {
		t.Errorf("the error is %v", err)
	}
}

// A failing write leaves half behind.
func TestFaultyTornWrite(t *testing.T) {
	name := filepath.Join(t.TempDir(), "x")
	if err := save(&Faulty{FS: Disk{}, At: 2}, name, "123456", false); !errors.Is(err, ErrFault) {
		t.Error(err)
	}
	if got := load(t, Disk{}, name); got != "123" {
		t.Errorf("left %q", got)
	}
}

func TestPowerCut(t *testing.T) {
	const gone = "(gone)"
	tests := []struct {
		reason             string
		syncFile, syncDir  bool
		rename, syncRename bool
		want               string
	}{
		{"nothing flushed", false, false, false, false, gone},
		{"content without its name", true, false, false, false, gone},
		{"name without its content", false, true, false, false, ""},
		{"both", true, true, false, false, "text"},
		{"renamed, the new name not flushed", true, true, true, false, gone},
		{"renamed and flushed", true, false, true, true, "text"},
		{"renamed without content", false, false, true, true, ""},
	}
	for _, tt := range tests {
		dir := t.TempDir()
		f := &Faulty{FS: Disk{}}
		name := filepath.Join(dir, "x")
		must(t, save(f, name, "text", tt.syncFile))
		if tt.syncDir {
			must(t, f.SyncDir(dir))
		}
		if tt.rename {
			must(t, f.Rename(name, name+"y"))
			name += "y"
		}
		if tt.syncRename {
			must(t, f.SyncDir(dir))
		}
		must(t, f.PowerCut())
		got := gone
		if b, err := os.ReadFile(name); err == nil {
			got = string(b)
		}
		if got != tt.want {
			t.Errorf("%s: %q, want %q", tt.reason, got, tt.want)
		}
	}
}
