package fatigue

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// The expected values follow from the definitions in the doc comments.

func TestTurningPoints(t *testing.T) {
	for _, test := range []struct {
		reason string
		x      []float64
		gate   float64
		want   Points
	}{
		{"nothing has no points", nil, 0, Points{}},
		{"one sample is a point", []float64{3}, 0, Points{[]float64{3}, []int32{0}}},
		{"a constant is one point", []float64{3, 3, 3}, 0, Points{[]float64{3}, []int32{0}}},
		{"0 and -0 are equal", []float64{0, math.Copysign(0, -1), 0}, 0, Points{[]float64{0}, []int32{0}}},
		{"both ends are points", []float64{1, 2, 3}, 0, Points{[]float64{1, 3}, []int32{0, 2}}},
		{"a plateau turns at its first sample", []float64{0, 2, 2, 2, 1}, 0, Points{[]float64{0, 2, 1}, []int32{0, 1, 4}}},
		{"a step in a slope is no point", []float64{0, 1, 1, 2}, 0, Points{[]float64{0, 2}, []int32{0, 3}}},
		{"plateaus at the ends", []float64{1, 1, 4, 2, 2}, 0, Points{[]float64{1, 4, 2}, []int32{0, 2, 3}}},
		{"a range equal to the gate stays", []float64{0, 1, 0}, 1, Points{[]float64{0, 1, 0}, []int32{0, 1, 2}}},
		{"a range below the gate vanishes", []float64{0, 5, 4.5, 6, 0}, 1, Points{[]float64{0, 6, 0}, []int32{0, 3, 4}}},
		{"the peak keeps its extreme before a small cycle", []float64{0, 6, 5.5, 5.75, 0}, 1, Points{[]float64{0, 6, 0}, []int32{0, 1, 4}}},
		{"many small steps make a large range", []float64{0, 0.5, 1, 1.5, 1, 0.5, 0}, 1, Points{[]float64{0, 1.5, 0}, []int32{0, 3, 6}}},
		{"a small range at the start gives way to the extreme", []float64{0, 0.5, -3}, 1, Points{[]float64{0.5, -3}, []int32{1, 2}}},
		{"a small range at the end gives way to the extreme", []float64{-3, 0.5, 0}, 1, Points{[]float64{-3, 0.5}, []int32{0, 1}}},
		{"a signal within the gate is its first sample", []float64{0.2, 0.5, -0.2, 0.1}, 1, Points{[]float64{0.2}, []int32{0}}},
	} {
		if diff := cmp.Diff(test.want, pointsOf(t, test.x, test.gate)); diff != "" {
			t.Errorf("%s: %v (-want +got):\n%s", test.reason, test.x, diff)
		}
	}
}

func TestCountCycles(t *testing.T) {
	for _, test := range []struct {
		reason string
		x      []float64
		gate   float64
		want   Count
	}{
		{"nothing", nil, 0, Count{}},
		{"a constant has no cycle", []float64{2, 2}, 0, Count{Residue: Points{[]float64{2}, []int32{0}}}},
		{"a ramp is all residue", []float64{0, 1, 2}, 0, Count{Residue: Points{[]float64{0, 2}, []int32{0, 2}}}},
		{"an inner pair closes, falling first", []float64{0, 3, 1, 4}, 0, Count{
			Closed:  Cycles{From: []float64{3}, To: []float64{1}, Start: []int32{1}, End: []int32{2}},
			Residue: Points{[]float64{0, 4}, []int32{0, 3}},
		}},
		{"an inner pair closes, rising first", []float64{0, -3, -1, -4}, 0, Count{
			Closed:  Cycles{From: []float64{-3}, To: []float64{-1}, Start: []int32{1}, End: []int32{2}},
			Residue: Points{[]float64{0, -4}, []int32{0, 3}},
		}},
		{"equal ranges close", []float64{0, 1, 0, 1}, 0, Count{
			Closed:  Cycles{From: []float64{1}, To: []float64{0}, Start: []int32{1}, End: []int32{2}},
			Residue: Points{[]float64{0, 1}, []int32{0, 3}},
		}},
		{"0 and -0 are equal", []float64{1, math.Copysign(0, -1), 1, 0}, 0, Count{
			Closed:  Cycles{From: []float64{0}, To: []float64{1}, Start: []int32{1}, End: []int32{2}},
			Residue: Points{[]float64{1, 0}, []int32{0, 3}},
		}},
		{"one point closes two cycles, the inner one first", []float64{0, 9, 2, 6, 3, 9, 0}, 0, Count{
			Closed:  Cycles{From: []float64{6, 9}, To: []float64{3, 2}, Start: []int32{3, 1}, End: []int32{4, 2}},
			Residue: Points{[]float64{0, 9, 0}, []int32{0, 5, 6}},
		}},
		{"the gate takes out the small cycle alone", []float64{0, 9, 2, 6, 5.5, 9, 0}, 1, Count{
			Closed:  Cycles{From: []float64{9}, To: []float64{2}, Start: []int32{1}, End: []int32{2}},
			Residue: Points{[]float64{0, 9, 0}, []int32{0, 5, 6}},
		}},
		{"values decide where rounded ranges are equal", []float64{0.5, -1e16, 1, -2e16}, 0, Count{
			Residue: Points{[]float64{0.5, -1e16, 1, -2e16}, []int32{0, 1, 2, 3}},
		}},
	} {
		if diff := cmp.Diff(test.want, countOf(t, test.x, test.gate), cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%s: %v (-want +got):\n%s", test.reason, test.x, diff)
		}
	}
}

