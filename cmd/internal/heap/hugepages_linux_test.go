//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package heap

import (
	"bufio"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"
)

func TestSpan(t *testing.T) {
	const page, begin = 2 << 20, 0xc000000000
	tests := []struct {
		reason             string
		at, size, from, to uintptr
	}{
		{"from the parcel's beginning to the last whole page", begin + 0x401000, 256 << 20, begin, begin + 0x10400000},
		{"at the beginning", begin, 64 << 20, begin, begin + 0x4000000},
		{"in a later parcel", begin + 0x9000000, 4 << 20, begin + 0x8000000, begin + 0x9400000},
		{"less than a page", begin + 0x1000, 0x1000, begin, begin},
	}
	for _, tt := range tests {
		if from, to := span(tt.at, tt.size, page); from != tt.from || to != tt.to {
			t.Errorf("%s: span(%#x, %#x) = %#x, %#x; want %#x, %#x", tt.reason, tt.at, tt.size, from, to, tt.from, tt.to)
		}
	}
}

// child is the variable that has the test do its work in a process of its own: advice is given once a process, to a heap that is new.
const child = "HEAP_CHILD"

// The assumption: what the heap gains after the advice lies where it was given, and comes in huge pages.
func TestAdvice(t *testing.T) {
	if os.Getenv(child) != "" {
		useHeap()
		return
	}
	if _, reason := usable(); reason != "" {
		t.Skip(reason)
	}
	var out []byte
	for range 20 { // other threads may have had the heap grow just before the advice, which is then given elsewhere
		c := exec.Command(os.Args[0], "-test.run=^TestAdvice$", "-test.v")
		c.Env = append(os.Environ(), child+"=1")
		var err error
		if out, err = c.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		if !strings.Contains(string(out), elsewhere) {
			break
		}
	}
	var resident, huge int
	_, found, _ := strings.Cut(string(out), "result: ")
	if n, err := fmt.Sscanf(found, "resident %d kB, huge %d kB", &resident, &huge); n != 2 {
		t.Fatalf("%v\n%s", err, out)
	}
	if resident > usedKiB*2 {
		t.Errorf("the heap takes %d kB for %d: what was asked for is touched", resident, usedKiB)
	}
	if huge < usedKiB/2 {
		t.Skipf("the system had huge pages for %d of %d kB only", huge, usedKiB)
	}
}

const elsewhere = "the heap lies where no advice was given"

// usedKiB is how much of the heap is used after the advice, of which there is four times as much.
const usedKiB = 32 << 10

func useHeap() {
	_, reason := Advise(4 * usedKiB << 10)
	_, again := Advise(4 * usedKiB << 10)
	used := make([]byte, usedKiB<<10)
	for i := range used {
		used[i] = 1
	}
	m := mapping(uintptr(unsafe.Pointer(&used[len(used)/2])))
	switch {
	case reason != "" || again == "":
		fmt.Printf("advice: %q, again: %q\n", reason, again)
	case !slices.Contains(m.flags, "hg"):
		fmt.Printf("%s: %v\n", elsewhere, m)
	default:
		fmt.Printf("result: resident %d kB, huge %d kB\n", m.resident, m.huge)
	}
	runtime.KeepAlive(used)
}

// What is reserved counts against a limit of the data segment: a run that worked within it must go on to do so.
func TestNoAdviceUnderLimits(t *testing.T) {
	if _, reason := usable(); reason != "" {
		t.Skip(reason)
	}
	for name, resource := range map[string]int{"address space": unix.RLIMIT_AS, "data": unix.RLIMIT_DATA} {
		var before unix.Rlimit
		if err := unix.Getrlimit(resource, &before); err != nil {
			t.Fatal(err)
		}
		if err := unix.Setrlimit(resource, &unix.Rlimit{Cur: 1 << 40, Max: before.Max}); err != nil {
			t.Skipf("%s: %v", name, err)
		}
		_, reason := usable()
		if err := unix.Setrlimit(resource, &before); err != nil {
			t.Fatal(err)
		}
		if reason == "" {
			t.Errorf("%s: advice is given though there is a limit", name)
		}
	}
}

