package calibrate

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
)

// worthMore is the share of the best channel's residual power that a combination may
// leave, to be taken in its stead.
const worthMore = 0.8

// transformed is a candidate whose channel is already a stress.
func (f Fitting) transformed(c candidate, terms []term, laps []prepared) candidate {
	out := candidate{channel: c.channel, unit: "MPa", terms: terms, laps: laps, plan: c.plan, lag: c.lag, aligned: c.aligned}
	for i := range out.laps {
		out.laps[i].measure(out.plan)
		out.laps[i].amplitude = span(out.laps[i].x) / 2
	}
	out.common(f)
	return out
}

// combined returns the best combination of up to n channels, if one is worth more than
// the best channel alone; ok is false else. others are the next best ones, for comparison.
func (f Fitting) combined(best candidate, all map[string][]pair, names []string) (sum candidate, others []candidate, ok bool) {
	w := f.weigh(best, all, names)
	chosen := w.gram.best(names, f.Combine, 1-best.explained())
	if chosen != nil {
		sum, ok = f.resettled(best, all, chosen, w), true
	}
	for _, set := range w.gram.nextBest(names, f.Combine, chosen) {
		c := f.sum(best, set, w)
		c.glance()
		others = append(others, c)
	}
	return sum, others, ok
}

// weighed are channels by lap, put as a candidate's laps are, with their products.
type weighed struct {
	laps map[string][]prepared
	gram gram
}

func (f Fitting) weigh(as candidate, all map[string][]pair, names []string) weighed {
	laps := map[string][]prepared{}
	for _, n := range names {
		if len(all[n]) != len(as.laps) {
			continue
		}
		p := prepare(all[n], as.placings(), f.HighPass)
		if sameShape(p, as.laps) {
			laps[n] = p
		}
	}
	return weighed{laps, newGram(laps, names, as.laps)}
}

// resettled finds lags and signs of a combination's laps by the sum itself, since what one
// channel does not see shifts that channel's, and weighs the channels anew.
func (f Fitting) resettled(best candidate, all map[string][]pair, names []string, w weighed) candidate {
	weights := w.gram.weights(names)
	pairs := make([]pair, len(best.laps))
	for i := range pairs {
		pairs[i] = all[names[0]][i]
		pairs[i].x = make([]float64, len(pairs[i].s))
		for k, n := range names {
			p := all[n][i]
			if len(p.x) != len(pairs[i].x) || p.late != pairs[i].late {
				return f.sum(best, names, w)
			}
			for j, v := range p.x {
				pairs[i].x[j] += weights[k] * v
			}
		}
	}
	as := candidate{unit: best.unit}
	if f.delayed(&as, pairs); as.none != "" {
		return f.sum(best, names, w)
	}
	anew := f.weigh(as, all, names)
	if anew.gram.weights(names) == nil {
		return f.sum(best, names, w)
	}
	return f.sum(as, names, anew)
}

// listed is how many combinations are given beside the one that is taken.
const listed = 2

// nextBest are the combinations that leave least, but for the chosen one.
func (g gram) nextBest(names []string, most int, chosen []string) [][]string {
	var sets [][]string
	for size := 2; size <= min(most, len(names)); size++ {
		for _, s := range subsets(names, size) {
			if g.weights(s) != nil && !slices.Equal(s, chosen) {
				sets = append(sets, s)
			}
		}
	}
	slices.SortStableFunc(sets, func(a, b []string) int { return cmp.Compare(g.left(a), g.left(b)) })
	return sets[:min(listed, len(sets))]
}

// best returns the channels of the combination to take: of each size the one that leaves
// least, and a larger one where it leaves a fifth less than what was taken before; nil for
// none.
func (g gram) best(names []string, most int, left float64) (chosen []string) {
	for size := 2; size <= min(most, len(names)); size++ {
		var set []string
		least := 1.0
		for _, s := range subsets(names, size) {
			if l := g.left(s); l < least {
				least, set = l, s
			}
		}
		if set != nil && least < left*worthMore {
			left, chosen = least, set
		}
	}
	return chosen
}

// sum is the combination of some channels, its laps put as another candidate's.
func (f Fitting) sum(as candidate, names []string, w weighed) candidate {
	weights := w.gram.weights(names)
	var terms []term
	var channels [][]prepared
	for i, n := range names {
		terms = append(terms, term{n, []float64{weights[i]}})
		channels = append(channels, w.laps[n])
	}
	as.channel = strings.Join(names, "+")
	sum := f.transformed(as, terms, added(as.laps, channels, weights))
	sum.parts = channels
	for i, n := range names {
		sum.shares = append(sum.shares, weights[i]*weights[i]*w.gram.x[w.gram.at[n]][w.gram.at[n]])
	}
	sum.ranges = f.coefficientRanges(channels, as.plan)
	return sum
}