func TestCountCyclesErrors(t *testing.T) {
	ramp := make([]float64, 3*blockLen)
	for i := range ramp {
		ramp[i] = float64(i)
	}
	flat := make([]float64, 3*blockLen)
	for _, test := range []struct {
		reason string
		x      []float64
		bad    int
		value  float64
		gate   float64
		want   string
	}{
		{"first sample", ramp, 0, math.NaN(), 0, "sample 0 is NaN"},
		{"infinite first sample", ramp, 0, math.Inf(1), 0, "sample 0 is +Inf"},
		{"only sample", flat[:1], 0, math.Inf(-1), 0, "sample 0 is -Inf"},
		{"second sample", ramp, 1, math.NaN(), 0, "sample 1 is NaN"},
		{"last of a block", ramp, blockLen, math.Inf(1), 0, "sample 1024 is +Inf"},
		{"first of a block", ramp, blockLen + 1, math.Inf(-1), 0, "sample 1025 is -Inf"},
		{"last sample", ramp, len(ramp) - 1, math.NaN(), 0, "sample 3071 is NaN"},
		{"end of a plateau", flat, 2000, math.NaN(), 0, "sample 2000 is NaN"},
		{"behind a gate", flat, 2000, math.Inf(1), 5, "sample 2000 is +Inf"},
		{"negative gate", ramp, 0, 0, -1, "gate is -1"},
		{"gate that is no number", ramp, 0, 0, math.NaN(), "gate is NaN"},
		{"infinite gate", ramp, 0, 0, math.Inf(1), "gate is +Inf"},
	} {
		x := append([]float64(nil), test.x...)
		x[test.bad] = test.value
		_, err := CountCycles(x, test.gate)
		if err == nil || !strings.HasPrefix(err.Error(), "count cycles: "+test.want+":") {
			t.Errorf("%s: count cycles: error %v, want %q", test.reason, err, test.want)
		}
		_, err = TurningPoints(x, test.gate)
		if err == nil || !strings.HasPrefix(err.Error(), "find turning points: "+test.want+":") {
			t.Errorf("%s: find turning points: error %v, want %q", test.reason, err, test.want)
		}
	}
	if err := checkSize(math.MaxInt32, 0); err != nil {
		t.Errorf("as many samples as there are numbers for: %v", err)
	}
	if err := checkSize(math.MaxInt32+1, 0); err == nil {
		t.Error("no error for more samples than there are numbers for")
	}
}

// TestHugeDifferences: finite samples whose differences overflow are counted.
func TestHugeDifferences(t *testing.T) {
	const huge = math.MaxFloat64
	want := Count{
		Closed:  Cycles{From: []float64{huge}, To: []float64{-huge}, Start: []int32{1}, End: []int32{3}},
		Residue: Points{[]float64{-huge, huge}, []int32{0, 4}},
	}
	if diff := cmp.Diff(want, countOf(t, []float64{-huge, huge, huge, -huge, huge}, 0)); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestCyclesDerived(t *testing.T) {
	c := Cycles{From: []float64{5}, To: []float64{-1}, Start: []int32{0}, End: []int32{1}}
	got := []float64{c.Range(0), c.Mean(0), c.Amplitude(0)}
	if diff := cmp.Diff([]float64{6, 2, 3}, got); diff != "" {
		t.Errorf("range, mean, amplitude (-want +got):\n%s", diff)
	}
}

// TestCountMemory: a count takes little more than the 24 bytes of a closed cycle.
func TestCountMemory(t *testing.T) {
	x := noise(1 << 18)
	c := countOf(t, x, 0)
	if n := c.Closed.Len(); cap(c.Closed.From) > n+n/20 {
		t.Errorf("room for %d cycles, %d closed", cap(c.Closed.From), n)
	}
}
