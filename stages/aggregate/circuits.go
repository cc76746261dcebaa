package aggregate

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// circuit is a row of the table circuits, being summed up. Figures a lap and a km are
// of the laps themselves; what happens between laps stands beside them.
type circuit struct {
	name         string
	places       []int // of its usable laps
	planned      Planned
	basis        string
	lapMean      float64
	low, high    float64 // 95 % interval of lapMean
	km           float64 // of the usable laps whose distance is known; NaN where of none
	unmeasured   int     // usable laps whose distance is not known
	perKm        float64 // NaN without distances
	lap          spread  // of a lap about the circuit's mean, between laps included
	allLow       float64 // 95 % interval of lapMean + betweenMean
	allHigh      float64
	nearest      int     // place of the lap whose damage, between laps included, is closest to the mean; -1 without laps
	worst        int     // place of the lap with most damage, between laps included; -1 without laps
	severity     int     // 1: the recorded circuit whose lap does most damage; 0 without laps
	betweenMean  float64 // a recorded lap
	betweenPerKm float64

	season        float64 // damage of the laps planned, with what happens between them
	seasonBetween float64 // of which between laps
}

// weigh gives every lap its weight and sums up circuits and season.
func (b *book) weigh() error {
	b.group()
	fleetKm := 0.0
	for i := range b.circuits {
		c := &b.circuits[i]
		b.measure(c)
		switch {
		case c.planned.Laps == 0:
		case c.planned.Fleet || len(c.places) == 0 && c.planned.Fallback:
			if math.IsNaN(c.planned.Km) {
				return stages.Refuse("basis fleet needs the length of the lap of circuit %q; give its lap_km in the calendar", c.name)
			}
			c.basis = Fleet
			fleetKm += c.planned.Km
		case len(c.places) == 0:
			return stages.Refuse("circuit %q is in the calendar but has no usable recorded lap; "+
				"record one, take it out of the calendar, or borrow by name with basis: fleet", c.name)
		default:
			b.charge(c)
		}
	}
	if fleetKm > 0 {
		if err := b.borrow(fleetKm); err != nil {
			return err
		}
	}
	for i := range b.circuits {
		c := &b.circuits[i]
		b.total += c.season
		b.between += c.seasonBetween
		if c.basis == Fleet {
			b.borrowed += c.season
		}
	}
	b.broken = b.overUltimate()
	return nil
}

// group sorts usable laps by circuit: in the order of the laps, then the calendar's.
func (b *book) group() {
	at := map[string]int{}
	place := func(name string) *circuit {
		i, ok := at[name]
		if !ok {
			i = len(b.circuits)
			at[name] = i
			b.circuits = append(b.circuits, circuit{name: name, basis: Recorded, planned: Planned{Circuit: name}})
		}
		return &b.circuits[i]
	}
	for i, l := range b.laps {
		c := place(l.Circuit)
		c.places = append(c.places, i)
	}
	for _, p := range b.Planned {
		place(p.Circuit).planned = p
	}
	if !b.Calendar {
		for i := range b.circuits {
			c := &b.circuits[i]
			c.planned.Laps = float64(len(c.places))
			c.planned.Km = c.planned.Laps * b.lapKm(c)
		}
	}
}

// lapKm returns the mean distance of a circuit's usable laps, of those of which it is known; NaN where of none.
func (b *book) lapKm(c *circuit) float64 {
	var sum, n float64
	for _, p := range c.places {
		if km := b.laps[p].Km; !math.IsNaN(km) {
			sum, n = sum+km, n+1
		}
	}
	return sum / n
}

