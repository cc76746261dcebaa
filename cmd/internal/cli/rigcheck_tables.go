package cli

import (
	"lapwear/pipeline/season"
	"lapwear/stages/frame"
	"lapwear/stages/rig"
)

// tables lays out what was found.
func (r *rigResult) tables() []season.Table {
	out := []season.Table{
		{Name: "iterations", Frame: r.iterationsFrame()}, {Name: "axes", Frame: axesFrame(r.axes())},
		{Name: "spectrum", Frame: r.spectra()}, {Name: "levels", Frame: r.levels()}}
	if len(r.ballasts) > 0 {
		out = append(out, season.Table{Name: "ballast", Frame: ballastFrame(r.ballasts)}, season.Table{Name: "felt", Frame: r.feltFrame()})
	}
	return out
}

// reals adds columns of numbers by their names and units.
func reals[R any](l *frame.Layout[R], columns ...realOf[R]) {
	for _, c := range columns {
		l.Number(c.name, c.unit, func(r *R) float64 { return float64(c.of(r)) })
	}
}

type realOf[R any] struct {
	name, unit string
	of         func(r *R) rig.Real
}

func (r *rigResult) iterationsFrame() *frame.Frame {
	l := &frame.Layout[iteration]{Rows: r.iterations()}
	l.Text("recording", func(i *iteration) string { return i.Recording })
	l.Text("hotspot", func(i *iteration) string { return i.Hotspot })
	l.Text("by", func(i *iteration) string { return i.By })
	reals(l, realOf[iteration]{"mass_kg", "kg", func(i *iteration) rig.Real { return i.Mass }},
		realOf[iteration]{"correlation", "", func(i *iteration) rig.Real { return i.Correlation }},
		realOf[iteration]{"begins_s", "s", func(i *iteration) rig.Real { return i.Begins }},
		realOf[iteration]{"clock_ppm", "", func(i *iteration) rig.Real { return i.Clock }})
	l.Count("repeats", func(i *iteration) int { return i.Repeats })
	l.Count("repeats_judged", func(i *iteration) int { return i.Judged })
	reals(l, realOf[iteration]{"between_s", "s", func(i *iteration) rig.Real { return i.Between }}, realOf[iteration]{"rms_error", "", func(i *iteration) rig.Real { return i.Error }},
		realOf[iteration]{"damage_ratio", "", func(i *iteration) rig.Real { return i.Ratio }},
		realOf[iteration]{"damage_ratio_low", "", func(i *iteration) rig.Real { return i.Low }},
		realOf[iteration]{"damage_ratio_high", "", func(i *iteration) rig.Real { return i.High }})
	l.Text("nearer", func(i *iteration) string { return i.Nearer })
	reals(l, realOf[iteration]{"damage_done", "", func(i *iteration) rig.Real { return i.Done }},
		realOf[iteration]{"damage_so_far", "", func(i *iteration) rig.Real { return i.SoFar }},
		realOf[iteration]{"so_far_over_wanted", "", func(i *iteration) rig.Real { return i.Reached }})
	l.Text("drive_sha256", func(*iteration) string { return r.rc.Plan.Files[driveFile].SHA256 })
	return l.Frame()
}

// driveFile is the plan's name for the drive that recordings are held against.
const driveFile = driveName + "_parquet"

func axesFrame(axes []axisJSON) *frame.Frame {
	l := &frame.Layout[axisJSON]{Rows: axes}
	l.Text("recording", func(x *axisJSON) string { return x.Recording })
	l.Text("axis", func(x *axisJSON) string { return x.Axis })
	type of = realOf[axisJSON]
	reals(l, of{"rms_error", "", func(x *axisJSON) rig.Real { return x.Error }}, of{"rms_ratio", "", func(x *axisJSON) rig.Real { return x.RMS }},
		of{"band_power_ratio", "", func(x *axisJSON) rig.Real { return x.BandPower }},
		of{"power_beyond_band", "", func(x *axisJSON) rig.Real { return x.Outside }},
		of{"worst_third_hz", "Hz", func(x *axisJSON) rig.Real { return x.WorstHz }},
		of{"worst_third_power_ratio", "", func(x *axisJSON) rig.Real { return x.Worst }},
		of{"max_unit", "", func(x *axisJSON) rig.Real { return x.Max }}, of{"drive_max_unit", "", func(x *axisJSON) rig.Real { return x.DriveMax }},
		of{"min_unit", "", func(x *axisJSON) rig.Real { return x.Min }}, of{"drive_min_unit", "", func(x *axisJSON) rig.Real { return x.DriveMin }},
		of{"level_difference_unit", "", func(x *axisJSON) rig.Real { return x.Level }},
		of{"level_crossings_off", "", func(x *axisJSON) rig.Real { return x.Crossings }})
	return l.Frame()
}

