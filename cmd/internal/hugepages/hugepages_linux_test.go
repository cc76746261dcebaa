//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package hugepages

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strings"
	"testing"
	"unsafe"
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
const child = "HUGEPAGES_CHILD"

// The assumption: what the heap gains after the advice lies where it was given, and comes in huge pages.
func TestAdvice(t *testing.T) {
	if os.Getenv(child) != "" {
		useHeap()
		return
	}
	if _, reason := usable(); reason != "" {
		t.Skip(reason)
	}
	c := exec.Command(os.Args[0], "-test.run=^TestAdvice$", "-test.v")
	c.Env = append(os.Environ(), child+"=1")
	out, err := c.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, out)
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

// usedKiB is how much of the heap is used after the advice, of which there is four times as much.
const usedKiB = 32 << 10

func useHeap() {
	reason := Advise(4 * usedKiB << 10)
	again := Advise(4 * usedKiB << 10)
	used := make([]byte, usedKiB<<10)
	for i := range used {
		used[i] = 1
	}
	m := mapping(uintptr(unsafe.Pointer(&used[len(used)/2])))
	switch {
	case reason != "" || again == "":
		fmt.Printf("advice: %q, again: %q\n", reason, again)
	case !slices.Contains(m.flags, "hg"):
		fmt.Printf("the heap lies where no advice was given: %v\n", m)
	default:
		fmt.Printf("result: resident %d kB, huge %d kB\n", m.resident, m.huge)
	}
	runtime.KeepAlive(used)
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
