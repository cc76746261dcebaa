package count

import (
	"fmt"
	"math"

	"lapwear/fatigue"
	"lapwear/fatigue/lanes"
	"lapwear/stages/frame"
)

// How closed cycles are stored. A cycle is a row, in the order in which cycles closed. Behind the rows of all cycles, which the attribute
// cycles numbers, stand further ones of those that are long or far from the ones before them.
//
//   - from and to are its values. Where countSteps finds that all of them are products, in float64, of one number and a whole one from -32768
//     to 32767, the attribute step is that number, in the channel's unit, and the columns hold the whole ones in int16; -0 becomes 0. Else step
//     is 0. Whether -32768 of a step are found depends on the order of the values; it decides the size alone.
//   - Where there is no step and not each value is a float32 exactly, but all are quotients, in float64, of a whole number from -2^31 to 2^31-1 and
//     one power of ten from 1 to 10^9, as numbers of a text are, the attribute per is the least such power and the columns hold the whole numbers
//     in int32; -0 becomes 0. Else per is 0 and each column holds the values, as float32 where each is one exactly, else as float64.
//   - where says how long it is and where it ends: its low 8 bits are its samples from start to end, 1 to 255; its high 8 bits, signed, its end less
//     that of the cycle before, or less 0.
//   - A cycle whose where is 0 has a row of its own behind all cycles: from and to of that row are the high and the low half, each signed, of the
//     number of its end; where, unsigned, is its samples from start to end. Where that is 0 too, the next row's halves are these.
//
// A logger's counts of 16 bits so take 6 bytes a cycle, and 6 more where it is long or far, as of one in eighteen in a signal of the benchmark.

const (
	lengthBits = 8
	longest    = 1<<lengthBits - 1 // samples of a cycle that its row can say
	farthest   = 1 << (15 - lengthBits)
)

// packer packs cycles, one lap's after another's, in the same memory. The zero value is ready for use.
type packer struct {
	counter  fatigue.Counter
	from, to []int16
	where    []int16
	far      []half    // rows behind those of the cycles
	density  []float64 // of the signal
}

// half is a number cut in two.
type half struct{ high, low int16 }

func halves(n int32) half { return half{int16(n >> 16), int16(n)} }

func (h half) number() int32 { return int32(h.high)<<16 | int32(uint16(h.low)) }

// pack returns the columns of closed cycles, and their step and power of ten.
func (p *packer) pack(m fatigue.Marks, unit string, x any) (cols []frame.Column, step, per float64) {
	p.locate(m.Start, m.End)
	where := frame.Col("where", "", copied(p.where))
	switch x := x.(type) {
	case []float32:
		if step = countSteps(p, x, m); step == 0 {
			return []frame.Column{frame.Col("from", unit, withFar(p, x, m.Start, true)), frame.Col("to", unit, withFar(p, x, m.End, false)), where}, 0, 0
		}
	case []float64:
		if step = countSteps(p, x, m); step == 0 {
			if from, to, per := p.decimals(x, m); per > 0 { // which samples of single precision do not have
				return []frame.Column{frame.Col("from", "", from), frame.Col("to", "", to), where}, 0, per
			}
			return []frame.Column{frame.Lean("from", unit, withFar(p, x, m.Start, true)), frame.Lean("to", unit, withFar(p, x, m.End, false)), where}, 0, 0
		}
	default:
		panic("count cycles: samples of no known type")
	}
	for _, h := range p.far {
		p.from, p.to = append(p.from, h.high), append(p.to, h.low)
	}
	from, to := copied(p.from), copied(p.to)
	return []frame.Column{frame.Col("from", "", from), frame.Col("to", "", to), where}, step, 0
}

// copied is a copy of numbers.
func copied(v []int16) []int16 {
	c := lanes.Uncleared[int16](len(v))
	copy(c, v)
	return c
}

// locate fills where and far.
func (p *packer) locate(start, end []int32) {
	p.where = grown(p.where, len(start))
	where := p.where[:len(start)]
	p.far = p.far[:0]
	var lengths []uint16 // of the rows in far
	last := int32(0)
	for i, s := range start {
		e := end[i]
		length, moved := e-s, e-last
		last = e
		if uint32(length-1) < longest && uint32(moved+farthest) < 2*farthest {
			where[i] = int16(moved<<lengthBits | length)
			continue
		}
		where[i] = 0
		p.far = append(p.far, halves(e))
		if uint32(length) <= math.MaxUint16 {
			lengths = append(lengths, uint16(length))
			continue
		}
		p.far = append(p.far, halves(length))
		lengths = append(lengths, 0, 0)
	}
	for _, n := range lengths {
		p.where = append(p.where, int16(n))
	}
}

