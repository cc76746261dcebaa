package calibrate

import (
	"context"
	"fmt"
	"math"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/frame"
)

// Predict turns a lap's channels into the stress that a transfer makes of them, where
// that is more than a gain. Its inputs are the channels by name and TransferInput.
type Predict struct{}

// TransferInput is the label of a Predict's transfer.
const TransferInput = "transfer"

// Stress is the name of the output of a Predict: a signal in MPa.
const Stress = "stress"

// Name returns "calibrate".
func (Predict) Name() string { return "calibrate" }

// Revision returns the package's Revision.
func (Predict) Revision() int { return Revision }

// AddTo adds what sets it apart from a fit.
func (Predict) AddTo(h *key.Hasher) { h.String("does", "predict") }

// Keeps returns false: computing again costs less than reading back.
func (Predict) Keeps(string) bool { return false }

// Run adds the channels' parts up.
func (Predict) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	tf, err := in.Frame(TransferInput)
	if err != nil {
		return nil, err
	}
	terms, rate, err := readTerms(tf)
	if err != nil {
		return nil, err
	}
	var sum []float64
	var attrs []frame.Attr
	for i, t := range terms {
		f, err := in.Frame(t.channel)
		if err != nil {
			return nil, err
		}
		v, err := t.predict(f, rate)
		if err != nil {
			return nil, err
		}
		if i == 0 {
			sum, attrs = v, f.Attrs()
			continue
		}
		if len(v) != len(sum) {
			return nil, stages.Refuse("predict stress: channel %q has %d samples, %q has %d; set signal.rate, or follow one channel",
				t.channel, len(v), terms[0].channel, len(sum))
		}
		for k := range sum {
			sum[k] += v[k]
		}
	}
	f, err := frame.New(attrs, frame.Col("value", "MPa", sum))
	if err != nil {
		return nil, err
	}
	return []stages.Output{{Name: Stress, Frame: f}}, nil
}

// predict applies one term to a channel.
func (t term) predict(f *frame.Frame, rate float64) ([]float64, error) {
	s, err := readSignal(f)
	if err != nil {
		return nil, fmt.Errorf("predict stress from %q: %w", t.channel, err)
	}
	if len(t.taps) > 1 && (s.times != nil || math.Abs(s.rate-rate) > sameRate*rate) {
		return nil, stages.Refuse("predict stress: channel %q has %g Hz, its frequency response was fitted at %g Hz; set signal.rate", t.channel, s.rate, rate)
	}
	if len(s.x) == 0 {
		return nil, stages.Refuse("predict stress: channel %q has no samples", t.channel)
	}
	return t.respond(s.x), nil
}
