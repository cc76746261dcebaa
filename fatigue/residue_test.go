package fatigue

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// The expected values follow from the definitions in the doc comments.

func TestHalfCycles(t *testing.T) {
	for _, test := range []struct {
		reason string
		r      Points
		want   Cycles
	}{
		{"no points, no range", Points{}, Cycles{}},
		{"one point, no range", Points{[]float64{1}, []int32{0}}, Cycles{}},
		{"one range fewer than points", Points{[]float64{1, 4, -2}, []int32{0, 3, 9}},
			Cycles{From: []float64{1, 4}, To: []float64{4, -2}, Start: []int32{0, 3}, End: []int32{3, 9}}},
	} {
		if diff := cmp.Diff(test.want, HalfCycles(test.r)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.reason, diff)
		}
	}
}

func TestRepeatCycles(t *testing.T) {
	for _, test := range []struct {
		reason string
		r      Points
		want   Cycles
	}{
		{"no points", Points{}, Cycles{}},
		{"a constant stays constant", Points{[]float64{1}, []int32{0}}, Cycles{}},
		{"a ramp falls back at the seam", Points{[]float64{1, 4}, []int32{0, 7}},
			Cycles{From: []float64{4}, To: []float64{1}, Start: []int32{7}, End: []int32{0}}},
		{"equal ends are one point", Points{[]float64{1, 4, 1}, []int32{0, 3, 7}},
			Cycles{From: []float64{4}, To: []float64{1}, Start: []int32{3}, End: []int32{7}}},
		{"an end on a slope is no point", Points{[]float64{0, 4, -2}, []int32{0, 3, 7}},
			Cycles{From: []float64{4}, To: []float64{-2}, Start: []int32{3}, End: []int32{7}}},
		{"a cycle closes across the seam", Points{[]float64{1, -4, 5, 0}, []int32{0, 2, 4, 6}},
			Cycles{From: []float64{0, 5}, To: []float64{1, -4}, Start: []int32{6, 4}, End: []int32{0, 2}}},
	} {
		if diff := cmp.Diff(test.want, RepeatCycles(test.r), cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.reason, diff)
		}
	}
}

func TestJoin(t *testing.T) {
	lap := func(value ...float64) Points {
		p := Points{Value: value}
		for i := range value {
			p.Index = append(p.Index, int32(10*i))
		}
		return p
	}
	joined := func(from, to []float64, start, end, fromLap, toLap []int32) Joined {
		return Joined{Cycles{from, to, start, end}, fromLap, toLap}
	}
	for _, test := range []struct {
		reason       string
		laps         []Points
		closed, half Joined
	}{
		{"no laps", nil, Joined{}, Joined{}},
		{"empty laps", []Points{{}, {}}, Joined{}, Joined{}},
		{"one lap keeps its residue", []Points{lap(0, 3)}, Joined{},
			joined([]float64{0}, []float64{3}, []int32{0}, []int32{10}, []int32{0}, []int32{0})},
		{"ends on a slope vanish", []Points{lap(0, 2), lap(3, 5)}, Joined{},
			joined([]float64{0}, []float64{5}, []int32{0}, []int32{10}, []int32{0}, []int32{1})},
		{"equal ends are one point of the earlier lap", []Points{lap(0, 4), {}, lap(4, 1)}, Joined{},
			joined([]float64{0, 4}, []float64{4, 1}, []int32{0, 10}, []int32{10, 10}, []int32{0, 0}, []int32{0, 2})},
		{"a cycle closes across laps", []Points{lap(0, 5), lap(2, 6)},
			joined([]float64{5}, []float64{2}, []int32{10}, []int32{0}, []int32{0}, []int32{1}),
			joined([]float64{0}, []float64{6}, []int32{0}, []int32{10}, []int32{0}, []int32{1})},
		{"constant laps make the largest cycle", []Points{lap(0), lap(9), lap(0), lap(9)},
			joined([]float64{9}, []float64{0}, []int32{0}, []int32{0}, []int32{1}, []int32{2}),
			joined([]float64{0}, []float64{9}, []int32{0}, []int32{0}, []int32{0}, []int32{3})},
	} {
		closed, half := Join(test.laps)
		if diff := cmp.Diff(test.closed, closed, cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%s: closed (-want +got):\n%s", test.reason, diff)
		}
		if diff := cmp.Diff(test.half, half, cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%s: half (-want +got):\n%s", test.reason, diff)
		}
	}
}

// TestPointsNotOfACount: points that no count can return are a programmer's mistake.
func TestPointsNotOfACount(t *testing.T) {
	bad := Points{[]float64{0, math.NaN()}, []int32{0, 1}}
	for name, call := range map[string]func(){
		"RepeatCycles": func() { RepeatCycles(bad) },
		"Join":         func() { Join([]Points{bad}) },
	} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%s did not panic", name)
				}
			}()
			call()
		}()
	}
}
