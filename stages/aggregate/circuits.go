package aggregate

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"lapwear/fatigue"
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
	perKm        float64 // NaN without distances
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
		b.total += b.circuits[i].season
		b.between += b.circuits[i].seasonBetween
	}
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
			c.planned.Km = b.km(c)
		}
	}
}

// km returns the distance of a circuit's usable laps, NaN where one is not known.
func (b *book) km(c *circuit) float64 {
	var sum float64
	for _, p := range c.places {
		sum += b.laps[p].Km
	}
	return sum
}

// measure sums up a circuit's usable laps; without any its figures are not known.
func (b *book) measure(c *circuit) {
	values := make([]float64, len(c.places))
	var lap, between float64
	for i, p := range c.places {
		l := &b.laps[p]
		values[i] = l.damage
		lap += l.damage
		between += l.between
	}
	n, km := float64(len(c.places)), b.km(c)
	c.lapMean, c.betweenMean = lap/n, between/n // NaN without laps
	c.perKm, c.betweenPerKm = lap/km, between/km
	c.low, c.high = meanInterval(values, b.Scenario+"\x00"+b.Hotspot+"\x00"+c.name)
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
		c.planned.Km = c.planned.Laps * b.km(c) / n
	}
}

// borrow bills the fleet circuits with the mean of the recorded circuits' damage a km,
// and adds that to the weights of the laps it comes from.
func (b *book) borrow(fleetKm float64) error {
	var perKm, betweenPerKm, n float64
	for i := range b.circuits {
		if c := &b.circuits[i]; len(c.places) > 0 {
			if math.IsNaN(c.perKm) {
				return stages.Refuse("basis fleet needs the distance of every recorded lap; circuit %q has laps without distance_km", c.name)
			}
			perKm += c.perKm
			betweenPerKm += c.betweenPerKm
			n++
		}
	}
	perKm, betweenPerKm = perKm/n, betweenPerKm/n
	for i := range b.circuits {
		c := &b.circuits[i]
		for _, p := range c.places {
			b.laps[p].weight += fleetKm / (n * b.km(c))
		}
	}
	for i := range b.circuits {
		if c := &b.circuits[i]; c.basis == Fleet {
			c.perKm, c.betweenPerKm = perKm, betweenPerKm
			lapKm := c.planned.Km / c.planned.Laps
			c.lapMean, c.betweenMean = perKm*lapKm, betweenPerKm*lapKm
			c.low, c.high = math.NaN(), math.NaN()
			c.seasonBetween = betweenPerKm * c.planned.Km
			c.season = perKm*c.planned.Km + c.seasonBetween
		}
	}
	return nil
}

// resamples is how many bootstrap samples an interval rests on.
const resamples = 2000

// meanInterval returns the 95 % percentile bootstrap interval of a mean (Efron and
// Tibshirani, An Introduction to the Bootstrap, 1993, chapter 13; from memory),
// NaN with fewer than two values. It is seeded by the row's name, so that it
// depends on nothing else that was computed.
func meanInterval(v []float64, name string) (low, high float64) {
	if len(v) < 2 {
		return math.NaN(), math.NaN()
	}
	h := fnv.New64a()
	h.Write([]byte(name))
	rng := rand.New(rand.NewPCG(h.Sum64(), uint64(len(v))))
	means := make([]float64, resamples)
	for i := range means {
		var sum float64
		for range v {
			sum += v[rng.IntN(len(v))]
		}
		means[i] = sum / float64(len(v))
	}
	slices.Sort(means)
	at := func(p float64) float64 {
		x := p * float64(len(means)-1)
		i := int(x)
		return means[i] + (x-float64(i))*(means[min(i+1, len(means)-1)]-means[i])
	}
	return at(0.025), at(0.975)
}

func (b *book) circuitsFrame() *frame.Frame {
	t := layout[circuit]{rows: b.circuits}
	t.text("circuit", func(c *circuit) string { return c.name })
	t.text("hotspot", func(*circuit) string { return b.Hotspot })
	t.text("scenario", func(*circuit) string { return b.Scenario })
	t.count("laps_recorded", func(c *circuit) int64 { return int64(len(c.places)) })
	t.number("damage_per_lap_mean", "", func(c *circuit) float64 { return c.lapMean })
	t.number("damage_per_lap_low", "", func(c *circuit) float64 { return c.low })
	t.number("damage_per_lap_high", "", func(c *circuit) float64 { return c.high })
	t.number("between_laps_damage_per_lap", "", func(c *circuit) float64 { return c.betweenMean })
	t.number("damage_per_km_mean", "1/km", func(c *circuit) float64 { return c.perKm })
	t.number("between_laps_damage_per_km", "1/km", func(c *circuit) float64 { return c.betweenPerKm })
	t.number("laps_planned", "", func(c *circuit) float64 { return c.planned.Laps })
	t.number("km_planned", "km", func(c *circuit) float64 { return c.planned.Km })
	t.number("season_damage", "", func(c *circuit) float64 { return c.season })
	t.number("share", "", b.share)
	t.text("basis", func(c *circuit) string { return c.basis })
	return t.frame()
}

// share returns a circuit's part of the season's damage.
func (b *book) share(c *circuit) float64 {
	if b.total == 0 {
		return 0
	}
	return c.season / b.total
}

func (b *book) betweenFrame() *frame.Frame {
	t := layout[entry]{rows: b.laps}
	t.text("lap", func(e *entry) string { return e.ID })
	t.number("damage", "", func(e *entry) float64 { return e.between })
	return t.frame()
}

// seasonFrame returns the row of the table season. The failure probability is that
// of a lognormal life with the material's scatter alone, within the target's
// seasons; NaN where the material states no scatter.
func (b *book) seasonFrame(reserve float64) *frame.Frame {
	var recorded, planned float64
	for i := range b.circuits {
		c := &b.circuits[i]
		if len(c.places) > 0 {
			recorded += b.km(c)
		}
		if c.planned.Laps > 0 {
			planned += c.planned.Km
		}
	}
	life := 1 / b.total
	scatter := b.Strength.Material.Scatter
	median := b.total * math.Pow(10, -distuv.UnitNormal.Quantile(b.Strength.Survival)*scatter)
	t := layout[book]{rows: []book{*b}}
	t.text("scenario", func(b *book) string { return b.Scenario })
	t.text("hotspot", func(b *book) string { return b.Hotspot })
	t.text("material", func(b *book) string { return b.MaterialName })
	number := func(name, unit string, v float64) { t.number(name, unit, func(*book) float64 { return v }) }
	number("season_damage", "", b.total)
	number("between_laps_damage", "", b.between)
	number("life_seasons", "", life)
	number("target_seasons", "", b.TargetSeasons)
	number("life_factor", "", life/b.TargetSeasons)
	number("target_life_factor", "", b.TargetLifeFactor)
	number("stress_reserve", "", reserve)
	number("failure_probability", "", fatigue.FailureProbability(median*b.TargetSeasons, scatter))
	number("km_recorded", "km", recorded)
	number("km_planned", "km", planned)
	return t.frame()
}
