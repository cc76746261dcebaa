package cli

import (
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// Whatever a command writes is as open as the umask allows, and no more: outputs, plan,
// figures and cache, so that a team can share them or keep them to itself.
func TestPermissions(t *testing.T) {
	base := t.TempDir()
	season := newSeason(t, base)
	for _, mask := range []string{"002", "027", "077"} {
		dir := filepath.Join(base, mask)
		out, store := filepath.Join(dir, "out"), filepath.Join(dir, "cache")
		for _, command := range [][]string{{"run", season}, {"calibrate", season}, {"run", season, "--set", "hotspots.weld.stress_factor=1.1"}} {
			args := append([]string{"-c", `umask ` + mask + `; exec "$@"`, "sh", "lapwear"}, append(command, "--out", out, "--cache", store, "--quiet")...)
			if text, err := exec.Command("sh", args...).CombinedOutput(); err != nil {
				t.Fatalf("%q: %v\n%s", command, err, text)
			}
		}
		denied := fs.FileMode(0)
		for _, digit := range mask {
			denied = denied<<3 | fs.FileMode(digit-'0')
		}
		files := 0
		err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			info, err := os.Lstat(path)
			want := fs.FileMode(0o666)
			if d.IsDir() {
				want = 0o777
			}
			if want &^= denied; err == nil && info.Mode().Perm() != want {
				t.Errorf("umask %s: %s has the permissions %o, want %o", mask, path, info.Mode().Perm(), want)
			}
			files++
			return err
		})
		if err != nil || files < 30 {
			t.Errorf("umask %s: %d files, %v", mask, files, err)
		}
	}
}