func ballastFrame(ballasts []ballastOf) *frame.Frame {
	l := &frame.Layout[ballastOf]{Rows: ballasts}
	type of = realOf[ballastOf]
	l.Text("hotspot", func(b *ballastOf) string { return b.Hotspot })
	l.Text("by", func(b *ballastOf) string { return b.By })
	reals(l, of{"mass_kg", "kg", func(b *ballastOf) rig.Real { return b.Mass }}, of{"mass_low_kg", "kg", func(b *ballastOf) rig.Real { return b.Low }},
		of{"mass_high_kg", "kg", func(b *ballastOf) rig.Real { return b.High }},
		of{"stress_over_track_per_kg", "1/kg", func(b *ballastOf) rig.Real { return b.PerKg }},
		of{"stress_over_track_fixed", "", func(b *ballastOf) rig.Real { return b.Fixed }},
		of{"residual", "", func(b *ballastOf) rig.Real { return b.Residual }})
	l.Count("points", func(b *ballastOf) int { return b.Points })
	l.Text("refused", func(b *ballastOf) string { return b.Why })
	return l.Frame()
}

// feltRow is what a hot spot felt in one run.
type feltRow struct {
	hotspot, by, recording string
	felt                   rig.Felt
}

func (r *rigResult) feltFrame() *frame.Frame {
	l := &frame.Layout[feltRow]{}
	for h, s := range r.rc.Wanted.Spots {
		for k, by := range measures {
			for i, f := range r.felt[k][h] {
				l.Rows = append(l.Rows, feltRow{s.Meter.Spot.Name, by, r.checks[i].Name, f})
			}
		}
	}
	l.Text("hotspot", func(f *feltRow) string { return f.hotspot })
	l.Text("by", func(f *feltRow) string { return f.by })
	l.Text("recording", func(f *feltRow) string { return f.recording })
	l.Number("mass_kg", "kg", func(f *feltRow) float64 { return f.felt.Mass })
	l.Number("stress_over_track", "", func(f *feltRow) float64 { return f.felt.Ratio })
	return l.Frame()
}

// ofRecording is a row of one recording.
type ofRecording[R any] struct {
	recording string
	row       R
}

func rowsOf[R any](checks []rig.Check, of func(rig.Check) []R) *frame.Layout[ofRecording[R]] {
	l := &frame.Layout[ofRecording[R]]{}
	for _, c := range checks {
		for _, r := range of(c) {
			l.Rows = append(l.Rows, ofRecording[R]{c.Name, r})
		}
	}
	l.Text("recording", func(r *ofRecording[R]) string { return r.recording })
	return l
}

func (r *rigResult) spectra() *frame.Frame {
	l := rowsOf(r.checks, func(c rig.Check) []rig.Ratio { return c.Spectra })
	type row = ofRecording[rig.Ratio]
	l.Text("axis", func(x *row) string { return x.row.Channel })
	l.Number("third_hz", "Hz", func(x *row) float64 { return x.row.Hz })
	l.Number("drive_power_unit2", "", func(x *row) float64 { return x.row.Drive })
	l.Number("recording_power_unit2", "", func(x *row) float64 { return x.row.Recording })
	l.Number("power_ratio", "", func(x *row) float64 { return x.row.Recording / x.row.Drive })
	return l.Frame()
}

func (r *rigResult) levels() *frame.Frame {
	l := rowsOf(r.checks, func(c rig.Check) []rig.Crossing { return c.Levels })
	type row = ofRecording[rig.Crossing]
	l.Text("axis", func(x *row) string { return x.row.Channel })
	l.Number("level_unit", "", func(x *row) float64 { return x.row.Level })
	l.Number("drive_rises", "", func(x *row) float64 { return x.row.Drive })
	l.Number("recording_rises", "", func(x *row) float64 { return x.row.Recording })
	return l.Frame()
}
