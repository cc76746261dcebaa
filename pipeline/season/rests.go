package season

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"lapwear/stages/damage"
	"lapwear/stages/rig"
)

// Rests is what a planned test's expectations rest on beside the laps, each as it stands in words: how channels become stress, stress
// damage, and damage a demand. The settings of the test itself are not among it: the plan says what they were.
func (s *Season) Rests() []rig.Rest {
	sig := s.Signal
	out := []rig.Rest{
		{What: "signal: rate", Is: words(sig.Rate)}, {What: "signal: band", Is: words(sig.BandLow, sig.BandHigh)}, {What: "signal: gate", Is: words(sig.Gate)},
		{What: "target: seasons", Is: words(s.Target.Seasons)}, {What: "target: life factor", Is: words(s.Target.LifeFactor)}}
	for _, c := range s.Channels {
		out = append(out, rig.Rest{What: "channel " + c.Name + ": unit", Is: c.Unit})
	}
	for _, h := range s.Hotspots {
		of := "hot spot " + strconv.Quote(h.Name) + ": "
		gain := "fitted"
		if !math.IsNaN(h.Gain) {
			gain = words(h.Gain)
		}
		strength := damage.Strength{Material: h.Material, Survival: s.Damage.Survival, Residue: s.Damage.Residue}
		out = append(out, rig.Rest{What: of + "channel", Is: strings.Trim(h.Follow+" "+h.Gauge, " ")}, rig.Rest{What: of + "gain", Is: gain},
			rig.Rest{What: of + "gauge", Is: words(h.GaugeScale)}, rig.Rest{What: of + "offset", Is: words(h.Offset)},
			rig.Rest{What: of + "stress factor", Is: words(h.StressFactor)}, rig.Rest{What: of + strengthRest, Is: strengthName(strength)})
	}
	return out
}

// strengthRest is what stands in a plan as a key alone, for it has no short words.
const strengthRest = "material, survival and residue"

func words(v ...float64) string {
	var out []string
	for _, x := range v {
		out = append(out, strconv.FormatFloat(x, 'g', -1, 64))
	}
	return strings.Join(out, " to ")
}

// OfPlan is the season of the plan's scenario; an error where it is no longer what the plan rests on.
func (s *Season) OfPlan(p *rig.Plan) (*Season, error) {
	for _, sc := range s.Scenarios() {
		if sc.Name == p.Scenario {
			return sc.Season, sc.Season.unchanged(p)
		}
	}
	return nil, fmt.Errorf("hold season against plan: the season has no scenario %q; run testplan again", p.Scenario)
}

func (s *Season) unchanged(p *rig.Plan) error {
	now := map[string]string{}
	for _, r := range s.Rests() {
		now[r.What] = r.Is
	}
	for _, r := range p.Rests {
		is, ok := now[r.What]
		switch {
		case ok && is == r.Is:
		case !ok:
			return fmt.Errorf("hold season against plan: %s is no longer there; run testplan again", r.What)
		case strings.HasSuffix(r.What, strengthRest):
			return fmt.Errorf("hold season against plan: %s are no longer those of the plan; run testplan again", r.What)
		default:
			return fmt.Errorf("hold season against plan: %s is %s and was %s when the test was planned; run testplan again", r.What, is, r.Is)
		}
	}
	if len(p.Rests) == 0 {
		return fmt.Errorf("hold season against plan: the plan does not say what it rests on; run testplan again")
	}
	return nil
}
