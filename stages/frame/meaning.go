package frame

import (
	"encoding/hex"
	"fmt"
	"math"
	"math/big"
	"slices"
	"strconv"
	"time"
)

// sense is what the stored values of a column stand for.
type sense uint8

const (
	senseNumber   sense = iota // as stored
	senseUnsigned              // an unsigned 64-bit integer in an int64
	senseDecimal               // an integer over a power of ten
	senseStamp                 // a moment: ticks since 1970
	senseDate                  // a day: days since 1970
	senseClock                 // a time of day, or a duration: ticks
	senseHalf                  // a binary16 in two bytes
	senseText
	senseBool
	senseOther // nothing that could be read, as reason says
)

// meaning is what a column's stored values stand for, in either file format.
type meaning struct {
	sense  sense
	perSec int64  // ticks per second of a stamp or clock
	scale  int    // digits after the point of a decimal
	reason string // why it is neither number nor text
	clock  bool   // a moment or day counts from the midnight before the first
}

// decimalMeaning is that of a decimal with so many digits after the point. A
// 256-bit decimal has 76 digits; a scale beyond is damage.
func decimalMeaning(scale int) meaning {
	if scale < 0 || scale > 76 {
		return meaning{sense: senseOther, reason: "its scale is not from 0 to 76; export it as double"}
	}
	return meaning{sense: senseDecimal, scale: scale}
}

// numeric returns why the column cannot be read as numbers, or nil.
func (m meaning) numeric(typ string) error {
	switch m.sense {
	case senseText:
		return fmt.Errorf("holds texts (%s), not numbers; name a numeric column", typ)
	case senseBool:
		return fmt.Errorf("holds booleans (%s), not numbers; export it as 0 and 1 or name another column", typ)
	case senseOther:
		return m.readable(typ)
	}
	return nil
}

// readable returns why the column cannot be read at all, or nil.
func (m meaning) readable(typ string) error {
	if m.sense == senseOther {
		return fmt.Errorf("holds %s, which is not read: %s", typ, m.reason)
	}
	return nil
}

// rendering turns the Go forms in which libraries hand over values into V.
type rendering[V any] struct {
	null    V
	double  func(float64) V
	single  func(float32) V
	integer func(int64) V
	bytes   func([]byte) V // valid only during the call
	boolean func(bool) V
}

// numbers renders values of m, which must be numeric, as float64. One rendering
// serves one column from its first value to its last.
func (m meaning) numbers() rendering[float64] {
	return rendering[float64]{
		null:    math.NaN(),
		double:  func(x float64) float64 { return x },
		single:  func(x float32) float64 { return float64(x) },
		integer: m.integerNumber(),
		bytes: func(b []byte) float64 {
			if m.sense == senseHalf {
				return halfNumber(b)
			}
			x, _ := new(big.Rat).SetFrac(bigEndian(b), powerOfTen(m.scale)).Float64()
			return x
		},
	}
}

// singles renders floats and integers as float32; exact is set to false where a number is none.
func (m meaning) singles(exact *bool) rendering[float32] {
	narrow := func(x float64) float32 {
		y := float32(x)
		if float64(y) != x && x == x {
			*exact = false
		}
		return y
	}
	integer := m.integerNumber()
	return rendering[float32]{
		null:    float32(math.NaN()),
		double:  narrow,
		single:  func(x float32) float32 { return x },
		integer: func(v int64) float32 { return narrow(integer(v)) },
		bytes:   func(b []byte) float32 { return narrow(m.numbers().bytes(b)) },
	}
}

