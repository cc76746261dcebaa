package pipeline

import "sync"

// publishers is how many results may be on their way to the store at once: the
// waiting is for the disk, not for a processor.
const publishers = 16

// publisher sends results to the store, several at once. A goroutine that has sent one sends others: the stack of a new one
// would have to grow each time.
type publisher struct {
	mu      sync.Mutex
	results chan func() // nil = no goroutine is about
	senders int
	done    sync.WaitGroup
}

// send has a result sent, and waits while too many are on their way.
func (p *publisher) send(put func()) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.results == nil {
		p.results, p.senders = make(chan func()), 0
	}
	if p.senders == publishers {
		p.results <- put
		return
	}
	select {
	case p.results <- put:
	default:
		p.senders++
		results := p.results
		p.done.Go(func() {
			put()
			for put := range results {
				put()
			}
		})
	}
}

// wait returns once all results are sent.
func (p *publisher) wait() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.results != nil {
		close(p.results)
		p.done.Wait()
		p.results = nil
	}
}
