package aggregate

import (
	"context"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"
	"testing"

	"lapwear/stages"
	"lapwear/stages/damage"
)

// Law: the album finds what comparing with every sketch finds, whatever their number of figures and however near the edges
// of cells they are.
func TestAlbumFindsAllAlike(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	a, found := newAlbum(100), 0
	var all [][]int
	for i := range 3000 {
		figures := make([]int, []int{1, 5, 8, 128}[rng.IntN(4)])
		for k := range figures {
			figures[k] = rng.IntN(200) - 100
		}
		if i > 0 && rng.IntN(2) == 0 { // one that was written otherwise
			figures = slices.Clone(all[rng.IntN(i)])
			for k := range figures {
				figures[k] += rng.IntN(2*alikeWithin+1) - alikeWithin
			}
		}
		all = append(all, figures)
		d := drawn{digest: string(rune('a' + i)), duration: 100, text: strings.Trim(fmt.Sprint(figures), "[]")}
		if !d.look() {
			t.Fatalf("sketch %q has no figures", d.text)
		}
		var want []int32
		for k, o := range all[:i] {
			if alike(figures, o) {
				want = append(want, int32(k))
			}
		}
		if got := a.alike(&d); !slices.Equal(got, want) {
			t.Fatalf("sketch %d of %d figures: like %v, want %v", i, len(figures), got, want)
		}
		found += len(want)
		a.add(&d)
	}
	if found < 1000 {
		t.Errorf("only %d alike: the test shows nothing", found)
	}
}

// alike tells whether no figure of two sketches differs by more than alikeWithin.
func alike(a, b []int) bool {
	if len(a) != len(b) {
		return false
	}
	for i, v := range a {
		if v-b[i] > alikeWithin || b[i]-v > alikeWithin {
			return false
		}
	}
	return true
}

// Law: the median of the deviations is the one of the sorted deviations.
func TestDeviationIsByTheMedian(t *testing.T) {
	rng, told := rand.New(rand.NewPCG(7, 8)), 0
	for range 2000 {
		p := make(peers, 1+rng.IntN(40))
		for i := range p {
			p[i] = math.Round(20*math.Exp(rng.NormFloat64())) + 1 // many are equal
		}
		slices.Sort(p)
		v := p[rng.IntN(len(p))]
		usual, n := p.others(v)
		want := math.NaN()
		if n >= manyPeers && factor(v, usual) >= leastUnusual {
			at := slices.Index(p, v)
			var off []float64
			for _, o := range slices.Delete(slices.Clone(p), at, at+1) {
				off = append(off, math.Log(factor(o, usual)))
			}
			slices.Sort(off)
			want = math.Log(factor(v, usual)) / (off[(n-1)/2]/2 + off[n/2]/2)
			told++
		}
		if got := p.deviation(v); got != want && !(math.IsNaN(got) && math.IsNaN(want)) {
			t.Fatalf("%v of %v: %v, want %v", v, p, got, want)
		}
	}
	if told < 500 {
		t.Errorf("only %d deviations: the test shows nothing", told)
	}
}

// seasonOf is as many laps of as many channels as a test wants, at five circuits, each with sketches of its own.
func seasonOf(laps, channels int) (Findings, stages.Inputs) {
	rng := rand.New(rand.NewPCG(9, 10))
	v, in := Findings{Checks: Checks()}, stages.Inputs{}
	for k := range channels {
		v.Channels = append(v.Channels, fmt.Sprintf("c%02d", k))
	}
	for i := range laps {
		id := fmt.Sprintf("L%05d", i)
		v.Laps = append(v.Laps, ReadLap{ID: id, Circuit: fmt.Sprintf("circuit %d", i%5)})
		rows := make([]figures, channels)
		for k := range rows {
			level := 1 + 0.3*rng.Float64()
			sketch := make([]string, 128)
			for j := range sketch {
				sketch[j] = strconv.Itoa(rng.IntN(600) - 300)
			}
			rows[k] = figures{qualityRow: qualityRow{channel: v.Channels[k], samples: 200_000, rate: 2000, drift: 0.01, step: 0.02},
				duration: 100 + rng.Float64(), level: level, digest: fmt.Sprintf("%032x", rng.Uint64()), sketch: strings.Join(sketch, " ")}
		}
		in.Frames = append(in.Frames, stages.Input{Label: ReadingLabel(id), Frame: ingestedRows(rows)})
	}
	return v, in
}

