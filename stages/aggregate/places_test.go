package aggregate

import (
	"cmp"
	"context"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"lapwear/cache/key"
	"lapwear/stages"
	"lapwear/stages/damage"
	"lapwear/stages/frame"
)

// placed lays out the places of laps that were counted with the residue's treatment given.
func placed(t *testing.T, a Account, in stages.Inputs, laps []testLap) *frame.Frame {
	t.Helper()
	out, err := a.Run(context.Background(), in)
	if err != nil {
		t.Fatal(err)
	}
	p := Places{Scenario: "base", Hotspot: "toe"}
	for _, l := range laps {
		p.Laps = append(p.Laps, PlacedLap{ID: l.ID, Circuit: l.Circuit})
	}
	frames := []stages.Input{{Label: CircuitsOutput, Frame: out[0].Frame}, {Label: BetweenOutput, Frame: out[2].Frame}, {Label: PointsOutput, Frame: out[3].Frame}}
	parts := must(t, p, stages.Inputs{Frames: append(frames, in.Frames...)})
	table := PlacesTable{Spots: []PlacedSpot{{Scenario: "base", Hotspot: "toe", Along: damage.AlongTime}}}
	return must(t, table, stages.Inputs{Frames: placedInputs(parts)})[0].Frame
}

// placedInputs are a hot spot's places as inputs of the table.
func placedInputs(parts []stages.Output) []stages.Input {
	return []stages.Input{{Label: FiguresPart(CircuitsOutput, 0), Frame: parts[0].Frame}, {Label: FiguresPart(PlacesOutput, 0), Frame: parts[1].Frame}}
}

// Law: whatever the residue's treatment and the calendar, the places' damage of the season adds up to what the account
// gives their circuit, none where nothing was recorded; their shares of each circuit add up to 1; the ranks are those of the damage.
func TestPlacesShareTheSeason(t *testing.T) {
	for _, mode := range []string{damage.Half, damage.Repeat, damage.Carry} {
		laps := randomLaps(7, "X", "Y")
		a := account(mode, laps)
		a.Calendar, a.Planned = true, []Planned{{Circuit: "X", Laps: 40, Km: 160}, {Circuit: "New", Laps: 5, Km: 20, Fleet: true}}
		in := inputs(t, a.Strength, transfer, laps)
		f, want := placed(t, a, in, laps), draw(t, a, in)
		circuits, _ := frame.Get[[]string](f, "circuit")
		season, _ := frame.Get[[]float64](f, "season_damage")
		own, _ := frame.Get[[]float64](f, "share_of_circuit")
		ranks, _ := frame.Get[[]int64](f, "rank")
		by, sums := map[string]float64{}, map[string]float64{}
		best := 0
		for i := range circuits {
			sums[circuits[i]] += season[i]
			by[circuits[i]] += own[i]
			if season[i] > season[best] {
				best = i
			}
		}
		for _, c := range []string{"X", "Y", "New"} {
			account := want.circuits[c]["season_damage"]
			if c == "New" && account < 0.01*want.season["season_damage"] {
				t.Errorf("%s: %v is borrowed: nothing is tested", mode, account)
			} else if c == "New" {
				account = 0
			}
			near(t, mode+": damage of the season of "+c, sums[c], account)
		}
		near(t, mode+": shares of X", by["X"], 1)
		near(t, mode+": shares of Y", by["Y"], 1)
		if ranks[best] != 1 {
			t.Errorf("%s: the costliest place has rank %d", mode, ranks[best])
		}
		if len(circuits) != 12 { // 3 s at two circuits
			t.Errorf("%s: %d places", mode, len(circuits))
		}
	}
}

// Laps of equal circuits lie over one another: a spike at 1.2 s is in the place from 1 to 1.5 s.
func TestPlacesFindASpike(t *testing.T) {
	laps := randomLaps(4, "X")
	for i := range laps {
		for j := range laps[i].x {
			laps[i].x[j] *= 0.1
		}
		laps[i].x[120] = 12
	}
	a := account(damage.Carry, laps)
	f := placed(t, a, inputs(t, a.Strength, transfer, laps), laps)
	from, _ := frame.Get[[]float64](f, "from_s")
	metres, _ := frame.Get[[]float64](f, "from_m")
	share, _ := frame.Get[[]float64](f, "share_of_circuit")
	ranks, _ := frame.Get[[]int64](f, "rank")
	for i := range from {
		if ranks[i] == 1 && (from[i] != 1 || share[i] < 0.4) {
			t.Errorf("the costliest place begins at %v s and has a share of %v", from[i], share[i])
		}
	}
	if !math.IsNaN(metres[0]) {
		t.Errorf("places along time begin at %v m", metres[0])
	}
}