func (m meaning) integerNumber() func(int64) float64 {
	switch m.sense {
	case senseUnsigned:
		return func(v int64) float64 { return float64(uint64(v)) }
	case senseDecimal:
		if m.scale <= 22 { // powers of ten up to 22 are exact
			power := math.Pow10(m.scale)
			return func(v int64) float64 { return float64(v) / power }
		}
		return func(v int64) float64 {
			x, _ := new(big.Rat).SetFrac(big.NewInt(v), powerOfTen(m.scale)).Float64()
			return x
		}
	case senseClock:
		return func(v int64) float64 { return float64(v) / float64(m.perSec) }
	case senseDate:
		return sinceFirst(1, func(d int64) float64 { return float64(d) * 86400 })
	case senseStamp:
		unit := int64(1)
		if m.clock {
			unit = 86400 * m.perSec
		}
		return sinceFirst(unit, func(d int64) float64 { return float64(d) / float64(m.perSec) })
	}
	return func(v int64) float64 { return float64(v) }
}

// sinceFirst subtracts the first value it sees, down to a whole number of units, as
// integers, then scales.
func sinceFirst(unit int64, scale func(int64) float64) func(int64) float64 {
	var (
		first int64
		seen  bool
	)
	return func(v int64) float64 {
		if !seen {
			first, seen = v-(v%unit+unit)%unit, true
		}
		return scale(v - first)
	}
}

// texts renders values of m as texts.
func (m meaning) texts() rendering[string] {
	return rendering[string]{
		double:  func(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) },
		single:  func(x float32) string { return strconv.FormatFloat(float64(x), 'g', -1, 32) },
		integer: m.integerText,
		boolean: strconv.FormatBool,
		bytes: func(b []byte) string {
			switch m.sense {
			case senseText:
				return string(b)
			case senseHalf:
				return strconv.FormatFloat(halfNumber(b), 'g', -1, 32)
			case senseDecimal:
				return decimalText(bigEndian(b), m.scale)
			}
			return hex.EncodeToString(b)
		},
	}
}

func (m meaning) integerText(v int64) string {
	switch m.sense {
	case senseUnsigned:
		return strconv.FormatUint(uint64(v), 10)
	case senseDecimal:
		return decimalText(big.NewInt(v), m.scale)
	case senseDate:
		return time.Unix(0, 0).UTC().AddDate(0, 0, int(v)).Format(time.DateOnly)
	case senseStamp:
		ns := 1e9 / m.perSec
		sec, tick := v/m.perSec, v%m.perSec
		return time.Unix(sec, tick*ns).UTC().Format(time.RFC3339Nano)
	case senseClock:
		return strconv.FormatFloat(float64(v)/float64(m.perSec), 'g', -1, 64)
	}
	return strconv.FormatInt(v, 10)
}

// halfNumber returns the number of a little-endian IEEE 754 binary16.
func halfNumber(b []byte) float64 {
	if len(b) != 2 {
		return math.NaN()
	}
	bits := uint(b[0]) | uint(b[1])<<8
	sign, exponent, fraction := 1.0, int(bits>>10&31), float64(bits&1023)
	if bits>>15 == 1 {
		sign = -1
	}
	switch {
	case exponent == 31 && fraction != 0:
		return math.NaN()
	case exponent == 31:
		return math.Inf(int(sign))
	case exponent == 0:
		return sign * math.Ldexp(fraction, -24)
	}
	return sign * math.Ldexp(1024+fraction, exponent-25)
}

// bigEndian returns the integer of a big-endian two's complement.
func bigEndian(b []byte) *big.Int {
	n := new(big.Int).SetBytes(b)
	if len(b) > 0 && b[0] >= 0x80 {
		n.Sub(n, new(big.Int).Lsh(big.NewInt(1), uint(8*len(b))))
	}
	return n
}

func powerOfTen(scale int) *big.Int {
	return new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(scale)), nil)
}

// decimalText writes n over 10^scale with all its digits.
func decimalText(n *big.Int, scale int) string {
	if scale == 0 {
		return n.String()
	}
	digits := []byte(new(big.Int).Abs(n).String())
	for len(digits) <= scale {
		digits = slices.Insert(digits, 0, '0')
	}
	digits = slices.Insert(digits, len(digits)-scale, '.')
	if n.Sign() < 0 {
		digits = slices.Insert(digits, 0, '-')
	}
	return string(digits)
}
