package cli

import (
	"os"
	"runtime"

	"lapwear/cmd/internal/heap"
	"lapwear/pipeline/season"
)

const (
	heapOfLap   = 32 << 10  // what is known of each lap until the end, in bytes
	heapAtMost  = 512 << 20 // of laps at work, in bytes: what is in use of a heap that large sets its pace
	heapOfText  = 3         // heap for each byte of a recording at work: its text, its samples, and half of both before garbage is collected
	heapSamples = 16        // recordings whose sizes are looked at
)

// adviseHeap has the heap that a season will need, with so many laps at work at once (0: one a processor), made of huge pages, where the
// system gives them, and lets it grow to its usual size before garbage is collected. What huge pages were asked for beyond that size by
// more than an eighth would be given back to the system bit by bit.
func adviseHeap(s *season.Season, jobs int) {
	if jobs == 0 {
		jobs = runtime.GOMAXPROCS(0)
	}
	level := max(heap.Level, int(min(heapAtMost, int64(jobs)*heapOfText*largest(s))))
	if reason := heap.Advise(level + level/8 + heapOfLap*len(s.Laps)); reason != "" {
		level = heap.Level // the system has little to give, or does not say
	}
	heap.Pace(level)
}

// largest is the size of the largest of some of a season's recordings, in bytes.
func largest(s *season.Season) int64 {
	var size int64
	for i := range min(heapSamples, len(s.Laps)) {
		if info, err := os.Stat(s.Laps[i*len(s.Laps)/min(heapSamples, len(s.Laps))].Path); err == nil {
			size = max(size, info.Size())
		}
	}
	return size
}
