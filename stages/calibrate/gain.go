package calibrate

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// evidence is what a gain rests on: sums over samples and over bands of frequency.
type evidence struct {
	m     moments
	bands []band
}

func (e *evidence) add(o evidence) {
	e.m = e.m.plus(o.m)
	for k, b := range o.bands {
		if e.bands == nil {
			e.bands = make([]band, len(o.bands))
		}
		o := &e.bands[k]
		o.n, o.xx, o.xs, o.ss = o.n+b.n, o.xx+b.xx, o.xs+b.xs, o.ss+b.ss
	}
}

// leastSquares is the gain sum(x s)/sum(x²).
func (e evidence) leastSquares() float64 { return e.m.xy / e.m.xx }

// inBand sums the bands of frequency, where neither what is left of a drift nor noise
// outside the pass band enters; the samples stand in where there are no spectra.
func (e evidence) inBand() band {
	var s band
	for _, b := range e.bands {
		s.xx, s.xs, s.ss = s.xx+b.xx, s.xs+b.xs, s.ss+b.ss
	}
	if !(s.xx > 0) {
		return band{xx: e.m.xx, xs: e.m.xy, ss: e.m.yy}
	}
	return s
}

// apart is 1 - r²: the share of power that channel and gauge do not have in common.
func (e evidence) apart() float64 {
	s := e.inBand()
	return min(max(0, 1-s.xs*s.xs/(s.xx*s.ss)), 1)
}

// floorLine is the straight line Sxx = slope·Sxs + floor over the bands of frequency.
type floorLine struct {
	slope, floor float64
	mean         float64 // of Sxx over all lines
}

// noiseFloor fits what the channel's own noise adds to its spectrum. Noise alike at all
// frequencies adds a floor to the channel's spectrum, but not to the cross spectrum, so
// that
//
//	Sxx(f) = Sxs(f)/gain + floor
//
// is a straight line over the frequencies, whatever the gauge's own noise looks like.
// It is fitted to the mean of each band's lines, with weights of their number over the
// power, and again with the power as fitted, since bands that have less by chance would
// weigh more. NaN where the spectra have one shape and so do not tell.
func (e evidence) noiseFloor() floorLine {
	var power, lines float64
	for _, b := range e.bands {
		power, lines = power+b.xx, lines+b.n
	}
	mean, least := power/lines, e.apart()*power/lines
	if len(e.bands) < 4 || !(least > 0) {
		return floorLine{math.NaN(), math.NaN(), mean}
	}
	l := fitFloor(e.bands, mean, func(b band) float64 { return b.xx/b.n + least })
	return fitFloor(e.bands, mean, func(b band) float64 { return max(0, l.slope*b.xs/b.n) + max(0, l.floor) + least })
}

// fitFloor fits the line, each band with the weight of its number of lines over a power.
func fitFloor(bands []band, mean float64, over func(band) float64) floorLine {
	var w, u, y, uu, uy float64
	for _, b := range bands {
		if b.n == 0 {
			continue
		}
		xx, xs := b.xx/b.n, b.xs/b.n
		g := b.n / over(b)
		w, u, y = w+g, u+g*xs, y+g*xx
		uu, uy = uu+g*xs*xs, uy+g*xs*xx
	}
	d := w*uu - u*u
	if !(d > 1e-6*w*uu) {
		return floorLine{math.NaN(), math.NaN(), mean}
	}
	return floorLine{(w*uy - u*y) / d, (y*uu - u*uy) / d, mean}
}

// noiseShare is which share of what channel and gauge do not have in common is noise of
// the channel: 0 = all is the gauge's, 1 = all is the channel's; NaN where the spectra
// do not tell.
func (e evidence) noiseShare() float64 {
	l := e.noiseFloor()
	return l.floor / l.mean / e.apart()
}

// misfit is by how much the bands of frequency depart from a floor: the mean square of
// their departures, each over its variance among the blocks and that of the floor, whose
// share has the standard error given; 1 where only chance is at
// work, NaN with fewer than eight blocks or six bands. Noise that is not alike at all
// frequencies, and a transfer function that is not flat, make it large.
func misfit(blocks []evidence, all evidence, shareSE float64) float64 {
	line := all.noiseFloor()
	floorSE := math.Hypot(shareSE, leastShareSD) * all.apart() * line.mean
	n := float64(len(blocks))
	if n < 8 || len(all.bands) < 6 || math.IsNaN(line.floor) {
		return math.NaN()
	}
	off := func(b band) float64 { return b.xx - line.slope*b.xs - line.floor*b.n }
	var sum, count float64
	for k, b := range all.bands {
		var squares float64
		for _, blk := range blocks {
			if k < len(blk.bands) {
				d := off(blk.bands[k]) - off(b)/n
				squares += d * d
			}
		}
		if squares > 0 {
			sum, count = sum+off(b)*off(b)/(squares*n/(n-1)+b.n*b.n*floorSE*floorSE), count+1
		}
	}
	return sum / (count - 2) * (n - 3) / (n - 1) // the mean of F with 1 and n-1 degrees of freedom is (n-1)/(n-3)
}

