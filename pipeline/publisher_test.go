package pipeline

import (
	"sync"
	"testing"
	"testing/synctest"
)

// Results are sent as many at once as there may be, the others after them, and all are sent once waited for.
func TestPublisherLimit(t *testing.T) {
	for _, tt := range []struct{ results, atOnce int }{{1, 1}, {publishers, publishers}, {publishers + 1, publishers}, {5 * publishers, publishers}} {
		synctest.Test(t, func(t *testing.T) {
			var p publisher
			var mu sync.Mutex
			underWay, most, sent := 0, 0, 0
			count := func(begun, done int) {
				mu.Lock()
				defer mu.Unlock()
				underWay, sent = underWay+begun-done, sent+done
				most = max(most, underWay)
			}
			goOn, all := make(chan struct{}), make(chan struct{})
			go func() {
				defer close(all)
				for range tt.results {
					p.send(func() { count(1, 0); <-goOn; count(0, 1) })
				}
			}()
			synctest.Wait()
			if underWay != tt.atOnce {
				t.Errorf("of %d results %d are under way at once, want %d", tt.results, underWay, tt.atOnce)
			}
			close(goOn)
			<-all
			p.wait()
			if sent != tt.results || most != tt.atOnce {
				t.Errorf("%d of %d results were sent, %d at once at most", sent, tt.results, most)
			}
			p.send(func() { count(1, 1) }) // as a later run does
			p.wait()
			if sent != tt.results+1 {
				t.Error("a result after the wait was not sent")
			}
		})
	}
}