// grown returns room for n numbers, in v where it is large enough.
func grown(v []int16, n int) []int16 {
	if cap(v) < n {
		return make([]int16, n, n+n/8) // and for rows of far cycles
	}
	return v[:n]
}

// withFar is the values of samples, and behind them halves of far cycles' numbers.
func withFar[T fatigue.Sample](p *packer, x []T, samples []int32, high bool) []T {
	v := make([]T, len(samples), len(samples)+len(p.far))
	for k, i := range samples {
		v[k] = x[i]
	}
	for _, h := range p.far {
		if high {
			v = append(v, T(h.high))
		} else {
			v = append(v, T(h.low))
		}
	}
	return v
}

// countSteps fills from and to with how many steps the values are and returns the step; 0 where there is none.
//
// It is the greatest common divisor of the values that were no multiples of the one found before them. All others are multiples of it, so it
// is that of all, but for products that are rounded to a value.
func countSteps[T fatigue.Sample](p *packer, x []T, m fatigue.Marks) (step float64) {
	p.from, p.to = grown(p.from, len(m.Start)), grown(p.to, len(m.End))
	for {
		odd, ok := multiples(p.from, x, m.Start, step)
		if ok {
			odd, ok = multiples(p.to, x, m.End, step)
		}
		if ok {
			return step
		}
		if step = divisor(step, math.Abs(odd)); step == 0 {
			return 0
		}
	}
}

// whole loses the fraction of a number that is added to it, and its bits grow by the number.
const whole = 3 << 51

// multiples writes how many steps the values of samples are, up to the first that is not a whole number of them, which is returned; ok where
// there is none such.
func multiples[T fatigue.Sample](dst []int16, x []T, samples []int32, step float64) (odd float64, ok bool) {
	zero := int64(math.Float64bits(whole))
	per := 1 / step
	if step == 0 {
		per = 0
	}
	dst = dst[:len(samples)]
	for k, i := range samples {
		v := float64(x[i])
		sum := v*per + whole
		n := int64(math.Float64bits(sum)) - zero
		if n != int64(int16(n)) || (sum-whole)*step != v {
			return v, false
		}
		dst[k] = int16(n)
	}
	return 0, true
}

// divisor is the greatest number of which a and b, both from 0, are whole multiples; 0 where b is more than 32767 of it, or it or its inverse is not
// finite.
func divisor(a, b float64) float64 {
	least := b / math.MaxInt16
	for a != 0 {
		if a < least {
			return 0
		}
		a, b = math.Mod(b, a), a
	}
	if b < least || b < 0x1p-1000 || b > 0x1p1000 {
		return 0
	}
	return b
}

// mostDecimals is the largest power of ten of which decimals takes parts.
const mostDecimals = 1e9

// decimals is the values, and the halves of far cycles' numbers behind them, where the values are whole numbers of parts of one power of ten and
// not all of single precision, and the least such power; 0 where there is none.
func (p *packer) decimals(x []float64, m fatigue.Marks) (from, to []int32, per float64) {
	if single(x, m.Start) && single(x, m.End) {
		return nil, nil, 0
	}
	if per = powerOf(x[m.Start[0]], 1); per == 0 { // most often found by the first
		return nil, nil, 0
	}
	n := len(m.Start)
	from, to = make([]int32, n, n+len(p.far)), make([]int32, n, n+len(p.far))
	for {
		odd, ok := parts(from, x, m.Start, per)
		if ok {
			odd, ok = parts(to, x, m.End, per)
		}
		if ok {
			break
		}
		if per = powerOf(odd, per); per == 0 {
			return nil, nil, 0
		}
	}
	for _, h := range p.far {
		from, to = append(from, int32(h.high)), append(to, int32(h.low))
	}
	return from, to, per
}

// single tells whether values are of single precision.
func single(x []float64, samples []int32) bool {
	for _, i := range samples {
		if v := x[i]; float64(float32(v)) != v {
			return false
		}
	}
	return true
}

// parts is multiples for parts of a power of ten.
func parts(dst []int32, x []float64, samples []int32, per float64) (odd float64, ok bool) {
	zero := int64(math.Float64bits(whole))
	dst = dst[:len(samples)]
	for k, i := range samples {
		v := x[i]
		n := int64(math.Float64bits(v*per+whole)) - zero
		if n != int64(int32(n)) || float64(n)/per != v {
			return v, false
		}
		dst[k] = int32(n)
	}
	return 0, true
}

// powerOf is the least power of ten, not below another, of which a value is so many parts as int32 holds; 0 where there is none. What is parts of
// one power is parts of a greater one too: the quotient is the same, and rounded once.
func powerOf(v, least float64) float64 {
	for per := least; per <= mostDecimals; per *= 10 {
		if n := math.Round(v * per); math.MinInt32 <= n && n <= math.MaxInt32 && n/per == v {
			return per
		}
	}
	return 0
}

