package heap

import (
	"os"
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"sync"
)

// smallHeap is up to what size, in bytes, a heap grows without a collection of garbage, whatever part of it is in use: a run
// with little to do would collect a dozen times to stay below that. Measured on two busy processors, a gain of 100 laps changed:
// 12 collections and 0.27 s of user time without, 2 and 0.24 s with, means of 6 runs; a cold run of 20 laps takes no more memory.
const smallHeap = 64 << 20

// levelHeap is the size, in bytes, that a heap larger than that keeps to while no more than two thirds of it are in use. What is in use
// moves to and fro with the laps at work and how far each is; were a heap always allowed twice that, its peak would be twice the most that any
// lap happened to meet, and rise with the number of laps. Measured on two busy processors, a cold run's most memory of 100 and 400 laps of 16 channels:
// 147 to 160 and 167 to 182 MB without, 139 to 146 and 143 to 155 MB with, 53 and 57 collections of 100 laps, in four runs each or more.
// Heaps of 96 MB in use and more have the runtime's pace again: at half of it, 20,000 short laps took 2.2 to 2.6 s of processor time more of 16 to 19.
const levelHeap = 96 << 20

// usualPercent is the runtime's own setting: garbage is collected once the heap is twice what was in use.
const usualPercent = 100

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
		return smallHeap
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
	return int(max(smallHeap, min(live*(100+usualPercent)/100, level))*100/live) - 100
}
