package cli

import (
	"os"
	"runtime"
	"slices"

	"lapwear/cmd/internal/heap"
	"lapwear/pipeline/season"
)

const (
	heapOfLap   = 32 << 10  // what is known of each lap until the end, in bytes
	heapAtMost  = 512 << 20 // of laps at work, in bytes: what is in use of a heap that large sets its pace
	heapOfText  = 3         // heap for each byte of a recording at work: its text, its samples, and half of both before garbage is collected
	heapOfEnd   = 14 << 10  // what is made of each lap at a hot spot of a scenario once all are read, in bytes, garbage included: 224 kB of 16 in 400 laps
	heapSamples = 16        // recordings whose sizes are looked at
)

// adviseHeap has the heap that a season will need made of huge pages, where the system gives them, and lets it grow to its usual
// size before garbage is collected. What huge pages were asked for beyond that size by more than an eighth would be given back to the
// system bit by bit; where it has fewer to give, the heap is that of a small season, which grows when it has to. What is known of all laps has its share
// of the level: with it 100 and 400 laps took 160 and 168 MB at most, without 165 and 180 (means of three runs).
// A level of 72 MB for runs that read one or two recordings was tried: medians of 16 runs by turns 181 ms, without it 169; where the system
// had been idle for 3 s before each run, 294 ms and 320.
// At most so many laps are at work at once (0: one a processor), which may take so much memory, in bytes.
func adviseHeap(s *season.Season, jobs int, memory int64) {
	level := heapLevel(jobs, memory, usualSize(s))
	want := level + level/8 + heapOfLap*len(s.Laps)
	if asked, _ := heap.Advise(want); asked < want {
		level = heap.Level
	}
	heap.Pace(level - min(heapOfLap*len(s.Laps), level/8)) // the record and the tables of all laps come last
}

// readingHeap returns what keeps the heap from growing when no recording is left to be read and all laps are drawn together: their findings, accounts
// and tables, and the record.
func readingHeap(s *season.Season) func(more bool) {
	return func(more bool) {
		if more {
			heap.Unsteady()
			return
		}
		spots := 0
		for _, sc := range s.Scenarios() {
			spots += len(sc.Season.Hotspots)
		}
		heap.Steady(heapOfEnd * spots * len(s.Laps))
	}
}

// heapLevel is the size in bytes at which the garbage of a season is collected, with so many laps at work at once (0: one a processor) that
// may take so much memory, each of a recording of so many bytes.
func heapLevel(jobs int, memory, recording int64) int {
	if jobs == 0 {
		jobs = runtime.GOMAXPROCS(0)
	}
	most := min(heapAtMost, memory)
	if recording > most/heapOfText/int64(jobs) {
		return max(heap.Level, int(most))
	}
	return max(heap.Level, jobs*heapOfText*int(recording))
}

// usualSize is the median of the sizes of some of a season's recordings, in bytes.
func usualSize(s *season.Season) int64 {
	n := min(heapSamples, len(s.Laps))
	sizes := make([]int64, max(n, 1))
	for i := range n {
		if info, err := os.Stat(s.Laps[i*len(s.Laps)/n].Path); err == nil {
			sizes[i] = info.Size()
		}
	}
	slices.Sort(sizes)
	return sizes[n/2]
}
