package cli

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"lapwear/pipeline/season"
	"lapwear/stages"
	"lapwear/stages/aggregate"
	"lapwear/stages/frame"
)

// What the laps of a season most likely are at the median. Common practice, no source.
const (
	briefest, slowest      = 5.0, 1800.0 // s
	leastRate, fastestRate = 10.0, 1e5   // Hz
)

// likely is the range in which a unit of time is proposed that would explain a lap.
var likely = struct{ shortest, longest, slow, fast float64 }{20, 900, 50, 2e4} // s, s, Hz, Hz

// heavy is the share of the season's damage from which on a lap with findings is named.
const heavy = 0.2

// doubts says what of a run's results as a whole should be looked at before they are
// believed.
func doubts(s *season.Season, o *season.Outcome) ([]string, error) {
	if o.Doubts != nil {
		return o.Doubts, nil
	}
	laps, err := usedLaps(find(o.Tables, "laps"))
	if err != nil {
		return nil, err
	}
	rates, err := ratesOf(find(o.Tables, "quality"))
	if err != nil {
		return nil, err
	}
	out := doubtTimes(s, laps, rates)
	out = append(out, doubtReach(s, laps, find(o.Tables, "calibration"))...)
	shares, err := circuitShares(find(o.Tables, "circuits"))
	if err != nil {
		return nil, err
	}
	o.Doubts = append([]string{}, append(out, doubtHeavy(s, o.Laps.Warned, laps, shares)...)...)
	return o.Doubts, nil
}

// usedLap is a row of the table laps under the base scenario.
type usedLap struct {
	id, circuit, hotspot, use string
	duration, damage          float64
	amplitude                 float64 // MPa
	outside                   bool    // far beyond what was calibrated
}

func usedLaps(f *frame.Frame) ([]usedLap, error) {
	if f == nil {
		return nil, nil
	}
	text, num := map[string][]string{}, map[string][]float64{}
	var err error
	for _, n := range []string{"lap_id", "circuit", "hotspot", "scenario", "use", "flags"} {
		if text[n], err = frame.Get[[]string](f, n); err != nil {
			return nil, err
		}
	}
	for _, n := range []string{"duration_s", "damage", "max_amplitude_mpa"} {
		if num[n], err = frame.Get[[]float64](f, n); err != nil {
			return nil, err
		}
	}
	out := make([]usedLap, 0, f.Rows())
	id, circuit, hotspot, use, flags := text["lap_id"], text["circuit"], text["hotspot"], text["use"], text["flags"]
	duration, damage, amplitude := num["duration_s"], num["damage"], num["max_amplitude_mpa"]
	for i, scenario := range text["scenario"] {
		if scenario == "base" {
			outside := strings.Contains(";"+flags[i]+";", ";"+aggregate.OutsideCalibrated+";")
			out = append(out, usedLap{id[i], circuit[i], hotspot[i], use[i], duration[i], damage[i], amplitude[i], outside})
		}
	}
	return out, nil
}

// ratesOf lists the rates of all channels of all laps.
func ratesOf(quality *frame.Frame) ([]float64, error) {
	if quality == nil {
		return nil, nil
	}
	return frame.Get[[]float64](quality, "rate_hz")
}

// circuitShares are the circuits' shares of the season's damage under the base scenario,
// by hot spot and circuit.
func circuitShares(f *frame.Frame) (map[[2]string]float64, error) {
	out := map[[2]string]float64{}
	if f == nil {
		return out, nil
	}
	text := map[string][]string{}
	var err error
	for _, n := range []string{"hotspot", "circuit", "scenario"} {
		if text[n], err = frame.Get[[]string](f, n); err != nil {
			return nil, err
		}
	}
	share, err := frame.Get[[]float64](f, "share")
	if err != nil {
		return nil, err
	}
	for i, scenario := range text["scenario"] {
		if scenario == "base" {
			out[[2]string{text["hotspot"][i], text["circuit"][i]}] = share[i]
		}
	}
	return out, nil
}

// middle is the median of the numbers above 0, of two the lower; NaN of none.
func middle(v []float64) float64 {
	v = slices.DeleteFunc(slices.Clone(v), func(a float64) bool { return !(a > 0) })
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return v[(len(v)-1)/2]
}

