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

func (e *evidence) add(h hop) {
	e.m = e.m.plus(h.m)
	for k, b := range h.bands {
		if e.bands == nil {
			e.bands = make([]band, len(h.bands))
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

// noiseShare estimates which share of what channel and gauge do not have in common is
// noise of the channel: 0 = all is the gauge's, 1 = all is the channel's. Noise alike at
// all frequencies adds a floor to the channel's spectrum, but not to the cross spectrum,
// so that
//
//	Sxx(f) = Sxs(f)/gain + floor
//
// is a straight line over the frequencies, whatever the gauge's own noise looks like.
// It is fitted to the mean of each band's lines, with weights of their number over the
// power. NaN where the spectra have one shape and so do not tell.
func (e evidence) noiseShare() float64 {
	apart := e.apart()
	var power, lines float64
	for _, b := range e.bands {
		power, lines = power+b.xx, lines+b.n
	}
	mean := power / lines
	if len(e.bands) < 4 || !(apart > 0) {
		return math.NaN()
	}
	var w, u, y, uu, uy float64
	for _, b := range e.bands {
		if b.n == 0 {
			continue
		}
		xx, xs := b.xx/b.n, b.xs/b.n
		g := b.n / (xx + apart*mean)
		w, u, y = w+g, u+g*xs, y+g*xx
		uu, uy = uu+g*xs*xs, uy+g*xs*xx
	}
	d := w*uu - u*u
	if !(d > 1e-6*w*uu) {
		return math.NaN()
	}
	floor := (y*uu - u*uy) / d
	return floor / mean / apart
}

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

// runs cuts the laps' hops into runs of up to four, which are resampled as blocks: long
// enough to be independent of each other, for a lap's vibration forgets itself within
// seconds.
func runs(laps []prepared) [][]evidence {
	total := 0
	for _, l := range laps {
		total += len(l.hops)
	}
	size := min(max(1, total/16), 4)
	out := make([][]evidence, len(laps))
	for i, l := range laps {
		for part := range slices.Chunk(l.hops, size) {
			var e evidence
			for _, h := range part {
				e.add(h)
			}
			out[i] = append(out[i], e)
		}
	}
	return out
}

func together(parts ...evidence) evidence {
	var e evidence
	for _, p := range parts {
		e.add(hop(p))
	}
	return e
}

// estimate is a gain with what is known of its error.
type estimate struct {
	ls, tls   float64
	share     float64 // noise share
	se        float64 // of the gain, from resampled blocks
	low, high float64 // 95 % interval of tls
	lapSD     float64 // standard deviation of the laps' gains beyond that, MPa per unit
	lapGains  []float64
}

// resamples is how many times the blocks are drawn anew.
const resamples = 400

// estimate fits the gain and its interval: blocks are drawn anew within each lap, and
// with them the prior of the noise share, uniform from 0 to 1; what the laps' gains differ beyond that is
// added as a random effect (DerSimonian and Laird 1986, doi:10.1016/0197-2456(86)90046-2).
func estimateGain(laps []prepared, seed int) estimate {
	blocks := runs(laps)
	perLap := make([]evidence, len(blocks))
	for i, b := range blocks {
		perLap[i] = together(b...)
	}
	all := together(perLap...)
	se := shareError(blocks, all)
	e := estimate{ls: all.leastSquares(), share: settled(all.noiseShare(), se, priorShare)}
	e.tls = all.totalLeastSquares(e.share)
	rng := rand.New(rand.NewPCG(uint64(seed), 0x6c617077656172))
	gains := make([]float64, resamples)
	for k := range gains {
		var drawn evidence
		for _, b := range blocks {
			for range b {
				one := b[rng.IntN(len(b))]
				drawn.add(hop(one))
			}
		}
		gains[k] = drawn.totalLeastSquares(settled(drawn.noiseShare(), se, rng.Float64()))
	}
	e.between(perLap, all, gains)
	return e
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

// between sets the interval from the resampled gains and from what the laps differ.
func (e *estimate) between(perLap []evidence, all evidence, gains []float64) {
	slices.Sort(gains)
	at := func(p float64) float64 { return gains[int(p*float64(len(gains)-1)+0.5)] }
	low, high := at(0.025), at(0.975)
	e.se = (high - low) / (2 * 1.96)
	floor := e.share * all.apart() * all.m.xx / all.m.n // power of the channel's noise
	var w, w2, wg, n float64
	e.lapGains = make([]float64, len(perLap))
	for i, l := range perLap {
		signal := max(l.m.xx-floor*l.m.n, l.m.xx*(1-l.apart()))
		e.lapGains[i] = l.m.xy / signal
		if l.m.xx > 0 {
			w, w2, wg, n = w+signal, w2+signal*signal, wg+signal*e.lapGains[i], n+1
		}
	}
	low, high = e.tls-low, high-e.tls
	if n >= 2 && e.se > 0 && w > 0 {
		unit := e.se * e.se * w // variance of a lap's gain times its weight
		var q float64
		for i, l := range perLap {
			if l.m.xx > 0 {
				signal := max(l.m.xx-floor*l.m.n, l.m.xx*(1-l.apart()))
				q += signal / unit * (e.lapGains[i] - wg/w) * (e.lapGains[i] - wg/w)
			}
		}
		e.lapSD = math.Sqrt(max(0, (q-(n-1))*unit/(w-w2/w)))
	}
	if e.lapSD > 0 {
		t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 1}.Quantile(0.975)
		wide := t * e.lapSD * math.Sqrt(w2) / w
		low, high = math.Hypot(low, wide), math.Hypot(high, wide)
	}
	e.low, e.high = e.tls-low, e.tls+high
}
