package aggregate

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// observed is a lap that tells of a factor's level: y is log10 of its damage a km.
type observed struct {
	lap            string
	level, circuit int // numbers from 0
	y              float64
}

// effect is by how much a level departs from what it is compared with, in log10 of
// damage; NaN where the laps cannot tell.
type effect struct {
	group    int // levels of one group share circuits, directly or through others; 0 = the level has no lap
	value    float64
	low      float64 // 95 % interval
	high     float64
	p, holm  float64 // two-sided; holm is adjusted for all levels compared
	freedom  float64 // degrees of freedom of the residual
	contrast []float64
	note     string
}

// noReference compares with the mean of the levels.
const noReference = -1

// fitLevels fits y = circuit + level by least squares and compares each level with
// the mean of the levels that share circuits with it, each level counting once and
// levels of a single lap not at all; or with a reference level.
//
// Circuits are taken out by their means (Frisch and Waugh 1933, Lovell 1963), which leaves the estimates and
// their covariance as they are. The covariance is HC3: residuals over 1 - leverage, so that
// intervals hold where levels or circuits scatter differently (MacKinnon and White,
// doi:10.1016/0304-4076(85)90158-7). Intervals are by Student's t. Holm's adjustment:
// S. Holm, A simple sequentially rejective multiple test procedure, Scand. J. Statist. 6 (1979) 65. All from memory;
// the tests compare with another program's output.
func fitLevels(obs []observed, levels, circuits, reference int) []effect {
	out := make([]effect, levels)
	for i := range out {
		nan := math.NaN()
		out[i] = effect{value: nan, low: nan, high: nan, p: nan, holm: nan, freedom: nan}
	}
	groups := levelGroups(obs, levels, circuits)
	for g, members := range groups {
		for _, l := range members {
			out[l].group = g + 1
		}
		if len(members) > 1 {
			newLevelFit(obs, members, levels, circuits).compare(out, reference)
		}
	}
	adjust(out, reference)
	return out
}

// levelGroups lists the levels that share circuits, directly or through others, in
// order of their first level.
func levelGroups(obs []observed, levels, circuits int) [][]int {
	root := make([]int, levels+circuits)
	for i := range root {
		root[i] = i
	}
	var find func(int) int
	find = func(i int) int {
		if root[i] != i {
			root[i] = find(root[i])
		}
		return root[i]
	}
	seen := make([]bool, levels)
	for _, o := range obs {
		seen[o.level] = true
		a, b := find(o.level), find(levels+o.circuit)
		root[max(a, b)] = min(a, b)
	}
	var order []int
	members := map[int][]int{}
	for l := range levels {
		if !seen[l] {
			continue
		}
		r := find(l)
		if members[r] == nil {
			order = append(order, r)
		}
		members[r] = append(members[r], l)
	}
	out := make([][]int, len(order))
	for i, r := range order {
		out[i] = members[r]
	}
	return out
}

// levelFit is the fit of one group: every level but the first has a column.
type levelFit struct {
	members []int
	laps    []int // of each member
	obs     []observed
	x       *mat.Dense    // columns of the levels, about their circuits' means
	inverse *mat.SymDense // of x'x
	values  []float64     // of each member; the first is 0
	scaled  []float64     // residual over 1 - leverage; NaN where one lap decides alone
	freedom float64
}

func newLevelFit(all []observed, members []int, levels, circuits int) *levelFit {
	f := &levelFit{members: members, laps: make([]int, len(members))}
	place := slices.Repeat([]int{-1}, levels)
	for i, l := range members {
		place[l] = i
	}
	count := make([]float64, circuits)
	for _, o := range all {
		if place[o.level] >= 0 {
			f.obs = append(f.obs, o)
			f.laps[place[o.level]]++
			count[o.circuit]++
		}
	}
	k := len(members) - 1
	y := make([]float64, len(f.obs))
	f.x = mat.NewDense(len(f.obs), k, nil)
	for i, o := range f.obs {
		y[i] = o.y
		if p := place[o.level]; p > 0 {
			f.x.Set(i, p-1, 1)
		}
	}
	about(f.obs, count, y)
	column := make([]float64, len(f.obs))
	for j := range k {
		mat.Col(column, j, f.x)
		about(f.obs, count, column)
		f.x.SetCol(j, column)
	}
	f.solve(y, count)
	return f
}

// about takes the circuits' means from v.
func about(obs []observed, count, v []float64) {
	sum := make([]float64, len(count))
	for i, o := range obs {
		sum[o.circuit] += v[i]
	}
	for i, o := range obs {
		v[i] -= sum[o.circuit] / count[o.circuit]
	}
}

// ownLeverage is the leverage from which on a lap is fitted by itself alone.
const ownLeverage = 1 - 1e-9

func (f *levelFit) solve(y, count []float64) {
	n, k := f.x.Dims()
	gram := mat.NewSymDense(k, nil)
	gram.SymOuterK(1, f.x.T())
	var factor mat.Cholesky
	factor.Factorize(gram) // positive definite: the levels of a group share circuits
	f.inverse = mat.NewSymDense(k, nil)
	_ = factor.InverseTo(f.inverse) // a bad condition is none here: entries are counts
	var moment, beta mat.VecDense
	moment.MulVec(f.x.T(), mat.NewVecDense(n, y))
	beta.MulVec(f.inverse, &moment)
	f.values = append([]float64{0}, beta.RawVector().Data...)
	sites := 0
	for _, c := range count {
		if c > 0 {
			sites++
		}
	}
	f.freedom = float64(n - k - sites)
	f.scaled = make([]float64, n)
	for i := range f.scaled {
		row := f.x.RowView(i)
		h := 1/count[f.obs[i].circuit] + mat.Inner(row, f.inverse, row)
		f.scaled[i] = (y[i] - mat.Dot(row, &beta)) / (1 - h)
		if h > ownLeverage {
			f.scaled[i] = math.NaN()
		}
	}
}

