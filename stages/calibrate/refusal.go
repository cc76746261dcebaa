package calibrate

import (
	"fmt"
	"strconv"
	"strings"

	"lapwear/stages"
)

// nextReason begins a line with a reason of a refusal; the last line is the remedy.
const nextReason = "\n  - "

// refuse says all that is wrong with a fit, a reason a line.
func (g Gate) refuse(channel string, reasons []string, open string) error {
	return stages.Refuse("gauge %q to %q fails its gate:%s%s\n  mend that, give a gain, or accept it by name with a reason: accept: {%s}",
		g.Gauge, channel, nextReason, strings.Join(reasons, nextReason), open)
}

// Reasons takes a refusal apart: what failed, why, and what to do. What is no list of
// reasons is all head.
func Reasons(reason string) (head string, why []string, remedy string) {
	head, rest, long := strings.Cut(reason, ":"+nextReason)
	if !long {
		return reason, nil, ""
	}
	rest, remedy, _ = strings.Cut(rest, "\n  mend")
	return head, strings.Split(rest, nextReason), "mend" + remedy
}

// Sentence writes a refusal on one line.
func Sentence(reason string) string {
	head, why, remedy := Reasons(reason)
	if why == nil {
		return head
	}
	return head + ": " + strings.Join(why, "; ") + "; " + remedy
}

// mostReasons is how many laps are told of one by one.
const mostReasons = 6

// lapsTogether gathers what is wrong with laps by test and circuit where it is long: the
// first lap's in full, then the names of the others.
func lapsTogether(found []finding, laps []fittedLap) []finding {
	if len(found) <= mostReasons {
		return found
	}
	type group struct{ test, circuit string }
	var order []group
	first, others := map[group]finding{}, map[group][]string{}
	for _, x := range found {
		l := x.lapOf(laps)
		k := group{x.test, l.circuit}
		if _, seen := first[k]; !seen {
			first[k], order = x, append(order, k)
			continue
		}
		others[k] = append(others[k], strconv.Quote(l.lap))
	}
	var out []finding
	for _, k := range order {
		x := first[k]
		if n := len(others[k]); n > 0 {
			x.what = fmt.Sprintf("circuit %q: %s; the like on %s more: %s", k.circuit, x.what, plural(float64(n), "lap"), strings.Join(others[k], ", "))
		}
		out = append(out, x)
	}
	return out
}

// lapOf is the lap that a finding names.
func (x finding) lapOf(laps []fittedLap) fittedLap {
	for _, l := range laps {
		if strings.Contains(x.what, "lap "+strconv.Quote(l.lap)) {
			return l
		}
	}
	return fittedLap{}
}

// bends tells whether a lap with this finding makes the transfer function of all laps look
// uneven: not one of another gain, which a resonance brings about itself.
func (x finding) bends() bool {
	return x.test == TestSwapped || x.test == TestDirection || x.test == TestLag
}