// measure sums up a circuit's usable laps; without any its figures are not known. A lap of unknown distance is
// as long as the circuit's others.
func (b *book) measure(c *circuit) {
	own, all := make([]float64, len(c.places)), make([]float64, len(c.places))
	var lap, between float64
	for i, p := range c.places {
		l := &b.laps[p]
		own[i], all[i] = l.damage, l.damage+l.between
		lap += l.damage
		between += l.between
		if math.IsNaN(l.Km) {
			c.unmeasured++
		}
	}
	n, length := float64(len(c.places)), b.lapKm(c)
	c.km = length * float64(len(c.places)-c.unmeasured)
	if len(c.places) == 0 {
		c.km = 0
	}
	c.lapMean, c.betweenMean = lap/n, between/n // NaN without laps
	c.perKm, c.betweenPerKm = c.lapMean/length, c.betweenMean/length
	c.low, c.high = meanInterval(own, c.name)
	c.allLow, c.allHigh = meanInterval(all, c.name)
	c.lap = relative(all)
	c.pick(all)
}

// pick finds the lap nearest the mean and the worst by the damage of each.
func (c *circuit) pick(all []float64) {
	c.nearest, c.worst = -1, -1
	if len(all) == 0 {
		return
	}
	mean := c.lapMean + c.betweenMean
	nearest, worst := 0, 0
	for i, d := range all {
		if d > all[worst] {
			worst = i
		}
		if math.Abs(d-mean) < math.Abs(all[nearest]-mean) {
			nearest = i
		}
	}
	c.nearest, c.worst = c.places[nearest], c.places[worst]
}

// charge bills a circuit with its own laps.
func (b *book) charge(c *circuit) {
	n := float64(len(c.places))
	w := c.planned.Laps / n
	for _, p := range c.places {
		b.laps[p].weight += w
	}
	c.seasonBetween = c.planned.Laps * c.betweenMean
	c.season = c.planned.Laps*c.lapMean + c.seasonBetween
	if math.IsNaN(c.planned.Km) {
		c.planned.Km = c.planned.Laps * b.lapKm(c)
	}
}

// borrow bills the fleet circuits with the mean of the recorded circuits' damage a km,
// and adds that to the weights of the laps it comes from.
func (b *book) borrow(fleetKm float64) error {
	var perKm, betweenPerKm float64
	var all []float64
	for i := range b.circuits {
		if c := &b.circuits[i]; len(c.places) > 0 {
			if math.IsNaN(c.km) {
				return stages.Refuse("basis fleet needs the distance of the recorded laps; circuit %q has none with distance_km", c.name)
			}
			perKm += c.perKm
			betweenPerKm += c.betweenPerKm
			all = append(all, c.perKm+c.betweenPerKm)
		}
	}
	n := float64(len(all))
	perKm, betweenPerKm = perKm/n, betweenPerKm/n
	b.among = relative(all)
	for i := range b.circuits {
		c := &b.circuits[i]
		w := fleetKm / (n * float64(len(c.places)) * b.lapKm(c))
		for _, p := range c.places {
			b.laps[p].weight += w
		}
	}
	another := spread{b.among.variance * (1 + 1/n), b.among.freedom}
	for i := range b.circuits {
		if c := &b.circuits[i]; c.basis == Fleet {
			c.perKm, c.betweenPerKm = perKm, betweenPerKm
			lapKm := c.planned.Km / c.planned.Laps
			c.lapMean, c.betweenMean = perKm*lapKm, betweenPerKm*lapKm
			c.low, c.high = another.interval(c.lapMean)
			c.allLow, c.allHigh = another.interval(c.lapMean + c.betweenMean)
			c.seasonBetween = betweenPerKm * c.planned.Km
			c.season = perKm*c.planned.Km + c.seasonBetween
		}
	}
	return nil
}

// rank numbers the circuits with laps by the damage of a lap, between laps included, from
// the hardest on; equal ones stay in order.
func (b *book) rank() {
	var order []*circuit
	for i := range b.circuits {
		if c := &b.circuits[i]; len(c.places) > 0 {
			order = append(order, c)
		}
	}
	slices.SortStableFunc(order, func(x, y *circuit) int {
		return -cmp.Compare(x.lapMean+x.betweenMean, y.lapMean+y.betweenMean)
	})
	for i, c := range order {
		c.severity = i + 1
	}
}

