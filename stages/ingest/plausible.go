package ingest

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Rates beyond which a time column is in another unit than the season says, and within
// which a lap's rate most likely is. Common practice, no source.
const (
	leastRate, mostRate    = 2.0, 1e6  // Hz
	likelyLeast, likelyTop = 20.0, 2e5 // Hz
)

// checkRate refuses a rate at which nobody records vibration, and says which unit of
// time would make sense. Of a handful of samples it says nothing.
func (p Params) checkRate(s *file, l *timeline) error {
	if p.Time.Column == "" || p.gridded() || l.total < leastStretch || leastRate <= l.rate && l.rate <= mostRate {
		return nil
	}
	var fits []string
	for _, u := range strings.Split(timeUnits, ", ") {
		if rate := 1 / (l.pace.step * lengths[u]); !p.Time.Clock && likelyLeast <= rate && rate <= likelyTop {
			fits = append(fits, fmt.Sprintf("unit: %s makes it %.4g Hz", u, rate))
		}
	}
	remedy := "correct the time column, or name another one"
	if len(fits) > 0 {
		remedy = strings.Join(fits, ", ") + "; correct the unit of time"
	}
	return s.refuse("column %q: steps of %.4g make a rate of %.4g Hz with unit: %s, outside %v Hz to %v MHz; %s",
		p.Time.Column, l.pace.step, l.rate, p.Time.unit(), leastRate, mostRate/1e6, remedy)
}

// packets is how rows share stamps: runs of rows that follow each other and have one
// stamp.
type packets struct {
	rows, runs, shared int  // rows with a stamp, runs of them, runs of two rows or more
	first              int  // the first row that repeats the stamp before it
	falls              bool // a stamp is less than the one before
}

// packetsOf counts the runs.
func packetsOf(t []float64) packets {
	k, last := packets{first: -1}, math.NaN()
	long := false // the run has two rows or more
	for i, v := range t {
		switch {
		case v-v != 0:
			continue
		case v == last:
			if k.first < 0 {
				k.first = i
			}
			if !long {
				k.shared, long = k.shared+1, true
			}
		default:
			k.falls = k.falls || v < last
			k.runs++
			long, last = false, v
		}
		k.rows++
	}
	return k
}

// runsOf lists the stamps of the runs and how many rows each has.
func runsOf(t []float64) (stamps []float64, rows []int) {
	for _, v := range t {
		switch n := len(stamps); {
		case v-v != 0:
		case n > 0 && stamps[n-1] == v:
			rows[n-1]++
		default:
			stamps, rows = append(stamps, v), append(rows, 1)
		}
	}
	return stamps, rows
}

// packetStep is the mean step from run to run, and that of the samples, both without the
// steps that are longer than 1.5 times the usual one, in which samples are lost.
func packetStep(stamps []float64, rows []int) (ofRuns, ofRows float64) {
	apart := make([]float64, len(stamps)-1)
	for i := range apart {
		apart[i] = stamps[i+1] - stamps[i]
	}
	slices.Sort(apart)
	limit := gapSteps * apart[len(apart)/2]
	sum, runs, n := 0.0, 0, 0
	for i, count := range rows[:len(rows)-1] {
		if d := stamps[i+1] - stamps[i]; d > 0 && d <= limit {
			sum, runs, n = sum+d, runs+1, n+count
		}
	}
	return sum / float64(runs), sum / float64(n)
}

// Stamps are those of packets, or coarser than the samples, when at least this share of
// the runs, and so many of them, have two rows or more. Where fewer have, stamps that
// never fall are rounded if so large a share of them repeats the one before, which no
// clock makes that is slow, and if they keep to the samples' count for so many rows.
// Common practice, no source.
const (
	packetShare  = 0.1
	leastShared  = 3
	roundedShare = 0.01
	roundedRows  = 64
)

// rounded tells whether stamps of which few repeat the one before are rounded to a
// little more than a step.
func (k packets) rounded(t []float64, stamps []float64, rows []int, ofRuns float64) bool {
	if k.falls || float64(k.rows-k.runs) < roundedShare*float64(k.rows) {
		return false
	}
	var most, stretch []float64 // without a gap
	for i, v := range stamps {
		if i > 0 && v-stamps[i-1] > gapSteps*ofRuns {
			stretch = nil
		}
		for range rows[i] {
			stretch = append(stretch, v)
		}
		if len(stretch) > len(most) {
			most = stretch
		}
	}
	if len(most) < min(roundedRows, len(t)) {
		return false
	}
	start, step := leastSquares(most)
	return on(most, start, step, fixedGrain(most))
}

// checkPackets refuses a time column that gives several samples one stamp, over and
// over again: a stamp that is written once a packet, or rounded.
func (p Params) checkPackets(s *file, r *record) error {
	if p.Time.Column == "" || p.gridded() {
		return nil
	}
	k := packetsOf(r.cols[0])
	if k.shared < leastShared || k.runs < 2 {
		return nil
	}
	stamps, rows := runsOf(r.cols[0])
	ofRuns, ofRows := packetStep(stamps, rows)
	what := "stamps of packets, or rounded ones, and not of samples, which come"
	if float64(k.shared) < packetShare*float64(k.runs) {
		if !k.rounded(r.cols[0], stamps, rows, ofRuns) {
			return nil
		}
		what = fmt.Sprintf("stamps rounded to %.4g s, and samples that come", ofRuns*p.Time.Scale)
	}
	found := rateFound(1/(ofRows*p.Time.Scale), 1/float64(k.runs))
	return s.refuse("%s: the stamp is that of the row before, as in %d of %d rows: %s at %s Hz; state the rate that the logger is set to, as in time: {column: %s, unit: %s, rate: %s Hz}",
		r.spot(k.first, p.Time.Column), k.rows-k.runs, k.rows, what, found, p.Time.Column, p.Time.unit(), found)
}

// rateFound writes a rate in Hz that is known as well as that, without an exponent: the
// roundest one near it, of those that loggers are set to.
func rateFound(rate, rel float64) string {
	rel = min(rel, 2e-3)
	for _, of := range [...]float64{100, 50, 0, 10, 1} {
		round := math.Round(rate/of) * of
		if of == 0 {
			round = math.Exp2(math.Round(math.Log2(rate)))
		}
		if round > 0 && math.Abs(round-rate) <= rel*rate {
			rate = round
			break
		}
	}
	return strconv.FormatFloat(math.Round(rate*1000)/1000, 'f', -1, 64)
}