// A lap whose places are not known does its damage where the others do theirs, and is counted.
func TestLapWithoutPlaces(t *testing.T) {
	laps := randomLaps(4, "X")
	a := account(damage.Half, laps)
	in := inputs(t, a.Strength, transfer, laps)
	for i := range in.Frames {
		if in.Frames[i].Label != Label(DamageKind, "L2") {
			continue
		}
		r, err := damage.ReadRow(in.Frames[i].Frame)
		if err != nil {
			t.Fatal(err)
		}
		r.Places = damage.Places{First: []int32{}, Damage: []float64{}}
		in.Frames[i].Frame = r.Frame()
	}
	f := placed(t, a, figured(t, in, laps), laps)
	counted, _ := frame.Get[[]int64](f, "laps")
	season, _ := frame.Get[[]float64](f, "season_damage")
	var sum float64
	for _, s := range season {
		sum += s
	}
	sum /= draw(t, a, in).season["season_damage"]
	all, _ := frame.Get[[]int64](f, "laps_recorded")
	if counted[0] != 3 || all[0] != 4 || math.Abs(sum-1) > 1e-12 {
		t.Errorf("%d of %d laps in the places, which have %v of the season; want 3 of 4, and all of it", counted[0], all[0], sum)
	}
	if names := strings.Join(columnNames(f), ","); !strings.HasPrefix(names, "circuit,hotspot,scenario,along,from_m") {
		t.Errorf("columns %s", names)
	}
}

// Places that the circuits do not account for, or that lack, are an error.
func TestPlacesOfNoCircuit(t *testing.T) {
	for _, n := range []int{0, 1, 3, 4, 5} {
		one := []int64{1}
		part := []float64{0.5}
		circuits := frame.Must(nil, frame.Col("circuit", "", []string{"X"}), frame.Col("places", "", []int64{4}), frame.Col("laps", "", one),
			frame.Col("laps_recorded", "", one), frame.Col("damage", "", part), frame.Col("season_damage", "", part))
		places := frame.Must(nil, frame.Col("damage", "", make([]float64, n)), frame.Col("max", "", make([]float64, n)))
		out, err := readPlaced(stages.Input{Frame: circuits}, stages.Input{Frame: places})
		if (err == nil) != (n == 4) {
			t.Errorf("%d places where 4 are stated: %v, error %v", n, out, err)
		}
	}
}

func columnNames(f *frame.Frame) []string {
	var out []string
	for _, c := range f.Columns() {
		out = append(out, c.Name)
	}
	return out
}

// The costliest places are the first of all in their order, the earlier of equals first.
func TestTopPlaces(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for n := range 60 {
		season, all := make([]float64, n), make([]int, n)
		for i := range season {
			season[i], all[i] = float64(rng.IntN(8)), i // many are equal
		}
		slices.SortStableFunc(all, func(a, b int) int { return -cmp.Compare(season[a], season[b]) })
		if got, want := topPlaces(season), all[:min(costliest, n)]; !slices.Equal(got, want) {
			t.Fatalf("%d places: %v, want %v", n, got, want)
		}
	}
}

// Names may have dots: a scenario's and a hot spot's are told apart in the keys of tables.
func TestKeysTellNamesApart(t *testing.T) {
	for table, of := range map[string]func(scenario, spot string) interface{ AddTo(*key.Hasher) }{
		"places": func(scenario, spot string) interface{ AddTo(*key.Hasher) } {
			return PlacesTable{Spots: []PlacedSpot{{Scenario: scenario, Hotspot: spot, Along: damage.AlongTime}}}
		},
		"laps": func(scenario, spot string) interface{ AddTo(*key.Hasher) } {
			return Laps{Groups: []Group{{Scenario: scenario, Hotspot: spot, Material: "alloy", Channel: "z"}}}
		},
	} {
		id := func(scenario, spot string) key.ID {
			h := key.New(Name, Revision, "any")
			of(scenario, spot).AddTo(h)
			return h.Sum()
		}
		if id("wet.stiff", "toe") == id("wet", "stiff.toe") {
			t.Errorf("%s: two tables have one key", table)
		}
	}
}

// Where a place's damage has no end it comes first; what a place that has one costs in such a circuit is not known.
func TestPlacesWithoutEnd(t *testing.T) {
	inf := math.Inf(1)
	parts := []stages.Output{
		{Frame: frame.Must(nil, frame.Col("circuit", "", []string{"X", "Y"}), frame.Col("places", "", []int64{2, 1}), frame.Col("laps", "", []int64{1, 1}),
			frame.Col("laps_recorded", "", []int64{1, 1}), frame.Col("damage", "", []float64{0.5, inf}), frame.Col("season_damage", "", []float64{5, inf}))},
		{Frame: frame.Must(nil, frame.Col("damage", "", []float64{0.1, 0.4, inf}), frame.Col("max", "", []float64{0.1, 0.4, inf}))}}
	table := PlacesTable{Spots: []PlacedSpot{{Scenario: "base", Hotspot: "toe", Along: damage.AlongTime}}}
	f := must(t, table, stages.Inputs{Frames: placedInputs(parts)})[0].Frame
	season, _ := frame.Get[[]float64](f, "season_damage")
	ranks, _ := frame.Get[[]int64](f, "rank")
	if !slices.Equal(season, []float64{1, 4, inf}) || !slices.Equal(ranks, []int64{3, 2, 1}) {
		t.Errorf("damage of the season %v, ranks %v", season, ranks)
	}
	if c := (placedCircuit{damage: []float64{0.1, inf}, total: inf, season: inf}); !math.IsNaN(c.seasonAt(0)) || c.seasonAt(1) != inf {
		t.Errorf("beside a place without end: %v, %v", c.seasonAt(0), c.seasonAt(1))
	}
}
