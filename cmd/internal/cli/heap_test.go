package cli

import "testing"

func TestPercentFor(t *testing.T) {
	for _, tt := range []struct {
		reason string
		live   uint64
		want   int
	}{
		{"nothing was collected yet", 0, 1500},
		{"a sixteenth of a small heap", smallHeap / 16, 1500},
		{"a quarter", smallHeap / 4, 300},
		{"half", smallHeap / 2, usualPercent},
		{"a large heap", 10 * smallHeap, usualPercent},
	} {
		got := percentFor(tt.live)
		if got != tt.want {
			t.Errorf("%s: %d %%, want %d %%", tt.reason, got, tt.want)
		}
		if goal := tt.live * uint64(100+got) / 100; tt.live >= leastHeap && tt.live < smallHeap && goal > 2*smallHeap {
			t.Errorf("%s: collected at %d bytes, want %d at most", tt.reason, goal, 2*smallHeap)
		}
	}
}
