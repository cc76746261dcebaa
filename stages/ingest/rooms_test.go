package ingest

import (
	"slices"
	"sync"
	"testing"
)

// Most of a column stays where it is; a short part is copied, so that it does not hold the rest.
func TestCutOut(t *testing.T) {
	for _, tt := range []struct {
		reason   string
		from, to int
		moved    bool
	}{
		{"all", 0, 10, false},
		{"but for a few at the beginning", 2, 10, false},
		{"half", 5, 10, true},
		{"few", 9, 10, true},
		{"none", 0, 0, true},
	} {
		var pool sync.Pool
		v := []float32{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}
		got := cutOut(&pool, v, tt.from, tt.to)
		if got == nil || !slices.Equal(got, v[tt.from:tt.to]) {
			t.Errorf("%s: %v, want %v", tt.reason, got, v[tt.from:tt.to])
		}
		if len(got) > 0 && (&got[0] != &v[tt.from]) != tt.moved {
			t.Errorf("%s: copied is %v, want %v", tt.reason, !tt.moved, tt.moved)
		}
	}
}