// farOff is the misfit from which on the noise is not taken as alike at all frequencies.
const farOff = 2

// prior is what is believed of the noise share before: halves, give or take 0.3, which is
// the mean and about the spread of anything from 0 to 1.
const (
	priorShare = 0.5
	priorSD    = 0.3
)

// leastShareSD is the standard error below which a noise share is never believed: the
// floor need not be flat.
const leastShareSD = 0.03

// settled joins a noise share that was found, with its standard error, with what was
// believed before, by their inverse variances, and keeps it within 0 and 1.
func settled(found, se, before float64) float64 {
	if math.IsNaN(found) || math.IsNaN(se) {
		return before
	}
	a, b := 1/(se*se+leastShareSD*leastShareSD), 1/(priorSD*priorSD)
	return min(max(0, (a*found+b*before)/(a+b)), 1)
}

// totalLeastSquares is the gain where the share given of what is not in common is noise
// of the channel: least squares over 1 - share·(1 - r²). It is the orthogonal regression
// for that ratio of the noises' variances; 0 gives least squares, 1 its inverse.
func (e evidence) totalLeastSquares(share float64) float64 {
	s := e.inBand()
	return s.xs / (s.xx * (1 - share*e.apart()))
}

// longestRun and fewestRuns say into how many runs a lap's hops are cut: long enough to be
// independent of each other, for a lap's vibration forgets itself within seconds, and
// enough of them to be drawn anew.
const (
	longestRun = 4
	fewestRuns = 4
)

// runs cuts the laps' hops into runs of up to four, which are resampled as blocks.
func runs(laps []prepared) [][]evidence {
	total, shortest := 0, math.MaxInt
	for _, l := range laps {
		total, shortest = total+len(l.hops), min(shortest, len(l.hops))
	}
	size := max(1, min(total/16, shortest/fewestRuns, longestRun))
	out := make([][]evidence, len(laps))
	for i, l := range laps {
		for part := range slices.Chunk(l.hops, size) {
			var e evidence
			for _, h := range part {
				e.add(evidence{h.m, h.bands})
			}
			out[i] = append(out[i], e)
		}
	}
	return out
}

// shortTails is by which factor intervals of many blocks drawn anew are too narrow:
// measured on made-up seasons of strong noise, where 92.5 in 100 held the gain.
const shortTails = 1.05

// small is by which factor an interval from blocks drawn anew within laps is too narrow,
// with few of them most: their variance is about the laps' own means, and Student's t has
// longer tails than the normal distribution.
func small(blocks [][]evidence) float64 {
	var all, free float64
	for _, b := range blocks {
		all, free = all+float64(len(b)), free+float64(len(b)-1)
	}
	free = max(1, free)
	return shortTails * math.Sqrt(all/free) * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: free}.Quantile(0.975) / 1.96
}

func together(parts ...evidence) evidence {
	var e evidence
	for _, p := range parts {
		e.add(p)
	}
	return e
}

// estimate is a gain with what is known of its error.
type estimate struct {
	ls, tls   float64
	reverse   float64 // from the regression of the channel on the gauge
	share     float64 // noise share
	shareSE   float64 // its standard error, for a floor that does not fit more
	misfit    float64
	se        float64 // of the gain, from resampled blocks
	low, high float64 // 95 % interval of tls; where the noise share is not told, of anything between ls and reverse
	lapSD     float64 // standard deviation of the laps' gains beyond that, MPa per unit
	lapGains  []float64
}

// resamples is how many times the blocks are drawn anew.
const resamples = 400

// told tells whether the split of the noise between channel and gauge is known.
func (e estimate) told() bool { return !(e.misfit > farOff) }

// estimateGain fits the gain and its interval: blocks are drawn anew within each lap, and
// with them the prior of the noise share, uniform from 0 to 1. Where the noise is not
// alike at all frequencies its share is not told: the interval then goes from the direct
// regression, drawn anew, to the reverse one, between which the gain lies whatever the
// noise is (Frisch 1934, from memory). What the laps' gains differ beyond that is
// added as a random effect (DerSimonian and Laird 1986, doi:10.1016/0197-2456(86)90046-2).
func estimateGain(laps []prepared, seed int) estimate {
	blocks := runs(laps)
	e, all := fitGain(blocks)
	se := e.shareSE
	rng := rand.New(rand.NewPCG(uint64(seed), 0x6c617077656172))
	least, most := make([]float64, resamples), make([]float64, resamples)
	for k := range least {
		var drawn evidence
		for _, b := range blocks {
			for range b {
				drawn.add(b[rng.IntN(len(b))])
			}
		}
		if least[k], most[k] = drawn.totalLeastSquares(0), drawn.totalLeastSquares(1); e.told() {
			least[k] = drawn.totalLeastSquares(settled(drawn.noiseShare(), se, rng.Float64()))
			most[k] = least[k]
		}
	}
	e.between(blocks, all, least, most)
	return e
}

