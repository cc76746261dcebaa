package ingest

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"lapwear/stages"
)

// Rows of texts between header and samples. Common practice, no source.
func TestRowsUnderTheHeader(t *testing.T) {
	const samples = "0,1.5,-2\n0.25,2,3\n"
	tests := []struct {
		reason, rows string
		unit         []string
		fault        string
	}{
		{"none", "", nil, ""},
		{"units", "s,g,ustrain\n", []string{"s", "g", "ustrain"}, ""},
		{"a description is no unit", "Time since start,Acceleration of the cradle in z,Strain at the weld\n", nil, ""},
		{"a description of some columns", ",Acceleration of the cradle in z,\n", nil, ""},
		{"a description above the units", "Time since start,Acceleration of the cradle in z,Strain at the weld\ns,g,ustrain\n", []string{"s", "g", "ustrain"}, ""},
		{"a description below the units", "s,g,ustrain\nTime since start,Acceleration of the cradle in z,Strain at the weld\n", []string{"s", "g", "ustrain"}, ""},
		{"units of two words are units", "s,m per s2,micro strain\n", nil, `column "AZ": the recording says "m per s2"`},
		{"single words alone are units that are not known", "s,volts,-\n", nil, `column "AZ": the recording says "volts"`},
		{"a unit of time that is not known", "ticks,g,ustrain\n", nil,
			`column "TIME": the recording gives "ticks" as the unit of time, which is none of s, ms, us, ns, min, h; correct the recording, or name another time column`},
		{"a unit of time spelled otherwise", "Seconds,g,ustrain\n", []string{"Seconds", "g", "ustrain"}, ""},
		{"another unit of time spelled otherwise", "mSec,g,ustrain\n", nil, `column "TIME": the recording says "mSec", the season "s"; correct the unit of time or the recording`},
		{"words below the units are a description: a sample has a number", "s,g,ustrain\ntime,vertical,weld\n", []string{"s", "g", "ustrain"}, ""},
		{"and so is a third row", "s,g,ustrain\ntime,vertical,weld\nraw,filtered,raw\n", []string{"s", "g", "ustrain"}, ""},
		{"a word among numbers is a fault", "s,g,ustrain\n0.1,off,off\n", nil, `line 3, column "AZ": found "off"`},
		{"a number makes it a row of samples", "Time since start,1,Strain at the weld\n", nil, `line 2, column "TIME": found "Time since start"`},
	}
	// Without a name to look for, such a row could be the header.
	if got, err := run(t, cradle, "a.csv", []byte("TIME,AZ,SG\nclock,cradle,weld\ns,g,ustrain\n"+samples)); err != nil || got[0].Frame.Rows() != 2 {
		t.Errorf("single words above the units: %v", err)
	}
	for _, tt := range tests {
		content := []byte("TIME,AZ,SG\n" + tt.rows + samples)
		got, err := run(t, cradle, "a.csv", content)
		if tt.fault != "" {
			var r *stages.Refusal
			if !errors.As(err, &r) || !strings.Contains(r.Reason, tt.fault) {
				t.Errorf("%s: error %v, want %s", tt.reason, err, tt.fault)
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		if x := column(t, got[0].Frame, "value"); !cmp.Equal(x, []float64{1.5, 2}) {
			t.Errorf("%s: samples %v", tt.reason, x)
		}
		info, err := Header(write(t, "a.csv", content))
		var units []string
		for i, c := range info.Columns {
			if c.Name != []string{"TIME", "AZ", "SG"}[i] {
				t.Errorf("%s: column %d is %q", tt.reason, i, c.Name)
			}
			units = append(units, c.Unit)
		}
		if want := tt.unit; err != nil || want != nil && !cmp.Equal(units, want) || want == nil && strings.Join(units, "") != "" {
			t.Errorf("%s: units %q, %v; want %q", tt.reason, units, err, want)
		}
	}
}

// Lines after the samples. Common practice, no source.
func TestFooters(t *testing.T) {
	const head, rows = "# cradle rig\nTIME,AZ,SG\n", "0,1.5,-2\n0.25,2,3\n"
	tests := []struct{ reason, content, fault string }{
		{"a comment as before the header", head + rows + "# end of data\n", ""},
		{"several, and blank lines", head + rows + "\n# end of data\n#\n\n# 2 rows\n", ""},
		{"a mark of its own", "% cradle rig\nTIME,AZ,SG\n" + rows + "% end, of, data\n", ""},
		{"no comment before the header", "TIME,AZ,SG\n" + rows + "# end of data\n", "line 4 has 1 cells where the header on line 1 has 3"},
		{"no comment before the header, as many cells", "TIME,AZ,SG\n" + rows + "# end,of,data\n", `line 4, column "TIME": found "# end"`},
		{"another mark than before the header", head + rows + "% end of data\n", "line 5 has 1 cells"},
		{"a word", head + rows + "END\n", "line 5 has 1 cells where the header on line 2 has 3; correct the line and export again"},
		{"a comment between samples", head + "0,1.5,-2\n# paused\n0.25,2,3\n", "line 4 is blank or a comment but samples follow; remove such lines between samples"},
		{"the delimiter marks no comment", "; cradle rig\nTIME;AZ;SG\n0;1;2\n;1;2\n1;2;3\n", ""},
	}
	for _, tt := range tests {
		path := write(t, "a.csv", []byte(tt.content))
		_, err := run(t, cradle, "a.csv", []byte(tt.content))
		looked := Inspect(path, []Params{cradle})[0].Faults
		if tt.fault == "" {
			if err != nil || len(looked) > 0 {
				t.Errorf("%s: %v, inspected %v", tt.reason, err, looked)
			}
			continue
		}
		var r *stages.Refusal
		if !errors.As(err, &r) || !strings.Contains(r.Reason, tt.fault) {
			t.Errorf("%s: error %v, want %s", tt.reason, err, tt.fault)
		}
		if len(looked) == 0 {
			t.Errorf("%s: nothing is found by a look", tt.reason)
		}
	}
}
