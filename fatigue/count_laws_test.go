package fatigue

import (
	"encoding/binary"
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// integers makes a signal of small whole numbers, whose ranges and means are
// exact: each byte a sample, then up to 4999 random ones. Many are equal or equal
// in range, and they cross the borders of the blocks of a scan.
func integers(data []byte, more uint16) []float64 {
	var x []float64
	for _, b := range data {
		x = append(x, float64(int8(b)))
	}
	h := fnv.New64a()
	h.Write(data)
	rng := rand.New(rand.NewPCG(h.Sum64(), uint64(more)))
	levels := 2 + rng.IntN(1<<rng.IntN(12))
	hold, kind := rng.Float64()*rng.Float64(), rng.IntN(3)
	v := 0
	for k := range int(more % 5000) {
		switch {
		case rng.Float64() < hold: // stays
		case kind == 0:
			v = rng.IntN(levels)
		case kind == 1:
			v += rng.IntN(levels) - levels/2
		default: // swings that grow, then shrink: a deep residue
			v = (1 - k%2*2) * (min(k, int(more%5000)-k) + rng.IntN(2))
		}
		x = append(x, float64(v))
	}
	return x
}

func addSignals(f *testing.F) {
	for _, data := range []string{"", "\x00", "\x01\x01", "\x00\x01\x00\x01", "\xfe\x01\xfd\x05\xff\x03\xfc\x04\xfe",
		"\x05\x05\x00\x00\x05\x03\x03\x05\x00\x07", "\x01\x02\x03\x02\x03\x01\x00\x04\x00\x03\x01\x02"} {
		f.Add([]byte(data), uint16(0))
	}
	for k := range 70 {
		f.Add([]byte{byte(k), byte(5 * k)}, uint16(k*k)) // up to 4761
	}
	for _, n := range []uint16{blockLen - 3, blockLen - 2, blockLen - 1, blockLen, 2*blockLen - 1, 4*blockLen + 1} {
		f.Add([]byte{7, 3}, n)
	}
}

// FuzzTurningPoints: those of the definition, with their sample numbers.
func FuzzTurningPoints(f *testing.F) {
	addSignals(f)
	f.Fuzz(func(t *testing.T, data []byte, more uint16) {
		x := integers(data, more)
		if diff := cmp.Diff(turningPointsByDefinition(x), pointsOf(t, x, 0)); diff != "" {
			t.Errorf("(-definition +got):\n%s", diff)
		}
	})
}

// FuzzE1049: the count is that of ASTM E1049-85, 5.4.4.
func FuzzE1049(f *testing.F) {
	addSignals(f)
	f.Fuzz(func(t *testing.T, data []byte, more uint16) {
		x := integers(data, more)
		if diff := cmp.Diff(rainflowE1049(x), tallyOf(countOf(t, x, 0))); diff != "" {
			t.Errorf("(-standard +got):\n%s", diff)
		}
	})
}

// FuzzRepeat: the count is that of ASTM E1049-85, 5.4.5, and every cycle lies
// where it says.
func FuzzRepeat(f *testing.F) {
	addSignals(f)
	f.Fuzz(func(t *testing.T, data []byte, more uint16) {
		x := integers(data, more)
		if len(x) == 0 {
			return
		}
		c := countOf(t, x, 0)
		repeat := RepeatCycles(c.Residue)
		checkEnds(t, x, repeat)
		got := tally{}.addCycles(c.Closed, 1).addCycles(repeat, 1)
		if diff := cmp.Diff(repeatingE1049(x), got); diff != "" {
			t.Errorf("(-standard +got):\n%s", diff)
		}
	})
}

// FuzzCount states what holds for every count, on any finite values: also huge
// ones, whose differences overflow, denormal ones and -0.
func FuzzCount(f *testing.F) {
	for k := range 40 {
		rng, data := rand.New(rand.NewPCG(uint64(k), 7)), []byte(nil)
		special := []float64{0, math.Copysign(0, -1), math.MaxFloat64, -math.MaxFloat64, 5e-324, -5e-324, 1, 1 + 0x1p-52}
		for range k * k {
			v := math.Float64frombits(rng.Uint64())
			if rng.IntN(2) == 0 {
				v = special[rng.IntN(len(special))]
			}
			data = binary.LittleEndian.AppendUint64(data, math.Float64bits(v))
		}
		f.Add(data, 0.0)
		f.Add(data, 1.0)
	}
	f.Fuzz(func(t *testing.T, data []byte, gate float64) {
		var x []float64
		for ; len(data) >= 8; data = data[8:] {
			if v := math.Float64frombits(binary.LittleEndian.Uint64(data)); v-v == 0 {
				x = append(x, v)
			}
		}
		if !(gate >= 0) || math.IsInf(gate, 1) {
			gate = 0
		}
		c, p := countOf(t, x, gate), pointsOf(t, x, gate)
		half := HalfCycles(c.Residue)
		checkEnds(t, x, c.Closed)
		checkEnds(t, x, half)
		checkOrder(t, c.Closed)
		checkOrder(t, half)
		if p.Len() > 0 && p.Len()-1 != 2*c.Closed.Len()+half.Len() {
			t.Errorf("%d points, %d closed cycles and %d half cycles", p.Len(), c.Closed.Len(), half.Len())
		}
		checkEnds(t, x, RepeatCycles(c.Residue))
		if again := countOf(t, c.Residue.Value, 0); again.Closed.Len() > 0 {
			t.Errorf("residue still closes %v", again.Closed)
		}
		if gate == 0 {
			slices.Reverse(x)
			if diff := cmp.Diff(pairs(c), pairs(countOf(t, x, 0))); diff != "" {
				t.Errorf("backwards (-forwards +backwards):\n%s", diff)
			}
		}
	})
}

// checkEnds fails unless the cycles have a range and their values are those of
// their samples.
func checkEnds(t *testing.T, x []float64, c Cycles) {
	t.Helper()
	for i := range c.Len() {
		if c.From[i] == c.To[i] || x[c.Start[i]] != c.From[i] || x[c.End[i]] != c.To[i] {
			t.Errorf("cycle %d from %v at %d to %v at %d: samples are %v and %v", i,
				c.From[i], c.Start[i], c.To[i], c.End[i], x[c.Start[i]], x[c.End[i]])
		}
	}
}

func checkOrder(t *testing.T, c Cycles) {
	t.Helper()
	for i := range c.Len() {
		if c.Start[i] >= c.End[i] {
			t.Errorf("cycle %d starts at %d and ends at %d", i, c.Start[i], c.End[i])
		}
	}
}

// pairs is the count of each pair of a lower and an upper value: unlike range and
// mean, free of rounding.
func pairs(c Count) map[[2]float64]float64 {
	n := map[[2]float64]float64{}
	add := func(c Cycles, count float64) {
		for i := range c.Len() {
			n[[2]float64{min(c.From[i], c.To[i]) + 0, max(c.From[i], c.To[i]) + 0}] += count
		}
	}
	add(c.Closed, 1)
	add(HalfCycles(c.Residue), 0.5)
	return n
}

// FuzzEquivariance: scaling by a power of two, shifting without rounding and
// turning upside down do to every value of a count what they do to the signal,
// and leave the sample numbers. Holding samples moves the numbers alone.
func FuzzEquivariance(f *testing.F) {
	addSignals(f)
	f.Fuzz(func(t *testing.T, data []byte, more uint16) {
		x := integers(data, more)
		for _, law := range []struct {
			name string
			gate float64
			of   func(v float64) float64
		}{
			{"times 2^-30", 0x1p-30, func(v float64) float64 { return v * 0x1p-30 }},
			{"times 2^30", 0x1p30, func(v float64) float64 { return v * 0x1p30 }},
			{"plus 1000", 1, func(v float64) float64 { return v + 1000 }},
			{"upside down", 1, func(v float64) float64 { return -v }},
		} {
			for _, gate := range []float64{0, 5} {
				want := mapValues(countOf(t, x, gate), law.of)
				got := countOf(t, mapped(x, law.of), gate*law.gate)
				if diff := cmp.Diff(want, got, cmpopts.EquateEmpty()); diff != "" {
					t.Errorf("%s, gate %v (-mapped count +count of mapped):\n%s", law.name, gate, diff)
				}
			}
		}
		var held []float64
		for i, v := range x {
			held = append(held, slices.Repeat([]float64{v}, 1+i%3)...)
		}
		want, got := countOf(t, x, 0), countOf(t, held, 0)
		if diff := cmp.Diff(want, got, cmpopts.IgnoreFields(Cycles{}, "Start", "End"), cmpopts.IgnoreFields(Points{}, "Index")); diff != "" {
			t.Errorf("held samples (-once +held):\n%s", diff)
		}
	})
}

func mapped(x []float64, of func(float64) float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = of(v)
	}
	return y
}