// More than the system would reserve at all ends no process.
func TestAdviceOfTooMuch(t *testing.T) {
	if os.Getenv(child) != "" {
		_, reason := Advise(1 << 45)
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		fmt.Printf("result: %q, %d MB\n", reason, m.HeapSys>>20)
		return
	}
	if _, reason := usable(); reason != "" {
		t.Skip(reason)
	}
	c := exec.Command(os.Args[0], "-test.run=^TestAdviceOfTooMuch$", "-test.v")
	c.Env = append(os.Environ(), child+"=1")
	out, err := c.CombinedOutput()
	var heap int
	_, found, _ := strings.Cut(string(out), "result: ")
	if n, _ := fmt.Sscanf(found, "\"\", %d MB", &heap); n != 1 || err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	if most := (mostAdvised + 6*arena) >> 20; heap > most {
		t.Errorf("a heap of %d MB is reserved, want %d MB at most", heap, most)
	}
}

func TestWithin(t *testing.T) {
	tests := []struct {
		reason         string
		bytes          int
		machine, group uint64
		want           int
	}{
		{"all of it", 256 << 20, 16 << 30, math.MaxUint64, 256 << 20},
		{"never more than this", 40 << 30, 1 << 40, math.MaxUint64, mostAdvised},
		{"a small machine", 1 << 30, 2 << 30, math.MaxUint64, 512 << 20},
		{"a small group on a large machine", 256 << 20, 1 << 40, 400 << 20, 100 << 20},
		{"memory that is not known", 256 << 20, 0, math.MaxUint64, 0},
	}
	for _, tt := range tests {
		if got := within(tt.bytes, tt.machine, tt.group); got != tt.want {
			t.Errorf("%s: %d of %d bytes, want %d", tt.reason, got, tt.bytes, tt.want)
		}
	}
	if m := memory(); m < 64<<20 {
		t.Errorf("the machine has %d bytes", m)
	}
}

func TestGroupMemory(t *testing.T) {
	root := t.TempDir()
	for path, text := range map[string]string{
		"memory.max": "9000\n", "a/memory.max": "3000\n", "a/b/memory.max": "max\n", "c/memory.max": "5000\n",
		"memory/memory.limit_in_bytes": "9223372036854771712\n", "memory/job/memory.limit_in_bytes": "4000\n",
	} {
		path = filepath.Join(root, path)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	tests := []struct {
		reason, groups string
		want           uint64
	}{
		{"a group's own limit", "0::/c\n", 5000},
		{"the limit of the group about it", "0::/a/b\n", 3000},
		{"a path of the world outside", "0::/outside/x\n", 9000},
		{"version 1", "5:cpu,cpuacct:/a\n4:hugetlb,memory:/job/step\n", 4000},
		{"version 1 without a limit", "4:memory:/\n", 9223372036854771712},
		{"another controller", "5:cpu:/a\n", math.MaxUint64},
		{"no group", "", math.MaxUint64},
		{"what is no line of groups", "memory\n", math.MaxUint64},
	}
	for _, tt := range tests {
		if got := groupMemory(root, tt.groups); got != tt.want {
			t.Errorf("%s: %d bytes, want %d", tt.reason, got, tt.want)
		}
	}
}

// mapped is what proc(5) says of a range of addresses in smaps.
type mapped struct {
	resident, huge int // kB
	flags          []string
}

func mapping(at uintptr) (m mapped) {
	f, err := os.Open("/proc/self/smaps")
	if err != nil {
		return m
	}
	defer f.Close()
	inside := false
	for lines := bufio.NewScanner(f); lines.Scan(); {
		name, rest, _ := strings.Cut(lines.Text(), ":")
		var from, to uintptr
		if n, _ := fmt.Sscanf(lines.Text(), "%x-%x ", &from, &to); n == 2 {
			inside = from <= at && at < to
		}
		switch {
		case !inside:
		case name == "Rss":
			fmt.Sscan(rest, &m.resident)
		case name == "AnonHugePages":
			fmt.Sscan(rest, &m.huge)
		case name == "VmFlags":
			m.flags = strings.Fields(rest)
		}
	}
	return m
}
