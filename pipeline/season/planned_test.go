package season

import (
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// What is planned is held against what was recorded, and names against one another. The
// limit of a tenth is common practice, no source; ratios are worked out by hand.
func TestPlannedAgainstRecorded(t *testing.T) {
	const laps = "lap_id,file,circuit,rider,setup,distance_km\nL1,a.csv,Hochmoor,Ann,firm,4\nL2,b.csv,Südring,Ann,firm,3\nL3,c.csv,Hochmoor,Ann,firm,4.2\nL4,d.csv,Hochmoor,Ann,firm,4\n"
	for _, row := range []struct {
		reason, laps, calendar string
		warnings, faults       []string
	}{
		{"all is planned, a lap a twentieth longer", laps, "circuit,laps,lap_km\nHochmoor,9,4.1\nSüdring,1,3\n", nil, nil},
		{"a recorded circuit is not planned", laps, "circuit,laps\nHochmoor,9\n",
			[]string{`calendar.csv:2:1: the calendar plans no lap of what was recorded at "Südring": it adds nothing to the season; add rows if the component will run there`}, nil},
		{"nor with no laps", laps, "circuit,laps\nHochmoor,9\nSüdring,0\n",
			[]string{`calendar.csv:2:1: the calendar plans no lap of what was recorded at "Südring": it adds nothing to the season; add rows if the component will run there`}, nil},
		{"nothing is planned", laps, "circuit,laps\nHochmoor,0\nSüdring,0\n", nil,
			[]string{"calendar.csv:2:1: the calendar plans no laps at all; give the laps that the component will run, or leave the calendar out"}},
		{"another layout", laps, "circuit,laps,lap_km\nHochmoor,9,8\nSüdring,1,3\n",
			[]string{`calendar.csv:2:1: lap_km 8 of circuit "Hochmoor" is 2 times the recorded laps' median of 4 km; correct lap_km, or give another layout a name of its own`}, nil},
		{"no lap has a length", "lap_id,file,circuit\nL1,a.csv,Hochmoor\n", "circuit,laps,lap_km\nHochmoor,9,8\n", nil, nil},
		{"a lap's length is a slip", laps + "L5,e.csv,Hochmoor,Ann,firm,0.0004\n", "circuit,laps\nHochmoor,9\nSüdring,1\n",
			[]string{`laps.csv:6:4: distance_km 0.0004 of lap "L5" is 0.0001 times the median of circuit "Hochmoor", 4 km; correct it, else damage per km is wrong; or give another layout a name of its own`}, nil},
		{"names in two spellings", laps + "L5,e.csv,Hochmoor,ann,Firm,4\n", "circuit,laps\nHochmoor,9\nSüdring,1\n",
			[]string{`laps.csv:6:4: rider "Ann" and "ann" count as two; spell them alike if they are one`,
				`laps.csv:6:4: setup "firm" and "Firm" count as two; spell them alike if they are one`}, nil},
	} {
		t.Run(row.reason, func(t *testing.T) {
			dir := small(t, map[string]string{"season.yaml": smallSeason + "calendar: calendar.csv\n", "laps.csv": row.laps, "calendar.csv": row.calendar})
			s, faults := Load(filepath.Join(dir, "season.yaml"), LoadOptions{})
			if diff := cmp.Diff(row.faults, short(dir, faults)); diff != "" {
				t.Fatalf("faults (-want +got):\n%s", diff)
			}
			if s == nil {
				return
			}
			if diff := cmp.Diff(row.warnings, short(dir, s.Warnings)); diff != "" {
				t.Errorf("warnings (-want +got):\n%s", diff)
			}
		})
	}
}
