package resample

import (
	"fmt"
	"math"

	"lapwear/fatigue/lanes"
	"lapwear/stages"
)

const (
	// passShare is the part of the lower Nyquist frequency that passes unchanged
	// when the band has no upper end.
	passShare = 0.9
	// maxShare is how near to the lower Nyquist frequency an end of the band may be.
	maxShare = 0.98
	// highTransition and lowTransition place the stop edges, as factors of the
	// band's ends.
	highTransition = 1.25
	lowTransition  = 0.5
)

// Band is the pass band in Hz; an end that is 0 is open.
type Band struct{ Low, High float64 }

// check returns an error for a band that has no sense, and a refusal for one that
// the rates cannot carry.
func (b Band) check(inRate, outRate float64) error {
	limit := min(inRate, outRate) / 2
	for _, f := range []float64{b.Low, b.High} {
		switch {
		case !(f >= 0) || math.IsInf(f, 1):
			return fmt.Errorf("resample: band [%g Hz, %g Hz]: an end must be 0 (open) or a positive number", b.Low, b.High)
		case f >= maxShare*limit:
			return stages.Refuse("the band's end at %g Hz is not below %g Hz, %g of half the lower of the rates (recording %g Hz, result %g Hz): "+
				"lower the end, leave it open, or use recordings and a result of a higher rate", f, maxShare*limit, maxShare, inRate, outRate)
		}
	}
	if b.High > 0 && b.Low >= b.High {
		return fmt.Errorf("resample: band [%g Hz, %g Hz]: the lower end must be below the upper", b.Low, b.High)
	}
	return nil
}

// Resampler changes the rate and the band of signals of one rate. It may be used
// by several goroutines at once.
type Resampler struct {
	l, m int
	rate float64 // Hz, of the result
	main lowpass // rate and upper end of the band; empty when neither changes
	slow lowpass // what the lower end of the band takes away; empty when open
}

// NewResampler designs the filters from inRate to outRate, both in Hz. The error
// is a *stages.Refusal when the recording's rate is at fault. Rates of no ratio of whole
// numbers up to 4096 go by one within 2.5e-4 of it; Rate tells the result's.
func NewResampler(inRate, outRate float64, band Band) (*Resampler, error) {
	for _, r := range []float64{inRate, outRate} {
		if !(r > 0) || math.IsInf(r, 1) {
			return nil, fmt.Errorf("resample: rate %g Hz must be a positive number", r)
		}
	}
	if err := band.check(inRate, outRate); err != nil {
		return nil, err
	}
	l, m, exact, ok := ratio(inRate, outRate)
	if !ok {
		return nil, stages.Refuse("cannot resample from %g Hz to %g Hz: their ratio is not near one of whole numbers up to %d: "+
			"state the recording's nominal rate, or choose another rate for the result", inRate, outRate, maxTerm)
	}
	r := &Resampler{l: l, m: m, rate: outRate}
	if !exact {
		r.rate = inRate * float64(l) / float64(m)
	}
	var err error
	if l != m || band.High > 0 {
		limit := min(inRate, outRate) / 2
		pass, stop := passShare*limit, limit
		if band.High > 0 {
			pass, stop = band.High, min(highTransition*band.High, limit)
		}
		if r.main, err = designLowpass(l, m, pass/inRate, stop/inRate); err != nil {
			return nil, err
		}
	}
	if band.Low > 0 {
		if r.slow, err = designLowpass(1, 1, lowTransition*band.Low/outRate, band.Low/outRate); err != nil {
			return nil, err
		}
	}
	return r, nil
}

// Changes tells whether Apply does anything at all.
func (r *Resampler) Changes() bool { return len(r.main) > 0 || len(r.slow) > 0 }

// Apply returns the signal at the new rate and in the band. Sample k of the
// result is at k/Rate after the first sample of x; the last is not after the
// last of x. A result that has nothing to change is x itself.
//
// x must hold finite values.
func (r *Resampler) Apply(x []float64) []float64 { return resampled(r, x) }

// resampled is Apply for signals of either precision.
func resampled[T lanes.Sample](r *Resampler, x []T) []float64 {
	y, same := any(x).([]float64)
	switch {
	case len(r.main) > 0:
		y = apply(r.main, x, r.l, r.m)
	case !same:
		y = widened(x)
	}
	if len(r.slow) == 0 {
		return y
	}
	z := apply(r.slow, y, 1, 1)
	for i := range z {
		z[i] = y[i] - z[i]
	}
	return z
}

func widened[T lanes.Sample](x []T) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = float64(v)
	}
	return y
}

// Rate is the result's rate in Hz: outRate, unless its ratio to inRate is near one of whole
// numbers only.
func (r *Resampler) Rate() float64 { return r.rate }

// Ratio returns the whole numbers l and m with Rate/inRate = l/m.
func (r *Resampler) Ratio() (l, m int) { return r.l, r.m }

// Bandpass filters x, sampled at rate Hz, to the pass band [lo, hi] Hz without a
// shift in time; an end that is 0 is open.
func Bandpass(x []float64, rate, lo, hi float64) ([]float64, error) {
	r, err := NewResampler(rate, rate, Band{Low: lo, High: hi})
	if err != nil {
		return nil, err
	}
	return r.Apply(x), nil
}
