package fatigue

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	gocmp "github.com/google/go-cmp/cmp"
)

// rangeMean keys a sum of counts.
type rangeMean struct{ Range, Mean float64 }

type tally map[rangeMean]float64

func (t tally) add(from, to, count float64) {
	t[rangeMean{math.Abs(to - from), (from + to) / 2}] += count
}

func (t tally) addCycles(c Cycles, count float64) tally {
	for i := range c.Len() {
		t[rangeMean{c.Range(i), c.Mean(i)}] += count
	}
	return t
}

// without drops what is smaller than the gate.
func (t tally) without(gate float64) tally {
	kept := tally{}
	for k, n := range t {
		if k.Range >= gate {
			kept[k] = n
		}
	}
	return kept
}

// byRange sums over the means.
func (t tally) byRange() map[float64]float64 {
	sum := map[float64]float64{}
	for k, n := range t {
		sum[k.Range] += n
	}
	return sum
}

// tallyOf is the whole rainflow count, the residue as half cycles.
func tallyOf(c Count) tally {
	return tally{}.addCycles(c.Closed, 1).addCycles(HalfCycles(c.Residue), 0.5)
}

// turningPointsByDefinition is the plain reading of peaks and valleys: one value
// for each run of equal samples, then the ends and the local extremes.
func turningPointsByDefinition(x []float64) Points {
	var run, p Points
	for i, v := range x {
		if i == 0 || v != x[i-1] {
			run.Value, run.Index = append(run.Value, v), append(run.Index, int32(i))
		}
	}
	for k, v := range run.Value {
		end := k == 0 || k == run.Len()-1
		if end || (v > run.Value[k-1]) == (v > run.Value[k+1]) {
			p.Value, p.Index = append(p.Value, v), append(p.Index, run.Index[k])
		}
	}
	return p
}

// rainflowE1049 follows ASTM E1049-85, 5.4.4, step by step: X is the range under
// consideration, Y the one before it, S the starting point of the history.
func rainflowE1049(x []float64) tally {
	count := tally{}
	var points []float64 // read and not discarded; S is always the first
	for _, next := range turningPointsByDefinition(x).Value {
		points = append(points, next) // step 1
		for len(points) >= 3 {        // step 2
			n := len(points)
			rangeX, rangeY := math.Abs(points[n-1]-points[n-2]), math.Abs(points[n-2]-points[n-3])
			if rangeX < rangeY { // step 3
				break
			}
			if n == 3 { // step 5: Y contains S
				count.add(points[0], points[1], 0.5)
				points = points[1:]
				continue
			}
			count.add(points[n-3], points[n-2], 1) // step 4
			points = append(points[:n-3], points[n-1])
		}
	}
	for i := 1; i < len(points); i++ { // step 6
		count.add(points[i-1], points[i], 0.5)
	}
	return count
}

// repeatingE1049 follows ASTM E1049-85, 5.4.5, for a repeating history, which it
// first arranges to start and end at its maximum peak.
func repeatingE1049(x []float64) tally {
	count := tally{}
	top := slices.Index(x, slices.Max(x))
	history := slices.Concat(x[top:], x[:top], x[top:top+1])
	var points []float64
	for _, next := range turningPointsByDefinition(history).Value {
		points = append(points, next)
		for n := len(points); n >= 3; n = len(points) {
			rangeX, rangeY := math.Abs(points[n-1]-points[n-2]), math.Abs(points[n-2]-points[n-3])
			if rangeX < rangeY {
				break
			}
			count.add(points[n-3], points[n-2], 1)
			points = append(points[:n-3], points[n-1])
		}
	}
	return count
}

// TestE1049 checks the example history of ASTM E1049-85 against the counts in
// testdata/e1049-cycle-counts.csv, each with its source.
func TestE1049(t *testing.T) {
	methods := map[string]func([]float64) tally{
		"rainflow": func(x []float64) tally { return tallyOf(countOf(t, x, 0)) },
		"simplified_rainflow_repeating": func(x []float64) tally {
			c := countOf(t, x, 0)
			return tally{}.addCycles(c.Closed, 1).addCycles(RepeatCycles(c.Residue), 1)
		},
		"simple_range_half_cycles": func(x []float64) tally {
			return tally{}.addCycles(HalfCycles(pointsOf(t, x, 0)), 0.5)
		},
		"rainflow by the standard's steps":  rainflowE1049,
		"repeating by the standard's steps": repeatingE1049,
	}
	published := map[string]string{
		"rainflow by the standard's steps":  "rainflow",
		"repeating by the standard's steps": "simplified_rainflow_repeating",
	}
	for name, method := range methods {
		t.Run(name, func(t *testing.T) {
			series, byRange, byMean := e1049Rows(t, cmp.Or(published[name], name))
			got := method(series)
			if diff := gocmp.Diff(byRange, got.byRange()); diff != "" {
				t.Errorf("count of each range (-published +got):\n%s", diff)
			}
			if diff := gocmp.Diff(byMean, got); len(byMean) > 0 && diff != "" {
				t.Errorf("count of each range and mean (-published +got):\n%s", diff)
			}
		})
	}
}

// e1049Rows returns the history and the published counts of a method: those by
// range alone and those by range and mean.
func e1049Rows(t *testing.T, method string) (series []float64, byRange map[float64]float64, byMean tally) {
	t.Helper()
	byRange, byMean = map[float64]float64{}, tally{}
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	for _, row := range sourcedRows(t, "e1049-cycle-counts.csv") {
		if row["method"] != method {
			continue
		}
		series = nil
		for field := range strings.SplitSeq(row["series"], ",") {
			series = append(series, number(field))
		}
		if row["mean"] == "" {
			byRange[number(row["range"])] = number(row["count"])
		} else {
			byMean[rangeMean{number(row["range"]), number(row["mean"])}] += number(row["count"])
		}
	}
	if len(byRange) == 0 {
		t.Fatalf("no published counts of %q", method)
	}
	return series, byRange, byMean
}

func countOf(tb testing.TB, x []float64, gate float64) Count {
	tb.Helper()
	c, err := CountCycles(x, gate)
	if err != nil {
		tb.Fatal(err)
	}
	return c
}

func pointsOf(tb testing.TB, x []float64, gate float64) Points {
	tb.Helper()
	p, err := TurningPoints(x, gate)
	if err != nil {
		tb.Fatal(err)
	}
	return p
}
