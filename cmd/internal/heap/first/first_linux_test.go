//go:build linux && (amd64 || arm64) && !race && !msan && !asan

package first

import (
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"
)

// grown is what is allocated once package first has been initialised, as other packages' memory is.
var grown [1 << 10]*[8 << 10]byte

func init() {
	for i := range grown {
		grown[i] = new([8 << 10]byte)
	}
}

// before is allocated before the room is made, as variables are set before an init is called.
var before = new([1 << 10]byte)

// The assumptions: the heap grows into the room, which begins with the huge page in which the heap in use ends.
func TestHeapGrowsThere(t *testing.T) {
	if !roomy() {
		t.Skip("the system limits what may be reserved")
	}
	if to-from < start-4*page || to-from > start+page {
		t.Fatalf("the room is from %#x to %#x", from, to)
	}
	if at := uintptr(unsafe.Pointer(before)); at >= from+2*page || at < from-page {
		t.Errorf("the heap in use is at %#x, the room from %#x", at, from)
	}
	if low, high := Grow(); low != from || high < to+more-start || high > to+more {
		t.Errorf("there is more room from %#x to %#x, the first is from %#x to %#x", low, high, from, to)
	}
	within := 0
	for _, p := range grown {
		if at := uintptr(unsafe.Pointer(p)); at >= from && at < to {
			within++
		}
	}
	if within < len(grown)/4 {
		t.Errorf("%d of %d allocations lie from %#x to %#x; the first is at %p", within, len(grown), from, to, grown[0])
	}
}

// limitedChild is the variable that has TestLimits do its work in a process of its own.
const limitedChild = "FIRST_LIMITED_CHILD"

// The room is not touched, and not made where that would end the program.
func TestLimits(t *testing.T) {
	if os.Getenv(limitedChild) != "" {
		var usage unix.Rusage
		_ = unix.Getrusage(unix.RUSAGE_SELF, &usage) // fails for no process but another
		fmt.Printf("result: %d room, %d kB\n", to-from, usage.Maxrss)
		return
	}
	if !roomy() {
		t.Skip("the system limits what may be reserved")
	}
	for _, tt := range []struct {
		reason, before, set string
		room                bool
	}{
		{"no limit", "", "", true},
		{"address space", "ulimit -v 4000000; ", "", false},
		{"data", "ulimit -d 4000000; ", "", false},
		{"the runtime's memory", "", "GOMEMLIMIT=1GiB", false},
	} {
		c := exec.Command("sh", "-c", tt.before+`exec "$0" -test.run='^TestLimits$' -test.v`, os.Args[0])
		c.Env = append(os.Environ(), limitedChild+"=1", tt.set)
		out, err := c.CombinedOutput()
		var bytes, resident int
		_, found, _ := strings.Cut(string(out), "result: ")
		if n, _ := fmt.Sscanf(found, "%d room, %d kB", &bytes, &resident); n != 2 || err != nil {
			t.Errorf("%s: %v\n%s", tt.reason, err, out)
			continue
		}
		if got := bytes > 0; got != tt.room {
			t.Errorf("%s: room of %d bytes", tt.reason, bytes)
		}
		if resident > 64<<10 {
			t.Errorf("%s: %d kB are touched", tt.reason, resident)
		}
	}
}
