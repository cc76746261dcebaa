package season

import (
	"fmt"
	"math"
	"strings"

	"lapwear/stages/rig"
)

// Rig is what the test rig can do; 0 where the season file does not say.
type Rig struct {
	Drive             []string // channels that the rig follows; nil for all that hot spots follow
	Rate              float64  // Hz, of the drive file
	BandLow, BandHigh float64  // Hz
	Stroke            float64  // m, from end to end
	Velocity          float64  // m/s
	Acceleration      float64  // m/s²
	Payload           float64  // kg
}

// Test says how the part is to be tested.
type Test struct {
	Share                   float64 // of a lap's damage to keep
	Blend                   float64 // s, of a joint
	Method                  string  // one of the package rig
	Specimens               int
	Reliability, Confidence float64
	Dwell                   float64 // s after each repeat
	InspectEvery            float64 // s of running; 0 for none
	InspectTakes            float64 // s
	Mass                    float64 // kg that the rig moves, fixture included; 0 where not said
	Level                   float64 // factor on the motion
	MixBand                 float64 // by how much a mix may exceed the wanted damage
	Q                       float64 // of the resonances that the random equivalent stands for
	Slope                   float64 // of the S-N line it is made for; 0: the greatest of the materials
	Random                  float64 // s of random shaking; 0: as long as the repeats run
}

func rigShape() *shape {
	return keysOf("drive", "rate", "band", "stroke", "velocity", "acceleration", "payload")
}

func testShape() *shape {
	s := keysOf("share", "blend", "method", "specimens", "reliability", "confidence", "dwell", "mass", "level", "mix_band",
		"quality", "slope", "random")
	s.fields = append(s.fields, field{key: "inspection", of: keysOf("every", "takes")})
	return s
}

func (d *decoder) rig(o object) Rig {
	s, ok := d.object(o.node("rig"), d.part("rig"), "rig")
	if !ok {
		return Rig{}
	}
	r := Rig{
		Rate:         s.quantity("rate", frequency, 0, rates()),
		Stroke:       s.quantity("stroke", length, 0, positive()),
		Velocity:     s.quantity("velocity", speed, 0, positive()),
		Acceleration: s.quantity("acceleration", acceleration, 0, positive()),
		Payload:      s.quantity("payload", mass, 0, positive()),
	}
	r.BandLow, r.BandHigh = d.bandOf(s, "rig")
	if r.BandHigh > 0 && r.BandLow >= r.BandHigh {
		d.faults.add(s.at("band"), "raise its end, or lower its beginning", "band of rig ends at %g Hz, expected more than its beginning at %g Hz", r.BandHigh, r.BandLow)
	}
	if r.Rate > 0 && max(r.BandLow, r.BandHigh) > r.Rate/2 {
		d.faults.add(s.at("band"), fmt.Sprintf("raise rig: rate to %g Hz or more", minSamples*max(r.BandLow, r.BandHigh)),
			"band of rig reaches %g Hz, expected at most half of its rate of %g Hz", max(r.BandLow, r.BandHigh), r.Rate)
	}
	r.Drive = d.driven(s)
	return r
}

// driven reads the channels that the rig follows: one, or a list.
func (d *decoder) driven(s object) []string {
	n := s.node("drive")
	if n == nil {
		return nil
	}
	items := n.items
	if n.kind == scalarNode {
		items = []*node{n}
	}
	if len(items) == 0 {
		d.faults.add(n.pos, "write drive: [acc_z]", "%q of rig names no channel", "drive")
	}
	var out []string
	for _, item := range items {
		one := object{d: d, what: "rig", pos: item.pos, keys: map[string]entry{"drive": {"drive", item.pos, item}}}
		c, ok := d.known(one, "drive")
		switch {
		case !ok:
		case c.Role == RoleDistance:
			d.faults.add(item.pos, "name an acceleration", "the rig is to follow %q, which is the distance", c.Name)
		case strings.Contains("\x00"+strings.Join(out, "\x00")+"\x00", "\x00"+c.Name+"\x00"):
			d.faults.add(item.pos, "keep one", "the rig is to follow %q twice", c.Name)
		default:
			out = append(out, c.Name)
		}
	}
	return out
}

// The defaults of a test. The share and the sharpness of resonances are common practice, no
// source; reliability and confidence of 90 % likewise.
func (d *decoder) test(o object) Test {
	s, _ := d.object(o.node("test"), d.part("test"), "test")
	n := s.number("specimens", 3, limits{func(v float64) bool { return v >= 1 && v <= 1e6 && v == math.Trunc(v) }, "a whole number from 1"})
	t := Test{
		Share:       s.quantity("share", share, 0.8, within()),
		Blend:       s.quantity("blend", duration, 0.1, limits{func(v float64) bool { return v > 0 && v <= 10 }, "above 0 and up to 10 s"}),
		Method:      s.choice("method", rig.Pass, rig.Demonstration, rig.Failure),
		Reliability: s.quantity("reliability", share, 0.9, within()),
		Confidence:  s.quantity("confidence", share, 0.9, within()),
		Dwell:       s.quantity("dwell", duration, 0, fromZero()),
		Mass:        s.quantity("mass", mass, 0, positive()),
		Level:       s.number("level", 1, positive()),
		MixBand:     s.quantity("mix_band", share, 0.1, positive()),
		Q:           s.number("quality", 10, limits{func(v float64) bool { return v > 0.5 }, "above 0.5"}),
		Slope:       s.number("slope", 0, positive()),
		Random:      s.quantity("random", duration, 0, positive()),
	}
	if !math.IsNaN(n) {
		t.Specimens = int(n)
	}
	if i, ok := d.object(s.node("inspection"), inspectionShape(d), "inspection"); ok {
		if !i.has("every") {
			i.missing("every", "write inspection: {every: 8 h, takes: 30 min}")
		}
		t.InspectEvery = i.quantity("every", duration, 0, positive())
		t.InspectTakes = i.quantity("takes", duration, 0, fromZero())
	}
	return t
}

func inspectionShape(d *decoder) *shape {
	f, _ := d.part("test").field("inspection")
	return f.of
}