func mapValues(c Count, of func(float64) float64) Count {
	c.Closed.From, c.Closed.To = mapped(c.Closed.From, of), mapped(c.Closed.To, of)
	c.Residue.Value = mapped(c.Residue.Value, of)
	return c
}

// FuzzGate: the gate takes out of the count what is smaller and nothing else, is
// the same backwards, and does nothing when applied again.
func FuzzGate(f *testing.F) {
	addSignals(f)
	f.Fuzz(func(t *testing.T, data []byte, more uint16) {
		x := integers(data, more)
		backwards := slices.Clone(x)
		slices.Reverse(backwards)
		whole := tallyOf(countOf(t, x, 0))
		for _, gate := range []float64{0.5, 1, 2, 3, 10, 100} {
			if diff := cmp.Diff(whole.without(gate), tallyOf(countOf(t, x, gate))); diff != "" {
				t.Errorf("gate %v (-whole count from the gate on +got):\n%s", gate, diff)
			}
			p := pointsOf(t, x, gate)
			if diff := cmp.Diff(p.Value, pointsOf(t, p.Value, gate).Value); diff != "" {
				t.Errorf("gate %v (-once +twice):\n%s", gate, diff)
			}
			if p.Len() == 1 {
				continue // the first sample stands for a signal within the gate
			}
			slices.Reverse(p.Value)
			if diff := cmp.Diff(p.Value, pointsOf(t, backwards, gate).Value); diff != "" {
				t.Errorf("gate %v backwards (-forwards +backwards):\n%s", gate, diff)
			}
		}
	})
}

