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

// lapsTogether gathers what is wrong with laps by test and circuit, where the list is long
// or all laps of a circuit have it: the first lap's in full, then the names of the others.
func lapsTogether(found []finding, laps []fittedLap) []finding {
	type group struct{ test, circuit string }
	var order []group
	of := map[group][]finding{}
	for _, x := range found {
		k := group{x.test, x.lapOf(laps).circuit}
		if of[k] == nil {
			order = append(order, k)
		}
		of[k] = append(of[k], x)
	}
	var out []finding
	for _, k := range order {
		whole := 0
		for _, l := range laps {
			if l.circuit == k.circuit {
				whole++
			}
		}
		n := len(of[k])
		if n < 2 || n < whole && len(found) <= mostReasons {
			out = append(out, of[k]...)
			continue
		}
		out = append(out, ofCircuit(of[k], laps, k.circuit, n == whole))
	}
	return out
}

// ofCircuit makes one finding of those of several laps of a circuit.
func ofCircuit(found []finding, laps []fittedLap, circuit string, whole bool) finding {
	x := found[0]
	var others []string
	for _, o := range found[1:] {
		others = append(others, strconv.Quote(o.lapOf(laps).lap))
	}
	of := "circuit"
	switch {
	case whole && x.test == TestAgree:
		of = "the gain is another on all laps of circuit"
	case whole:
		of = "all laps of circuit"
	}
	x.what = fmt.Sprintf("%s %q: %s; the like on %s more: %s", of, circuit, x.what, plural(float64(len(others)), "lap"), strings.Join(others, ", "))
	return x
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
