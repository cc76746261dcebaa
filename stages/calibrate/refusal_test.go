package calibrate

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestRefusalIsAReasonALine(t *testing.T) {
	err := Gate{Gauge: "toe"}.refuse("acc_z", []string{`lap "A; B" is odd`, "the lag is long"}, `lag: "why"`)
	want := "gauge \"toe\" to \"acc_z\" fails its gate:\n  - lap \"A; B\" is odd\n  - the lag is long\n" +
		"  mend that, give a gain, or accept it by name with a reason: accept: {lag: \"why\"}"
	if diff := cmp.Diff(want, err.Error()); diff != "" {
		t.Error(diff)
	}
	want = `gauge "toe" to "acc_z" fails its gate: lap "A; B" is odd; the lag is long; mend that, give a gain, or accept it by name with a reason: accept: {lag: "why"}`
	if diff := cmp.Diff(want, Sentence(err.Error())); diff != "" {
		t.Error(diff)
	}
	if got := Sentence("no lap: none"); got != "no lap: none" {
		t.Errorf("Sentence changes %q, which has no list", got)
	}
}

func TestLongRefusalIsByCircuit(t *testing.T) {
	var laps []fittedLap
	var found []finding
	for i := range 8 {
		l := fittedLap{lap: fmt.Sprint("L", i), circuit: []string{"Hill", "Lake"}[i%2]}
		laps = append(laps, l)
		found = append(found, finding{TestDirection, fmt.Sprintf("on lap %q the gain is -%d MPa/g", l.lap, i)})
	}
	if got := lapsTogether(found[:6], laps); len(got) != 6 {
		t.Errorf("%d of six findings left: a short list is told one by one", len(got))
	}
	var got []string
	for _, x := range lapsTogether(append(found, finding{TestLag, `the lag of lap "L0" is long`}), laps) {
		got = append(got, x.test+": "+x.what)
	}
	want := []string{
		`direction: all laps of circuit "Hill": on lap "L0" the gain is -0 MPa/g; the like on 3 laps more: "L2", "L4", "L6"`,
		`direction: all laps of circuit "Lake": on lap "L1" the gain is -1 MPa/g; the like on 3 laps more: "L3", "L5", "L7"`,
		`lag: the lag of lap "L0" is long`,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(strings.TrimSpace(diff))
	}
}
