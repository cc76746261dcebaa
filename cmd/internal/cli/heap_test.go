package cli

import (
	"testing"

	"lapwear/cmd/internal/heap"
)

func TestHeapLevel(t *testing.T) {
	for _, tt := range []struct {
		reason            string
		jobs              int
		memory, recording int64
		want              int
	}{
		{"no recording", 2, 1 << 30, 0, heap.Level},
		{"small ones", 2, 1 << 30, 8e6, heap.Level},
		{"large ones, two at work", 2, 1 << 30, 31e6, 186e6},
		{"more at work", 4, 1 << 30, 31e6, 372e6},
		{"it has an upper end", 8, 1 << 30, 31e6, heapAtMost},
		{"a recording as large as its size can be told", 8, 1 << 30, 1<<63 - 1, heapAtMost},
		{"memory for recordings is limited", 8, 200 << 20, 31e6, 200 << 20},
		{"limited below what a small season takes", 8, 1 << 20, 31e6, heap.Level},
	} {
		if got := heapLevel(tt.jobs, tt.memory, tt.recording); got != tt.want {
			t.Errorf("%s: %d, want %d", tt.reason, got, tt.want)
		}
	}
}
