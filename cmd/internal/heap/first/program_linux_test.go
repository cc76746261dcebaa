//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package first

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// The assumption: code and constants are what the kernel names first of a process, and it maps what it has of them.
func TestProgramIsMapped(t *testing.T) {
	for began := time.Now(); mapping.Load() != 0; time.Sleep(time.Millisecond) {
		if time.Since(began) > time.Minute {
			t.Fatal("the program is still being mapped")
		}
	}
	fresh, err := unix.Mmap(-1, 0, os.Getpagesize(), unix.PROT_READ, unix.MAP_PRIVATE|unix.MAP_ANON)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Munmap(fresh)
	if err := unix.Madvise(fresh, populateRead); err == unix.EINVAL {
		t.Skip("the system maps nothing ahead")
	}
	smaps, err := os.ReadFile("/proc/self/smaps")
	if err != nil {
		t.Skip(err)
	}
	parts := strings.SplitAfterN(string(smaps), "VmFlags:", 3)
	for i, mode := range []string{" r-xp ", " r--p "} {
		var size, resident int
		_, rest, _ := strings.Cut(parts[i], "\nSize:")
		_, of, _ := strings.Cut(parts[i], "\nRss:")
		if n, err := fmt.Sscan(rest, &size); n != 1 {
			t.Fatal(err)
		}
		if n, err := fmt.Sscan(of, &resident); n != 1 {
			t.Fatal(err)
		}
		if !strings.Contains(parts[i], mode) || !strings.Contains(parts[i], os.Args[0]) || resident < size/10*9 {
			t.Errorf("%d of %d kB are mapped, want nearly all, of the program's part%s:\n%s", resident, size, mode, parts[i])
		}
	}
}

func TestHex(t *testing.T) {
	tests := []struct {
		text string
		n    uintptr
		rest string
	}{
		{"00400000-0128c000 r-xp", 0x400000, "-0128c000 r-xp"},
		{"7fadfa4f2ad7", 0x7fadfa4f2ad7, ""},
		{" r-xp", 0, " r-xp"},
		{"", 0, ""},
	}
	for _, tt := range tests {
		if n, rest := hex([]byte(tt.text)); n != tt.n || string(rest) != tt.rest {
			t.Errorf("hex(%q) = %#x, %q, want %#x, %q", tt.text, n, rest, tt.n, tt.rest)
		}
	}
	if got := after([]byte("a-b\nc"), '\n'); string(got) != "c" {
		t.Errorf("after a line's end there is %q", got)
	}
	if got := after([]byte("a-b"), '\n'); got != nil {
		t.Errorf("after nothing there is %q", got)
	}
}
