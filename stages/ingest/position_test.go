package ingest

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"lapwear/stages"
	"lapwear/stages/frame"
)

// What a lap's distance lacks costs nothing but the distance.
func TestPositionIsReadWhereItIs(t *testing.T) {
	for _, tt := range []struct {
		reason, text string
		want         []float64
	}{
		{"there", "TIME,AZ,DIST\n0,1,0\n0.1,2,5\n0.2,1,10\n0.3,2,15\n", []float64{0, 5, 10, 15}},
		{"not there", "TIME,AZ\n0,1\n0.1,2\n0.2,1\n0.3,2\n", []float64{}},
		{"text in it", "TIME,AZ,DIST\n0,1,a\n0.1,2,b\n0.2,1,c\n0.3,2,d\n", []float64{}},
		{"in another unit", "TIME,AZ,DIST [km]\n0,1,0\n0.1,2,5\n0.2,1,10\n0.3,2,15\n", []float64{}},
	} {
		path := filepath.Join(t.TempDir(), "lap.csv")
		if err := os.WriteFile(path, []byte(tt.text), 0o666); err != nil {
			t.Fatal(err)
		}
		p := Params{Time: Time{Column: "TIME", Scale: 1}, Channels: []Channel{{"z", "AZ", "g"}}, Ranges: []float64{50},
			Position: Channel{"dist", "DIST", "m"}, StartS: math.NaN(), EndS: math.NaN()}
		out, err := p.Run(context.Background(), stages.Inputs{File: stages.File{Path: path}})
		if err != nil {
			t.Errorf("%s: %v", tt.reason, err)
			continue
		}
		var names []string
		for _, o := range out {
			names = append(names, o.Name)
		}
		if diff := cmp.Diff([]string{"z", "dist", QualityOutput}, names); diff != "" {
			t.Errorf("%s: outputs (-want +got):\n%s", tt.reason, diff)
			continue
		}
		z, _ := frame.Numbers(out[0].Frame, "value", nil)
		got, _ := frame.Numbers(out[1].Frame, "value", nil)
		if diff := cmp.Diff([][]float64{{1, 2, 1, 2}, tt.want}, [][]float64{z, got}); diff != "" {
			t.Errorf("%s: signals (-want +got):\n%s", tt.reason, diff)
		}
	}
}

// A distance in a channel group of its own, that begins earlier and ends later, changes
// nothing of what the other channels give.
func TestPositionsGroupDoesNotJudge(t *testing.T) {
	dt := place{kind: "DT"}
	file := mdfFile([]place{dt, dt}, []group{sampled("AZ", "g", 5, 1000, 4000), sampled("DIST", "m", 3, 10, 81)}).b
	for _, window := range [][2]float64{{nan, nan}, {5.5, 7.25}, {nan, 6}} {
		p := Params{Time: Time{Column: "TIME", Scale: 1}, StartS: window[0], EndS: window[1], Channels: []Channel{{"z", "AZ", "g"}}}
		want, err := run(t, p, "a.mf4", file)
		if err != nil {
			t.Fatal(err)
		}
		p.Position = Channel{"dist", "DIST", "m"}
		got, err := run(t, p, "a.mf4", file)
		if err != nil {
			t.Fatal(err)
		}
		if got[1].Frame.Rows() == 0 {
			t.Errorf("%v: the distance is not read", window)
		}
		without := []stages.Output{got[0], got[2]}
		if diff := cmp.Diff(figuresOf(t, want, 0), figuresOf(t, without, 0), cmpopts.EquateNaNs()); diff != "" {
			t.Errorf("%v: quality without and with a distance (-without +with):\n%s", window, diff)
		}
	}
}
