package ingest

import (
	"math"
	"slices"
)

const (
	leastStretch = 32   // steps of a stretch at least
	straightness = 1.0  // steps by which the stamps of a steady stretch leave its chord at most
	often        = 10   // gaps that are more than one in this many steps are a stretch's pace
	punctual     = 0.25 // steps by which a step of stamps that keep time departs from a whole number of them
)

// paceOfRows is paceOf where rows between the stamps were left out: rows are the
// numbers of those that are left, nil being all. Stamps that are uniform by their
// rows' numbers, which straight tells, give the nominal step, whatever is missing
// between them.
func paceOfRows(t []float64, rows []int) (p pace, straight bool) {
	if regular(rows, 1) {
		p = paceOf(t)
		return p, p.uniform
	}
	n := len(rows)
	all := make([]float64, 1, rows[n-1]-rows[0]+1)
	all[0] = t[0]
	for i := 1; i < n; i++ {
		holes := rows[i] - rows[i-1]
		for k := 1; k < holes; k++ {
			all = append(all, t[i-1]+float64((t[i]-t[i-1])*(float64(k)/float64(holes))))
		}
		all = append(all, t[i])
	}
	if p = paceOf(all); !p.uniform {
		return unevenPace(t), false
	}
	return p, true
}

// unevenPace takes as the nominal step the mean of those not longer than 1.5 times a
// usual one, in stretches whose pace is usual.
func unevenPace(t []float64) pace {
	n, usual := len(t)-1, usualStep(t)
	stretches := max(1, n/leastStretch)
	whole, steps := 0.0, 0
	for b := range stretches {
		sum, count := sumUpTo(t[b*n/stretches:(b+1)*n/stretches+1], gapSteps*usual)
		if gapSteps*sum >= float64(count)*usual {
			whole, steps = whole+sum, steps+count
		}
	}
	p := pace{step: whole / float64(steps), rel: 1e-4}
	if jitters(t) {
		p.step, p.jitter = longRunStep(t), true
		p.step = (t[n] - t[0]) / (float64(n) + p.lost(t))
	}
	p.measure(t)
	return p
}

// jitters tells whether steps scatter within most stretches although the stretches keep
// a common pace: more than one step in ten is longer than 1.25 times its stretch's mean
// or shorter than 0.75 times, and the stamps stay near the chord.
func jitters(t []float64) bool {
	n := len(t) - 1
	stretches := n / leastStretch
	uneasy := 0
	for b := range stretches {
		own := t[b*n/stretches : (b+1)*n/stretches+1]
		steps := len(own) - 1
		mean, off := (own[steps]-own[0])/float64(steps), 0
		for i := 1; i <= steps; i++ {
			if math.Abs(own[i]-own[i-1]-mean) > punctual*mean {
				off++
			}
		}
		if often*off > steps && near(own, mean) {
			uneasy++
		}
	}
	return stretches > 0 && 2*uneasy > stretches
}

// longRunStep is the mean step of the stretches that depart by less than 0.75 steps
// from as many usual ones: jitter is to either side, and the step of a stretch without a
// loss is the samples' own.
func longRunStep(t []float64) float64 {
	n := len(t) - 1
	stretches := n / leastStretch
	spans := make([]float64, stretches) // over the number of steps
	for b := range stretches {
		from, to := b*n/stretches, (b+1)*n/stretches
		spans[b] = (t[to] - t[from]) / float64(to-from)
	}
	step := median(spans)
	for range 3 { // the mean is nearer to what it is about than the median
		sum, count := 0.0, 0
		for b, own := range spans {
			if steps := (b+1)*n/stretches - b*n/stretches; math.Abs(own/step-1)*float64(steps) < wanders {
				sum, count = sum+own*float64(steps), count+steps
			}
		}
		if count == 0 {
			return step
		}
		step = sum / float64(count)
	}
	return step
}

// wanders is by how many steps jitter may make a stretch longer or shorter.
const wanders = 0.75

// length is how many nominal steps long the step before t[i] is. Where stamps jitter, it
// is one and by how much the stamps after it lead those before it beyond their number:
// the medians of up to 16 to either side.
func (p *pace) length(t []float64, i int) float64 {
	steps := (t[i] - t[i-1]) / p.step
	if !p.jitter || steps <= gapSteps {
		return steps
	}
	var before, after [shiftReach]float64
	a, b := 0, 0
	for k := max(0, i-shiftReach); k < i; k, a = k+1, a+1 {
		before[a] = t[k] - t[i-1] - float64(float64(k-i+1)*p.step)
	}
	for k := i; k < min(len(t), i+shiftReach); k, b = k+1, b+1 {
		after[b] = t[k] - t[i-1] - float64(float64(k-i+1)*p.step)
	}
	return 1 + (median(after[:b])-median(before[:a]))/p.step
}

