//go:build !race

package demo

// How many laps and faults are tried.
const (
	lapsOfEvent = 5   // clean laps of an event
	planted     = 10  // faults of each sort and size
	hitLaps     = 100 // laps with kerb hits
)
