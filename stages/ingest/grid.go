package ingest

import "math"

// grid gives samples that come at a stated rate their times, where a stamp is that of a
// packet of them or rounded: they lie a step apart, and only a stamp that leaves the
// samples' own count by more than half a packet, and by more than 1.5 steps, moves them,
// by a whole number of steps. A clock that runs a little faster or slower than the rate
// moves nothing. Samples without a stamp are within their packet. A single sample that
// is lost cannot be told from rounding.
type grid struct {
	step           float64 // s; 0 = no grid: times are stamps
	begun          bool
	base           float64 // s, the time of the sample with index 0
	index          int     // of the next sample
	last           float64 // s, the stamp before
	offset         float64 // s, by which stamps lead the samples of late
	runs, run, due int     // packets so far; samples of this one and of the one before
}

// slowest is the weight, one over it, of a new packet's offset in the mean one. Common
// practice, no source.
const slowest = 64

// time is the time in s of the sample that follows.
func (g *grid) time(stamp float64) float64 {
	if g.step == 0 || !g.begun && stamp-stamp != 0 {
		return stamp
	}
	if !g.begun {
		g.begun, g.base, g.last = true, stamp, stamp
	}
	if stamp-stamp == 0 && stamp != g.last {
		g.packet(stamp)
	}
	g.run++
	g.index++
	return g.at(g.index - 1)
}

func (g *grid) at(index int) float64 { return g.base + float64(float64(index)*g.step) }

// packet begins one.
func (g *grid) packet(stamp float64) {
	if g.run > 0 {
		g.due = g.run
	}
	g.run, g.last, g.runs = 0, stamp, g.runs+1
	off := stamp - g.at(g.index) - g.offset
	if math.Abs(off) > g.step*max(gapSteps, float64(g.due)/2) {
		g.base += float64(math.Round(off/g.step) * g.step)
		return
	}
	g.offset += off / float64(min(g.runs+1, slowest))
}

// regrid replaces the stamps of a record by times in s on the grid of the stated rate,
// and returns the parameters for these.
func (p Params) regrid(r *record) Params {
	if !p.gridded() {
		return p
	}
	g := grid{step: 1 / p.Time.Rate}
	t := make([]float64, r.rows)
	for i, v := range r.cols[0][:r.rows] {
		t[i] = g.time(seconds(v, p.Time.Scale))
	}
	if shift := r.entered - t[0]; r.rows > 0 && shift-shift == 0 { // the lap begins within a packet
		for i := range t {
			t[i] += shift
		}
	}
	for _, v := range t {
		r.end = max(r.end, v)
	}
	r.cols[0], p.Time.Scale = t, 1
	return p
}

// gridded tells whether the season states the rate of a time column's samples.
func (p Params) gridded() bool { return p.Time.Column != "" && p.Time.Rate > 0 }