// Figures of laps take no more memory than they need, also where bikes have channels of their own and some levels are not known.
func TestPeersTakeTheirRoom(t *testing.T) {
	const bikes, each, laps = 8, 3, 200 // one more channel is common to all
	c := court{Findings: Findings{Channels: make([]string, 1+bikes*each)}}
	for i := range laps {
		l := readLap{ReadLap: ReadLap{Circuit: fmt.Sprint(i % 3), Bike: fmt.Sprint(i % bikes)}, rows: []figures{{number: 1, duration: 100, level: 2}}}
		for k := range each {
			level := 1 + float64(k)
			if k == 0 && i%5 == 0 {
				level = math.NaN()
			}
			l.rows = append(l.rows, figures{number: 2 + i%bikes*each + k, level: level})
		}
		if i%4 == 0 {
			c.witnesses = append(c.witnesses, l)
		} else {
			c.laps = append(c.laps, l)
		}
	}
	all := c.gather()
	if n := len(all.all.at(0, 0)); n != laps {
		t.Errorf("%d durations, want %d", n, laps)
	}
	want := laps*(1+(1+each)+each*(1+each)/2) - laps/5*(1+each) // durations, levels, ratios, but those of levels not known
	for _, tables := range [][]*peerTable{{all.all}, slices.Collect(maps.Values(all.own))} {
		n, room := 0, 0
		for _, table := range tables {
			for k := range table.cells {
				one, two := k%(table.channels+1), k/(table.channels+1)
				if one == 0 && two > 0 {
					continue // no figure is of no channel and a channel
				}
				p := table.at(one, two)
				n, room = n+len(p), room+cap(p)
			}
		}
		if n != want || room != n {
			t.Errorf("%d figures with room for %d, want %d", n, room, want)
		}
	}
}

// Law: where a cell is calm, no figure of it departs from the others by the limit.
func TestCalmCellsHideNothing(t *testing.T) {
	rng, calm, stirred := rand.New(rand.NewPCG(13, 14)), 0, 0
	for range 20000 {
		limit, scatter, small := 1+2*rng.Float64(), 0.6*rng.Float64(), 1.0
		if rng.IntN(3) == 0 {
			small = 0x1p-1070 // where numbers have few digits
		}
		var c cell
		p := make(peers, rng.IntN(12))
		for i := range p {
			p[i] = small * math.Round(100*math.Exp(scatter*rng.NormFloat64()))
			c.note(p[i])
		}
		slices.Sort(p)
		p = slices.DeleteFunc(p, func(v float64) bool { return !counts(v) })
		departs := false
		for _, v := range p {
			usual, n := p.others(v)
			departs = departs || n < fewestPeers || factor(v, usual) >= limit
		}
		switch is := c.calm(limit); {
		case is && departs:
			t.Fatalf("%v is calm at %v", p, limit)
		case is:
			calm++
		case departs && len(p) > fewestPeers:
			stirred++
		}
	}
	if calm < 1000 || stirred < 1000 {
		t.Errorf("%d calm, %d not: the test shows little", calm, stirred)
	}
	var c cell
	for _, v := range []float64{1, 1, 1, 1, math.Inf(1)} {
		c.note(v)
	}
	if c.calm(2) {
		t.Error("a cell with a figure without end is calm")
	}
}

func BenchmarkPlacesTable(b *testing.B) {
	var t PlacesTable
	of := make([][]placedCircuit, 16)
	rng := rand.New(rand.NewPCG(15, 16))
	for i := range of {
		t.Spots = append(t.Spots, PlacedSpot{"base", fmt.Sprint("h", i), damage.AlongDistance})
		for k := range 8 {
			c := placedCircuit{name: fmt.Sprint("circuit ", k), recorded: 12, laps: 12, total: 60, season: 3}
			for range 125 {
				c.damage, c.top = append(c.damage, rng.Float64()), append(c.top, rng.Float64())
			}
			of[i] = append(of[i], c)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		t.frame(of)
	}
}

func BenchmarkFindings(b *testing.B) {
	v, in := seasonOf(100, 16)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := v.Run(context.Background(), in); err != nil {
			b.Fatal(err)
		}
	}
}