// FuzzJoin: laps counted one by one and joined are one count of all of them.
func FuzzJoin(f *testing.F) {
	addSignals(f)
	f.Fuzz(func(t *testing.T, data []byte, more uint16) {
		x := integers(data, more)
		rng := rand.New(rand.NewPCG(uint64(len(x)), uint64(more)))
		want := tallyOf(countOf(t, x, 0))
		for _, longest := range []int{2, 10, 2000} {
			got := tally{}
			var laps [][]float64
			var residues []Points
			for rest := x; len(rest) > 0; {
				n := min(rng.IntN(longest), len(rest))
				c := countOf(t, rest[:n], 0)
				got.addCycles(c.Closed, 1)
				laps, residues, rest = append(laps, rest[:n]), append(residues, c.Residue), rest[n:]
			}
			closed, half := Join(residues)
			got.addCycles(closed.Cycles, 1).addCycles(half.Cycles, 0.5)
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("laps up to %d samples (-laid end to end +joined):\n%s", longest, diff)
			}
			checkJoined(t, laps, closed)
			checkJoined(t, laps, half)
		}
	})
}

func checkJoined(t *testing.T, laps [][]float64, j Joined) {
	t.Helper()
	for i := range j.Len() {
		from, to := laps[j.FromLap[i]][j.Start[i]], laps[j.ToLap[i]][j.End[i]]
		if from != j.From[i] || to != j.To[i] || from == to {
			t.Errorf("cycle %d from %v to %v: samples are %v and %v", i, j.From[i], j.To[i], from, to)
		}
		if j.FromLap[i] > j.ToLap[i] || j.FromLap[i] == j.ToLap[i] && j.Start[i] >= j.End[i] {
			t.Errorf("cycle %d starts at %d of lap %d and ends at %d of lap %d", i, j.Start[i], j.FromLap[i], j.End[i], j.ToLap[i])
		}
	}
}