// added are laps whose channel is a weighted sum of channels, by place.
func added(laps []prepared, channels [][]prepared, weights []float64) []prepared {
	out := make([]prepared, len(laps))
	for i, l := range laps {
		out[i] = l.without()
		out[i].x = make([]float64, len(l.s))
		for k, w := range weights {
			for j, v := range channels[k][i].x {
				out[i].x[j] += w * v
			}
		}
	}
	return out
}

// combineAnew weighs the channels of a combination on the laps that are kept.
func (f Fitting) combineAnew(c *candidate) func(fitted, unseen []prepared) (kept, left []prepared, err error) {
	var names []string
	for _, t := range c.terms {
		names = append(names, t.channel)
	}
	return func(fitted, unseen []prepared) (kept, left []prepared, err error) {
		laps, channels := map[string][]prepared{}, make([][]prepared, len(names))
		for k, n := range names {
			channels[k] = among(c.parts[k], fitted)
			laps[n] = channels[k]
		}
		weights := newGram(laps, names, fitted).weights(names)
		if weights == nil { // these laps do not part the channels
			return fitted, unseen, nil
		}
		kept = added(fitted, channels, weights)
		for k := range channels {
			channels[k] = among(c.parts[k], unseen)
		}
		left = added(unseen, channels, weights)
		if err := f.ready(kept, c.plan); err != nil {
			return nil, nil, err
		}
		return kept, left, f.ready(left, c.plan)
	}
}

// among are those of all laps that are among some.
func among(all, some []prepared) []prepared {
	names := namesOf(some)
	var out []prepared
	for _, l := range all {
		if names[l.lap] {
			out = append(out, l)
		}
	}
	return out
}

// sameShape tells whether the laps hold the same samples of the gauge: a channel that
// begins or ends elsewhere is not added sample by sample.
func sameShape(a, b []prepared) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i].lap != b[i].lap || !slices.Equal(a[i].s, b[i].s) {
			return false
		}
	}
	return true
}

// subsets lists the subsets of a size in order.
func subsets(names []string, size int) [][]string {
	if size == 0 {
		return [][]string{nil}
	}
	var out [][]string
	for i := range names {
		for _, rest := range subsets(names[i+1:], size-1) {
			out = append(out, append([]string{names[i]}, rest...))
		}
	}
	return out
}

// gram holds the sums of products of channels among themselves and with the gauge.
type gram struct {
	at    map[string]int
	x     [][]float64
	s     []float64
	power float64
}

func newGram(laps map[string][]prepared, names []string, gauge []prepared) gram {
	g := gram{at: map[string]int{}}
	var cols [][]prepared
	for _, n := range names {
		if laps[n] != nil {
			g.at[n] = len(cols)
			cols = append(cols, laps[n])
		}
	}
	g.x, g.s = make([][]float64, len(cols)), make([]float64, len(cols))
	for i := range cols {
		g.x[i] = make([]float64, len(cols))
		for l := range gauge {
			for j := range cols {
				g.x[i][j] += dot(cols[i][l].x, cols[j][l].x)
			}
			g.s[i] += dot(cols[i][l].x, gauge[l].s)
		}
	}
	for _, l := range gauge {
		g.power += dot(l.s, l.s)
	}
	return g
}

func dot(a, b []float64) float64 {
	var sum float64
	for i, v := range a {
		sum += v * b[i]
	}
	return sum
}

// weights are the least-squares weights of some channels; nil where they do not tell.
func (g gram) weights(set []string) []float64 {
	n := len(set)
	a, b := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	for i, ni := range set {
		pi, ok := g.at[ni]
		if !ok {
			return nil
		}
		for j, nj := range set[:i+1] {
			pj := g.at[nj]
			a.SetSym(i, j, g.x[pi][pj]/math.Sqrt(g.x[pi][pi]*g.x[pj][pj]))
		}
		b.SetVec(i, g.s[pi]/math.Sqrt(g.x[pi][pi]))
	}
	var chol mat.Cholesky
	if !chol.Factorize(a) || chol.Cond() > 1e4 {
		return nil
	}
	var w mat.VecDense
	if chol.SolveVecTo(&w, b) != nil {
		return nil
	}
	out := make([]float64, n)
	for i, ni := range set {
		p := g.at[ni]
		out[i] = w.AtVec(i) / math.Sqrt(g.x[p][p])
	}
	return out
}

// left is the share of the stress's power that the combination leaves; 1 without one.
func (g gram) left(set []string) float64 {
	w := g.weights(set)
	if w == nil {
		return 1
	}
	var explained float64
	for i, n := range set {
		explained += w[i] * g.s[g.at[n]]
	}
	return 1 - explained/g.power
}
