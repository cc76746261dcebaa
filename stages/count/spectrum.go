package count

import (
	"fmt"
	"math"
	"slices"

	"lapwear/fatigue"
	"lapwear/fatigue/lanes"
	"lapwear/stages/frame"
)

// Segments of a lap's spectrum: long, so that slow swings of braking and leaning are not lost with the
// segments' means, yet several to a lap.
const (
	longestSegment  = 1 << 13
	shortestSegment = 1 << 6
)

// stopBand is where the band's filter lets nothing through any more, over its upper end.
const stopBand = 1.25

// moments returns the spectral moments of a lap's signal; zero, without an error, for one that is too short,
// not uniform in time or without vibration. Where the band ends far below half the rate, samples are
// passed over that add nothing; segments do not overlap, and the two halves of the lap are transformed
// together: it is a cross-check and must cost little beside the count. What segments' ends and the window
// pass over is made good by scaling to the whole lap's mean square, so that it does not matter where in the
// lap a burst lies.
func moments[T fatigue.Sample](p Params, f *frame.Frame, x []T, rate float64, own *packer) (fatigue.Moments, error) {
	if every := int(rate / (2 * stopBand * p.BandHigh)); p.BandHigh > 0 && every > 1 {
		x, rate = thinned(x, every), rate/float64(every)
	}
	half := len(x) / 2
	length := longestSegment
	for length > half/2 {
		length /= 2
	}
	if _, stamped := f.Column("time_s"); stamped || length < shortestSegment {
		return fatigue.Moments{}, nil
	}
	density, err := fatigue.DensityOfHalves(fatigue.Welch{Window: fatigue.Hann, Length: length}, x, rate, own.density)
	if err != nil {
		return fatigue.Moments{}, err
	}
	own.density = density
	m, err := fatigue.MomentsOfBins(rate/float64(length), density)
	if err != nil { // numbers beyond all measure: the lap is counted all the same
		return fatigue.Moments{}, nil
	}
	if all := meanSquare(x, length); m[0] > 0 && all < math.Inf(1) {
		m = m.Scaled(math.Sqrt(all / m[0]))
	}
	return m, nil
}

// meanSquare is that of all samples about the mean of the segment that they lie in, the last
// of which may be short.
func meanSquare[T fatigue.Sample](x []T, length int) float64 {
	var sum float64
	for segment := range slices.Chunk(x, length) {
		sum += lanes.Squares(segment, lanes.Sum(segment)/float64(len(segment)))
	}
	return sum / float64(len(x))
}

func thinned[T fatigue.Sample](x []T, every int) []T {
	out := make([]T, 0, len(x)/every+1)
	for i := 0; i < len(x); i += every {
		out = append(out, x[i])
	}
	return out
}

// momentAttrs are the attributes in which a count keeps its signal's spectral moments.
func momentAttrs(m fatigue.Moments, unit string) []frame.Attr {
	out := make([]frame.Attr, len(m))
	for k, v := range m {
		out[k] = frame.Num(fmt.Sprintf("spectral_moment_%d", k), fmt.Sprintf("(%s)^2 Hz^%d", unit, k), v)
	}
	return out
}

// ReadMoments returns the spectral moments of the signal that a count's frame holds, in its
// unit; false where it has none.
func ReadMoments(f *frame.Frame) (fatigue.Moments, bool) {
	var m fatigue.Moments
	for k := range m {
		v, ok := f.Number(fmt.Sprintf("spectral_moment_%d", k))
		if !ok || math.IsNaN(v) {
			return fatigue.Moments{}, false
		}
		m[k] = v
	}
	return m, m[0] > 0
}