// doubtTimes says if the laps as a whole last as no lap does, or were recorded at a rate
// at which nobody records vibration: then most likely the unit of time is wrong, which
// no comparison of laps shows.
func doubtTimes(s *season.Season, laps []usedLap, rates []float64) []string {
	var lasts []float64
	for _, l := range laps {
		lasts = append(lasts, l.duration)
	}
	lap, rate := middle(lasts), middle(rates)
	var what []string
	if lap < briefest || lap > slowest {
		what = append(what, fmt.Sprintf("the laps last %s s at the median", brief3(lap)))
	}
	if rate < leastRate || rate > fastestRate {
		what = append(what, fmt.Sprintf("the channels have %s Hz at the median", brief3(rate)))
	}
	if len(what) == 0 {
		return nil
	}
	return []string{fmt.Sprintf("%s: is the time right?%s", strings.Join(what, ", and "), otherUnits(s.Time, lap, rate))}
}

// otherUnits proposes units of time with which laps and rates are as usual; "" for none.
func otherUnits(t season.Time, lap, rate float64) string {
	if t.Column == "" || t.Clock {
		return ""
	}
	var fits []string
	for _, u := range []struct {
		name  string
		scale float64
	}{{"us", 1e-6}, {"ms", 1e-3}, {"s", 1}, {"min", 60}, {"h", 3600}} {
		by := u.scale / t.Scale
		if l, r := lap*by, rate/by; math.Abs(by-1) > 0.01 && likely.shortest <= l && l <= likely.longest && likely.slow <= r && r <= likely.fast {
			fits = append(fits, fmt.Sprintf("with time: {unit: %s} they last %s s, at %s Hz", u.name, brief3(l), brief3(r)))
		}
	}
	if len(fits) == 0 {
		return ""
	}
	return " " + strings.Join(fits, "; ")
}

// brief3 writes a number with three significant digits, without an exponent if it is usual.
func brief3(v float64) string {
	if a := math.Abs(v); a >= 1000 && a < 1e7 {
		return fmt.Sprintf("%.0f", v)
	}
	return fmt.Sprintf("%.3g", v)
}

// doubtHeavy names the laps with findings that hold a large share of a hot spot's damage
// of the season: the circuit's share, times the lap's of the circuit's laps.
func doubtHeavy(s *season.Season, warned []season.Warned, laps []usedLap, shares map[[2]string]float64) []string {
	if len(warned) == 0 {
		return nil
	}
	checks := make(map[string][]string, len(warned))
	for _, w := range warned {
		checks[w.Lap] = w.Checks
	}
	sums := map[[2]string]float64{}
	for _, l := range laps {
		if l.use != "calibration" {
			sums[[2]string{l.hotspot, l.circuit}] += l.damage
		}
	}
	var out []string
	for _, h := range s.Hotspots {
		for _, l := range laps {
			if l.hotspot != h.Name || l.use == "calibration" || checks[l.id] == nil {
				continue
			}
			k := [2]string{l.hotspot, l.circuit}
			share := shares[k] * l.damage / sums[k]
			if !(share >= heavy) {
				continue
			}
			out = append(out, fmt.Sprintf("lap %s holds %s of the season's damage at %s and has findings (%s): look at its recording before you believe the life",
				stages.Cut(l.id), percent(share), h.Name, strings.Join(checks[l.id], ", ")))
		}
	}
	return out
}

// doubtReach says where laps reach far beyond the stress at which their hot spot was
// calibrated, and how far.
func doubtReach(s *season.Season, laps []usedLap, calibration *frame.Frame) []string {
	reached := calibratedTo(calibration)
	var out []string
	for _, h := range s.Hotspots {
		n, worst := 0, usedLap{}
		for _, l := range laps {
			if l.hotspot == h.Name && l.outside {
				if n++; l.amplitude > worst.amplitude {
					worst = l
				}
			}
		}
		if n == 0 {
			continue
		}
		out = append(out, fmt.Sprintf("at %s, %s beyond the stress at which it was calibrated, lap %s up to %s times: the gain is not proven there; calibrate on harder laps",
			h.Name, map[bool]string{true: "one lap goes far", false: fmt.Sprintf("%d laps go far", n)}[n == 1], stages.Cut(worst.id), brief3(worst.amplitude/(h.StressFactor*reached[h.Name]))))
	}
	return out
}

// calibratedTo lists by hot spot the amplitudes up to which the base scenario's gains were
// fitted, in MPa.
func calibratedTo(f *frame.Frame) map[string]float64 {
	out := map[string]float64{}
	if f == nil {
		return out
	}
	hotspot, _ := frame.Get[[]string](f, "hotspot")
	scenario, _ := frame.Get[[]string](f, "scenario")
	chosen, _ := frame.Get[[]bool](f, "chosen")
	amplitude, _ := frame.Get[[]float64](f, "calibrated_amplitude_mpa")
	for i := range f.Rows() {
		if scenario[i] == "base" && chosen[i] {
			out[hotspot[i]] = amplitude[i]
		}
	}
	return out
}
