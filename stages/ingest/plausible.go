package ingest

import (
	"fmt"
	"math"
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
	if p.Time.Column == "" || l.total < leastStretch || leastRate <= l.rate && l.rate <= mostRate {
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
	rows, runs, shared int // rows with a stamp, runs of them, runs of two rows or more
	first              int // the first row that repeats the stamp before it
	rate               float64
}

// packetsOf finds the runs.
func packetsOf(t []float64) packets {
	k, last := packets{first: -1}, math.NaN()
	begun, long := 0, false // the run's number of rows before it; it has two rows or more
	first := math.NaN()
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
			k.runs++
			begun, long, last = k.rows, false, v
			if k.runs == 1 {
				first = v
			}
		}
		k.rows++
	}
	k.rate = float64(begun) / (last - first)
	return k
}

// Stamps are those of packets, or coarser than the samples, when at least this share of
// the runs, and so many of them, have two rows or more. Common practice, no source.
const (
	packetShare = 0.1
	leastShared = 3
)

// checkPackets refuses a time column that gives several samples one stamp, over and
// over again: a stamp that is written once a packet, or rounded.
func (p Params) checkPackets(s *file, r *record) error {
	if p.Time.Column == "" {
		return nil
	}
	k := packetsOf(r.cols[0])
	if k.shared < leastShared || float64(k.shared) < packetShare*float64(k.runs) {
		return nil
	}
	return s.refuse("%s: the stamp is that of the row before, as in %d of %d rows: stamps of packets, or rounded ones, and not of samples, which come at %.4g Hz on average; state the rate that the logger is set to, as in time: {rate: 1000 Hz}",
		r.spot(k.first, p.Time.Column), k.rows-k.runs, k.rows, k.rate/p.Time.Scale)
}