func (b *book) circuitsFrame() *frame.Frame {
	b.rank()
	t := layout[circuit]{rows: b.circuits}
	perKm := func(v float64, c *circuit) float64 {
		if v == 0 {
			return v * c.perKm // no damage, no interval of it
		}
		return v * c.perKm / c.lapMean
	}
	t.text("circuit", func(c *circuit) string { return c.name })
	t.text("hotspot", func(*circuit) string { return b.Hotspot })
	t.text("scenario", func(*circuit) string { return b.Scenario })
	t.count("laps_recorded", func(c *circuit) int64 { return int64(len(c.places)) })
	t.number("damage_per_lap_mean", "", func(c *circuit) float64 { return c.lapMean })
	t.number("damage_per_lap_low", "", func(c *circuit) float64 { return c.low })
	t.number("damage_per_lap_high", "", func(c *circuit) float64 { return c.high })
	t.number("between_laps_damage_per_lap", "", func(c *circuit) float64 { return c.betweenMean })
	t.number("damage_per_lap_with_between_mean", "", func(c *circuit) float64 { return c.lapMean + c.betweenMean })
	t.number("damage_per_lap_with_between_low", "", func(c *circuit) float64 { return c.allLow })
	t.number("damage_per_lap_with_between_high", "", func(c *circuit) float64 { return c.allHigh })
	t.number("damage_per_km_mean", "1/km", func(c *circuit) float64 { return c.perKm })
	t.number("damage_per_km_low", "1/km", func(c *circuit) float64 { return perKm(c.low, c) })
	t.number("damage_per_km_high", "1/km", func(c *circuit) float64 { return perKm(c.high, c) })
	t.number("between_laps_damage_per_km", "1/km", func(c *circuit) float64 { return c.betweenPerKm })
	t.number("laps_planned", "", func(c *circuit) float64 { return c.planned.Laps })
	t.number("km_recorded", "km", func(c *circuit) float64 { return c.km })
	t.count("laps_without_distance", func(c *circuit) int64 { return int64(c.unmeasured) })
	t.number("km_planned", "km", func(c *circuit) float64 { return c.planned.Km })
	t.number("season_damage", "", func(c *circuit) float64 { return c.season })
	t.number("share", "", b.share)
	t.count("severity", func(c *circuit) int64 { return int64(c.severity) })
	t.text("lap_nearest_mean", func(c *circuit) string { return b.lapID(c.nearest) })
	t.text("lap_worst", func(c *circuit) string { return b.lapID(c.worst) })
	t.text("basis", func(c *circuit) string { return c.basis })
	t.text("calibration_remark", func(*circuit) string { return b.remark })
	t.text("flags", circuitFlags)
	return t.frame()
}

func (b *book) lapID(place int) string {
	if place < 0 {
		return ""
	}
	return b.laps[place].ID
}

// circuitFlags names what a careful reader of the row should know.
func circuitFlags(c *circuit) string {
	if n := len(c.places); n > 0 && n < fewLaps {
		return "few_laps"
	}
	return ""
}

// share returns a circuit's part of the season's damage.
func (b *book) share(c *circuit) float64 {
	return shareOf(c.season, b.total)
}

// shareOf is a part's share; of nothing it is 0.
func shareOf(part, whole float64) float64 {
	if whole == 0 {
		return 0
	}
	return part / whole
}

func (b *book) betweenFrame() *frame.Frame {
	t := layout[entry]{rows: b.laps}
	t.text("lap", func(e *entry) string { return e.ID })
	t.number("damage", "", func(e *entry) float64 { return e.between })
	t.number("weight", "", func(e *entry) float64 { return e.weight })
	return t.frame()
}

