package heap

import (
	"cmp"
	"os"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"sync"
	"sync/atomic"
)

// Level is the size of a small season's heap, in bytes. A heap is collected at its level while no more than two thirds of it are in use.
//   - A run with little to do would collect a dozen times to stay below twice what it uses.
//   - What is in use moves to and fro with the laps at work and how far each is: were a heap always allowed twice that, its peak would be twice the
//     most that any lap happened to meet, and rise with the number of laps.
//   - Collected at sizes from 85 to 130 MB, as they happen to be, a heap gives what is free back to the system piece by piece, and asks for it again.
//
// Measured on two very busy processors, 100 laps of 16 channels with 96 and 128 MB, means of two runs: 55 and 26 collections, 280 and 29 MB given
// back, 13,100 and 3,500 traps into the kernel for memory, 10.6 and 9.0 s of processor time, 136 and 174 MB of memory at most; 400 laps, one
// run each: 159 and 179 MB. Heaps with more than that in use have the runtime's pace: at half of it, 20,000 short laps took 2.2 to 2.6 s of processor
// time more of 16 to 19. Recordings of text take more: 20 of 31 MB, two at work, took 3.3 s of processor time at 128 MB, 3.0 at 192 (least of six runs).
const Level = 128 << 20

// StartLevel is the level of a command that is not known to need more, in bytes: what the start allocates is not worth a collection of its own,
// which takes 2 to 3 ms of processor time on a virtual machine.
const StartLevel = 16 << 20

// leastHeap is the heap at which the runtime first collects with its own setting, in bytes; it grows with that (GOGC in package runtime).
const leastHeap = 4 << 20

// Pace sets when garbage is collected, anew after each collection, unless the user has said it (GOGC, GOMEMLIMIT): at level bytes
// while no more than two thirds of them are in use. Called again it sets another level, for a heap that need not be steady; with huge pages that is to be after Advise.
func Pace(level int) {
	if os.Getenv("GOGC")+os.Getenv("GOMEMLIMIT") != "" {
		return
	}
	steady.Store(0)
	if paced.Swap(uint64(level)) == 0 {
		watch()
	}
	setPace()
}

// paced is the level, 0 before there is one.
var paced atomic.Uint64

// steady is the level that Steady has set instead, 0 where it has set none.
var steady atomic.Uint64

// live is how many bytes the last collection of garbage left, 0 before the first.
var live atomic.Uint64

// pacing keeps a collection's end from setting the level before, once there is another.
var pacing sync.Mutex

func setPace() {
	pacing.Lock()
	defer pacing.Unlock()
	lower := steady.Load()
	debug.SetGCPercent(percentFor(live.Load(), cmp.Or(lower, paced.Load()), lower > 0))
}

// Steady prepares a heap that is kept at its level for work that takes about so many bytes more, much of it in large pieces, until Unsteady ends that.
// Amid it, pieces of 1 to 3 MB find no room between what is in use and what is not yet known to be garbage, and the heap grows though much of it is
// free. So the level is lower by a quarter of those bytes, or by a quarter of itself; beyond it the heap grows by half at most, for
// much seems to be in use when garbage is collected amid such work; and where the work would not fit below the level, garbage is collected now.
// A heap with more than two thirds of its level in use keeps the pace it has, and so does one whose pace the user has set.
func Steady(bytes int) {
	level := paced.Load()
	if level == 0 || live.Load() > level/3*2 {
		return
	}
	steady.Store(level - min(uint64(bytes), level)/4)
	if readMetric("/memory/classes/heap/objects:bytes")+uint64(bytes) > level {
		runtime.GC()
		live.Store(liveHeap()) // the finalizer that does so may be late
	}
	setPace()
}

// Unsteady ends what Steady has begun.
func Unsteady() {
	if steady.Swap(0) > 0 {
		setPace()
	}
}

// watch has the pace set anew after each collection.
func watch() {
	type cycle struct{ _ *cycle } // of no use but that one that nobody refers to ends with each collection
	runtime.SetFinalizer(&cycle{}, func(*cycle) {
		live.Store(liveHeap())
		setPace()
		watch()
	})
}

// liveHeap is how many bytes the last collection of garbage left.
func liveHeap() uint64 { return readMetric("/gc/heap/live:bytes") }

// readMetric reads one of the runtime's numbers of bytes, Level where it has none of that name.
func readMetric(name string) uint64 {
	s := []metrics.Sample{{Name: name}}
	metrics.Read(s)
	if s[0].Value.Kind() != metrics.KindUint64 {
		return Level
	}
	return s[0].Value.Uint64()
}

// percentFor is by how many per cent of what is in use the heap may grow: beyond its level, where it is to be steady, by half.
func percentFor(live, level uint64, steady bool) int {
	live = max(live, leastHeap)
	goal := level
	switch most := level / 3 * 2; {
	case live <= most:
	case steady:
		goal = live / 2 * 3
	default:
		goal += 3 * (live - most) // soon twice what is in use, for a large heap takes long to be looked through
	}
	return int(max(level, min(2*live, goal))*100/live) - 100
}
