//go:build !race

package demo

// raceDetector tells that the race detector is on: computing is slow then.
const raceDetector = false
