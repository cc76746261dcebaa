// Package fatigue holds the mathematics of fatigue damage: from a signal to its
// load cycles, from cycles to damage, and from laps and specimens to what a test must
// show.
//
// A turning point is a sample at which a signal turns from rising to falling or
// back; the first and last values are turning points too. A gate is the smallest
// range that is kept: turning points closer together than it are dropped. A
// cycle is a closed loop of load between two turning points, with a range (their
// distance), a mean (their middle) and an amplitude (half the range). Rainflow
// counting pairs turning points to cycles; the residue is the turning points that
// found no partner. A residue is read as half cycles, repeated with its signal
// for ever, or joined to that of the next lap.
//
// An S-N curve gives the number of cycles N to failure at a stress amplitude S of
// zero mean. A mean stress rule turns a cycle's amplitude and mean into the
// amplitude that does the same damage at zero mean. Damage is the sum over all
// cycles of 1/N, linear after Miner; at 1 the part has nominally failed, with the
// probability that the curve stands for.
//
// A spectrum here is a one-sided power spectral density over the frequency in Hz; its moments give the damage to expect of a stationary
// Gaussian stress. Coherence is the share of one signal's power that is linear in another, by frequency. A lag is the time by which one
// signal runs behind another. A fatigue damage spectrum compares two shakings by what they would do to oscillators of all frequencies.
//
// A specimen is one result of a life test, a run-out one that was taken off unbroken. Lives scatter lognormally or after Weibull; what few
// specimens tell of that scatter comes with an interval and its confidence.
//
// Chapters and clauses of books and standards are named from memory, unless a test copies values from them.
//
// The package counts in the unit of the signal and does not know it; stresses are
// in MPa. Counting commutes with shifting and positive scaling of the signal as
// far as their rounding keeps the order of the samples.
//
// Not guaranteed: the order of closed cycles beyond being the same each time,
// which of several equal cycles is closed and which is half, and anything about
// damage that depends on the order of loads, which a linear sum does not see; nor that
// intervals hold for samples of one signal, which are not independent.
package fatigue
