package heap

import (
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"runtime/metrics"
	"strings"
	"testing"
	"time"
)

func TestPercentFor(t *testing.T) {
	for _, tt := range []struct {
		reason string
		live   uint64
		want   int
	}{
		{"nothing was collected yet", 0, 3100},
		{"a sixteenth of a level heap", Level / 16, 1500},
		{"a quarter", Level / 4, 300},
		{"half", Level / 2, 100},
		{"two thirds of it", Level / 3 * 2, 50},
		{"somewhat more", Level / 6 * 5, 80},
		{"all of it", Level, 100},
		{"a large heap", 10 * Level, 100},
	} {
		got := percentFor(tt.live, Level, false)
		if got != tt.want {
			t.Errorf("%s: %d %%, want %d %%", tt.reason, got, tt.want)
		}
		if tt.live <= Level/3*2 && percentFor(tt.live, Level, true) != got {
			t.Errorf("%s: %d %% where it is steady, want %d %%", tt.reason, percentFor(tt.live, Level, true), got)
		}
		if goal := tt.live * uint64(100+got) / 100; tt.live >= leastHeap && tt.live < Level && goal > 2*Level {
			t.Errorf("%s: collected at %d bytes, want %d at most", tt.reason, goal, 2*Level)
		}
	}
}

// A steady heap grows by half at most, beyond its level too.
func TestPercentForSteady(t *testing.T) {
	for _, live := range []uint64{Level / 3 * 2, Level / 6 * 5, Level, 2 * Level} {
		if got := percentFor(live, Level, true); got < 49 || got > 50 {
			t.Errorf("%d bytes in use: %d %%, want 50 %%", live, got)
		}
	}
}

// steadyChild is the variable that has TestSteady do its work in a process of its own.
const steadyChild = "HEAP_STEADY_CHILD"

func TestSteady(t *testing.T) {
	if os.Getenv(steadyChild) != "" {
		steadyHeap()
		return
	}
	for _, tt := range []struct{ reason, set, want string }{
		{"collected where the rest would not fit alone, and steady until it is ended", "", "room 0, no room 1 then 60 %, in use 50 % then 85 %, large 0"},
		{"the user has said the pace", "GOGC=400", "room 0, no room 0 then 400 %, in use 400 % then 400 %, large 0"},
	} {
		c := exec.Command(os.Args[0], "-test.run=^TestSteady$", "-test.v")
		c.Env = append(os.Environ(), "GOGC=", "GOMEMLIMIT=", steadyChild+"=1", tt.set)
		out, err := c.CombinedOutput()
		_, found, _ := strings.Cut(string(out), "result: ")
		if found, _, _ = strings.Cut(found, "\n"); found != tt.want || err != nil {
			t.Errorf("%s: %v, %q; want %q\n%s", tt.reason, err, found, tt.want, out)
		}
	}
}

// steadyHeap says how many collections Steady makes of a heap that is half full, where there is room for what is to come and where there is not, and by how
// much it may grow then; by how much one may that has most of its level in use, and once that is ended; and how many collections it makes of such a heap.
func steadyHeap() {
	Pace(Level)
	half := make([]byte, Level/2)
	settle(Level / 2) // a collection that this began may be under way still
	room := collections(func() { Steady(Level / 4) })
	noRoom := collections(func() { Steady(Level / 4 * 3) })
	settle(Level / 2)
	lower := (percentNow() + 5) / 10 * 10 // of half the level to thirteen sixteenths
	more := make([]byte, Level/8*3)
	settle(Level / 8 * 7)
	steadily := percentNow()
	Unsteady()
	fmt.Printf("result: room %d, no room %d then %d %%, in use %d %% then %d %%, large %d\n", room, noRoom, lower, steadily, percentNow(),
		collections(func() { Steady(Level) }))
	runtime.KeepAlive(half)
	runtime.KeepAlive(more)
}

// settle collects garbage until the pace goes by so many bytes in use at least, unless the user has set it.
func settle(least uint64) {
	for until := time.Now().Add(time.Minute); paced.Load() != 0 && live.Load() < least && time.Now().Before(until); {
		collect()
	}
	finalized() // what has stored that sets the pace next
}

// finalized waits for a finalizer of its own. They run one at a time, so one that has stored what is live, as settle sees, has set the pace as well when another runs.
func finalized() {
	type last struct{ _ *last } // as watch has it
	done := make(chan struct{})
	runtime.SetFinalizer(&last{}, func(*last) { close(done) })
	for until := time.Now().Add(time.Minute); time.Now().Before(until); {
		runtime.GC()
		select {
		case <-done:
			return
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// collections is how many collections of garbage something makes.
func collections(do func()) uint32 {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	do()
	runtime.ReadMemStats(&after)
	return after.NumGC - before.NumGC
}

// pacedChild is the variable that has TestPace do its work in a process of its own: the pace is set once a process.
const pacedChild = "HEAP_PACED_CHILD"

func TestPace(t *testing.T) {
	if os.Getenv(pacedChild) != "" {
		grow()
		return
	}
	tests := []struct {
		reason, set  string
		empty, large int
	}{
		{"a large heap has the runtime's own pace again", "", 3100, 100},
		{"the user has said the pace", "GOGC=50", 50, 50},
		{"the user has limited memory", "GOMEMLIMIT=4GiB", 100, 100},
	}
	for _, tt := range tests {
		c := exec.Command(os.Args[0], "-test.run=^TestPace$", "-test.v")
		c.Env = append(os.Environ(), "GOGC=", "GOMEMLIMIT=", pacedChild+"=1", tt.set)
		out, err := c.CombinedOutput()
		var empty, large int
		_, found, _ := strings.Cut(string(out), "result: ")
		if n, _ := fmt.Sscanf(found, "%d %%, %d %%", &empty, &large); n != 2 || err != nil {
			t.Errorf("%s: %v\n%s", tt.reason, err, out)
		}
		if empty != tt.empty || large != tt.large {
			t.Errorf("%s: %d %%, then %d %%; want %d %%, then %d %%", tt.reason, empty, large, tt.empty, tt.large)
		}
	}
}

// grow paces a heap that is nearly empty, by another level than before, collects it thrice, as each collection has to see to
// the next, and has it grow to 200 MB in use.
func grow() {
	Pace(StartLevel)
	Pace(Level)
	for range 3 {
		collect()
	}
	empty := percentNow()
	used := make([][]byte, 200)
	for i := range used {
		used[i] = make([]byte, 1<<20)
	}
	collect()
	// Finalizers run beside the program: that of a collection halfway may have run late, so that none was to follow the last one.
	for until := time.Now().Add(time.Minute); percentNow() != 100 && empty > 100 && time.Now().Before(until); {
		collect()
	}
	fmt.Printf("result: %d %%, %d %%\n", empty, percentNow())
	runtime.KeepAlive(used)
}

// collect collects garbage and gives finalizers time to run.
func collect() {
	runtime.GC()
	time.Sleep(20 * time.Millisecond)
}

// percentNow is the setting in force; unlike asking debug.SetGCPercent for it, reading it changes nothing.
func percentNow() int {
	s := []metrics.Sample{{Name: "/gc/gogc:percent"}}
	metrics.Read(s)
	return int(s[0].Value.Uint64())
}
