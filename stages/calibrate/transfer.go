package calibrate

import (
	"fmt"
	"math"
	"math/bits"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"

	"lapwear/stages/frame"
)

// term is what one channel adds to the stress: its samples weighted, the middle tap at
// the sample itself. One tap is a gain.
type term struct {
	channel string
	taps    []float64 // MPa per unit, an odd number
}

// respond returns the stress that v gives. Beyond the ends v is taken as constant.
func (t term) respond(v []float64) []float64 {
	if len(t.taps) == 1 {
		out := make([]float64, len(v))
		for i, a := range v {
			out[i] = t.taps[0] * a
		}
		return out
	}
	half := len(t.taps) / 2
	n := 1 << bits.Len(uint(len(v)+2*len(t.taps)))
	w := make([]float64, n)
	for i := range len(v) + 2*half {
		w[i] = v[min(max(0, i-half), len(v)-1)]
	}
	h := make([]float64, n)
	copy(h, t.taps)
	fft := fourier.NewFFT(n)
	a, b := fft.Coefficients(nil, w), fft.Coefficients(nil, h)
	for k := range a {
		a[k] *= b[k] / complex(float64(n), 0)
	}
	return fft.Sequence(nil, a)[2*half : 2*half+len(v)]
}

// fadeOut is 1 in the middle and falls to 0 at -1 and 1 from a half on.
func fadeOut(t float64) float64 {
	t = math.Abs(t)
	if t <= 0.5 {
		return 1
	}
	return 0.5 + 0.5*math.Cos(2*math.Pi*(t-0.5))
}

// through replaces the laps' channel by the stress that the term makes of it.
func (t term) through(laps []prepared) []prepared {
	out := make([]prepared, len(laps))
	for i, l := range laps {
		out[i] = l.without()
		out[i].x = withoutMean(t.respond(l.x))
	}
	return out
}

// transferFrame lays terms out: a row a tap.
func transferFrame(terms []term, rate float64) *frame.Frame {
	var channel []string
	var tap []int64
	var weight []float64
	for _, t := range terms {
		for i, w := range t.taps {
			channel, tap, weight = append(channel, t.channel), append(tap, int64(i-len(t.taps)/2)), append(weight, w)
		}
	}
	return frame.Must([]frame.Attr{frame.Num("rate_hz", "Hz", rate)},
		frame.Col("channel", "", channel), frame.Col("tap", "", tap), frame.Col("weight", "MPa", weight))
}

// readTerms reads what transferFrame laid out.
func readTerms(f *frame.Frame) (terms []term, rate float64, err error) {
	rate, _ = f.Number("rate_hz")
	channel, err := frame.Get[[]string](f, "channel")
	if err != nil {
		return nil, 0, fmt.Errorf("read transfer: %w", err)
	}
	weight, err := frame.Get[[]float64](f, "weight")
	if err != nil {
		return nil, 0, fmt.Errorf("read transfer: %w", err)
	}
	for i, c := range channel {
		if len(terms) == 0 || terms[len(terms)-1].channel != c {
			terms = append(terms, term{channel: c})
		}
		t := &terms[len(terms)-1]
		t.taps = append(t.taps, weight[i])
	}
	return terms, rate, nil
}

// Kinds of transfer: a gain, a frequency response, or a sum of channels; of the last two
// what is called a gain is a factor on the stress that they predict.
const (
	KindGain     = "gain"
	KindResponse = "frf"
	KindSum      = "sum"
)

func (c candidate) transferKind() string {
	switch {
	case c.none != "":
		return ""
	case c.base != nil:
		return KindResponse
	case len(c.terms) > 1:
		return KindSum
	}
	return KindGain
}

// channelUnit is the unit of the channel itself.
func (c candidate) channelUnit() string {
	if c.of != "" {
		return c.of
	}
	return c.unit
}

// Predictor turns several channels of one rate into stress, as a combination or a frequency response does.
type Predictor struct {
	Rate  float64 // Hz, at which it was fitted
	terms []term
}

// ReadPredictor reads what a fit has left: the frame Transfer, or one with its columns channel and weight and its rate_hz.
func ReadPredictor(f *frame.Frame) (Predictor, error) {
	terms, rate, err := readTerms(f)
	if err == nil && len(terms) == 0 {
		err = fmt.Errorf("read transfer: it has no channel")
	}
	return Predictor{rate, terms}, err
}

// Channels lists the channels that stress is made of, in order.
func (r Predictor) Channels() []string {
	out := make([]string, len(r.terms))
	for i, t := range r.terms {
		out[i] = t.channel
	}
	return out
}

// Remembers tells whether stress depends on what was before and after, so that it holds at the fitted rate alone.
func (r Predictor) Remembers() bool {
	return slices.ContainsFunc(r.terms, func(t term) bool { return len(t.taps) > 1 })
}

// Stress is that of signals in the order of Channels, all of one length, in MPa. Beyond their ends they are taken as constant.
func (r Predictor) Stress(signals [][]float64) []float64 {
	var sum []float64
	for i, t := range r.terms {
		part := t.respond(signals[i])
		if sum == nil {
			sum = part
			continue
		}
		floats.Add(sum, part)
	}
	return sum
}
