package heap

import (
	"os"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"sync"
)

// levelHeap is the size, in bytes, at which garbage is collected while no more than two thirds of it are in use.
//   - A run with little to do would collect a dozen times to stay below twice what it uses.
//   - What is in use moves to and fro with the laps at work and how far each is: were a heap always allowed twice that, its peak would be twice the
//     most that any lap happened to meet, and rise with the number of laps.
//   - Collected at sizes from 85 to 130 MB, as they happen to be, a heap gives what is free back to the system piece by piece, and asks for it again.
//
// Measured on two very busy processors, 100 laps of 16 channels with 96 and 128 MB, means of two runs: 55 and 26 collections, 280 and 29 MB given
// back, 13,100 and 3,500 traps into the kernel for memory, 10.6 and 9.0 s of processor time, 136 and 174 MB of memory at most; 400 laps, one
// run each: 159 and 179 MB. Heaps with more than that in use have the runtime's pace: at half of it, 20,000 short laps took 2.2 to 2.6 s of processor
// time more of 16 to 19.
const levelHeap = 128 << 20

// leastHeap is the heap at which the runtime first collects with its own setting, in bytes; it grows with that (GOGC in package runtime).
const leastHeap = 4 << 20

// Pace sets when garbage is collected, anew after each collection, unless the user has said it (GOGC, GOMEMLIMIT). It does so the
// first time that it is called, which is to be after Advise.
func Pace() { paceOnce.Do(pace) }

var paceOnce sync.Once

func pace() {
	if os.Getenv("GOGC")+os.Getenv("GOMEMLIMIT") != "" {
		return
	}
	debug.SetGCPercent(percentFor(liveHeap()))
	type cycle struct{ _ *cycle } // of no use but that one that nobody refers to ends with each collection
	var watch func()
	watch = func() {
		runtime.SetFinalizer(&cycle{}, func(*cycle) {
			debug.SetGCPercent(percentFor(liveHeap()))
			watch()
		})
	}
	watch()
}

// liveHeap is how many bytes the last collection of garbage left.
func liveHeap() uint64 {
	s := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	metrics.Read(s)
	if s[0].Value.Kind() != metrics.KindUint64 {
		return levelHeap
	}
	return s[0].Value.Uint64()
}

// percentFor is by how many per cent of what is in use the heap may grow.
func percentFor(live uint64) int {
	live = max(live, leastHeap)
	level := uint64(levelHeap)
	if most := uint64(levelHeap / 3 * 2); live > most {
		level += 3 * (live - most) // soon twice what is in use, for a large heap takes long to be looked through
	}
	return int(max(levelHeap, min(2*live, level))*100/live) - 100
}
