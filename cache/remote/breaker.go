package remote

import (
	"sync"
	"time"
)

// A breaker leaves a server alone once it has cost too much: after so many failures in a
// row, or so much time lost in failures and slow answers without a quick one between.
// After a rest one request may try again; while that fails, rests grow. Once it has wasted
// too much time in all it is left alone for good.
type breaker struct {
	limits *Limits
	now    func() time.Time

	mu       sync.Mutex
	failures int
	lost     time.Duration
	wasted   time.Duration // in all
	rest     time.Duration // 0: the server is asked
	until    time.Time     // when one may try again
	trying   bool
}

// pass is leave to ask.
type pass struct{ trial bool }

// ask returns whether the server may be asked. Whoever is given a pass has to hand it back
// to answered or dropped.
func (b *breaker) ask() (pass, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.rest == 0 {
		return pass{}, true
	}
	if b.trying || b.wasted >= b.limits.Wasted || b.now().Before(b.until) {
		return pass{}, false
	}
	b.trying = true
	return pass{trial: true}, true
}

// answered notes how a request ended. What it took beyond what it fairly may is lost, and
// all of it when it failed. It returns true when the server is to be left alone from now on.
func (b *breaker) answered(p pass, ok bool, took, fair time.Duration) (tripped bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	slow := took - fair
	if !ok {
		slow = took
	}
	b.wasted += max(slow, 0)
	if b.rest > 0 && !p.trial {
		return false // begun before the rest
	}
	switch {
	case ok && slow <= 0:
		b.failures, b.lost, b.rest, b.trying = 0, 0, 0, false
		return false
	case ok:
		b.failures, b.lost = 0, b.lost+slow
	default:
		b.failures, b.lost = b.failures+1, b.lost+slow
	}
	if !p.trial && b.failures < b.limits.Failures && b.lost < b.limits.Lost && b.wasted < b.limits.Wasted {
		return false
	}
	first := b.rest == 0
	b.rest = min(max(2*b.rest, b.limits.Rest), b.limits.LongestRest)
	b.until, b.trying = b.now().Add(b.rest), false
	return first
}

// trip leaves the server alone unless it is left alone already.
func (b *breaker) trip() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.rest == 0 {
		b.rest, b.until = b.limits.Rest, b.now().Add(b.limits.Rest)
	}
}

// dropped hands a pass back unused.
func (b *breaker) dropped(p pass) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if p.trial {
		b.trying = false
	}
}
