package calibrate

import (
	"context"
	"fmt"
	"math"

	"lapwear/cache/key"
	"lapwear/fatigue"
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

// Run adds the channels' parts up, sample by sample of equal time: where the channels
// begin or end apart, or lack samples, as far as all have them.
func (Predict) Run(_ context.Context, in stages.Inputs) ([]stages.Output, error) {
	tf, err := in.Frame(TransferInput)
	if err != nil {
		return nil, err
	}
	terms, rate, err := readTerms(tf)
	if err != nil {
		return nil, err
	}
	var sum signal
	for i, t := range terms {
		f, err := in.Frame(t.channel)
		if err != nil {
			return nil, err
		}
		s, err := t.predict(f, rate)
		if err != nil {
			return nil, err
		}
		if i == 0 {
			sum = s
			continue
		}
		if sum, err = sum.plus(s, terms[0].channel, t.channel); err != nil {
			return nil, err
		}
	}
	cols := []frame.Column{frame.Col("value", "MPa", sum.x)}
	if sum.times != nil {
		cols = append(cols, frame.Col("time_s", "s", sum.times))
	}
	f, err := frame.New([]frame.Attr{frame.Num("rate_hz", "Hz", sum.rate), frame.Num("start_s", "s", sum.start)}, cols...)
	if err != nil {
		return nil, err
	}
	return []stages.Output{{Name: Stress, Frame: f}}, nil
}

// predict applies one term to a channel.
func (t term) predict(f *frame.Frame, rate float64) (signal, error) {
	s, err := readSignal(f)
	if err != nil {
		return s, fmt.Errorf("predict stress from %q: %w", t.channel, err)
	}
	if len(t.taps) > 1 && (s.times != nil || math.Abs(s.rate-rate) > sameRate*rate) {
		return s, stages.Refuse("predict stress: channel %q has %g Hz, its frequency response was fitted at %g Hz; set signal.rate", t.channel, s.rate, rate)
	}
	if len(s.x) == 0 {
		return s, stages.Refuse("predict stress: channel %q has no samples", t.channel)
	}
	s.x = t.respond(s.x)
	return s, nil
}

// nearEnough is by how much of a step the samples of two signals with stamps may lie
// apart on average and still be added: 0.1 of one of ten steps a cycle turns by 3.6
// degrees.
const nearEnough = 0.1

// plus adds a signal at the times of s that both have.
func (s signal) plus(o signal, name, other string) (signal, error) {
	if !(math.Abs(o.rate-s.rate) <= sameRate*s.rate) {
		return s, stages.Refuse("predict stress: channel %q has %g Hz, %q has %g Hz; set signal.rate, or follow one channel", other, o.rate, name, s.rate)
	}
	var out signal
	var late float64
	if s.times == nil && o.times == nil && s.rate == o.rate {
		out = s.plusUniform(o)
	} else {
		out, late = s.plusStamped(o)
	}
	if len(out.x) < 2 {
		return s, stages.Refuse("predict stress: channel %q goes from %.10g to %.10g s, %q from %.10g to %.10g s, and they have %d samples in common; "+
			"correct the recording or leave the lap out", other, o.at(0), o.at(len(o.x)-1), name, s.at(0), s.at(len(s.x)-1), len(out.x))
	}
	if math.Abs(late) > nearEnough {
		return s, stages.Refuse("predict stress: the samples of %q are taken %.2g steps apart from those of %q; set signal.rate, or follow one channel",
			other, math.Abs(late), name)
	}
	return out, nil
}

// plusUniform adds a uniform signal of the same rate, brought to the times of s by a
// delay of a part of a step.
func (s signal) plusUniform(o signal) signal {
	behind := (o.start - s.start) * s.rate
	whole := math.Round(behind)
	x := o.x
	if part := behind - whole; math.Abs(part) > still {
		x = fatigue.Shift(x, part)
		if part > 0 { // no sample lies before the first one, nor after the last
			x, whole = x[1:], whole+1
		} else {
			x = x[:len(x)-1]
		}
	}
	skipS := int(min(max(whole, 0), float64(len(s.x))))
	skipO := int(min(max(-whole, 0), float64(len(x))))
	n := min(len(s.x)-skipS, len(x)-skipO)
	out := signal{x: make([]float64, n), rate: s.rate, start: s.at(skipS)}
	for i := range out.x {
		out.x[i] = s.x[skipS+i] + x[skipO+i]
	}
	return out
}

// plusStamped adds the samples that are nearest in time, within half a step. late is by
// how many steps those of o come later, the mean.
func (s signal) plusStamped(o signal) (out signal, late float64) {
	out = signal{rate: s.rate, times: []float64{}}
	for i, k := range nearest(s, o) {
		out.x, out.times = append(out.x, s.x[i]+o.x[k]), append(out.times, s.at(i))
		late += (o.at(k) - s.at(i)) * s.rate
	}
	if len(out.times) > 0 {
		out.start = out.times[0]
	}
	return out, late / max(1, float64(len(out.x)))
}
