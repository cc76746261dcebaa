package figure

import (
	"math"
	"strconv"
	"strings"
)

// extent is the range of values along an axis.
type extent struct {
	axis      Axis
	low, high float64
	zero      bool // a mark stands on zero
}

func newExtent(a Axis) extent {
	return extent{axis: a, low: math.Inf(1), high: math.Inf(-1), zero: a.Zero && !a.Log}
}

// smallest and greatest bound what an axis shows; beyond, differences and quotients of
// its ends have no place among floating-point numbers.
const smallest, greatest = 1e-300, 1e300

// take widens the range to a value that can be shown.
func (e *extent) take(v float64) {
	if math.Abs(v) <= greatest && (v >= smallest || !e.axis.Log) {
		e.low, e.high = math.Min(e.low, v), math.Max(e.high, v)
	}
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// scale maps the range to the pixels from..to.
func (e extent) scale(from, to float64) scale {
	s := scale{low: e.low, high: e.high, from: from, to: to, log: e.axis.Log, given: e.axis.Ticks}
	switch {
	case len(e.axis.Names) > 0:
		s.low, s.high, s.log = -0.5, float64(len(e.axis.Names))-0.5, false
		return s
	case e.axis.Low != 0 || e.axis.High != 0:
		s.low, s.high = e.axis.Low, e.axis.High
		return s
	case e.low > e.high: // no data
		s.low, s.high = 0, 1
		if s.log {
			s.low, s.high = 1, 10
		}
		return s
	}
	s.widen(e.zero)
	return s
}

// widen leaves some air around the data.
func (s *scale) widen(zero bool) {
	if s.log {
		decades := math.Log10(s.high) - math.Log10(s.low)
		air := math.Pow(10, math.Max(decades*0.06, 0.05))
		s.low, s.high = math.Max(s.low/air, smallest), math.Min(s.high*air, greatest)
		return
	}
	if zero {
		s.low, s.high = math.Min(s.low, 0), math.Max(s.high, 0)
	}
	air := (s.high - s.low) * 0.05
	if air == 0 {
		air = math.Max(math.Abs(s.high)*0.05, smallest)
	}
	if !zero || s.low != 0 {
		s.low -= air
	}
	if !zero || s.high != 0 {
		s.high += air
	}
}

// scale maps values to pixels.
type scale struct {
	low, high, from, to float64
	log                 bool
	given               []Tick
}

// at returns the place of a value, and whether it can be shown. A value beyond the
// range stands at its edge.
func (s scale) at(v float64) (float64, bool) {
	if !finite(v) || s.log && v <= 0 {
		return 0, false
	}
	p := (v - s.low) / (s.high - s.low)
	if s.log {
		p = (math.Log(v) - math.Log(s.low)) / (math.Log(s.high) - math.Log(s.low))
	}
	return s.from + math.Min(math.Max(p, 0), 1)*(s.to-s.from), true
}

// within tells whether a value lies in the range.
func (s scale) within(v float64) bool { return v >= s.low && v <= s.high }

type tick struct {
	value float64
	label string
}

// ticks returns round values of the range, about as many as wanted.
func (s scale) ticks(wanted float64) []tick {
	switch {
	case s.given != nil:
		return s.givenTicks()
	case s.log:
		return s.logTicks(wanted)
	}
	step := roundStep((s.high - s.low) / math.Max(wanted, 2))
	if !(step > 0) || math.Abs(s.low)/step > 1e12 { // steps too fine to be told apart
		return []tick{{s.low, Number(s.low)}}
	}
	var out []tick
	first := math.Ceil(s.low/step - 1e-9)
	for i := first; i*step <= s.high+step*1e-9 && len(out) < 50; i++ {
		out = append(out, tick{i * step, label(i*step, step)})
	}
	return out
}

func (s scale) givenTicks() []tick {
	var out []tick
	for _, t := range s.given {
		if s.within(t.At) {
			out = append(out, tick{t.At, t.Label})
		}
	}
	return out
}

// roundStep returns the least 1, 2 or 5 times a power of ten that is not below v.
func roundStep(v float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if m*power >= v*(1-1e-9) {
			return m * power
		}
	}
	return 10 * power
}

// logTicks returns powers of ten, thinned out or with 2 and 5 between them as the
// range asks for; over less than half a decade, round values.
func (s scale) logTicks(wanted float64) []tick {
	decades := math.Log10(s.high) - math.Log10(s.low)
	if decades < 0.7 {
		plain := s
		plain.log = false
		return plain.ticks(wanted)
	}
	digits := []float64{1}
	switch {
	case decades*3 <= wanted+1:
		digits = []float64{1, 2, 5}
	case decades*2 <= wanted+1:
		digits = []float64{1, 3}
	}
	every := math.Max(1, math.Round(decades/math.Max(wanted, 2)))
	var out []tick
	for d := math.Floor(math.Log10(s.low)); d <= math.Log10(s.high); d++ {
		if math.Mod(d, every) != 0 {
			continue
		}
		for _, m := range digits {
			if v := m * math.Pow(10, d); s.within(v) {
				out = append(out, tick{v, label(v, v)})
			}
		}
	}
	return out
}

// label writes a value of which steps of so much are told apart.
func label(v, step float64) string {
	size := math.Max(math.Abs(v), step)
	if v == 0 {
		return "0"
	}
	if size < 1e-3 || size >= 1e5 {
		return scientific(v)
	}
	places := max(0, -int(math.Floor(math.Log10(step)+1e-9)))
	return minus(strconv.FormatFloat(v, 'f', places, 64))
}

// scientific writes a value as digits times a power of ten.
func scientific(v float64) string {
	e := int(math.Floor(math.Log10(math.Abs(v)) + 1e-9))
	digits := strconv.FormatFloat(v/math.Pow(10, float64(e)), 'g', 3, 64)
	if digits == "10" || digits == "-10" { // rounded up
		digits, e = strings.TrimSuffix(digits, "0"), e+1
	}
	power := "10" + superscript(e)
	if digits == "1" {
		return power
	}
	return minus(digits) + "·" + power
}

var raised = strings.NewReplacer("-", "⁻", "0", "⁰", "1", "¹", "2", "²", "3", "³", "4", "⁴",
	"5", "⁵", "6", "⁶", "7", "⁷", "8", "⁸", "9", "⁹")

func superscript(n int) string { return raised.Replace(strconv.Itoa(n)) }

func minus(s string) string {
	if strings.HasPrefix(s, "-") {
		return "−" + s[1:]
	}
	return s
}

// Number writes a value with three significant digits, as a person reads it; a dash
// stands for NaN, "no limit" for infinity.
func Number(v float64) string {
	size := math.Abs(v)
	switch {
	case math.IsNaN(v):
		return "–"
	case math.IsInf(v, 1):
		return "no limit"
	case math.IsInf(v, -1):
		return "−∞"
	case v == 0:
		return "0"
	case size < 1e-3 || size >= 1e5:
		e := int(math.Floor(math.Log10(size) + 1e-9))
		digits := strconv.FormatFloat(v/math.Pow(10, float64(e)), 'f', 2, 64)
		return minus(digits) + "·10" + superscript(e)
	}
	places := max(0, 2-int(math.Floor(math.Log10(size)+1e-9)))
	return minus(strconv.FormatFloat(v, 'f', places, 64))
}