// fitGain fits the gain and the noise share, without the interval. all is the evidence of
// all blocks together.
func fitGain(blocks [][]evidence) (e estimate, all evidence) {
	perLap := make([]evidence, len(blocks))
	for i, b := range blocks {
		perLap[i] = together(b...)
	}
	all = together(perLap...)
	e = estimate{ls: all.leastSquares(), reverse: all.totalLeastSquares(1), shareSE: shareError(blocks, all)}
	e.misfit = misfit(slices.Concat(blocks...), all, e.shareSE)
	e.shareSE *= math.Sqrt(max(1, orOne(e.misfit)))
	e.share = settled(all.noiseShare(), e.shareSE, priorShare)
	e.tls = all.totalLeastSquares(e.share)
	return e, all
}

func orOne(v float64) float64 {
	if math.IsNaN(v) {
		return 1
	}
	return v
}

// shareError is the standard error of the noise share: a jackknife over 20 groups of
// blocks (Efron and Stein 1981, doi:10.1214/aos/1176345462).
func shareError(blocks [][]evidence, all evidence) float64 {
	var flat []evidence
	for _, b := range blocks {
		flat = append(flat, b...)
	}
	groups := min(20, len(flat))
	if groups < 4 {
		return math.NaN()
	}
	var v []float64
	for g := range groups {
		var rest []evidence
		for i, b := range flat {
			if i*groups/len(flat) != g {
				rest = append(rest, b)
			}
		}
		v = append(v, together(rest...).noiseShare())
	}
	return jackknife(v)
}

// jackknife returns the standard error from estimates with one group left out each.
func jackknife(v []float64) float64 {
	n := float64(len(v))
	var mean, ss float64
	for _, a := range v {
		mean += a / n
	}
	for _, a := range v {
		ss += (a - mean) * (a - mean)
	}
	return math.Sqrt(ss * (n - 1) / n)
}

// between sets the interval from the resampled gains, the least and the most that they
// may be, and from what the laps differ.
func (e *estimate) between(blocks [][]evidence, all evidence, least, most []float64) {
	if e.ls < 0 {
		least, most = most, least
	}
	slices.Sort(least)
	slices.Sort(most)
	at := func(p float64) int { return int(p*float64(len(least)-1) + 0.5) }
	wider := small(blocks)
	low, high := wider*(e.tls-least[at(0.025)]), wider*(most[at(0.975)]-e.tls)
	e.se = (least[at(0.975)] - least[at(0.025)]) / (2 * 1.96)
	r := newRandomEffect(blocks, e.share*all.apart()*all.m.xx/all.m.n)
	e.lapGains, e.lapSD = r.gains, r.sd()
	if wide := r.halfWidth(e.lapSD); wide > 0 {
		low, high = math.Hypot(low, wide), math.Hypot(high, wide)
	}
	e.low, e.high = e.tls-low, e.tls+high
}

// randomEffect is the laps' gains with their weights: each one's power but for noise.
type randomEffect struct {
	gains, weights []float64
	unit           float64 // variance of a lap's gain times its weight, the laps' mean
}

// newRandomEffect finds each lap's gain, and its variance from the lap's blocks; floor is
// the power of the channel's noise. The gain of a lap whose channel or gauge stands still
// is not a number, and weighs nothing.
func newRandomEffect(blocks [][]evidence, floor float64) randomEffect {
	var r randomEffect
	var n float64
	for _, bs := range blocks {
		l := together(bs...)
		signal := max(l.m.xx-floor*l.m.n, l.m.xx*(1-l.apart()))
		gain := l.m.xy / signal
		r.gains, r.weights = append(r.gains, gain), append(r.weights, max(0, signal))
		if b := float64(len(bs)); b > 1 && signal > 0 {
			var squares float64
			for _, one := range bs {
				off := one.m.xy - gain*signal/l.m.xx*one.m.xx
				squares += off * off
			}
			r.unit, n = r.unit+squares/signal*b/(b-1), n+1
		}
	}
	r.unit /= n
	return r
}

// moments are the sums of weights, of their squares, and the weighted mean.
func (r randomEffect) moments() (w, w2, mean, n float64) {
	for i, g := range r.gains {
		if v := r.weights[i]; v > 0 {
			w, w2, mean, n = w+v, w2+v*v, mean+v*g, n+1
		}
	}
	return w, w2, mean / w, n
}

// sd is the standard deviation of the laps' gains beyond what their own variances
// explain; 0 of a single lap.
func (r randomEffect) sd() float64 {
	w, w2, mean, n := r.moments()
	if n < 2 || !(r.unit > 0) || !(w > 0) {
		return 0
	}
	var q float64
	for i, g := range r.gains {
		if v := r.weights[i]; v > 0 {
			q += v / r.unit * (g - mean) * (g - mean)
		}
	}
	return math.Sqrt(max(0, (q-(n-1))*r.unit/(w-w2/w)))
}

// halfWidth is that of the mean's 95 % interval for such a standard deviation.
func (r randomEffect) halfWidth(sd float64) float64 {
	if !(sd > 0) {
		return 0
	}
	w, w2, _, n := r.moments()
	return distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile(0.975) * sd * math.Sqrt(w2) / w
}