// shiftReach is how many samples to either side tell jitter from a loss, and jitterGap
// how long a step is by them, in nominal ones, that is a gap.
const (
	shiftReach = 16
	jitterGap  = 1.7
)

// isGap tells whether the step before t[i] is a gap. Where stamps jitter, it is the
// longest near it.
func (p *pace) isGap(t []float64, i int) bool {
	d := t[i] - t[i-1]
	if !p.jitter || d <= gapSteps*p.step {
		return d > gapSteps*p.step
	}
	for k := max(1, i-shiftReach/2); k < min(len(t), i+shiftReach/2); k++ {
		if t[k]-t[k-1] > d {
			return false
		}
	}
	return p.length(t, i) > jitterGap
}

// lost is how many samples are lost in gaps.
func (p *pace) lost(t []float64) float64 {
	n := 0.0
	for i := 1; i < len(t); i++ {
		if p.isGap(t, i) {
			n += math.Round(p.length(t, i)) - 1
		}
	}
	return n
}

// sumUpTo adds up the steps that are not longer than a limit.
func sumUpTo(t []float64, limit float64) (sum float64, count int) {
	for i := 1; i < len(t); i++ {
		if d := t[i] - t[i-1]; d <= limit {
			sum += d
			count++
		}
	}
	return sum, count
}

// usualStep is the median of the mean steps of the lap's steady stretches, the lower
// of the middle two: rounding and jitter keep the stamps of a stretch near its chord. Where
// most stretches are not steady, as where samples are lost again and again, it is the
// mean of the steps near the quarter of them that are the shortest, and of those near
// that mean, and so on.
func usualStep(t []float64) float64 {
	n := len(t) - 1
	stretches := max(1, n/leastStretch)
	var steady []float64
	for b := range stretches {
		from, to := b*n/stretches, (b+1)*n/stretches
		if step := (t[to] - t[from]) / float64(to-from); near(t[from:to+1], step) {
			steady = append(steady, step)
		}
	}
	if 2*len(steady) >= stretches {
		slices.Sort(steady)
		return steady[(len(steady)-1)/2]
	}
	steps := make([]float64, n)
	for i := range steps {
		steps[i] = t[i+1] - t[i]
	}
	slices.Sort(steps)
	usual := steps[n/4]
	for range 8 {
		sum, count := sumUpTo(t, gapSteps*usual)
		usual = max(usual, sum/float64(count))
	}
	return usual
}

// near tells whether stamps leave the chord from the first to the last by no more than
// a step, which is the most that rounding to distinct stamps can make.
func near(t []float64, step float64) bool {
	for i, v := range t {
		if math.Abs(v-t[0]-float64(float64(i)*step)) > straightness*step {
			return false
		}
	}
	return true
}

// measure counts the gaps and finds the first of the longest steps: one that is
// longer by less than half a nominal step is so by rounding.
func (p *pace) measure(t []float64) {
	p.gaps, p.most, p.longest = 0, 0, 0
	for i := 1; i < len(t); i++ {
		if p.isGap(t, i) {
			p.gaps++
			p.most = max(p.most, p.length(t, i))
		}
	}
	for i := 1; i < len(t) && p.gaps > 0 && p.longest == 0; i++ {
		if p.isGap(t, i) && p.length(t, i) > p.most-0.5 {
			p.longest = i
		}
	}
}

// unsteady is by how much, as a share, the local rate departs from the nominal one
// where it does so most: the mean step of each of up to 64 stretches of equally many
// steps against the nominal step. Gaps are left out unless they are more than one in
// ten steps of the stretch: then they are its pace.
func (p *pace) unsteady(t []float64) float64 {
	n := len(t) - 1
	stretches := max(1, min(n/leastStretch, driftBlocks))
	most := 0.0
	for b := range stretches {
		from, to := b*n/stretches, (b+1)*n/stretches
		sum, count := p.withoutGaps(t, from, to)
		if often*count < (often-1)*(to-from) {
			sum, count = t[to]-t[from], to-from
		}
		most = max(most, math.Abs(p.step*float64(count)/sum-1))
	}
	return most
}

// withoutGaps adds up the steps from one stamp to another but for gaps.
func (p *pace) withoutGaps(t []float64, from, to int) (sum float64, count int) {
	if !p.jitter {
		return sumUpTo(t[from:to+1], gapSteps*p.step)
	}
	sum, count = t[to]-t[from], to-from
	for i := from + 1; i <= to; i++ {
		if p.isGap(t, i) {
			sum, count = sum-(t[i]-t[i-1]), count-1
		}
	}
	return sum, count
}

// keptBy tells whether all steps but rare ones are near a whole number of nominal ones.
func (p *pace) keptBy(t []float64) bool {
	off := 0
	for i := 1; i < len(t); i++ {
		steps := (t[i] - t[i-1]) / p.step
		if math.Abs(steps-max(1, math.Round(steps))) > punctual {
			off++
		}
	}
	return off*rare <= len(t)-1
}