// compare fills in the members' effects.
func (f *levelFit) compare(out []effect, reference int) {
	against := f.against(reference)
	if against == nil {
		return
	}
	for i, l := range f.members {
		weights := slices.Clone(against)
		weights[i]++
		if f.laps[i] < 2 && reference == noReference {
			out[l].note = "one lap only"
		}
		if l == reference {
			out[l].value = 0
			continue
		}
		e := &out[l]
		e.contrast, e.freedom = weights, f.freedom
		e.value = 0
		for j, w := range weights {
			e.value += w * f.values[j]
		}
		f.interval(e)
	}
}

// against returns the weights, one a member, of what levels are compared with, to be added to a level's own; nil
// where the reference is not among the members.
func (f *levelFit) against(reference int) []float64 {
	w := make([]float64, len(f.members))
	if reference != noReference {
		i := slices.Index(f.members, reference)
		if i < 0 {
			return nil
		}
		w[i] = -1
		return w
	}
	several := 0
	for _, n := range f.laps {
		if n > 1 {
			several++
		}
	}
	for i, n := range f.laps {
		switch {
		case several < 2:
			w[i] = -1 / float64(len(w))
		case n > 1:
			w[i] = -1 / float64(several)
		}
	}
	return w
}

// interval finds what the residuals say of a contrast. Where one lap decides it
// alone there is no residual to judge it by, and no interval.
func (f *levelFit) interval(e *effect) {
	n, k := f.x.Dims()
	if f.freedom < 1 {
		e.note = join(e.note, "too few laps for an interval")
		return
	}
	var direction mat.VecDense
	direction.MulVec(f.inverse, mat.NewVecDense(k, slices.Clone(e.contrast[1:])))
	var variance float64
	var alone []string
	for i := range n {
		a := mat.Dot(f.x.RowView(i), &direction)
		switch r := f.scaled[i]; {
		case !math.IsNaN(r):
			variance += a * a * r * r
		case math.Abs(a) > 1e-9:
			alone = append(alone, f.obs[i].lap)
		}
	}
	if len(alone) > 0 {
		more := ""
		if len(alone) > 3 {
			alone, more = alone[:3], " and others"
		}
		e.note = join(e.note, "no interval: it hangs on single laps ("+strings.Join(alone, ", ")+more+")")
		return
	}
	t := distuv.StudentsT{Sigma: 1, Nu: f.freedom}
	sd := math.Sqrt(variance)
	half := t.Quantile(0.975) * sd
	e.low, e.high = e.value-half, e.value+half
	switch {
	case sd > 0:
		e.p = 2 * t.Survival(math.Abs(e.value)/sd)
	case e.value == 0:
		e.p = 1
	default:
		e.p = 0
	}
}

// adjust fills in Holm's adjusted p. Two levels against their own mean are one test.
func adjust(out []effect, reference int) {
	size := map[int]int{}
	for _, e := range out {
		if !math.IsNaN(e.p) {
			size[e.group]++
		}
	}
	var tests []int
	counted := map[int]bool{}
	for i, e := range out {
		switch {
		case math.IsNaN(e.p):
		case reference == noReference && size[e.group] == 2 && counted[e.group]:
		default:
			tests = append(tests, i)
			counted[e.group] = true
		}
	}
	slices.SortStableFunc(tests, func(a, b int) int { return cmp.Compare(out[a].p, out[b].p) })
	var above float64
	for rank, i := range tests {
		above = max(above, min(1, float64(len(tests)-rank)*out[i].p))
		out[i].holm = above
	}
	for i := range out {
		if math.IsNaN(out[i].p) || !math.IsNaN(out[i].holm) {
			continue
		}
		for _, j := range tests { // the other one of two
			if out[j].group == out[i].group {
				out[i].holm = out[j].holm
			}
		}
	}
}

// separable tells whether a contrast of the levels can still be told when another factor's
// levels, numbered from 0 by lap, may do damage of their own: whether it lies in the space of
// what circuits and the other factor leave of the levels.
func (f *levelFit) separable(other []int, values int) func(contrast []float64) bool {
	n, k := f.x.Dims()
	count := make([]float64, 0)
	for _, o := range f.obs {
		for o.circuit >= len(count) {
			count = append(count, 0)
		}
		count[o.circuit]++
	}
	all := mat.NewDense(n, k+values, nil)
	column := make([]float64, n)
	for j := range k {
		mat.Col(column, j, f.x)
		all.SetCol(j, column)
	}
	for v := range values {
		for i := range column {
			column[i] = 0
			if other[i] == v {
				column[i] = 1
			}
		}
		about(f.obs, count, column)
		all.SetCol(k+v, column)
	}
	gram := mat.NewSymDense(k+values, nil)
	gram.SymOuterK(1, all.T())
	var eigen mat.EigenSym
	if !eigen.Factorize(gram, true) {
		return func([]float64) bool { return false }
	}
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	lengths := eigen.Values(nil)
	top := lengths[len(lengths)-1]
	return func(contrast []float64) bool {
		for j, l := range lengths {
			if l > 1e-9*top {
				continue
			}
			var along float64
			for i := range k {
				along += contrast[i+1] * vectors.At(i, j)
			}
			if math.Abs(along) > 1e-6 {
				return false
			}
		}
		return true
	}
}

// join adds a remark to others.
func join(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}
