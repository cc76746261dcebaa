package demo

// circuit is one invented circuit and what riding it does to the cradle.
type circuit struct {
	name string // as the manifest and the calendar write it
	km   float64

	corners  int
	tightest float64 // radius of the tightest corner, m
	top      float64 // highest speed, m/s

	surface float64 // vertical vibration at 50 m/s on the plain surface, g rms
	patches int     // stretches of broken surface in a lap
	patch   float64 // how much rougher a patch is: 1 doubles the vibration

	kerbs  float64 // kerb strikes in an ordinary lap
	strike float64 // peak of an ordinary strike, g

	practice, qualifying, race int // laps in the season's calendar
}

// circuits holds every circuit of the season in the order of the events. The
// names are invented; so is every figure. The package comment prints this table.
var circuits = []circuit{
	{"Halvorn", 4.62, 13, 42, 66, 0.98, 3, 0.5, 6, 4.8, 34, 8, 92},
	{"Brekkona", 3.18, 11, 30, 56, 1.42, 6, 0.9, 11, 7.0, 36, 10, 104},
	{"Saltmarn", 5.24, 12, 60, 74, 0.70, 2, 0.3, 3, 3.6, 30, 8, 80},
	{"Tirvane", 4.05, 14, 34, 62, 1.12, 4, 0.7, 8, 5.4, 38, 9, 96},
	{"Oskelund", 3.46, 10, 38, 60, 0.86, 3, 0.4, 9, 5.2, 32, 9, 104},
	{"Quarrow", 4.88, 14, 46, 70, 1.24, 7, 1.0, 5, 5.6, 30, 7, 84},
	{"Vintermoor", 5.61, 13, 58, 74, 0.64, 1, 0.3, 2, 3.4, 28, 7, 74},
	{"Pellagrove", 3.82, 13, 32, 58, 1.04, 4, 0.6, 14, 6.0, 36, 9, 98},
	{"Dunmirk", 3.02, 9, 33, 58, 1.30, 5, 0.8, 7, 6.2, 40, 10, 110},
	{"Lagodora", 4.31, 12, 45, 68, 0.76, 2, 0.4, 4, 4.2, 32, 8, 90},
}

// rider is how one invented rider differs from the ordinary one, as factors.
type rider struct {
	name  string
	pace  float64 // speed
	level float64 // vibration and strikes
	kerbs float64 // how often a kerb is hit
}

var riders = []rider{
	{"I. Ombrel", 1.000, 1.00, 1.00},
	{"S. Quillane", 1.008, 1.06, 1.30},
	{"T. Vastrow", 0.988, 0.96, 0.70},
}

// level is a named factor on vibration and strikes.
type level struct {
	name   string
	factor float64
}

var (
	bikes  = []level{{"EB-1", 1.00}, {"EB-2", 1.02}}
	setups = []level{{"firm", 1.07}, {"supple", 0.95}}
)

// testCircuits are where the gauges were fitted, as indices into circuits. A
// transfer fitted on one can thus be checked on another.
var testCircuits = []int{3, 4, 7}

// testLaps is how many laps were run with gauges at each of testCircuits.
const testLaps = 2
