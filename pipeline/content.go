package pipeline

import (
	"sync"

	"lapwear/cache"
	"lapwear/cache/key"
	"lapwear/fatigue/lanes"
)

// contentStore is a store that hands on what it has read to hash a file, so that a recording is read once, and tells whether
// the file still looks like that.
type contentStore interface {
	FileContent(path string, rehash bool, room func(size int64) []byte, hands cache.Hands) (key.ID, []byte, error)
	Stands(path string, id key.ID) bool
}

// contents is memory for the contents of recordings, from hashing until the task that reads them is resolved.
type contents struct {
	most int64 // bytes that one may have
	mu   sync.Mutex
	free [][]byte
}

// contentShare is which part of the memory budget all contents together may take, and mostContent how many bytes one may:
// more than a recording of a lap has.
const (
	contentShare = 4
	mostContent  = 64 << 20
)

// contentsFor returns room for as many contents as there are jobs.
func contentsFor(jobs int, memory int64) contents {
	return contents{most: min(mostContent, memory/int64(contentShare*jobs))}
}

// room returns memory for a content, which is to be written before it is read; nil for one that is too large.
func (c *contents) room(size int64) []byte {
	if size > c.most {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if n := len(c.free); n > 0 {
		last := c.free[n-1]
		c.free = c.free[:n-1]
		if int64(cap(last)) >= size {
			return last[:size]
		}
	}
	return lanes.Uncleared[byte](int(size + size/8))[:size] // the next one may be a little longer
}

// give takes the memory of a content back, of which no task holds on to any.
func (c *contents) give(content []byte) {
	if content == nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.free = append(c.free, content)
}

// drop leaves the memory that lies idle to others, as no recording is left to be read.
func (c *contents) drop() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, content := range c.free {
		lanes.Spare(content)
	}
	c.free = nil
}