// Room is memory into which cycles are read, one frame's after another's. The zero value is ready for use.
type Room struct {
	from, to   []float64
	start, end []int32
}

// ReadCycles returns the closed cycles that a count's frame holds.
func ReadCycles(f *frame.Frame) (fatigue.Cycles, error) {
	var r Room
	return r.Read(f)
}

// Read is ReadCycles; what it returns holds until the next call.
func (r *Room) Read(f *frame.Frame) (c fatigue.Cycles, err error) {
	n, ok := f.Number("cycles")
	if !ok || !(n >= 0 && n <= float64(f.Rows())) {
		return c, fmt.Errorf("read cycles: %v of them in %d rows", n, f.Rows())
	}
	where, err := frame.Get[[]int16](f, "where")
	if err != nil {
		return c, err
	}
	r.grow(int(n))
	far := make([]half, f.Rows()-int(n))
	if c.From, err = ends(f, "from", r.from, far, func(h *half) *int16 { return &h.high }); err != nil {
		return c, err
	}
	if c.To, err = ends(f, "to", r.to, far, func(h *half) *int16 { return &h.low }); err != nil {
		return c, err
	}
	c.Start, c.End = r.start, r.end
	return c, place(c, where, far)
}

func (r *Room) grow(n int) {
	if cap(r.from) < n {
		room := n + n/8 // laps differ: the next one will not want a little more
		r.from, r.to = lanes.Uncleared[float64](room), lanes.Uncleared[float64](room)
		r.start, r.end = lanes.Uncleared[int32](room), lanes.Uncleared[int32](room)
	}
	r.from, r.to, r.start, r.end = r.from[:n], r.to[:n], r.start[:n], r.end[:n]
}

// ends reads the cycles' values at one end, in room unless the column holds them as they are, and what the rows behind hold.
func ends(f *frame.Frame, name string, room []float64, far []half, part func(*half) *int16) ([]float64, error) {
	c, _ := f.Column(name)
	n := len(room)
	switch v := c.Values().(type) {
	case []int16:
		step, _ := f.Number("step")
		multiply(room, v[:n], step)
		setFar(far, v[n:], part)
	case []int32:
		per, _ := f.Number("per")
		if !(per > 0) {
			return nil, fmt.Errorf("read cycles: column %q holds parts of %v", name, per)
		}
		for i, parts := range v[:n] {
			room[i] = float64(parts) / per
		}
		setFar(far, v[n:], part)
	case []float32:
		frame.Widen(v[:n], room)
		setFar(far, v[n:], part)
	case []float64:
		setFar(far, v[n:], part)
		return v[:n], nil
	default:
		return nil, fmt.Errorf("read cycles: column %q holds %v", name, c.Kind())
	}
	return room, nil
}

// multiply writes whole numbers of steps as values.
func multiply(dst []float64, steps []int16, step float64) {
	dst = dst[:len(steps)]
	for i, n := range steps {
		dst[i] = float64(n) * step
	}
}

func setFar[T int16 | int32 | float32 | float64](far []half, v []T, part func(*half) *int16) {
	for i, x := range v {
		*part(&far[i]) = int16(x)
	}
}

// place finds where cycles start and end: 0 <= Start < End.
func place(c fatigue.Cycles, where []int16, far []half) error {
	n := len(c.Start)
	start, end, rest := c.Start, c.End[:n], farRows{far, where[n:]}
	last := int32(0)
	for i, w := range where[:n] {
		length := int32(w & longest)
		last += int32(w >> lengthBits)
		if w == 0 {
			if len(rest.far) == 0 {
				return fmt.Errorf("read cycles: no row says where cycle %d is", i)
			}
			last, length = rest.next()
		}
		start[i], end[i] = last-length, last
		if (last-length)|last|(length-1) < 0 {
			return fmt.Errorf("read cycles: cycle %d ends at sample %d, %d after its start", i, last, length)
		}
	}
	return nil
}

// farRows are the rows behind the cycles that say where far ones are, as yet unread.
type farRows struct {
	far    []half
	behind []int16 // short lengths
}

// next returns where the next far cycle ends and how long it is. There is a row left.
func (r *farRows) next() (end, length int32) {
	end, length = r.far[0].number(), int32(uint16(r.behind[0]))
	r.far, r.behind = r.far[1:], r.behind[1:]
	if length == 0 && len(r.far) > 0 {
		length = r.far[0].number()
		r.far, r.behind = r.far[1:], r.behind[1:]
	}
	return end, length
}