// pointsFrame has half of each joined cycle's damage at either of its ends.
func (b *book) pointsFrame() *frame.Frame {
	type point struct {
		lap    string
		sample int32
		damage float64
	}
	var points []point
	for _, j := range b.joined {
		if d := j.count * damageOf(b.law, j, b.Transfer) / 2; d > 0 {
			points = append(points, point{b.laps[j.from].ID, j.start, d}, point{b.laps[j.to].ID, j.end, d})
		}
	}
	t := layout[point]{rows: points}
	t.text("lap", func(p *point) string { return p.lap })
	t.count("sample", func(p *point) int64 { return int64(p.sample) })
	t.number("damage", "", func(p *point) float64 { return p.damage })
	return t.frame()
}

// coverage is how far the recorded laps reach beside those that are planned.
type coverage struct {
	recorded, planned             float64 // km, of what is known
	unmeasured, plannedUnmeasured float64 // laps of unknown distance
}

func (b *book) coverage() coverage {
	var out coverage
	for i := range b.circuits {
		c := &b.circuits[i]
		if !math.IsNaN(c.km) {
			out.recorded += c.km
		}
		out.unmeasured += float64(c.unmeasured)
		switch {
		case c.planned.Laps == 0:
		case math.IsNaN(c.planned.Km):
			out.plannedUnmeasured += c.planned.Laps
		default:
			out.planned += c.planned.Km
		}
	}
	return out
}

// muchBorrowed is the share of the season's damage from which on what was borrowed is flagged. Common practice, no source.
const muchBorrowed = 0.1

// seasonFlags names what a careful reader of the season's row should know.
func (b *book) seasonFlags() string {
	var out []string
	if b.broken > 0 {
		out = append(out, OverUltimate)
	}
	if b.borrowed > muchBorrowed*b.total {
		out = append(out, "borrowed")
	}
	return strings.Join(out, ";")
}

// seasonFrame returns the row of the table season.
func (b *book) seasonFrame(reserve float64) *frame.Frame {
	life, m, km := 1/b.total, b.margin(), b.coverage()
	thickness := allowance(reserve, b.ThicknessExponent)
	t := layout[book]{rows: []book{*b}}
	t.text("scenario", func(b *book) string { return b.Scenario })
	t.text("hotspot", func(b *book) string { return b.Hotspot })
	t.text("material", func(b *book) string { return b.MaterialName })
	number := func(name, unit string, v float64) { t.number(name, unit, func(*book) float64 { return v }) }
	number("season_damage", "", b.total)
	number("season_damage_low", "", m.low)
	number("season_damage_high", "", m.high)
	number("between_laps_damage", "", b.between)
	number("borrowed_share", "", shareOf(b.borrowed, b.total))
	number("life_seasons", "", life)
	number("target_seasons", "", b.TargetSeasons)
	number("life_factor", "", life/b.TargetSeasons)
	number("target_life_factor", "", b.TargetLifeFactor)
	number("stress_reserve", "", reserve)
	number("failure_probability", "", m.probability)
	number("failure_probability_error", "", m.samplingSD)
	number("failure_probability_material", "", m.materialOnly)
	number("material_log10_sd", "", m.material)
	number("calibration_log10_sd", "", m.calibration)
	number("gain_log10_sd", "", b.gainSD)
	number("damage_over_gain_slope", "", b.gainSlope)
	number("laps_log10_sd", "", m.laps)
	t.text("scatter_note", func(b *book) string { return b.scatterNote(m) })
	number("allowed_thickness_ratio", "", thickness)
	number("mass_ratio", "", thickness) // of the wall's own mass, its outline kept
	number("km_recorded", "km", km.recorded)
	number("laps_without_distance", "", km.unmeasured)
	number("km_planned", "km", km.planned)
	number("laps_planned_without_distance", "", km.plannedUnmeasured)
	number("laps_over_ultimate", "", float64(b.broken))
	t.text("calibration_remark", func(b *book) string { return b.remark })
	t.text("reserve_limit", func(b *book) string { return b.reserveLimit(reserve) })
	t.text("flags", func(b *book) string { return b.seasonFlags() })
	return t.frame()
}
