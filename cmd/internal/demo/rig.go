package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
)

// Drive is one repeat of what the rig is asked for, in g, at a rate in Hz.
type Drive struct {
	Rate float64
	X, Z []float64
}

// rigRun is one recording of the invented rig. It follows the drive at a level and loses a share of what lies above rigCorner; the
// gauges feel so much of what the track would make of the same motion.
type rigRun struct {
	file        string
	level, lost float64
	mass        float64 // kg; 0 = no gauges are recorded
}

// rigCorner is the frequency in Hz about which the rig falls behind.
const rigCorner = 30

// The stress on the rig over that on the track: inertia in proportion to the mass, and a fixed part from the fixture.
const (
	toePerKg, toeFixed   = 0.062, 0.13
	borePerKg, boreFixed = 0.055, 0.22
	runScatter           = 0.008 // standard deviation of a run's stress, from one mounting to the next
)

// rigRuns are three iterations of the drive and four runs with ballast.
var rigRuns = []rigRun{
	{"rig/run-1.parquet", 0.88, 0.35, 0},
	{"rig/run-2.parquet", 0.96, 0.15, 0},
	{"rig/run-3.parquet", 1.00, 0.03, 0},
	{"rig/ballast-11kg.parquet", 1.00, 0.03, 11},
	{"rig/ballast-13kg.parquet", 1.00, 0.03, 13},
	{"rig/ballast-15kg.parquet", 1.00, 0.03, 15},
	{"rig/ballast-17kg.parquet", 1.00, 0.03, 17},
}

// Runs are the recordings of the rig: iterations in order, and runs with ballast of the masses beside them.
type Runs struct {
	Iterations, Ballast []string
	Masses              []float64
}

// rigRepeats is how many repeats a recording of the rig holds; the first begins in the middle of one.
const rigRepeats = 2.6

// WriteRig writes what the invented rig made of a drive into a folder that Write has filled.
// Equal drives and seeds give equal bytes.
func WriteRig(ctx context.Context, dir string, d Drive, seed uint64) (Runs, error) {
	var out Runs
	if len(d.X) != len(d.Z) || len(d.X) == 0 || !(d.Rate > 0) {
		return out, fmt.Errorf("write rig recordings: the drive has %d and %d samples at %g Hz; plan the test again", len(d.X), len(d.Z), d.Rate)
	}
	root, err := os.OpenRoot(dir)
	if err != nil {
		return out, fmt.Errorf("open season folder: %w", err)
	}
	defer root.Close()
	if err := root.Mkdir("rig", 0o777); err != nil && !errors.Is(err, fs.ErrExist) {
		return out, fmt.Errorf("write rig recordings: %w", err)
	}
	for _, r := range rigRuns {
		if err := ctx.Err(); err != nil {
			return out, err
		}
		s := r.record(d, newStream(seed, r.file))
		if err := writeWhole(root, r.file, func(w io.Writer) error { return writeParquet(w, s.rigColumns()) }); err != nil {
			return out, fmt.Errorf("write rig recordings: %w", err)
		}
		path := filepath.Join(dir, filepath.FromSlash(r.file))
		if r.mass > 0 {
			out.Ballast, out.Masses = append(out.Ballast, path), append(out.Masses, r.mass)
		} else {
			out.Iterations = append(out.Iterations, path)
		}
	}
	return out, nil
}

// record is what sensors tell of a run.
func (r rigRun) record(d Drive, rng *rand.Rand) samples {
	n := int(rigRepeats * float64(len(d.X)))
	begin := len(d.X) / 2
	head := load{x: r.follow(d.X, d.Rate, begin, n), y: make([]float64, n), z: r.follow(d.Z, d.Rate, begin, n)}
	s := samples{time: make([]float32, n), ax: sense(head.x, rng), ay: sense(head.y, rng), az: sense(head.z, rng)}
	for i := range s.time {
		s.time[i] = float32(float64(i) / d.Rate)
	}
	if r.mass == 0 {
		return s
	}
	toe := (toePerKg*r.mass + toeFixed) * (1 + runScatter*rng.NormFloat64())
	bore := (borePerKg*r.mass + boreFixed) * (1 + runScatter*rng.NormFloat64())
	feels := load{x: scaled(head.x, bore), y: head.y, z: scaled(head.z, toe)}
	s.toe, s.bore = feels.strain(rng)
	return s
}

// follow runs the drive over and over through the rig, from a place in the drive on.
func (r rigRun) follow(x []float64, rate float64, begin, n int) []float64 {
	share := 1 - math.Exp(-2*math.Pi*rigCorner/rate)
	out := make([]float64, n)
	slow := x[begin]
	for i := range out {
		v := x[(begin+i)%len(x)]
		slow += share * (v - slow)
		out[i] = r.level * ((1-r.lost)*v + r.lost*slow)
	}
	return out
}

func scaled(x []float64, by float64) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = by * v
	}
	return out
}

// rigColumns are the columns that a rig records, named as on the bike.
func (s samples) rigColumns() []column {
	cols := []column{{"TIME", "s", 3, s.time}, {"AX_CRADLE", "g", 5, s.ax}, {"AY_CRADLE", "g", 5, s.ay}, {"AZ_CRADLE", "g", 5, s.az}}
	if s.toe != nil {
		cols = append(cols, column{"SG_TOE", "ustrain", 2, s.toe}, column{"SG_BORE", "ustrain", 2, s.bore})
	}
	return cols
}
