//go:build race

package demo

// How many laps and faults are tried: few, as the race detector is slow.
const (
	lapsOfEvent = 4  // clean laps of an event
	planted     = 2  // faults of each sort and size
	hitLaps     = 20 // laps with kerb hits
)
