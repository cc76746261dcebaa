package demo

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// dialect is the form in which a lap is recorded.
type dialect uint8

const (
	parquet     dialect = iota
	commaCRLF           // comma, lines end in CR LF
	semicolon           // decimal comma, key-value lines before the header, units row after it
	gzipped             // plain CSV, compressed
	tabLatin1           // tabs, Latin-1, units row
	textInCells         // a plain CSV in which the logger wrote text for a number
)

// suffix is how a recording's file name ends.
func (d dialect) suffix() string {
	switch d {
	case parquet:
		return ".parquet"
	case gzipped:
		return ".csv.gz"
	}
	return ".csv"
}

// lap is one row of the manifest and what is needed to synthesize its recording.
type lap struct {
	id      string
	file    string // slash-separated, relative to the season file
	circuit int    // index into circuits
	event   string
	session string
	rider   rider
	bike    level
	setup   level
	number  int
	use     string
	gauges  bool
	dialect dialect
	rate    int // Hz
}

// stint is a run of laps of one rider on one bike. Riders, bikes and setups move
// round from event to event, so that each is seen on smooth and on rough circuits.
type stint struct {
	session      string
	rider, bike  int // added to the number of the event
	setup        int
	first        int  // number of its first lap in the session
	followsEvent bool // whether the bike changes with the event
}

var stints = []stint{
	{session: "practice", rider: 0, bike: 0, setup: 0, first: 3},
	{session: "practice", rider: 1, bike: 1, setup: 1, first: 3},
	{session: "qualifying", rider: 2, setup: 0, first: 2, followsEvent: true},
	{session: "race", rider: 0, setup: 1, first: 6, followsEvent: true},
	{session: "race", rider: 1, setup: 1, first: 31, followsEvent: true},
	{session: "race", rider: 2, setup: 1, first: 58, followsEvent: true},
}

// recordedFirst is the order in which the laps of an event are given to its
// stints, so that even a small season has practice and race laps.
var recordedFirst = []int{3, 0, 1, 4, 2, 5, 3, 0, 1, 4, 5}

// csvEvents maps events to the form of their first two laps.
var csvEvents = map[int]dialect{1: commaCRLF, 3: semicolon, 5: gzipped, 7: tabLatin1}

// faultEvent is the event whose last lap holds the planted fault.
const faultEvent = 6

// minLaps is the smallest season that has every circuit twice, and the test laps.
func minLaps() int { return 2*len(circuits) + testLaps*len(testCircuits) }

// plan lists the laps of a season of n laps in driven order.
func plan(n int) ([]lap, error) {
	if n < minLaps() {
		return nil, fmt.Errorf("plan season: %d laps are too few; ask for at least %d", n, minLaps())
	}
	laps := testSessions()
	n -= len(laps)
	for e := range circuits {
		share := n / len(circuits)
		if e < n%len(circuits) {
			share++
		}
		laps = append(laps, raceEvent(e, share)...)
	}
	return laps, nil
}

// testSessions lists the laps with gauges. All but the last of the later circuits'
// laps serve the calibration alone.
func testSessions() []lap {
	var laps []lap
	for t, c := range testCircuits {
		for i := range testLaps {
			l := lap{
				circuit: c, event: fmt.Sprintf("T%02d", t+1), session: "test", number: 4 + i,
				rider: riders[t%len(riders)], bike: bikes[0], setup: setups[t%len(setups)],
				use: "calibration", gauges: true, rate: 1000,
			}
			if t > 0 && i == testLaps-1 {
				l.use = "both"
			}
			laps = append(laps, l.named())
		}
	}
	return laps
}

// raceEvent lists n recorded laps of the event on circuit e.
func raceEvent(e, n int) []lap {
	counts := make([]int, len(stints))
	for i := range n {
		counts[recordedFirst[i%len(recordedFirst)]]++
	}
	laps := make([]lap, 0, n)
	for s, st := range stints {
		for i := range counts[s] {
			laps = append(laps, st.lap(e, i))
		}
	}
	for i := range min(2, n) {
		laps[i].dialect = csvEvents[e]
	}
	if e == faultEvent {
		laps[n-1].dialect = textInCells
	}
	for i := range laps {
		if laps[i].dialect != parquet {
			laps[i].rate = 500 // what the logger's export tool writes
		}
		laps[i] = laps[i].named()
	}
	return laps
}

// lap returns lap i of the stint at event e.
func (s stint) lap(e, i int) lap {
	bike := s.bike
	if s.followsEvent {
		bike += e
	}
	bike %= len(bikes)
	setup := s.setup + e
	if s.session == "race" {
		setup = s.setup + e/2
	}
	return lap{
		circuit: e, event: fmt.Sprintf("E%02d", e+1), session: s.session, number: s.first + i,
		rider: riders[(e+s.rider)%len(riders)], bike: bikes[bike], setup: setups[setup%len(setups)],
		use: "season", rate: []int{1000, 500}[bike],
	}
}

// named returns the lap with its identifier and file set.
func (l lap) named() lap {
	bike := strings.ReplaceAll(l.bike.name, "-", "")
	l.id = fmt.Sprintf("%s-%s-%s-%03d", l.event, l.session, bike, l.number)
	l.file = fmt.Sprintf("recordings/%s-%s/%s%s", l.event, strings.ToLower(circuits[l.circuit].name), l.id, l.dialect.suffix())
	return l
}

// writeManifest writes one row per lap.
func writeManifest(w io.Writer, laps []lap) error {
	rows := [][]string{{"lap_id", "file", "circuit", "event", "session", "rider", "bike", "setup", "lap", "distance_km", "use"}}
	for _, l := range laps {
		c := circuits[l.circuit]
		rows = append(rows, []string{l.id, l.file, c.name, l.event, l.session, l.rider.name, l.bike.name,
			l.setup.name, strconv.Itoa(l.number), kilometres(c.km), l.use})
	}
	return csv.NewWriter(w).WriteAll(rows)
}

// writeCalendar writes the laps that the cradle will run in the season.
func writeCalendar(w io.Writer) error {
	rows := [][]string{{"circuit", "session", "laps", "lap_km"}}
	for _, c := range circuits {
		for _, s := range []struct {
			session string
			laps    int
		}{{"practice", c.practice}, {"qualifying", c.qualifying}, {"race", c.race}} {
			rows = append(rows, []string{c.name, s.session, strconv.Itoa(s.laps), kilometres(c.km)})
		}
	}
	return csv.NewWriter(w).WriteAll(rows)
}

// kilometres formats a length to ten metres.
func kilometres(km float64) string { return strconv.FormatFloat(km, 'f', 2, 64) }
