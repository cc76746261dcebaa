//go:build race

package cli

// raceDetector tells that the race detector is on: processes then take ten times the
// time and memory, and what is measured of them says nothing.
const raceDetector = true
