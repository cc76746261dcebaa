package aggregate

import "slices"

// Severity says what a finding of a check means for its lap.
type Severity string

// Severities. Off does not look; Note and Warn name the finding in the tables, Warn
// where the run ends too; SetAside takes the lap out of everything but the table
// quality.
const (
	Off      Severity = "off"
	Note     Severity = "note"
	Warn     Severity = "warn"
	SetAside Severity = "set aside"
)

// Severities lists them from the mildest on.
func Severities() []Severity { return []Severity{Off, Note, Warn, SetAside} }

// Check looks for one sort of fault in a lap. There is a finding where the lap's
// figure reaches the limit. A warning whose figure reaches Aside, unless that is 0, sets
// the lap aside.
type Check struct {
	Name     string
	Limit    float64
	Severity Severity
	Aside    float64
}

// severity is that of a finding of the figure.
func (c Check) severity(figure float64) Severity {
	if c.Severity == Warn && c.Aside > 0 && figure >= c.Aside {
		return SetAside
	}
	return c.Severity
}

// The checks. "The other laps" are those of the same circuit; there must be three at
// least to compare with, and the comparison is with their median. Where there are
// fewer, levels are compared with the laps of all circuits, and since circuits differ
// as well the limit then counts twice: a factor of 2 is one of 4. With two others that
// agree the limit counts once more.
const (
	// Lost: the share of the samples that the lap should have and has not.
	Lost = "lost"
	// Gaps: the longest gap in time, in nominal steps.
	Gaps = "gaps"
	// Backward: rows whose time does not advance.
	Backward = "backward"
	// Missing: rows without a finite sample.
	Missing = "missing"
	// Rate: by what share the rate departs from its nominal value within the lap, or the
	// nominal rate from that of the bike's other laps, where hardly any has the same.
	Rate = "rate"
	// Duration: the factor by which the lap lasts longer or shorter than the others.
	Duration = "duration"
	// Flat: the longest time, in s, for which a channel has one value.
	Flat = "flat"
	// Dead: the share of the samples for which a channel shows no life.
	Dead = "dead"
	// Clipping: samples at the sensor's range, or in runs at the lap's extreme.
	Clipping = "clipping"
	// Sentinel: samples of a value that stands for none, such as -9999, far beyond all others.
	Sentinel = "sentinel"
	// Spikes: up to three samples that stand out and do not ring.
	Spikes = "spikes"
	// Steps: the largest lasting shift, in times of the channel's level.
	Steps = "steps"
	// Drift: the change along a robust line, in times of the channel's level.
	Drift = "drift"
	// Level: the factor by which a channel vibrates more or less than in the others. A
	// channel of one value is infinitely far from any. A circuit's median is compared
	// with those of the other circuits as well, where the limit counts twice.
	Level = "level"
	// Unusual: by how many median absolute deviations the level departs from the bike's
	// other laps of the circuit, where there are six at least, it departs by a quarter at
	// least and Level finds nothing.
	Unusual = "unusual"
	// Swapped: the factor by which two channels' levels stand to each other otherwise
	// than in the others.
	Swapped = "swapped"
	// Duplicate: laps that hold the same samples of a channel, or nearly so.
	Duplicate = "duplicate"
	// Overlap: laps of one use that are cut from one recording and share a part with it.
	Overlap = "overlap"
	// SinglePeak: the share of the damage that one cycle does.
	SinglePeak = "single_peak"
	// FewSamples: samples per cycle at the band's upper end; a finding where fewer.
	FewSamples = "few_samples_per_cycle"
	// OutsideCalibrated: the lap's largest stress amplitude over half the widest range of
	// stress on the laps to which its gain was fitted.
	OutsideCalibrated = "outside_calibrated"
)

// Checks returns the checks with their default limits and severities, in the order
// in which tables name them. Common practice, no source. What loses samples sets a
// lap aside; what may be true of the bike is for a person to judge.
func Checks() []Check {
	return []Check{
		{SinglePeak, 0.5, Warn, 0},
		{FewSamples, 10, Warn, 0},
		{OutsideCalibrated, 1.5, Warn, 0},
		{Lost, 0.01, Warn, 0.05},
		{Gaps, 10, SetAside, 0},
		{Backward, 1, SetAside, 0},
		{Missing, 1, SetAside, 0},
		{Rate, 0.01, Warn, 0},
		{Duration, 1.5, Warn, 0},
		{Flat, 1, Warn, 0},
		{Dead, 0.1, Warn, 0},
		{Clipping, 3, Warn, 0},
		{Sentinel, 1, Warn, 0},
		{Spikes, 1, Warn, 0},
		{Steps, 3, Warn, 0},
		{Drift, 3, Warn, 0},
		{Level, 2, Warn, 0},
		{Unusual, 6, Warn, 0},
		{Swapped, 2, Warn, 0},
		{Duplicate, 2, Warn, 0},
		{Overlap, 1, Warn, 0},
	}
}

// Compares tells whether the check compares a lap with others.
func (c Check) Compares() bool {
	switch c.Name {
	case Rate, Duration, Level, Unusual, Swapped, Duplicate:
		return true
	}
	return false
}

// OfDamage tells whether the check looks at the damage at a hot spot; the others look at samples.
func (c Check) OfDamage() bool {
	return c.Name == SinglePeak || c.Name == FewSamples || c.Name == OutsideCalibrated
}

// checkPlace is a check's place in the order of the tables.
func checkPlace(name string) int {
	return slices.IndexFunc(Checks(), func(c Check) bool { return c.Name == name })
}

// OverUltimate is the flag of a lap of which a cycle reaches the ultimate stress. It
// is no check: it says what the damage is worth, not what the samples are.
const OverUltimate = "over_ultimate"

// AcceptedFlag is the flag of a finding that a person accepted.
func AcceptedFlag(check string) string { return "accepted:" + check }

// Accepted is a person's word that a lap may be used in spite of a check.
type Accepted struct{ Check, Reason string }
