// Package cachetest helps tests that put a store through misfortune.
package cachetest

import (
	"context"
	"os"
	"slices"
	"testing"

	"lapwear/cache"
)

// Sound wants a store in which nothing is damaged or foreign. What an interrupted write
// has left is harmless, and so are the kinds that are said to be.
func Sound(t *testing.T, when, dir string, harmless ...cache.Kind) {
	t.Helper()
	s, err := cache.Open(dir, cache.Options{})
	if err != nil {
		t.Fatalf("%s: %v", when, err)
	}
	defer s.Close()
	_, err = s.Verify(context.Background(), cache.VerifyOptions{}, func(f cache.Finding) {
		if f.Kind != cache.Leftover && !slices.Contains(harmless, f.Kind) {
			t.Errorf("%s: cache: %+v", when, f)
		}
	})
	if err != nil {
		t.Errorf("%s: %v", when, err)
	}
}

// MemoryDir is a folder in memory where the system has one, so that flushing costs
// nothing; what a kill leaves does not depend on it.
func MemoryDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("/dev/shm", "lapwear-test-")
	if err != nil {
		return t.TempDir()
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}
