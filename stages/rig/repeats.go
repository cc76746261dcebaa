package rig

import (
	"fmt"
	"math"

	"lapwear/fatigue"
)

// Methods of a test: to what life specimens are run.
const (
	Pass          = "pass"          // the target life times its factor
	Demonstration = "demonstration" // so many specimens without failure show a reliability with a confidence
	Failure       = "failure"       // until the part is predicted to fail, as half of all parts would
)

// Demand is what a hot spot has to take.
type Demand struct {
	Hotspot   string
	Season    float64 // damage of one season
	PerRepeat float64 // damage of a repeat
	Median    float64 // of a repeat, with the life that half of all parts reach
	Scatter   float64 // standard deviation of log10 of the life; 0 where none is known
}

// Target is the life that the test is about.
type Target struct {
	Seasons, LifeFactor     float64
	Specimens               int
	Reliability, Confidence float64
}

// Repeats is how often a hot spot needs the drive by one method.
type Repeats struct {
	Hotspot, Method string
	Wanted          float64 // damage
	PerRepeat       float64
	Exact           float64 // repeats
	Count           float64 // rounded up; for a failure down
	Sum             string  // the arithmetic, to do again
	Note            string  // why there is no count
}

// RepeatsOf finds the repeats for one hot spot by one method.
func RepeatsOf(d Demand, method string, t Target) Repeats {
	r := Repeats{Hotspot: d.Hotspot, Method: method, PerRepeat: d.PerRepeat}
	if d.Season == 0 && method != Failure {
		r.Note, r.Sum = "the season does no damage here", "nothing to reach"
		return r
	}
	switch method {
	case Pass:
		r.Wanted = d.Season * t.Seasons * t.LifeFactor
		r.Sum = fmt.Sprintf("%.6g a season x %g seasons x life factor %g", d.Season, t.Seasons, t.LifeFactor)
	case Failure:
		r.Wanted, r.PerRepeat = 1, d.Median
		r.Sum = "1 at failure, with the life that half of all parts reach"
	case Demonstration:
		f, err := d.factor(t)
		if err != nil {
			r.Wanted, r.Exact, r.Count, r.Note = math.NaN(), math.NaN(), math.NaN(), err.Error()
			return r
		}
		r.Wanted = d.Season * t.Seasons * f
		r.Sum = fmt.Sprintf("%.6g a season x %g seasons x %.4g (n = %d, R = %g, C = %g, scatter %g)",
			d.Season, t.Seasons, f, t.Specimens, t.Reliability, t.Confidence, d.Scatter)
	}
	r.Exact = r.Wanted / r.PerRepeat
	r.Count = math.Ceil(r.Exact * (1 - 1e-12))
	if method == Failure {
		r.Count = math.Floor(r.Exact)
	}
	r.Sum += fmt.Sprintf("; %.6g / %.6g a repeat = %.6g", r.Wanted, r.PerRepeat, r.Exact)
	if r.PerRepeat == 0 {
		r.Exact, r.Count, r.Note = math.NaN(), math.NaN(), "the drive does no damage here; this test says nothing of it"
	}
	return r
}

// factor is the multiple of the target life to which every specimen is run.
func (d Demand) factor(t Target) (float64, error) {
	if d.Scatter == 0 {
		return 0, fmt.Errorf("the material has no scatter: give it one, or take another test: method")
	}
	return fatigue.TestFactor(fatigue.Lognormal, d.Scatter*math.Ln10, t.Specimens, t.Reliability, t.Confidence)
}

// Stops are what a test pauses for.
type Stops struct {
	Dwell float64 // s after each repeat
	Every float64 // s of running between inspections; 0 for none
	Takes float64 // s of an inspection
}

// Hours is how long a test takes.
type Hours struct {
	Running, Inspecting, Total float64
	Inspections                int
	Sum                        string
}

// HoursOf adds up the time of a number of repeats of some seconds each. No inspection
// follows the last repeat: the test is over then.
func HoursOf(repeats, seconds float64, s Stops) Hours {
	h := Hours{Running: repeats * (seconds + s.Dwell) / 3600}
	if s.Every > 0 && repeats > 0 {
		block := s.block(seconds)
		h.Inspections = int(math.Ceil(repeats/block)) - 1
	}
	h.Inspecting = float64(h.Inspections) * s.Takes / 3600
	h.Total = h.Running + h.Inspecting
	h.Sum = fmt.Sprintf("%.0f repeats x (%.4g s + %.4g s dwell) / 3600 = %.4g h; %d inspections x %.4g h = %.4g h",
		repeats, seconds, s.Dwell, h.Running, h.Inspections, s.Takes/3600, h.Inspecting)
	return h
}

// block is how many whole repeats run between inspections, at least one.
func (s Stops) block(seconds float64) float64 {
	return math.Max(1, math.Floor(s.Every/(seconds+s.Dwell)))
}

// Step is a line of the sequence of a test.
type Step struct {
	Kind        string // "run" or "inspect"
	First, Last float64
	Begins      float64 // h from the start
	Ends        float64
	Done        float64 // part of all repeats, at its end
}

// maxSteps bounds the sequence: who inspects so often does not need a list.
const maxSteps = 20000

// Sequence lays a test out.
func Sequence(repeats, seconds float64, s Stops) ([]Step, error) {
	block := repeats
	if s.Every > 0 {
		block = s.block(seconds)
	}
	if repeats/block > maxSteps/2 {
		return nil, fmt.Errorf("lay out the test: %.0f repeats take more than %d inspections; give test: inspection longer intervals", repeats, maxSteps/2)
	}
	var out []Step
	at := 0.0
	for done := 0.0; done < repeats; {
		n := math.Min(block, repeats-done)
		ends := at + n*(seconds+s.Dwell)/3600
		out = append(out, Step{"run", done + 1, done + n, at, ends, (done + n) / repeats})
		done, at = done+n, ends
		if s.Every > 0 && done < repeats {
			out = append(out, Step{"inspect", done, done, at, at + s.Takes/3600, done / repeats})
			at += s.Takes / 3600
		}
	}
	return out, nil
}
