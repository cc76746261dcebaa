package ingest

import (
	"bytes"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lapwear/stages"
)

// sampled is a channel group of one channel with noise at a rate from a time on.
func sampled(name, unit string, start, rate float64, n int, lost ...int) group {
	rng := rand.New(rand.NewPCG(uint64(n), 2))
	var t, x []float64
	for i := range n {
		v := rng.NormFloat64()
		if len(lost) > 0 && i == lost[0] {
			lost = lost[1:]
			continue
		}
		t, x = append(t, start+float64(i)/rate), append(x, v)
	}
	return group{values: 16, puts: []put{
		{name: "TIME", unit: "s", kind: master, sync: 1, data: 4, bits: 64, rows: t},
		{name: name, unit: unit, data: 4, at: 8, bits: 64, rows: x},
	}}
}

// Law: channels of several groups are those of files that hold one group each.
func TestMDFGroupsAreFilesOfTheirOwn(t *testing.T) {
	dt := place{kind: "DT"}
	fast, middle, slow := sampled("AZ", "g", 5, 1000, 4000), sampled("SG", "ustrain", 5.0007, 300, 1200), sampled("TEMP", "degC", 4.96, 10, 41)
	units := map[string]string{"AZ": "g", "SG": "ustrain", "TEMP": "degC"}
	for _, window := range [][2]float64{{nan, nan}, {5.5, 7.25}, {nan, 6}} {
		params := func(columns ...string) Params {
			p := Params{Time: Time{Column: "TIME", Scale: 1}, StartS: window[0], EndS: window[1]}
			for _, c := range columns {
				p.Channels = append(p.Channels, Channel{c, c, units[c]})
			}
			return p
		}
		file := mdfFile([]place{dt, {kind: "DZ"}, dt}, []group{slow, fast, middle}).b
		columns := []string{"SG", "AZ", "TEMP"}
		got, err := run(t, params(columns...), "a.mf4", file)
		if err != nil {
			t.Fatalf("%v: %v", window, err)
		}
		for i, g := range []group{middle, fast, slow} {
			want, err := run(t, params(columns[i]), "own.mf4", mdfOf(dt, g))
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(got[i].Frame.AppendEncoded(nil), want[0].Frame.AppendEncoded(nil)) {
				t.Errorf("%v, %s: %v, in a file of its own %v", window, columns[i], got[i].Frame.Attrs(), want[0].Frame.Attrs())
			}
			q := figuresOf(t, got, i)
			if q["missing"] != 0.0 || q["gaps"] != 0.0 || q["lost_share"] != 0.0 || q["duration_s"] != figuresOf(t, got, 0)["duration_s"] {
				t.Errorf("%v, %s: %v", window, columns[i], q)
			}
		}
	}
}

// What a group lacks is its channels' alone, and told by its records.
func TestMDFGroupThatLacksSamples(t *testing.T) {
	dt := place{kind: "DT"}
	p := Params{Time: Time{Column: "TIME", Scale: 1}, StartS: nan, EndS: nan, Channels: []Channel{{"acc", "AZ", "g"}, {"toe", "SG", "ustrain"}}}
	fast := sampled("AZ", "g", 5, 1000, 4000)
	tests := []struct {
		reason string
		gauge  group
		lost   float64
		gapAt  string
	}{
		{"one sample", sampled("SG", "ustrain", 5, 100, 400, 200), 1.0 / 400, `group 2, record 201, column "TIME"`},
		{"the last quarter", sampled("SG", "ustrain", 5, 100, 300), 0.25, ""},
		{"the first and the last", sampled("SG", "ustrain", 5.4, 100, 320), 0.2, ""},
	}
	for _, tt := range tests {
		outs, err := run(t, p, "a.mf4", mdfFile([]place{dt, dt}, []group{fast, tt.gauge}).b)
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		q, other := figuresOf(t, outs, 1), figuresOf(t, outs, 0)
		if math.Abs(q["lost_share"].(float64)-tt.lost) > 0.003 || q["gap_at"] != tt.gapAt || math.Abs(q["duration_s"].(float64)-4) > 1e-9 {
			t.Errorf("%s: lost %v, a gap at %q, %v s; want %v, %q, 4 s", tt.reason, q["lost_share"], q["gap_at"], q["duration_s"], tt.lost, tt.gapAt)
		}
		if other["lost_share"] != 0.0 || other["gaps"] != 0.0 {
			t.Errorf("%s: the other channel lacks %v, %v gaps", tt.reason, other["lost_share"], other["gaps"])
		}
	}
	_, err := run(t, p, "a.mf4", mdfFile([]place{dt, dt}, []group{fast, sampled("SG", "ustrain", 5, 100, 150)}).b)
	var r *stages.Refusal
	if !errors.As(err, &r) || !strings.Contains(r.Reason, "250 of 400 samples are not there") {
		t.Errorf("over half is lost: error %v, want a refusal", err)
	}
}

// A look at a recording of several groups finds no fault with what is read, and knows its
// extent.
func TestInspectMDFGroups(t *testing.T) {
	dt := place{kind: "DT"}
	path := filepath.Join(t.TempDir(), "a.mf4")
	file := mdfFile([]place{dt, dt}, []group{sampled("SG", "ustrain", 5, 100, 400), sampled("AZ", "g", 5.2, 1000, 4000)}).b
	if err := os.WriteFile(path, file, 0o600); err != nil {
		t.Fatal(err)
	}
	p := Params{Time: Time{Column: "TIME", Scale: 1}, StartS: nan, EndS: nan, Channels: []Channel{{"acc", "AZ", "g"}, {"toe", "SG", "ustrain"}}}
	early, late := p, p
	early.StartS, early.EndS = 5, 8
	late.StartS, late.EndS = 8, 19
	got := Inspect(path, []Params{p, early, late})
	if len(got[0].Faults) > 0 || len(got[1].Faults) > 0 || got[0].Rate != 1000 && math.Abs(got[0].Rate-1000) > 1e-6 {
		t.Errorf("%+v, want no faults and 1000 Hz", got[:2])
	}
	if len(got[2].Faults) != 1 || !strings.Contains(got[2].Faults[0].Error(), "end_s 19 is outside the recording, which goes from 5 s to 9.199") {
		t.Errorf("faults %v, want one of an end outside", got[2].Faults)
	}
	if err := p.Check(path); err != nil {
		t.Error(err)
	}
}
