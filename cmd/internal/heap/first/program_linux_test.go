//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package first

import (
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// The assumption: code and constants are what the kernel names first of a process, and it maps what it has of them.
func TestProgramIsMapped(t *testing.T) {
	if runtime.NumCPU() == 1 {
		t.Skip("with one processor nothing is mapped ahead")
	}
	fresh, err := unix.Mmap(-1, 0, os.Getpagesize(), unix.PROT_READ, unix.MAP_PRIVATE|unix.MAP_ANON)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Munmap(fresh)
	if err := unix.Madvise(fresh, populateRead); err == unix.EINVAL {
		t.Skip("the system maps nothing ahead")
	}
	const patience = time.Minute
	for i, mode := range []string{" r-xp ", " r--p "} {
		size, resident, text := partOfProgram(t, i)
		if i == 1 {
			size = min(size, constants>>10)
		}
		for began := time.Now(); resident < size/10*9 && time.Since(began) < patience; time.Sleep(time.Millisecond) {
			_, resident, text = partOfProgram(t, i)
		}
		if resident < size/10*9 || !strings.Contains(text, mode) || !strings.Contains(text, os.Args[0]) {
			t.Errorf("%d of %d kB are mapped, want nearly all, of the program's part%s:\n%s", resident, size, mode, text)
		}
	}
}

// partOfProgram is what the kernel tells of part i of the process's address space, and of how many kB, of which so many are mapped.
func partOfProgram(t *testing.T, i int) (size, resident int, text string) {
	t.Helper()
	smaps, err := os.ReadFile("/proc/self/smaps")
	if err != nil {
		t.Skip(err)
	}
	text = strings.SplitAfterN(string(smaps), "VmFlags:", i+2)[i]
	_, rest, _ := strings.Cut(text, "\nSize:")
	_, of, _ := strings.Cut(text, "\nRss:")
	if _, err := fmt.Sscan(rest, &size); err != nil {
		t.Fatal(err)
	}
	if _, err := fmt.Sscan(of, &resident); err != nil {
		t.Fatal(err)
	}
	return size, resident, text
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
