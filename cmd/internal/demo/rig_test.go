package demo

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"testing"

	"lapwear/stages/frame"
)

// A rig that loses nothing at a level gives the drive times the level; its gauges feel the ballast's line.
func TestRigFollowsTheDrive(t *testing.T) {
	dir := t.TempDir()
	d := Drive{Rate: 1024}
	for i := range 4096 {
		d.X = append(d.X, 2*math.Sin(2*math.Pi*5*float64(i)/1024))
		d.Z = append(d.Z, 3*math.Sin(2*math.Pi*5*float64(i)/1024))
	}
	runs, err := WriteRig(context.Background(), dir, d, 0)
	if err != nil {
		t.Fatal(err)
	}
	if len(runs.Iterations) != 3 || len(runs.Ballast) != len(runs.Masses) {
		t.Fatalf("runs %+v, want three iterations and a mass for each other", runs)
	}
	rms := func(path, name string) float64 {
		src, err := frame.OpenParquet(path)
		if err != nil {
			t.Fatal(err)
		}
		defer src.Close()
		x, err := src.Read([]string{name})
		if err != nil {
			t.Fatal(err)
		}
		mean, sum := 0.0, 0.0
		for _, v := range x[0] {
			mean += v / float64(len(x[0]))
		}
		for _, v := range x[0] {
			sum += (v - mean) * (v - mean)
		}
		return math.Sqrt(sum / float64(len(x[0])))
	}
	if got, want := rms(runs.Iterations[2], "AZ_CRADLE"), 3/math.Sqrt2; math.Abs(got/want-1) > 0.01 {
		t.Errorf("the last iteration moves %g g rms, want about %g", got, want)
	}
	if first := rms(runs.Iterations[0], "AZ_CRADLE"); first > 0.92*3/math.Sqrt2 {
		t.Errorf("the first iteration moves %g g rms, want much less than the drive", first)
	}
	for i, m := range runs.Masses {
		want := (toePerKg*m + toeFixed) * toePerG * 3 / math.Sqrt2 / modulus * 1e6
		if got := rms(runs.Ballast[i], "SG_TOE"); math.Abs(got/want-1) > 0.04 {
			t.Errorf("%g kg: the gauge reads %g ustrain rms, want about %g", m, got, want)
		}
	}
	again := t.TempDir()
	if _, err := WriteRig(context.Background(), again, d, 0); err != nil {
		t.Fatal(err)
	}
	for _, r := range rigRuns {
		a, err1 := os.ReadFile(filepath.Join(dir, r.file))
		b, err2 := os.ReadFile(filepath.Join(again, r.file))
		if err1 != nil || err2 != nil || string(a) != string(b) {
			t.Errorf("%s: equal drives give other bytes (%v, %v)", r.file, err1, err2)
		}
	}
	if _, err := WriteRig(context.Background(), dir, Drive{}, 0); err == nil {
		t.Error("a drive without samples was run")
	}
}
