package cli

import (
	"lapwear/cmd/internal/heap"
	"lapwear/pipeline/season"
)

// What a season's heap may need, in bytes: its laps at work, and what is known of each until the end. What is beyond the size at which garbage
// is collected (heap.Pace) by more than a tenth would be given back to the system bit by bit.
const (
	heapAtWork = 144 << 20
	heapOfLap  = 32 << 10
)

// adviseHeap has the heap that a season will need made of huge pages, where the system gives them, and lets it grow to its usual
// size before garbage is collected.
func adviseHeap(s *season.Season) {
	heap.Advise(heapAtWork + heapOfLap*len(s.Laps))
	heap.Pace()
}
