package calibrate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
)

// hum is a narrow line in the gauge or the channel that the other lacks: mains or a
// converter at the wiring rather than the part's stress.
type hum struct {
	hz, rms float64 // rms in MPa or the channel's unit
	gauge   bool    // else in the channel
}

// What makes a hum: how far it stands above its surroundings, how far the other signal's
// line may, the share of its signal's power, and the coherence below which the two have it
// not in common. Common practice, no source.
const (
	humHigh      = 12.0
	humElsewhere = 3.0
	humShare     = 1e-3
	humCoherence = 0.5
	humsShown    = 3
)

// Lines about a hum: a Hann window spreads a sine over two to either side; what lies
// beyond, as far as surroundings reaches, is what it stands out of.
const (
	lobe         = 2
	surroundings = 14
)

// hums finds them at the finest resolution, the gauge's first, the strongest of each before the others.
func hums(r rung, rate float64) []hum {
	lines, n := r.sum(everyPart)
	gauge, channel := powersOf(lines, func(l line) float64 { return l.ss }), powersOf(lines, func(l line) float64 { return l.xx })
	var out []hum
	for k, l := range lines {
		if l.coherence(n) >= humCoherence {
			continue
		}
		inGauge, inChannel := gauge.stands(k), channel.stands(k)
		switch {
		case gauge.peak(k) && inGauge > humHigh && inChannel < humElsewhere:
			out = append(out, hum{r.plan.freq(r.plan.low + k), gauge.rms(k, r.plan, n, rate), true})
		case channel.peak(k) && inChannel > humHigh && inGauge < humElsewhere:
			out = append(out, hum{r.plan.freq(r.plan.low + k), channel.rms(k, r.plan, n, rate), false})
		}
	}
	slices.SortStableFunc(out, func(a, b hum) int { return cmp.Or(-strings.Compare(a.kind(), b.kind()), cmp.Compare(b.rms, a.rms)) })
	return out
}

func (h hum) kind() string {
	if h.gauge {
		return "gauge"
	}
	return "channel"
}

// powers are one signal's powers by line.
type powers struct {
	v     []float64
	total float64
}

func powersOf(lines []line, get func(line) float64) powers {
	p := powers{v: mapped(lines, get)}
	for _, v := range p.v {
		p.total += v
	}
	return p
}

// around is the median power of the lines beside a hum at k, without the hum.
func (p powers) around(k int) float64 {
	var beside []float64
	for d := lobe + 1; d <= surroundings; d++ {
		for _, j := range []int{k - d, k + d} {
			if j >= 0 && j < len(p.v) {
				beside = append(beside, p.v[j])
			}
		}
	}
	if len(beside) < surroundings {
		return math.Inf(1)
	}
	slices.Sort(beside)
	return (beside[(len(beside)-1)/2] + beside[len(beside)/2]) / 2
}

// stands is the power of a line over that around it.
func (p powers) stands(k int) float64 { return p.v[k] / p.around(k) }

// excess is what a hum at k adds to the lines' power.
func (p powers) excess(k int) float64 {
	base, sum := p.around(k), 0.0
	for j := max(0, k-lobe); j <= min(len(p.v)-1, k+lobe); j++ {
		sum += max(0, p.v[j]-base)
	}
	return sum
}

// peak tells whether line k is the highest of a hum's, with the shape of one: what lies
// just beyond the window's lobe is next to nothing of it.
func (p powers) peak(k int) bool {
	base := p.around(k)
	for d := 1; d <= lobe+1; d++ {
		for _, j := range []int{k - d, k + d} {
			if j < 0 || j >= len(p.v) || p.v[j] > p.v[k] || d > lobe && p.v[j]-base > (p.v[k]-base)/10 {
				return false
			}
		}
	}
	return p.excess(k) > humShare*p.total
}

// rms is the root mean square of the sine at k: its lines add up to half its mean square
// times the segment's length and the window's power, for each segment.
func (p powers) rms(k int, of plan, n, rate float64) float64 {
	length := float64(of.samples(rate))
	return math.Sqrt(2 * p.excess(k) / (n * overlapped * length * length * 3 / 8))
}

// humWords says what hums there are; "" for none.
func humWords(all []hum, unit string) string {
	var parts []string
	for i, h := range all {
		if i == humsShown {
			parts = append(parts, fmt.Sprintf("%d more", len(all)-i))
			break
		}
		of := "MPa"
		if !h.gauge {
			of = unit
		}
		parts = append(parts, fmt.Sprintf("%.4g Hz in the %s alone (%.3g %s rms)", h.hz, h.kind(), h.rms, of))
	}
	return strings.Join(parts, ", ")
}
